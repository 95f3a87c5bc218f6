"""Targets: the angle and speed of best VMG, upwind and downwind, with their intervals.

The angle is a smooth curve over the wind speed (:mod:`target_curve`); speed and VMG are read off
the fitted surface at that angle. Beside it stands the range of angles that cost next to nothing.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind
from sailanalysis.core.stats import Z95
from sailanalysis.polar.model import (
    LATTICE_TWA_DEG,
    TABLE_TWS_STEP_KN,
    PolarModel,
    Surface,
)
from sailanalysis.polar.target_curve import smooth_curve

NEAR_BEST: Final = 0.99
"""Share of the best VMG that is as good as the best: a boat's length in a hundred."""
_REACH_DEG: Final = 4.0
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

    Parameters
    ----------
    model : PolarModel

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
    whole = np.isclose(model.tws_kn % 1.0, 0.0) & (model.tws_kn > 0.0)
    tops, seen = [], []
    for at in np.flatnonzero(np.isfinite(own) & ~edge & whole):
        draws = surface.replicates_kn[:, at, half] * made[at]
        top, outside = _tops(angles, draws, _bend(angles, vmg[at], own[at]))
        if outside <= 0.5:
            tops.append(top)
            seen.append(at)
    if not seen:
        return []
    cloud = np.stack(tops, axis=1)
    # their mean leaps less than the top of the middle surface, where two angles do alike
    centre = cloud.mean(axis=0)
    spread = cloud - centre
    best, sd = smooth_curve(model.tws_kn[seen], centre, spread.T @ spread / len(cloud))
    rows: list[tuple[object, ...]] = []
    for k, at in enumerate(seen):
        tws = float(model.tws_kn[at])
        if not np.isclose(tws % TABLE_TWS_STEP_KN, 0.0):
            continue
        # the curve chooses among angles that are as good as the best; it overrules no other
        near = _near_best(angles, vmg[at], own[at])
        angle = float(np.clip(best[k], *near))
        low, high = angle - Z95 * float(sd[k]), angle + Z95 * float(sd[k])
        if angle != best[k]:
            low, high = np.percentile(np.append(cloud[:, k], angle), [2.5, 97.5])
        known = np.isfinite(vmg[at])
        good = float(np.interp(angle, angles[known], vmg[at, known]))
        # the spread at one angle: the draws' own tops are biased outwards (a maximum of noise)
        here = [np.interp(angle, angles[known], d[known] * made[at, known])
                for d in surface.replicates_kn[:, at, half]]
        wide = Z95 * float(np.std(here))
        stw = float(np.interp(angle, angles[known], surface.median_kn[at, half][known]))
        leeway = float(np.interp(angle, LATTICE_TWA_DEG, model.leeway_deg[at]))
        # apparent wind off the bow: the boat moves along her course, leeway to leeward
        ahead = tws * cosd(angle) + stw * cosd(leeway)
        abeam = tws * sind(angle) - stw * sind(leeway)
        rows.append((tws, direction, angle, min(float(low), angle),
                     min(max(float(high), angle), 180.0), stw,
                     sign * good, sign * good - wide, sign * good + wide,
                     float(arctan2d(abeam, ahead)), float(np.hypot(ahead, abeam)), *near))
    return rows


def _bend(angles: Floats, vmg: Floats, top: float) -> float:
    """Curvature of the VMG about its top, kn per square degree, from four degrees either side."""
    known = np.isfinite(vmg)
    left, middle, right = np.interp([top - _REACH_DEG, top, min(top + _REACH_DEG, 180.0)],
                                    angles[known], vmg[known])
    return max(2.0 * middle - left - right, 1e-6) / _REACH_DEG**2


def _tops(angles: Floats, draws: Floats, bend: float) -> tuple[Floats, float]:
    """Best angle of each replicate, and the share of them whose best was not sailed.

    Where a replicate is still rising at the edge of what was sailed, its top lies beyond: as far
    as a parabola of the fitted curvature takes it.
    """
    top, _, edge = best_vmg(angles, draws, 1.0)
    known = np.flatnonzero(np.isfinite(draws[0]))
    for end, inward in ((known[0], known[min(3, known.size - 1)]),
                        (known[-1], known[max(-4, -known.size)])):
        rising = (draws[:, end] - draws[:, inward]) / (angles[end] - angles[inward])
        beyond = edge & (top == angles[end])
        top = np.where(beyond, top + rising / bend, top)
    return np.clip(top, angles[0], angles[-1]), float(np.mean(edge))


def _near_best(angles: Floats, vmg: Floats, angle: float) -> tuple[float, float]:
    """Ends of the unbroken range about an angle where the VMG is as good as the best."""
    good = vmg >= NEAR_BEST * np.nanmax(vmg)
    at = int(np.argmin(np.abs(angles - angle)))
    if not good[at]:
        return angle, angle
    first = at - int(np.argmin(np.append(good[at::-1], False))) + 1
    last = at + int(np.argmin(np.append(good[at:], False))) - 1
    return float(min(angles[first], angle)), float(max(angles[last], angle))
