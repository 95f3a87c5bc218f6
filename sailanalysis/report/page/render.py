"""Sections into one self-contained page: a string, nothing written."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from sailanalysis.core.ship_time import now_kept
from sailanalysis.report.day.head import Head
from sailanalysis.report.page.glossary import first_uses
from sailanalysis.report.page.safe import escape, script_json
from sailanalysis.report.page.sections import Section, Table, Text, View, section_html
from sailanalysis.report.page.table import plain_table_html

HERE = Path(__file__).parent

CAUTION = ("This report judges the past and is no navigation aid. Lookout, the rules of the road, "
           "reefing in time, local rules and the skipper come first.")
FOOTER = ("Ranges in brackets are 95 % intervals. Computed on your own machine; "
          "this page asks the network for nothing.")


@cache
def _static(name: str) -> str:
    return (HERE / "static" / name).read_text(encoding="utf-8")


@cache
def plotly_script() -> str:
    """The plotting library's script, from the installed plotly package."""
    from importlib.util import find_spec

    spec = find_spec("plotly")
    if spec is None or spec.origin is None:
        return ""
    return (Path(spec.origin).parent / "package_data" / "plotly.min.js").read_text(encoding="utf-8")


@cache
def _template() -> Any:
    from jinja2 import Environment, FileSystemLoader

    return Environment(loader=FileSystemLoader(HERE / "templates"), autoescape=True)


def render(sections: Sequence[Section], head: Head, *, kind: str = "A day on the water",
           findings_title: str = "What the day says", plotly_beside: bool = False,
           caution: str = CAUTION) -> str:
    """One HTML page of finished sections.

    Parameters
    ----------
    sections : sequence of Section
    head : Head
        The first screen.
    kind, findings_title, caution : str
        Words above and below the findings.
    plotly_beside : bool
        Load ``plotly.min.js`` from beside the page instead of carrying it inside.

    Returns
    -------
    str
        Complete HTML; opens from disk and needs no network.
    """
    from markupsafe import Markup

    from sailanalysis.figures.palette import DAY, NIGHT

    seen: set[str] = set()
    bodies = [Markup(section_html(section, _terms_html(section, seen), folded=True))
              for section in sections]
    figures = any('class="plot"' in body for body in bodies)
    head = replace(head, findings=tuple((text.replace(" %", "\u00a0%"), key)
                                        for text, key in head.findings))
    return str(_template().get_template("page.html").render(
        head=head, overview=Markup(head.overview), kind=kind,
        sheet=[Markup(plain_table_html(table)) for table in head.sheet],
        findings_title=findings_title,
        caution=caution, footer=f"{_times_words()} {FOOTER}",
        sections=sections, titles={s.key: s.title for s in sections}, bodies=bodies,
        # A script that slipped through all escaping would still lack the page's own nonce.
        nonce=secrets.token_urlsafe(18),
        css=Markup(_static("report.css")), early_js=Markup(_static("early.js")),
        js=Markup(_static("report.js")),
        plotly_js=Markup(plotly_script()) if figures and not plotly_beside else "",
        plotly_beside=plotly_beside and figures,
        page_json=Markup(script_json({
            "day": DAY, "night": NIGHT, "shift_s": now_kept().shift_s, "zone": now_kept().label}))))


def _times_words() -> str:
    ship = now_kept()
    if not ship.shift_s and ship.label == "UTC":
        return "Times are UTC."
    name = ship.label if ship.label == ship.against_utc else f"{ship.label} ({ship.against_utc})"
    return f"Times are ship's time, {name}; the tables beside this page are in UTC."


def _terms_html(section: Section, seen: set[str]) -> str:
    words = [section.title, section.verdict]
    for block in section.blocks:
        if isinstance(block, Text):
            words += block.paragraphs
        elif not isinstance(block, View):
            words.append(block.caption)
            words += [c.label for c in block.columns] if isinstance(block, Table) else []
    terms = first_uses(" ".join(words), seen)
    if not terms:
        return ""
    listing = "".join(f"<dt>{escape(name)}</dt><dd>{escape(meaning)}</dd>"
                      for name, meaning in terms)
    names = ", ".join(escape(name) for name, _ in terms)
    return (f'<details class="terms"><summary>Words used here: {names}</summary>'
            f"<dl>{listing}</dl></details>")
