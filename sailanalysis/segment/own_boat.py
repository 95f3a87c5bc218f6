"""What the day itself shows of the boat: her speed under sail, under engine, and how she heels."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from sailanalysis.core.angles import Floats
from sailanalysis.segment.blocks import Blocks
from sailanalysis.segment.chain import ENGINE, SAILING
from sailanalysis.segment.evidence import OwnBoat, sail_speed_kn, side_pressure

SURE: Final = 0.9
LEAST_S: Final = 600.0
"""Less sure time than this does not tell a boat's ways from a moment's."""
PRIOR_S: Final = 900.0
"""The general boat counts as much as a quarter of an hour of this one."""
_SECTORS: Final = ((30.0, 62.0), (62.0, 130.0), (130.0, 180.0))


def learn_boat(b: Blocks, probability: Floats, boat: OwnBoat) -> OwnBoat:
    """Narrow the general boat by the parts of the day that are sure.

    Parameters
    ----------
    b : Blocks, n rows
    probability : ndarray, shape (n, 4)
        Of the states, from the general boat.
    boat : OwnBoat
        What was known before.
    """
    sailed = np.where(probability[:, SAILING] > SURE, b.block_s, 0.0)
    engine = np.where(probability[:, ENGINE] > SURE, b.block_s, 0.0)
    out = _engine(b, engine, boat)
    if np.isfinite(b.tws_kn).any():
        out = _sails(b, sailed, out)
    return _heel(b, sailed, out)


def _median(value: Floats, weight: Floats) -> float:
    """Weighted median."""
    order = np.argsort(value)
    total = np.cumsum(weight[order])
    return float(value[order][np.searchsorted(total, 0.5 * total[-1])])


def _engine(b: Blocks, weight: Floats, boat: OwnBoat) -> OwnBoat:
    speed = b.speed_kn
    use = (weight > 0) & np.isfinite(speed) & (np.nan_to_num(speed) > 0.45 * boat.hull_kn)
    if weight[use].sum() < LEAST_S:
        return boat
    usual = _median(speed[use], weight[use])
    spread = 1.5 * _median(np.abs(np.log((speed[use] + 0.3) / (usual + 0.3))), weight[use])
    return replace(boat, engine_kn=usual, engine_sd=float(np.clip(spread, 0.06, 0.3)))


def _sails(b: Blocks, weight: Floats, boat: OwnBoat) -> OwnBoat:
    use = (weight > 0) & np.isfinite(b.tws_kn) & np.isfinite(b.off_deg) & np.isfinite(b.speed_kn)
    if weight[use].sum() < LEAST_S:
        return boat
    usual = sail_speed_kn(boat, np.nan_to_num(b.tws_kn), np.nan_to_num(b.off_deg))
    z = np.log((np.nan_to_num(b.speed_kn) + 0.3) / (usual + 0.3))
    whole = _median(z[use], weight[use])
    logs = []
    for low, high in _SECTORS:
        inside = use & (b.off_deg >= low) & (b.off_deg < high)
        seconds = float(weight[inside].sum())
        here = _median(z[inside], weight[inside]) if seconds > 120.0 else whole
        logs.append((seconds * here + PRIOR_S * whole) / (seconds + PRIOR_S))
    own = np.interp(b.off_deg, [50.0, 75.0, 115.0, 145.0], [logs[0], logs[1], logs[1], logs[2]])
    rest = z - own
    spread = 1.5 * _median(np.abs(rest[use]), weight[use])
    return replace(boat, sail_log=(logs[0], logs[1], logs[2]),
                   sail_sd=float(np.clip(spread * 1.3, 0.16, 0.42)), known=True)


def _heel(b: Blocks, weight: Floats, boat: OwnBoat) -> OwnBoat:
    pressure = side_pressure(b)
    use = (weight > 0) & np.isfinite(b.lee_deg) & (np.nan_to_num(pressure) > 40.0)
    if weight[use].sum() < LEAST_S:
        return boat
    per = _median(b.lee_deg[use] / pressure[use], weight[use])
    return replace(boat, heel_per_pressure=float(np.clip(per, 0.005, 0.12)))
