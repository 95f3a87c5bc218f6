"""Sailing, motoring or stopped: from the engine where it is logged, else from what wind can do.

Rules, in order. A boat that stays within a small circle is stopped. Revolutions decide, then the
crew log's ``engine``. Where neither speaks, the engine is inferred only from what no sail can do:
holding speed straight into the wind, running faster than a wind from astern, making way in a
calm, making far more than the wind's speed, or standing upright and unmoved by gusts abeam of a
breeze. Without wind nothing can be
inferred; under way is then called sailing, and a finding says that it is not proven.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind
from sailanalysis.core.errors import Finding
from sailanalysis.core.geo import local_xy_m
from sailanalysis.core.model import CrewLog
from sailanalysis.core.series import epoch_s, true_stretches
from sailanalysis.core.units import KN_TO_MS
from sailanalysis.segment.grid import Grid, box_mean, make_grids

Bools = NDArray[np.bool_]

STOP_KN: Final = 0.5
"""Slower than this for a window she is stopped: the speed at which a steering wake dies
(common practice), and above the creep of a boat sheering at anchor."""
MOVE_KN: Final = 0.7
STOP_WINDOW_S: Final = 120.0
"""A catamaran in irons stops for a minute and is still sailing."""
GPS_WANDER_M: Final = 20.0
"""Slow wander of a single-frequency receiver in two minutes (95 %, common practice)."""
RPM_ON: Final = 300.0
"""Below any diesel's or outboard's idling speed (600 and more), above a dead sensor's noise."""
NO_GO_DEG: Final = 15.0
"""A minute at speed this close to the true wind is no sailing, whatever the vane's error; yachts
lie at 35-50 deg and pinch for a while at 25."""
PINCH_DEG: Final = 22.0
"""Two minutes this close count only where the speed is as even as an engine's."""
STREAM_KN: Final = 3.0
"""Over ground a boat may seem to point higher than any can: a stream that strong is rarely met
(common practice)."""
EVIDENCE_S: Final = 60.0
"""A luff carries way for less than this."""

_COLUMNS = ("sog_kn", "stw_kn", "twa_deg", "tws_kn", "awa_deg", "heel_deg", "engine_rpm",
            "lat", "lon")


def find_states(samples: pd.DataFrame, crew: CrewLog) -> tuple[NDArray[np.object_], list[Finding]]:
    """State of the boat at every sample.

    Parameters
    ----------
    samples : DataFrame, n rows
    crew : CrewLog
        Its ``engine`` entries hold until the next; before the first one the opposite is taken.

    Returns
    -------
    state : ndarray of str, shape (n,)
        ``sailing``, ``motoring`` or ``stopped``.
    findings : list of Finding
    """
    time = epoch_s(samples.index)
    state = np.full(time.size, "sailing", dtype=object)
    if time.size == 0:
        return state, []
    engine = _engine_by_crew(time, crew)
    engine_said = np.isfinite(engine)
    on = engine > 0.5
    rpm = _column(samples, "engine_rpm")
    rpm_said = np.isfinite(rpm)
    on = np.where(rpm_said, rpm > RPM_ON, on)
    said = rpm_said | engine_said
    stopped = np.zeros(time.size, dtype=bool)
    inferred = np.zeros(time.size, dtype=bool)
    wind_seconds = 0.0
    for grid in make_grids(samples, _COLUMNS):
        first, last = np.searchsorted(time, [grid.time_s[0] - grid.step_s,
                                             grid.time_s[-1] + grid.step_s])
        at = np.clip(np.round((time[first:last] - grid.time_s[0]) / grid.step_s).astype(int),
                     0, len(grid) - 1)
        still = is_stopped(grid)
        stopped[first:last] = still[at]
        inferred[first:last] = is_driven(grid, still)[at]
        wind_seconds += grid.step_s * np.isfinite(grid.column["twa_deg"]).sum()
    motoring = np.where(said, _settle(time, on), inferred) & ~stopped
    state[motoring] = "motoring"
    state[stopped] = "stopped"
    return state, _findings(time, state, said, wind_seconds, _column(samples, "heel_deg"))


