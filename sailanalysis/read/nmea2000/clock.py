"""When every frame of a capture was sent: its stamp, checked by the satellites' time.

A logger's own clock may be hours wrong or know no date; the messages that carry UTC put it right.
A capture without any stamp takes its time from those messages and from the order of arrival.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Floats
from sailanalysis.read.clock.instants import FAR_S, day_of, local_to_utc, near_the_rest
from sailanalysis.read.clock.marks import WEEKS_1024_S, weeks_behind
from sailanalysis.read.clock.repair import knots
from sailanalysis.read.nmea2000.fields import CLOCKS, Message, utc_s
from sailanalysis.read.nmea2000.lines import Frames
from sailanalysis.read.reading import ClockKind, ReadContext

Convert = Callable[[Floats], Floats]
DAY_S: Final = 86400.0
LATENCY_S: Final = 2.0
"""A message with the time is sent up to a second after it, and written a little later."""
TEN_HERTZ: Final = (127250, 127251, 130306, 129025, 127245)
"""Messages the standard sends every 100 ms: a last resort for a pace."""


@dataclass
class Times:
    """How the times of a capture were found."""

    clock: ClockKind = "none"
    findings: list[Finding] = field(default_factory=list)


def frame_times(singles: Frames, packets: Frames, size: int,
                context: ReadContext) -> tuple[Times, Floats, Floats]:
    """Seconds since 1970 UTC of frames and packets.

    Parameters
    ----------
    singles, packets : Frames
        In order of arrival.
    size : int
        Bytes of the capture.
    context : ReadContext

    Returns
    -------
    times : Times
    single_s, packet_s : ndarray
        NaN where nothing is known.
    """
    times = Times()
    mark_at, mark_s, mark_stamp = _marks(singles, packets)
    stamps = np.concatenate([singles.stamp_s, packets.stamp_s])
    stamped = np.isfinite(stamps)
    if stamped.mean() < 0.5 if stamps.size else True:
        clock = _by_arrival(singles, packets, mark_at, mark_s, size, context, times)
        single, packet = clock(singles.position), clock(packets.position)
        return _checked(times, single, packet, context)
    of_day = bool(np.concatenate([singles.of_day, packets.of_day])[stamped].mean() > 0.5)
    single, packet, mark_stamp = _continuous(singles, packets, mark_stamp, mark_at, of_day)
    with_stamp = np.isfinite(mark_stamp)
    mark_s, mark_stamp = mark_s[with_stamp], mark_stamp[with_stamp]
    if of_day:
        shift = _day_shift(mark_s, mark_stamp, single, packet, context, times)
    else:
        shift = _stamp_shift(mark_s, mark_stamp, context, times)
    single, packet = shift(single), shift(packet)
    return _checked(times, single, packet, context)


def _checked(times: Times, single: Floats, packet: Floats,
             context: ReadContext) -> tuple[Times, Floats, Floats]:
    return (times, near_the_rest(single, times.findings, context.name),
            near_the_rest(packet, times.findings, context.name))


def _marks(singles: Frames, packets: Frames) -> tuple[Floats, Floats, Floats]:
    """Position, UTC and stamp of the best message that carries UTC, from its steadiest sender."""
    for least in (3, 1):
        for pgn in CLOCKS:
            best: tuple[int, Floats, Floats, Floats] | None = None
            for frames in (singles, packets):
                rows = np.flatnonzero(frames.pgn == pgn)
                for source in np.unique(frames.source[rows]):
                    own = frames.take(rows[frames.source[rows] == source])
                    utc = utc_s(pgn, Message(own.payload, own.length))
                    good = np.isfinite(utc)
                    if good.sum() >= least and (best is None or good.sum() > best[0]):
                        best = (int(good.sum()), own.position[good], utc[good],
                                own.stamp_s[good])
            if best is not None:
                _, at, utc, stamp = best
                near = np.abs(utc - np.median(utc)) < FAR_S
                return at[near], utc[near], stamp[near]
    return np.zeros(0), np.zeros(0), np.zeros(0)


# ------------------------------------------------------------------------------- stamped
def _continuous(singles: Frames, packets: Frames, mark_stamp: Floats, mark_at: Floats,
                of_day: bool) -> tuple[Floats, Floats, Floats]:
    """Stamps in order of arrival, through midnight; a missing one between its neighbours'."""
    position = np.concatenate([singles.position, packets.position])
    stamp = np.concatenate([singles.stamp_s, packets.stamp_s])
    odd = np.concatenate([singles.of_day, packets.of_day]) != of_day
    stamp[odd] = np.nan
    order = np.argsort(position, kind="stable")
    run = stamp[order]
    good = np.isfinite(run)
    if of_day and good.any():
        step = np.diff(run[good])
        # A fall of half a day and more is a midnight, not a late frame.
        days = np.cumsum(np.where(step < -DAY_S / 2, 1.0, np.where(step > DAY_S / 2, -1.0, 0.0)))
        run[good] += DAY_S * np.concatenate([[0.0], days])
    if good.any() and not good.all():
        run[~good] = np.interp(position[order][~good], position[order][good], run[good])
    full = np.empty_like(run)
    full[order] = run
    if mark_at.size:
        at = np.clip(np.searchsorted(position[order], mark_at), 0, run.size - 1)
        mark_stamp = run[at]
    return full[: len(singles)], full[len(singles):], mark_stamp


def _shifted(offset: float) -> Convert:
    return lambda stamp: stamp + offset


