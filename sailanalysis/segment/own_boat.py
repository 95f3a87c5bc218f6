"""What may be supposed of a boat before the day, and what the day shows of how she heels."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import Final

import numpy as np

from sailanalysis.core.angles import Floats
from sailanalysis.segment.blocks import Blocks
from sailanalysis.segment.chain import SAILING
from sailanalysis.segment.evidence import OwnBoat, side_pressure

SURE: Final = 0.9
LEAST_S: Final = 600.0
"""Less sure time than this does not tell a boat's ways from a moment's."""
SAIL_LOGS: Final = (-1.0, -0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75)
SAIL_LOG_SD: Final = 0.42
"""Spread of yachts' speed about the general one's in the same wind, from heavy cruisers to light
catamarans (published velocity predictions, rounded; common practice)."""
ENGINE_SHARES: Final = {
    0.28: 0.06, 0.45: 0.10, 0.60: 0.19, 0.75: 0.33, 0.90: 0.23, 1.05: 0.09}
"""Cruising speed under engine as a share of hull speed, and how common it is; a day of trolling or
on a river is slow throughout (common practice)."""


def suppositions(boat: OwnBoat) -> tuple[list[OwnBoat], Floats]:
    """Boats she may be, by her speed under sail and under engine, and how probable each is.

    Parameters
    ----------
    boat : OwnBoat
        With hull speed and hull.

    Returns
    -------
    boats : list of OwnBoat, length k
    weight : ndarray, shape (k,)
    """
    boats, weight = [], []
    for log, (share, common) in product(SAIL_LOGS, ENGINE_SHARES.items()):
        boats.append(replace(boat, sail_log=log, engine_kn=share * boat.hull_kn))
        weight.append(common * np.exp(-0.5 * (log / SAIL_LOG_SD) ** 2))
    return boats, np.asarray(weight, dtype=float) / np.sum(weight)


def learn_heel(b: Blocks, probability: Floats, boat: OwnBoat) -> OwnBoat:
    """Narrow the general boat's heel by the parts of the day that are surely sailed.

    Parameters
    ----------
    b : Blocks, n rows
    probability : ndarray, shape (n, 6)
        Of the states, from the general boat.
    boat : OwnBoat
        What was known before.
    """
    sailed = np.where(probability[:, SAILING] > SURE, b.block_s, 0.0)
    pressure = side_pressure(b)
    use = (sailed > 0) & np.isfinite(b.lee_deg) & (np.nan_to_num(pressure) > 40.0)
    if sailed[use].sum() < LEAST_S:
        return boat
    per = _median(b.lee_deg[use] / pressure[use], sailed[use])
    return replace(boat, heel_per_pressure=float(np.clip(per, 0.005, 0.12)))


def _median(value: Floats, weight: Floats) -> float:
    """Weighted median."""
    order = np.argsort(value)
    total = np.cumsum(weight[order])
    return float(value[order][np.searchsorted(total, 0.5 * total[-1])])
