"""The time of every sentence, from the few that carry one and the order in which all arrived."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sailanalysis.core.errors import Finding
from sailanalysis.read.reading import ClockKind

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SERIAL_BYTES_PER_S: Final = 480.0
"""A 4800 baud line, the standard's own speed: assumed where a log has only one time mark."""


@dataclass(frozen=True)
class Arrival:
    """How far the recording had come at a position: the clock's abscissa.

    Bytes alone are a poor measure, because a receiver sends half of them in one burst. Where
    sensors of a steady beat are on the bus their sentences are counted instead.

    Attributes
    ----------
    beat : ndarray, shape (n,)
        Positions of the steady sentences, strictly increasing; empty: bytes count.
    """

    beat: Floats = field(default_factory=lambda: np.zeros(0))

    def at(self, position: ArrayLike) -> Floats:
        """Beats (or bytes) up to a position, fractions by bytes between two beats."""
        where = np.asarray(position, dtype=float)
        n = self.beat.size
        if n < 2:
            return where
        count = np.interp(where, self.beat, np.arange(n, dtype=float))
        usual = (self.beat[-1] - self.beat[0]) / (n - 1)
        count += np.minimum(where - self.beat[0], 0.0) / usual
        count += np.maximum(where - self.beat[-1], 0.0) / usual
        return np.asarray(count, dtype=float)


@dataclass(frozen=True)
class Clock:
    """Time by arrival in the file: linear between knots, free to jump from one to the next.

    Attributes
    ----------
    arrived, time_s : ndarray, shape (n,)
        Knots; arrivals strictly increasing, on the scale of ``arrival``.
    kind : {"gps", "stamped", "local", "none"}
    unknown : ndarray, shape (m, 2)
        Stretches of arrivals whose time cannot be told: those around a pause.
    mark_step_s : float
        Usual step of the marks the clock was made from: finer order is by arrival only.
    """

    arrived: Floats
    time_s: Floats
    kind: ClockKind
    unknown: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    mark_step_s: float = float("nan")
    findings: tuple[Finding, ...] = ()
    arrival: Arrival = Arrival()

    def at(self, position: ArrayLike) -> Floats:
        """Seconds since 1970 at these positions; NaN where that is unknown."""
        if self.arrived.size == 0:
            return np.full(np.shape(position), np.nan)
        where = self.arrival.at(position)
        time_s = np.interp(where, self.arrived, self.time_s)
        if self.unknown.size:
            at = np.searchsorted(self.unknown[:, 0], where, side="left") - 1
            lost = (at >= 0) & (where < self.unknown[np.maximum(at, 0), 1])
            time_s[lost] = np.nan
        return time_s


NO_CLOCK: Final = Clock(np.zeros(0), np.zeros(0), "none")


def knots(position: Floats, time_s: Floats, start: float, end: float,
          pace: float) -> tuple[Floats, Floats, Floats]:
    """Knots of a clock through trusted marks, with pauses left as pauses.

    Between two marks time is spread evenly over what arrived. Where far less arrived between two
    marks than their times would need, the recording was interrupted: the rest of
    one usual step after the first mark may belong to either side and its time is unknown; what
    follows leads up to the second mark at the usual pace.

    Parameters
    ----------
    position, time_s : ndarray, shape (n,)
        Marks by arrival, strictly increasing; times rising except where files were joined.
    start, end : float
        Arrival at the file's first and last byte.
    pace : float
        Seconds per unit of arrival where the marks cannot tell.

    Returns
    -------
    position, time_s : ndarray
        Knots from the start of the file to its end.
    unknown : ndarray, shape (m, 2)
        Stretches without a time.
    """
    unknown = np.zeros((0, 2))
    if position.size > 1:
        dp, dt = np.diff(position), np.diff(time_s)
        usual = float(np.median(dt))
        forward = dt > 0
        if forward.any():
            pace = float(np.median(dt[forward] / dp[forward]))
        suspect = np.flatnonzero((dt > max(3.0 * usual, 5.0)) | (dt < 0))
        if suspect.size:
            local = _local_pace(dt / dp, pace)
            cut = suspect[(dt[suspect] < 0) | (dt[suspect] / dp[suspect] > 2.0 * local[suspect])]
            position, time_s, unknown = _cut(position, time_s, cut, local, usual)
    head, tail = _end_paces(position, time_s, pace)
    first, last = float(position[0]), float(position[-1])
    before = [] if first <= start else [(start, float(time_s[0]) - head * (first - start))]
    after = [] if last >= end else [(end, float(time_s[-1]) + tail * (end - last))]
    position = np.concatenate([[p for p, _ in before], position, [p for p, _ in after]])
    time_s = np.concatenate([[t for _, t in before], time_s, [t for _, t in after]])
    return position, time_s, unknown


