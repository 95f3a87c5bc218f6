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
from sailanalysis.core.series import epoch_s, step_s
from sailanalysis.core.stats import mad_sd
from sailanalysis.maneuvers.anatomy import ManeuverStudy, study_maneuvers
from sailanalysis.maneuvers.bound import at_least
from sailanalysis.maneuvers.build import Bounded, bound_all, build_times
from sailanalysis.maneuvers.case import SLOW_S, Sides, place_maneuvers, sides_of
from sailanalysis.maneuvers.cost import Reckoning, cost, settle_intervals
from sailanalysis.maneuvers.noise import SETTLED_S, learn_near
from sailanalysis.maneuvers.reasons import Reason
from sailanalysis.maneuvers.reference import Response, SpeedModel
from sailanalysis.maneuvers.series import sailing_series
from sailanalysis.maneuvers.table import costed_table

Bools = NDArray[np.bool_]


def rate_maneuvers(
    samples: pd.DataFrame, maneuvers: pd.DataFrame, legs: pd.DataFrame,
    speed_model: SpeedModel | None, boat: Boat, is_reading: pd.DataFrame | None = None,
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
    is_reading : DataFrame of bool, n rows, optional
        Which samples are readings and not drawn between two (``Conditioned.is_reading``); all
        that are known by default.

    Returns
    -------
    maneuvers : DataFrame
        The same rows, ``loss_*``, ``recovery_s``, ``rated`` and ``why_not`` filled. ``recovery_s``
        runs from the crossing (the end of the turn where there is none) until the speed made good
        stays above 95 % of the reference. The interval holds the noise of the reference, of the
        wind's direction through the turn and of the day's wind axis.
    study : ManeuverStudy
    """
    reckoning = cost_all(samples, maneuvers, speed_model, is_reading)
    table = costed_table(maneuvers, reckoning, boat.loa_m or boat.lwl_m)
    return table, study_maneuvers(table, reckoning)


def cost_all(samples: pd.DataFrame, maneuvers: pd.DataFrame,
             model: SpeedModel | None, is_reading: pd.DataFrame | None = None) -> Reckoning:
    """All maneuvers placed, bounded and costed, and what the day taught of the boat."""
    if not len(maneuvers):
        return Reckoning()
    series = sailing_series(samples, maneuvers, is_reading)
    places = place_maneuvers(series, maneuvers)
    laid = {place.row: sides_of(place, model) for place in places}
    sides = [one for one in laid.values() if isinstance(one, Sides)]
    near = learn_near(series, places, sides, model)
    # Once the build is known, what still builds is no longer taken for steady.
    slowest = max((t.middle_s for t in build_times(sides, near.responses).values()), default=0.0)
    settled = float(np.clip(3.5 * slowest, SETTLED_S, 120.0))
    if settled > SETTLED_S:
        near = learn_near(series, places, sides, model, settled)
    bounded = bound_all(sides, near.responses)
    responses = {sign: replace(response, side_sd=_side_sd(
        [c for c in bounded if c.sides.sign == sign], response))
        for sign, response in near.responses.items()}
    costed = [cost(case, responses[case.sides.sign], model) for case in bounded if not case.reason]
    costed, responses = settle_intervals(costed, replace(near, responses=responses), model)
    known: dict[int, Bounded | Reason] = {}
    if step_s(epoch_s(samples.index)) > SLOW_S:  # also where hardly a row lies on any sailing
        known = dict.fromkeys(range(len(maneuvers)), Reason.SLOW_LOG)
    known |= {row: one for row, one in laid.items() if isinstance(one, Reason)}
    known |= {case.place.row: case for case in bounded}
    return Reckoning(tuple(places), known, tuple(costed), responses,
                     at_least(places, laid, costed, responses))


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
