"""Fewer points for the screen, with every peak kept and every gap left open."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]


def keep_peaks(value: ArrayLike, points: int) -> Indices:
    """Indices that keep the outline of a long trace: lowest and highest of each bucket.

    Parameters
    ----------
    value : array_like, shape (n,)
        NaN samples are never taken for a peak; a bucket of nothing but NaN keeps its first, so
        that the break stays visible.
    points : int
        About how many to keep, at least 4.

    Returns
    -------
    ndarray of int, shape (m,)
        Increasing; first and last sample always among them; all of them when ``n <= points``.
        ``m <= points + 2``.
    """
    y = np.asarray(value, dtype=float)
    n = y.size
    points = max(4, int(points))
    if n <= points:
        return np.arange(n)
    buckets = points // 2
    edge = np.linspace(0, n, buckets + 1).astype(np.intp)
    width = int(np.max(np.diff(edge)))
    at = edge[:-1, None] + np.arange(width)[None, :]
    inside = at < edge[1:, None]
    at = np.minimum(at, n - 1)
    block = y[at]
    usable = inside & np.isfinite(block)
    rows = np.arange(buckets)
    low = np.argmin(np.where(usable, block, np.inf), axis=1)
    high = np.argmax(np.where(usable, block, -np.inf), axis=1)
    kept = np.concatenate([at[rows, low], at[rows, high], [0, n - 1]])
    return np.unique(kept)


def open_gaps(
    time_s: ArrayLike, *columns: ArrayLike, max_gap_s: float
) -> tuple[Floats, ...]:
    """Insert a NaN row inside every gap longer than ``max_gap_s``, so that no line bridges it.

    Returns
    -------
    tuple of ndarray
        The time and each column, equally long.
    """
    t = np.asarray(time_s, dtype=float)
    after = np.flatnonzero(np.diff(t) > max_gap_s) + 1
    out = [np.insert(t, after, t[after - 1] + 1e-3) if after.size else t]
    for column in columns:
        value = np.asarray(column, dtype=float)
        out.append(np.insert(value, after, np.nan) if after.size else value)
    return tuple(out)


def thinned(
    time_s: ArrayLike, value: ArrayLike, points: int, max_gap_s: float
) -> tuple[Floats, Floats]:
    """A trace for the eye: at most about ``points`` samples, peaks kept, gaps open."""
    t, y = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    kept = keep_peaks(y, points)
    # A gap in the log keeps both its shores, else a long bucket would move them.
    shore = np.flatnonzero(np.diff(t) > max_gap_s)
    kept = np.union1d(kept, np.concatenate([shore, shore + 1]).astype(np.intp))
    # After thinning, neighbours stand up to two buckets apart: only true gaps may break the line.
    gap_before = np.zeros(t.size, dtype=bool)
    gap_before[shore + 1] = True
    after = np.flatnonzero(gap_before[kept])
    t_kept, y_kept = t[kept], y[kept]
    if after.size:
        t_kept, y_kept = (np.insert(t_kept, after, t_kept[after - 1]),
                          np.insert(y_kept, after, np.nan))
    return t_kept, y_kept
