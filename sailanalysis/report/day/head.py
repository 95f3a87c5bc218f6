"""The first screen: where and when, wind, distance, time; then the findings, weightiest first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from sailanalysis.day import UsualFigure
from sailanalysis.figures.chart import is_moving, mean_wind, positions
from sailanalysis.report.day.corrections import corrections_line
from sailanalysis.report.day.doubts import doubt_words, step_words
from sailanalysis.report.day.facts import Facts
from sailanalysis.report.day.order import filled, ranked
from sailanalysis.report.day.places import Place, places_of
from sailanalysis.report.day.sheet import day_sheet
from sailanalysis.report.page.safe import escape
from sailanalysis.report.page.sections import Section, Table
from sailanalysis.report.page.words import (
    amount,
    bearing,
    clock,
    count,
    date_words,
    duration,
    known,
    listed,
    number,
    position,
    zone,
)


@dataclass(frozen=True)
class Usual:
    """One figure of today beside the usual day.

    Attributes
    ----------
    label, value, words, remark : str
    figure : UsualFigure
    way : {"", "better", "worse"}
    """

    label: str
    value: str
    words: str
    remark: str
    figure: UsualFigure
    way: str = ""

    def place(self, value: float) -> float:
        """Where a value lies on the mark, 0 to 100."""
        f = self.figure
        low, high = min(f.least, f.today), max(f.most, f.today)
        return 100.0 * (value - low) / (high - low) if high > low else 50.0


@dataclass(frozen=True)
class Head:
    """What stands above all sections.

    Attributes
    ----------
    title, subtitle : str
    facts : tuple of (label, value, remark)
    findings : tuple of (sentence, section key)
    corrected : str
        One line on the sensors' corrections, before any number.
    doubts : tuple of str
        What contradicts itself, or changed in the middle of the day.
    overview : str
        The track as SVG (already HTML); empty where there is none.
    places : tuple of Place
        Where a look is worth it.
    usual : tuple of Usual
        Today beside the usual day; empty without a season.
    start_s : float
        First instant, seconds since 1970; the page's script counts from it.
    sheet : tuple of Table
        The second printed page.
    """

    title: str
    subtitle: str
    facts: tuple[tuple[str, str, str], ...]
    findings: tuple[tuple[str, str], ...]
    corrected: str = ""
    doubts: tuple[str, ...] = ()
    overview: str = ""
    places: tuple[Place, ...] = ()
    usual: tuple[Usual, ...] = ()
    start_s: float = 0.0
    sheet: tuple[Table, ...] = ()


def day_head(facts: Facts, sections: list[Section]) -> Head:
    """First screen of a day."""
    title, subtitle = _titles(facts)
    items = (_wind(facts), _distance(facts), *_times(facts), *_turns(facts))
    places = places_of(facts)
    return Head(title, subtitle, items, tuple(_findings(facts, sections)),
                corrections_line(facts.day.results.corrections), _doubts(facts),
                _overview(facts, places), places, _usual(facts), facts.t0,
                day_sheet(facts))


def _titles(facts: Facts) -> tuple[str, str]:
    """The date, and the boat, hours and place below it."""
    start, end = facts.t0, float(facts.time[-1])
    if facts.private:
        return "A day on the water", f"{duration(end - start)} from the start"
    lat, lon = positions(facts.day.samples)
    good = np.flatnonzero(np.isfinite(lat) & np.isfinite(lon))
    where = f"from {position(lat[good[0]], lon[good[0]])}" if good.size else ""
    one_day = date_words(start) == date_words(end) or end - start < 43200
    until = clock(end, False) if one_day else f"{date_words(end)}, {clock(end, False)}"
    hours = f"{clock(start, False)} to {until} {zone()}"
    return date_words(start), " · ".join(w for w in (facts.day.boat.name, hours, where) if w)


def _distance(facts: Facts) -> tuple[str, str, str]:
    s = facts.day.summary
    over, through = s["distance_over_ground_nm"], s["distance_through_water_nm"]
    if known(over) and known(through):
        return ("Distance", amount(over, "NM"),
                f"over ground; {amount(through, 'NM')} through the water")
    if known(over):
        return "Distance", amount(over, "NM"), "over ground"
    if known(through):
        return "Distance", amount(through, "NM"), "through the water"
    return "Distance", "unknown", "no speed in the log"


def _times(facts: Facts) -> list[tuple[str, str, str]]:
    """Hours under sail, under engine and at rest."""
    s = facts.day.summary
    sailed, motored = s["sailing_s"], s["motoring_s"]
    if facts.engine_unknown:
        items = [("Under way", duration(sailed), "sail and engine cannot be told apart")]
    else:
        items = [("Sailed", duration(sailed) if sailed else "not at all", "")]
    if motored or not facts.engine_unknown:
        items.append(("Motored", duration(motored) if motored else "not at all", ""))
    if s["stopped_s"] >= 60:
        items.append(("Stopped", duration(s["stopped_s"]), ""))
    return items


def _turns(facts: Facts) -> list[tuple[str, str, str]]:
    s = facts.day.summary
    turns = [count(n, w) for n, w in ((s["tacks"], "tack"), (s["gybes"], "gybe")) if n]
    return [("Turns", listed(turns), "")] if turns else []


def _doubts(facts: Facts) -> tuple[str, ...]:
    """What contradicts itself, before anything else is told."""
    results = facts.day.results
    plain = results.corrections is not None and not results.corrections.items
    return tuple(facts.scrub(text) for text in (
        *(step_words(step, plain) for step in results.steps),
        *(doubt_words(doubt) for doubt in results.doubts)))


def _wind(facts: Facts) -> tuple[str, str, str]:
    twd, tws = mean_wind(facts.day.samples)
    source = {"track": "direction deduced from the track", "none": "no wind known"}.get(
        facts.day.wind_source, "")
    if not known(twd) and not known(tws):
        return ("Wind", "unknown", "no usable wind in the log, and the track does not tell")
    samples = facts.day.samples
    moving = is_moving(samples)
    remark = source
    words = f"{bearing(twd)}" if known(twd) and not (facts.private and facts.turned_deg) else ""
    if known(tws):
        speeds = samples["tws_kn"].to_numpy(dtype=float)[moving]
        speeds = speeds[np.isfinite(speeds)]
        low, high = np.percentile(speeds, [5, 95])
        words = (words + " " if words else "") + amount(tws, "kn", 0)
        remark = "; ".join(w for w in (f"mostly {low:.0f} to {high:.0f} kn", source) if w)
    return ("True wind" if known(tws) else "Wind", words, remark)


def _findings(facts: Facts, sections: list[Section]) -> list[tuple[str, str]]:
    """The day's sentences, the weightiest first; a thin day says what it can and cannot tell."""
    return filled(ranked(sections), sections,
                  ("day", "maneuvers", "polar", "helm", "instruments", "inputs"))


