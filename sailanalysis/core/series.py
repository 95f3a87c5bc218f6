"""Time series on one clock: unbroken runs, smoothing in seconds, integrals that respect gaps.

Windows are in seconds, never in samples. No function bridges a gap in time; a NaN sample is
missing and is left out of a mean, never counted as zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind, wrap180

Bools = NDArray[np.bool_]


def epoch_s(times: pd.Index | pd.Series) -> Floats:
    """Seconds since 1970 UTC of timestamps, whatever their form and resolution.

    Parameters
    ----------
    times : DatetimeIndex, or Series of timestamps or ISO 8601 texts, length n
        Without a zone they are taken as UTC.

    Returns
    -------
    ndarray, shape (n,)
        To the microsecond; NaN for a missing time.

    Raises
    ------
    ValueError
        For a text that is no time.
    """
    if not isinstance(times, pd.DatetimeIndex):
        is_text = times.dtype == object or pd.api.types.is_string_dtype(times)
        times = pd.DatetimeIndex(
            pd.to_datetime(times, utc=True, format="ISO8601") if is_text else times)
    if times.tz is not None:
        times = times.tz_convert("UTC").tz_localize(None)
    seconds = np.asarray(times.as_unit("us").asi8, dtype=float) / 1e6
    if times.hasnans:
        seconds[times.isna()] = np.nan
    return seconds


def day_number(days: pd.Series | pd.Index | Sequence[object]) -> Floats:
    """Days since 1970 of dates or of labels that begin with one (``2026-07-04 b``).

    Parameters
    ----------
    days : sequence of str, date or Timestamp, length n

    Returns
    -------
    ndarray, shape (n,)
        Whole numbers; NaN where there is no date.
    """
    texts = pd.Series([str(day)[:10] for day in days], dtype=object)
    dates = pd.to_datetime(texts, errors="coerce", format="%Y-%m-%d")
    return np.floor(epoch_s(dates) / 86400.0)


def utc_timestamp(time_s: float) -> pd.Timestamp:
    """UTC timestamp (microseconds) of an instant in seconds since 1970."""
    return pd.Timestamp(round(float(time_s) * 1e6), unit="us", tz="UTC")


def utc_index(time_s: ArrayLike) -> pd.DatetimeIndex:
    """UTC index named ``time`` (microseconds) from seconds since 1970."""
    micro = np.round(np.asarray(time_s, dtype=float) * 1e6).astype(np.int64)
    return pd.DatetimeIndex(micro.astype("datetime64[us]"), tz="UTC", name="time")


def step_s(time_s: ArrayLike) -> float:
    """Usual step of a clock in seconds (the median); NaN for fewer than two samples."""
    time = np.asarray(time_s, dtype=float)
    return float(np.median(np.diff(time))) if time.size > 1 else float("nan")


def runs(time_s: ArrayLike, max_gap_s: float | None = None) -> list[slice]:
    """Unbroken stretches of a clock.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Strictly increasing.
    max_gap_s : float, optional
        A longer step breaks the run; default 2.5 times the usual step.

    Returns
    -------
    list of slice
        Non-empty, in order, covering every sample.
    """
    time = np.asarray(time_s, dtype=float)
    if time.size == 0:
        return []
    step = np.diff(time)
    if max_gap_s is None and step.size and step.max() <= 2.5 * step.min():
        return [slice(0, time.size)]  # whatever the usual step is
    limit = 2.5 * step_s(time) if max_gap_s is None and time.size > 1 else (max_gap_s or 0.0)
    cuts = np.flatnonzero(step > limit) + 1
    edges = np.concatenate([[0], cuts, [time.size]])
    return [slice(int(a), int(b)) for a, b in pairwise(edges)]


def true_stretches(mask: ArrayLike) -> list[slice]:
    """Slices of consecutive True samples, in order."""
    flags = np.concatenate([[0], np.asarray(mask, dtype=np.int8), [0]])
    change = np.flatnonzero(np.diff(flags))
    return [slice(int(a), int(b)) for a, b in zip(change[::2], change[1::2], strict=True)]


def running_mean(time_s: ArrayLike, value: ArrayLike, window_s: float) -> Floats:
    """Centred moving average over a window in seconds, within each unbroken run.

    Parameters
    ----------
    time_s, value : array_like, shape (n,)
        NaN values are left out of the mean.
    window_s : float
        Full width; the window shrinks at the ends of a run.

    Returns
    -------
    ndarray, shape (n,)
        NaN where the window holds no value.
    """
    time, x = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    out = np.full(x.shape, np.nan)
    for run in runs(time):
        t, v = time[run], x[run]
        good = np.isfinite(v)
        # Sums about the run's own mean keep the prefix sums accurate over a long day.
        centre = float(np.mean(v[good])) if good.any() else 0.0
        off = np.where(good, v - centre, 0.0)
        reach = _regular_reach(t, window_s)
        if reach is None:
            lo = np.searchsorted(t, t - window_s / 2 - 1e-6)
            hi = np.searchsorted(t, t + window_s / 2 + 1e-6)
            total, n = (np.subtract(*np.concatenate([[0.0], np.cumsum(x)])[[hi, lo]])
                        for x in (off, good))
        elif good.all():
            total, n = box_sum(off, reach), box_count(v.size, reach)
        else:
            total, n = box_sum(off, reach), box_sum(good, reach)
        out[run] = np.divide(total, n, out=np.full(n.shape, np.nan), where=n > 0) + centre
    return out


def _regular_reach(time_s: Floats, window_s: float) -> int | None:
    """Samples on either side of the middle one in a window; None if the clock is not regular."""
    n = time_s.size
    step = (time_s[-1] - time_s[0]) / (n - 1) if n > 1 else 0.0
    if step <= 0 or float(np.max(np.abs(np.diff(time_s) - step))) >= 1e-3 * step:
        return None
    return int(np.floor((window_s / 2 + 1e-6) / step + 1e-6))


def box_sum(value: ArrayLike, reach: int) -> Floats:
    """Sum of each sample and ``reach`` on either side; fewer at the ends.

    Parameters
    ----------
    value : array_like, shape (n,)
        Without NaN: it would spread to all that follows.
    reach : int
    """
    x = np.asarray(value)
    n = x.size
    reach = min(reach, n)
    sums, out = np.zeros(n + 1), np.empty(n)
    np.cumsum(x, out=sums[1:])
    out[:n - reach] = sums[reach + 1:]
    out[n - reach:] = sums[n]
    out[reach:] -= sums[:n - reach]
    return out


def box_count(size: int, reach: int) -> NDArray[np.intp]:
    """How many samples each sum of :func:`box_sum` holds, of ``size`` samples."""
    at = np.arange(size)
    return np.minimum(at + reach + 1, size) - np.maximum(at - reach, 0)


def running_mean_angle(
    time_s: ArrayLike, angle_deg: ArrayLike, window_s: float, weight: ArrayLike | None = None
) -> Floats:
    """Centred moving mean direction of unit vectors (or weighted), in (-180, 180]."""
    angle = np.asarray(angle_deg, dtype=float)
    w = np.ones(angle.shape) if weight is None else np.asarray(weight, dtype=float)
    east = running_mean(time_s, w * sind(angle), window_s)
    north = running_mean(time_s, w * cosd(angle), window_s)
    return arctan2d(east, north)


def running_median(time_s: ArrayLike, value: ArrayLike, window_s: float) -> Floats:
    """Centred moving median over a window in seconds, within each run; NaN left out."""
    time, x = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    out = np.full(x.shape, np.nan)
    dt = step_s(time)
    width = max(1, 2 * round(window_s / dt / 2) + 1) if np.isfinite(dt) and dt > 0 else 1
    for run in runs(time):
        rolled = pd.Series(x[run]).rolling(width, center=True, min_periods=1).median()
        out[run] = rolled.to_numpy()
    return out


def slope_per_s(time_s: ArrayLike, value: ArrayLike, window_s: float) -> Floats:
    """Local least-squares slope over a centred window, within each run; NaN left out."""
    time, x = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    base = time - (time[0] if time.size else 0.0)
    t = np.where(np.isfinite(x), base, np.nan)
    mt, mx = running_mean(time, t, window_s), running_mean(time, x, window_s)
    cov = running_mean(time, t * x, window_s) - mt * mx
    var = running_mean(time, t * t, window_s) - mt * mt
    return np.asarray(np.divide(cov, var, out=np.full(x.shape, np.nan), where=var > 1e-9),
                      dtype=float)


def angle_rate_deg_s(time_s: ArrayLike, angle_deg: ArrayLike, window_s: float) -> Floats:
    """Rate of change of a bearing over a centred window, positive clockwise."""
    from sailanalysis.core.angles import unwrap

    time, angle = np.asarray(time_s, dtype=float), np.asarray(angle_deg, dtype=float)
    out = np.full(angle.shape, np.nan)
    for run in runs(time):
        out[run] = slope_per_s(time[run], unwrap(angle[run]), window_s)
    return out


def recursive_filter(value: ArrayLike, b: ArrayLike, a: ArrayLike, before: float = 0.0) -> Floats:
    """Recursive filter ``y[i] = sum_k b[k] x[i-k] - sum_k>0 a[k] y[i-k]`` with ``a[0] = 1``.

    Parameters
    ----------
    value : array_like, shape (n,)
        Evenly spaced; after a NaN all is NaN.
    b, a : array_like
        Coefficients of a filter of a few terms.
    before : float
        What signal and answer both stood at before the first sample (a filter that leaves a
        constant alone is then at rest); zero for any other filter.

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    The recursion is a triangular system with a narrow band, which BLAS solves term by term;
    ``scipy.signal`` would do the same and takes a third of a second to load.
    """
    from scipy.linalg.blas import dtbsv

    x, back = np.asarray(value, dtype=float) - before, np.asarray(a, dtype=float)
    if x.size == 0:
        return x
    driven = np.convolve(x, np.asarray(b, dtype=float))[:x.size]
    band = np.empty((back.size, x.size), order="F")
    band[:] = back[:, None]
    return np.asarray(dtbsv(back.size - 1, band, driven, lower=1, diag=1) + before, dtype=float)


def hold(time_s: ArrayLike, event_s: ArrayLike, value: list[str]) -> NDArray[np.object_]:
    """Step channel from events: each value holds until the next; ``""`` before the first.

    Parameters
    ----------
    time_s : array_like, shape (n,)
    event_s : array_like, shape (m,)
        Increasing.
    value : list of str, length m
    """
    at = np.searchsorted(np.asarray(event_s, dtype=float), np.asarray(time_s, dtype=float),
                         side="right")
    table = np.array(["", *value], dtype=object)
    return table[at]


def resample(
    time_s: ArrayLike, value: ArrayLike, at_s: ArrayLike, max_gap_s: float, circular: bool = False
) -> Floats:
    """Linear interpolation onto a clock, never across a gap; angles as unit vectors.

    Parameters
    ----------
    time_s, value : array_like, shape (n,)
        Increasing times; NaN values are dropped first.
    at_s : array_like, shape (m,)
    max_gap_s : float
        Where the two neighbours are further apart the result is NaN.
    circular : bool
        Interpolate along the shorter arc; the result is in (-180, 180].

    Returns
    -------
    ndarray, shape (m,)
    """
    time, x = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    at = np.asarray(at_s, dtype=float)
    good = np.isfinite(x) & np.isfinite(time)
    time, x = time[good], x[good]
    if time.size == 0:
        return np.full(at.shape, np.nan)
    right = np.minimum(np.searchsorted(time, at), time.size - 1)
    left = np.maximum(right - 1, 0)
    before, after = time[left], time[right]
    exact = after == at
    span = after - before
    inside = (at >= before) & (at <= after) & (span <= max_gap_s)
    share = np.clip((at - before) / np.where(span > 0, span, 1.0), 0.0, 1.0)
    low, high = x[left], x[right]
    step = wrap180(high - low) if circular else high - low
    out = np.where(exact, high, low + share * step)
    out = wrap180(out) if circular else out
    return np.asarray(np.where(exact | inside, out, np.nan), dtype=float)
