"""The finer word for what she did: hove-to, reefing, head to wind, motor-sailing, adrift."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.model import CrewLog
from sailanalysis.core.series import true_stretches
from sailanalysis.segment.blocks import Blocks
from sailanalysis.segment.chain import ADRIFT, BOTH, ENGINE, LYING, SLOWED

WORDS: Final = ("sailing", "hove-to", "reefing", "head to wind", "slowed", "under engine",
                "motor-sailing", "handling sails", "manoeuvring", "lying", "adrift")
"""All values of the column ``doing``."""
HOVE_TO_S: Final = 300.0
CLOSE_DEG: Final = 25.0
SLOW_KN: Final = 2.6
"""Slower than this an engine is in harbour or holds her head to wind for the sails."""
ADRIFT_KN: Final = 0.35


def name_doing(b: Blocks, state: NDArray[np.intp], crew: CrewLog) -> NDArray[np.object_]:
    """A word of :data:`WORDS` for each block.

    Parameters
    ----------
    b : Blocks, n rows
    state : ndarray of int, shape (n,)
        The likeliest of the chain's states.
    crew : CrewLog
        A change of sails or a reef within three minutes tells reefing from heaving to.
    """
    out = np.full(len(b), "sailing", dtype=object)
    changes = np.array([e.time_s for item in ("sails", "reef") for e in crew.of(item)])
    for part in true_stretches(state == SLOWED):
        out[part] = _slowed(b, part, changes)
    out[state == ENGINE] = "under engine"
    out[state == BOTH] = "motor-sailing"
    close = (b.off_deg < CLOSE_DEG) & (b.speed_kn < SLOW_KN)
    slow = b.speed_kn < 0.8 * SLOW_KN
    out[_lasting((state == ENGINE) & slow & ~close, b, 120.0)] = "manoeuvring"
    out[_lasting((state == ENGINE) & close, b, 60.0)] = "handling sails"
    for part in true_stretches((state == LYING) | (state == ADRIFT)):
        moved = b.made_kn[part]
        adrift = np.isfinite(moved).any() and np.nanmedian(moved) > ADRIFT_KN
        out[part] = "adrift" if adrift else "lying"
    return out


def _slowed(b: Blocks, part: slice, changes: NDArray[np.float64]) -> str:
    start, end = b.time_s[part.start] - 180.0, b.time_s[part.stop - 1] + 180.0
    if ((changes >= start) & (changes <= end)).any():
        return "reefing"
    off = b.off_deg[part][np.isfinite(b.off_deg[part])]
    if off.size and float(np.median(off)) < CLOSE_DEG:
        return "head to wind"
    held = off.size and float(np.std(off)) < 15.0 and 25.0 < float(np.median(off)) < 90.0
    return "hove-to" if held and b.block_s[part].sum() >= HOVE_TO_S else "slowed"


def _lasting(mask: NDArray[np.bool_], b: Blocks, least_s: float) -> NDArray[np.bool_]:
    out = np.zeros(mask.size, dtype=bool)
    for part in true_stretches(mask):
        if b.block_s[part].sum() >= least_s:
            out[part] = True
    return out
