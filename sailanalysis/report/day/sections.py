"""All sections of one day, in the order a sailor asks."""

from __future__ import annotations

from typing import Any

from sailanalysis.day import Day
from sailanalysis.report.day.facts import Facts
from sailanalysis.report.page.sections import Section


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
        return Facts(day, coastline=coastline)
    from sailanalysis.report.day.private import private_day, scrubber

    return Facts(private_day(day, turned_deg), True, turned_deg, None, scrubber(day))


def sections_of(facts: Facts) -> list[Section]:
    """Sections from facts already gathered."""
    from sailanalysis.report.day.helm import helm_section
    from sailanalysis.report.day.inputs import inputs_section, notes_section
    from sailanalysis.report.day.instruments import instruments_section
    from sailanalysis.report.day.maneuvers import maneuvers_section
    from sailanalysis.report.day.polar import legs_section, polar_section
    from sailanalysis.report.day.track import day_section
    from sailanalysis.report.day.trials import load_section, trials_section

    makers = (day_section, maneuvers_section, legs_section, polar_section, helm_section,
              trials_section, load_section, instruments_section, notes_section, inputs_section)
    return [section for section in (make(facts) for make in makers) if section is not None]
