"""Stretches in which she sails far slower than she does at that angle in that wind.

Hove-to, reefing, a halyard tensioned, a stop: whatever the crew did, such a stretch is no
reference for a turn beside it, and says nothing of how steady the boat is. Where the bow went up
for it and the course was taken up again, it is a luff.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.series import true_stretches
from sailanalysis.segment.grid import Grid, box_mean

Bools = NDArray[np.bool_]

SLOW: Final = 0.82
BACK: Final = 0.92
"""Share of the usual speed below which something other than sailing goes on (gusts and waves,
averaged over some seconds, leave more), and from which on it is over."""
AROUND_DEG: Final = 15.0
USUAL: Final = 0.65
"""Speed changes little over this much of angle; above the middle, since what is odd is slow."""
WIND_LAG_S: Final = 40.0
"""Speed may still follow a wind this old (three times a cruiser's own lag)."""
SMOOTH_S: Final = 7.0
SHORTEST_S: Final = 5.0
JOIN_S: Final = 8.0


def speed_share(off_deg: Floats, speed: Floats, tws_kn: Floats, grid: Grid,
                power: float = 0.5) -> Floats:
    """Speed over what is usual on the day at the angle and in the wind of the moment.

    Parameters
    ----------
    off_deg : ndarray, shape (n,)
        Angle off the bow, without sign.
    speed : ndarray, shape (n,)
        Any unit.
    tws_kn : ndarray, shape (n,)
    grid : Grid
    power : float
        Of the wind's speed that boat speed goes with.

    Returns
    -------
    ndarray, shape (n,)
        About 1; NaN where the speed or the angle is not known.
    """
    smooth = box_mean(speed, grid.bins(SMOOTH_S))
    ratio = smooth / np.maximum(_least_wind(tws_kn, grid), 1.0) ** power
    angle = box_mean(off_deg, grid.bins(SMOOTH_S))
    good = np.isfinite(ratio) & np.isfinite(angle)
    centres, levels = [], []
    for centre in np.arange(30.0, 180.0, 5.0):
        inside = good & (np.abs(angle - centre) < AROUND_DEG)
        if inside.sum() >= grid.bins(120.0):
            centres.append(centre)
            levels.append(float(np.quantile(ratio[inside], USUAL)))
    if not centres:
        return np.where(good, 1.0, np.nan)
    usual = np.interp(angle, centres, levels)
    return np.asarray(ratio / np.maximum(usual, 1e-6), dtype=float)


def _least_wind(tws_kn: Floats, grid: Grid) -> Floats:
    """Least wind, over some seconds, of the time that the speed may still answer."""
    if not np.isfinite(tws_kn).any():
        return np.ones(tws_kn.size)
    smooth = box_mean(tws_kn, grid.bins(15.0))
    smooth = np.where(np.isfinite(smooth), smooth, np.nanmedian(tws_kn))
    least = smooth.copy()
    for lag in range(1, grid.bins(WIND_LAG_S) + 1, max(1, grid.bins(4.0))):
        least[lag:] = np.minimum(least[lag:], smooth[:-lag])
    return least


def slow_stretches(share: Floats, grid: Grid) -> list[slice]:
    """Stretches of some seconds in which she falls below ``SLOW`` of her usual speed.

    Each reaches from where she last had ``BACK`` to where she has it again.
    """
    with np.errstate(invalid="ignore"):
        lacking = share < BACK
        slow = share < SLOW
    joined: list[slice] = []
    for part in true_stretches(lacking):
        if slow[part].sum() * grid.step_s < SHORTEST_S:
            continue
        if joined and part.start - joined[-1].stop <= grid.bins(JOIN_S):
            joined[-1] = slice(joined[-1].start, part.stop)
        else:
            joined.append(part)
    return joined
