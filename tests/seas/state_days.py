"""Plans of hard days for the boat's state, by kind, and what the instruments log of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from .states import HULLS, KN, Piece, Weather, drawing, red_noise, sail_through, wrap

START_S = 1_782_000_000.0
SETS = {
    "full": (), "no heel": ("heel_deg",), "no rudder": ("rudder_deg",),
    "no boat speed": ("stw_kn",), "no wind": ("awa_deg", "aws_kn"),
    "wind and speed only": ("heel_deg", "rudder_deg"),
    "gps only": ("stw_kn", "awa_deg", "aws_kn", "heel_deg", "rudder_deg", "hdg_deg")}
"""What is missing from the log."""


def beat(rng, hull, minutes, leg_s=(100, 420), turn_s=(6, 14), side=None, angle=None):
    """Close-hauled legs with tacks between."""
    side = side or rng.choice([-1, 1])
    pieces, left, angle = [], minutes * 60.0, angle or hull.close_deg + rng.uniform(0, 4)
    while left > 0:
        leg = rng.uniform(*leg_s)
        pieces += [Piece("sail", leg, side * angle), Piece("tack", rng.uniform(*turn_s) + 2, -side * angle)]
        pieces[-1].turn_s = pieces[-1].seconds - 2
        side, left = -side, left - leg
    return [*pieces, Piece("sail", 120, side * angle)]


def run(rng, hull, minutes, leg_s=(120, 420)):
    """Broad reaching with gybes between."""
    side, pieces, left = rng.choice([-1, 1]), [], minutes * 60.0
    while left > 0:
        leg = rng.uniform(*leg_s)
        turn = rng.uniform(7, 16)
        pieces += [Piece("sail", leg, side * hull.run_deg), Piece("gybe", turn + 2, -side * hull.run_deg, turn_s=turn)]
        side, left = -side, left - leg
    return [*pieces, Piece("sail", 120, side * hull.run_deg)]


def reach(rng, minutes, low=65, high=125):
    """One long reach at a wind angle, or on a course that the pilot holds."""
    return [Piece("sail", minutes * 60, rng.choice([-1, 1]) * rng.uniform(low, high), pilot=rng.random() < 0.5)]


def sailed(rng, hull, minutes):
    """Some of this and that."""
    which = rng.integers(4)
    if which == 0:
        return beat(rng, hull, minutes)
    if which == 1:
        return run(rng, hull, minutes)
    if which == 2:
        return reach(rng, minutes)
    return beat(rng, hull, minutes / 2) + run(rng, hull, minutes / 2)


def motored(rng, minutes, cloth=0.0, power=None, low=0, high=180):
    """Courses under engine, a new one every few minutes, most by pilot."""
    out, left, pilot = [], minutes * 60.0, rng.random() < 0.7
    power = power or rng.uniform(0.6, 0.95)
    while left > 0:
        leg = min(left, rng.uniform(240, 1500))
        out.append(Piece("motor", leg, rng.choice([-1, 1]) * rng.uniform(low, high), power=power * rng.uniform(0.93, 1.0),
                         cloth=cloth, pilot=pilot))
        left -= leg
    return out


def hoist(rng):
    """Head to wind under slow engine while sails go up or down."""
    return [Piece("hoist", rng.uniform(120, 480), rng.uniform(-8, 8), power=rng.uniform(0.15, 0.38), cloth=0.0)]


def out_of_harbour(rng):
    """Berth, manoeuvring, out under engine, sails up."""
    return [Piece("berth", rng.uniform(120, 600), rng.uniform(0, 360), False, cloth=0.0),
            Piece("harbour", rng.uniform(120, 400), power=0.3, cloth=0.0),
            *motored(rng, rng.uniform(6, 20)), *hoist(rng)]


def home(rng):
    """Sails down, in under engine, berth."""
    return [*hoist(rng), *motored(rng, rng.uniform(6, 20)),
            Piece("harbour", rng.uniform(120, 400), power=0.3, cloth=0.0),
            Piece("berth", rng.uniform(120, 600), rng.uniform(0, 360), False, cloth=0.0)]


def _hull(rng, *names):
    if not names:
        return HULLS[rng.integers(len(HULLS))]
    name = names[rng.integers(len(names))]
    return next(h for h in HULLS if h.name == name)


def _weather(rng, low, high, **more):
    tws = rng.uniform(low, high)
    return replace(Weather(tws, rng.uniform(0, 360), rng.uniform(0.05, 0.15), rng.uniform(2, 7),
                           (rng.uniform(0, 1.2), rng.uniform(0, 360)), rng.uniform(0.3, 1.5)), **more)


def close_winded(rng):
    hull = _hull(rng, "close-winded racer", "sixty-footer")
    hull = replace(hull, close_deg=rng.uniform(30, 34), luff_deg=rng.uniform(17, 21))
    plan = beat(rng, hull, 40, (100, 300), (12, 25)) + run(rng, hull, 20)
    return hull, _weather(rng, 10, 22), plan


def light_air(rng):
    hull = _hull(rng)
    weather = _weather(rng, 2.8, 5.0, current=(rng.uniform(0, 0.3), rng.uniform(0, 360)))
    side, plan = 1, []
    for _ in range(rng.integers(5, 9)):
        plan.append(Piece("sail", rng.uniform(200, 500), side * (hull.close_deg + 4)))
        if rng.random() < 0.4:
            plan.append(Piece("irons", rng.uniform(30, 100), side * 4.0))
        turn = rng.uniform(15, 40)
        plan.append(Piece("tack", turn + 2, -side * (hull.close_deg + 6), turn_s=turn))
        side = -side
    return hull, weather, [*plan, Piece("sail", 200, side * (hull.close_deg + 4))]


def irons(rng):
    hull = _hull(rng, "cruising catamaran", "light catamaran", "long keel", "small slow boat")
    side, plan = 1, []
    for _ in range(6):
        plan += [Piece("sail", rng.uniform(200, 420), side * (hull.close_deg + 3)),
                 Piece("irons", rng.uniform(40, 90), side * 3.0), Piece("tack", 22, -side * (hull.close_deg + 5), turn_s=20)]
        side = -side
    return hull, _weather(rng, 6, 16), [*plan, Piece("sail", 200, side * (hull.close_deg + 3))]


def motoring_light(rng):
    return _hull(rng), _weather(rng, 2, 6), [*out_of_harbour(rng), *motored(rng, 50), *hoist(rng), *sailed(rng, HULLS[0], 15)]


def motoring_fresh(rng):
    hull = _hull(rng)
    return hull, _weather(rng, 10, 22), [*out_of_harbour(rng), *motored(rng, 50), *sailed(rng, hull, 20)]


def motoring_to_windward(rng):
    hull = _hull(rng)
    return hull, _weather(rng, 5, 20), [*motored(rng, 60, low=0, high=38), *home(rng)]


def motor_sailing(rng):
    hull = _hull(rng)
    plan = [*sailed(rng, hull, 20), *motored(rng, 35, cloth=rng.uniform(0.4, 1.0), low=35, high=150), *sailed(rng, hull, 20)]
    return hull, _weather(rng, 4, 9), plan


def whole_day(rng):
    hull = _hull(rng)
    return hull, _weather(rng, 6, 18), [*out_of_harbour(rng), *sailed(rng, hull, 45), *home(rng)]


def swim_stop(rng):
    hull = _hull(rng)
    plan = [*sailed(rng, hull, 20), *hoist(rng), Piece("drift", rng.uniform(900, 2400), cloth=0.0), *hoist(rng), *sailed(rng, hull, 20)]
    return hull, _weather(rng, 5, 14, current=(rng.uniform(0.2, 1.2), rng.uniform(0, 360))), plan


def becalmed(rng):
    hull = _hull(rng)
    first = sailed(rng, hull, 18)
    start = sum(int(p.seconds) for p in first)
    long = float(int(rng.uniform(1800, 3600)))
    weather = _weather(rng, 5, 9, current=(rng.uniform(0.6, 1.8), rng.uniform(0, 360)),
                       lulls=[(start, start + long, rng.uniform(0.02, 0.12))])
    return hull, weather, [*first, Piece("becalmed", long), *sailed(rng, hull, 18)]


def anchored(rng):
    hull = _hull(rng)
    plan = [*sailed(rng, hull, 20), *hoist(rng), *motored(rng, 5), Piece("anchor", rng.uniform(1200, 3000), 0.0, cloth=0.0),
            *motored(rng, 5), *hoist(rng), *sailed(rng, hull, 20)]
    return hull, _weather(rng, 6, 18, current=(rng.uniform(0, 0.8), rng.uniform(0, 360))), plan


def towed(rng):
    hull = _hull(rng)
    tow = [Piece("tow", rng.uniform(900, 2400), rng.uniform(0, 360), False, power=rng.uniform(0.5, 0.85), cloth=0.0)]
    return hull, _weather(rng, 4, 12), [*sailed(rng, hull, 25), *tow]


def hove_to(rng):
    hull = _hull(rng)
    plan = [*sailed(rng, hull, 25), Piece("hove-to", rng.uniform(420, 1500), rng.choice([-1, 1]) * rng.uniform(45, 65), cloth=0.6),
            *sailed(rng, hull, 25)]
    return hull, _weather(rng, 11, 22), plan


def reefing(rng):
    hull = _hull(rng)
    side = rng.choice([-1, 1])
    plan = [*sailed(rng, hull, 25), Piece("reef", rng.uniform(150, 480), side * rng.uniform(42, 58), cloth=0.7),
            *beat(rng, hull, 15, side=side), Piece("reef", rng.uniform(150, 400), side * rng.uniform(42, 58), cloth=0.7),
            *sailed(rng, hull, 15)]
    return hull, _weather(rng, 12, 22), plan


def waiting(rng):
    hull = _hull(rng)
    plan = [Piece("wait", rng.uniform(300, 900), rng.choice([-1, 1]) * rng.uniform(60, 100), cloth=0.8), *beat(rng, hull, 25), *run(rng, hull, 20)]
    return hull, _weather(rng, 7, 16), plan


def fishing(rng):
    hull = _hull(rng)
    troll = [Piece("troll", rng.uniform(400, 900), rng.uniform(-180, 180), power=2.0 / hull.engine_kn, cloth=0.0, pilot=True)
             for _ in range(4)]
    return hull, _weather(rng, 4, 12), [*sailed(rng, hull, 20), *troll]


def cat_reach(rng):
    hull = _hull(rng, "cruising catamaran", "light catamaran")
    weather = _weather(rng, 9, 16, gust=rng.uniform(0.03, 0.08), shift=2.0)
    return hull, weather, [*reach(rng, 40), *reach(rng, 30)]


KINDS = {f.__name__.replace("_", " "): f for f in (
    close_winded, light_air, irons, motoring_light, motoring_fresh, motoring_to_windward, motor_sailing, whole_day,
    swim_stop, becalmed, anchored, towed, hove_to, reefing, waiting, fishing, cat_reach)}


def make_day(kind, seed):
    """The truth of one day of a kind."""
    rng = np.random.default_rng([seed, list(KINDS).index(kind), 15])
    hull, weather, plan = KINDS[kind](rng)
    return sail_through(rng, hull, weather, plan)


def logged(truth, seed, missing="wind and speed only", step_s=1, rpm=False):
    """What the instruments log: a table of channels on one clock, errors and all."""
    rng = np.random.default_rng([seed, 16])
    c, n, w = truth.columns, truth.doing.size, truth.weather
    sea = w.sea * min(1.5, 0.3 + w.tws / 14.0)
    head = np.radians(c["hdg"])
    down = np.radians(c["twd"] + 180.0)
    ve, vn = (c["stw"] * f(head) + c["side"] * f(down) for f in (np.sin, np.cos))
    ae, an = -c["tws"] * np.sin(np.radians(c["twd"])) - ve, -c["tws"] * np.cos(np.radians(c["twd"])) - vn
    aws, from_ = np.hypot(ae, an), np.degrees(np.arctan2(-ae, -an))
    awa = wrap(from_ - c["hdg"])

    def late(value, lag):
        from scipy.signal import lfilter
        a = np.exp(-1.0 / lag)
        return lfilter([1 - a], [1.0, -a], value, zi=[a * value[0]])[0]

    lag = rng.uniform(0.8, 3.0)
    unit = late(np.exp(1j * np.radians(awa)).real, lag) + 1j * late(np.sin(np.radians(awa)), lag)
    vane = np.degrees(np.angle(unit)) + red_noise(rng, n, 1.5, 1.0 + 1.5 * sea) + rng.uniform(-4, 4)
    speed = late(c["stw"], rng.uniform(0.8, 3.0)) * rng.uniform(0.93, 1.07) + red_noise(rng, n, 2.0, 0.03 + 0.05 * sea)
    speed = np.where(speed < rng.uniform(0.1, 0.35), 0.0, np.round(speed, rng.choice([1, 2])))
    x, y = (c[k] + red_noise(rng, n, 90.0, 1.5) for k in ("x", "y"))
    ge, gn = c["east"] + red_noise(rng, n, 3.0, 0.07), c["north"] + red_noise(rng, n, 3.0, 0.07)
    table = {
        "lat": 54.0 + y / 111_200.0, "lon": 10.0 + x / (111_300.0 * np.cos(np.radians(54.0))),
        "sog_kn": np.hypot(ge, gn), "cog_deg": np.degrees(np.arctan2(ge, gn)) % 360.0,
        "stw_kn": speed, "hdg_deg": (c["hdg"] + red_noise(rng, n, 2.0, 0.7 + sea) + rng.uniform(-3, 3)) % 360.0,
        "awa_deg": wrap(vane), "aws_kn": np.maximum(0, late(aws, lag) * rng.uniform(0.95, 1.05)
                                                    + red_noise(rng, n, 1.5, 0.03 * w.tws)),
        "heel_deg": c["heel"] + red_noise(rng, n, 2.5, 0.6 + 1.8 * sea) + rng.uniform(-1.5, 1.5),
        "rudder_deg": c["rudder"] + red_noise(rng, n, 2.0, 0.3) + rng.uniform(-1, 1)}
    if rpm:
        table["engine_rpm"] = c["rpm"]
    for name in SETS[missing]:
        del table[name]
    stamps = START_S + np.arange(n)
    index = pd.DatetimeIndex((stamps * 1e6).astype("int64").astype("datetime64[us]"), tz="UTC", name="time")
    return pd.DataFrame(table, index=index).iloc[::step_s]


__all__ = ["KINDS", "KN", "SETS", "drawing", "logged", "make_day"]
