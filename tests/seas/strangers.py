"""Strangers' boats: forces, resistance and a rudder, for days of the kinds nobody thought of.

Unlike :mod:`seas.states` (speeds that tend to a polar, angles that are steered), a boat here is pushed by
the apparent wind on her sails and by a propeller that grips less the faster she goes, and held by
friction and the waves she makes; she is steered by a rudder with a lag, by hand to the wind or by a
compass pilot that weaves. A polar exists only as what comes out. All numbers are invented; nothing is
shared with the package or the other generators. :mod:`seas.stranger_days` writes the plans.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

KN = 1852.0 / 3600.0
TRUE_STATE = {
    "sail": "sailing", "tack": "sailing", "gybe": "sailing", "hove-to": "sailing", "reef": "sailing",
    "wait": "sailing", "motor": "motoring", "motor-sail": "motoring", "hoist": "motoring", "tow": "motoring",
    "troll": "motoring", "harbour": "motoring", "drift": "stopped", "anchor": "stopped", "berth": "stopped",
    "capsized": "stopped", "weed": "sailing"}
SLOWED = ("hove-to", "reef", "wait")


def wrap(angle):
    """Angle in [-180, 180)."""
    return (np.asarray(angle) + 180.0) % 360.0 - 180.0


@dataclass(frozen=True)
class Craft:
    """A boat by her forces: ``beam_kn`` is her speed in 12 kn on the beam, ``hump`` the wave she makes."""

    name: str
    lwl_m: float
    beam_kn: float
    close_deg: float             # apparent, where she is sailed close-hauled
    hump: float                  # 1 displacement, 0.15 planing or slim hulls
    mass_s: float                # seconds of inertia at half speed
    heel_deg: float              # close-hauled in 20 kn apparent
    engine_kn: float
    yaw_s: float
    windage: float
    hull: str = "monohull"

    @property
    def hull_kn(self):
        """Hull speed."""
        return 2.43 * np.sqrt(self.lwl_m)


CRAFT = (
    Craft("family cruiser", 9.6, 6.6, 30.0, 1.0, 16.0, 22.0, 6.2, 3.0, 0.040),
    Craft("old gaffer", 8.0, 5.2, 40.0, 1.2, 26.0, 18.0, 4.9, 5.0, 0.050),
    Craft("fast forty", 10.8, 8.2, 24.0, 0.55, 13.0, 24.0, 7.0, 2.0, 0.030),
    Craft("motor-sailer", 10.5, 5.6, 42.0, 1.2, 30.0, 13.0, 7.6, 5.0, 0.060),
    Craft("charter catamaran", 12.5, 7.6, 36.0, 0.35, 14.0, 3.5, 7.4, 4.0, 0.055, "catamaran"),
    Craft("kite catamaran", 11.0, 10.5, 30.0, 0.2, 9.0, 4.0, 7.0, 3.0, 0.040, "catamaran"),
    Craft("day boat", 5.6, 4.6, 33.0, 0.9, 7.0, 20.0, 4.6, 1.5, 0.045),
    Craft("racing dinghy", 4.0, 7.0, 28.0, 0.25, 4.0, 7.0, 0.0, 1.0, 0.050),
)


def drive(awa_deg, close_deg):
    """Forward force coefficient of trimmed sails, about 1 on a reach."""
    off = np.abs(wrap(awa_deg))
    fill = np.clip((off - (close_deg - 12.0)) / 14.0, 0.0, 1.0)
    lift = np.sin(np.radians(np.clip(off, 0, 110) * 0.95)) ** 0.8
    aft = 1.0 - 0.35 * np.clip((off - 110.0) / 70.0, 0.0, 1.0)
    return fill * np.minimum(lift, 1.0) * aft


def resistance(craft, v):
    """Friction and the wave's hump, as a share of that at her speed in 12 kn on the beam."""
    def raw(kn):
        x = np.abs(kn) / craft.hull_kn
        return (kn / craft.hull_kn) * (0.12 + np.abs(x) * (0.5 + 2.2 * craft.hump * np.clip(x - 0.55, 0, 0.8) ** 1.5 * 3.0))
    return raw(v) / raw(craft.beam_kn)