def is_stopped(grid: Grid) -> Bools:
    """Whether she stays on one spot: within the circle of a slow drift, or without way.

    Over ground where there are positions (a log in a tidal stream reads speed at a mooring, and a
    receiver's speed has peaks); by the speed otherwise.
    """
    n = len(grid)
    window = min(grid.bins(STOP_WINDOW_S), max(3, n))
    lat, lon = grid.column["lat"], grid.column["lon"]
    placed = np.isfinite(lat) & np.isfinite(lon)
    still = np.zeros(n, dtype=bool)
    if placed.sum() > 0.5 * n:
        i0 = int(np.argmax(placed))
        x, y = local_xy_m(lat, lon, float(lat[i0]), float(lon[i0]))
        span_s = window * grid.step_s
        spread = np.hypot(_range(x, window), _range(y, window))
        still = spread < STOP_KN * KN_TO_MS * span_s + GPS_WANDER_M * min(1.0, span_s / 120.0)
    known = placed if placed.sum() > 0.5 * n else np.zeros(n, dtype=bool)
    # Over ground first: a boat moored in a stream logs speed through the water.
    sog, stw = grid.column["sog_kn"], grid.column["stw_kn"]
    speed = np.where(np.isfinite(sog), sog, stw)
    slow = box_mean(speed, window) < STOP_KN
    # A box of samples near its window's end: everything within a still window was still.
    still = _widen(np.where(known, still & ~(box_mean(speed, window) > 2.0), slow), window // 2)
    calm = box_mean(speed, grid.bins(20.0))
    out = np.zeros(n, dtype=bool)
    for part in true_stretches(still):
        # Trim the ends of a stop to where she gathers way.
        moving = calm[part] > MOVE_KN
        inside = np.flatnonzero(~moving)
        if inside.size:
            out[part.start + inside[0]:part.start + inside[-1] + 1] = True
    return out


def is_driven(grid: Grid, stopped: Bools) -> Bools:
    """Whether she goes as no sail could drive her, for the better part of a minute.

    Evidence is looked for in means over :data:`EVIDENCE_S`; a proven engine is taken to run on
    for as long as the speed stays the same and she does not heel.
    """
    col = grid.column
    if not np.isfinite(col["twa_deg"]).any():
        return np.zeros(len(grid), dtype=bool)
    short, long = _windowed(grid, EVIDENCE_S), _windowed(grid, 2.0 * EVIDENCE_S)
    upright = ~(short["heel"] > 6.0)
    speed, tws, twa = short["speed"], short["tws"], short["twa"]
    with np.errstate(invalid="ignore"):
        breeze = tws > 2.0
        even = short["spread"] < np.maximum(0.12 * speed, 0.2)
        into_wind = (twa < NO_GO_DEG) & (speed > 2.0) & even & ~short["fading"] & breeze
        by_track = not np.isfinite(col["tws_kn"]).any()
        if by_track:  # her tacks prove a breeze
            into_wind = (_off_wind_less_stream(speed, twa) < PINCH_DEG) & even & ~short["fading"]
        # A wind from astern can push no faster than itself: apparent wind then comes from ahead.
        outrun = (twa > 165.0) & (speed > 1.1 * tws + 0.5) & (short["awa"] < 90.0) & (speed > 2.0)
        calm = (tws < 1.5) & (speed > 2.5) & even
        # Light multihulls outrun the wind too, but on a reach, and gust by gust.
        too_fast = (tws < 6.0) & (speed > 1.8 * tws + 0.5) & (speed > 3.0) \
            & (short["spread"] < 0.06 * speed)
        evidence = _widen((into_wind | outrun | calm | too_fast) & upright, short["half"])
        pinched = (long["twa"] < PINCH_DEG) & (long["speed"] > 2.0) & ~long["fading"] \
            & (long["spread"] < 0.04 * long["speed"]) & ~(long["heel"] > 6.0) & breeze
        # Abeam of a breeze a sailing boat heels and answers the gusts; an engine does neither.
        abeam = (long["twa"] > 40.0) & (long["twa"] < 135.0) & (long["tws"] > 8.0)
        unmoved = (long["heel"] < 1.5) & (long["speed"] > 2.0) \
            & (long["spread"] < 0.03 * long["speed"]) & (long["gust"] > 0.05 * long["tws"])
        evidence |= _widen(pinched | (abeam & unmoved), long["half"])
    evidence &= ~stopped
    if not evidence.any():
        return evidence
    if by_track:  # an engine and sails may give the same speed, and nothing shows which
        return evidence
    driven = _run_on(grid, evidence, upright) & ~stopped
    # Between proven stretches, or up to a stop, upright all the while: sails were not set.
    for part in true_stretches(~driven & ~stopped):
        flat = short["heel"][part] < 2.5
        beside = (part.start > 0 and driven[part.start - 1]) \
            or (part.stop < driven.size and driven[part.stop])
        if beside and flat.all() and (part.stop - part.start) * grid.step_s < 1800.0:
            driven[part] = True
    return driven


def _off_wind_less_stream(speed_kn: Floats, twa_deg: Floats) -> Floats:
    """Angle off the wind that is left if the strongest stream had set her to windward."""
    ahead = np.maximum(speed_kn * cosd(twa_deg) - STREAM_KN, 0.0)
    return arctan2d(speed_kn * np.abs(sind(twa_deg)), ahead)


def _windowed(grid: Grid, window_s: float) -> dict[str, Any]:
    """Means over a window: speed and its spread, angles to the wind, heel; speed dying away."""
    col = grid.column
    bins = grid.bins(window_s)
    stw = _speed(grid)
    speed = box_mean(stw, bins)
    half = bins // 2
    tws = box_mean(col["tws_kn"], bins)
    index = np.arange(len(grid))
    before = speed[np.clip(index - half, 0, None)]
    after = speed[np.clip(index + half, None, len(grid) - 1)]
    with np.errstate(invalid="ignore"):
        fading = after < 0.8 * before
    return {
        "speed": speed, "fading": fading, "half": half,
        "spread": np.sqrt(np.maximum(box_mean(stw**2, bins) - speed**2, 0.0)),
        "tws": tws,
        "gust": np.sqrt(np.maximum(box_mean(col["tws_kn"] ** 2, bins) - tws**2, 0.0)),
        "twa": _off_bow(col["twa_deg"], bins), "awa": _off_bow(col["awa_deg"], bins),
        "heel": np.abs(box_mean(col["heel_deg"], bins))}


def _speed(grid: Grid) -> Floats:
    stw = grid.column["stw_kn"]
    return np.asarray(np.where(np.isfinite(stw), stw, grid.column["sog_kn"]), dtype=float)


def _run_on(grid: Grid, proven: Bools, upright: Bools) -> Bools:
    """Extend each proven stretch while the speed holds within 15 %, for ten minutes at most."""
    smooth = box_mean(_speed(grid), grid.bins(15.0))
    limit = grid.bins(600.0)
    out = proven.copy()
    for part in true_stretches(proven):
        core = smooth[part]
        level = float(np.nanmedian(core)) if np.isfinite(core).any() else np.nan
        if not np.isfinite(level):
            continue
        same = (np.abs(smooth - level) < 0.15 * level + 0.2) & upright
        stop = min(len(grid), part.stop + limit)
        ahead = np.flatnonzero(~same[part.stop:stop])
        out[part.stop:part.stop + (int(ahead[0]) if ahead.size else stop - part.stop)] = True
        start = max(0, part.start - limit)
        behind = np.flatnonzero(~same[start:part.start])
        out[(start + int(behind[-1]) + 1 if behind.size else start):part.start] = True
    return out


def _engine_by_crew(time: Floats, crew: CrewLog) -> Floats:
    """1 on, 0 off, NaN where the crew log says nothing of the engine."""
    entries = [e for e in crew.of("engine") if e.value.strip().lower() in ("on", "off")]
    if not entries:
        return np.full(time.size, np.nan)
    value = np.array([float(e.value.strip().lower() == "on") for e in entries])
    at = np.searchsorted(np.array([e.time_s for e in entries]), time, side="right")
    # An entry marks a change, so before the first one it was the other way.
    return np.asarray(np.concatenate([[1.0 - value[0]], value])[at], dtype=float)


def _settle(time: Floats, on: Bools, min_s: float = 10.0) -> Bools:
    """Drop flickers shorter than ``min_s`` from an on/off signal."""
    out = np.asarray(on, dtype=bool).copy()
    for wanted in (True, False):
        for part in true_stretches(out == wanted):
            inner = part.start > 0 and part.stop < out.size
            if inner and time[part.stop - 1] - time[part.start] < min_s:
                out[part] = not wanted
    return out


def _findings(time: Floats, state: NDArray[np.object_], said: Bools, wind_seconds: float,
              heel: Floats) -> list[Finding]:
    found = []
    guess = (state == "motoring") & ~said
    if guess.any():
        where = np.flatnonzero(guess)
        found.append(Finding(
            "engine-inferred",
            f"Motoring was inferred for {guess.mean():.0%} of the log from speed that no sail "
            "could give in that wind; engine revolutions or `engine` lines in the crew log would "
            "make it sure.", "warning", "engine_rpm", float(time[where[0]]),
            float(time[where[-1]]), float(guess.mean())))
    under_way = (state == "sailing") & ~said
    lean = np.abs(heel[under_way & np.isfinite(heel)])
    # Hours of heel to one side are sails at work.
    heeled = lean.size > 0.5 * under_way.sum() and float(np.median(lean)) > 8.0
    if under_way.any() and wind_seconds < 60.0 and not heeled:
        found.append(Finding(
            "engine-unknown",
            "Neither true wind nor engine is known from this log, so sail and engine cannot be "
            "told apart: the time under way is counted as sailing. `engine on` and `engine off` "
            "in the crew log would settle it.", "warning", "engine_rpm",
            share=float(under_way.mean())))
    return found


def _column(samples: pd.DataFrame, name: str) -> Floats:
    if name not in samples:
        return np.full(len(samples), np.nan)
    return samples[name].to_numpy(dtype=float)


def _range(value: Floats, bins: int) -> Floats:
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    good = np.isfinite(value)
    low = minimum_filter1d(np.where(good, value, np.inf), bins, mode="nearest")
    high = maximum_filter1d(np.where(good, value, -np.inf), bins, mode="nearest")
    return np.asarray(np.where(np.isfinite(low) & np.isfinite(high), high - low, np.nan),
                      dtype=float)


def _widen(mask: Bools, bins: int) -> Bools:
    out = np.asarray(mask, dtype=bool).copy()
    for part in true_stretches(mask):
        out[max(0, part.start - bins):part.stop + bins] = True
    return out


def _off_bow(angle: Floats, bins: int) -> Floats:
    """Mean angle off the bow, without its side.

    The mean direction forgives a swinging vane, but over a tack it points head to wind: where the
    angles of either side are far larger than it, theirs is the mean.
    """
    direction = np.abs(arctan2d(box_mean(sind(angle), bins), box_mean(cosd(angle), bins)))
    either = box_mean(np.abs(angle), bins)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(np.abs(either - direction) > 15.0, either, direction),
                          dtype=float)
