"""Magnetic variation for a place and a date, from the World Magnetic Model, offline."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from sailanalysis.core.angles import Floats, unwrap, wrap180

MODELS: Final = ((2010.0, "wmm/WMM_2010.COF"), (2015.0, "wmm/WMM_2015v2.COF"),
                 (2020.0, "wmm/WMM_2020.COF"), (2025.0, "wmm/WMM_2025.COF"))
"""Epochs of the five-year models that the library holds; good from 2010.0 to 2030.0."""
FIRST_YEAR: Final = 2010.0
LAST_YEAR: Final = 2030.0


def is_covered(decimal_year: float) -> bool:
    """Whether a model is valid for the date; outside, the nearest model is carried on."""
    return FIRST_YEAR <= decimal_year <= LAST_YEAR


@lru_cache(maxsize=8)
def _model(name: str) -> Any:
    from pygeomag import GeoMag

    return GeoMag(coefficients_file=name)


def variation_deg(lat_deg: float, lon_deg: float, decimal_year: float) -> float:
    """Magnetic variation (declination) at sea level, degrees, east positive.

    Parameters
    ----------
    lat_deg, lon_deg : float
    decimal_year : float
        E.g. 2025.5. The model of the date is used; before 2010 and after 2030 the nearest one
        is carried on by its yearly change (see :func:`is_covered`): some 0.2 deg a year worse.

    Returns
    -------
    float
        NaN for NaN.

    References
    ----------
    .. [1] NOAA NCEI and BGS, The US/UK World Magnetic Model for 2025-2030, 2025.
    """
    if not (np.isfinite(lat_deg) and np.isfinite(lon_deg) and np.isfinite(decimal_year)):
        return float("nan")
    name = next((n for epoch, n in reversed(MODELS) if decimal_year >= epoch), MODELS[0][1])
    outside = not any(epoch <= decimal_year <= epoch + 5.0 for epoch, _ in MODELS)
    result = _model(name).calculate(glat=float(lat_deg), glon=float(lon_deg), alt=0.0,
                                    time=float(decimal_year),
                                    allow_date_outside_lifespan=outside)
    return float(result.d)


def decimal_year(epoch_s: float) -> float:
    """Year and its fraction of an instant in seconds since 1970 UTC."""
    at = np.datetime64(round(epoch_s * 1000), "ms")
    year = at.astype("datetime64[Y]")
    start, end = (y.astype("datetime64[ms]") for y in (year, year + np.timedelta64(1, "Y")))
    return float(1970 + year.astype(int) + (at - start) / (end - start))


def variation_along(lat_deg: ArrayLike, lon_deg: ArrayLike, time_s: ArrayLike) -> Floats:
    """Variation along a track: the model at up to 33 points, straight lines between.

    Parameters
    ----------
    lat_deg, lon_deg, time_s : array_like, shape (n,)
        Positions may be NaN; their variation is that of the nearest known ones in time.

    Returns
    -------
    ndarray, shape (n,)
        All NaN when no position is known.
    """
    lat, lon = np.asarray(lat_deg, dtype=float), np.asarray(lon_deg, dtype=float)
    t = np.asarray(time_s, dtype=float)
    good = np.flatnonzero(np.isfinite(lat) & np.isfinite(lon))
    if good.size == 0:
        return np.full(t.shape, np.nan)
    at = good[np.unique(np.linspace(0, good.size - 1, 33).astype(int))]
    # A day in one bay needs one point: skip those within 0.05 deg (3 miles) of the one before.
    kept = [at[0]]
    for i in at[1:]:
        if abs(lat[i] - lat[kept[-1]]) + abs(wrap180(lon[i] - lon[kept[-1]])) > 0.05:
            kept.append(i)
    year = decimal_year(float(t[good[0]]))
    value = [variation_deg(lat[i], lon[i], year) for i in kept]
    return wrap180(np.interp(t, t[kept], unwrap(value)))
