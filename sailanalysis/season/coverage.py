"""Where the polar is thin, and what to sail next to fill it."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.points import SECTORS
from sailanalysis.polar.model import PolarModel

BAND_KN: Final = 4.0
WANTED_PERCENT: Final = 2.0
"""Half width of the 95 % interval worth asking for: a sail change is often worth no more."""
COVERAGE_COLUMNS: Final = ("tws_low_kn", "tws_high_kn", "point_of_sail", "twa_low_deg",
                           "twa_high_deg", "minutes", "known_share", "half_width_percent",
                           "wind_share", "more_minutes", "priority")


def coverage_table(model: PolarModel, blocks: pd.DataFrame) -> pd.DataFrame:
    """Minutes, knowledge and need by point of sail and band of wind.

    Returns
    -------
    DataFrame
        ``COVERAGE_COLUMNS``. ``known_share`` is the share of the field's lattice that has a value,
        ``half_width_percent`` the median half width of the 95 % interval of its best-known sail
        set, ``wind_share`` how much of the time sailed had such wind, ``more_minutes`` the steady
        sailing that would bring the half width to 2 % where the error falls with the root of time
        (at least 20 in a field with less), ``priority`` orders what to sail next: need in winds
        that this boat meets.
    """
    if len(blocks) == 0 or "all" not in model.surfaces:
        return pd.DataFrame(columns=list(COVERAGE_COLUMNS))
    surface = model.surfaces["all"]
    # the whole mixes sail sets that differ; a field is known as well as its best-known set
    with np.errstate(invalid="ignore"):
        widths = np.stack([50.0 * (s.high_kn - s.low_kn) / s.median_kn
                           for s in model.surfaces.values()])
    best_known = np.min(np.where(np.isfinite(widths), widths, np.inf), axis=0)
    tws, off = blocks["tws_kn"].to_numpy(float), blocks["twa_deg"].abs().to_numpy(float)
    seconds = blocks["seconds"].to_numpy(float)
    low = BAND_KN * np.floor(np.quantile(tws, 0.02) / BAND_KN)
    high = BAND_KN * np.ceil(np.quantile(tws, 0.98) / BAND_KN)
    angles = np.arange(181.0)
    rows = []
    for band in np.arange(low, high, BAND_KN):
        in_band = (tws >= band) & (tws < band + BAND_KN)
        wind_share = float(seconds[in_band].sum() / seconds.sum())
        winds = (model.tws_kn >= band) & (model.tws_kn < band + BAND_KN)
        for name, a, b in SECTORS:
            here = in_band & (off >= a) & (off < b + (b == 180.0))
            minutes = float(seconds[here].sum() / 60.0)
            part = np.ix_(winds, (angles >= a) & (angles <= b))
            known = surface.basis[part] > 0
            share = float(known.mean()) if known.size else 0.0
            half = np.nan
            if known.any():
                half = float(np.median(best_known[part][known]))
            need = max(20.0 - minutes, 0.0)
            if np.isfinite(half) and half > WANTED_PERCENT:
                need = max(need, minutes * ((half / WANTED_PERCENT) ** 2 - 1.0))
            need = float(np.clip(5.0 * np.ceil(need / 5.0), 0.0, 120.0))
            lack = max(1.0 - share, min((half if np.isfinite(half) else 10.0) / 10.0, 1.0))
            rows.append((band, band + BAND_KN, name, a, b, minutes, share, half, wind_share, need,
                         wind_share * lack if need > 0 else 0.0))
    return pd.DataFrame(rows, columns=list(COVERAGE_COLUMNS))


def sail_next(coverage: pd.DataFrame, most: int = 3) -> list[str]:
    """Name what to sail next, the most useful first."""
    wanted = coverage[coverage["priority"] > 0].sort_values(
        ["priority", "tws_low_kn", "twa_low_deg"], ascending=[False, True, True], kind="stable")
    out = []
    for row in wanted.head(most).itertuples():
        so_far = (f"{row.minutes:.0f} minutes so far" if row.minutes >= 1 else "nothing so far")
        width = (f", known to {row.half_width_percent:.1f} %"
                 if np.isfinite(row.half_width_percent) else "")
        out.append(f"{row.more_minutes:.0f} minutes of {row.point_of_sail} "
                   f"({row.twa_low_deg:.0f}-{row.twa_high_deg:.0f} deg) in "
                   f"{row.tws_low_kn:.0f}-{row.tws_high_kn:.0f} kn: {so_far}{width}.")
    return out
