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
from sailanalysis.core.stats import mad_sd
from sailanalysis.maneuvers.anatomy import ManeuverStudy, study_maneuvers
from sailanalysis.maneuvers.build import Bounded, bound_all
from sailanalysis.maneuvers.case import LEAD_S, Place, Sides, place_maneuvers, sides_of
from sailanalysis.maneuvers.cost import Reckoning, cost, settle_intervals
from sailanalysis.maneuvers.reasons import Reason
from sailanalysis.maneuvers.reference import Response, SpeedModel, learn_response
from sailanalysis.maneuvers.series import Series, sailing_series
from sailanalysis.maneuvers.table import costed_table

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
    reckoning = cost_all(samples, maneuvers, speed_model)
    table = costed_table(maneuvers, reckoning, boat.loa_m or boat.lwl_m)
    return table, study_maneuvers(table, reckoning)


def cost_all(samples: pd.DataFrame, maneuvers: pd.DataFrame,
             model: SpeedModel | None) -> Reckoning:
    """All maneuvers placed, bounded and costed, and what the day taught of the boat."""
    if not len(maneuvers):
        return Reckoning()
    series = sailing_series(samples, maneuvers)
    places = place_maneuvers(series, maneuvers)
    response = learn_response(_steady_stretches(series, places), model)
    laid = {place.row: sides_of(place, model) for place in places}
    bounded = bound_all([one for one in laid.values() if isinstance(one, Sides)])
    response = replace(response, side_sd=_side_sd(bounded, response))
    costed = [cost(case, response, model) for case in bounded if not case.reason]
    costed, widen = settle_intervals(costed, bounded, response, model)
    known: dict[int, Bounded | Reason] = {
        row: one for row, one in laid.items() if isinstance(one, Reason)}
    known |= {case.place.row: case for case in bounded}
    return Reckoning(tuple(places), known, tuple(costed), replace(response, widening=widen))


def _steady_stretches(series: list[Series],
                      places: list[Place]) -> list[tuple[Series, Bools, float]]:
    out = []
    for one in series:
        free = ~one.turning
        for place in places:
            if place.whole is one:
                late = place.end + place.shift + one.grid.bins(45.0)
                free[max(0, place.start + place.shift - one.grid.bins(LEAD_S)):late] = False
        off = np.abs(one.twa_deg)
        for mask in (free & (off > 25.0) & is_upwind(off), free & is_downwind(off)):
            if mask.sum() > one.grid.bins(40.0):
                out.append((one, mask, float(np.median(off[mask]))))
    return out


def _side_sd(cases: list[Bounded], response: Response) -> float:
    """How much the two tacks differ in level, beyond the noise of their means."""
    good = [c.sides for c in cases if c.place.two_sided and not c.reason]
    if len(good) < 4:
        return response.side_sd
    d = np.array([2 * (np.mean(c.measure[c.after]) - np.mean(c.measure[c.before]))
                  / (np.mean(c.measure[c.after]) + np.mean(c.measure[c.before])) for c in good])
    t = np.concatenate([np.arange(0.0, 75.0, 5.0), np.arange(130.0, 205.0, 5.0)])
    weight = np.where(t < 100.0, -1.0, 1.0) / 15.0
    noise = weight @ response.covariance(t, t) @ weight + response.nugget * 2 / 15.0
    return float(np.sqrt(max(mad_sd(d - np.median(d)) ** 2 + np.median(d) ** 2 - noise, 0.01**2)))
