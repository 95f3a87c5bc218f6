"""Make a log's clock: satellite time where there is any, the logger's own stamps between."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.errors import Finding
from sailanalysis.read.clock.marks import (
    DAY_S,
    WEEKS_1024_S,
    Marks,
    all_marks,
    day_in_name,
    day_of_file,
    joined,
    leading_group,
    midnight_s,
    no_date,
    one_week_count,
    trusted,
    weeks_behind,
    with_days,
)
from sailanalysis.read.clock.repair import NO_CLOCK, SERIAL_BYTES_PER_S, Arrival, Clock, knots
from sailanalysis.read.clock.rounded import Stamped, fine_time
from sailanalysis.read.nmea0183.gather import Key
from sailanalysis.read.nmea0183.sentences import Columns
from sailanalysis.read.reading import ReadContext
from sailanalysis.read.wording import day_words

Floats = NDArray[np.float64]

BELIEVED_S: Final = (-1.0, 0.1)
"""Fix minus receive stamp: a fix reaches the logger within a second (common practice), so within
these bounds the logger's clock is right and the difference is the receiver's delay."""


@dataclass(frozen=True)
class GpsTimes:
    """Trusted satellite times by position, rising within each recording."""

    position: Floats
    time_s: Floats
    step_s: float
    dated: bool
    findings: tuple[Finding, ...]


def build_clock(
    timed: dict[Key, Columns],
    others: dict[Key, Floats],
    stamped: Stamped | None,
    size: int,
    context: ReadContext,
) -> tuple[Clock, bool]:
    """The clock of one NMEA 0183 log.

    Parameters
    ----------
    timed : dict
        Raw columns of RMC, GGA, GLL and ZDA, which tell the time.
    others : dict
        Positions of all other groups.
    stamped : Stamped or None
        Receive times in front of the lines.
    size : int
        Bytes of the log.
    context : ReadContext
        The day given, the file's name and its modification time.

    Returns
    -------
    clock : Clock
    sure : bool
        False where the day had to be taken from the file's name or time.
    """
    if stamped is not None:
        stamped = stamped.on_days(context)
    gps = gps_times(timed, stamped, context)
    if gps is None and stamped is None:
        return NO_CLOCK, True
    if stamped is None:
        assert gps is not None
        arrival = steady_arrival(others, gps)
        arrived, time_s, unknown = knots(
            arrival.at(gps.position), gps.time_s, float(arrival.at(0)), float(arrival.at(size)),
            1.0 / SERIAL_BYTES_PER_S)
        clock = Clock(arrived, time_s, "gps", unknown, gps.step_s, gps.findings, arrival)
        return clock, gps.dated
    position, time_s, unknown = knots(stamped.position, stamped.time_s, 0.0, float(size),
                                      1.0 / SERIAL_BYTES_PER_S)
    own = Clock(position, time_s, stamped.clock_kind, unknown, stamped.step_s, stamped.findings)
    if gps is None:
        return own, stamped.dated
    return fine_time(own, gps.position, gps.time_s, gps.findings, BELIEVED_S), True


def _is_steady(position: Floats, edges: Floats) -> bool:
    """Whether nine of ten stretches hold the same number of sentences, give or take a tenth."""
    count = np.diff(np.searchsorted(position, edges))
    middle = float(np.median(count))
    return middle > 0 and bool(
        np.mean(np.abs(count - middle) <= max(1.0, 0.1 * middle)) > 0.9)


def steady_arrival(others: dict[Key, Floats], gps: GpsTimes) -> Arrival:
    """The sentences by whose count time is told between two satellite times.

    A single sensor four times as fast as the receiver is the best measure; else all sensors with
    a steady beat together. A beat is steady where nine of ten stretches of five seconds hold the
    same number of sentences, give or take one or a tenth.

    Parameters
    ----------
    others : dict of Key to ndarray
        Positions of all sentences, by talker, type and source.
    gps : GpsTimes

    Returns
    -------
    Arrival
    """
    marks = gps.position.size
    if marks < 20 or not np.isfinite(gps.step_s) or gps.step_s < 0.2:
        return Arrival()
    edges = gps.position[:: max(1, round(5.0 / gps.step_s))]
    # VTG comes in the receiver's own burst.
    steady = [position for (_, kind, _), position in sorted(others.items())
              if kind != "VTG" and position.size >= 0.5 * marks and _is_steady(position, edges)]
    if not steady:
        return Arrival()
    fastest = max(steady, key=lambda position: position.size)
    if fastest.size >= 4 * marks:
        return Arrival(fastest)
    return Arrival(np.sort(np.concatenate(steady)))


def _usual_step_s(time_s: Floats) -> float:
    """Median of the steps forward; NaN where there is none."""
    steps = np.diff(time_s)
    return float(np.median(steps[steps > 0])) if (steps > 0).any() else float("nan")


def _without_glitches(position: Floats, time_s: Floats, context: ReadContext,
                      findings: list[Finding]) -> tuple[Floats, Floats]:
    """Satellite times that fit one another."""
    step = float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
    keep, _ = trusted(time_s, max(step, 0.0))
    if keep.all() or not keep.any():
        return position, time_s
    findings.append(Finding(
        "time-glitches", f"{context.name}: {int((~keep).sum())} of {keep.size} satellite times "
        "do not fit the others and were not used for the clock.", "note",
        share=float((~keep).mean())))
    return position[keep], time_s[keep]


def _put_in_its_week(time_s: Floats, moved: int, stamped: Stamped | None, context: ReadContext,
                     findings: list[Finding]) -> Floats:
    """Satellite times of a receiver whose week counter may have overflowed."""
    modified = context.modified_s if not stamped else None
    turns = weeks_behind(float(np.median(time_s)), _references(stamped, context), modified)
    if not (turns or moved):
        return time_s
    time_s = time_s + turns * WEEKS_1024_S
    findings.append(Finding(
        "gps-week-rollover", f"{context.name}: the receiver's date is "
        f"{1024 * max(turns, 1)} weeks behind, an overflow of its week counter; "
        f"the log was put on {day_words(float(time_s[0]))}."))
    return time_s


def _with_dates(marks: Marks, dated: Marks, stamped: Stamped | None, context: ReadContext,
                findings: list[Finding]) -> Floats:
    """Times of day with the dates that some sentences carry, else with a day guessed."""
    if dated.position.size:
        return with_days(marks, dated, None)
    relative = with_days(marks, dated, 0.0)
    day, finding = first_day(relative, marks.position, stamped, context)
    findings += [finding] if finding is not None else []
    return relative + day * DAY_S


def gps_times(
    timed: dict[Key, Columns],
    stamped: Stamped | None,
    context: ReadContext,
) -> GpsTimes | None:
    """Satellite times that can be trusted, or None where the log has none.

    Parameters
    ----------
    timed : dict of Key to Columns
        Sentences that carry the time.
    stamped : Stamped or None
        Receive times, for the day.
    context : ReadContext

    Returns
    -------
    GpsTimes or None
    """
    parts = all_marks(timed)
    if not parts:
        return None
    leader = leading_group(parts)
    marks = _with_fillers(parts, leader)
    dated = _dated(parts, leader)
    findings: list[Finding] = []
    time_s, moved = one_week_count(_with_dates(marks, dated, stamped, context, findings))
    use = _usable(marks, time_s)
    position, time_s = marks.position[use], time_s[use]
    if time_s.size == 0:
        return None
    position, time_s = _without_glitches(position, time_s, context, findings)
    if dated.position.size:
        time_s = _put_in_its_week(time_s, moved, stamped, context, findings)
    new = np.concatenate([[True], np.diff(time_s) != 0])
    position, time_s = position[new], time_s[new]
    coarse = _coarseness(parts[leader])
    if coarse > 1.5:
        findings.append(Finding(
            "coarse-time", f"{context.name}: the receiver repeats each time for about "
            f"{coarse:.0f} s; the samples were spread evenly between the changes.", "note"))
    return GpsTimes(position, time_s, _usual_step_s(time_s), bool(dated.position.size),
                    tuple(findings))


def _with_fillers(parts: dict[Key, Marks], leader: Key) -> Marks:
    """The leading group's fresh marks; where it falls silent, those of the others."""
    lead = parts[leader].take(parts[leader].fresh)
    if lead.position.size == 0:
        lead = parts[leader]
    everything = [lead]
    # Silent: five times its usual distance in bytes, and at least some ten seconds of a bus.
    gaps = np.diff(lead.position)
    wide = max(5.0 * float(np.median(gaps)), 5000.0) if gaps.size else np.inf
    edges = np.concatenate([[-np.inf], lead.position, [np.inf]])
    for key, part in sorted(parts.items()):
        if key == leader:
            continue
        at = np.searchsorted(edges, part.position)
        below, above = edges[at - 1], edges[np.minimum(at, edges.size - 1)]
        near = np.minimum(part.position - below, above - part.position)
        fill = part.fresh & part.valid & (above - below > wide) & (near > 0.3 * wide)
        if fill.any():
            everything.append(part.take(fill))
    return joined(everything)


