"""Boats of many builds that turn in all the ways a crew does, and the same boats had they not.

Independent of the analysis and of the other simulations here: speed follows a closed-form polar
as V**2 - u*|u| over a time constant (thrust against drag), so that the build is slow in light air;
a helm steers by the felt wind or by compass; sails draw again some seconds after the turn. The
truth of a turn is the same boat in the same wind from the same state, once turning and once not,
and nothing else after it. ``fair_m`` is the same in a wind that gusts alike but keeps its direction.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

DT = 0.2
KN = 1852.0 / 3600.0
START_S = 1_760_000_000.0
ANGLES = np.array([0, 14, 20, 32, 42, 52, 70, 95, 115, 135, 150, 165, 180], dtype=float)
SHAPE = np.array([0, 0, .12, .56, .75, .84, .94, 1.0, 1.0, .92, .80, .69, .62])


@dataclass(frozen=True)
class Hull:
    name: str
    build_s: tuple[float, float]
    hull_kn: float  # speed she tends to in a lot of wind
    wind_kn: float  # wind in which she reaches 63 % of it
    upwind: float
    downwind: float
    turn_s: float
    crew_s: float
    turn_drag: float


HULLS = (
    Hull("dinghy", (3.0, 5.0), 9.0, 9.0, 44, 148, 6, 3, 0.10),
    Hull("catamaran", (8.0, 22.0), 15.0, 13.0, 52, 145, 16, 9, 0.25),
    Hull("cruiser", (9.0, 18.0), 8.0, 8.0, 46, 155, 12, 9, 0.15),
    Hull("sixty", (18.0, 30.0), 13.0, 11.0, 41, 146, 13, 9, 0.18),
)


@dataclass(frozen=True)
class Act:
    """One thing the crew does: when, how long each way, how far, how long held."""

    what: str
    start_s: float
    turn_s: float
    over_deg: float = 0.0
    by_deg: float = 0.0
    hold_s: float = 0.0
    drive: float = 1.0


@dataclass(frozen=True)
class Conditions:
    hull: Hull
    build_s: float
    tws_kn: float
    gust: float
    gust_s: float
    shift_deg: float
    shift_s: float
    wave_kn: float
    yaw_deg: float
    wave_s: float
    felt_s: float
    wander_deg: float
    by_compass: bool
    stw_factor: float
    stw_lag_s: float
    stw_noise_kn: float
    vane_lag_s: float
    vane_noise_deg: float
    vane_offset_deg: float
    gps_noise_kn: float
    receiver: bool
    every_s: float
    current_kn: tuple[float, float]
    acts: tuple[Act, ...]
    first_twa_deg: float
    minutes: float
    odd: bool
    seed: int


@dataclass(frozen=True)
class Truth:
    what: str
    start_s: float
    crossing_s: float
    end_s: float
    loss_m: float
    fair_m: float
    pace_ms: float


@dataclass(frozen=True)
class Sailed:
    conditions: Conditions
    samples: pd.DataFrame
    truths: tuple[Truth, ...]
    polar: object = field(repr=False, default=None)


def speed_kn(hull: Hull, tws_kn, twa_deg):
    """Steady boat speed of a hull."""
    a = np.abs(np.asarray(twa_deg, dtype=float))
    stretched = np.where(a < 95, a * (42.0 / hull.upwind) + (a / 95.0) ** 2 * 95 * (1 - 42 / hull.upwind), a)
    return hull.hull_kn * (1 - np.exp(-np.asarray(tws_kn, float) / hull.wind_kn)) * np.interp(
        stretched, ANGLES, SHAPE)


def drawn(seed: int, hull: Hull | None = None, tws_kn: float | None = None, waves: float | None = None,
          odd: bool | None = None, every_s: float | None = None, minutes: float = 75.0,
          mishaps: bool = False) -> Conditions:
    """A day drawn at random: boat, weather, crew, instruments and what is done."""
    rng = np.random.default_rng(seed)
    hull = hull or HULLS[int(rng.integers(4))]
    tws = float(tws_kn if tws_kn is not None else rng.uniform(5, 22 if hull.name == "dinghy" else 30))
    sea = float(waves if waves is not None else rng.uniform(0, 1))
    odd = bool(rng.random() < 0.5) if odd is None else odd
    build = float(rng.uniform(*hull.build_s))
    acts, first = _day(rng, hull, build, minutes, odd, mishaps)
    every = float(every_s or rng.choice([0.1, 0.2, 0.5, 1.0, 1.0, 1.0, 1.0, 2.0]))
    return Conditions(
        hull, build, tws, float(rng.uniform(.03, .10)), float(rng.uniform(20, 80)),
        float(rng.uniform(1.5, 5) * (1.6 if tws < 7 else 1)), float(rng.uniform(60, 240)),
        sea * rng.uniform(.1, .35), 0.5 + 4.0 * sea, float(rng.uniform(3, 7)), float(rng.uniform(1, 8)),
        float(rng.uniform(.8, 3)), bool(rng.random() < .15), 1 + rng.uniform(-.02, .02),
        float(rng.uniform(.3, 4)), float(rng.uniform(.02, .12)), float(rng.uniform(.3, 4)),
        float(rng.uniform(1, 5)), float(rng.normal(0, .7)), float(rng.uniform(.03, .15)),
        bool(rng.random() < .8), every, tuple(rng.uniform(-.8, .8, 2)), acts, first, minutes, odd, seed)


def _day(rng, hull, build, minutes, odd, mishaps):
    acts, t = [], 150.0
    side = float(rng.choice([-1, 1]))
    if odd and rng.random() < .35:  # before the start: reaching about and stopping
        for _ in range(3):
            acts.append(Act("head_up", t, 6, by_deg=float(rng.uniform(-60, 60))))
            acts.append(Act("stop", t + 40, 0, hold_s=float(rng.uniform(15, 45)), drive=.1))
            t += float(rng.uniform(90, 140))
        acts.append(Act("to", t, 8, by_deg=hull.upwind))
        t += 130
    spacing = max(100.0, 4 * build)
    half = minutes * 30.0
    while t < half - 60:
        r = rng.random()
        if r < .10:
            acts.append(Act("luff", t, float(rng.uniform(3, 8)), by_deg=-float(rng.uniform(10, hull.upwind - 26 if hull.upwind > 40 else 14)),
                            hold_s=float(rng.uniform(10, 50)), drive=float(rng.uniform(.2, .6))))
        elif mishaps and r < .22:
            acts.append(Act(str(rng.choice(["failed tack", "stalled tack", "penalty", "man overboard"])), t,
                            hull.turn_s, hold_s=float(rng.uniform(8, 25))))
        else:
            acts.append(Act("tack", t, hull.turn_s * float(rng.uniform(.7, 1.5)), float(rng.uniform(-2, 9))))
        t += spacing * float(rng.uniform(1, 2.0))
        if odd and rng.random() < .22:
            kind = rng.choice(["hove-to", "reefing", "reach"])
            long = float(rng.uniform(60, 200))
            if kind == "reach":
                acts.append(Act("to", t, 8, by_deg=60.0))
                acts.append(Act("to", t + long, 8, by_deg=hull.upwind))
            else:
                acts.append(Act(str(kind), t, 4, hold_s=long, drive=.12 if kind == "hove-to" else .45,
                                by_deg=8.0))
            t += long + spacing
    acts.append(Act("to", t, 12, by_deg=hull.downwind))
    t += spacing + 60
    while t < minutes * 60 - max(180.0, 5 * build):
        r = rng.random()
        if mishaps and r < .2:
            acts.append(Act("broach", t, hull.turn_s, hold_s=float(rng.uniform(8, 25))))
        elif mishaps and r < .4:
            acts.append(Act("chicken gybe", t, hull.turn_s, hold_s=float(rng.uniform(6, 20))))
        else:
            acts.append(Act("gybe", t, hull.turn_s * float(rng.uniform(.7, 1.4)), float(rng.uniform(-2, 9))))
        t += spacing * float(rng.uniform(1.1, 2.2))
    return tuple(acts), side * hull.upwind


def _ease(x):
    x = np.clip(x, 0, 1)
    return x * x * (3 - 2 * x)


def _wanted(c: Conditions, n: int):
    """Wanted continuous wind angle and drive; for every act the angle before, its own course and end."""
    t = np.arange(n) * DT
    angle = float(c.first_twa_deg)
    wanted, drive = np.full(n, angle), np.ones(n)
    out = []
    for act in c.acts:
        since, near = t - act.start_s, (angle + 180) % 360 - 180
        side, base = np.sign(near), angle - near
        curve, pull, new, end = _curve(act, since, near, side, base, angle, c)
        later = t >= act.start_s
        wanted = np.where(later, curve, wanted)
        drive = np.where(later, pull, drive)
        out.append((act, angle, act.start_s + end))
        angle = float(new)
    return wanted, drive, out


def _curve(act, s, near, side, base, angle, c):
    ones = np.ones(s.size)
    T = act.turn_s
    if act.what in ("tack", "gybe"):
        new = base - near if act.what == "tack" else base + side * 360 - near
        way = np.sign(new - angle)
        settle = _ease(s / T) * np.exp(-np.clip(s - T - 4, 0, None) / 8)
        return angle + (new - angle) * _ease(s / T) + act.over_deg * way * settle, ones, new, T + 20
    if act.what == "stalled tack":
        new = base - near
        go = .5 * _ease(s / T * 2) + .5 * _ease((s - T - act.hold_s) / T * 2)
        return angle + (new - angle) * go, ones, new, T + act.hold_s + 20
    if act.what == "failed tack":
        go = _ease(s / T) - _ease((s - T - act.hold_s) / T)
        return angle + (-side * 8 + base - angle) * go, ones, angle, 2 * T + act.hold_s + 10
    if act.what in ("penalty", "man overboard"):
        turns = 360.0 * -side
        if act.what == "penalty":
            return angle + turns * _ease(s / (3 * T)), ones, angle + turns, 3 * T + 10
        # Tack at once, stop by the person for a while, then round again by a gybe.
        stop = np.where((s > T) & (s < T + act.hold_s + 20), .1, 1.0)
        go = .25 * _ease(s / T) + .75 * _ease((s - T - act.hold_s - 20) / (2 * T))
        return angle + turns * go, stop, angle + turns, 3 * T + act.hold_s + 30
    if act.what == "broach":
        new = base + side * 360 - near
        to = base + side * 360 - side * 60
        go, back = _ease(s / T), _ease((s - T) / 4) - _ease((s - T - 4 - act.hold_s) / 10)
        pull = np.where((s > T) & (s < T + 4 + act.hold_s), .25, 1.0)
        return angle + (new - angle) * go + (to - new) * back, pull, new, T + act.hold_s + 20
    if act.what == "chicken gybe":
        new = base - near
        up = base + side * 50
        go = _ease(s / T)
        curve = angle + (up - angle) * go + (base - side * 50 - up) * _ease((s - T - act.hold_s) / T)
        curve = curve + (new - (base - side * 50)) * _ease((s - 2 * T - 1.5 * act.hold_s) / T)
        return curve, ones, new, 3 * T + 1.5 * act.hold_s + 10
    if act.what == "luff":
        go = _ease(s / T) - _ease((s - T - act.hold_s) / T)
        pull = np.where((s > T / 2) & (s < 1.5 * T + act.hold_s), act.drive, 1.0)
        return angle + side * act.by_deg * go, pull, angle, 2 * T + act.hold_s + 5
    if act.what in ("hove-to", "reefing", "stop"):
        pull = np.where((s > 0) & (s < act.hold_s), act.drive, 1.0)
        go = _ease(s / 5) - _ease((s - act.hold_s) / 5)
        return angle + side * act.by_deg * go, pull, angle, act.hold_s + 5
    new = base + side * act.by_deg if act.what == "to" else base + side * np.clip(abs(near) + act.by_deg, 40, 150)
    return angle + (new - angle) * _ease(s / T), ones, new, T


def sail(conditions: list[Conditions]) -> list[Sailed]:
    """Sail days side by side, with their counterfactuals."""
    n = int(max(c.minutes for c in conditions) * 60 / DT)
    winds = [_wind(c, n) for c in conditions]
    plans = [_wanted(c, n) for c in conditions]
    run = _run(conditions, winds, np.array([p[0] for p in plans]), np.array([p[1] for p in plans]))
    forks = [(b, k) for b, p in enumerate(plans) for k in range(len(p[2]))
             if p[2][k][0].what not in ("to", "head_up", "stop", "hove-to", "reefing")]
    truths = _truths(conditions, winds, plans, run, forks, n)
    out = []
    for b, c in enumerate(conditions):
        mine = tuple(t for (bb, _), t in zip(forks, truths, strict=True) if bb == b)
        hull = c.hull
        out.append(Sailed(c, _sense(c, winds[b], {k: v[b] for k, v in run.items()}), mine,
                          lambda w, a, h=hull: speed_kn(h, w, a)))
    return out


def _ou(rng, n, sd, tau):
    from scipy.signal import lfilter

    a = np.exp(-DT / tau)
    e = rng.normal(0, sd * np.sqrt(1 - a * a), n)
    e[0] = rng.normal(0, sd)
    return lfilter([1], [1, -a], e)


def _low(x, tau):
    from scipy.signal import lfilter

    a = np.exp(-DT / max(tau, 1e-3))
    return lfilter([1 - a], [1, -a], x, zi=[a * x[0]])[0]


def _wind(c: Conditions, n: int):
    rng = np.random.default_rng(c.seed + 10_000)
    twd = 200 + _low(_ou(rng, n, c.shift_deg, c.shift_s) + _ou(rng, n, 1.2, 8), 2)
    tws = c.tws_kn * np.clip(1 + _low(_ou(rng, n, c.gust, c.gust_s) + _ou(rng, n, .03, 6), 2), .15, None)
    phase = 2 * np.pi * np.cumsum(DT / c.wave_s * (1 + .12 * _ou(rng, n, 1, 15)))
    size = np.abs(1 + _ou(rng, n, .4, 25))
    felt = np.full(n, 200.0) + 0 * twd if c.by_compass else _low(twd, c.felt_s)
    if c.by_compass:  # an autopilot on compass, set again every two minutes
        hold = int(120 / DT)
        felt = np.repeat(_low(twd, 20)[::hold], hold)[:n]
    return {"twd": twd, "tws": tws, "felt": felt, "wave": c.wave_kn * size * np.sin(phase),
            "yaw": c.yaw_deg * size * np.sin(phase + 1), "wander": _ou(rng, n, c.wander_deg, 10),
            "swing": 1.5 * c.yaw_deg * size * np.sin(phase + 2)}


def _run(conditions, winds, wanted, drive, start=None):
    boats, n = wanted.shape
    w = {k: np.array([x[k] for x in winds]) for k in ("twd", "tws", "felt", "yaw", "wander")}
    par = {k: np.array([getattr(c.hull, k) for c in conditions]) for k in
           ("hull_kn", "wind_kn", "upwind", "turn_drag", "crew_s")}
    tau = np.array([c.build_s for c in conditions])
    usual = par["hull_kn"] * .6
    side = np.clip(2 * np.sin(np.radians(wanted)), -1, 1)
    aim, yaw = w["felt"] - wanted, w["yaw"] - side * w["wander"]
    if start is None:
        u, psi, trim = usual.copy(), aim[:, 0].copy(), np.ones(boats)
        before = np.sign(np.sin(np.radians(wanted[:, 0])))
    else:
        u, psi, trim, before = (x.copy() for x in start)
    keep = {k: np.empty((boats, n)) for k in ("u", "psi", "trim", "side", "head")}
    for i in range(n):
        rate = (aim[:, i] - psi) / 1.5
        psi = psi + DT * rate
        head = psi + yaw[:, i]
        twa = (w["twd"][:, i] - head + 180) % 360 - 180
        a = np.abs(twa)
        now = np.sign(twa)
        trim = np.where((now != before) & (now != 0), np.minimum(trim, np.where(a < 90, .05, .25)), trim)
        before = np.where(now != 0, now, before)
        trim = trim + DT / par["crew_s"] * (1 - trim)
        q = 42.0 / par["upwind"]
        stretched = np.where(a < 95, a * q + (a / 95) ** 2 * 95 * (1 - q), a)
        v = par["hull_kn"] * (1 - np.exp(-w["tws"][:, i] / par["wind_kn"])) * np.interp(stretched, ANGLES, SHAPE)
        back = (.22 * w["tws"][:, i] * np.clip(np.cos(np.radians(a)) - .6, 0, None)) ** 2 * (1 - np.clip(a / 30, 0, 1))
        push = v * v * trim * drive[:, i] - back - u * np.abs(u) * (1 + par["turn_drag"] * np.minimum(np.abs(rate), 15))
        u = u + DT * push / (2 * usual * tau)
        for k, x in (("u", u), ("psi", psi), ("trim", trim), ("side", before), ("head", head)):
            keep[k][:, i] = x
    return keep


def _truths(conditions, winds, plans, run, forks, n):
    if not forks:
        return []
    size = int(330 / DT)
    free, real, still, start, who, pulls = [], [], [], [[], [], [], []], [], []
    parts = []
    for b, k in forks:
        act, angle, end = plans[b][2][k]
        i0 = int(act.start_s / DT) - 10
        index = np.minimum(np.arange(i0, i0 + size), n - 1)
        only = Conditions(**{**conditions[b].__dict__, "acts": (act,), "first_twa_deg": angle})
        wanted, pull, _ = _wanted(only, i0 + size)
        real.append(wanted[i0:])
        pulls.append(pull[i0:])
        free.append(np.full(size, angle))
        part = {key: v[index] for key, v in winds[b].items()}
        parts.append(part)
        still.append({**part, "twd": np.full(size, part["felt"][0]), "felt": np.full(size, part["felt"][0])})
        who.append(conditions[b])
        for s, key in zip(start, ("u", "psi", "trim", "side"), strict=True):
            s.append(run[key][b, i0 - 1])
    start = [np.array(s) for s in start]
    ones = np.ones((len(forks), size))
    a, z = _run(who, parts, np.array(free), ones, start), _run(who, parts, np.array(real), np.array(pulls), start)
    fa, fz = _run(who, still, np.array(free), ones, start), _run(who, still, np.array(real), np.array(pulls), start)
    out = []
    for row, (b, k) in enumerate(forks):
        act, angle, end = plans[b][2][k]
        pace = float(np.mean(a["u"][row][:200]))
        slow = who[row].build_s * who[row].hull.hull_kn * .6 / max(pace, .5)
        count = int(min(size, (end - act.start_s + 5 * slow + 10) / DT))
        sign = 1 if np.cos(np.radians(angle)) > 0 else -1
        made = []
        for x, wind in ((a, parts[row]), (z, parts[row]), (fa, still[row]), (fz, still[row])):
            along = x["u"][row][:count] * KN * np.cos(np.radians(wind["twd"][:count] - x["head"][row][:count]))
            made.append(sign * float(np.sum(along)) * DT)
        twa = _smooth(parts[row]["twd"] - z["head"][row], 25)
        cross = np.flatnonzero(np.diff(np.floor((twa - (180 if act.what in ("gybe", "broach") else 0)) / 360)) != 0)
        when = act.start_s - 2 + cross[0] * DT if cross.size else np.nan
        out.append(Truth(act.what, act.start_s, when, end, made[0] - made[1], made[2] - made[3],
                         made[0] / (count * DT)))
    return out


def _smooth(x, width):
    return np.convolve(np.pad(x, width // 2, mode="edge"), np.ones(width) / width, mode="valid")[:x.size]


def _sense(c: Conditions, wind, run):
    rng = np.random.default_rng(c.seed + 20_000)
    n = int(c.minutes * 60 / DT)
    u = run["u"][:n] + wind["wave"][:n]
    head, twd, tws = run["head"][:n], wind["twd"][:n], wind["tws"][:n]
    twa = twd - head
    ahead, abeam = tws * np.cos(np.radians(twa)) + run["u"][:n], tws * np.sin(np.radians(twa))
    aws, awa = np.hypot(ahead, abeam), np.degrees(np.arctan2(abeam, ahead))
    seen = awa + wind["swing"][:n]
    vane = np.degrees(np.arctan2(_low(np.sin(np.radians(seen)), c.vane_lag_s), _low(np.cos(np.radians(seen)), c.vane_lag_s)))
    t = np.arange(n) * DT
    step = max(DT, c.every_s) if c.every_s >= DT else c.every_s
    at = np.arange(0, t[-1], step)

    def pick(x):
        return np.interp(at, t, x)

    stw = np.maximum(0, c.stw_factor * pick(_low(u, c.stw_lag_s))) + c.stw_noise_kn * rng.normal(size=at.size)
    hdg = pick(head) + .5 * rng.normal(size=at.size)
    i = np.minimum(np.round(at / DT).astype(int), n - 1)
    vane = vane[i] + c.vane_offset_deg + c.vane_noise_deg * rng.normal(size=at.size)
    blow = pick(_low(aws, 1.5)) * (1 + .02 * rng.normal(size=at.size))
    along, across = blow * np.cos(np.radians(vane)) - stw, blow * np.sin(np.radians(vane))
    mtwa = np.degrees(np.arctan2(across, along))
    east = pick(_low(u * np.sin(np.radians(head)), .7)) + c.current_kn[0] + c.gps_noise_kn * rng.normal(size=at.size)
    north = pick(_low(u * np.cos(np.radians(head)), .7)) + c.current_kn[1] + c.gps_noise_kn * rng.normal(size=at.size)
    frame = pd.DataFrame({
        "sog_kn": np.hypot(east, north), "cog_deg": np.degrees(np.arctan2(east, north)) % 360,
        "stw_kn": np.maximum(0, stw), "hdg_deg": hdg % 360, "awa_deg": (vane + 180) % 360 - 180, "aws_kn": blow,
        "twa_deg": mtwa, "tws_kn": np.hypot(along, across), "twd_deg": (hdg + mtwa) % 360})
    if not c.receiver:
        frame["sog_kn"] = frame["cog_deg"] = np.nan
    frame["vmg_kn"] = frame["stw_kn"] * np.cos(np.radians(mtwa))
    frame["state"], frame["helm"], frame["sails"] = "sailing", "", ""
    frame.index = pd.DatetimeIndex(((START_S + at) * 1e6).round().astype("int64").astype("datetime64[us]"),
                                   tz="UTC", name="time")
    return frame
