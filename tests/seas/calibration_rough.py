"""Rough days for calibration: another physics every day, and the faults of real instruments.

Each day draws its own law of leeway, wind structure, tide, boat, helm and sensors, so that nothing
the calibration supposes holds on all of them. Nothing of the package is used but the record types.
All numbers are invented within what is common practice for yachts.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from sailanalysis.core.model import RawLog, Stream
from seas.calibration import _lag, _ou

START_S = 1_780_300_800.0
M_PER_S = 0.514444


@dataclass(frozen=True)
class Physics:
    """One day's world. ``truth`` holds the corrections; ``leeway_k`` only of the law ``k``."""

    hours: float = 3.0
    rate_hz: float = 1.0
    plan: str = "mixed"  # mixed, sausage, beat, reaches, passage
    motor_min: float = 0.0  # at both ends
    rpm: bool = True
    wind_kn: float = 12.0
    wind: str = "gusts"  # gusts, steps, front, veer, swings
    shift_deg: float = 5.0
    gust: float = 0.08
    tacks_on_headers: bool = False
    tide_kn: float = 1.0
    tide: str = "turning"  # turning, sheared, line
    leeway: str = "k"  # k, exponents, side force, none
    top_kn: float = 7.0
    heel_most_deg: float = 20.0
    answer_s: float = 15.0
    wave_yaw_deg: float = 1.5
    speed_noise: float = 0.02
    points_apart_deg: float = 0.0  # starboard tack less port
    boat_apart: float = 0.0  # speed, starboard tack over port, less 1
    upwash_deg: float = 0.0
    vane_per_heel: float = 0.0
    deviation_deg: float = 0.0
    paddle_apart: float = 0.0  # reading, starboard tack over port, less 1
    vane_lag_s: float = 1.0
    speed_lag_s: float = 1.5
    quantised: bool = False
    missing: tuple[str, ...] = ()
    shear_deg: float = 0.0  # what to add to the masthead's angle to get what the sails feel
    leeway_close_deg: float = 0.0  # of the law k, close-hauled, with the boards down
    boards_up: float = 0.0  # leeway with one board up, times; 0: no boards
    errors: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class RoughDay:
    """What was logged and what was true."""

    raw: RawLog
    truth: dict[str, float]
    physics: Physics
    time_s: np.ndarray
    true: dict[str, np.ndarray]


def draw(seed: int) -> Physics:
    """A world at random."""
    r = np.random.default_rng(seed)

    def some(share: float, low: float, high: float) -> float:
        return float(r.uniform(low, high)) if r.random() < share else 0.0

    hours = float(r.choice([1.0, 2.0, 3.0, 5.0, 8.0], p=[0.15, 0.25, 0.3, 0.2, 0.1]))
    rate = float(r.choice([1, 2, 5, 10], p=[0.55, 0.2, 0.15, 0.1])) if hours < 5 else 1.0
    lost = ((), ("heel_deg",), ("hdg_deg",), ("stw_kn",), ("awa_deg",), ("sog_kn", "cog_deg"))
    return Physics(
        hours=hours, rate_hz=rate,
        plan=str(r.choice(["mixed", "sausage", "beat", "reaches", "passage"],
                          p=[0.4, 0.25, 0.15, 0.1, 0.1])),
        motor_min=some(0.6, 5, 20), rpm=bool(r.random() < 0.6),
        wind_kn=float(r.uniform(6, 22)),
        wind=str(r.choice(["gusts", "steps", "front", "veer", "swings"])),
        shift_deg=float(r.uniform(2, 9)), gust=float(r.uniform(0.04, 0.16)),
        tacks_on_headers=bool(r.random() < 0.5),
        tide_kn=float(r.uniform(0, 3)),
        tide=str(r.choice(["turning", "sheared", "line"], p=[0.5, 0.25, 0.25])),
        leeway=str(r.choice(["k", "exponents", "side force", "none"], p=[0.55, 0.15, 0.15, 0.15])),
        top_kn=float(r.uniform(5, 10)), heel_most_deg=float(r.uniform(5, 28)),
        answer_s=float(r.uniform(5, 40)), wave_yaw_deg=float(r.uniform(0.2, 4)),
        speed_noise=float(r.uniform(0.005, 0.04)),
        points_apart_deg=some(0.4, -4, 4), boat_apart=some(0.5, -0.01, 0.01),
        upwash_deg=some(0.5, -1, 4), vane_per_heel=some(0.3, -0.12, 0.12),
        deviation_deg=some(0.5, 0.5, 4), paddle_apart=some(0.4, -0.03, 0.03),
        vane_lag_s=float(r.uniform(0, 4)), speed_lag_s=float(r.uniform(0, 5)),
        quantised=bool(r.random() < 0.35),
        missing=lost[r.choice(6, p=[0.78, 0.1, 0.03, 0.03, 0.03, 0.03])],
        errors={"stw_factor": float(r.uniform(0.9, 1.1)), "awa_offset_deg": float(r.uniform(-6, 6)),
                "aws_factor": float(r.uniform(0.9, 1.1)),
                "heading_offset_deg": float(r.uniform(-5, 5)),
                "leeway_k": float(r.uniform(5, 15))})


