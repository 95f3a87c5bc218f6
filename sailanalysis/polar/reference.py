"""The boat's own polar beside a reference: speeds read off it, and her share of them."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.model import ReferencePolar
from sailanalysis.core.points import SECTORS

SHARE_COLUMNS: Final = ("point_of_sail", "share", "low", "high", "cells", "minutes")


def reference_speed(reference: ReferencePolar, tws_kn: Floats, twa_deg: Floats) -> Floats:
    """Speed of a reference polar at some winds, linear over angle, then over wind speed.

    Parameters
    ----------
    reference : ReferencePolar
    tws_kn, twa_deg : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        NaN outside the angles and winds that the reference holds.
    """
    table = pd.DataFrame(reference.points, columns=["tws", "twa", "stw"])
    off = np.abs(np.asarray(twa_deg, dtype=float))
    winds, curves = [], []
    for wind, rows in table.groupby("tws"):
        winds.append(float(str(wind)))
        curves.append(np.interp(off, rows["twa"], rows["stw"], left=np.nan, right=np.nan))
    grid, tws = np.array(curves), np.asarray(tws_kn, dtype=float)
    at = np.searchsorted(winds, tws, side="left")
    inside = (tws >= winds[0]) & (tws <= winds[-1])
    high = np.clip(at, 0, len(winds) - 1)
    low = np.where(np.isclose(np.array(winds)[high], tws), high, np.maximum(high - 1, 0))
    span = np.array(winds)[high] - np.array(winds)[low]
    share = np.divide(tws - np.array(winds)[low], span, out=np.zeros(tws.shape), where=span > 0)
    column = np.arange(tws.size)
    value = np.where(share > 0, share * grid[high, column], 0.0) + np.where(
        share < 1, (1 - share) * grid[low, column], 0.0)
    return np.asarray(np.where(inside, value, np.nan), dtype=float)


def with_reference(polar: pd.DataFrame, reference: ReferencePolar | None) -> pd.DataFrame:
    """A polar's table with ``reference_kn`` beside its speeds, where there is a reference.

    Parameters
    ----------
    polar : DataFrame
        As from :func:`sailanalysis.polar.polar_table`.
    reference : ReferencePolar or None
    """
    if reference is None:
        return polar
    return polar.assign(reference_kn=reference_speed(
        reference, polar["tws_kn"].to_numpy(dtype=float), polar["twa_deg"].to_numpy(dtype=float)))


def reference_shares(polar: pd.DataFrame) -> pd.DataFrame:
    """Share of the reference's speed by point of sail, over the cells of ``all``.

    Parameters
    ----------
    polar : DataFrame
        A polar's table with ``reference_kn``.

    Returns
    -------
    DataFrame
        ``SHARE_COLUMNS``. The interval is that of the cells' mean with all errors shared, the
        widest it can be: sensors and the day's own speed move all cells together.
    """
    rows = []
    if len(polar) and "reference_kn" in polar.columns:
        known = polar[(polar["sails"] == "all") & (polar["basis"] == "measured")
                      & (polar["reference_kn"].to_numpy(dtype=float) > 0.1)]
        for name, low, high in SECTORS:
            part = known[(known["twa_deg"] >= low) & (known["twa_deg"] < high + (high == 180.0))]
            if len(part):
                weight = part["minutes"].to_numpy(dtype=float)
                values = [float(np.average(part[c] / part["reference_kn"], weights=weight))
                          for c in ("stw_kn", "stw_kn_low", "stw_kn_high")]
                rows.append((name, *values, len(part), float(weight.sum())))
    return pd.DataFrame(rows, columns=list(SHARE_COLUMNS))
