"""Leeway as a property of the boat: an angle close-hauled, and the shape it follows.

Side force goes with the square of the apparent wind, or with heel, which is the same force at
work; the keel's grip goes with the square of the speed. Both shapes are divided by their usual
value close-hauled, so that the one number left is an angle that a sailor can picture, the same
for a boat that heels 25 deg and for one that heels 3.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind
from sailanalysis.core.model import LeewayLaw
from sailanalysis.core.series import running_mean

LEEWAY_WINDOW_S: Final = 10.0
"""Leeway follows the mean heel, not each wave's roll."""
CLOSE_HAULED_DEG: Final = 50.0
"""Apparent wind angle beyond which no boat is close-hauled."""
CLOSEST_DEG: Final = 12.0
"""Beyond her closest angle (a tenth of the time) by no more than this, she is close-hauled: a fast
boat reaches with the apparent wind where another beats."""
STIFF_HEEL_DEG: Final = 6.0
"""A boat that heels less close-hauled (two hulls) shows her side force in the wind, not in heel:
half a degree of the sensor's zero would be a sixth of it."""
MIN_SPEED_KN: Final = 1.5
"""Slower, a paddle wheel stalls and the keel's leeway has no law."""
LIMIT_DEG: Final = 20.0
PRIOR_DEG: Final = 3.0
PRIOR_SD_DEG: Final = 1.5
"""Leeway close-hauled of a yacht nobody has measured (common practice: 2-5 deg)."""


def sail_lift(awa_deg: Floats) -> Floats:
    """Lift of the sails by apparent angle: at most 1, odd, none aft.

    High from close-hauled to a close reach, falling to nil on a run. The shape is common practice.
    """
    return np.asarray(np.tanh(awa_deg / 15.0) * cosd(awa_deg / 2.0) ** 2, dtype=float)


def wind_press(aws_kn: Floats, stw_kn: Floats) -> Floats:
    """Square of apparent wind over speed: what side force asks of the keel."""
    return np.asarray((aws_kn / np.maximum(stw_kn, MIN_SPEED_KN)) ** 2, dtype=float)


def keel_load(heel_deg: Floats, stw_kn: Floats) -> Floats:
    """Heel over the square of the speed, deg / kn^2."""
    return np.asarray(heel_deg / np.maximum(stw_kn, 1.0) ** 2, dtype=float)


def usual(value: Floats, awa_deg: Floats, sails: NDArray[np.bool_] | bool = True) -> float:
    """Median size close-hauled; of all where she never was; 1 where nothing is known."""
    known = np.isfinite(value) & sails
    off = np.abs(awa_deg)
    sailed = off[known & (off < CLOSE_HAULED_DEG)]
    closest = float(np.quantile(sailed, 0.1)) if sailed.size else CLOSE_HAULED_DEG
    ahead = known & (off < min(CLOSE_HAULED_DEG, closest + CLOSEST_DEG))
    chosen = ahead if ahead.any() else known
    return max(float(np.median(np.abs(value[chosen]))), 1e-4) if chosen.any() else 1.0


def wind_shape(aws_kn: Floats, awa_deg: Floats, stw_kn: Floats, reference: float,
               power: float = 1.0) -> Floats:
    """Side force over grip, 1 close-hauled, positive with the wind over starboard."""
    press = np.clip(wind_press(aws_kn, stw_kn) / reference, 1e-3, 4.0)
    return np.asarray(np.exp(power * np.log(press)) * sail_lift(awa_deg), dtype=float)


def heel_shape(heel_deg: Floats, stw_kn: Floats, reference: float, power: float = 1.0) -> Floats:
    """Heel over grip, 1 close-hauled, positive heeled to starboard."""
    load = keel_load(heel_deg, stw_kn) / reference
    size = np.exp(power * np.log(np.clip(np.abs(load), 1e-3, 10.0)))
    return np.asarray(np.sign(load) * size, dtype=float)


def leeway_by_law(law: LeewayLaw, time_s: Floats, aws_kn: Floats, awa_deg: Floats,
                  stw_kn: Floats, heel_deg: Floats,
                  boards: NDArray[np.object_] | None = None) -> Floats:
    """Leeway of every sample by a law, set to starboard positive; NaN where it cannot be told.

    Parameters
    ----------
    law : LeewayLaw
    time_s, aws_kn, awa_deg, stw_kn, heel_deg : ndarray, shape (n,)
        Corrected; means over ten seconds are taken here.
    boards : ndarray of str, shape (n,), optional
    """
    speed = running_mean(time_s, stw_kn, LEEWAY_WINDOW_S)
    if law.by == "heel":
        heel = running_mean(time_s, heel_deg, LEEWAY_WINDOW_S) - law.heel_zero_deg
        scale = law.reference if np.isfinite(law.reference) else usual(
            keel_load(heel, speed), awa_deg)
        shape = heel_shape(heel, speed, scale, law.power)
    else:
        east = running_mean(time_s, aws_kn * sind(awa_deg), LEEWAY_WINDOW_S)
        north = running_mean(time_s, aws_kn * cosd(awa_deg), LEEWAY_WINDOW_S)
        aws, awa = np.hypot(east, north), arctan2d(east, north)
        scale = law.reference if np.isfinite(law.reference) else usual(wind_press(aws, speed), awa)
        shape = -wind_shape(aws, awa, speed, scale, law.power)
    size = np.full(time_s.shape, law.close_hauled_deg)
    for position, value in law.boards if boards is not None else ():
        size[boards == position] = value
    return np.asarray(np.clip(size * shape, -LIMIT_DEG, LIMIT_DEG), dtype=float)