def draw_hull(seed: int, shear: bool | None = None) -> Physics:
    """A world for monohulls and catamarans alike: sailed upwind, a third of them with shear.

    Even seeds are catamarans of 2-5 deg of heel, half with boards that come up by turns; odd ones
    are monohulls. A third have no heel sensor, a third a wind that turns with height.
    """
    r = np.random.default_rng([seed, 77])
    two = seed % 2 == 0
    p = draw(seed)
    with_shear = r.random() < 1 / 3 if shear is None else shear
    twist = float(r.choice([-1, 1]) * r.uniform(2, 6))
    missing = ("heel_deg",) if r.random() < 1 / 3 else ()
    return replace(
        p, hours=max(p.hours, 2.0), rate_hz=1.0, missing=missing,
        plan=str(r.choice(["mixed", "sausage", "beat"], p=[0.55, 0.35, 0.1])),
        leeway=str(r.choice(["k", "k", "exponents", "side force"])),
        leeway_close_deg=float(r.uniform(2, 7)),
        heel_most_deg=float(r.uniform(2, 5)) if two else float(r.uniform(14, 28)),
        top_kn=float(r.uniform(7, 13)) if two else float(r.uniform(5, 8.5)),
        boards_up=float(r.uniform(1.3, 2.2)) if two and r.random() < 0.5 else 0.0,
        shear_deg=twist * with_shear)


def features(p: Physics) -> list[str]:
    """What is out of the common about a world, for tables of results by cause."""
    out = [f"plan {p.plan}", f"wind {p.wind}", f"tide {p.tide}", f"leeway {p.leeway}",
           f"{p.hours:.0f} h", f"{p.rate_hz:.0f} Hz"]
    for name, least, words in (
            ("deviation_deg", 2.0, "deviation over 2 deg"), ("upwash_deg", 2.0, "upwash over 2 deg"),
            ("vane_per_heel", 0.06, "vane bends with heel"), ("points_apart_deg", 2.0, "points unalike"),
            ("paddle_apart", 0.01, "paddle wheel unalike"), ("boat_apart", 0.005, "boat unalike"),
            ("tide_kn", 2.0, "tide over 2 kn"), ("motor_min", 1.0, "motoring"),
            ("vane_lag_s", 2.5, "late vane"), ("speed_lag_s", 3.0, "late speed"),
            ("wave_yaw_deg", 2.5, "yawing"), ("shift_deg", 6.0, "shifty")):
        if abs(getattr(p, name)) >= least:
            out.append(words)
    out += ["tacks on headers"] * p.tacks_on_headers + ["coarse steps"] * p.quantised
    return out + [f"no {m}" for m in p.missing]


