"""Wind with height: from the sensor's height to 10 m."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from sailanalysis.core.angles import Floats

VON_KARMAN: Final = 0.41
CHARNOCK: Final = 0.0144
"""Garratt 1977; values in use 0.011 to 0.018."""
GRAVITY: Final = 9.81


def log_law(height_m: ArrayLike, roughness_m: ArrayLike) -> Floats:
    """Wind at a height over wind at 10 m by the logarithmic law, neutral air."""
    z0 = np.asarray(roughness_m, dtype=float)
    return np.asarray(np.log(np.asarray(height_m, dtype=float) / z0) / np.log(10.0 / z0),
                      dtype=float)


def friction_velocity_ms(wind10_ms: ArrayLike) -> Floats:
    """Friction velocity over the sea: log law with Charnock's roughness, by fixed point.

    References
    ----------
    .. [1] Garratt, "Review of drag coefficients over oceans and continents", Mon. Wea. Rev. 105,
       915-929, 1977.
    """
    wind = np.maximum(np.asarray(wind10_ms, dtype=float), 1e-3)
    u = 0.03 * wind
    for _ in range(60):
        u = VON_KARMAN * wind / np.log(10.0 / (CHARNOCK * u**2 / GRAVITY))
    return np.asarray(u, dtype=float)


def roughness_m(wind10_ms: ArrayLike) -> Floats:
    """Roughness length of the sea, ``0.0144 u*^2 / g`` (Charnock; Garratt 1977)."""
    return np.asarray(CHARNOCK * friction_velocity_ms(wind10_ms) ** 2 / GRAVITY, dtype=float)
