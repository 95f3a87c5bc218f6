"""What the day says of the boat's unsteadiness, upwind and downwind, near her own turns.

Only sailing near the angle and the speed of the day's turns counts: hove-to, reefing or a reach
beside the beat would speak of something else. Where little is left, the estimates are drawn to
what is usual, by their number of blocks; there is no switch.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.series import true_stretches
from sailanalysis.maneuvers.case import LEAD_S, Place, Sides
from sailanalysis.maneuvers.reference import BLOCK_S, Response, SpeedModel, learn_response
from sailanalysis.maneuvers.series import Series
from sailanalysis.segment.grid import box_mean

Bools = NDArray[np.bool_]
Responses = dict[float, Response]
"""By the sign of what counts: 1 upwind, -1 downwind."""
Stretch = tuple[Series, Bools, float]

NEAR_DEG: Final = 12.0
"""A helm's wandering and a vane's error together; a reach beside a beat lies further off."""
SPAN_S: Final = 40.0
"""The angle's luck is counted over spans of this length, about that of a turn with its build."""
SETTLED_S: Final = 45.0
"""Sailing sooner than this after a turn is taken as still building, before the build is known."""


@dataclass(frozen=True)
class Near:
    """Steady sailing like that about the day's turns, and what it says; by sign as above."""

    stretches: dict[float, list[Stretch]]
    responses: Responses


def learn_near(series: list[Series], places: list[Place], sides: list[Sides],
               model: SpeedModel | None, settled_s: float = SETTLED_S) -> Near:
    """Response and noise upwind and downwind, from sailing like that about the turns.

    Parameters
    ----------
    series : list of Series
    places : list of Place
        All maneuvers: none of them is steady sailing.
    sides : list of Sides
        Those that have sides: their angles are the ones that count.
    model : callable or None
    settled_s : float
        Seconds after a turn until which speed still builds.
    """
    free = {id(one): _free(one, places, settled_s) for one in series}
    stretches = {sign: _stretches(series, free, sides, sign) for sign in (1.0, -1.0)}
    both = learn_response(stretches[1.0] + stretches[-1.0], model)
    out = {}
    for sign, parts in stretches.items():
        response = learn_response(parts, model, both) if parts else both
        out[sign] = replace(response, luck_deg2_s=_luck_deg2_s(parts, response))
    return Near(stretches, out)


def _free(one: Series, places: list[Place], settled_s: float) -> Bools:
    """Away from maneuvers and slow stretches, and from the building after them."""
    free = ~one.turning
    spans = [(place.start + place.shift, place.end + place.shift) for place in places
             if place.whole is one]
    spans += [(part.start, part.stop) for part in one.slow]
    spans.append((0, 0))  # the sailing begins: a stop or the engine was before it
    for start, end in spans:
        free[max(0, start - one.grid.bins(LEAD_S)):end + one.grid.bins(settled_s)] = False
    return free


def usual_angles(sides: list[Sides], sign: float) -> Floats:
    """Angles off the bow on both sides of the day's turns upwind (sign 1) or downwind (-1)."""
    return np.array([abs(angle) for one in sides if one.sign == sign and one.place.two_sided
                     for angle in (one.twa_before_deg, one.twa_after_deg)])


def is_near(one: Series, angles: Floats) -> Bools:
    """Whether she lies within some degrees of the middle of these angles."""
    if not angles.size:
        return np.zeros(len(one.grid), dtype=bool)
    off = box_mean(np.abs(one.twa_deg), one.grid.bins(15.0))
    low, high = np.quantile(angles, [0.2, 0.8])
    with np.errstate(invalid="ignore"):
        return np.asarray((off > low - NEAR_DEG) & (off < high + NEAR_DEG))


def _stretches(series: list[Series], free: dict[int, Bools], sides: list[Sides],
               sign: float) -> list[Stretch]:
    angles = usual_angles(sides, sign)
    if not angles.size:  # luffs alone
        angles = np.array([abs(one.twa_before_deg) for one in sides if one.sign == sign])
    out = []
    for one in series:
        mask = free[id(one)] & is_near(one, angles)
        if mask.sum() > one.grid.bins(40.0):
            out.append((one, mask, float(np.median(np.abs(one.twa_deg)[mask]))))
    return out


def _luck_deg2_s(stretches: list[Stretch], response: Response) -> float:
    """Growth per second of the variance of the angle's integral that comes of the wind's turning.

    A helm follows a shift late, which gains on the one tack what it loses on the other. The angle
    to the wind is measured: the part of its unsteadiness that goes with the wind's own changes is
    that luck; the rest is the helm's wandering, the same on either tack.
    """
    angle, wind = [], []
    for one, mask, _ in stretches:
        size = one.grid.bins(BLOCK_S)
        side = np.sign(one.twa_deg)
        for part in true_stretches(mask & np.isfinite(one.twa_deg) & np.isfinite(one.wind_deg)):
            count = (part.stop - part.start) // size
            if count < 8:
                continue
            cut = slice(part.start, part.start + count * size)
            a = (np.abs(one.twa_deg)[cut]).reshape(count, size).mean(axis=1)
            w = (side * one.wind_deg)[cut].reshape(count, size).mean(axis=1)
            angle.append(a - box_mean(a, 24))
            wind.append(w - box_mean(w, 24))
    if not angle:
        return response.luck_deg2_s
    x, y = np.concatenate(wind), np.concatenate(angle)
    follow = float(np.dot(x, y) / max(np.dot(x, x), 1e-9))
    width = round(SPAN_S / BLOCK_S)
    sums = np.concatenate([np.convolve(follow * w, np.ones(width), mode="valid") * BLOCK_S
                           for w in wind if w.size >= width] or [np.empty(0)])
    if not sums.size:
        return response.luck_deg2_s
    weight = x.size / (x.size + 24.0)
    return float(weight * np.mean(sums**2) / SPAN_S + (1.0 - weight) * response.luck_deg2_s)
