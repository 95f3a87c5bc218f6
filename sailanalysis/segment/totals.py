"""Time and distance of a day, short gaps of the log bridged."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.geo import steps_m
from sailanalysis.core.series import step_s

BRIDGED_S: Final = 30.0
"""A silence of up to half a minute is bridged: she cannot have done much else in it (common
practice). Over a longer one nothing is told, neither time nor distance."""
GAP_STEPS: Final = 2.5
"""A step of more than this many usual ones is a gap."""
STRAY_KN: Final = 2.0
"""Positions that would need this much more than the faster end's speed are a receiver's jump."""


def spent_seconds(time_s: ArrayLike) -> Floats:
    """Seconds each sample stands for: the step to the next, short gaps included.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Strictly increasing.

    Returns
    -------
    ndarray, shape (n,)
        The usual step at a longer gap and at the end; 0.0 of a single sample.
    """
    time = np.asarray(time_s, dtype=float)
    if time.size < 2:
        return np.zeros(time.shape)
    usual = step_s(time)
    step = np.append(np.diff(time), usual)
    return np.asarray(np.where(step > _limit_s(usual), usual, step), dtype=float)


def distance_nm(time_s: ArrayLike, speed_kn: ArrayLike, moving: NDArray[np.bool_],
                lat: ArrayLike | None = None, lon: ArrayLike | None = None) -> float:
    """Distance made in the samples under way.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Strictly increasing.
    speed_kn : array_like, shape (n,)
        NaN where unknown.
    moving : ndarray of bool, shape (n,)
        Samples that count; the speed of others is taken as none.
    lat, lon : array_like, shape (n,), optional
        Where given, what she made in a gap is the way between the positions at its ends.

    Returns
    -------
    float
        Nautical miles; NaN where she moved and no speed is known, 0.0 where she never did.

    Notes
    -----
    Trapezoids between the samples with a speed; across a gap of up to :data:`BRIDGED_S` too, the
    positions at its ends permitting. Longer gaps add nothing.
    """
    time, speed = np.asarray(time_s, dtype=float), np.asarray(speed_kn, dtype=float)
    known = np.isfinite(speed)
    if not (known & moving).any():
        return float("nan") if moving.any() else 0.0
    rows = np.flatnonzero(known)
    usual = step_s(time) if time.size > 1 else 0.0
    dt = np.diff(time[rows])
    way = np.where(moving[rows], speed[rows], 0.0)
    made = 0.5 * (way[1:] + way[:-1]) * dt / 3600.0
    if lat is not None and lon is not None:
        gap = (dt > GAP_STEPS * usual) & moving[rows][1:] & moving[rows][:-1]
        between = _between_nm(np.asarray(lat, dtype=float)[rows],
                              np.asarray(lon, dtype=float)[rows])
        most = (np.maximum(way[1:], way[:-1]) + STRAY_KN) * dt / 3600.0
        made = np.where(gap & (between <= most), between, made)
    return float(made[dt <= _limit_s(usual)].sum())


def _limit_s(usual_s: float) -> float:
    return max(BRIDGED_S, GAP_STEPS * usual_s)


def _between_nm(lat: Floats, lon: Floats) -> Floats:
    east, north = steps_m(lat, lon)
    return np.asarray(np.hypot(east, north)[1:] / 1852.0, dtype=float)