@dataclass
class Leg:
    """So many seconds of one doing; ``angle`` is true off the bow where ``steer`` is wind, else a course."""

    doing: str
    seconds: float
    angle: float = 0.0
    steer: str = "wind"          # wind (by hand or vane), pilot (compass), free
    power: float = 0.0
    cloth: float = 1.0
    turn_s: float = 9.0


@dataclass
class Sky:
    """Wind over ground, its gusts and shifts, the stream, the sea; wakes are instants in seconds."""

    tws: float
    twd: float = 240.0
    gust: float = 0.10
    shift: float = 4.0
    stream: tuple[float, float] = (0.3, 90.0)
    sea: float = 0.6
    wakes: list[float] = field(default_factory=list)
    shadow: float = 0.0          # banks and trees: share of the wind that comes and goes


@dataclass
class Sailed:
    """A row a second of what really was."""

    columns: dict[str, np.ndarray]
    doing: np.ndarray
    turns: list[tuple[float, str]]
    hull: Craft
    weather: Sky

    @property
    def state(self):
        """``sailing``, ``motoring``, ``stopped`` at each second."""
        return np.array([TRUE_STATE[d] for d in self.doing], dtype=object)


def noise(rng, n, scale_s, sd):
    """Exponentially correlated, a value a second."""
    from scipy.signal import lfilter

    a = np.exp(-1.0 / scale_s)
    return sd * lfilter([np.sqrt(1 - a * a)], [1.0, -a], rng.normal(size=n), zi=[a * rng.normal()])[0]


def _wind(rng, n, sky):
    level = np.exp(noise(rng, n, 28.0, sky.gust) + noise(rng, n, 4.0, 0.4 * sky.gust) + noise(rng, n, 900.0, 0.09))
    if sky.shadow:
        level *= 1.0 - sky.shadow * (noise(rng, n, 70.0, 1.0) > 0.3)
    loose = 1.0 + 2.5 * np.exp(-sky.tws / 3.0)
    twd = sky.twd + sky.shift * loose * noise(rng, n, 420.0, 1.0) + noise(rng, n, 35.0, 2.2 * loose) \
        + (60.0 * sky.shadow * noise(rng, n, 50.0, 0.4))
    return sky.tws * level, twd


class _Steering:
    """Heading by a rudder with a lag: by hand with a dead band, or by a compass pilot that weaves."""

    def __init__(self, rng, craft, n):
        self.rate, self.rudder = 0.0, 0.0
        self.craft = craft
        self.weave = rng.uniform(0.5, 4.0) * np.sin(2 * np.pi * np.arange(n) / rng.uniform(9, 22))
        self.hand = noise(rng, n, rng.uniform(8, 25), rng.uniform(1.0, 3.0))

    def step(self, i, hdg, wanted, steer, way_kn, limit):
        if steer == "free":
            self.rate += (0.02 * float(wrap(wanted - hdg)) - self.rate) / 6.0
            self.rudder = 0.0
            return hdg + float(np.clip(self.rate, -3, 3))
        off = float(wrap(wanted - hdg)) + (self.weave[i] if steer == "pilot" else self.hand[i])
        grip = min(1.5, max(0.15, way_kn / 5.0))
        asked = float(np.clip((1.2 * off - 5.0 * self.rate) / max(grip, 0.4), -28, 28))
        self.rudder += (asked - self.rudder) / 1.6
        self.rate += (0.22 * grip * self.rudder - self.rate) / self.craft.yaw_s
        self.rate = float(np.clip(self.rate, -limit, limit))
        return hdg + self.rate


