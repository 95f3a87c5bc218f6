"""From conditioned channels to corrected wind and water: the one place where it is put together."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind, wrap180, wrap360
from sailanalysis.core.channels import SAMPLE_COLUMNS
from sailanalysis.core.errors import Finding
from sailanalysis.core.geo import steps_m
from sailanalysis.core.model import Boat, Conditioned, CrewLog, Sensors
from sailanalysis.core.series import angle_rate_deg_s, epoch_s, running_mean, runs
from sailanalysis.core.units import MS_TO_KN
from sailanalysis.wind import triangle
from sailanalysis.wind.crewcolumns import (
    crew_column,
    helm_column,
    load_column,
    sails_column,
)
from sailanalysis.wind.heading import find_north, true_heading
from sailanalysis.wind.leeway import LEEWAY_WINDOW_S, leeway_by_law, sail_lift
from sailanalysis.wind.mast import level_wind, masthead_velocity_kn, share_that_shows

CONTRADICTS_DEG = 15.0
"""A computed true wind this far from what the vane shows rests on a broken sensor."""
CURRENT_WINDOW_S = 90.0
"""Set and drift are means over this: longer than a tack, shorter than a tide's turn."""
EXTRA_COLUMNS = ("leeway_logged_deg", "twa_logged_deg", "tws_logged_kn", "twd_logged_deg",
                 "set_logged_deg", "drift_logged_kn", "rudder2_deg", "variation_deg", "heave_m",
                 "water_temp_c", "air_temp_c", "pressure_hpa", "log_nm", "autopilot")
"""Logged columns carried along unchanged."""


def _column(raw: pd.DataFrame, name: str) -> Floats:
    """A logged channel; NaN throughout where there is none."""
    return raw[name].to_numpy(dtype=float) if name in raw else np.full(len(raw), np.nan)


def _has(value: Floats) -> bool:
    return bool(np.isfinite(value).any())


def _rate_of_turn(raw: pd.DataFrame, time: Floats, hdg: Floats, rate_hz: float) -> Floats:
    """The logged rate of turn, else the heading's."""
    turn = _column(raw, "rate_of_turn_deg_s")
    if _has(turn) or not _has(hdg):
        return turn
    return angle_rate_deg_s(time, hdg, max(1.0, 3.0 / rate_hz))


def _beside(raw: pd.DataFrame, crew: CrewLog, hdg_logged: Floats) -> dict[str, np.ndarray]:
    """What stands beside the sample columns: load, logged channels, values before correction."""
    logged = {"hdg_logged_deg": hdg_logged, "stw_logged_kn": _column(raw, "stw_kn"),
              "awa_logged_deg": _column(raw, "awa_deg"), "aws_logged_kn": _column(raw, "aws_kn")}
    load = {"load_kg": load_column(crew, raw)}
    extra = {name: raw[name].to_numpy() for name in EXTRA_COLUMNS if name in raw}
    return ({name: value for name, value in load.items() if _has(value)} | extra
            | {name: value for name, value in logged.items() if _has(value)})


