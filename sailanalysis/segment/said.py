"""What revolutions and crew log say of the engine, and where that cannot be true."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.model import CrewLog
from sailanalysis.core.series import true_stretches

Bools = NDArray[np.bool_]

RPM_ON: Final = 300.0
"""Below any diesel's or outboard's idling speed (600 and more), above a dead sensor's noise."""
IDLE_RPM: Final = 1100.0
"""Below this an engine may run out of gear, to charge (common practice)."""
SAID: Final = 6.0
"""Log-likelihood a minute by which revolutions and crew log are believed."""
DOUBT: Final = 0.06
"""They are doubted where all other evidence leaves them less than this ..."""
DOUBT_S: Final = 300.0
"""... for five minutes on end."""
HALF_TRUST: Final = 1.1
"""Log of three: a source that was wrong once this day is still more often right than not."""


def engine_by_crew(time: Floats, crew: CrewLog) -> Floats:
    """1 on, 0 off, NaN where the crew log says nothing of the engine."""
    entries = [e for e in crew.of("engine") if e.value.strip().lower() in ("on", "off")]
    if not entries:
        return np.full(time.size, np.nan)
    value = np.array([float(e.value.strip().lower() == "on") for e in entries])
    index = np.searchsorted(np.array([e.time_s for e in entries]), time, side="right")
    # An entry marks a change, so before the first one it was the other way.
    return np.asarray(np.concatenate([[1.0 - value[0]], value])[index], dtype=float)


def engine_by_rpm(samples: pd.DataFrame) -> tuple[Floats, Floats]:
    """1 on, 0 off, NaN unknown, and the revolutions; a switch of 0 and 1 is read as one."""
    if "engine_rpm" not in samples:
        nothing = np.full(len(samples), np.nan)
        return nothing, nothing
    rpm = samples["engine_rpm"].to_numpy(dtype=float)
    known = np.isfinite(rpm)
    if not known.any():
        return rpm, rpm
    if float(rpm[known].max()) <= 1.5:
        return np.where(known, (rpm > 0.5).astype(float), np.nan), np.full(rpm.size, np.nan)
    return np.where(known, (rpm > RPM_ON).astype(float), np.nan), rpm


def doubtful(said: Floats, rpm: Floats, engine: Floats, sailing: Floats, block_s: Floats,
             gap_before: Bools) -> Bools:
    """Blocks where what is said of the engine contradicts all else for minutes on end.

    Parameters
    ----------
    said : ndarray, shape (n,)
        1 on, 0 off, NaN unknown.
    rpm : ndarray, shape (n,)
        Revolutions above idling are beyond doubt.
    engine, sailing : ndarray, shape (n,)
        Probabilities without what is said.
    block_s : ndarray, shape (n,)
    gap_before : ndarray of bool, shape (n,)
    """
    running = ~(rpm > IDLE_RPM)
    off_but_driven = (said == 0.0) & (engine > 1.0 - DOUBT)
    on_but_sailed = (said == 1.0) & (sailing > 1.0 - DOUBT) & running
    out = np.zeros(said.size, dtype=bool)
    for wrong in (off_but_driven, on_but_sailed):
        for part in true_stretches(wrong):
            if block_s[part].sum() >= DOUBT_S and not gap_before[part][1:].any():
                out[part] = True
    return out


def half_trusted(spoken: Floats, said: Floats, rpm: Floats) -> Floats:
    """What a source says that was found wrong for minutes elsewhere the same day.

    Each of its statements, however long it holds, counts three to one; revolutions above idling
    are beyond doubt.

    Parameters
    ----------
    spoken : ndarray, shape (n, k)
        Log-likelihood of what is said, none above 0.
    said : ndarray, shape (n,)
        1 on, 0 off, NaN unknown.
    rpm : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (n, k)
    """
    out = spoken.copy()
    for value in (0.0, 1.0):
        for part in true_stretches(np.round(said) == value):
            whole = -spoken[part].sum(axis=0).min()
            turning = (rpm[part] > IDLE_RPM)[:, None]
            share = min(1.0, HALF_TRUST / whole) if whole > 0 else 1.0
            out[part] = np.where(turning, spoken[part], spoken[part] * share)
    return out
