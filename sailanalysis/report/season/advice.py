"""Section: which advice helped."""

from __future__ import annotations

from typing import Final

from sailanalysis.figures.tables import texts
from sailanalysis.report.day.tomorrow import ABOUT
from sailanalysis.report.page.sections import Column, Section, Table, Text
from sailanalysis.report.page.words import count, listed
from sailanalysis.season import Season

TITLE: Final = "Which advice helped"
WORDS: Final = {"helped": "helped", "worse": "made it worse", "no change shown": "no change shown",
                "too early": "too early to say"}


def advice_section(season: Season) -> Section | None:
    """Exercises of the season and what became of them; None where none could be checked."""
    table = season.advice
    if not len(table):
        return None
    verdicts = texts(table, "verdict")
    tally = [f"{(verdicts == name).sum()} {words}" for name, words in WORDS.items()
             if (verdicts == name).any()]
    helped = [ABOUT[str(m)] + (f" ({h})" if h else "") for m, h, v in zip(
        texts(table, "measure"), texts(table, "helm"), verdicts, strict=True) if v == "helped"]
    verdict = (f"{count(len(table), 'exercise')} checked: {listed(tally)}."
               + (f" What helped: {listed(helped)}." if helped else ""))
    rows = [{**row, "about": ABOUT[str(row["measure"])], "word": WORDS[str(row["verdict"])]}
            for row in table.to_dict("records")]
    return Section("advice", TITLE, verdict, (
        Table("advice", "Exercises, their number before and since; less is better", (
            Column("proposed", "set on"), Column("about", "about"), Column("helm", "helm"),
            Column("word", "verdict"),
            Column("then", "before, 95 % interval", 1, "", "then_low", "then_high"),
            Column("since", "since", 1, "", "since_low", "since_high"),
            Column("change", "change", 1, "", "change_low", "change_high", True),
            Column("unit", "unit"), Column("days_since", "days since", 0)),
            rows, filterable=False),
        Text(("Set because a number was bad, an exercise would look good by chance alone: the day "
              "that set it is left out of the days before.",))),
        how=("Days are held against days in about the same wind. Helped is said where chance "
             "would say so in less than one season of twenty.",),
        code="season.advice")
