"""The season's page and the helm-station card onto the disk."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from sailanalysis.report.day.write import write_text
from sailanalysis.report.page.words import known

if TYPE_CHECKING:
    from sailanalysis.season import Season


def write_season_report(season: Season, out_dir: str | Path, plotly_beside: bool = False) -> None:
    """Write ``season.html`` and ``card.html``.

    Parameters
    ----------
    season : Season
    out_dir : path
    plotly_beside : bool
        Put ``plotly.min.js`` once beside the report instead of inside it.

    Raises
    ------
    SailAnalysisError
        If a file cannot be written; none is left half-written.
    """
    from sailanalysis.report.page.render import plotly_script, render
    from sailanalysis.report.season.sections import season_head, season_sections

    sections = season_sections(season)
    page = render(sections, season_head(season, sections), kind="A season under sail",
                  findings_title="What the season says", plotly_beside=plotly_beside)
    out = Path(out_dir)
    if plotly_beside:
        write_text(out / "plotly.min.js", plotly_script())
    write_text(out / "card.html", card_page(season))
    write_text(out / "season.html", page)


def card_page(season: Season) -> str:
    """One page for the helm station: large type, black on white or red on black.

    Parameters
    ----------
    season : Season

    Returns
    -------
    str
        Complete HTML that fills one A4 or Letter page when printed.
    """
    import secrets

    from markupsafe import Markup

    from sailanalysis.report.page.render import _static, _template
    from sailanalysis.report.season.sail_words import crossover_sentences
    from sailanalysis.season import helm_card

    table = helm_card(season)
    useful = [c for c in table.select_dtypes("number") if c != "tws_kn" and table[c].notna().any()]
    sets = {str(name) for word in ("up", "down") for name in table.get(f"{word}_sails", ())} - {""}
    rows = [r for r in table.to_dict("records") if any(known(r[c]) for c in useful)]
    reaches = [c for c in useful if str(c).startswith("reach_")]

    def cell(row: dict[str, Any], name: str, digits: int) -> str:
        value = row.get(name)
        return "" if value is None or not known(value) else f"{abs(float(value)):.{digits}f}"

    def span(row: dict[str, Any], word: str) -> str:
        ends = [cell(row, f"{word}_near_best_{end}_deg", 0) for end in ("from", "to")]
        return "–".join(ends) + "°" if all(ends) and ends[0] != ends[1] else ""

    def target(row: dict[str, Any], word: str) -> dict[str, str]:
        return {"twa": cell(row, f"{word}_twa_deg", 0), "awa": cell(row, f"{word}_awa_deg", 0),
                "stw": cell(row, f"{word}_stw_kn", 1), "near": span(row, word),
                "sails": str(row[f"{word}_sails"]) if len(sets) > 1 else ""}

    lines = [{"tws": f"{row['tws_kn']:.0f}", "up": target(row, "up"),
              "reach": [cell(row, name, 1) for name in reaches], "down": target(row, "down")}
             for row in rows]
    angles = [str(name).split("_")[1] + "°" for name in reaches]
    return str(_template().get_template("card.html").render(
        boat=season.boat_name or "Helm card", span=f"{season.start} to {season.end}",
        sets=sorted(sets), changes=crossover_sentences(season.faster, 4), lines=lines,
        angles=angles, nonce=secrets.token_urlsafe(18),
        early_js=Markup(_static("early.js")), css=Markup(_static("card.css"))))
