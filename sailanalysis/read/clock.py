"""The time of every sentence, from the few that carry one and the order in which all arrived."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sailanalysis.errors import Finding
from sailanalysis.read.reading import ClockKind

Floats = NDArray[np.float64]
DAY_S = 86400.0


@dataclass(frozen=True)
class Marks:
    """Sentences of one talker that carry the time, in order of arrival.

    Attributes
    ----------
    position : ndarray, shape (n,)
        Byte position.
    second : ndarray, shape (n,)
        Seconds since midnight UTC.
    day : ndarray, shape (n,)
        Days since 1970, NaN where the sentence has no date.
    valid : ndarray of bool, shape (n,)
        Whether the receiver had a fix.
    """

    position: Floats
    second: Floats
    day: Floats
    valid: NDArray[np.bool_]


@dataclass(frozen=True)
class Clock:
    """Time as a function of the position in the file, piecewise linear and not decreasing."""

    position: Floats
    time_s: Floats
    kind: ClockKind
    findings: tuple[Finding, ...] = field(default=())

    def at(self, position: Floats) -> Floats:
        """Seconds since 1970 of sentences at these positions."""
        return np.interp(position, self.position, self.time_s)


def attach_days(marks: Marks, first_day: float | None) -> Floats:
    """Seconds since 1970 of each mark; undated ones take the day of the nearest dated one."""
    t = marks.day * DAY_S + marks.second
    dated = np.flatnonzero(np.isfinite(t))
    if dated.size == 0:
        if first_day is None:
            return t
        wraps = np.concatenate([[0], np.cumsum(np.round(-np.diff(marks.second) / DAY_S))])
        return np.asarray((first_day + wraps) * DAY_S + marks.second)
    index = np.arange(t.size)
    before = np.clip(np.searchsorted(dated, index, side="right") - 1, 0, dated.size - 1)
    reference = t[dated[before]]
    near = reference + (np.mod(marks.second - reference + DAY_S / 2, DAY_S) - DAY_S / 2)
    return np.asarray(np.where(np.isfinite(t), t, near))


def arrival_clock(marks: Marks, time_s: Floats, size: int) -> Clock:
    """Interpolate between the sentences at which the time first shows a new value."""
    good = marks.valid & np.isfinite(time_s)
    p, t = marks.position[good], time_s[good]
    if t.size == 0:
        return Clock(np.zeros(0), np.zeros(0), "none")
    new = np.concatenate([[True], t[1:] > np.maximum.accumulate(t)[:-1]])
    p, t = p[new], t[new]
    rate = float(np.median(np.diff(t) / np.diff(p))) if t.size > 1 else 0.0
    p = np.concatenate([[0.0], p, [max(float(size), p[-1] + 1)]])
    t = np.concatenate([[t[0] - rate * p[1]], t, [t[-1] + rate * (p[-1] - p[-2])]])
    return Clock(p, t, "gps")
