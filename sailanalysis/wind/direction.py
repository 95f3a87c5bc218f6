"""The slow true wind direction: what the wind did, without what the boat did."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sailanalysis.core.angles import Floats, unwrap, wrap360
from sailanalysis.core.series import (
    angle_rate_deg_s,
    epoch_s,
    running_mean,
    running_mean_angle,
    runs,
)

SMOOTH_S = 120.0
"""Gusts veer and back within a minute; what lasts two minutes is a shift a crew sails to."""
TURN_DEG_S = 2.0
"""A boat turning faster (over 10 s) is in a maneuver: speed and vane lag, the triangle is off."""
SETTLE_S = 30.0
"""Left out before and after a turn: speed and vane are settling."""


def is_turning(time_s: ArrayLike, hdg_deg: ArrayLike) -> np.ndarray:
    """Samples within a turn or ``SETTLE_S`` of one."""
    time = np.asarray(time_s, dtype=float)
    rate = angle_rate_deg_s(time, hdg_deg, 10.0)
    fast = np.where(np.isfinite(rate), np.abs(rate) > TURN_DEG_S, False).astype(float)
    return running_mean(time, fast, 2 * SETTLE_S) > 1e-9


def smooth_wind_direction(
    samples: pd.DataFrame, exclude_mask: ArrayLike | None = None, window_s: float = SMOOTH_S
) -> Floats:
    """True wind direction averaged over steady sailing and carried through maneuvers.

    Parameters
    ----------
    samples : DataFrame
        ``twd_deg``, ``tws_kn`` and ``hdg_deg`` (else ``cog_deg``) are used.
    exclude_mask : array_like of bool, shape (n,), optional
        Further samples not to be used (maneuvers once they are known, motoring).
    window_s : float
        Full width of the centred mean (two passes of half of it: no edges of a box).

    Returns
    -------
    ndarray, shape (n,)
        In [0, 360); NaN in a run of the clock without any wind direction.
    """
    time = epoch_s(samples.index)
    twd = samples["twd_deg"].to_numpy(dtype=float).copy()
    bow = samples["hdg_deg"].to_numpy(dtype=float)
    if not np.isfinite(bow).any():
        bow = samples["cog_deg"].to_numpy(dtype=float)
    tws = samples["tws_kn"].to_numpy(dtype=float)
    out_of_use = is_turning(time, bow)
    if exclude_mask is not None:
        out_of_use |= np.asarray(exclude_mask, dtype=bool)
    used = np.where(out_of_use, np.nan, twd)
    out = np.full(time.shape, np.nan)
    for run in runs(time):
        known = used[run] if np.isfinite(used[run]).any() else twd[run]
        if not np.isfinite(known).any():
            continue
        weight = np.where(np.isfinite(tws[run]), tws[run], 1.0)
        slow = running_mean_angle(time[run], known, window_s / 2, weight)
        slow = unwrap(slow)
        good = np.isfinite(slow)
        whole = np.interp(time[run], time[run][good], slow[good])
        out[run] = wrap360(running_mean(time[run], whole, window_s / 2))
    return out
