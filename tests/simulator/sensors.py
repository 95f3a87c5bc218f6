"""What the instruments make of the truth: errors, damping, noise, steps, dropouts and faults.

Errors are stated as the correction that would put them right: true = logged * factor, or
logged + offset.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .sea import lowpass, wandering


@dataclass(frozen=True)
class Fault:
    """A sensor that fails for a while.

    Attributes
    ----------
    kind : {"dropout", "stuck", "jump"}
        Nothing sent; the last value repeated; a position far off.
    channel : str
        Channel name, ``gps`` for all of its channels, ``wind`` for the pair.
    start_s, length_s : float
        From the day's start.
    size : float
        Metres, for a jump.
    """

    kind: str
    channel: str
    start_s: float
    length_s: float
    size: float = 0.0


def _default_rates() -> dict[str, float]:
    return {"gps": 1.0, "speed": 2.0, "heading": 10.0, "wind": 4.0, "rudder": 10.0,
            "attitude": 10.0, "turn": 10.0, "depth": 1.0, "engine": 1.0}


@dataclass(frozen=True)
class SensorModel:
    """All instruments of a boat.

    Attributes
    ----------
    rates_hz : dict
        Per group: gps, speed, heading, wind, rudder, attitude, turn, depth, engine; 0 is absent.
    stw_factor, stw_offset_kn, awa_offset_deg, aws_factor, heading_offset_deg, rudder_offset_deg
        Corrections that put the logged value right.
    deviation : tuple of float
        Sine and cosine of heading, sine and cosine of twice the heading, added to the correction.
    upwash_deg : float
        Vane reads this much too wide close-hauled (fading out at 90 degrees).
    stw_lag_s, vane_lag_s, heading_lag_s, gps_lag_s : float
        Damping as a first order lag.
    stw_noise_kn, awa_noise_deg, aws_noise_share, heading_noise_deg, rudder_noise_deg,
    attitude_noise_deg, gps_noise_m, sog_noise_kn : float
        Noise, standard deviation.
    spikes_per_hour : float
        Single wild values in each channel of speed, wind and rudder.
    magnetic : bool
        Heading is magnetic.
    mast_motion, heeled_vane : bool
        The masthead's own motion and the tilt of the vane are in the logged wind.
    senses_ahead : bool
        The speed sensor measures the part ahead, not along the course.
    faults : tuple of Fault
        Failures.
    """

    rates_hz: dict[str, float] = field(default_factory=_default_rates)
    stw_factor: float = 1.0
    stw_offset_kn: float = 0.0
    awa_offset_deg: float = 0.0
    aws_factor: float = 1.0
    heading_offset_deg: float = 0.0
    rudder_offset_deg: float = 0.0
    deviation: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    upwash_deg: float = 0.0
    stw_lag_s: float = 1.0
    vane_lag_s: float = 0.5
    heading_lag_s: float = 0.1
    gps_lag_s: float = 0.5
    stw_noise_kn: float = 0.06
    awa_noise_deg: float = 1.0
    aws_noise_share: float = 0.02
    heading_noise_deg: float = 0.3
    rudder_noise_deg: float = 0.2
    attitude_noise_deg: float = 0.3
    gps_noise_m: float = 1.5
    sog_noise_kn: float = 0.06
    spikes_per_hour: float = 0.0
    magnetic: bool = True
    mast_motion: bool = True
    heeled_vane: bool = True
    senses_ahead: bool = False
    faults: tuple[Fault, ...] = ()


GROUPS = {
    "lat": "gps", "lon": "gps", "sog_kn": "gps", "cog_deg": "gps", "stw_kn": "speed",
    "hdg_mag_deg": "heading", "hdg_deg": "heading", "variation_deg": "gps", "awa_deg": "wind",
    "aws_kn": "wind", "rudder_deg": "rudder", "heel_deg": "attitude", "trim_deg": "attitude",
    "rate_of_turn_deg_s": "turn", "depth_m": "depth", "engine_rpm": "engine"}
RESOLUTION = {
    "sog_kn": 0.1, "cog_deg": 0.1, "stw_kn": 0.01, "hdg_mag_deg": 0.1, "hdg_deg": 0.1,
    "awa_deg": 0.1, "aws_kn": 0.1, "rudder_deg": 0.1, "heel_deg": 0.1, "trim_deg": 0.1,
    "rate_of_turn_deg_s": 0.01, "depth_m": 0.1, "engine_rpm": 10.0, "variation_deg": 0.1}
BEARINGS = ("cog_deg", "hdg_mag_deg", "hdg_deg")


def record(truth: dict[str, np.ndarray], start_s: float, step_s: float, model: SensorModel,
           variation_deg: float, rng: np.random.Generator, metres_per_deg: tuple[float, float],
           ) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Channel by channel (time_s, value) as the instruments sent it.

    ``truth`` holds arrays at ``step_s`` under channel names, with ``awa_mast_deg`` and
    ``aws_mast_kn`` for the wind the moving, tilted masthead meets.
    """
    n = len(truth["lat"])
    base = np.arange(n) * step_s
    heading = truth["hdg_deg"]
    wave = np.radians(heading)
    b1, c1, b2, c2 = model.deviation
    deviation = (b1 * np.sin(wave) + c1 * np.cos(wave) + b2 * np.sin(2 * wave)
                 + c2 * np.cos(2 * wave))
    turned = np.degrees(np.unwrap(wave))
    shown = lowpass(turned, step_s, model.heading_lag_s) - model.heading_offset_deg - deviation
    if model.magnetic:
        shown = shown - variation_deg
    name = "hdg_mag_deg" if model.magnetic else "hdg_deg"

    speed = truth["stw_kn"]
    if model.senses_ahead:
        speed = speed * np.cos(np.radians(truth["leeway_deg"]))
    speed = lowpass(speed / model.stw_factor - model.stw_offset_kn, step_s, model.stw_lag_s)
    # Water at the hull is not smooth: a slow part that averages out over some minutes.
    speed = speed + model.stw_noise_kn * (0.5 * wandering(rng, n, step_s, 6.0))

    awa = truth["awa_mast_deg"]
    close = np.clip((90.0 - np.abs(truth["awa_deg"])) / 60.0, 0.0, 1.0)
    awa = awa + model.upwash_deg * close * np.sign(awa)
    ahead = lowpass(truth["aws_mast_kn"] * np.cos(np.radians(awa)), step_s, model.vane_lag_s)
    abeam = lowpass(truth["aws_mast_kn"] * np.sin(np.radians(awa)), step_s, model.vane_lag_s)
    vane = np.degrees(np.arctan2(abeam, ahead)) - model.awa_offset_deg
    cups = np.hypot(ahead, abeam) / model.aws_factor

    east = model.gps_noise_m * wandering(rng, n, step_s, 90.0)
    north = model.gps_noise_m * wandering(rng, n, step_s, 90.0)
    course = np.radians(truth["cog_deg"])
    over_east = lowpass(truth["sog_kn"] * np.sin(course), step_s, model.gps_lag_s)
    over_north = lowpass(truth["sog_kn"] * np.cos(course), step_s, model.gps_lag_s)
    over_east = over_east + model.sog_noise_kn * wandering(rng, n, step_s, 2.0)
    over_north = over_north + model.sog_noise_kn * wandering(rng, n, step_s, 2.0)
    for fault in model.faults:
        if fault.kind == "jump":
            hit = (base >= fault.start_s) & (base < fault.start_s + fault.length_s)
            east = east + np.where(hit, fault.size, 0.0)
    values = {
        "lat": truth["lat"] + north / metres_per_deg[0],
        "lon": truth["lon"] + east / metres_per_deg[1],
        "sog_kn": np.hypot(over_east, over_north),
        "cog_deg": np.degrees(np.arctan2(over_east, over_north)) % 360.0,
        "stw_kn": np.maximum(speed, 0.0), name: shown, "awa_deg": vane, "aws_kn": cups,
        "rudder_deg": truth["rudder_deg"] - model.rudder_offset_deg,
        "heel_deg": truth["heel_deg"], "trim_deg": truth["trim_deg"],
        "rate_of_turn_deg_s": truth["rate_of_turn_deg_s"], "depth_m": truth["depth_m"],
        "engine_rpm": truth["engine_rpm"], "variation_deg": np.full(n, variation_deg)}
    noise = {"stw_kn": model.stw_noise_kn * 0.7, "awa_deg": model.awa_noise_deg,
             name: model.heading_noise_deg, "rudder_deg": model.rudder_noise_deg,
             "heel_deg": model.attitude_noise_deg, "trim_deg": model.attitude_noise_deg,
             "rate_of_turn_deg_s": 0.15, "depth_m": 0.05}
    logged: dict[str, tuple[np.ndarray, np.ndarray]] = {}
    phase: dict[str, float] = {}
    for channel, full in values.items():
        group = GROUPS[channel]
        rate = model.rates_hz.get(group, 0.0)
        if rate <= 0:
            continue
        if group not in phase:
            # Receivers fix on the whole second; the other sensors keep no common beat.
            phase[group] = 0.0 if group == "gps" else float(rng.uniform(0, 0.9 / rate))
        at = np.arange(phase[group], base[-1], 1.0 / rate)
        index = np.minimum(np.round(at / step_s).astype(int), n - 1)
        value = full[index]
        if channel in noise:
            value = value + noise[channel] * rng.standard_normal(len(value))
        if channel == "aws_kn":
            value = value * (1 + model.aws_noise_share * rng.standard_normal(len(value)))
        if channel == "stw_kn":
            value = np.maximum(value, 0.0)
        value = _spikes(value, channel, model, rng, base[-1])
        keep, value = _faults(at, value, channel, group, model.faults)
        if channel in RESOLUTION:
            value = np.round(value / RESOLUTION[channel]) * RESOLUTION[channel]
        if channel in BEARINGS:
            value = np.round(value % 360.0, 2) % 360.0
        if channel == "awa_deg":
            value = (value + 180.0) % 360.0 - 180.0
        logged[channel] = (start_s + at[keep], value[keep])
    return logged


def _spikes(value: np.ndarray, channel: str, model: SensorModel, rng: np.random.Generator,
            length_s: float) -> np.ndarray:
    wild = {"stw_kn": (15.0, 40.0), "aws_kn": (50.0, 99.0), "rudder_deg": (40.0, 70.0),
            "depth_m": (150.0, 300.0)}
    if model.spikes_per_hour <= 0 or channel not in wild:
        return value
    count = rng.poisson(model.spikes_per_hour * length_s / 3600.0)
    value = value.copy()
    value[rng.integers(0, len(value), count)] = rng.uniform(*wild[channel], count)
    return value


def _faults(at: np.ndarray, value: np.ndarray, channel: str, group: str,
            faults: tuple[Fault, ...]) -> tuple[np.ndarray, np.ndarray]:
    keep = np.ones(len(at), bool)
    for fault in faults:
        if fault.channel not in (channel, group):
            continue
        hit = (at >= fault.start_s) & (at < fault.start_s + fault.length_s)
        if fault.kind == "dropout":
            keep &= ~hit
        elif fault.kind == "stuck" and hit.any():
            value = np.where(hit, value[np.argmax(hit)], value)
    return keep, value