def _stamp_shift(mark_s: Floats, mark_stamp: Floats, context: ReadContext,
                 times: Times) -> Convert:
    """How stamps become UTC: as they are, or moved to where the satellites say."""
    times.clock = "stamped"
    if mark_s.size == 0:
        return _shifted(0.0)
    offset = mark_s - mark_stamp
    middle = float(np.median(offset))
    turns = round(-middle / WEEKS_1024_S)
    if turns in (1, 2) and abs(middle + turns * WEEKS_1024_S) < 3 * DAY_S:
        mark_s = mark_s + turns * WEEKS_1024_S
        offset = mark_s - mark_stamp
        middle = float(np.median(offset))
        times.findings.append(_weeks(context, turns))
    times.clock = "gps"
    spread = float(np.percentile(np.abs(offset - middle), 90))
    if abs(middle) <= LATENCY_S and spread <= LATENCY_S:
        return _shifted(0.0)
    if spread <= LATENCY_S or mark_s.size < 20:
        times.findings.append(_moved(context, middle))
        return _shifted(middle)
    times.findings.append(Finding(
        "clock-unsteady", f"{context.name}: the logger's clock wanders against satellite time "
        f"(by {spread:.0f} s); times were taken from the satellites, evenly between their marks."))
    order = np.argsort(mark_stamp, kind="stable")
    knot, utc = mark_stamp[order], np.maximum.accumulate(mark_s[order])
    return lambda stamp: np.interp(stamp, knot, utc)


def _day_shift(mark_s: Floats, mark_stamp: Floats, single: Floats, packet: Floats,
               context: ReadContext, times: Times) -> Convert:
    """How a time of day becomes UTC."""
    if mark_s.size == 0:
        last = np.concatenate([single, packet])
        day = day_of(context, times.findings, float(np.nanmax(last)))
        midnight = (day - day.fromordinal(719163)).days * DAY_S
        times.clock = "local"
        return lambda stamp: local_to_utc(stamp + midnight, context.zone)
    turns = weeks_behind(float(np.median(mark_s)), _references(context), context.modified_s)
    if turns:
        mark_s = mark_s + turns * WEEKS_1024_S
        times.findings.append(_weeks(context, turns))
    times.clock = "gps"
    middle = float(np.median(mark_s - mark_stamp))
    midnight = DAY_S * round(middle / DAY_S)
    if abs(middle - midnight) <= LATENCY_S:
        return _shifted(midnight)
    times.findings.append(_moved(context, middle - midnight))
    return _shifted(middle)


def _references(context: ReadContext) -> list[float]:
    if context.date is None:
        return []
    return [(context.date - context.date.fromordinal(719163)).days * DAY_S]


def _moved(context: ReadContext, offset: float) -> Finding:
    size = f"{abs(offset):.0f} s" if abs(offset) < 600 else f"{abs(offset) / 3600:.2f} h"
    return Finding("logger-clock-offset", f"{context.name}: the logger's clock is {size} "
                   f"{'behind' if offset > 0 else 'ahead of'} satellite time; put right.", "note")


def _weeks(context: ReadContext, turns: int) -> Finding:
    return Finding("gps-week-rollover", f"{context.name}: the receiver's date is {1024 * turns} "
                   "weeks early (its week counter has rolled over); put right.", "note")


# ------------------------------------------------------------------------------- no stamps
def _by_arrival(singles: Frames, packets: Frames, mark_at: Floats, mark_s: Floats, size: int,
                context: ReadContext, times: Times) -> Convert:
    """A clock by place in the file."""
    rising = np.zeros(mark_s.size, dtype=bool)
    if mark_s.size:
        top = np.concatenate([[-np.inf], np.maximum.accumulate(mark_s)[:-1]])
        rising = (mark_s > top) & (np.abs(mark_s - np.median(mark_s)) < 30 * DAY_S)
    mark_at, mark_s = mark_at[rising], mark_s[rising]
    if mark_s.size:
        turns = weeks_behind(float(np.median(mark_s)), _references(context), context.modified_s)
        if turns:
            mark_s = mark_s + turns * WEEKS_1024_S
            times.findings.append(_weeks(context, turns))
    if mark_s.size >= 2:
        times.clock = "gps"
        times.findings.append(Finding(
            "no-stamps", f"{context.name}: the lines carry no time; it was taken from "
            f"{mark_s.size} messages with UTC and the order of arrival.", "note"))
        pace = float((mark_s[-1] - mark_s[0]) / max(mark_at[-1] - mark_at[0], 1.0))
        place, seconds, _ = knots(mark_at, mark_s, 0.0, float(size), pace)
        return lambda position: np.interp(position, place, seconds)
    count = max((int((singles.pgn == pgn).sum()) for pgn in TEN_HERTZ), default=0)
    if not len(singles) and not len(packets):
        return lambda position: np.full(position.shape, np.nan)
    pace = 0.1 * count / max(size, 1)
    if mark_s.size:
        start = float(mark_s[0] - pace * mark_at[0])
        times.clock = "local"
        origin = "one message with UTC"
    else:
        day = day_of(context, times.findings)
        start = (day - day.fromordinal(719163)).days * DAY_S
        origin = "the start of that day"
    times.findings.append(Finding(
        "no-clock", f"{context.name}: neither stamps nor messages with UTC; time was counted from "
        f"{origin} by messages that devices send ten times a second. Durations and rates from it "
        "are rough."))
    return lambda position: start + pace * position
