"""The definitions of wind and water, in one place.

All angles in degrees. Angles off the bow are positive to starboard; bearings are true. Wind
directions are where the wind comes *from*, set is where the current goes *to*.

The boat's frame has two axes, ahead and to starboard (abeam). Air that meets the boat at the
angle ``a`` off the bow with the speed ``A`` comes from ``(A cos a, A sin a)``.

True wind
    Wind relative to the water at the height of the sensor: the apparent wind less the wind of
    the boat's own way through the water. Its way points along the course through the water,
    which is heading plus leeway. ``twa_deg`` is measured from the bow, ``twd_deg`` is heading
    plus ``twa_deg``.
Wind over the ground
    The same with course and speed over ground: true wind plus the current.
Leeway
    Course through the water minus heading, positive when she is set to starboard.
Set and drift
    Velocity over ground less velocity through the water.
VMG
    Speed through the water along the direction the true wind comes from, leeway included;
    positive towards the wind.

``stw_kn`` is taken along the course through the water. A paddle wheel feels the component along
the keel, which is smaller by the cosine of the leeway: 0.4 % at 5 deg.

References
----------
.. [1] Smith, Bourassa and Sharp, "Establishing more truth in true winds", J. Atmos. Oceanic
   Technol. 16(7), 939-952, 1999.
.. [2] Bowditch, The American Practical Navigator, NGA Pub. No. 9, chapters on set and drift.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind, wrap180, wrap360

CALM_KN = 1e-5
"""Below this speed a direction is not defined [1]_."""


def _direction(east: Floats, north: Floats) -> Floats:
    """Bearing of a vector; NaN for a calm."""
    bearing = wrap360(arctan2d(east, north))
    return np.asarray(np.where(np.hypot(east, north) < CALM_KN, np.nan, bearing), dtype=float)


def true_wind(
    aws_kn: ArrayLike, awa_deg: ArrayLike, stw_kn: ArrayLike, leeway_deg: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """Wind over the water from the apparent-wind triangle.

    Parameters
    ----------
    aws_kn : array_like, shape (n,)
        Apparent wind speed, levelled for heel.
    awa_deg : array_like, shape (n,)
        Apparent wind angle off the bow.
    stw_kn : array_like, shape (n,)
        Speed through the water, along the course.
    leeway_deg : array_like, optional
        Course through the water minus heading.

    Returns
    -------
    tws_kn, twa_deg : ndarray, shape (n,)
        Speed; angle off the bow, not off the course, in (-180, 180].

    Notes
    -----
    NaN in, NaN out, sample by sample. Average wind as vectors, later.

    References
    ----------
    .. [1] Smith, Bourassa and Sharp, J. Atmos. Oceanic Technol. 16(7), 939-952, 1999.
    """
    aws, stw = np.asarray(aws_kn, dtype=float), np.asarray(stw_kn, dtype=float)
    ahead = aws * cosd(awa_deg) - stw * cosd(leeway_deg)
    abeam = aws * sind(awa_deg) - stw * sind(leeway_deg)
    return np.asarray(np.hypot(ahead, abeam), dtype=float), wrap180(arctan2d(abeam, ahead))


def apparent_wind(
    tws_kn: ArrayLike, twa_deg: ArrayLike, stw_kn: ArrayLike, leeway_deg: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """Apparent wind speed and angle: the inverse of :func:`true_wind`, same signs.

    Parameters
    ----------
    tws_kn, twa_deg : array_like, shape (n,)
        True wind over the water, angle off the bow.
    stw_kn : array_like, shape (n,)
        Speed through the water, along the course.
    leeway_deg : array_like, optional
        Course through the water minus heading.
    """
    tws, stw = np.asarray(tws_kn, dtype=float), np.asarray(stw_kn, dtype=float)
    ahead = tws * cosd(twa_deg) + stw * cosd(leeway_deg)
    abeam = tws * sind(twa_deg) + stw * sind(leeway_deg)
    return np.asarray(np.hypot(ahead, abeam), dtype=float), wrap180(arctan2d(abeam, ahead))


def ground_wind(
    aws_kn: ArrayLike, awa_deg: ArrayLike, hdg_deg: ArrayLike, sog_kn: ArrayLike, cog_deg: ArrayLike
) -> tuple[Floats, Floats]:
    """Wind over the ground from apparent wind, heading and the track.

    Returns
    -------
    gws_kn, gwd_deg : ndarray, shape (n,)
        Speed and the bearing it comes from, in [0, 360); NaN direction in a calm.

    References
    ----------
    .. [1] Smith, Bourassa and Sharp, J. Atmos. Oceanic Technol. 16(7), 939-952, 1999.
    """
    aws, sog = np.asarray(aws_kn, dtype=float), np.asarray(sog_kn, dtype=float)
    from_deg = np.asarray(hdg_deg, dtype=float) + np.asarray(awa_deg, dtype=float)
    east = aws * sind(from_deg) - sog * sind(cog_deg)
    north = aws * cosd(from_deg) - sog * cosd(cog_deg)
    return np.asarray(np.hypot(east, north), dtype=float), _direction(east, north)


def current(
    course_deg: ArrayLike, stw_kn: ArrayLike, cog_deg: ArrayLike, sog_kn: ArrayLike
) -> tuple[Floats, Floats]:
    """Set and drift: track over ground less the way through the water.

    Parameters
    ----------
    course_deg : array_like, shape (n,)
        Course through the water: heading plus leeway.
    stw_kn, cog_deg, sog_kn : array_like, shape (n,)

    Returns
    -------
    set_deg, drift_kn : ndarray, shape (n,)
        Where the water goes to, in [0, 360) (NaN in slack water), and its speed.
    """
    stw, sog = np.asarray(stw_kn, dtype=float), np.asarray(sog_kn, dtype=float)
    east = sog * sind(cog_deg) - stw * sind(course_deg)
    north = sog * cosd(cog_deg) - stw * cosd(course_deg)
    return _direction(east, north), np.asarray(np.hypot(east, north), dtype=float)


def track(
    course_deg: ArrayLike, stw_kn: ArrayLike, set_deg: ArrayLike, drift_kn: ArrayLike
) -> tuple[Floats, Floats]:
    """Course and speed over ground from the way through the water and the current."""
    stw, drift = np.asarray(stw_kn, dtype=float), np.asarray(drift_kn, dtype=float)
    east = stw * sind(course_deg) + drift * sind(set_deg)
    north = stw * cosd(course_deg) + drift * cosd(set_deg)
    return _direction(east, north), np.asarray(np.hypot(east, north), dtype=float)


def course_to_steer(
    track_deg: ArrayLike, stw_kn: ArrayLike, set_deg: ArrayLike, drift_kn: ArrayLike
) -> tuple[Floats, Floats]:
    """Course through the water that makes good a track, and the speed over ground on it.

    Returns
    -------
    course_deg, sog_kn : ndarray, shape (n,)
        NaN where the current across the track is stronger than the boat.
    """
    stw, drift = np.asarray(stw_kn, dtype=float), np.asarray(drift_kn, dtype=float)
    off = np.asarray(set_deg, dtype=float) - np.asarray(track_deg, dtype=float)
    across = drift * sind(off)
    can = (np.abs(across) <= stw) & (stw > 0)
    ratio = np.where(can, across / np.where(stw > 0, stw, 1.0), np.nan)
    course = wrap360(np.asarray(track_deg, dtype=float) - np.degrees(np.arcsin(ratio)))
    return course, np.asarray(stw * np.sqrt(1.0 - ratio**2) + drift * cosd(off), dtype=float)


def vmg_kn(stw_kn: ArrayLike, twa_deg: ArrayLike, leeway_deg: ArrayLike = 0.0) -> Floats:
    """Speed made good through the water towards the true wind; downwind negative.

    The course through the water lies ``leeway_deg`` to starboard of the bow, the wind
    ``twa_deg``: the angle between them is their difference.
    """
    off = np.asarray(twa_deg, dtype=float) - np.asarray(leeway_deg, dtype=float)
    return np.asarray(np.asarray(stw_kn, dtype=float) * cosd(off), dtype=float)


def leeway(
    heel_deg: ArrayLike, stw_kn: ArrayLike, leeway_k: float, limit_deg: float = 20.0
) -> Floats:
    """Leeway from heel and speed: ``k * heel_deg / stw_kn**2``.

    Heel, like leeway, is the wind's side force at work, and the keel's grip grows with the
    square of the speed: heeled to starboard (wind from port) she is set to starboard.

    Parameters
    ----------
    heel_deg, stw_kn : array_like, shape (n,)
        Averaged over some ten seconds: leeway does not follow each wave.
    leeway_k : float
        deg kn^2 per deg; 5-15 for most keel boats (common practice).
    limit_deg : float
        As she stops the formula runs off to infinity; a boat that slow is stalled, and no more
        than this is believed.
    """
    stw, heel = np.asarray(stw_kn, dtype=float), np.asarray(heel_deg, dtype=float)
    drawn = leeway_k * heel / np.maximum(stw, 0.5) ** 2
    return np.asarray(np.clip(drawn, -limit_deg, limit_deg), dtype=float)
