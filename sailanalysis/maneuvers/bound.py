"""What a maneuver cost at least, where it cannot be costed to use.

The lower of the two sides' speeds made good, less what the day's steady sailing varies by, is what
she would have made at least; what she lacked of it is lost. Only time that is surely the maneuver's
counts: from its start until she is back at that level or the next one begins.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from sailanalysis.core.angles import Floats, cosd
from sailanalysis.core.stats import Z90
from sailanalysis.maneuvers.case import AROUND_S, LEAD_S, LEAST_S, NEW_COURSE, Place, Sides
from sailanalysis.maneuvers.cost import Costed
from sailanalysis.maneuvers.noise import Responses
from sailanalysis.maneuvers.reasons import Reason
from sailanalysis.maneuvers.reference import Response
from sailanalysis.segment.grid import box_mean

LONGEST_S: Final = 180.0
"""Beyond three minutes something else goes on."""


def at_least(places: list[Place], laid: dict[int, Sides | Reason], costed: list[Costed],
             responses: Responses) -> dict[int, float]:
    """One-sided 95 % bounds in metres, by row of the table; only those above nought.

    Parameters
    ----------
    places : list of Place
    laid : dict of int to Sides or Reason
        By row.
    costed : list of Costed
        Their own standard error gives the bound.
    responses : dict of float to Response
        How much the day's steady sailing varies.
    """
    out = {one.place.row: one.loss_m - Z90 * one.sd_m for one in costed
           if one.reason is not Reason.GAIN}
    for place in places:
        sides = laid[place.row]
        if place.row in out or place.kind in NEW_COURSE or sides is Reason.SLOW_LOG:
            continue
        out[place.row] = _bound_m(place, sides if isinstance(sides, Sides) else None, responses)
    return {row: value for row, value in out.items() if value > 0.0}


def _bound_m(place: Place, sides: Sides | None, responses: Responses) -> float:
    measure = _upwind_or_down(place) if sides is None else sides.measure
    sign = 1.0 if sides is None else sides.sign
    level = _least_level(place, measure, responses.get(sign, Response()))
    if not level > 0.0:
        return float("nan")
    last = min(place.ceiling, place.end + place.bins(LONGEST_S), measure.size - 1)
    smooth = box_mean(measure, place.bins(7.0))
    back = np.flatnonzero(smooth[place.end:last + 1] >= level)
    until = place.end + int(back[0]) if back.size else last
    lost = np.nan_to_num(level - measure[place.start:until + 1])
    return float(lost.sum()) * place.step_s


def _upwind_or_down(place: Place) -> Floats:
    """Speed made good along the wind, positive on the point of sail of most of the time."""
    vmg = place.series.vmg_ms
    return np.asarray(np.sign(np.nanmedian(cosd(place.series.twa_deg))) * vmg, dtype=float)


def _least_level(place: Place, measure: Floats, response: Response) -> float:
    """Least level of the two sides, as far as they hold twenty seconds, less its unsteadiness."""
    index = np.arange(measure.size)
    begin = place.begin
    around, settled = place.bins(AROUND_S), place.end + place.bins(0.5 * AROUND_S)
    last = min(place.ceiling - place.bins(LEAD_S), place.end + 2 * around)
    sides = ((index >= max(place.floor, begin - around)) & (index < begin),
             (index > settled) & (index < last))
    known = [measure[mask & np.isfinite(measure)] for mask in sides]
    levels = [float(np.mean(side)) for side in known if side.size * place.step_s >= LEAST_S]
    if not levels:
        return float("nan")
    doubt = Z90 * float(np.hypot(np.sqrt(response.sill), response.side_sd))
    return min(levels) * max(0.0, 1.0 - doubt)
