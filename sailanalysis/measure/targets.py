"""Targets: the angle and speed of best VMG, upwind and downwind, with their intervals.

The angle is a smooth curve over the wind speed (:mod:`target_curve`); speed and VMG are read off
the fitted surface at that angle. Beside it stands the range of angles that cost next to nothing.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.angles import Floats, arctan2d, cosd, sind
from sailanalysis.measure.polar_model import (
    LATTICE_TWA_DEG,
    TABLE_TWS_STEP_KN,
    PolarModel,
    Surface,
)
from sailanalysis.measure.target_curve import smooth_curve

NEAR_BEST: Final = 0.99
"""Share of the best VMG that is as good as the best: a boat's length in a hundred."""
TARGET_COLUMNS: Final = ("sails", "tws_kn", "direction", "twa_deg", "twa_low_deg", "twa_high_deg",
                         "stw_kn", "vmg_kn", "vmg_low_kn", "vmg_high_kn", "awa_deg", "aws_kn",
                         "near_best_from_deg", "near_best_to_deg")


def best_vmg(twa_deg: Floats, vmg_kn: Floats, sign: float) -> tuple[Floats, Floats, np.ndarray]:
    """Angle and value of the best VMG of each row.

    Parameters
    ----------
    twa_deg : ndarray, shape (m,)
        Evenly spaced.
    vmg_kn : ndarray, shape (n, m)
        Positive to windward; NaN where unknown.
    sign : {1.0, -1.0}
        Upwind or downwind.

    Returns
    -------
    twa_deg, vmg_kn : ndarray, shape (n,)
        The top of the parabola through the best point and its neighbours.
    at_edge : ndarray of bool, shape (n,)
        True where the best point has no known neighbour on one side: no optimum was seen there
        (dead downwind is no edge: the polar is even about it).
    """
    good = np.where(np.isfinite(vmg_kn), sign * vmg_kn, -np.inf)
    rows = np.arange(good.shape[0])
    top = np.argmax(good, axis=1)
    value = good[rows, top]
    last = twa_deg.size - 1
    left = good[rows, np.maximum(top - 1, 0)]
    even = (top == last) & (twa_deg[-1] == 180.0)
    right = np.where(even, left, good[rows, np.minimum(top + 1, last)])
    at_edge = ~(np.isfinite(left) & np.isfinite(right)) | (top == 0) | ((top == last) & ~even)
    left, right = np.where(at_edge, 0.0, left), np.where(at_edge, 0.0, right)
    bend = np.where(at_edge, -1.0, left - 2 * np.where(at_edge, 0.0, value) + right)
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend == 0, -1.0, bend), 0.0)
    step = twa_deg[1] - twa_deg[0]
    peak = value - 0.25 * (left - right) * shift
    none = ~np.isfinite(value)
    angle = np.where(none, np.nan, twa_deg[top] + shift * step)
    return angle, np.where(none, np.nan, sign * peak), at_edge


def targets_table(model: PolarModel) -> pd.DataFrame:
    """Best VMG angle and speed for every wind of the table, upwind and downwind.

    Returns
    -------
    DataFrame
        ``TARGET_COLUMNS``. No row where the best point lies at the edge of what was sailed: the
        optimum itself was then never seen. ``vmg_kn`` counts leeway where it is known.
        ``awa_deg`` and ``aws_kn`` are the apparent wind at the target. From
        ``near_best_from_deg`` to ``near_best_to_deg`` the fitted VMG stays within 1 % of its best,
        as far as was sailed.
    """
    rows: list[tuple[object, ...]] = []
    for name, surface in model.surfaces.items():
        found = [row for direction in ("upwind", "downwind")
                 for row in _targets(model, surface, direction)]
        rows += [(name, *row) for row in sorted(found, key=lambda r: (r[0], r[1] == "downwind"))]
    return pd.DataFrame(rows, columns=list(TARGET_COLUMNS))


def _targets(model: PolarModel, surface: Surface, direction: str) -> list[tuple[object, ...]]:
    sign = 1.0 if direction == "upwind" else -1.0
    half = LATTICE_TWA_DEG <= 90.0 if sign > 0 else LATTICE_TWA_DEG >= 90.0
    angles = LATTICE_TWA_DEG[half]
    made = sign * cosd(angles + np.clip(model.leeway_deg[:, half], 0.0, 30.0))
    vmg = surface.median_kn[:, half] * made
    own, _, edge = best_vmg(angles, vmg, 1.0)
    seen = np.flatnonzero(np.isfinite(own) & ~edge & (model.tws_kn > 0.0))
    if not seen.size:
        return []
    draws = surface.replicates_kn[:, seen][:, :, half] * made[seen]
    tops = np.stack([best_vmg(angles, draws[:, k], 1.0)[0] for k in range(seen.size)], axis=1)
    covariance = np.atleast_2d(np.cov(tops, rowvar=False)) if len(tops) > 1 else np.zeros(
        (seen.size, seen.size))
    best, sd = smooth_curve(model.tws_kn[seen], own[seen], covariance)
    rows: list[tuple[object, ...]] = []
    for k, at in enumerate(seen):
        tws = float(model.tws_kn[at])
        if not np.isclose(tws % TABLE_TWS_STEP_KN, 0.0):
            continue
        known = np.isfinite(vmg[at])
        angle = float(np.clip(best[k], angles[known][0], angles[known][-1]))
        good = float(np.interp(angle, angles[known], vmg[at, known]))
        # the spread at one angle: the draws' own tops are biased outwards (a maximum of noise)
        here = np.array([np.interp(angle, angles[known], d[known]) for d in draws[:, k]])
        wide = 1.96 * float(np.std(here))
        stw = float(np.interp(angle, angles[known], surface.median_kn[at, half][known]))
        leeway = float(np.interp(angle, LATTICE_TWA_DEG, model.leeway_deg[at]))
        # apparent wind off the bow: the boat moves along her course, leeway to leeward
        ahead = tws * cosd(angle) + stw * cosd(leeway)
        abeam = tws * sind(angle) - stw * sind(leeway)
        rows.append((tws, direction, angle, angle - 1.96 * float(sd[k]),
                     min(angle + 1.96 * float(sd[k]), 180.0), stw,
                     sign * good, sign * good - wide, sign * good + wide,
                     float(arctan2d(abeam, ahead)), float(np.hypot(ahead, abeam)),
                     *_near_best(angles, vmg[at], angle)))
    return rows


def _near_best(angles: Floats, vmg: Floats, angle: float) -> tuple[float, float]:
    """Ends of the unbroken range about an angle where the VMG is as good as the best."""
    good = vmg >= NEAR_BEST * np.nanmax(vmg)
    at = int(np.argmin(np.abs(angles - angle)))
    if not good[at]:
        return angle, angle
    first = at - int(np.argmin(np.append(good[at::-1], False))) + 1
    last = at + int(np.argmin(np.append(good[at:], False))) - 1
    return float(min(angles[first], angle)), float(max(angles[last], angle))
