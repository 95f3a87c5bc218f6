"""Receive stamps as a clock: fine in time, but only as right as the logger's own clock."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.errors import Finding
from sailanalysis.read.clock.marks import DAY_S, day_of_file, midnight_s, no_date
from sailanalysis.read.clock.repair import Clock
from sailanalysis.read.clock.stamps import StampKind
from sailanalysis.read.reading import ClockKind, ReadContext
from sailanalysis.read.wording import span_words

Floats = NDArray[np.float64]

SAID_FROM_S: Final = 2.0
"""A logger's clock that is further off than this is worth a line in the report."""


@dataclass(frozen=True)
class Stamped:
    """Receive times by position; where most lines share one, only its first showing."""

    position: Floats
    time_s: Floats
    kind: StampKind
    step_s: float
    dated: bool = True
    findings: tuple[Finding, ...] = ()

    @property
    def absolute(self) -> bool:
        """Whether the stamps say the day."""
        return self.kind != "time-of-day"

    @property
    def clock_kind(self) -> ClockKind:
        """What kind of clock they make alone."""
        return "stamped" if self.kind == "utc" else "local"

    def on_days(self, context: ReadContext) -> Stamped:
        """The same stamps in UTC, on a day if they have none."""
        if self.kind == "utc":
            return self
        time_s, findings, dated = self.time_s, self.findings, True
        if self.kind == "time-of-day":
            turns = np.concatenate([[0.0], -np.cumsum(np.round(np.diff(self.time_s) / DAY_S))])
            time_s = self.time_s + turns * DAY_S
            if context.date is not None:
                day = midnight_s(context.date) / DAY_S
            else:
                day, how = day_of_file(context, float(time_s[-1]))
                findings, dated = (*findings, no_date(context.name, day, how)), False
            time_s = time_s + day * DAY_S
        return replace(self, time_s=_to_utc(time_s, context), dated=dated, findings=findings)


def _to_utc(time_s: Floats, context: ReadContext) -> Floats:
    import pandas as pd

    whole = np.round(time_s * 1e6).astype(np.int64).astype("datetime64[us]")
    local = pd.DatetimeIndex(whole).tz_localize(
        context.zone, ambiguous=np.zeros(whole.size, dtype=bool), nonexistent="shift_forward")
    return np.asarray(local.tz_convert("UTC").as_unit("us").asi8, dtype=float) / 1e6


def stamped_times(
    stamps: dict[StampKind, tuple[NDArray[np.int64], Floats]], lines: int,
) -> Stamped | None:
    """The receive times of a log as a clock's raw material.

    Parameters
    ----------
    stamps : dict
        By kind: positions and seconds in order of arrival. The most frequent kind counts.
    lines : int
        Lines of the log; stamps on fewer than a tenth of them are chance.
    """
    if not stamps:
        return None
    kind = max(sorted(stamps), key=lambda k: stamps[k][0].size)
    position, time_s = stamps[kind]
    if time_s.size < 2 or time_s.size * 10 < lines:
        return None
    position, time_s = position.astype(float), time_s.astype(float)
    new = np.concatenate([[True], np.diff(time_s) != 0])
    if new.mean() < 0.75 and new.sum() > 2:
        new[0] = False
    else:
        new[:] = True
    shown, first = time_s[new], position[new]
    glitch = _glitches(shown)
    shown, first = shown[~glitch], first[~glitch]
    step = np.diff(shown)
    usual = float(np.median(step[step > 0])) if (step > 0).any() else 0.0
    return Stamped(first, shown, kind, usual)


def _glitches(time_s: Floats) -> NDArray[np.bool_]:
    """Single stamps that stand apart from both neighbours, which agree with each other."""
    out = np.zeros(time_s.shape, dtype=bool)
    if time_s.size > 2:
        around = np.abs(time_s[2:] - time_s[:-2])
        away = np.minimum(np.abs(time_s[1:-1] - time_s[:-2]), np.abs(time_s[1:-1] - time_s[2:]))
        out[1:-1] = (around < 60.0) & (away > 120.0)
    return out


def _set_anew(delta: Floats, position: Floats) -> list[tuple[Floats, Floats]]:
    """Places and smooth offsets of every stretch between two settings of the logger's clock."""
    import pandas as pd

    steps = np.flatnonzero(np.abs(np.diff(delta)) > 5.0)
    edges = np.concatenate([[0], steps + 1, [delta.size]])
    blocks = []
    for a, b in pairwise(edges):
        smooth = pd.Series(delta[a:b]).rolling(61, center=True, min_periods=1).median().to_numpy()
        blocks.append((position[a:b], smooth))
    # A block of one or two marks between two steps is a fix gone wrong, not a clock set anew.
    median = float(np.median(delta))
    return [block for block in blocks if block[0].size > 2] or [
        (position, np.full(position.shape, median))]


def _where_set(knot_p: Floats, knot_t: Floats, before: Floats, after: Floats) -> float:
    """Where the clock was set, between two stretches: at the widest step of its own time."""
    a, b = np.searchsorted(knot_p, [before[-1], after[0]])
    inside = np.diff(knot_t[max(a - 1, 0) : b + 1])
    place = max(a - 1, 0) + int(np.argmax(np.abs(inside))) + 1 if inside.size else b
    return float(knot_p[min(place, knot_p.size - 1)])


def fine_time(own: Clock, position: Floats, time_s: Floats, findings: tuple[Finding, ...],
              believed_s: tuple[float, float]) -> Clock:
    """Move the logger's clock onto satellite time, keeping its fine spacing.

    The offset is followed by a running median, so that a slow drift is taken out and a fix that
    came late is not; where the logger's clock was set during the log, it steps.

    Parameters
    ----------
    own : Clock
        From the receive stamps.
    position, time_s : ndarray, shape (n,)
        Trusted satellite times.
    findings : tuple of Finding
    believed_s : (float, float)
        Offsets (satellite minus stamp) within which the logger's clock is right.
    """
    delta = time_s - own.at(position)
    median = float(np.median(delta))
    low, high = np.percentile(delta, [5, 95])
    # A day guessed for the stamps no longer matters once satellite time has it.
    kept = tuple(f for f in own.findings if f.code != "no-date")
    if believed_s[0] <= low and high <= believed_s[1]:
        return Clock(own.arrived, own.time_s, "gps", own.unknown, own.mark_step_s,
                     (*kept, *findings))
    knot_p, knot_t = own.arrived, own.time_s.copy()
    blocks = _set_anew(delta, position)
    boundaries = [-np.inf, *(_where_set(knot_p, knot_t, before, after)
                             for (before, _), (after, _) in pairwise(blocks)), np.inf]
    for (p, smooth), (lo, hi) in zip(blocks, pairwise(boundaries), strict=True):
        mine = (knot_p >= lo) & (knot_p < hi)
        knot_t[mine] += np.interp(knot_p[mine], p, smooth)
    offset = _clock_was_off(median) if abs(median) > SAID_FROM_S else ()
    return Clock(knot_p, knot_t, "gps", own.unknown, own.mark_step_s,
                 (*kept, *findings, *offset))


def _clock_was_off(median_s: float) -> tuple[Finding]:
    way = "ahead of" if median_s < 0 else "behind"
    return (Finding(
        "logger-clock-offset", f"The logger's own clock was {span_words(abs(median_s))} {way} "
        "satellite time; satellite time was used.", "note"),)