USUAL: Final[dict[str, tuple[str, str, int, bool]]] = {
    "tack_loss_s": ("A tack cost", "s", 0, True), "gybe_loss_s": ("A gybe cost", "s", 0, True),
    "sailing_h": ("Under sail", "h", 1, False), "distance_nm": ("Sailed", "NM", 0, False)}
"""Words, unit and digits of what is set beside the usual day, and whether less is better."""


def _usual(facts: Facts) -> tuple[Usual, ...]:
    out = []
    for figure in facts.day.results.usual:
        label, unit, digits, less = USUAL[figure.name]
        inside = figure.low <= figure.today <= figure.high
        way = "as usual" if inside else "less than usual" if figure.today < figure.low else \
            "more than usual"
        out.append(Usual(
            label, amount(figure.today, unit, digits), way,
            f"usually {number(figure.low, digits)} to {amount(figure.high, unit, digits)}, "
            f"{count(figure.days, 'day')}", figure,
            "" if inside or not less else "better" if figure.today < figure.low else "worse"))
    return tuple(out)


def _overview(facts: Facts, places: tuple[Place, ...]) -> str:
    """The drawn map as SVG; empty without positions."""
    from sailanalysis.figures.overview import Spot, overview_svg

    if facts.chart is None:
        return ""
    spots = [Spot(n, place.middle_s) for n, place in enumerate(places, start=1)]
    words = listed(f"{n}, {place.name}" for n, place in enumerate(places, start=1))
    return overview_svg(facts.day.samples, facts.chart, spots,
                        escape(f"The day's track; places worth a look: {words or 'none'}"),
                        facts.coastline)
