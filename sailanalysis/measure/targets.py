"""Targets: the angle and speed of best VMG, upwind and downwind, with their intervals."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.angles import Floats, arctan2d, cosd, sind
from sailanalysis.measure.polar_model import (
    LATTICE_TWA_DEG,
    LATTICE_TWS_STEP_KN,
    TABLE_TWS_STEP_KN,
    PolarModel,
    Surface,
)

TARGET_COLUMNS: Final = ("sails", "tws_kn", "direction", "twa_deg", "twa_low_deg", "twa_high_deg",
                         "stw_kn", "vmg_kn", "vmg_low_kn", "vmg_high_kn", "awa_deg", "aws_kn")


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
        ``awa_deg`` and ``aws_kn`` are the apparent wind at the target.
    """
    rows: list[tuple[object, ...]] = []
    for name, surface in model.surfaces.items():
        for tws in model.tws_kn[np.isclose(model.tws_kn % TABLE_TWS_STEP_KN, 0.0)]:
            for direction in ("upwind", "downwind"):
                row = _target(model, surface, float(tws), direction)
                if row is not None:
                    rows.append((name, float(tws), direction, *row))
    return pd.DataFrame(rows, columns=list(TARGET_COLUMNS))


def _target(model: PolarModel, surface: Surface, tws: float,
            direction: str) -> tuple[float, ...] | None:
    if tws <= 0:
        return None
    at = round((tws - model.tws_kn[0]) / LATTICE_TWS_STEP_KN)
    sign = 1.0 if direction == "upwind" else -1.0
    course = LATTICE_TWA_DEG + np.clip(model.leeway_deg[at], 0.0, 30.0)
    toward = cosd(course)
    half = LATTICE_TWA_DEG <= 90.0 if sign > 0 else LATTICE_TWA_DEG >= 90.0
    speed = np.where(half, surface.median_kn[at], np.nan)
    if not np.isfinite(speed).any():
        return None
    angle, vmg, edge = best_vmg(LATTICE_TWA_DEG, (speed * toward)[None, :], sign)
    if edge[0] or not np.isfinite(angle[0]):
        return None
    draws = np.where(half, surface.replicates_kn[:, at, :].astype(float), np.nan)
    angles, vmgs, _ = best_vmg(LATTICE_TWA_DEG, draws * toward, sign)
    low_a, high_a = np.nanpercentile(angles, [2.5, 97.5])
    # the draws' tops are biased outwards (a maximum of noise): only their spread is used
    sd = float(np.nanstd(vmgs))
    stw = float(np.interp(angle[0], LATTICE_TWA_DEG, surface.median_kn[at]))
    leeway = float(np.interp(angle[0], LATTICE_TWA_DEG, model.leeway_deg[at]))
    # apparent wind off the bow: the boat moves along her course, leeway to leeward
    ahead = tws * cosd(angle[0]) + stw * cosd(leeway)
    abeam = tws * sind(angle[0]) - stw * sind(leeway)
    at_best = float(angle[0])
    return (at_best, min(float(low_a), at_best), max(float(high_a), at_best), stw,
            float(vmg[0]), float(vmg[0]) - 1.96 * sd, float(vmg[0]) + 1.96 * sd,
            float(arctan2d(abeam, ahead)), float(np.hypot(ahead, abeam)))
