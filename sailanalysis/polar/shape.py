"""The plain shape that a polar is measured against: four numbers, robustly fitted.

The smooth surface of :mod:`polar_fit` is a factor on this shape, so that smoothing pulls towards
"a boat of this kind" and not towards a flat plate. The shape itself is never shown; where there
is no data there is no value.

Drive grows with the wind and the angle; resistance limits it: ``V = H x / sqrt(1 + x^2)`` with
``x = k D(a) t / H``, ``D(a) = (1 - exp(-(a/a0)^2)) (1 - b ((1 - cos a)/2)^2)``. It is zero in no
wind and head to wind, and even about 180 deg.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sailanalysis.core.angles import Floats, cosd

# log k, log H, log a0, b: weak priors wide enough for a heavy cruiser and a light catamaran.
_CENTRE = np.array([np.log(0.75), np.log(9.0), np.log(34.0), 0.35])
_SPREAD = np.array([0.5, 0.5, 0.3, 0.25])
_LOW = np.array([np.log(0.1), np.log(2.0), np.log(10.0), -0.5])
_HIGH = np.array([np.log(3.0), np.log(40.0), np.log(80.0), 0.95])


@dataclass(frozen=True)
class Shape:
    """The four numbers: ``k`` (kn per kn), ``top_kn``, ``rise_deg``, ``drop`` (0-1)."""

    k: float
    top_kn: float
    rise_deg: float
    drop: float

    def speed_kn(self, tws_kn: ArrayLike, twa_deg: ArrayLike) -> Floats:
        """Speed of the plain shape; angles of either sign."""
        tws, twa = np.asarray(tws_kn, dtype=float), np.abs(np.asarray(twa_deg, dtype=float))
        drive = -np.expm1(-((twa / self.rise_deg) ** 2))
        drive = drive * (1.0 - self.drop * ((1.0 - cosd(twa)) / 2.0) ** 2)
        x = self.k * drive * tws / self.top_kn
        return np.asarray(self.top_kn * x / np.sqrt(1.0 + x * x), dtype=float)


    def tangent(self, tws_kn: ArrayLike, twa_deg: ArrayLike) -> Floats:
        """Relative change of speed with each of the four numbers (three logarithms and a share).

        Returns
        -------
        ndarray, shape (n, 4)
            Columns that let the surface's fit correct the shape, and carry what is not known of it.
        """
        here = np.array([np.log(self.k), np.log(self.top_kn), np.log(self.rise_deg), self.drop])
        tws, twa = np.maximum(np.asarray(tws_kn, float), 0.05), np.abs(np.asarray(twa_deg, float))
        twa = np.maximum(twa, 0.5)
        step = 1e-4
        columns = []
        for j in range(4):
            move = np.zeros(4)
            move[j] = step
            up, down = _shape(here + move), _shape(here - move)
            columns.append(np.log(up.speed_kn(tws, twa) / down.speed_kn(tws, twa)) / (2 * step))
        return np.stack(columns, axis=-1)


SHAPE_SD = tuple(float(v) for v in _SPREAD)
"""Prior standard deviations of the four numbers."""


def fit_shape(tws_kn: Floats, twa_deg: Floats, stw_kn: Floats, weight: Floats) -> Shape:
    """Fit the shape to steady blocks by robust least squares of the logarithm.

    Parameters
    ----------
    tws_kn, twa_deg, stw_kn : ndarray, shape (n,)
        Block means; speeds below 0.2 kn are left out (a logarithm needs a speed).
    weight : ndarray, shape (n,)
        Seconds.
    """
    from scipy.optimize import least_squares

    use = (stw_kn > 0.2) & (tws_kn > 0.5)
    if not use.any():
        return _shape(_CENTRE)
    # Cells of 1 kn x 5 deg keep the fit quick, however long the season.
    key = np.floor(tws_kn[use]).astype(int) * 100 + np.floor(np.abs(twa_deg[use]) / 5).astype(int)
    _, cell = np.unique(key, return_inverse=True)
    total = np.bincount(cell, weight[use])

    def mean(value: Floats) -> Floats:
        return np.bincount(cell, value[use] * weight[use]) / total

    tws, twa = mean(tws_kn), mean(np.abs(twa_deg))
    logs = np.log(np.maximum(stw_kn, 0.2))
    target = mean(logs)
    # A cell of ten minutes is known to a few per cent; more time does not make it much better.
    scale = np.sqrt(total / (total + 300.0)) / 0.05

    def residual(p: Floats) -> Floats:
        with np.errstate(divide="ignore"):
            guess = np.log(np.maximum(_shape(p).speed_kn(tws, twa), 1e-6))
        return np.concatenate([scale * (guess - target), (p - _CENTRE) / _SPREAD])

    found = least_squares(residual, _CENTRE, bounds=(_LOW, _HIGH), loss="soft_l1", max_nfev=60)
    return _shape(found.x)


def _shape(p: Floats) -> Shape:
    return Shape(float(np.exp(p[0])), float(np.exp(p[1])), float(np.exp(p[2])), float(p[3]))
