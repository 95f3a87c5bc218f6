"""Positions on the WGS84 ellipsoid: short steps by local radii, long lines by a geodesic."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from sailanalysis.core.angles import Floats, cosd, sind, wrap180

SEMI_MAJOR_M: Final = 6378137.0
FLATTENING: Final = 1.0 / 298.257223563
_ECC2: Final = FLATTENING * (2.0 - FLATTENING)


def radii_m(lat_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Radii of curvature of the WGS84 ellipsoid.

    Parameters
    ----------
    lat_deg : array_like, shape (n,)
        Geodetic latitude.

    Returns
    -------
    meridian_m, prime_vertical_m : ndarray, shape (n,)

    References
    ----------
    .. [1] Snyder, Map Projections: A Working Manual, USGS Professional Paper 1395, 1987,
       equations 4-18 and 4-20.
    """
    root = np.sqrt(1.0 - _ECC2 * sind(lat_deg) ** 2)
    return SEMI_MAJOR_M * (1.0 - _ECC2) / root**3, SEMI_MAJOR_M / root


def steps_m(lat_deg: ArrayLike, lon_deg: ArrayLike) -> tuple[Floats, Floats]:
    """East and north metres from each position to the next; element 0 is NaN.

    Good to 1 in 10^6 for steps below a few miles; crosses 180 deg and needs no projection.
    """
    lat, lon = np.asarray(lat_deg, dtype=float), np.asarray(lon_deg, dtype=float)
    east, north = np.full(lat.shape, np.nan), np.full(lat.shape, np.nan)
    if lat.size > 1:
        middle = 0.5 * (lat[1:] + lat[:-1])
        meridian, prime = radii_m(middle)
        north[1:] = np.radians(np.diff(lat)) * meridian
        east[1:] = np.radians(wrap180(np.diff(lon))) * prime * cosd(middle)
    return east, north


def local_xy_m(
    lat_deg: ArrayLike, lon_deg: ArrayLike, lat0_deg: float, lon0_deg: float
) -> tuple[Floats, Floats]:
    """East and north metres from a point: a plane chart with the latitude's own scale.

    Good to 0.1 % within 20 miles in middle latitudes; for drawing and short baselines.
    """
    lat, lon = np.asarray(lat_deg, dtype=float), np.asarray(lon_deg, dtype=float)
    middle = 0.5 * (lat + lat0_deg)
    meridian, prime = radii_m(middle)
    east = np.radians(wrap180(lon - lon0_deg)) * prime * cosd(middle)
    return east, np.radians(lat - lat0_deg) * meridian
