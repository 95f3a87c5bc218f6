"""Where a stop begins and ends, to some seconds: where she loses her way and gathers it."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.series import running_mean, true_stretches

WAY_KN: Final = 0.6
"""Between the creep of a boat at anchor and steerage way."""
REACH_S: Final = 90.0
"""The chain sees minutes; a stop's end is looked for so far to either side."""


def trim_stops(time: Floats, state: NDArray[np.object_],
               samples: pd.DataFrame) -> NDArray[np.object_]:
    """Move the ends of each stop to where her speed passes :data:`WAY_KN`.

    Parameters
    ----------
    time : ndarray, shape (n,)
    state : ndarray of str, shape (n,)
    samples : DataFrame, n rows
        Speed through the water where it is logged, else over ground.
    """
    speed = _speed(samples)
    if not np.isfinite(speed).any():
        return state
    still = running_mean(time, speed, 10.0) < WAY_KN
    out = state.copy()
    for part in true_stretches(state == "stopped"):
        if part.start > 0:
            k = _passage(time, still, part.start, True)
            _move(out, state, part.start, k, state[part.start - 1])
        if part.stop < state.size:
            k = _passage(time, still, part.stop, False)
            _move(out, state, part.stop, k, state[part.stop], ends=True)
    return out


def _speed(samples: pd.DataFrame) -> Floats:
    for name in ("stw_kn", "sog_kn"):
        if name in samples and samples[name].notna().any():
            return np.asarray(samples[name], dtype=float)
    return np.full(len(samples), np.nan)


def _passage(time: Floats, still: NDArray[np.bool_], edge: int, slows: bool) -> int:
    """Nearest instant to an edge where she comes to a stop (or gathers way); the edge if none."""
    a, b = np.searchsorted(time, [time[min(edge, time.size - 1)] - REACH_S,
                                  time[min(edge, time.size - 1)] + REACH_S])
    a = max(int(a), 1)
    change = still[a:b] & ~still[a - 1:b - 1] if slows else ~still[a:b] & still[a - 1:b - 1]
    where = np.flatnonzero(change) + a
    return int(where[np.argmin(np.abs(where - edge))]) if where.size else edge


def _move(out: NDArray[np.object_], state: NDArray[np.object_], edge: int, to: int,
          beside: object, ends: bool = False) -> None:
    grows = to > edge if ends else to < edge
    part = slice(min(edge, to), max(edge, to))
    if edge == to:
        return
    if grows:
        out[part] = np.where(state[part] == beside, "stopped", out[part])
    else:
        out[part] = beside
