"""Whether a fitted surface passes through the data that made it, region by region.

A polar that misses its own data is wrong, whatever its likelihood says. In every region of wind
speed and angle with some minutes of sailing the weighted median of data over surface must lie near
one: within three standard errors, and within three per cent in any case. Where it does not, the
surface is silent: there the few legs sailed say something else than their neighbourhood.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.stats import MEDIAN_SE
from sailanalysis.polar.offsets import weighted_quantile

ANGLE_DEG: Final = 30.0
WIND_KN: Final = 4.0
LEAST_BLOCKS: Final = 10
"""Five minutes: fewer half-minutes have no median of their own."""
UNSEEN: Final = 0.015
"""A miss as small as days differ (common practice) is no fault of the surface."""
MOST: Final = 0.03
"""A miss beyond this is never shown, however few the legs: an interval is seldom wider."""
_SIGMA: Final = 3.0
MISS_COLUMNS: Final = ("sails", "twa_low_deg", "tws_low_kn", "blocks", "legs", "miss", "limit")


def misses(tws_kn: Floats, twa_deg: Floats, sails: np.ndarray, leg: np.ndarray, seconds: Floats,
           share: Floats, leg_sd: float, noise: float) -> pd.DataFrame:
    """Weighted median of data over surface in each region with data.

    Parameters
    ----------
    tws_kn, twa_deg, seconds : ndarray, shape (n,)
    sails : ndarray of str, shape (n,)
        Sail sets are judged apart.
    leg : ndarray of int, shape (n,)
    share : ndarray, shape (n,)
        Speed over the surface's, less one.
    leg_sd, noise : float
        Spread of legs and of blocks, as shares of speed.

    Returns
    -------
    DataFrame
        ``MISS_COLUMNS``: one row a region; it misses where ``abs(miss) > limit``.
    """
    off = np.minimum(np.floor(np.abs(twa_deg) / ANGLE_DEG), 180.0 / ANGLE_DEG - 1.0)
    wind = np.floor(tws_kn / WIND_KN)
    code = pd.factorize(sails.astype(str))[0]
    region = (code * 1000 + off) * 1000 + wind
    rows = []
    for one in np.unique(region):
        own = np.flatnonzero(region == one)
        if own.size < LEAST_BLOCKS:
            continue
        counts = np.unique(leg[own], return_counts=True)[1].astype(float)
        legs = counts.sum() ** 2 / np.sum(counts**2)  # legs of like length that weigh the same
        error = np.sqrt(leg_sd**2 / legs + (MEDIAN_SE * noise) ** 2 / own.size)
        rows.append((sails[own[0]], off[own[0]] * ANGLE_DEG, wind[own[0]] * WIND_KN, own.size,
                     counts.size, weighted_quantile(share[own], seconds[own], 0.5),
                     float(np.clip(_SIGMA * error, UNSEEN, MOST))))
    return pd.DataFrame(rows, columns=list(MISS_COLUMNS))


def is_missed(table: pd.DataFrame) -> np.ndarray:
    """Regions whose data the surface misses, of a table of :func:`misses`."""
    if len(table) == 0:
        return np.zeros(0, dtype=bool)
    off, limit = table["miss"].to_numpy(dtype=float), table["limit"].to_numpy(dtype=float)
    return np.asarray(~(np.abs(off) <= limit))


def refused(table: pd.DataFrame, tws_kn: Floats, twa_deg: Floats, sails: str) -> np.ndarray:
    """Points of a lattice in regions that the surface misses, shape (tws, twa).

    Parameters
    ----------
    table : DataFrame
        Of :func:`misses`.
    tws_kn, twa_deg : ndarray, shape (t,), (a,)
    sails : str
        ``all`` is refused wherever any set is.
    """
    out = np.zeros((tws_kn.size, twa_deg.size), dtype=bool)
    for row in table[is_missed(table)].itertuples():
        if sails in ("all", row.sails):
            out |= (np.abs(tws_kn - row.tws_low_kn - WIND_KN / 2) <= WIND_KN / 2)[:, None] & (
                np.abs(twa_deg - row.twa_low_deg - ANGLE_DEG / 2) <= ANGLE_DEG / 2)[None, :]
    return out


def falls_with_wind(speed_kn: Floats, half_kn: Floats, tws_kn: Floats, calm_kn: float = 12.0
                    ) -> np.ndarray:
    """Points surely slower than with 2 kn less wind at the same angle, shape (tws, twa).

    Below some dozen knots more wind at the same angle slows no boat; above, reefs and sea may.

    Parameters
    ----------
    speed_kn, half_kn : ndarray, shape (tws, twa)
        With the half width of its interval; NaN where unknown.
    tws_kn : ndarray, shape (tws,)
        Every half knot.
    calm_kn : float
        Wind up to which it holds: common practice.
    """
    out = np.zeros(speed_kn.shape, dtype=bool)
    with np.errstate(invalid="ignore"):
        fall = speed_kn[:-4] - speed_kn[4:] > np.hypot(half_kn[:-4], half_kn[4:])
    out[4:] = fall & (tws_kn[4:] <= calm_kn)[:, None]
    return out