def _forces(craft, leg, awa, aws, v, sheet):
    """Propeller, sails and windage, in units of the sails' force in 12 kn abeam; heel in degrees."""
    beam_awa = np.degrees(np.arctan2(12.0, craft.beam_kn))
    unit = (12.0**2 + craft.beam_kn**2) * drive(beam_awa, craft.close_deg)
    q = min(aws**2, 24.0**2)                       # reefed beyond
    sails = leg.cloth * sheet * q * float(drive(awa, craft.close_deg)) / unit
    drag = 0.05 * aws**2 * np.cos(np.radians(awa)) / unit
    top = craft.engine_kn
    prop = 0.0
    if leg.power > 0 and top > 0:
        full = float(resistance(craft, top)) / (1 - 1 / 1.6)
        prop = full * (leg.power**2) * (1.0 - v / (1.6 * top * max(leg.power, 0.25)))
    side = max(0.0, np.sin(np.radians(min(abs(float(awa)) * 1.25, 180.0))))
    lean = craft.heel_deg * min(1.25, q / 400.0 * side) * leg.cloth * (0.35 + 0.65 * sheet)
    lean += 0.06 * craft.heel_deg * aws**2 / 400.0 * side
    return prop, sails, drag, -np.sign(awa) * lean


def go(rng, craft, sky, legs):
    """Move her through her legs, second by second."""
    n = sum(int(p.seconds) for p in legs)
    which = np.repeat(np.arange(len(legs)), [int(p.seconds) for p in legs])
    tws, twd = _wind(rng, n, sky)
    steering = _Steering(rng, craft, n)
    out = {k: np.zeros(n) for k in ("hdg", "stw", "side", "heel", "rpm", "rudder", "east", "north")}
    tide = sky.stream[0] * (1 + noise(rng, n, 3000.0, 0.1))
    te, tn = tide * np.sin(np.radians(sky.stream[1])), tide * np.cos(np.radians(sky.stream[1]))
    slam = noise(rng, n, 6.0, 1.0)
    wake = np.zeros(n)
    for at in sky.wakes:
        t = np.arange(n) - at
        wake += np.where((t > 0) & (t < 60), np.exp(-t / 25.0) * np.sin(2 * np.pi * t / 3.7), 0.0)
    first = legs[0]
    hdg = float(twd[0] - first.angle) if first.steer == "wind" else float(first.angle)
    v = 0.6 * craft.beam_kn if first.doing in ("sail", "motor", "motor-sail", "tow", "troll") else 0.0
    seen, heel, turns, inside, x, y = float(twd[0]), 0.0, [], -1, 0.0, 0.0
    circle = 25.0 * rng.uniform(0.6, 1.6)
    for i in range(n):
        leg = legs[which[i]]
        if which[i] != inside:
            inside, begun, start, place, lean_on = which[i], i, hdg, (x, y), rng.uniform(-1, 1)
        seen += float(wrap(twd[i] - seen)) / (15.0 if leg.doing != "hove-to" else 40.0)
        d = leg.doing
        limit, steer, sheet = 7.0, leg.steer, 1.0
        if d in ("tack", "gybe"):
            goal = seen - leg.angle
            way = float(wrap(goal - start))
            through = float(wrap((seen if d == "tack" else seen + 180.0) - start))
            way += 360.0 * np.sign(through) if way * through < 0 else 0.0
            s = min(1.0, (i - begun + 1) / leg.turn_s)
            wanted, limit, steer = start + way * s * s * (3 - 2 * s), 20.0, "wind"
        elif d == "anchor":
            wanted, steer = seen + 38.0 * np.sin(2 * np.pi * (i - begun) / (95.0 + 30 * lean_on)), "free"
            if tide[i] > 1.5:
                wanted = sky.stream[1] + 180.0 + 10.0 * np.sin(2 * np.pi * i / 130.0)
        elif d in ("drift", "capsized"):
            wanted, steer = seen - np.sign(lean_on) * (88.0 + 22.0 * np.sin(2 * np.pi * i / 240.0)), "free"
        elif d == "hove-to":
            wanted, steer, sheet = seen - leg.angle + 8 * np.sin(2 * np.pi * i / 55.0), "wind", 0.07
        elif d == "reef":
            wanted, sheet = seen - leg.angle, 0.12
        elif d == "wait":
            wanted, sheet = seen - leg.angle + 55 * np.sin(2 * np.pi * (i - begun) / 260.0), 0.12
        elif d == "berth":
            wanted, steer = start, "free"
        elif d == "harbour":
            wanted = start + 140 * np.sin(2 * np.pi * (i - begun) / 190.0)
        elif leg.steer == "pilot":
            wanted = leg.angle
        elif leg.steer == "river":
            wanted, steer = leg.angle + 75 * np.sin(2 * np.pi * (i - begun) / 700.0 + lean_on), "wind"
        else:
            wanted = seen - leg.angle
        before = float(wrap(twd[i] - hdg))
        hdg = hdg if d == "berth" else steering.step(i, hdg, wanted, steer, max(v, 0.5), limit)
        twa = float(wrap(twd[i] - hdg))
        if before * twa < 0 and d in ("tack", "gybe") and (abs(twa) < 60) == (d == "tack"):
            turns.append((float(i), d))
        ahead, abeam = tws[i] * np.cos(np.radians(twa)) + v, tws[i] * np.sin(np.radians(twa))
        awa, aws = float(np.degrees(np.arctan2(abeam, ahead))), float(np.hypot(ahead, abeam))
        prop, sails, drag, lean = _forces(craft, leg, awa, aws, v, sheet)
        if d == "harbour":
            prop *= np.sin(2 * np.pi * (i - begun) / 120.0) + 0.2
        slip = 0.0
        if d in ("drift", "capsized"):
            sails, lean, slip = 0.0, 0.2 * lean, craft.windage * 1.3 * tws[i] * (0.5 if d == "capsized" else 1.0)
            drag = -0.004 * tws[i] ** 1.2 / 12.0
        if d == "hove-to":
            slip = 0.04 * tws[i]
        net = prop + sails - drag - float(resistance(craft, v)) * (1.0 if d != "weed" else 1.9)
        net -= 0.12 * sky.sea * max(0.0, np.cos(np.radians(twa))) * (1 + slam[i]) * max(v, 0) / craft.beam_kn
        if d == "tow":
            aim = leg.power * craft.hull_kn * (1 + 0.03 * slam[i])
            v += (aim - v) / 20.0
        elif d in ("anchor", "berth"):
            v = 0.0
        else:
            v += net * craft.beam_kn / craft.mass_s * 0.55
            v -= abs(steering.rate) * 0.0009 * v
        heel += (lean - heel) / 3.5
        head = np.radians(hdg)
        lee = np.radians(twd[i] + 180.0)
        leeway = 0.06 * v * (leg.cloth > 0) * max(0.0, np.cos(np.radians(awa))) * -np.sign(twa)
        ge = v * np.sin(head) + leeway * np.cos(head) + slip * np.sin(lee) + te[i]
        gn = v * np.cos(head) - leeway * np.sin(head) + slip * np.cos(lee) + tn[i]
        through_water = v + (slip * np.cos(lee - head) if slip else 0.0)
        if d == "anchor":
            px, py = place[0] - circle * np.sin(head), place[1] - circle * np.cos(head)
            ge, gn = (px - x) / KN / 8.0, (py - y) / KN / 8.0
            through_water = -(te[i] * np.sin(head) + tn[i] * np.cos(head))
        elif d == "berth":
            ge = gn = 0.0
            through_water = -(te[i] * np.sin(head) + tn[i] * np.cos(head))
        x, y = x + ge * KN, y + gn * KN
        on = d in ("motor", "motor-sail", "troll", "hoist", "harbour")
        for key, value in (("hdg", hdg % 360.0), ("stw", max(through_water, 0.0)), ("side", slip), ("heel", heel),
                           ("east", ge), ("north", gn), ("rudder", steering.rudder),
                           ("rpm", (800 + 1900 * leg.power + 15 * slam[i]) if on else 0.0)):
            out[key][i] = value
    out["stw"] += 0.25 * wake
    out["heel"] += 6.0 * wake
    out["hdg"] = (out["hdg"] + 5.0 * wake) % 360.0
    out |= {"stream_east": te, "stream_north": tn}
    out |= {"x": np.cumsum(out["east"]) * KN, "y": np.cumsum(out["north"]) * KN, "tws": tws, "twd": twd % 360.0}
    return Sailed(out, np.array([legs[k].doing for k in which], dtype=object), turns, craft, sky)
