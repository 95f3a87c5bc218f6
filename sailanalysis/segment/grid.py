"""The segmenter's own clock: bin means of about a second, the same whatever the log's rate.

Bins are cut at whole multiples of their length since 1970, so that the same sailing gives the same
bins whatever hour the log starts, and maneuvers do not depend on the sampling rate.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind
from sailanalysis.core.series import box_count, box_sum, epoch_s, step_s

Bools = NDArray[np.bool_]

BIN_S = 1.0
"""A helm's turn lasts five seconds and more, a wave two to eight: one second loses neither."""
MAX_GAP_S = 30.0
"""A longer hole in the log ends a stretch: what the boat did in it is not known."""
_ANGLES = frozenset({"hdg_deg", "cog_deg", "twa_deg", "twd_deg", "awa_deg"})


@dataclass(frozen=True)
class Grid:
    """One unbroken stretch on a regular clock.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        Centres of the bins, seconds since 1970, regular.
    step_s : float
    column : dict of str to ndarray, shape (n,)
        Means over the bins; NaN where a bin is empty. Angles are means of unit vectors.
    """

    time_s: Floats
    step_s: float
    column: dict[str, Floats]

    def __len__(self) -> int:
        return int(self.time_s.size)

    def bins(self, seconds: float) -> int:
        """Bins in a span of seconds, at least one."""
        return max(1, round(seconds / self.step_s))


def make_grids(samples: pd.DataFrame, columns: tuple[str, ...], max_gap_s: float = MAX_GAP_S,
               use: Bools | None = None) -> list[Grid]:
    """Bin means of some columns, one grid for each stretch without a long gap.

    Parameters
    ----------
    samples : DataFrame, n rows
        UTC index; columns that are absent come out as NaN.
    columns : tuple of str
    max_gap_s : float
        Holes up to this stay inside a grid as NaN; longer ones cut.
    use : ndarray of bool, shape (n,), optional
        Samples that are seen at all.

    Returns
    -------
    list of Grid
        In order of time; empty for an empty table.
    """
    rows = slice(None) if use is None else use
    time = epoch_s(samples.index)[rows]
    if time.size == 0:
        return []
    native = step_s(time)
    length = BIN_S if not np.isfinite(native) else max(BIN_S, round(native, 3))
    # The small shift keeps a stamp of exactly a bin's edge in the bin that it opens.
    number = np.floor(time / length + 1e-4).astype(np.int64)
    first = np.flatnonzero(np.concatenate([[True], np.diff(number) > 0]))
    bin_number = number[first]
    count = np.diff(np.append(first, number.size))
    when = np.add.reduceat(time - time[0], first) / count + time[0]
    means = {name: _bin_mean(samples[name].to_numpy(dtype=float)[rows], first, name in _ANGLES)
             if name in samples else np.full(first.size, np.nan) for name in columns}
    longest = max(1, int(max_gap_s / length))
    cuts = np.flatnonzero(np.diff(bin_number) > longest) + 1
    edges = np.concatenate([[0], cuts, [bin_number.size]])
    # Mean offset of a stamp in its bin: 0 at 1 Hz, nearly half a bin at 10 Hz.
    offset = float(np.median(when - bin_number * length))
    grids = []
    for a, b in itertools.pairwise(edges):
        at = bin_number[a:b] - bin_number[a]
        size = int(at[-1]) + 1
        filled = {}
        for name, value in means.items():
            full = np.full(size, np.nan)
            full[at] = value[a:b]
            filled[name] = full
        clock = (bin_number[a] + np.arange(size)) * length + offset
        grids.append(Grid(clock, length, filled))
    return grids


def _bin_mean(value: Floats, first: np.ndarray, angular: bool) -> Floats:
    good = np.isfinite(value)
    count = np.add.reduceat(good.astype(float), first)
    if angular:
        east = np.add.reduceat(np.where(good, sind(value), 0.0), first)
        north = np.add.reduceat(np.where(good, cosd(value), 0.0), first)
        return np.asarray(np.where(count > 0, arctan2d(east, north), np.nan), dtype=float)
    total = np.add.reduceat(np.where(good, value, 0.0), first)
    return np.asarray(np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0),
                      dtype=float)


def box_mean(value: Floats, bins: int, weight: Floats | None = None) -> Floats:
    """Centred mean over ``bins`` (made odd) of the finite, weighted values; NaN where none."""
    half = max(0, (int(bins) - 1) // 2)
    good = np.isfinite(value)
    if weight is None and good.all():
        return box_sum(value, half) / box_count(value.size, half)
    w = good.astype(float) if weight is None else np.where(good, weight, 0.0)
    total, share = box_sum(np.where(good, value, 0.0) * w, half), box_sum(w, half)
    return np.asarray(np.divide(total, share, out=np.full(value.shape, np.nan),
                                where=share > 1e-9), dtype=float)


def side_mean(value: Floats, bins: int, lag: int = 0) -> tuple[Floats, Floats]:
    """Means of the ``bins`` values before and after each bin, leaving out ``lag`` bins around it.

    Returns
    -------
    before, after : ndarray, shape (n,)
        Over ``[i-lag-bins, i-lag)`` and ``(i+lag, i+lag+bins]``; NaN where nothing is finite.
    """
    good = np.isfinite(value)
    total = np.concatenate([[0.0], np.cumsum(np.where(good, value, 0.0))])
    count = np.concatenate([[0.0], np.cumsum(good.astype(float))])
    n = value.size
    i = np.arange(n)

    def between(a: np.ndarray, b: np.ndarray) -> Floats:
        a, b = np.clip(a, 0, n), np.clip(b, 0, n)
        k = count[b] - count[a]
        return np.asarray(np.divide(total[b] - total[a], k, out=np.full(n, np.nan), where=k > 0),
                          dtype=float)

    return between(i - lag - bins, i - lag), between(i + lag + 1, i + lag + 1 + bins)


def fill_short(value: Floats, bins: int) -> Floats:
    """Interpolate linearly over holes of at most ``bins``; longer ones and the ends stay NaN."""
    good = np.isfinite(value)
    if good.all() or good.sum() < 2:
        return value.copy()
    index = np.flatnonzero(good)
    out = np.interp(np.arange(value.size), index, value[index], left=np.nan, right=np.nan)
    right = np.searchsorted(index, np.arange(value.size))
    after = index[np.clip(right, 0, index.size - 1)]
    before = index[np.clip(right - 1, 0, index.size - 1)]
    out[~good & (after - before - 1 > bins)] = np.nan
    return np.asarray(out, dtype=float)
