"""Wind with height: from the sensor's height to 10 m."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from sailanalysis.core.angles import Floats
from sailanalysis.core.units import KN_TO_MS, MS_TO_KN

VON_KARMAN: Final = 0.41
CHARNOCK: Final = 0.0144
"""Garratt 1977; values in use 0.011 to 0.018."""
GRAVITY: Final = 9.81


def power_law(height_m: ArrayLike, exponent: float = 0.11) -> Floats:
    """Wind at a height over wind at 10 m by the power law.

    Parameters
    ----------
    height_m : array_like
    exponent : float
        0.10 to 0.14 over the sea; 0.11 in ISO 19901-1.
    """
    return np.asarray((np.asarray(height_m, dtype=float) / 10.0) ** exponent, dtype=float)


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


def wind_at_10m_kn(tws_kn: ArrayLike, height_m: float) -> Floats:
    """True wind speed at 10 m from that at the sensor, neutral air over open sea.

    The logarithmic profile with Charnock's roughness for the wind itself. Stable air (warm wind
    over cold water) shears two or three times as much, so this is a convention, not a
    measurement; by default all results stay at the sensor's height.

    Parameters
    ----------
    tws_kn : array_like, shape (n,)
    height_m : float
        Of the sensor above the water.

    Returns
    -------
    ndarray, shape (n,)
    """
    wind = np.asarray(tws_kn, dtype=float)
    at10 = wind * KN_TO_MS
    for _ in range(8):
        at10 = wind * KN_TO_MS / log_law(height_m, np.maximum(roughness_m(at10), 1e-6))
    return np.asarray(at10 * MS_TO_KN, dtype=float)
