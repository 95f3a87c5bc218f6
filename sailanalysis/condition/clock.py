"""The common clock: its rate, its instants, and each stream brought onto it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sailanalysis.core.angles import Floats, unwrap, wrap180, wrap360
from sailanalysis.core.channels import CHANNELS, is_circular, kind_of

Bools = NDArray[np.bool_]

MAX_RATE_HZ: Final = 10.0
"""Fast enough for a helm's rudder (below 1 Hz) and a dinghy's roll; more only costs memory."""
RATES_HZ: Final = (0.2, 0.5, 1.0, 2.0, 4.0, 5.0, 8.0, 10.0)
SLOW_STEP_S: Final = 4.0
"""A log with a row less often than this keeps its own step and its own instants, so that its
samples are its readings: between them, more would be invented than was measured."""
MAX_STEP_S: Final = 60.0
CLOCK_CHANNELS: Final = (
    "hdg_deg", "hdg_mag_deg", "rudder_deg", "rate_of_turn_deg_s", "heel_deg", "awa_deg", "aws_kn",
    "stw_kn", "lat", "sog_kn", "cog_deg", "twa_logged_deg", "tws_logged_kn",
)
"""Channels that may set the pace."""
ROW_CHANNELS: Final = (*CLOCK_CHANNELS, "lon", "rudder2_deg", "trim_deg", "cog_mag_deg",
                       "twd_logged_deg", "twd_mag_logged_deg")
"""A row exists where at least one of these does; depth or temperature alone make no row."""
SLOW_CHANNELS: Final = ("variation_deg",)
"""Held between and beyond readings however far apart: they belong to the place, not the moment."""


@dataclass(frozen=True)
class Pace:
    """How a stream arrives.

    Attributes
    ----------
    rate_hz : float
        Samples per covered second.
    steady : bool
        Most steps lie within half and one and a half times the usual one.
    gap_s : float
        Steps longer than this are gaps, by the stream's own rate.
    covered_s : float
        Seconds without gaps.
    """

    rate_hz: float
    steady: bool
    gap_s: float
    covered_s: float


def pace(time_s: ArrayLike) -> Pace:
    """Rate, steadiness and gap limit of the finite samples of one stream.

    The gap limit is four usual steps or one and a half times the step that 95 % keep, at least
    2 s (a boat does not turn unseen in that), at most 60 s.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Increasing.

    Returns
    -------
    Pace
        A rate of 0 where no step is within the gap limit.
    """
    t = np.asarray(time_s, dtype=float)
    step = np.diff(t)
    step = step[step > 0]
    if step.size == 0:
        return Pace(0.0, False, 2.0, 0.0)
    usual = float(np.median(step))
    gap = float(np.clip(max(4.0 * usual, 1.5 * float(np.percentile(step, 95))), 2.0, 60.0))
    kept = step[step <= gap]
    covered = float(kept.sum())
    if covered <= 0:
        return Pace(0.0, False, gap, 0.0)
    mean = covered / kept.size
    steady = bool(np.mean((kept > 0.5 * mean) & (kept < 1.5 * mean)) > 0.7)
    return Pace(1.0 / mean, steady, gap, covered)


def common_rate_hz(paces: list[Pace]) -> float:
    """Rate of the common clock: the fastest steady sensor's, rounded to a usual one.

    A sensor counts when it covers at least a tenth of what the longest one covers. If none is
    steady the fastest of all, at most 1 Hz, sets the pace. Steps of :data:`SLOW_STEP_S` and more
    are rounded to whole seconds, at most :data:`MAX_STEP_S`.

    Parameters
    ----------
    paces : list of Pace

    Returns
    -------
    float
    """
    longest = max((p.covered_s for p in paces), default=0.0)
    counted = [p for p in paces if p.covered_s > 0 and p.covered_s >= 0.1 * longest]
    steady = max((p.rate_hz for p in counted if p.steady), default=None)
    if steady is not None:
        rate = min(steady, MAX_RATE_HZ)
    else:
        rate = min(max((p.rate_hz for p in counted), default=1.0), 1.0)
    if rate * SLOW_STEP_S <= 1.0:
        return 1.0 / min(round(1.0 / rate), MAX_STEP_S)
    return min(RATES_HZ, key=lambda usual: abs(np.log(usual / rate)))


def phase_s(time_s: ArrayLike, rate_hz: float) -> float:
    """When, after a whole multiple of the clock's step since 1970, a slow log's rows stand.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Of the stream that sets the pace.
    rate_hz : float

    Returns
    -------
    float
        Seconds within [0, step), to a tenth; 0 for a clock that is not slow, and where fewer than
        nine rows in ten keep within a tenth of a step.
    """
    t = np.asarray(time_s, dtype=float)
    if not t.size or rate_hz * SLOW_STEP_S > 1.0:
        return 0.0
    turn = 360.0 * np.mod(t * rate_hz, 1.0)
    middle = turn[0] + float(np.median(wrap180(turn - turn[0])))
    if np.mean(np.abs(wrap180(turn - middle)) <= 36.0) < 0.9:
        return 0.0
    return round(float(np.mod(middle, 360.0)) / 360.0 / rate_hz, 1)


def is_reading(clock_s: ArrayLike, time_s: ArrayLike, rate_hz: float) -> Bools:
    """Instants of the clock with a reading within half a step; other values are drawn between.

    Parameters
    ----------
    clock_s : array_like, shape (m,)
    time_s : array_like, shape (n,)
        Of the readings, increasing.
    rate_hz : float
        Of the clock.

    Returns
    -------
    ndarray of bool, shape (m,)
        Half a step away, to a microsecond, still counts.
    """
    instants, t = np.asarray(clock_s, dtype=float), np.asarray(time_s, dtype=float)
    if not t.size:
        return np.zeros(instants.shape, dtype=bool)
    following = np.searchsorted(t, instants)
    nearest = np.minimum(np.abs(t[np.minimum(following, t.size - 1)] - instants),
                         np.abs(t[np.maximum(following - 1, 0)] - instants))
    return np.asarray(nearest <= 0.5 / rate_hz + 1e-6, dtype=bool)


def grid_s(covered: list[tuple[float, float]], rate_hz: float, phase_s: float = 0.0) -> Floats:
    """Instants of the common clock within the covered stretches.

    Instants are whole multiples of the step since 1970 (and ``phase_s`` more), so that they do
    not depend on where the log starts.

    Parameters
    ----------
    covered : list of (start, end)
        Seconds since 1970, in any order; overlaps are joined, and so are stretches closer than
        three steps, so that a run is regular and its missing samples are NaN rows.
    rate_hz : float
    phase_s : float, optional

    Returns
    -------
    ndarray
        Seconds since 1970, increasing.
    """
    joined: list[list[float]] = []
    for start, end in sorted(covered):
        if joined and start - joined[-1][1] <= 3.0 / rate_hz:
            joined[-1][1] = max(joined[-1][1], end)
        else:
            joined.append([start, end])
    pieces = [
        np.arange(np.ceil((a - phase_s) * rate_hz - 1e-6),
                  np.floor((b - phase_s) * rate_hz + 1e-6) + 0.5)
        for a, b in joined
    ]
    ticks = np.unique(np.concatenate(pieces)) if pieces else np.zeros(0)
    return np.asarray(ticks / rate_hz + phase_s, dtype=float)


def covered_stretches(
    time_s: ArrayLike, gap_s: float, breaks_s: ArrayLike = ()
) -> list[tuple[float, float]]:
    """Stretches of a stream without a gap or a break inside.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Increasing.
    gap_s : float
        Longer steps cut.
    breaks_s : array_like, optional
        Instants that cut.

    Returns
    -------
    list of (start, end)
        Seconds since 1970; a lone sample is a stretch without length.
    """
    t = np.asarray(time_s, dtype=float)
    if t.size == 0:
        return []
    cut = np.diff(t) > gap_s
    where = np.searchsorted(t, np.asarray(breaks_s, dtype=float))
    inner = where[(where > 0) & (where < t.size)] - 1
    cut[inner] = True
    edges = np.concatenate([[0], np.flatnonzero(cut) + 1, [t.size]])
    return [(float(t[a]), float(t[b - 1])) for a, b in pairwise(edges)]


def merge_equal_times(channel: str, time_s: Floats, value: Floats) -> tuple[Floats, Floats]:
    """One sample an instant: the mean of those that share a stamp (the last, for a step).

    Parameters
    ----------
    channel : str
        A name of ``channels.CHANNELS``.
    time_s : ndarray, shape (n,)
        In any order.
    value : ndarray, shape (n,)

    Returns
    -------
    time_s, value
        Finite, strictly increasing in time; circular values may lie outside their range.
    """
    good = np.isfinite(value) & np.isfinite(time_s)
    t, x = time_s[good], value[good]
    if t.size < 2:
        return t, x
    step = np.diff(t)
    if np.any(step < 0):
        order = np.argsort(t, kind="stable")
        t, x = t[order], x[order]
        step = np.diff(t)
    if np.all(step > 0):
        return t, x
    first = np.concatenate([[True], step > 0])
    start = np.flatnonzero(first)
    count = np.diff(np.append(start, t.size))
    known = CHANNELS.get(channel)
    if known is not None and known.kind == "step":
        return t[start], x[start + count - 1]
    if is_circular(channel):
        # Mean along the short arc from the first of the group.
        off = wrap180(x - np.repeat(x[start], count))
        return t[start], x[start] + np.add.reduceat(off, start) / count
    return t[start], np.add.reduceat(x, start) / count


def _drawn(time_s: Floats, x: Floats, at_s: Floats, gap_s: float, breaks_s: ArrayLike) -> Floats:
    """Values interpolated between neighbours, not over a gap or a break."""
    place = np.searchsorted(time_s, at_s)
    left, right = np.maximum(place - 1, 0), np.minimum(place, time_s.size - 1)
    before, after = time_s[left], time_s[right]
    exact = np.abs(after - at_s) < 1e-6
    span = after - before
    inside = (at_s >= before) & (at_s <= after) & (span <= gap_s)
    for instant in np.asarray(breaks_s, dtype=float):
        inside &= ~((before < instant) & (after >= instant))
    share = np.clip((at_s - before) / np.where(span > 0, span, 1.0), 0.0, 1.0)
    low, high = x[left], x[right]
    return np.where(exact | inside, np.where(exact, high, low + share * (high - low)), np.nan)


def _held(time_s: Floats, value: Floats, at_s: Floats, most_s: float) -> Floats:
    """The last value told, for at most ``most_s``."""
    place = np.searchsorted(time_s, at_s)
    right = np.minimum(place, time_s.size - 1)
    last = np.where(np.abs(time_s[right] - at_s) < 1e-6, right, np.maximum(place - 1, 0))
    fresh = (at_s >= time_s[last] - 1e-6) & (at_s - time_s[last] <= most_s)
    return np.where(fresh, value[last], np.nan)


def onto_clock(
    channel: str,
    time_s: Floats,
    value: Floats,
    at_s: Floats,
    gap_s: float,
    rate_hz: float,
    breaks_s: ArrayLike = (),
) -> Floats:
    """One cleaned stream on the common clock.

    Faster streams are averaged over one step of the clock first. Continuous values and angles
    are interpolated (angles along the short arc), steps hold, and nothing is interpolated over
    a gap or a break.

    Parameters
    ----------
    channel : str
    time_s, value : ndarray, shape (n,)
        Finite and strictly increasing in time.
    at_s : ndarray, shape (m,)
    gap_s : float
    rate_hz : float
        Of the common clock.
    breaks_s : array_like

    Returns
    -------
    ndarray, shape (m,)
    """
    if time_s.size == 0:
        return np.full(at_s.shape, np.nan)
    kind = kind_of(channel)
    circular = is_circular(channel)
    x = unwrap(value) if circular else value
    if channel in SLOW_CHANNELS:
        held = np.interp(at_s, time_s, x)
        return wrap180(held) if circular else held
    if kind == "step":
        return _held(time_s, value, at_s, max(60.0, gap_s))
    step = float(np.median(np.diff(time_s))) if time_s.size > 1 else np.inf
    if step < 0.7 / rate_hz:
        x = _mean_over(time_s, x, 1.0 / rate_hz)
    out = _drawn(time_s, x, at_s, gap_s, breaks_s)
    if kind == "bearing":
        return wrap360(out)
    return wrap180(out) if circular else out


def _mean_over(time_s: Floats, value: Floats, window_s: float) -> Floats:
    """Centred mean over a window; prefix sums, no gap handling (windows are one clock step)."""
    total = np.concatenate([[0.0], np.cumsum(value - value[0])])
    lo = np.searchsorted(time_s, time_s - window_s / 2 - 1e-6)
    hi = np.searchsorted(time_s, time_s + window_s / 2 + 1e-6)
    return np.asarray((total[hi] - total[lo]) / (hi - lo) + value[0], dtype=float)