def _local_pace(pace: Floats, overall: float) -> Floats:
    """Median seconds per byte over some sixty marks around each step."""
    import pandas as pd

    rolled = pd.Series(np.where(pace > 0, pace, np.nan)).rolling(61, center=True, min_periods=5)
    local = rolled.median().to_numpy()
    return np.asarray(np.where(np.isfinite(local), local, overall))


def _cut(position: Floats, time_s: Floats, cut: NDArray[np.intp], pace: Floats,
         usual_s: float) -> tuple[Floats, Floats, Floats]:
    """Put two knots into each interrupted step, one at either end of what is unknown."""
    a, b = position[cut], position[cut + 1]
    # Had the recording gone on, the next mark would have come after the usual time.
    left = a + 1e-3 * (b - a)
    right = np.minimum(b - 1e-3 * (b - a), np.maximum(a + max(usual_s, 0.0) / pace[cut], left))
    right = np.maximum(right, left + 1e-4 * (b - a))
    extra_p = np.column_stack([left, right]).ravel()
    extra_t = np.column_stack([time_s[cut], time_s[cut + 1] - (b - right) * pace[cut]]).ravel()
    at = np.repeat(cut + 1, 2)
    return (np.insert(position, at, extra_p), np.insert(time_s, at, extra_t),
            np.column_stack([left, right]))


def _end_paces(position: Floats, time_s: Floats, pace: float) -> tuple[float, float]:
    """Seconds per byte before the first and after the last mark."""
    def of(p: Floats, t: Floats) -> float:
        step = np.diff(t) / np.diff(p) if p.size > 1 else np.zeros(0)
        step = step[step > 0]
        return float(np.median(step)) if step.size >= 5 else pace

    return of(position[:40], time_s[:40]), of(position[-40:], time_s[-40:])


def even_out(time_s: Floats, clock: Clock) -> Floats:
    """Give the samples of a steady sensor the even spacing they were taken at.

    Between two time marks sentences arrive in bursts, though the sensor samples evenly. Where
    the number of samples in five seconds is steady, a straight line through five seconds either
    side tells a sample's time better than its own place in the burst.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times by arrival, of one sensor.
    clock : Clock
        Its mark step decides whether there is anything to gain.

    Returns
    -------
    ndarray, shape (n,)
        Not decreasing within unbroken stretches.
    """
    n = time_s.size
    step = clock.mark_step_s
    if n < 50 or not np.isfinite(step):
        return time_s
    gap = np.diff(time_s)
    usual = float(np.median(gap))
    mean = float(np.mean(gap[gap < max(5.0, 10.0 * usual)])) if (gap < 5.0).any() else np.inf
    if not 0 < mean < 1.5 * max(step, 1.0) or (step <= mean * 1.2 and step < 1.0):
        return time_s
    limit = max(3.0, 4.0 * mean)
    edges = np.concatenate([[0], np.flatnonzero((gap > limit) | (gap < 0)) + 1, [n]])
    out = time_s.copy()
    for a, b in pairwise(edges):
        if b - a >= 50 and _is_steady(time_s[a:b]):
            out[a:b] = _local_line(time_s[a:b], max(2, round(5.0 / mean)))
    return out


def _is_steady(time_s: Floats) -> bool:
    """Whether every five seconds hold about the same number of samples."""
    count = np.bincount(((time_s - time_s[0]) / 5.0).astype(np.int64))[:-1]
    if count.size < 2:
        return False
    middle = float(np.median(count))
    return float(np.mean(np.abs(count - middle) <= max(1.0, 0.1 * middle))) > 0.9


def _local_line(y: Floats, half: int) -> Floats:
    """Least-squares line through ``half`` samples either side, at each sample."""
    n = y.size
    i = np.arange(n)
    lo, hi = np.maximum(i - half, 0), np.minimum(i + half, n - 1)
    base = y[0] + (y[-1] - y[0]) / max(n - 1, 1) * i
    d = y - base
    s0 = np.concatenate([[0.0], np.cumsum(d)])
    s1 = np.concatenate([[0.0], np.cumsum(d * i)])
    m = (hi - lo + 1).astype(float)
    middle = 0.5 * (lo + hi)
    total = s0[hi + 1] - s0[lo]
    moment = s1[hi + 1] - s1[lo] - middle * total
    slope = moment / (m * (m * m - 1.0) / 12.0)
    return np.maximum.accumulate(base + total / m + slope * (i - middle))