def wind_and_water(
    cond: Conditioned,
    boat: Boat,
    crew: CrewLog | None = None,
    sensors: Sensors | None = None,
) -> tuple[pd.DataFrame, list[Finding], str]:
    """Correct the sensors and derive true wind, leeway, current and VMG.

    Definitions: :mod:`sailanalysis.wind.triangle`.

    Parameters
    ----------
    cond : Conditioned
    boat : Boat
        Mast height, and the sensor corrections of the boat file.
    crew : CrewLog, optional
    sensors : Sensors, optional
        Corrections to use instead of the boat file's.

    Returns
    -------
    samples : DataFrame
        Columns ``channels.SAMPLE_COLUMNS`` (``state`` still empty) and ``boards``, ``load_kg``,
        and logged columns carried along. Corrected values; NaN where the log cannot tell.
    findings : list of Finding
    wind_source : {"instruments", "none"}
    """
    sensors = sensors or boat.sensors
    crew = crew or CrewLog()
    raw = cond.samples
    time = epoch_s(raw.index)
    north = find_north(raw)
    hdg_logged, of_heading = true_heading(raw, north, cond.native_rate_hz)
    hdg = wrap360(hdg_logged + sensors.heading_offset_deg)
    sog, cog, of_ground = _over_ground(raw, time, north.variation_deg, cond.rate_hz)
    stw = _column(raw, "stw_kn") * sensors.stw_factor + sensors.stw_offset_kn
    aws, awa, of_wind = _apparent(cond, boat, sensors, time)
    boards = crew_column(crew, "boards", raw)
    leeway, of_leeway = _leeway(time, _column(raw, "leeway_logged_deg"), _column(raw, "heel_deg"),
                                stw, aws, awa, boards, sensors)
    way_kn, way_off, kind, of_way = _own_way(stw, leeway, hdg, sog, cog, _has(aws) and _has(awa))
    findings = [*north.findings, *of_heading, *of_ground, *of_wind, *of_leeway, *of_way]
    tws, twa = triangle.true_wind(aws, awa, way_kn, way_off)
    twd = wrap360(_bow(hdg, cog) + twa)
    if not _has(twa):
        aws, awa, tws, twa, twd, notes = _logged_true_wind(
            raw, north.variation_deg, hdg, cog, stw, leeway, aws, awa)
        findings = [f for f in findings if f.code != "no-wind-speed" or not _has(twa)] + notes
    set_deg, drift = _set_and_drift(time, hdg, leeway, stw, sog, cog)
    out: dict[str, np.ndarray] = {
        name: _column(raw, name)
        for name in ("lat", "lon", "depth_m", "engine_rpm", "trim_deg", "heel_deg")}
    out |= {
        "sog_kn": sog, "cog_deg": cog, "stw_kn": stw, "hdg_deg": hdg, "awa_deg": awa,
        "aws_kn": aws, "twa_deg": twa, "tws_kn": tws, "twd_deg": twd,
        "rudder_deg": _column(raw, "rudder_deg") + (sensors.rudder_offset_deg or 0.0),
        "rate_of_turn_deg_s": _rate_of_turn(raw, time, hdg, cond.rate_hz),
        "leeway_deg": leeway, "set_deg": set_deg, "drift_kn": drift,
        "vmg_kn": triangle.vmg_kn(stw, twa, np.nan_to_num(leeway)),
        "helm": helm_column(crew, raw), "sails": sails_column(crew, raw),
        "state": np.full(len(raw), "", dtype=object),
    }
    columns = {name: out[name] for name in SAMPLE_COLUMNS} | {"boards": boards} | _beside(
        raw, crew, hdg_logged)
    samples = pd.DataFrame(columns, index=raw.index)
    samples.attrs["wind_reference"] = kind
    known_s = float(np.isfinite(twa).sum()) / cond.rate_hz
    source = "instruments" if known_s >= 60.0 or np.isfinite(twa).mean() > 0.5 else "none"
    return samples, findings, source


def _bow(hdg: Floats, cog: Floats) -> Floats:
    """Where the bow points; without a compass the course over ground stands in."""
    return hdg if np.isfinite(hdg).any() else cog


def _over_ground(
    raw: pd.DataFrame, time: Floats, variation: Floats, rate_hz: float
) -> tuple[Floats, Floats, list[Finding]]:
    """Speed and course over ground: logged, from magnetic, else from the positions."""
    n = len(raw)
    findings = []
    sog = raw["sog_kn"].to_numpy(dtype=float) if "sog_kn" in raw else np.full(n, np.nan)
    cog = raw["cog_deg"].to_numpy(dtype=float) if "cog_deg" in raw else np.full(n, np.nan)
    if "cog_mag_deg" in raw:
        from_magnetic = wrap360(raw["cog_mag_deg"].to_numpy(dtype=float) + variation)
        cog = np.where(np.isfinite(cog), cog, from_magnetic)
    if "lat" in raw and "lon" in raw and (
        np.isfinite(sog).mean() < 0.5 or np.isfinite(cog).mean() < 0.5
    ):
        made, course = _from_positions(raw, time, rate_hz)
        if np.isfinite(made).any():
            findings.append(Finding(
                "speed-from-positions", "Speed and course over ground were worked out from the "
                "positions: the log has none of its own, or too few.", level="note"))
        sog = np.where(np.isfinite(sog), sog, made)
        cog = np.where(np.isfinite(cog), cog, course)
    return sog, cog, findings


def _from_positions(raw: pd.DataFrame, time: Floats, rate_hz: float) -> tuple[Floats, Floats]:
    """Speed and course over ground from positions, over about five seconds (or three fixes)."""
    east, north = steps_m(raw["lat"].to_numpy(dtype=float), raw["lon"].to_numpy(dtype=float))
    gap = np.diff(time, prepend=np.nan)
    window = max(5.0, 3.0 / rate_hz)
    for run in runs(time):
        east[run.start] = north[run.start] = np.nan
    ve, vn = running_mean(time, east / gap, window), running_mean(time, north / gap, window)
    speed = np.hypot(ve, vn) * MS_TO_KN
    return speed, np.where(speed > 0.2, wrap360(arctan2d(ve, vn)), np.nan)


