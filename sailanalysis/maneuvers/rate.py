"""What each maneuver cost: metres made good that she lost by it, with an interval.

Loss = what she would have made good had she not turned, less what she did, from just before the
turn until the speed made good is back. Upwind and downwind it is counted along the wind as it was
at each moment, so that a shift is neither credited nor blamed; where she reached, along the
course, and ``loss_along`` says so.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.model import Boat
from sailanalysis.core.points import is_downwind, is_upwind
from sailanalysis.core.stats import Z95, mad_sd
from sailanalysis.maneuvers.anatomy import ManeuverStudy, study_maneuvers
from sailanalysis.maneuvers.build import builds_of, check, set_end
from sailanalysis.maneuvers.case import LEAD_S, Case, find_cases, prepare
from sailanalysis.maneuvers.cost import (
    angle_sd_deg,
    calibration_m,
    cost,
    luck_m,
    too_vague,
    widening,
)
from sailanalysis.maneuvers.reference import Response, SpeedModel, learn_response
from sailanalysis.maneuvers.series import Series, sailing_series

Bools = NDArray[np.bool_]


def rate_maneuvers(
    samples: pd.DataFrame, maneuvers: pd.DataFrame, legs: pd.DataFrame,
    speed_model: SpeedModel | None, boat: Boat,
) -> tuple[pd.DataFrame, ManeuverStudy]:
    """Cost every maneuver, with its anatomy and what the dear ones have in common.

    Parameters
    ----------
    samples : DataFrame, n rows
    maneuvers : DataFrame
        From ``find_maneuvers``.
    legs : DataFrame
        From ``find_legs``.
    speed_model : callable or None
        ``(tws_kn, twa_deg) -> stw_kn``, NaN where unknown: the season's polar or the day's.
    boat : Boat
        ``loa_m`` (else ``lwl_m``) for losses in boat lengths.

    Returns
    -------
    maneuvers : DataFrame
        The same rows, ``loss_*``, ``recovery_s``, ``rated`` and ``why_not`` filled. ``recovery_s``
        runs from the crossing (the end of the turn where there is none) until the speed made good
        stays above 95 % of the reference. The interval holds the noise of the reference, of the
        wind's direction through the turn and of the day's wind axis.
    study : ManeuverStudy
    """
    table = maneuvers.copy()
    cases, response = cost_cases(samples, table, speed_model)
    length = boat.loa_m or boat.lwl_m
    fill_table(table, cases, length)
    return table, study_maneuvers(table, cases, response)


def cost_cases(samples: pd.DataFrame, table: pd.DataFrame,
               model: SpeedModel | None) -> tuple[list[Case], Response]:
    """All maneuvers with their references and losses, and what the day taught of the boat."""
    if not len(table):
        return [], Response()
    series = sailing_series(samples, table)
    cases = find_cases(series, table)
    response = learn_response(_steady_stretches(series, cases), model)
    for case in cases:
        prepare(case, model)
    for _ in range(2):  # what counts as settled sets the build, and the build what is settled
        builds = builds_of(cases)
        for case in cases:
            set_end(case, builds[case.row])
    for case in cases:
        check(case)
    response = replace(response, side_sd=_side_sd(cases, response))
    for case in cases:
        if not case.why_not:
            cost(case, response, model)
    widen, angle_sd = widening(cases, response, model), angle_sd_deg(cases)
    for case in cases:
        if case.reference is not None:
            case.sd_m = float(np.sqrt(
                (widen * case.sd_m) ** 2 + calibration_m(case, angle_sd) ** 2
                + luck_m(case, response) ** 2))
            if too_vague(case):
                case.why_not = "too uncertain: the wind changed by more than the turn cost"
    return cases, replace(response, widening=widen)


def fill_table(table: pd.DataFrame, cases: list[Case], length_m: float | None) -> None:
    """Write losses into the maneuvers' table."""
    column = {name: table[name].to_numpy(copy=True) for name in
              ("recovery_s", "loss_m", "loss_m_low", "loss_m_high", "loss_s",
               "loss_boat_lengths", "loss_along", "why_not")}
    column["why_not"][:] = "no wind, heading or boat speed through this maneuver"
    rated = np.zeros(len(table), dtype=bool)
    for case in cases:
        k = case.row
        step = case.series.grid.step_s
        column["why_not"][k] = case.why_not
        if case.kind not in ("bear_away", "head_up"):
            column["loss_along"][k] = case.along
        if case.back is not None:
            column["recovery_s"][k] = max(0, case.back - case.crossing) * step
        if case.reference is None:
            continue
        half = Z95 * case.sd_m
        pace = float(np.mean(case.reference.speed_ms))
        column["loss_m"][k] = case.loss_m
        column["loss_m_low"][k], column["loss_m_high"][k] = case.loss_m - half, case.loss_m + half
        column["loss_s"][k] = case.loss_m / pace if pace > 0.1 else np.nan
        column["loss_boat_lengths"][k] = case.loss_m / length_m if length_m else np.nan
        rated[k] = not case.why_not
    for name, value in column.items():
        table[name] = value
    table["rated"] = rated


def _steady_stretches(series: list[Series],
                      cases: list[Case]) -> list[tuple[Series, Bools, float]]:
    out = []
    for one in series:
        free = ~one.turning
        for case in cases:
            if case.whole is one:
                late = case.end + case.shift + one.grid.bins(45.0)
                free[max(0, case.start + case.shift - one.grid.bins(LEAD_S)):late] = False
        off = np.abs(one.twa_deg)
        for mask in (free & (off > 25.0) & is_upwind(off), free & is_downwind(off)):
            if mask.sum() > one.grid.bins(40.0):
                out.append((one, mask, float(np.median(off[mask]))))
    return out


def _side_sd(cases: list[Case], response: Response) -> float:
    """How much the two tacks differ in level, beyond the noise of their means."""
    good = [c for c in cases if c.two_sided and not c.why_not]
    if len(good) < 4:
        return response.side_sd
    d = np.array([2 * (np.mean(c.measure[c.after]) - np.mean(c.measure[c.before]))
                  / (np.mean(c.measure[c.after]) + np.mean(c.measure[c.before])) for c in good])
    t = np.concatenate([np.arange(0.0, 75.0, 5.0), np.arange(130.0, 205.0, 5.0)])
    weight = np.where(t < 100.0, -1.0, 1.0) / 15.0
    noise = weight @ response.covariance(t, t) @ weight + response.nugget * 2 / 15.0
    return float(np.sqrt(max(mad_sd(d - np.median(d)) ** 2 + np.median(d) ** 2 - noise, 0.01**2)))