def _smooth_steps(r, t, every_s, sd):
    """Levels that change at random instants, each within a minute or less."""
    out = np.zeros(t.size)
    at = r.uniform(0, every_s)
    level = 0.0
    while at < t[-1]:
        new = r.normal(0, sd)
        out += (new - level) / (1.0 + np.exp(-np.clip((t - at) / r.uniform(2, 15), -50, 50)))
        level = new
        at += r.exponential(every_s) + 120.0
    return out


def _wind(p, r, t, dt):
    """Direction and speed over the ground."""
    n, hour = t.size, t / 3600.0
    twd = r.uniform(0, 360) + _ou(r, n, dt, 20, r.uniform(1, 4)) + r.normal(0, 2) * hour
    log_speed = _ou(r, n, dt, 25, p.gust) + _ou(r, n, dt, 2500, r.uniform(0.03, 0.15))
    if p.wind == "gusts":
        twd += _ou(r, n, dt, 250, p.shift_deg * 0.7) + _ou(r, n, dt, 1500, p.shift_deg * 0.7)
        log_speed += _ou(r, n, dt, 200, p.gust)
    elif p.wind == "steps":
        twd += _smooth_steps(r, t, 500, p.shift_deg)
        log_speed += _smooth_steps(r, t, 400, p.gust)
    elif p.wind == "front":
        when = 1 / (1 + np.exp(-np.clip((t - r.uniform(0.2, 0.8) * t[-1]) / 40.0, -50, 50)))
        twd += when * r.choice([-1, 1]) * r.uniform(25, 70) + _ou(r, n, dt, 400, p.shift_deg * 0.5)
        log_speed += when * r.uniform(-0.3, 0.4)
    elif p.wind == "veer":
        twd += r.choice([-1, 1]) * r.uniform(20, 40) * t / t[-1] + _ou(r, n, dt, 300, p.shift_deg * 0.5)
        log_speed += r.uniform(-0.4, 0.4) * t / t[-1]
    else:
        period = r.uniform(400, 1000)
        phase = 2 * np.pi * t / period + _ou(r, n, dt, 1500, 0.8)
        twd += 1.4 * p.shift_deg * np.sin(phase)
        log_speed += p.gust * np.sin(phase + r.uniform(0, 6))  # lifts come with gusts or lulls
    return twd, p.wind_kn * np.exp(log_speed)


def _stages(p, r):
    """Points of sail in turn with their minutes, for ever."""
    while True:
        if p.plan == "beat":
            yield "up", 1e4
        elif p.plan == "passage":
            yield "hold", 1e4
        elif p.plan == "reaches":
            yield "reach", r.uniform(8, 25)
        elif p.plan == "sausage":
            yield "up", r.uniform(12, 30)
            yield "down", r.uniform(10, 25)
        else:
            yield "up", r.uniform(12, 40)
            yield "reach", r.uniform(6, 20)
            yield "down", r.uniform(10, 30)
            if r.random() < 0.5:
                yield "reach", r.uniform(6, 20)


