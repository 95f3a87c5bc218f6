"""Several engines, one channel: the busiest one counts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sailanalysis.core.model import Floats

HOLD_S = 5.0
"""An engine's last word counts this long: rpm is sent ten times to once a second, seldom slower."""


def busiest(engines: Sequence[tuple[Floats, Floats]]) -> tuple[Floats, Floats]:
    """Revolutions of the busiest engine through time.

    Parameters
    ----------
    engines : sequence of (time_s, rpm)
        One pair of arrays, shape (n,), for each engine; times not decreasing.

    Returns
    -------
    time_s, rpm : ndarray
        At every instant any engine reported, the highest of what each said within the last
        ``HOLD_S`` seconds.
    """
    engines = [(np.asarray(t, dtype=float), np.asarray(v, dtype=float)) for t, v in engines
               if len(t)]
    if not engines:
        return np.zeros(0), np.zeros(0)
    if len(engines) == 1:
        return engines[0]
    time = np.unique(np.concatenate([t for t, _ in engines]))
    best = np.full(time.shape, np.nan)
    for t, v in engines:
        at = np.searchsorted(t, time, side="right") - 1
        fresh = (at >= 0) & (time - t[np.maximum(at, 0)] <= HOLD_S)
        best = np.fmax(best, np.where(fresh, v[np.maximum(at, 0)], np.nan))
    return time, best
