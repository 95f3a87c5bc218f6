"""The first screen: where and when, wind, distance, time; then the findings, weightiest first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import angle_sd
from sailanalysis.figures.chart import is_moving, mean_wind, positions
from sailanalysis.report.day.corrections import corrections_line
from sailanalysis.report.day.doubts import doubt_words, step_words
from sailanalysis.report.day.facts import Facts
from sailanalysis.report.page.sections import Headline, Section
from sailanalysis.report.page.words import (
    amount,
    bearing,
    clock,
    count,
    date_words,
    duration,
    known,
    listed,
    position,
)


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
    """

    title: str
    subtitle: str
    facts: tuple[tuple[str, str, str], ...]
    findings: tuple[tuple[str, str], ...]
    corrected: str = ""
    doubts: tuple[str, ...] = ()


def day_head(facts: Facts, sections: list[Section]) -> Head:
    """First screen of a day."""
    day, s = facts.day, facts.day.summary
    start, end = facts.t0, float(facts.time[-1])
    boat = "" if facts.private else day.boat.name
    lat, lon = positions(day.samples)
    where = ""
    if not facts.private:
        good = np.flatnonzero(np.isfinite(lat) & np.isfinite(lon))
        if good.size:
            where = position(lat[good[0]], lon[good[0]])
    until = clock(end, False) if date_words(start) == date_words(end) or end - start < 43200 else \
        f"{date_words(end)}, {clock(end, False)}"
    subtitle = " · ".join(w for w in (boat, f"{clock(start, False)} to {until} UTC",
                                      f"from {where}" if where else "") if w)
    items: list[tuple[str, str, str]] = [_wind(facts)]
    over, through = s["distance_over_ground_nm"], s["distance_through_water_nm"]
    if known(over) or known(through):
        both = known(over) and known(through)
        items.append(("Distance", amount(over if known(over) else through, "NM"),
                      f"over ground; {amount(through, 'NM')} through the water" if both else
                      ("over ground" if known(over) else "through the water")))
    else:
        items.append(("Distance", "unknown", "no speed in the log"))
    sailed, motored = s["sailing_s"], s["motoring_s"]
    if facts.engine_unknown:
        items.append(("Under way", duration(sailed), "sail and engine cannot be told apart"))
    else:
        items.append(("Sailed", duration(sailed) if sailed else "not at all", ""))
    if motored or not facts.engine_unknown:
        items.append(("Motored", duration(motored) if motored else "not at all", ""))
    if s["stopped_s"] >= 60:
        items.append(("Stopped", duration(s["stopped_s"]), ""))
    turns = [count(n, w) for n, w in ((s["tacks"], "tack"), (s["gybes"], "gybe")) if n]
    if turns:
        items.append(("Turns", listed(turns), ""))
    title = date_words(start)
    if facts.private:
        title, subtitle = "A day on the water", f"{duration(end - start)} from the start"
    return Head(title, subtitle, tuple(items), tuple(_findings(facts, sections)),
                corrections_line(day.results.corrections),
                _doubts(facts))


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
        remark = "; ".join(w for w in (f"{low:.0f} to {high:.0f} kn nine tenths of the time",
                                       _steadiness(samples, moving), source) if w)
    return ("True wind" if known(tws) else "Wind", words, remark)


def _steadiness(samples: pd.DataFrame, moving: NDArray[np.bool_]) -> str:
    if "twd_deg" not in samples:
        return ""
    swing = angle_sd(samples["twd_deg"].to_numpy(dtype=float)[moving])
    return f"direction ±{swing:.0f}°" if known(swing) else ""


def _findings(facts: Facts, sections: list[Section]) -> list[tuple[str, str]]:
    """Three to six sentences, the weightiest first, two at most from one section."""
    ranked: list[tuple[Headline, str]] = sorted(
        ((h, section.key) for section in sections for h in section.headlines),
        key=lambda pair: -pair[0].weight)
    out: list[tuple[str, str]] = []
    per: dict[str, int] = {}
    for headline, key in ranked:
        if per.get(key, 0) < 2 and len(out) < 6:
            per[key] = per.get(key, 0) + 1
            out.append((headline.text, key))
    for section in sections:  # a thin day still says what it can and cannot tell
        if len(out) >= 3:
            break
        if section.key in ("day", "maneuvers", "polar", "helm", "instruments", "inputs") \
                and section.key not in per:
            per[section.key] = 1
            out.append((section.verdict, section.key))
    return out