def _dated(parts: dict[Key, Marks], leader: Key) -> Marks:
    """Marks with a date: of the leading receiver with a fix, else of any, else without a fix."""
    for same, fixed in ((True, True), (False, True), (True, False), (False, False)):
        chosen = [part.take(np.isfinite(part.day) & (part.valid if fixed else True))
                  for key, part in parts.items()
                  if not same or (key[0], key[2]) == (leader[0], leader[2])]
        chosen = [part for part in chosen if part.position.size]
        # ZDA claims no fix of its own: alone it is as good as the receiver's other sentences.
        if chosen:
            return joined(chosen)
    return parts[leader].take(np.zeros(parts[leader].position.size, dtype=bool))


def _usable(marks: Marks, time_s: Floats) -> NDArray[np.bool_]:
    """Marks with a fix; without one only those that agree with the fixes around them."""
    known = np.isfinite(time_s)
    fixed = np.flatnonzero(marks.valid & known)
    if fixed.size == 0:
        return known
    index = np.arange(time_s.size)
    after = np.searchsorted(fixed, index)
    low = np.where(after > 0, time_s[fixed[np.maximum(after - 1, 0)]], -np.inf)
    high = np.where(after < fixed.size, time_s[fixed[np.minimum(after, fixed.size - 1)]], np.inf)
    between = np.isfinite(low) & np.isfinite(high)
    use = known & (marks.valid | (between & (time_s >= low) & (time_s <= high)))
    # Before the first fix and after the last: as long as the time runs on without a jump.
    for edge, step in ((fixed[0], -1), (fixed[-1], 1)):
        i = int(edge)
        while 0 <= i + step < time_s.size and known[i + step] and (
                0 <= step * (time_s[i + step] - time_s[i]) <= 10.0):
            i += step
            use[i] = True
    return use