def _leeway(
    time: Floats, logged: Floats, heel: Floats, stw: Floats, aws: Floats, awa: Floats,
    boards: np.ndarray, sensors: Sensors,
) -> tuple[Floats, list[Finding]]:
    """Leeway by the law given, by the boat file's coefficient, else as logged, else unknown."""
    law, leeway_k = sensors.leeway, sensors.leeway_k
    if law is not None:
        drawn = leeway_by_law(law, time, aws, awa, stw, heel, boards)
        if np.isfinite(drawn).any():
            return drawn, []
    if leeway_k is not None and np.isfinite(heel).any() and np.isfinite(stw).any():
        calm_heel = running_mean(time, heel, LEEWAY_WINDOW_S)
        speed = running_mean(time, stw, LEEWAY_WINDOW_S)
        return triangle.leeway(calm_heel, speed, leeway_k), []
    if np.isfinite(logged).any() and np.nanmax(np.abs(logged)) > 0:
        return logged, [Finding(
            "leeway-logged", "Leeway is as the instruments computed it: the boat file gives no "
            "leeway_k.", level="note", channel="leeway_deg")]
    if not np.isfinite(stw).any():
        return np.full(time.shape, np.nan), []
    # Leeway 4 deg, boat 6 kn, wind 14 kn at 42 deg: left out, 40.7 deg and 13.7 kn are read.
    return np.full(time.shape, np.nan), [Finding(
        "leeway-unknown", "Leeway is not known and was taken as none; upwind the true wind angle "
        "then reads a degree or so too small.", level="note", channel="leeway_deg")]


def _without_the_mast(cond: Conditioned, boat: Boat, time: Floats, aws: Floats, awa: Floats,
                      heel: Floats, trim: Floats) -> tuple[Floats, Floats]:
    """Apparent wind, the masthead's motion taken off as far as it shows."""
    rates = cond.native_rate_hz
    quick = min(rates.get(name, 0.0) for name in ("aws_kn", "awa_deg", "heel_deg"))
    # A roll takes 2-6 s: slower readings would alias it.
    if not boat.mast_height_m or quick < 1.9:
        return aws, awa
    ahead, abeam = aws * cosd(awa), aws * sind(awa)
    v_ahead, v_abeam = masthead_velocity_kn(time, heel, trim, boat.mast_height_m,
                                            max(0.5, 2.5 / quick))
    share_abeam = share_that_shows(time, abeam, v_abeam)
    share_ahead = share_that_shows(time, ahead, v_ahead)
    ahead = ahead - share_ahead * v_ahead
    abeam = abeam - share_abeam * v_abeam
    return np.hypot(ahead, abeam), arctan2d(abeam, ahead)


def _apparent(
    cond: Conditioned, boat: Boat, sensors: Sensors, time: Floats
) -> tuple[Floats, Floats, list[Finding]]:
    """Apparent wind, sensor errors, mast motion and lean taken off."""
    raw = cond.samples
    awa, aws, heel = (_column(raw, name) for name in ("awa_deg", "aws_kn", "heel_deg"))
    empty = np.full(len(raw), np.nan)
    if not _has(awa):
        return empty, empty, []
    awa = wrap180(awa + sensors.awa_offset_deg)
    if not _has(aws):
        return empty, awa, [Finding(
            "no-wind-speed", "The log has an apparent wind angle but no usable apparent wind "
            "speed: true wind, and all that rests on it, is not known.", channel="aws_kn")]
    aws = aws * sensors.aws_factor
    if sensors.upwash_deg:
        awa = wrap180(awa - sensors.upwash_deg * sail_lift(awa))
    if not _has(heel):
        return aws, awa, []
    trim = _column(raw, "trim_deg")
    # The mean of the trim is as much the sensor's mounting and the mast's rake as the boat's.
    trim = np.nan_to_num(trim - (np.nanmedian(trim) if _has(trim) else 0.0))
    aws, awa = _without_the_mast(cond, boat, time, aws, awa, heel, trim)
    aws, awa = level_wind(aws, awa, np.clip(np.nan_to_num(heel), -60, 60), np.clip(trim, -30, 30))
    return aws, awa, []