def _helm(p, r, t, dt, twd, sailing):
    """Heading the helm steers for, and the side the wind comes over."""
    every = max(1, round(5.0 / dt))
    grid = t[::every]
    felt = _lag(_lag(twd, 8.0, dt), 8.0, dt)[::every]
    usual = _lag(felt, 500.0, 5.0)
    want, sides = np.empty(grid.size), np.empty(grid.size)
    stages = _stages(p, r)
    side, stage, stage_end, leg_start, angle = float(r.choice([-1, 1])), "", -1.0, 0.0, 45.0
    most = r.uniform(240, 800)
    up, down = r.uniform(38, 50), r.uniform(138, 168)
    held = felt[0] - side * r.uniform(50, 130)
    for i, at in enumerate(grid):
        if at >= stage_end:
            stage, minutes = next(stages)
            stage_end = at + 60 * minutes
            angle = {"up": up, "down": down, "reach": r.uniform(65, 120)}.get(stage, 90.0)
            side = -side if stage == "reach" and r.random() < 0.8 else side
            leg_start, leg = at, r.uniform(0.4, 1.0) * most
        if stage in ("up", "down") and at - leg_start > 90.0:
            away = side * (felt[i] - usual[i]) * (1 if stage == "up" else -1)
            headed = p.tacks_on_headers and away < -0.8 * p.shift_deg
            if headed or at - leg_start > leg:
                side, leg_start, leg = -side, at, r.uniform(0.4, 1.0) * most
        want[i] = held if stage == "hold" else felt[i] - side * (
            angle + (0.5 * side * p.points_apart_deg if stage == "up" else 0.0))
        sides[i] = side
    want = np.unwrap(want, period=360.0)
    # Motoring: out on a course, home on its reciprocal or near it.
    course = r.uniform(0, 360)
    out, home = grid < sailing[0], grid > sailing[1]
    want[out], want[home] = course, course + 180.0 + r.normal(0, 10)
    want = np.unwrap(want, period=360.0)
    step = np.minimum((np.arange(t.size) / every).astype(int), grid.size - 1)
    hdg = want[step] if p.plan == "passage" else np.interp(t, grid, want)
    return _lag(_lag(hdg, 3.5, dt), 3.5, dt)


def polar_kn(constants, tws_kn, twa_deg):
    """The speed the boat tends to, from ``true["polar"]``."""
    top, scale, lean, drop, bend = constants
    a = np.abs(twa_deg)
    shape = (1 - np.exp(-np.maximum(a - 18, 0) / lean)) * (1 - drop * (a / 180) ** bend)
    return top * np.tanh(tws_kn / scale) * shape


