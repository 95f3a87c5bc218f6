"""Section of a season: what sails, boards, load and trim were worth, over all days."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING, Any

from sailanalysis.report.page.sections import Block, Column, Headline, Section, Table, Text
from sailanalysis.report.page.words import count, interval, number

if TYPE_CHECKING:
    from sailanalysis.season import Season

Row = Mapping[Hashable, Any]


def experiments_section(season: Season) -> Section | None:
    """Pooled answers on what was changed; None where nothing was tried."""
    table = season.experiments
    if not len(table):
        return None
    rows: list[dict[Hashable, Any]] = table.to_dict("records")
    clear = sorted((r for r in rows if r["verdict"] != "no clear difference"),
                   key=lambda r: -abs(r["gain_kn"]))
    told = _sentences(clear)
    verdict = told[0] if told else (
        f"{count(len(rows), 'change')} tried, and no clear difference shown by any.")
    blocks: list[Block] = []
    if len(told) > 1:
        blocks.append(Text(tuple(told[1:6]), "list"))
    blocks.append(Table("experiments", "What was changed, all tries together", (
        Column("change", "change"), Column("angle", "wind angle"), Column("wind", "true wind"),
        Column("gain_kn", "gain", 2, "kn", "gain_low_kn", "gain_high_kn", True),
        Column("days", "days", 0), Column("tries", "tries", 0), Column("minutes", "minutes", 0),
        Column("verdict", "verdict")), [
            {str(k): v for k, v in r.items()} | {"angle": _span(r, "twa", "deg"),
                                                 "wind": _span(r, "tws", "kn")} for r in rows]))
    return Section(
        "experiments", "What was changed, and what it gave", verdict, tuple(blocks),
        how=("Each change is compared in like wind, angle and tack before and after. Tries of one "
             "day are pooled first, then the days; how much days differ is in the interval. Load "
             "and boards are also read off the season's polar.",),
        source=("DerSimonian and Laird, \u201cMeta-analysis in clinical trials\u201d, Controlled "
                "Clinical Trials 7, 177-188, 1986.",),
        code='season.experiments[["change", "gain_kn", "gain_low_kn", "gain_high_kn", "days"]]',
        headlines=tuple(Headline(text, 60.0) for text in told[:1]))


def _sentences(clear: list[dict[Hashable, Any]]) -> list[str]:
    """A sentence a change; its bands of angle, where they differ, in one sentence."""
    out: list[str] = []
    subjects = list(dict.fromkeys(str(r["subject"]) for r in clear))
    for subject in subjects:
        own = [r for r in clear if r["subject"] == subject]
        out.append("; ".join(_told(r) for r in own) + ".")
    return out


def _told(row: Row) -> str:
    value, low, high = row["gain_kn"], row["gain_low_kn"], row["gain_high_kn"]
    if value < 0:
        value, low, high = -value, -high, -low
    where = f"at {_span(row, 'twa', 'deg')} in {_span(row, 'tws', 'kn')}"
    rests = f"{count(int(row['days']), 'day')}, {count(int(row['tries']), 'try', 'tries')}"
    return (f"\u201c{row['change']}\u201d {where}: {interval(value, low, high, 'kn', 2)} "
            f"{row['verdict']}, {rests}")


def _span(row: Row, name: str, unit: str) -> str:
    low, high = number(row[f"{name}_low_{unit}"], 0), number(row[f"{name}_high_{unit}"], 0)
    shown = "\u00b0" if unit == "deg" else f" {unit}"
    return f"{low}{shown}" if low == high else f"{low} to {high}{shown}"
