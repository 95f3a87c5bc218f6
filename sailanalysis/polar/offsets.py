"""Quantiles of what a fit leaves over: weighted ones on a coarse lattice, read off in between.

A quantile as the sum of many legs' small pulls has no closed form, and Newton steps on its
corner can settle far from the data. A weighted quantile cannot: it lies among the data it is
taken of. Each node of the lattice takes that of the blocks about it, pulled towards the quantile
of all blocks by as much as some blocks weigh.

References
----------
.. [1] Cleveland and Devlin, "Locally weighted regression", J. American Statistical Association
   83, 596-610, 1988 (local weights).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from sailanalysis.core.angles import Floats
from sailanalysis.core.stats import MEDIAN_SE, mad_sd

ANGLE_STEP_DEG: Final = 15.0
WIND_STEP_KN: Final = 3.0
_REACH_DEG: Final = 15.0
_REACH_KN: Final = 3.0
"""Standard deviations of the weights about a node: a step, so that no block falls between."""
_PULL_BLOCKS: Final = 10.0
"""Independent blocks that the quantile of all is worth at a node: five minutes."""


@dataclass(frozen=True, eq=False)
class Offset:
    """A quantile's offset from a fit, with its standard error (a median's).

    Attributes
    ----------
    tws_kn : ndarray, shape (t,)
    value, sd : ndarray, shape (t, a)
        On wind speeds and every 15 deg from 0 to 180.
    """

    tws_kn: Floats
    value: Floats
    sd: Floats

    def weights(self, tws_kn: Floats, twa_deg: Floats) -> Floats:
        """Shares of the nodes in some points, shape (n, t * a); rows sum to one."""
        return self._shares(tws_kn, twa_deg)

    def at(self, tws_kn: Floats, twa_deg: Floats) -> Floats:
        """Offset at some winds, linear between the nodes and held beyond them."""
        return np.asarray(self._shares(tws_kn, twa_deg) @ self.value.ravel(), dtype=float)

    def _shares(self, tws_kn: Floats, twa_deg: Floats) -> Floats:
        x = np.clip((np.asarray(tws_kn, dtype=float) - self.tws_kn[0]) / WIND_STEP_KN, 0.0,
                    self.tws_kn.size - 1.0)
        y = np.clip(np.abs(np.asarray(twa_deg, dtype=float)) / ANGLE_STEP_DEG, 0.0,
                    self.value.shape[1] - 1.0)
        near_t = np.maximum(1.0 - np.abs(x[:, None] - np.arange(self.tws_kn.size)), 0.0)
        near_a = np.maximum(1.0 - np.abs(y[:, None] - np.arange(self.value.shape[1])), 0.0)
        return np.asarray((near_t[:, :, None] * near_a[:, None, :]).reshape(x.size, -1))


def weighted_quantile(value: Floats, weight: Floats, quantile: float) -> float:
    """Quantile of weighted values, linear between the middles of their weights.

    Parameters
    ----------
    value, weight : ndarray, shape (n,)
        Weights not negative, at least one above zero.
    quantile : float
        0-1.
    """
    order = np.argsort(value, kind="stable")
    v, w = value[order], weight[order]
    middle = np.cumsum(w) - 0.5 * w
    return float(np.interp(quantile * w.sum(), middle, v))


def local_quantile(tws_kn: Floats, twa_deg: Floats, value: Floats, weight: Floats,
                   quantile: float) -> Offset:
    """Quantile of values by wind speed and angle.

    Parameters
    ----------
    tws_kn, twa_deg : ndarray, shape (n,)
    value : ndarray, shape (n,)
        What the fit leaves over.
    weight : ndarray, shape (n,)
        What a value tells beyond its neighbours, at most 1.
    quantile : float
        0-1.
    """
    low = WIND_STEP_KN * np.floor(np.min(tws_kn) / WIND_STEP_KN)
    high = WIND_STEP_KN * np.ceil(np.max(tws_kn) / WIND_STEP_KN)
    winds = np.arange(low, high + 0.5 * WIND_STEP_KN, WIND_STEP_KN)
    angles = np.arange(0.0, 180.0 + 0.5 * ANGLE_STEP_DEG, ANGLE_STEP_DEG)
    every, noise = weighted_quantile(value, weight, quantile), mad_sd(value)
    order = np.argsort(value, kind="stable")
    tws, off = tws_kn[order], np.abs(twa_deg[order])
    by_wind = np.exp(-0.5 * ((tws - winds[:, None]) / _REACH_KN) ** 2) * weight[order]
    by_angle = np.exp(-0.5 * ((off - angles[:, None]) / _REACH_DEG) ** 2)
    out, sd = np.empty((winds.size, angles.size)), np.empty((winds.size, angles.size))
    for i, wind in enumerate(by_wind):
        for j, angle in enumerate(by_angle):
            w = wind * angle
            count = float(w.sum())
            local = every if count < 1e-9 else float(
                np.interp(quantile * count, np.cumsum(w) - 0.5 * w, value[order]))
            out[i, j] = (count * local + _PULL_BLOCKS * every) / (count + _PULL_BLOCKS)
            sd[i, j] = MEDIAN_SE * noise / np.sqrt(count + _PULL_BLOCKS)
    return Offset(winds, out, sd)
