"""Tensor B-splines over wind speed and angle, even at head to wind and at dead downwind.

Uniform cubic B-splines with a difference penalty on neighbouring coefficients (P-splines).
The angle's basis is folded at 0 and 180 deg, so that port mirrors starboard and the surface is
smooth dead downwind.

References
----------
.. [1] Eilers and Marx, "Flexible smoothing with B-splines and penalties", Statistical Science
   11(2), 89-121, 1996.
.. [2] Eilers and Marx, "Multivariate calibration with temperature interaction using
   two-dimensional penalized signal regression", Chemometrics 66, 159-174, 2003 (the tensor).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from sailanalysis.core.angles import Floats

SECTOR_DEG: Final = (40.0, 100.0, 160.0)
"""Middles of beating, reaching and running (common practice)."""


def cardinal_weights(x: Floats) -> tuple[np.ndarray, Floats]:
    """First index and the four weights of uniform cubic B-splines with unit spacing.

    Parameters
    ----------
    x : ndarray, shape (n,)
        In knots; spline ``j`` is centred at ``j - 1``.

    Returns
    -------
    first : ndarray of int, shape (n,)
    weight : ndarray, shape (n, 4)
        Rows sum to one.
    """
    first = np.floor(x).astype(np.int64)
    u = x - first
    v = 1.0 - u
    weight = np.stack([v**3, 3 * u**3 - 6 * u**2 + 4, 3 * v**3 - 6 * v**2 + 4, u**3], axis=-1) / 6.0
    return first, weight


@dataclass(frozen=True)
class Basis:
    """Tensor basis on a lattice of knots.

    Attributes
    ----------
    angle_step_deg : float
        Divides 180.
    tws_low_kn, tws_step_kn : float
    tws_intervals : int
    """

    angle_step_deg: float
    tws_low_kn: float
    tws_step_kn: float
    tws_intervals: int

    @property
    def angles(self) -> int:
        """Number of (folded) angle splines."""
        return round(180.0 / self.angle_step_deg) + 1

    @property
    def speeds(self) -> int:
        """Number of wind-speed splines."""
        return self.tws_intervals + 3

    @property
    def size(self) -> int:
        """Number of coefficients; angle varies fastest."""
        return self.angles * self.speeds

    def design(self, tws_kn: ArrayLike, twa_deg: ArrayLike) -> Any:
        """Sparse design matrix, shape (n, size); wind beyond the knots is held at their end."""
        from scipy.sparse import csr_matrix

        top = self.tws_low_kn + self.tws_intervals * self.tws_step_kn
        tws = np.clip(np.asarray(tws_kn, dtype=float), self.tws_low_kn, top - 1e-9)
        twa = np.minimum(np.abs(np.asarray(twa_deg, dtype=float)), 180.0 - 1e-9)
        a0, aw = cardinal_weights(twa / self.angle_step_deg)
        t0, tw = cardinal_weights((tws - self.tws_low_kn) / self.tws_step_kn)
        last = self.angles - 1
        a = np.abs(a0[:, None] + np.arange(-1, 3))  # spline j is centred at j - 1: fold at 0
        a = np.where(a > last, 2 * last - a, a)  # and at 180
        t = t0[:, None] + np.arange(4)
        column = (t[:, :, None] * self.angles + a[:, None, :]).reshape(len(tws), 16)
        value = (tw[:, :, None] * aw[:, None, :]).reshape(len(tws), 16)
        start = np.arange(0, 16 * len(tws) + 1, 16)
        matrix = csr_matrix((value.ravel(), column.ravel(), start), shape=(len(tws), self.size))
        matrix.sum_duplicates()
        return matrix

    @cached_property
    def _angle_differences(self) -> Floats:
        """Second differences around the folded circle."""
        n = self.angles
        d = np.zeros((n, n))
        for j in range(n):
            d[j, j] -= 2.0
            d[j, abs(j - 1)] += 1.0
            d[j, j + 1 if j + 1 < n else n - 2] += 1.0
        return d

    @cached_property
    def angle_penalty(self) -> Floats:
        """Second differences around the folded circle, squared."""
        d = self._angle_differences
        return d.T @ d

    @cached_property
    def speed_penalty(self) -> Floats:
        """Second differences along the wind speed, squared."""
        d = np.diff(np.eye(self.speeds), n=2, axis=0)
        return np.asarray(d.T @ d)

    def penalties(self) -> tuple[Floats, Floats]:
        """Roughness over the angle and over the wind speed, each (size, size)."""
        return (np.asarray(np.kron(np.eye(self.speeds), self.angle_penalty), dtype=float),
                np.asarray(np.kron(self.speed_penalty, np.eye(self.angles)), dtype=float))


    def sector_penalties(self) -> list[Floats]:
        """Roughness over the angle, upwind, reaching and downwind apart, each (size, size).

        A boat's speed bends most where the sails stop drawing. With strengths of their own the
        sectors (hats at 40, 100 and 160 deg, which sum to one) do not smooth that bend as if
        it were a reach.
        """
        d, centre = self._angle_differences, self.angle_step_deg * np.arange(self.angles)
        hats = [np.interp(centre, SECTOR_DEG, row) for row in np.eye(len(SECTOR_DEG))]
        return [np.kron(np.eye(self.speeds), (d.T * hat) @ d) for hat in hats]


def basis_for(tws_kn: Floats, angle_step_deg: float, tws_step_kn: float) -> Basis:
    """Lattice that covers the winds met, its knots at whole multiples of the step."""
    low = tws_step_kn * np.floor(np.min(tws_kn) / tws_step_kn)
    high = tws_step_kn * np.ceil((np.max(tws_kn) + 1e-9) / tws_step_kn)
    return Basis(angle_step_deg, float(low), tws_step_kn, max(1, round((high - low) / tws_step_kn)))