def _coarseness(marks: Marks) -> float:
    """Seconds for which the receiver repeats a time; 0 where each sentence has a new one."""
    if marks.fresh.size < 4 or marks.fresh[1:].mean() > 0.75:
        return 0.0
    steps = np.diff(marks.second[marks.fresh])
    steps = steps[steps > 0]
    return float(np.median(steps)) if steps.size else 0.0


def _references(stamped: Stamped | None, context: ReadContext) -> list[float]:
    """Times near the log's own, from better evidence than a file's modification time."""
    named = day_in_name(context.name)
    found = [midnight_s(day) + DAY_S / 2 for day in (context.date, named) if day is not None]
    # A logger without a battery starts in 1970 or 2000; such a stamp is no evidence.
    if stamped is not None and stamped.absolute and float(stamped.time_s[0]) > 1.0e9:
        found.append(float(np.median(stamped.time_s)))
    return found


def first_day(
    relative_s: Floats,
    position: Floats,
    stamped: Stamped | None,
    context: ReadContext,
) -> tuple[float, Finding | None]:
    """Day (since 1970) of a log whose times have none, and what must be said about it.

    In order: the day given, the logger's stamps, the file's name, the time the file was last
    written. (The day's other logs are asked when all are read.)
    """
    known = relative_s[np.isfinite(relative_s)]
    if context.date is not None:
        return midnight_s(context.date) / DAY_S, None
    if stamped is not None and stamped.absolute and float(stamped.time_s[0]) > 1.0e9:
        clock = np.interp(position[0], stamped.position, stamped.time_s)
        return float(np.round((clock - relative_s[0]) / DAY_S)), None
    end = float(known[-1]) if known.size else 0.0
    day, how = day_of_file(context, end)
    return day, no_date(context.name, day, how)
