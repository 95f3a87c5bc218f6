"""A last look at steady blocks before they make a polar: what cannot be this boat's sailing.

Whatever slipped through as sailing (an engine that helped, a reef tied in, a drag) lies far off
what the same boat did in like wind at like angles. Such blocks are left out and named.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Boat
from sailanalysis.core.series import epoch_s
from sailanalysis.segment.evidence import general_boat, sail_speed_kn

NO_SAIL_DEG: Final = 20.0
"""Nothing sails this close to the true wind, whatever the vane's error (common practice)."""
LEAST_KN: Final = 0.3
NEAR_TWS_KN: Final = 3.0
NEAR_TWA_DEG: Final = 20.0
LEAST_NEIGHBOURS: Final = 6
USUAL: Final = (0.55, 1.6)
"""Share of what the same boat did in like wind: reefs, trim and waves change it by a third."""
ANYWHERE: Final = (0.35, 2.2)
"""The same where little was sailed near by and the general shape has to carry over."""
FROUDE_MOST: Final = 3.5
"""Times hull speed that not even a light multihull sails for half a minute (common practice)."""


def guard_blocks(blocks: pd.DataFrame, boat: Boat) -> tuple[pd.DataFrame, list[Finding]]:
    """Leave out steady blocks that cannot be this boat under sail.

    Parameters
    ----------
    blocks : DataFrame, n rows
        From ``steady_averages``.
    boat : Boat
        Its length bounds her speed where it is known.

    Returns
    -------
    blocks : DataFrame
        Those that are believed, in order.
    findings : list of Finding
        What was left out, and why.
    """
    if not len(blocks):
        return blocks, []
    tws, off, speed = (blocks[name].to_numpy(dtype=float) for name in
                       ("tws_kn", "twa_deg", "stw_kn"))
    off = np.abs(off)
    pinned = (off < NO_SAIL_DEG) | (speed < LEAST_KN)
    share = _share_of_usual(tws, off, speed, ~pinned)
    odd = ~pinned & ((share[0] < share[1]) | (share[0] > share[2]))
    if boat.lwl_m:
        odd |= speed > FROUDE_MOST * general_boat(boat.lwl_m, None).hull_kn
    left_out = pinned | odd
    if not left_out.any():
        return blocks, []
    return blocks[~left_out].reset_index(drop=True), [_finding(blocks, left_out, odd)]


def _share_of_usual(tws: Floats, off: Floats, speed: Floats,
                    use: np.ndarray) -> tuple[Floats, Floats, Floats]:
    """Speed as a share of what neighbours make likely, and the least and most believed."""
    general = sail_speed_kn(general_boat(None, None), tws, off) + 0.3
    ratio = (speed + 0.3) / general
    usual = np.full(speed.size, float(np.median(ratio[use])) if use.any() else 1.0)
    low, high = np.full(speed.size, ANYWHERE[0]), np.full(speed.size, ANYWHERE[1])
    for k in np.flatnonzero(use):
        near = use & (np.abs(tws - tws[k]) < NEAR_TWS_KN) & (np.abs(off - off[k]) < NEAR_TWA_DEG)
        if near.sum() > LEAST_NEIGHBOURS:
            usual[k], low[k], high[k] = float(np.median(ratio[near])), *USUAL
    return ratio / usual, low, high


def _finding(blocks: pd.DataFrame, left_out: np.ndarray, odd: np.ndarray) -> Finding:
    time = epoch_s(pd.DatetimeIndex(blocks["time"]))[left_out]
    minutes = float(blocks["seconds"].to_numpy(dtype=float)[left_out].sum()) / 60.0
    what = ("lies far off what she did in like wind at like angles" if odd.any() else
            "was at angles or speeds at which nothing sails")
    return Finding(
        "blocks-left-out", f"{minutes:.1f} minutes of steady sailing {what}, first at "
        f"{pd.Timestamp(time[0], unit='s'):%H:%M} UTC; the polar was made without them.", "note",
        "stw_kn", float(time[0]), float(time[-1]), float(left_out.mean()))
