"""Plans of strangers' days, and loggers that average, stick, foul and switch; crews that write late.

A row every 1-60 s, sampled or averaged; sensors that hold their last value for minutes, a log fouled
with weed, revolutions only while the key is turned, or a switch in their place; a crew log an hour off.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from sailanalysis.core.model import CrewEntry, CrewLog

from .strangers import CRAFT, Leg, Sky, go, noise, wrap

START_S = 1_784_000_000.0
SETS = {
    "full": (), "no heel": ("heel_deg",), "no rudder": ("rudder_deg",), "no boat speed": ("stw_kn",),
    "no wind": ("awa_deg", "aws_kn"), "wind and speed only": ("heel_deg", "rudder_deg"),
    "gps only": ("stw_kn", "awa_deg", "aws_kn", "heel_deg", "rudder_deg", "hdg_deg")}


def craft(rng, *names):
    """One of the named boats, or any with an engine."""
    able = [c for c in CRAFT if c.name in names] if names else [c for c in CRAFT if c.engine_kn > 0]
    c = able[rng.integers(len(able))]
    return replace(c, beam_kn=c.beam_kn * rng.uniform(0.9, 1.1), engine_kn=c.engine_kn * rng.uniform(0.9, 1.1),
                   heel_deg=c.heel_deg * rng.uniform(0.8, 1.2), close_deg=c.close_deg + rng.uniform(-2, 4))


def sky(rng, low, high, **more):
    """Some weather."""
    return Sky(**({"tws": rng.uniform(low, high), "twd": rng.uniform(0, 360), "gust": rng.uniform(0.06, 0.16),
                   "shift": rng.uniform(2, 7), "stream": (rng.uniform(0, 0.9), rng.uniform(0, 360)),
                   "sea": rng.uniform(0.2, 1.3)} | more))


def beat(rng, c, minutes, leg_s=(150, 600)):
    """Tacks up the wind."""
    side, out, left, off = rng.choice([-1, 1]), [], minutes * 60, c.close_deg + rng.uniform(11, 15)
    while left > 0:
        leg, turn = rng.uniform(*leg_s), rng.uniform(7, 16)
        out += [Leg("sail", leg, side * off), Leg("tack", turn + 4, -side * off, turn_s=turn)]
        side, left = -side, left - leg
    return [*out, Leg("sail", 200, side * off)]


def run(rng, minutes, off=None):
    """Gybes down it."""
    side, out, left, off = rng.choice([-1, 1]), [], minutes * 60, off or rng.uniform(138, 160)
    while left > 0:
        leg, turn = rng.uniform(200, 700), rng.uniform(8, 18)
        out += [Leg("sail", leg, side * off), Leg("gybe", turn + 4, -side * off, turn_s=turn)]
        side, left = -side, left - leg
    return [*out, Leg("sail", 200, side * off)]


def reach(rng, s, minutes, low=60, high=130):
    """A long leg by the wind, or on a course that a pilot holds."""
    off = rng.choice([-1, 1]) * rng.uniform(low, high)
    if rng.random() < 0.5:
        return [Leg("sail", minutes * 60, s.twd - off, "pilot")]
    return [Leg("sail", minutes * 60, off)]


def some(rng, c, s, minutes):
    """Any of these."""
    k = rng.integers(3)
    return beat(rng, c, minutes) if k == 0 else run(rng, minutes) if k == 1 else reach(rng, s, minutes)


def coasting(rng, minutes, power=None, cloth=0.0, doing="motor"):
    """Under engine from mark to mark on courses that a pilot or a hand holds."""
    out, left, course = [], minutes * 60, rng.uniform(0, 360)
    while left > 0:
        leg = min(left, rng.uniform(300, 1800))
        out.append(Leg(doing, leg, course, "pilot", (power or rng.uniform(0.7, 1.0)), cloth))
        course, left = course + rng.normal(0, 45), left - leg
    return out


def aloft(rng):
    """Sails up or down, head to wind."""
    return [Leg("hoist", rng.uniform(120, 420), rng.uniform(-10, 10), "wind", rng.uniform(0.25, 0.45), 0.1)]


def leaving(rng):
    """Berth, harbour, out."""
    return [Leg("berth", rng.uniform(150, 500), rng.uniform(0, 360), "free"),
            Leg("harbour", rng.uniform(150, 300), 0, "wind", 0.35, 0.0), *coasting(rng, 10)]


# ------------------------------------------------------------------ the kinds
def genoa_and_engine(rng):
    c, s = craft(rng), sky(rng, 5, 13)
    off = rng.choice([-1, 1]) * rng.uniform(48, 72)
    leg = Leg("motor-sail", rng.uniform(1200, 2700), off, "wind", rng.uniform(0.75, 1.0), rng.uniform(0.6, 1.0))
    if rng.random() < 0.5:
        leg = replace(leg, angle=s.twd - off, steer="pilot")
    return c, s, [*leaving(rng), leg, *aloft(rng), *some(rng, c, s, 25)]


def main_to_windward(rng):
    c, s = craft(rng), sky(rng, 8, 18)
    leg = Leg("motor-sail", rng.uniform(1500, 3000), s.twd - rng.choice([-1, 1]) * rng.uniform(22, 36), "pilot", 0.95, 0.5)
    return c, s, [*some(rng, c, s, 20), leg, *some(rng, c, s, 20)]


def dinghy_planing(rng):
    c, s = craft(rng, "racing dinghy"), sky(rng, 9, 19, gust=rng.uniform(0.12, 0.2))
    out = [Leg("wait", rng.uniform(240, 600), 70)]
    for _ in range(3):
        out += [*beat(rng, c, 8, (40, 140)), *reach(rng, s, 4, 95, 125), *run(rng, 6, 150)]
        if rng.random() < 0.4:
            out.append(Leg("capsized", rng.uniform(40, 150), 0, "free", cloth=0.0))
    return c, s, out


def kite_flat(rng):
    c, s = craft(rng, "kite catamaran", "charter catamaran"), sky(rng, 9, 18, sea=0.15, gust=rng.uniform(0.03, 0.08), shift=2)
    return c, s, [*run(rng, 30, rng.uniform(132, 148)), *reach(rng, s, 40, 90, 135), *beat(rng, c, 15)]


def bare_poles(rng):
    c, s = craft(rng), sky(rng, 21, 29)
    return c, s, [*some(rng, c, s, 25), Leg("drift", rng.uniform(900, 2700), 0, "free", cloth=0.0), *some(rng, c, s, 20)]


def strong_tide(rng):
    s = sky(rng, 7, 16, stream=(rng.uniform(2.8, 4.2), rng.uniform(0, 360)))
    c = craft(rng)
    return c, s, [Leg("anchor", rng.uniform(600, 1500), 0, "free"), *coasting(rng, 15), *some(rng, c, s, 40), *coasting(rng, 15),
                  Leg("anchor", rng.uniform(600, 1200), 0, "free")]


def ferry_wakes(rng):
    c = craft(rng)
    s = sky(rng, 4, 12, wakes=sorted(rng.uniform(0, 6000, 12)))
    return c, s, [*leaving(rng), *some(rng, c, s, 30), Leg("drift", 900, 0, "free", cloth=0.0), *coasting(rng, 20)]


def long_reach(rng):
    c, s = craft(rng), sky(rng, 7, 20)
    return c, s, [*leaving(rng), *aloft(rng), *reach(rng, s, 75, 70, 150), *coasting(rng, 12)]


def coast_hopping(rng):
    c, s = craft(rng), sky(rng, 5, 20)
    return c, s, [*leaving(rng), *coasting(rng, 60), *some(rng, c, s, 25)]


def engine_all_day(rng):
    c, s = craft(rng), sky(rng, 3, 16)
    return c, s, [*leaving(rng), *coasting(rng, 80)]


def river(rng):
    c, s = craft(rng), sky(rng, 5, 14, shadow=rng.uniform(0.3, 0.6))
    return c, s, [Leg("motor", 3000, rng.uniform(0, 360), "river", rng.uniform(0.6, 0.9), 0.0), *some(rng, c, s, 20)]


def line_fishing(rng):
    c, s = craft(rng), sky(rng, 4, 14)
    out = [*some(rng, c, s, 20)]
    for _ in range(3):
        out.append(Leg("troll", rng.uniform(500, 1000), rng.uniform(0, 360), "pilot", rng.uniform(0.28, 0.45), 0.0))
        if rng.random() < 0.5:
            out.append(Leg("drift", rng.uniform(300, 800), 0, "free", cloth=0.0))
    return c, s, out


def under_tow(rng):
    c, s = craft(rng), sky(rng, 3, 13)
    course = rng.uniform(0, 360)
    tow = [Leg("tow", rng.uniform(500, 1300), course + k * 35, "pilot", rng.uniform(0.5, 0.8), 0.0) for k in range(2)]
    return c, s, [*some(rng, c, s, 25), *tow]


def calm_then_engine(rng):
    c, s = craft(rng), sky(rng, 2, 5)
    return c, s, [*some(rng, c, s, 30), *coasting(rng, 40), *some(rng, c, s, 15)]


def heaving_to(rng):
    c, s = craft(rng), sky(rng, 14, 26)
    out = [*some(rng, c, s, 20), Leg("hove-to", rng.uniform(500, 1500), rng.choice([-1, 1]) * rng.uniform(45, 60), cloth=0.7)]
    return c, s, [*out, *some(rng, c, s, 15), Leg("reef", rng.uniform(200, 400), 55, cloth=0.7), *some(rng, c, s, 20)]


def weed_on_the_log(rng):
    c, s = craft(rng), sky(rng, 7, 15)
    return c, s, [*leaving(rng), *some(rng, c, s, 60), *coasting(rng, 10)]


def slow_ship(rng):
    c, s = craft(rng, "old gaffer", "day boat"), sky(rng, 3, 9)
    return replace(c, engine_kn=0.0), s, [*beat(rng, c, 60, (400, 1500)), *run(rng, 40), Leg("anchor", 1200, 0, "free")]


KINDS = {f.__name__.replace("_", " "): f for f in (
    genoa_and_engine, main_to_windward, dinghy_planing, kite_flat, bare_poles, strong_tide, ferry_wakes, long_reach,
    coast_hopping, engine_all_day, river, line_fishing, under_tow, calm_then_engine, heaving_to, weed_on_the_log, slow_ship)}


def make_day(kind, seed):
    """The truth of one day of a kind."""
    rng = np.random.default_rng([seed, list(KINDS).index(kind), 71])
    return go(rng, *KINDS[kind](rng))


def _held(rng, value, times, most_s):
    """A sensor that keeps its last value for a while, now and then."""
    value = value.copy()
    for _ in range(times):
        a = int(rng.integers(0, value.size))
        value[a:a + int(rng.uniform(60, most_s))] = value[a]
    return value


def logged(truth, seed, missing="wind and speed only", step_s=1, rpm=False):
    """What her logger keeps of it."""
    rng = np.random.default_rng([seed, 72])
    c, n = truth.columns, truth.doing.size
    # The wind is over the water; at a mooring the stream is part of what the masthead feels.
    ae = -c["tws"] * np.sin(np.radians(c["twd"])) + c["stream_east"] - c["east"]
    an = -c["tws"] * np.cos(np.radians(c["twd"])) + c["stream_north"] - c["north"]
    moored = np.isin(truth.doing, ("anchor", "berth"))
    aws, awa = np.hypot(ae, an), np.degrees(np.arctan2(-ae, -an)) - c["hdg"]
    width = int(rng.integers(1, 5))
    east, north = (pd.Series(f(np.radians(awa))).ewm(span=2 * width).mean().to_numpy() for f in (np.sin, np.cos))
    sea = truth.weather.sea
    vane = np.degrees(np.arctan2(east, north)) + noise(rng, n, 1.2, 1.0 + 2.0 * sea) + rng.normal(0, 2.5)
    speed = pd.Series(c["stw"]).ewm(span=2 * int(rng.integers(1, 5))).mean().to_numpy() * rng.normal(1.0, 0.05)
    speed = np.maximum(np.where(speed < rng.uniform(0.1, 0.5), 0.0, speed + noise(rng, n, 2.0, 0.05)), 0.0).round(1)
    x, y = (c[k] + noise(rng, n, 120.0, 2.0) for k in ("x", "y"))
    ge, gn = (c[k] * np.where(moored, 0.3, 1.0) + noise(rng, n, 4.0, 0.08) for k in ("east", "north"))
    table = {
        "lat": 48.5 + y / 111_200.0, "lon": -4.0 + x / (111_300.0 * np.cos(np.radians(48.5))),
        "sog_kn": np.hypot(ge, gn), "cog_deg": np.degrees(np.arctan2(ge, gn)) % 360.0, "stw_kn": speed,
        "hdg_deg": (c["hdg"] + noise(rng, n, 2.5, 0.6 + sea) + rng.normal(0, 2.0)) % 360.0, "awa_deg": wrap(vane),
        "aws_kn": np.maximum(aws * rng.normal(1.0, 0.04) + noise(rng, n, 1.5, 0.3), 0.0).round(1),
        "heel_deg": c["heel"] + noise(rng, n, 2.2, 0.5 + 2.0 * sea) + rng.normal(0, 1.0),
        "rudder_deg": c["rudder"] + rng.normal(0, 1.0)}
    if rng.random() < 0.25:
        for name in rng.choice(["awa_deg", "aws_kn", "stw_kn", "heel_deg"], 2, replace=False):
            table[name] = _held(rng, table[name], 2, 400)
    if "weed" in truth.doing or (truth.hull.name != "racing dinghy" and rng.random() < 0.08):
        a = int(rng.integers(0, n))
        table["stw_kn"][a:a + int(rng.uniform(300, 1200))] = 0.0
    if rpm:
        kind = rng.integers(3)
        on = c["rpm"] > 0
        table["engine_rpm"] = (on.astype(float) if kind == 0 else np.where(on, c["rpm"], np.nan) if kind == 1 else c["rpm"])
    for name in SETS[missing]:
        del table[name]
    stamps = START_S + np.arange(n)
    index = pd.DatetimeIndex((stamps * 1e6).astype("int64").astype("datetime64[us]"), tz="UTC", name="time")
    return pd.DataFrame(table, index=index).iloc[::step_s]


def late_crew(truth, late_s):
    """A crew log that writes of the engine so many seconds late."""
    on = np.isin(truth.doing, ("motor", "motor-sail", "troll", "hoist", "harbour"))
    change = np.flatnonzero(on[1:] != on[:-1]) + 1
    return CrewLog(tuple(CrewEntry(START_S + float(k) + late_s, "engine", "on" if on[k] else "off") for k in change))


__all__ = ["KINDS", "SETS", "START_S", "late_crew", "logged", "make_day"]