def sail(seed: int, physics: Physics | None = None) -> RoughDay:
    """Sail one day in the world given, else in one drawn from the seed."""
    p = physics or draw(seed)
    r = np.random.default_rng([seed, 1])
    dt = 1.0 / p.rate_hz
    n = int(p.hours * 3600 / dt)
    t = np.arange(n) * dt
    errors = {"stw_factor": 1.0, "awa_offset_deg": 0.0, "aws_factor": 1.0,
              "heading_offset_deg": 0.0, "leeway_k": 10.0} | p.errors
    gwd, gws = _wind(p, r, t, dt)
    sailing = (60 * p.motor_min, t[-1] - 60 * p.motor_min)
    motor = (t < sailing[0]) | (t > sailing[1])
    # The tide in time; where the boat is in it comes with the second pass.
    axis, phase = r.uniform(0, 2 * np.pi), r.uniform(0, 2 * np.pi)
    tide = p.tide_kn * np.cos(2 * np.pi * t / (12.42 * 3600) + phase)
    current = tide * np.exp(1j * axis) + 0.25j * np.exp(1j * axis) * p.tide_kn * np.sin(
        2 * np.pi * t / (12.42 * 3600) + phase)
    current = current + _ou(r, n, dt, 900, 0.02 + 0.03 * p.tide_kn) + 1j * _ou(
        r, n, dt, 900, 0.02 + 0.03 * p.tide_kn)
    scale, lean = r.uniform(9, 15), r.uniform(12, 28)
    drop, bend = r.uniform(0.15, 0.4), r.uniform(2, 4)
    motor_kn = r.uniform(4.5, 6.5)
    wobble = np.exp(_ou(r, n, dt, 40, p.speed_noise) + _ou(r, n, dt, 1200, p.speed_noise))
    yaw = _ou(r, n, dt, 12, 1.5) + p.wave_yaw_deg * np.sin(
        2 * np.pi * t / r.uniform(3.5, 7.5) + _ou(r, n, dt, 60, 1.0))
    seed_helm = int(r.integers(1 << 31))
    for again in (False, True):
        wind = gws * np.exp(1j * np.radians(gwd)) + current  # over the water, where from
        tws, twd = np.abs(wind), np.unwrap(np.angle(wind, deg=True), period=360.0)
        hdg = _helm(p, np.random.default_rng(seed_helm), t, dt, twd + p.shear_deg, sailing) + yaw
        twa = (twd - hdg + 180) % 360 - 180
        side = np.sign(twa)
        sails_twa = (twa + p.shear_deg + 180) % 360 - 180
        a = np.abs(sails_twa)
        shape = (1 - np.exp(-np.maximum(a - 18, 0) / lean)) * (1 - drop * (a / 180) ** bend)
        goal = p.top_kn * np.tanh(tws / scale) * shape * (1 + 0.5 * side * p.boat_apart)
        stw = np.maximum(_lag(np.where(motor, motor_kn, goal), p.answer_s, dt) * wobble, 0.2)
        if again or p.tide == "turning":
            break
        # Across the stream: a smooth shear over a mile or so, or a line of a hundred metres.
        way = np.cumsum(stw * np.exp(1j * np.radians(hdg)) + current) * dt * M_PER_S
        across = (way * np.exp(-1j * axis)).imag
        width = r.uniform(20, 150) if p.tide == "line" else r.uniform(600, 2500)
        middle = np.quantile(across, r.uniform(0.3, 0.7))
        share = 1 / (1 + np.exp(-np.clip((across - middle) / width, -50, 50)))
        current = current * (1 - share * r.uniform(0.4, 1.3))
    ahead0 = tws * np.cos(np.radians(sails_twa)) + stw
    abeam0 = tws * np.sin(np.radians(sails_twa))
    force = np.sign(abeam0) * np.abs(abeam0) * np.hypot(ahead0, abeam0) / 200.0 * ~motor
    heel = _lag(-p.heel_most_deg * np.tanh(force), 3.0, dt)
    slow = np.maximum(stw, 1.5)
    arm = np.where(motor, 0.0, heel / slow**2)
    if p.leeway == "k":
        # A boat that stalls her keel would be another boat: at most ten degrees or so.
        if p.leeway_close_deg:
            errors["leeway_k"] = p.leeway_close_deg / float(
                np.median(np.abs(arm[(a < 60) & ~motor])) if ((a < 60) & ~motor).any() else 1.0)
        errors["leeway_k"] = min(errors["leeway_k"], 10.0 / float(np.quantile(np.abs(arm), 0.9)))
        leeway = errors["leeway_k"] * heel / slow**2
    elif p.leeway == "exponents":
        leeway = np.sign(heel) * r.uniform(2, 5) * (np.abs(heel) / p.heel_most_deg) ** r.uniform(
            0.6, 1.5) * (0.7 * p.top_kn / slow) ** r.uniform(0.5, 2.5)
    elif p.leeway == "side force":
        leeway = -r.uniform(2, 5) * _lag(force, 3.0, dt) * (0.7 * p.top_kn / slow) ** 2
    else:
        leeway = np.zeros(n)
    boards = np.full(n, "", dtype=object)
    if p.boards_up:
        b = np.random.default_rng([seed, 2])
        up = (np.floor(t / b.uniform(1500, 3000)) % 2).astype(bool)
        boards = np.where(up, "port up starboard down", "both down").astype(object)
        leeway = leeway * np.where(up, p.boards_up, 1.0)
    leeway = np.clip(leeway, -20, 20) * ~motor
    # The coefficient that serves best, where the law is another.
    best_k = float(np.sum(arm * leeway) / max(np.sum(arm**2), 1e-9))
    ground = stw * np.exp(1j * np.radians(hdg + leeway)) + current
    roll = heel + 2.5 * np.sin(2 * np.pi * t / r.uniform(3, 7)) + _ou(r, n, dt, 3, 0.8)
    ahead = tws * np.cos(np.radians(twa)) + stw * np.cos(np.radians(leeway))
    abeam = (tws * np.sin(np.radians(twa)) + stw * np.sin(np.radians(leeway))) * np.cos(
        np.radians(roll))
    awa = np.degrees(np.arctan2(abeam, ahead))
    lift = np.sin(np.radians(awa)) * np.exp(-((np.abs(awa) / r.uniform(50, 110)) ** 2)) * 2.0
    awa = awa + p.upwash_deg * lift * ~motor + p.vane_per_heel * heel
    # Sensors.
    one, two = r.uniform(0, 360, 2)
    dev = p.deviation_deg * (np.sin(np.radians(hdg + one)) * r.uniform(0.3, 1.0)
                             + np.sin(np.radians(2 * hdg + two)) * r.uniform(0.2, 0.7))
    paddle = 1 + 0.5 * p.paddle_apart * side * ~motor
    awa = np.unwrap(awa, period=360.0)
    wheel = stw * np.cos(np.radians(leeway)) if r.random() < 0.5 else stw
    rough = 2.0 if p.quantised else 1.0
    shown = {
        "hdg_deg": _lag(hdg - dev, r.uniform(0, 1), dt) - errors["heading_offset_deg"]
        + r.normal(0, 0.4, n),
        "awa_deg": _lag(awa, p.vane_lag_s, dt) - errors["awa_offset_deg"] + r.normal(0, 1.5, n),
        "aws_kn": np.maximum(_lag(np.hypot(ahead, abeam), p.vane_lag_s, dt) / errors["aws_factor"]
                             + r.normal(0, 0.3, n), 0),
        "stw_kn": np.maximum(_lag(wheel, p.speed_lag_s, dt) * paddle / errors["stw_factor"]
                             + r.normal(0, 0.06, n), 0),
        "heel_deg": roll - r.normal(0, 0.5) + r.normal(0, 0.3, n),
        "sog_kn": np.abs(ground) + r.normal(0, 0.05, n),
        "cog_deg": np.degrees(np.angle(ground)) + r.normal(0, 0.5 * rough, n),
    }
    where = np.cumsum(ground) * dt * M_PER_S / 111_195
    shown["lat"] = 50.0 + where.real
    shown["lon"] = -2.0 + where.imag / np.cos(np.radians(50.0))
    if p.rpm:
        shown["engine_rpm"] = np.where(motor, 2000.0, 0.0)
    step = {"hdg_deg": 1.0, "awa_deg": 1.0, "aws_kn": 0.1, "stw_kn": 0.1, "sog_kn": 0.1,
            "cog_deg": 1.0, "heel_deg": 1.0} if p.quantised else {"stw_kn": 0.01, "sog_kn": 0.01}
    slower = {name: int(r.choice([1, p.rate_hz])) for name in ("awa_deg", "stw_kn", "sog_kn")}
    rate = {"awa_deg": "awa_deg", "aws_kn": "awa_deg", "stw_kn": "stw_kn", "sog_kn": "sog_kn",
            "cog_deg": "sog_kn", "lat": "sog_kn", "lon": "sog_kn"}
    streams = []
    for name, value in shown.items():
        if name in p.missing:
            continue
        every = slice(None, None, max(1, slower.get(rate.get(name, ""), 1) and round(
            p.rate_hz / slower[rate[name]])) if name in rate else 1)
        x = value[every]
        if name in step:
            x = np.round(x / step[name]) * step[name]
        if name in ("hdg_deg", "cog_deg"):
            x = x % 360.0
        elif name == "awa_deg":
            x = (x + 180.0) % 360.0 - 180.0
        streams.append(Stream(name, "sea", START_S + t[every], np.asarray(x, dtype=float)))
    truth = errors | {"leeway_k": errors["leeway_k"] if p.leeway == "k" else best_k}
    true = {"twd_deg": twd % 360, "tws_kn": tws, "twa_deg": twa, "hdg_deg": hdg % 360, "stw_kn": stw,
            "leeway_deg": leeway, "heel_deg": heel, "current_kn": current, "deviation_deg": dev,
            "motor": motor, "boards": boards,
            "polar": np.array([p.top_kn, scale, lean, drop, bend])}
    return RoughDay(RawLog(tuple(streams), ()), truth, p, START_S + t, true)
