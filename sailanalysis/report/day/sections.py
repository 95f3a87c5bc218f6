"""All sections of one day, in the order a sailor asks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from sailanalysis.core.errors import Finding
from sailanalysis.core.isolation import attempt
from sailanalysis.day import STUDY_WORDS, Day, StudyName
from sailanalysis.report.day.facts import Facts
from sailanalysis.report.page.sections import Section, Text


def day_sections(day: Day, *, private: bool = False, turned_deg: float = 0.0,
                 coastline: Any = None) -> list[Section]:
    """Finished sections of a day's report.

    Parameters
    ----------
    day : Day
    private : bool
        Leave out positions, file names, free notes and the boat's name.
    turned_deg : float
        Turn a private track by this angle, so that its shape does not give the place away.
    coastline : path or dict, optional
        GeoJSON lines or polygons to draw behind the track.

    Returns
    -------
    list of Section
        Sections that do not apply (no trial marked, no tank) are left out; those whose data are
        missing say what could not be known and why.
    """
    return sections_of(facts_of(day, private, turned_deg, coastline))


def facts_of(day: Day, private: bool = False, turned_deg: float = 0.0,
             coastline: Any = None) -> Facts:
    """The day's record with its privacy rules."""
    if not private:
        from sailanalysis.figures.chart import read_coastline

        return Facts(day, coastline=read_coastline(coastline) if coastline else [])
    from sailanalysis.report.private import private_day, random_turn_deg, scrubber

    turned_deg = turned_deg or random_turn_deg()
    return Facts(private_day(day, turned_deg), True, turned_deg, [], scrubber(day))


@dataclass(frozen=True)
class Part:
    """A place in the report: its section's key and title, and the studies it tells."""

    key: str
    title: str
    make: Callable[[Facts], Section | None]
    studies: tuple[StudyName, ...] = ()


def _parts() -> tuple[Part, ...]:
    from sailanalysis.report.day.helm import helm_section
    from sailanalysis.report.day.inputs import notes_section
    from sailanalysis.report.day.instruments import instruments_section
    from sailanalysis.report.day.ledger import ledger_section
    from sailanalysis.report.day.maneuvers import maneuvers_section
    from sailanalysis.report.day.polar import legs_section, polar_section
    from sailanalysis.report.day.tomorrow import tomorrow_section
    from sailanalysis.report.day.track import day_section
    from sailanalysis.report.day.trials import load_section, trials_section

    return (
        Part("day", "The day", day_section, ("wind", "states")),
        Part("ledger", "Where the day went", ledger_section, ("ledger",)),
        Part("tomorrow", "Tomorrow", tomorrow_section, ("tomorrow",)),
        Part("maneuvers", "Tacks and gybes", maneuvers_section, ("turns", "maneuvers")),
        Part("legs", "Straight-line sailing", legs_section, ("legs", "memory")),
        Part("polar", "What she can do", polar_section, ("polar",)),
        Part("helm", "At the helm", helm_section, ("helm",)),
        Part("trials", "Trim and sail changes", trials_section, ("trials",)),
        Part("load", "Weight on board", load_section, ("load", "gauges")),
        Part("instruments", "Can the instruments be believed?", instruments_section,
             ("calibration", "health")),
        Part("notes", "What the crew wrote down", notes_section))


def sections_of(facts: Facts) -> list[Section]:
    """Sections from facts already gathered."""
    return told_sections(facts)[0]


def told_sections(facts: Facts) -> tuple[list[Section], list[Finding]]:
    """Sections, and a finding for each that could not be made: its place says so."""
    from sailanalysis.report.day.inputs import inputs_section

    sections: list[Section] = []
    findings: list[Finding] = []
    for part in _parts():
        section = _told(part, facts, findings)
        if section is not None:
            sections.append(section)
    facts = replace(facts, day=replace(facts.day, findings=(*findings, *facts.day.findings)))
    last = _told(Part("inputs", "What went in", inputs_section), facts, findings)
    return [*sections, *([last] if last is not None else [])], findings


def _told(part: Part, facts: Facts, findings: list[Finding]) -> Section | None:
    def fallen(why: str) -> Section:
        why = facts.scrub(why)
        findings.append(Finding(
            "section-failed", f"The report's part \u201c{part.title}\u201d could not be made: "
            f"{why}. The tables hold what was worked out; --debug shows where it failed.",
            missing=True))
        return missing_section(part.key, part.title, why)

    section = attempt(lambda: part.make(facts), fallen)
    failed = [f"{STUDY_WORDS[name]} could not be worked out: "
              f"{facts.scrub(facts.day.results.failed[name])}."
              for name in part.studies if name in facts.day.results.failed]
    if not failed:
        return section
    # What the section would say rests on what stands in the failed study's place.
    blocks = section.blocks if section is not None else ()
    return Section(part.key, part.title, " ".join(failed),
                   (Text(("This part is incomplete; all others stand.",), "unknown"), *blocks))


def missing_section(key: str, title: str, why: str) -> Section:
    """The place of a section that could not be made."""
    return Section(key, title, f"This part of the report could not be made: {why}.",
                   (Text(("All other parts stand. Please report this, with the lines that the "
                          "option --debug prints.",), "unknown"),))
