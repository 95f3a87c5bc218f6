"""Reading the house's tables for drawing: times, columns that may be missing, polar look-ups."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.series import epoch_s

Floats = NDArray[np.float64]


def seconds(column: Any) -> Floats:
    """Seconds since 1970 of a column of timestamps, ISO texts or seconds; NaN where empty."""
    series = pd.Series(column)
    if pd.api.types.is_numeric_dtype(series):
        return np.asarray(series, dtype=float)
    return epoch_s(series)


def numbers(frame: pd.DataFrame, name: str) -> Floats:
    """A numeric column, NaN where it is missing altogether."""
    if name not in frame:
        return np.full(len(frame), np.nan)
    column = frame[name]
    if not pd.api.types.is_float_dtype(column):
        column = pd.to_numeric(column, errors="coerce")
    return np.asarray(column, dtype=float)


def texts(frame: pd.DataFrame, name: str) -> NDArray[np.object_]:
    """A text column, "" where it is missing."""
    if name not in frame:
        return np.full(len(frame), "", dtype=object)
    value = frame[name].to_numpy(dtype=object)
    odd = {v: "" if pd.isna(v) else str(v) for v in set(value) if not isinstance(v, str)}
    return np.array([odd.get(v, v) for v in value], dtype=object) if odd else value


def coded(frame: pd.DataFrame, name: str) -> tuple[NDArray[np.intp], list[str]]:
    """A text column as numbers, quick to compare: -1 where empty, else the place in the words.

    Returns
    -------
    code : ndarray of int, shape (n,)
    words : list of str
        In the order of their first appearance.
    """
    code, words = pd.factorize(texts(frame, name))
    kept = np.flatnonzero(words != "")
    place = np.full(len(words) + 1, -1)
    place[kept] = np.arange(kept.size)
    return place[code], [str(words[k]) for k in kept]


def flags(frame: pd.DataFrame, name: str) -> NDArray[np.bool_]:
    """A true/false column, also from CSV text; missing is False."""
    words = texts(frame, name)
    return np.array([w.lower() in ("true", "1", "1.0", "yes") for w in words], dtype=bool)


def usual_step_s(time_s: Floats) -> float:
    """Median step of a clock; one second where a single sample has none."""
    return float(np.median(np.diff(time_s))) if time_s.size > 1 else 1.0


def polar_lookup(polar: pd.DataFrame, tws_kn: Floats, twa_deg: Floats,
                 sails: str = "all") -> Floats:
    """Polar speed by bilinear look-up in the table; NaN outside the cells that have values.

    For colouring only: results come from the fitted model, not from here.
    """
    out = np.full(np.shape(tws_kn), np.nan)
    if polar is None or not len(polar) or "stw_kn" not in polar:
        return out
    mine = polar[texts(polar, "sails") == sails]
    if mine.empty:
        return out
    grid = mine.pivot_table(index="tws_kn", columns="twa_deg", values="stw_kn")
    winds, angles = grid.index.to_numpy(dtype=float), grid.columns.to_numpy(dtype=float)
    if winds.size < 2 or angles.size < 2:
        return out
    table = grid.to_numpy(dtype=float)
    w, a = np.asarray(tws_kn, dtype=float), np.abs(np.asarray(twa_deg, dtype=float))
    inside = (w >= winds[0]) & (w <= winds[-1]) & (a >= angles[0]) & (a <= angles[-1])
    i = np.clip(np.searchsorted(winds, w[inside], side="right") - 1, 0, winds.size - 2)
    j = np.clip(np.searchsorted(angles, a[inside], side="right") - 1, 0, angles.size - 2)
    u = (w[inside] - winds[i]) / (winds[i + 1] - winds[i])
    v = (a[inside] - angles[j]) / (angles[j + 1] - angles[j])
    out[inside] = ((1 - u) * (1 - v) * table[i, j] + u * (1 - v) * table[i + 1, j]
                   + (1 - u) * v * table[i, j + 1] + u * v * table[i + 1, j + 1])
    return out
