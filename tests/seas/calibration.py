"""A light sea for calibration: kinematics only, with the sensors' errors known.

Boat speed follows the wind through a first-order lag towards a simple polar; heel follows the
side force; leeway is ``k heel / stw^2``. The wind is a sum of three Ornstein-Uhlenbeck processes
in speed and direction, the current a rotary tide with an eddy. It shares nothing with the
analysis but the record types.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from sailanalysis.core.model import RawLog, Stream

START_S = 1_748_768_400.0


@dataclass(frozen=True)
class SeaDay:
    """One generated day: what was logged, and what was true."""

    raw: RawLog
    truth: dict[str, float]
    time_s: np.ndarray
    twd_deg: np.ndarray
    set_deg: np.ndarray
    drift_kn: np.ndarray
    true: dict[str, np.ndarray] = field(default_factory=dict)


def _ou(rng, n, dt, tau, sd):
    """Ornstein-Uhlenbeck series."""
    from scipy.signal import lfilter

    a = np.exp(-dt / tau)
    kick = rng.normal(0, sd * np.sqrt(1 - a * a), n)
    kick[0] = rng.normal(0, sd)
    return lfilter([1.0], [1.0, -a], kick)


def _lag(x, tau, dt):
    """First-order lag of a sensor."""
    from scipy.signal import lfilter

    if tau <= 0:
        return x
    a = np.exp(-dt / tau)
    return lfilter([1 - a], [1.0, -a], x, zi=[a * x[0]])[0]


def plan_angles(kind: str, seconds: int, rng) -> np.ndarray:
    """True wind angle the helm sails, per second."""
    out = np.empty(seconds)
    at = 0
    side = 1.0

    def leg(angle, minutes):
        nonlocal at
        stop = min(seconds, at + int(60 * minutes))
        out[at:stop] = angle
        at = stop

    while at < seconds:
        if kind == "one_heading":
            leg(55.0, 1000)
        elif kind == "no_tacks":
            for angle in (45.0, 90.0, 130.0, 60.0):
                leg(angle, rng.uniform(10, 25))
        elif kind == "beat":
            leg(side * rng.uniform(40, 46), rng.uniform(4, 12))
            side = -side
        elif kind == "out_and_back":
            leg(90.0, seconds / 120)
            leg(-90.0, 1000)
        else:
            for _ in range(int(rng.integers(4, 9))):
                leg(side * rng.uniform(40, 46), rng.uniform(3, 10))
                side = -side
            for _ in range(int(rng.integers(1, 3))):
                leg(side * rng.uniform(70, 115), rng.uniform(5, 15))
            for _ in range(int(rng.integers(2, 6))):
                leg(side * rng.uniform(140, 165), rng.uniform(3, 10))
                side = -side
    return out


def sail(
    seed: int,
    kind: str = "mixed",
    hours: float = 4.0,
    *,
    tide_kn: float | None = None,
    wind_kn: float | None = None,
    upwash_deg: float = 0.0,
    deviation_deg: float = 0.0,
    vane_lag_s: float = 1.0,
    speed_lag_s: float = 2.0,
    gps_step: float = 0.01,
    errors: dict[str, float] | None = None,
    rate_hz: float = 1.0,
) -> SeaDay:
    """Sail one day with random sensor errors.

    Parameters
    ----------
    seed : int
    kind : {"mixed", "beat", "one_heading", "no_tacks", "out_and_back"}
    hours : float
    tide_kn : float, optional
        Amplitude; random 0-3 without it.
    upwash_deg : float
        Bend of the wind at the masthead close-hauled.
    deviation_deg : float
        Amplitude of a two-cycle compass deviation, and half of it one-cycle.
    errors : dict, optional
        True corrections by name; random without it.
    """
    rng = np.random.default_rng(seed)
    dt = 1.0
    n = int(hours * 3600)
    t = np.arange(n) * dt
    truth = {
        "stw_factor": rng.uniform(0.9, 1.1), "awa_offset_deg": rng.uniform(-6, 6),
        "aws_factor": rng.uniform(0.9, 1.1), "heading_offset_deg": rng.uniform(-5, 5),
        "leeway_k": rng.uniform(5, 15),
    }
    truth.update(errors or {})
    tide = rng.uniform(0, 3) if tide_kn is None else tide_kn
    base = rng.uniform(8, 20) if wind_kn is None else wind_kn
    # Wind over the ground.
    veer = rng.normal(0, 4) * t / 3600
    gwd = (rng.uniform(0, 360) + veer + _ou(rng, n, dt, 1500, rng.uniform(2, 6))
           + _ou(rng, n, dt, 300, rng.uniform(2, 4)) + _ou(rng, n, dt, 25, 4))
    gws = base * np.exp(_ou(rng, n, dt, 3000, 0.10) + _ou(rng, n, dt, 300, 0.07)
                        + _ou(rng, n, dt, 20, 0.08))
    # Rotary tide along an axis, an eddy as the boat moves.
    axis, phase, ratio = rng.uniform(0, 2 * np.pi), rng.uniform(0, 2 * np.pi), rng.uniform(-.2, .2)
    w = 2 * np.pi / (12.42 * 3600)
    along, across = tide * np.cos(w * t + phase), tide * ratio * np.sin(w * t + phase)
    ce = along * np.sin(axis) + across * np.cos(axis) + _ou(rng, n, dt, 1200, 0.03 + 0.05 * tide)
    cn = along * np.cos(axis) - across * np.sin(axis) + _ou(rng, n, dt, 1200, 0.03 + 0.05 * tide)
    # Wind over the water, from-vector: over ground plus the water's own way.
    we = gws * np.sin(np.radians(gwd)) + ce
    wn = gws * np.cos(np.radians(gwd)) + cn
    tws, twd = np.hypot(we, wn), np.degrees(np.arctan2(we, wn))
    slow = np.degrees(np.unwrap(np.radians(twd)))
    slow = _lag(slow, 60.0, dt)
    plan = plan_angles(kind, n, rng)
    hdg = np.full(n, slow[0] - 55.0) if kind == "one_heading" else slow - plan
    # A turn takes ten seconds or so; the helm wanders, waves yaw her.
    hdg = np.degrees(np.unwrap(np.radians(hdg)))
    hdg = _lag(_lag(hdg, 4.5, dt), 4.5, dt)
    hdg = hdg + _ou(rng, n, dt, 15, 2.0) + 1.5 * np.sin(2 * np.pi * t / 4.3)
    twa = (twd - hdg + 180) % 360 - 180
    size = rng.uniform(5.5, 8.5)
    a = np.radians(np.abs(twa))
    shape = np.clip(1.25 * np.sin(a) ** 0.7 * (1 - 0.18 * np.cos(a)) , 0.05, None)
    target = size * np.tanh(tws / 11.0) * np.where(np.abs(twa) < 30, 0.0, shape)
    stw = np.maximum(_lag(target, 12.0, dt) + _ou(rng, n, dt, 60, 0.12), 0.3)
    aws = np.hypot(tws * np.cos(np.radians(twa)) + stw, tws * np.sin(np.radians(twa)))
    side = -np.sign(np.sin(np.radians(twa)))
    press = (aws / 18.0) ** 2 * np.clip(np.cos(np.radians(np.abs(twa) / 2)) ** 1.5, 0, 1)
    heel = _lag(side * 24 * np.tanh(press), 5.0, dt)
    leeway = np.clip(truth["leeway_k"] * heel / np.maximum(stw, 1.5) ** 2, -20, 20)
    course = np.radians(hdg + leeway)
    ve, vn = stw * np.sin(course) + ce, stw * np.cos(course) + cn
    lat = 48.0 + np.cumsum(vn) * dt * 0.514444 / 111_195
    lon = -5.0 + np.cumsum(ve) * dt * 0.514444 / (111_195 * np.cos(np.radians(48.0)))
    # What the leaning vane feels: true wind plus own way, in the boat's frame.
    ahead = tws * np.cos(np.radians(twa)) + stw * np.cos(np.radians(leeway))
    abeam = tws * np.sin(np.radians(twa)) + stw * np.sin(np.radians(leeway))
    roll = heel + 3.0 * np.sin(2 * np.pi * t / 5.1) + _ou(rng, n, dt, 3, 1.0)
    abeam = abeam * np.cos(np.radians(roll))
    awa = np.degrees(np.arctan2(abeam, ahead))
    awa = awa + upwash_deg * np.sin(np.radians(awa)) * np.exp(-((np.abs(awa) / 70) ** 2)) * 2.2
    speed = np.hypot(ahead, abeam)
    # Sensors.
    dev = deviation_deg * (np.sin(np.radians(2 * hdg + 40)) + 0.5 * np.cos(np.radians(hdg - 20)))
    shown_hdg = hdg - truth["heading_offset_deg"] - dev + rng.normal(0, 0.5, n)
    shown_awa = _lag(np.degrees(np.unwrap(np.radians(awa))), vane_lag_s, dt)
    shown_awa = shown_awa - truth["awa_offset_deg"] + rng.normal(0, 1.5, n)
    shown_aws = _lag(speed, vane_lag_s, dt) / truth["aws_factor"] + rng.normal(0, 0.3, n)
    shown_stw = _lag(stw, speed_lag_s, dt) / truth["stw_factor"] + rng.normal(0, 0.08, n)
    sog = np.hypot(ve, vn) + rng.normal(0, 0.05, n)
    cog = np.degrees(np.arctan2(ve, vn)) + rng.normal(0, 0.6, n)
    logged = {
        "lat": lat, "lon": lon, "sog_kn": np.round(np.maximum(sog, 0) / gps_step) * gps_step,
        "cog_deg": cog % 360, "stw_kn": np.round(shown_stw, 2), "hdg_deg": shown_hdg % 360,
        "awa_deg": (shown_awa + 180) % 360 - 180, "aws_kn": np.maximum(shown_aws, 0),
        "heel_deg": roll + rng.normal(0, 0.3, n),
    }
    step = round(1 / (rate_hz * dt)) if rate_hz < 1 else 1
    streams = tuple(Stream(name, "sea", START_S + t[::step], np.asarray(value[::step], dtype=float))
                    for name, value in logged.items())
    return SeaDay(RawLog(streams, ()), truth, START_S + t, twd % 360,
                  np.degrees(np.arctan2(ce, cn)) % 360, np.hypot(ce, cn),
                  {"twa_deg": twa, "stw_kn": stw, "hdg_deg": hdg % 360, "leeway_deg": leeway,
                   "tws_kn": tws})
