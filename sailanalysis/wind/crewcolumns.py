"""What the crew log says, as columns on the common clock."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.model import CrewLog
from sailanalysis.core.sails import sail_sets
from sailanalysis.core.series import epoch_s, hold

Texts = NDArray[np.object_]


def crew_column(crew: CrewLog, item: str, samples: pd.DataFrame) -> Texts:
    """Values of one item, each held until the next; ``""`` before the first."""
    entries = crew.of(item)
    return hold(epoch_s(samples.index), [e.time_s for e in entries], [e.value for e in entries])


def helm_column(crew: CrewLog, samples: pd.DataFrame) -> Texts:
    """Who steers: the crew log, with the autopilot where the log says that it was engaged.

    The crew log's name stands unless the autopilot channel is 1: then nobody's hand steered,
    whoever had the watch. Where the crew log says ``autopilot`` and the channel is silent, it is
    the autopilot.
    """
    helm = crew_column(crew, "helm", samples)
    if "autopilot" in samples:
        engaged = samples["autopilot"].to_numpy(dtype=float) >= 0.5
        helm = np.where(engaged, "autopilot", helm).astype(object)
    return helm


def sails_column(crew: CrewLog, samples: pd.DataFrame) -> Texts:
    """The sails set, always spelled alike, with the reefs that the crew log tells of."""
    # few lines change it: spelled once a line, not once a sample
    times = sorted({e.time_s for item in ("sails", "reef") for e in crew.of(item)})
    sets = [hold(times, [e.time_s for e in crew.of(item)], [e.value for e in crew.of(item)])
            for item in ("sails", "reef")]
    return hold(epoch_s(samples.index), times, list(sail_sets(*sets)))


def load_column(crew: CrewLog, samples: pd.DataFrame) -> NDArray[np.float64]:
    """Kilograms above light ship from the crew log's ``load``; NaN before the first."""
    entries = crew.of("load")
    out = np.full(len(samples), np.nan)
    if not entries:
        return out
    instants = np.array([e.time_s for e in entries])
    at = np.searchsorted(instants, epoch_s(samples.index), side="right")
    value = [float("nan")]
    for entry in entries:
        try:
            value.append(float(entry.value.split()[0].replace(",", ".")))
        except (ValueError, IndexError):
            value.append(value[-1])
    return np.asarray(np.asarray(value, dtype=float)[at], dtype=float)
