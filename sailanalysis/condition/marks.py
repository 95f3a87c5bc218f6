"""Rules that mark a sensor's samples as wrong: out of range, spike, position jump, stuck.

Every rule returns booleans named for True and changes nothing. Limits come from what a boat can
physically do, scaled by the sensor's own rate; none comes from a particular log.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sailanalysis.core.angles import Floats, cosd, unwrap, wrap180
from sailanalysis.core.channels import CHANNELS, is_circular
from sailanalysis.core.geo import radii_m
from sailanalysis.core.stats import MAD_TO_SD
from sailanalysis.core.units import KN_TO_MS

Bools = NDArray[np.bool_]

SPIKE_FLOOR: Final[dict[str, float]] = {
    # What the quantity may really do and undo within a few samples (common practice): a gust
    # doubles the wind, a wave moves a sensor, a boat neither leaps nor stops.
    "stw_kn": 2.0, "sog_kn": 2.0, "aws_kn": 10.0, "tws_logged_kn": 10.0, "gws_logged_kn": 10.0,
    "hdg_deg": 30.0, "hdg_mag_deg": 30.0, "awa_deg": 70.0, "twa_logged_deg": 70.0,
    "rudder_deg": 40.0, "rudder2_deg": 40.0, "heel_deg": 25.0, "trim_deg": 15.0,
    "rate_of_turn_deg_s": 30.0, "depth_m": 10.0, "variation_deg": 2.0, "engine_rpm": 1500.0,
    "leeway_logged_deg": 20.0, "drift_logged_kn": 3.0, "water_temp_c": 3.0, "air_temp_c": 5.0,
    "pressure_hpa": 3.0,
}
SPIKE_WIDTH: Final = 3
"""Samples a spike may last: longer is a fault of another kind or the truth."""
HAMPEL_K: Final = 6.0
"""Robust standard deviations; twice the usual 3, because gusts and waves are not normal."""
STUCK_S: Final[dict[str, float]] = {
    # A sensor at sea does not give the very same reading for this long while the boat sails.
    # A rudder may be lashed, a compass quantised to a degree may rest under a good helm.
    "aws_kn": 60.0, "awa_deg": 60.0, "stw_kn": 120.0, "sog_kn": 120.0, "hdg_deg": 180.0,
    "hdg_mag_deg": 180.0, "cog_deg": 180.0, "heel_deg": 180.0, "trim_deg": 300.0,
    "rudder_deg": 900.0, "rudder2_deg": 900.0, "rate_of_turn_deg_s": 300.0,
    "tws_logged_kn": 120.0, "twa_logged_deg": 120.0, "gws_logged_kn": 120.0,
    "lat": 60.0, "lon": 60.0,
}
UNDER_WAY_KN: Final = 1.5
"""Below this a boat may lie so still that a steady reading is the truth."""


def is_out_of_range(channel: str, value: ArrayLike) -> Bools:
    """Readings no such sensor can honestly give, by the channel table.

    Parameters
    ----------
    channel : str
        A name of ``channels.CHANNELS``.
    value : array_like, shape (n,)

    Returns
    -------
    ndarray of bool, shape (n,)
        NaN is not out of range.
    """
    x = np.asarray(value, dtype=float)
    known = CHANNELS.get(channel)
    if known is None or known.kind == "text":
        return np.zeros(x.shape, dtype=bool)
    if known.kind == "bearing" or channel == "lon":
        # 360, -10 or 190 may be how a sender counts; anything beyond a turn is no bearing.
        return np.asarray(np.abs(x) > 360.0, dtype=bool)
    if known.kind == "angle" and known.high >= 180:
        return np.asarray(np.abs(x) > 360.0, dtype=bool)
    return np.asarray((x < known.low) | (x > known.high), dtype=bool)


def is_spike(channel: str, time_s: ArrayLike, value: ArrayLike) -> Bools:
    """Readings that leap from their neighbours and come straight back.

    A sample is a spike when it differs from the median of the seven samples about it by more
    than the channel could really move (``SPIKE_FLOOR``) and by more than ``HAMPEL_K`` robust
    standard deviations of the half minute about it.

    Parameters
    ----------
    channel : str
        Channels without a stated floor are never judged.
    time_s, value : array_like, shape (n,)

    Returns
    -------
    ndarray of bool, shape (n,)

    References
    ----------
    .. [1] Davies and Gather, "The identification of multiple outliers", J. Am. Stat. Assoc. 88,
       782-792, 1993 (the Hampel identifier).
    """
    x, time = np.asarray(value, dtype=float), np.asarray(time_s, dtype=float)
    spike = np.zeros(x.shape, dtype=bool)
    floor = SPIKE_FLOOR.get(channel)
    good = np.flatnonzero(np.isfinite(x))
    if floor is None or good.size < 2 * SPIKE_WIDTH + 1:
        return spike
    v, t = x[good], time[good]
    circular = is_circular(channel)
    v = unwrap_past_spikes(v, floor) if circular else v
    # Of the seven about a spike four lie beyond the floor from it: a log seldom holds even one.
    alone = _leaps(v, floor)
    if not alone.size:
        return spike
    usual = float(np.median(np.diff(t)))
    half = max(2 * SPIKE_WIDTH, round(15.0 / max(usual, 1e-3)))
    off = np.zeros(v.size)
    for part in _about(alone, half, v.size):
        off[part] = v[part] - _median_of_seven(v, part)
    off = wrap180(off) if circular else off
    for i in np.flatnonzero(np.abs(off) > floor).tolist():
        near = off[max(0, i - half): i + half + 1]
        far = abs(off[i]) > HAMPEL_K * MAD_TO_SD * float(np.median(np.abs(near)))
        spike[good[i]] = far and _has_neighbours(t, i, usual)
    return spike


def _has_neighbours(time_s: Floats, i: int, usual_s: float) -> bool:
    """Whether samples close in time on both sides say what a reading came back to."""
    lo, hi = max(0, i - SPIKE_WIDTH), min(time_s.size - 1, i + SPIKE_WIDTH)
    return lo < i < hi and bool(time_s[hi] - time_s[lo] <= 4 * SPIKE_WIDTH * max(usual_s, 0.5))


def unwrap_past_spikes(angle_deg: ArrayLike, floor_deg: float) -> Floats:
    """Angles made continuous along the samples that do not leap away and straight back.

    A compass that averages its readings through north gives 358, 180, 2. Followed sample by
    sample this is a whole turn to port, and no median about it shows a leap.

    Parameters
    ----------
    angle_deg : array_like, shape (n,)
    floor_deg : float
        One to three samples leap when they lie further than this beyond the short arc from the
        sample before to the one after them, which spans a quarter turn at most.

    Returns
    -------
    ndarray, shape (n,)
        Equal to ``angle_deg`` up to whole turns.
    """
    angle = np.asarray(angle_deg, dtype=float)
    leap = np.zeros(angle.size, dtype=bool)
    for width in range(1, SPIKE_WIDTH + 1):
        count = angle.size - width - 1
        if count < 1:
            break
        before, after = angle[:count], angle[width + 1:]
        arc = np.abs(wrap180(after - before))
        away = arc <= 90.0
        for k in range(1, width + 1):
            x = angle[k: k + count]
            around = np.abs(wrap180(x - before)) + np.abs(wrap180(x - after))
            away &= around - arc > 2 * floor_deg
        for k in range(1, width + 1):
            leap[k: k + count] |= away
    kept = np.flatnonzero(~leap)
    path = unwrap(angle[kept])
    last_kept = np.searchsorted(kept, np.arange(angle.size), side="right") - 1
    base = path[np.maximum(last_kept, 0)]
    return np.asarray(base + wrap180(angle - base), dtype=float)


def _leaps(value: Floats, floor: float) -> NDArray[np.intp]:
    """Samples that differ by more than the floor from one of the three on either side."""
    leap = np.zeros(value.size, dtype=bool)
    for lag in range(1, SPIKE_WIDTH + 1):
        far = np.abs(value[lag:] - value[:-lag]) > floor
        leap[lag:] |= far
        leap[:-lag] |= far
    return np.flatnonzero(leap)


def _about(at: NDArray[np.intp], half: int, size: int) -> list[slice]:
    """Joined stretches of ``half`` samples on either side of some."""
    cut = np.flatnonzero(np.diff(at) > 2 * half)
    first, last = at[np.append(0, cut + 1)], at[np.append(cut, at.size - 1)]
    return [slice(max(0, int(a) - half), min(size, int(b) + half + 1))
            for a, b in zip(first, last, strict=True)]


def _median_of_seven(value: Floats, part: slice) -> Floats:
    """Running median of a sample and three on either side over a part; the ends repeat."""
    reach = np.arange(part.start - SPIKE_WIDTH, part.stop + SPIKE_WIDTH)
    around = value[np.clip(reach, 0, value.size - 1)]
    windows = np.lib.stride_tricks.sliding_window_view(around, 2 * SPIKE_WIDTH + 1)
    return np.asarray(np.sort(windows, axis=1)[:, SPIKE_WIDTH], dtype=float)


def is_position_jump(
    time_s: ArrayLike, lat_deg: ArrayLike, lon_deg: ArrayLike, sog_kn: ArrayLike | None = None
) -> tuple[Bools, Floats]:
    """Fixes that the boat cannot have reached at the speed she was making.

    The track is cut wherever a step is longer than half as much again as her speed, plus 3 kn,
    plus 30 m of fix noise allow. Pieces that can be reached from the trusted piece before or
    after stay; others are jumps, unless they last over five minutes: then the boat was moved, or
    the receiver was off, and the step is a break.

    Parameters
    ----------
    time_s, lat_deg, lon_deg : array_like, shape (n,)
    sog_kn : array_like, shape (n,), optional
        Speed over ground at the fixes; without it the track's own usual fastest speed.

    Returns
    -------
    jump : ndarray of bool, shape (n,)
    breaks_s : ndarray
        Instants over which nothing may be interpolated.
    """
    t = np.asarray(time_s, dtype=float)
    lat, lon = np.asarray(lat_deg, dtype=float), np.asarray(lon_deg, dtype=float)
    jump = np.zeros(t.shape, dtype=bool)
    good = np.flatnonzero(np.isfinite(lat) & np.isfinite(lon))
    if good.size < 3:
        return jump, np.zeros(0)
    tg, la, lo = t[good], lat[good], lon[good]
    meridian, prime = radii_m(la)
    dt = np.maximum(np.diff(tg), 1e-3)
    north = np.radians(np.diff(la)) * meridian[1:]
    east = np.radians(wrap180(np.diff(lo))) * prime[1:] * cosd(la[1:])
    made_kn = np.hypot(east, north) / dt / KN_TO_MS
    usual_kn = float(np.percentile(made_kn, 90))
    if sog_kn is not None:
        sog = np.asarray(sog_kn, dtype=float)[good]
        sog = np.where(np.isfinite(sog), sog, usual_kn)
        speed = np.maximum(sog[1:], sog[:-1])
        # Over a gap her speed may have been anything she does.
        speed = np.where(dt > 30.0, np.maximum(speed, usual_kn), speed)
    else:
        speed = np.full(dt.shape, usual_kn)
    reach_m = (1.5 * speed + 3.0) * KN_TO_MS * dt + 30.0
    cut = np.flatnonzero(made_kn * KN_TO_MS * dt > reach_m)
    if cut.size == 0:
        return jump, np.zeros(0)
    starts = np.concatenate([[0], cut + 1])
    ends = np.concatenate([cut, [good.size - 1]])
    top_ms = (1.5 * max(usual_kn, float(np.median(speed))) + 3.0) * KN_TO_MS
    keep = np.zeros(starts.size, dtype=bool)
    breaks: list[float] = []
    seconds = tg[ends] - tg[starts]

    def reachable(a: int, b: int) -> bool:
        """Whether fix b can be reached from the earlier fix a."""
        dn = np.radians(la[b] - la[a]) * meridian[a]
        de = np.radians(wrap180(lo[b] - lo[a])) * prime[a] * cosd(la[a])
        return bool(np.hypot(de, dn) <= top_ms * (tg[b] - tg[a]) + 30.0)

    trusted = int(np.argmax(ends - starts))
    for direction in (1, -1):
        last = trusted
        keep[trusted] = True
        piece = trusted + direction
        while 0 <= piece < starts.size:
            near, far = (last, piece) if direction == 1 else (piece, last)
            if reachable(ends[near], starts[far]):
                keep[piece] = True
                last = piece
            elif seconds[piece] > 300.0:
                keep[piece] = True
                breaks.append(0.5 * float(tg[ends[near]] + tg[starts[far]]))
                last = piece
            piece += direction
    for dropped in np.flatnonzero(~keep):
        jump[good[starts[dropped]: ends[dropped] + 1]] = True
    return jump, np.sort(np.array(breaks))


def may_be_stuck(channel: str, time_s: ArrayLike, value: ArrayLike) -> bool:
    """Whether any stretch stays alike for long enough to ask another sensor about it.

    Parameters
    ----------
    channel : str
        Channels without a stated limit are never judged.
    time_s : array_like, shape (n,)
    value : array_like, shape (n,)

    Returns
    -------
    bool
    """
    limit = STUCK_S.get(channel)
    x, t = np.asarray(value, dtype=float), np.asarray(time_s, dtype=float)
    if limit is None or x.size < 20:
        return False
    at = np.concatenate([[0], np.flatnonzero(np.diff(x) != 0.0) + 1, [x.size]])
    return bool(np.any((t[at[1:] - 1] - t[at[:-1]] > limit) & (np.diff(at) > 20)))


def is_stuck(
    channel: str,
    time_s: ArrayLike,
    value: ArrayLike,
    under_way_kn: ArrayLike | None = None,
) -> Bools:
    """Readings that stay exactly alike longer than quantisation and motion allow.

    A constant stretch is stuck when it lasts longer than ``STUCK_S`` and five times longer than
    all but one in a hundred of this sensor's other constant stretches, with at least twenty
    samples, while another sensor says that the boat is under way.

    Parameters
    ----------
    channel : str
        Channels without a stated limit are never judged.
    time_s, value : array_like, shape (n,)
    under_way_kn : array_like, shape (n,), optional
        Speed by another sensor at the same instants; unknown counts as not under way.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    x, t = np.asarray(value, dtype=float), np.asarray(time_s, dtype=float)
    stuck = np.zeros(x.shape, dtype=bool)
    limit = STUCK_S.get(channel)
    if limit is None or under_way_kn is None:
        return stuck
    good = np.flatnonzero(np.isfinite(x))
    if good.size < 20:
        return stuck
    v, tg = x[good], t[good]
    speed = np.asarray(under_way_kn, dtype=float)[good]
    moving = np.where(np.isfinite(speed), speed, 0.0) > UNDER_WAY_KN
    # Every stretch of equal readings, a single one too, which lasts no time.
    change = np.flatnonzero(np.diff(v) != 0.0)
    first, last = np.append(0, change + 1), np.append(change, v.size - 1)
    first, last = first[last > first], last[last > first]
    if not first.size:
        return stuck
    usual = float(np.median(np.diff(tg)))
    # Time without any sample is a gap, not a constant reading.
    held = np.minimum(tg[last] - tg[first], (last - first) * usual * 1.5)
    short = held[held <= limit]
    bound = max(limit, 5.0 * float(np.percentile(short, 99)) if short.size else 0.0)
    for k in np.flatnonzero((held > bound) & (last - first >= 20)):
        a, b = first[k], last[k]
        if np.mean(moving[a: b + 1]) > 0.8:
            stuck[good[a]: good[b] + 1] = True
    return np.asarray(stuck & np.isfinite(x), dtype=bool)
