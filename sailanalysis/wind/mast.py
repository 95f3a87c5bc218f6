"""What the mast does to the wind sensor: it leans, and it swings through the air."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind
from sailanalysis.core.series import running_mean, slope_per_s
from sailanalysis.core.units import MS_TO_KN


def shown_wind(
    ahead: ArrayLike, abeam: ArrayLike, heel_deg: ArrayLike, trim_deg: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """Level wind components as a leaning masthead sensor sees them (trim first, then heel).

    The vane turns, and the cups count, in the plane square to the mast: the part of the level
    wind along the mast is lost.

    Parameters
    ----------
    ahead, abeam : array_like, shape (n,)
        Level components the wind comes from.
    heel_deg, trim_deg : array_like
        Starboard down and bow up positive.

    Returns
    -------
    ahead, abeam : ndarray, shape (n,)
        Components in the sensor's plane; angle and speed follow from them.
    """
    a, b = np.asarray(ahead, dtype=float), np.asarray(abeam, dtype=float)
    return (np.asarray(a * cosd(trim_deg), dtype=float),
            np.asarray(b * cosd(heel_deg) + a * sind(trim_deg) * sind(heel_deg), dtype=float))


def level_wind(
    aws_kn: ArrayLike, awa_deg: ArrayLike, heel_deg: ArrayLike, trim_deg: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """Apparent wind in the level plane from what the leaning sensor shows.

    Inverse of :func:`shown_wind`; the wind is taken to blow level (no upwash).
    ``tan(shown) = tan(level) cos(heel)`` without trim.

    Returns
    -------
    aws_kn, awa_deg : ndarray, shape (n,)
    """
    aws = np.asarray(aws_kn, dtype=float)
    ahead = aws * cosd(awa_deg) / cosd(trim_deg)
    abeam = (aws * sind(awa_deg) - ahead * sind(trim_deg) * sind(heel_deg)) / cosd(heel_deg)
    return np.asarray(np.hypot(ahead, abeam), dtype=float), arctan2d(abeam, ahead)


def masthead_velocity_kn(
    time_s: ArrayLike, heel_deg: ArrayLike, trim_deg: ArrayLike | None, height_m: float,
    window_s: float,
) -> tuple[Floats, Floats]:
    """The masthead's own way ahead and to starboard from roll and pitch rate.

    Rolling to starboard carries it to starboard, the bow rising carries it aft:
    ``v = omega x r`` with the roll axis at the waterline.

    Parameters
    ----------
    time_s, heel_deg, trim_deg : array_like, shape (n,)
    height_m : float
        Sensor above the water.
    window_s : float
        Over which a rate is taken.

    Returns
    -------
    ahead_kn, abeam_kn : ndarray, shape (n,)
        Zero where a rate is not known.
    """
    roll = np.radians(slope_per_s(time_s, heel_deg, window_s))
    abeam = np.nan_to_num(roll) * height_m * MS_TO_KN
    if trim_deg is None:
        return np.zeros_like(abeam), abeam
    pitch = np.radians(slope_per_s(time_s, trim_deg, window_s))
    return -np.nan_to_num(pitch) * height_m * MS_TO_KN, abeam


def share_that_shows(time_s: ArrayLike, seen: ArrayLike, moved: ArrayLike) -> float:
    """How much of a motion is still in a reading after the instrument's own damping, 0 to 1.

    Regression of the quick part (less its 10 s mean) of the reading on the quick part of the
    motion. A damped display holds none of it; taking it off would put it in.
    """
    quick_seen = np.asarray(seen, dtype=float) - running_mean(time_s, seen, 10.0)
    quick_moved = np.asarray(moved, dtype=float) - running_mean(time_s, moved, 10.0)
    good = np.isfinite(quick_seen) & np.isfinite(quick_moved)
    power = float(np.sum(quick_moved[good] ** 2))
    if good.sum() < 100 or power / good.sum() < 0.05**2:
        return 0.0
    return float(np.clip(np.sum(quick_seen[good] * quick_moved[good]) / power, 0.0, 1.0))