def _own_way(
    stw: Floats, leeway: Floats, hdg: Floats, sog: Floats, cog: Floats, wanted: bool
) -> tuple[Floats, Floats, str, list[Finding]]:
    """The boat's own way in her frame: through the water, else over the ground (and says so)."""
    through = np.isfinite(stw).any()
    if through or not wanted:
        return stw, np.nan_to_num(leeway), "water", []
    if not np.isfinite(sog).any():
        return stw, np.nan_to_num(leeway), "water", [Finding(
            "no-boat-speed", "True wind needs a speed through the water or over the ground; the "
            "log has neither.", channel="stw_kn")]
    off = wrap180(cog - hdg) if np.isfinite(hdg).any() else np.zeros(stw.shape)
    return sog, off, "ground", [Finding(
        "ground-wind", "The log has no speed through the water, so the true wind here is the wind "
        "over the ground (current included) and speed is known over the ground only.",
        channel="stw_kn")]


def _logged_true_wind(
    raw: pd.DataFrame, variation: Floats, hdg: Floats, cog: Floats, stw: Floats, leeway: Floats,
    aws: Floats, awa: Floats,
) -> tuple[Floats, Floats, Floats, Floats, Floats, list[Finding]]:
    """True wind as the instruments computed it, where it does not rest on a sensor left out."""
    n = len(raw)
    empty = np.full(n, np.nan)

    def column(name: str) -> Floats:
        return raw[name].to_numpy(dtype=float) if name in raw else empty

    bow = _bow(hdg, cog)
    tws = column("tws_logged_kn")
    if _is_own_way(tws, column("sog_kn"), stw):
        return aws, awa, empty, empty, empty, [Finding(
            "wind-is-own-way", "The wind speed in the log is the boat's own speed all day: it was "
            "computed without a wind sensor and is no wind. It was left out.", channel="tws_kn")]
    twa = column("twa_logged_deg")
    if not np.isfinite(twa).any():
        twd = column("twd_logged_deg")
        if not np.isfinite(twd).any():
            twd = column("twd_mag_logged_deg") + variation
        twa = wrap180(twd - bow)
    if not np.isfinite(twa).any():
        return aws, awa, empty, empty, empty, []
    lacks = "speed" if np.isfinite(awa).any() else ""
    note = Finding(
        "true-wind-logged", f"The log has no apparent wind{' ' * bool(lacks)}{lacks}; true wind is "
        "as the instruments computed it, with their calibration, and the apparent wind was worked "
        "back from it.", channel="twa_deg")
    worked_aws, worked_awa = triangle.apparent_wind(tws, twa, stw, np.nan_to_num(leeway))
    apart = np.abs(wrap180(worked_awa - awa))
    if np.isfinite(apart).any() and np.nanmedian(apart) > CONTRADICTS_DEG:
        # The vane and the computed wind speed cannot both be right: the angle stands.
        return aws, awa, empty, twa, wrap360(bow + twa), [Finding(
            "true-wind-contradicts", "The true wind in the log and the vane contradict each other: "
            f"with that wind the vane would read {np.nanmedian(apart):.0f} deg otherwise. The "
            "likeliest culprit is the wind speed, which was left out; the direction is as the "
            "instruments computed it.", channel="tws_kn")]
    return worked_aws, worked_awa, tws, twa, wrap360(bow + twa), [note]


def _is_own_way(tws: Floats, sog: Floats, stw: Floats) -> bool:
    """Whether a logged wind speed is the boat's own speed throughout."""
    for speed in (sog, stw):
        both = np.isfinite(tws) & np.isfinite(speed) & (np.nan_to_num(speed) > 1.0)
        if both.sum() >= 60 and np.mean(np.abs(tws[both] - speed[both]) < 0.2) > 0.9:
            return True
    return False


def _set_and_drift(
    time: Floats, hdg: Floats, leeway: Floats, stw: Floats, sog: Floats, cog: Floats
) -> tuple[Floats, Floats]:
    """Current as a mean over ``CURRENT_WINDOW_S``: track less way through the water."""
    course = hdg + np.nan_to_num(leeway)
    east = sog * sind(cog) - stw * sind(course)
    north = sog * cosd(cog) - stw * cosd(course)
    east, north = (running_mean(time, east, CURRENT_WINDOW_S),
                   running_mean(time, north, CURRENT_WINDOW_S))
    return wrap360(arctan2d(east, north)), np.hypot(east, north)
