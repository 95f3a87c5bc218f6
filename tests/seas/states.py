"""Hard days for the boat's state: a point boat with inertia, sails, an engine and windage.

Independent of the package and of the other generators; all numbers are invented. A day is a list of
pieces (:class:`Piece`), each with what the boat does in it, moved on second by second: speed through
the water tends to what sails or engine give, with the boat's own time constant; heading is steered to
a wind angle or a course by a helm that is late and wanders; the current and the windage move her over
ground. :mod:`seas.state_days` writes the plans and what the instruments make of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

STATE_OF = {
    "sail": "sailing", "tack": "sailing", "gybe": "sailing", "irons": "sailing", "hove-to": "sailing",
    "reef": "sailing", "wait": "sailing",
    "motor": "motoring", "hoist": "motoring", "harbour": "motoring", "tow": "motoring", "troll": "motoring",
    "drift": "stopped", "becalmed": "stopped", "anchor": "stopped", "berth": "stopped"}
SLOWED = ("hove-to", "reef", "wait")
KN = 1852.0 / 3600.0


def wrap(angle):
    """Angle in [-180, 180)."""
    return (np.asarray(angle) + 180.0) % 360.0 - 180.0


@dataclass(frozen=True)
class Hull:
    """A boat: how fast, how heavy, how close to the wind, how she heels."""

    name: str = "cruiser"
    lwl_m: float = 9.0
    two_hulls: bool = False
    top_kn: float = 7.4          # what she tends to in a strong wind
    light: float = 0.62          # speed per wind speed in light air, abeam
    close_deg: float = 43.0
    luff_deg: float = 27.0       # sails stop drawing
    run_deg: float = 150.0
    inertia_s: float = 14.0
    heel_deg: float = 19.0       # close-hauled in 15 kn
    engine_kn: float = 6.0
    windage: float = 0.035       # drift per wind speed, bare poles


HULLS = (
    Hull(),
    Hull("close-winded racer", 9.6, False, 8.0, 0.75, 33.0, 21.0, 145.0, 12.0, 21.0, 6.3, 0.03),
    Hull("small slow boat", 5.2, False, 5.0, 0.48, 48.0, 31.0, 155.0, 6.0, 14.0, 4.4, 0.045),
    Hull("long keel", 8.4, False, 6.6, 0.50, 47.0, 30.0, 160.0, 24.0, 17.0, 5.4, 0.03),
    Hull("cruising catamaran", 12.0, True, 11.5, 0.66, 46.0, 29.0, 145.0, 10.0, 3.0, 7.2, 0.05),
    Hull("light catamaran", 9.0, True, 15.0, 0.95, 44.0, 27.0, 140.0, 6.0, 5.0, 6.6, 0.05),
    Hull("sixty-footer", 17.5, False, 10.5, 0.70, 38.0, 24.0, 150.0, 25.0, 18.0, 8.6, 0.028),
)


def drawing(hull, tws, twa):
    """Speed that sails alone tend to, knots."""
    off = abs(float(wrap(twa)))
    if off <= hull.luff_deg:
        return 0.0
    rise = 1.0 - np.exp(-(off - hull.luff_deg) / (0.55 * (hull.close_deg - hull.luff_deg) + 4.0))
    aft = 1.0 - 0.34 * max(0.0, (off - 110.0) / 70.0) ** 1.4
    fore = 0.80 + 0.20 * min(1.0, max(0.0, (off - hull.close_deg) / 45.0))
    drive = hull.light * tws * rise * aft * fore
    return float(hull.top_kn * (1.0 - np.exp(-drive / hull.top_kn)))


@dataclass
class Piece:
    """So many seconds of one doing.

    ``angle`` is a wind angle to steer (signed, starboard positive) where ``by_wind``, else a course;
    ``power`` is the share of the engine's full speed; ``cloth`` the share of the sails that are set.
    """

    doing: str
    seconds: float
    angle: float = 0.0
    by_wind: bool = True
    power: float = 0.0
    cloth: float = 1.0
    turn_s: float = 8.0
    pilot: bool = False


@dataclass
class Weather:
    """Wind over ground, gusts, shifts, sea and stream."""

    tws: float = 12.0
    twd: float = 220.0
    gust: float = 0.10
    shift: float = 4.0
    current: tuple[float, float] = (0.4, 60.0)   # knots, towards
    sea: float = 1.0
    lulls: list[tuple[float, float, float]] = field(default_factory=list)  # from, to, share of tws


@dataclass
class Truth:
    """What really was, a row a second."""

    columns: dict[str, np.ndarray]
    doing: np.ndarray
    turns: list[tuple[float, str]]
    hull: Hull
    weather: Weather

    @property
    def state(self):
        """``sailing``, ``motoring``, ``stopped`` at each second."""
        out = np.array([STATE_OF[d] for d in self.doing], dtype=object)
        # Becalmed with a little way on is neither one nor the other.
        from scipy.ndimage import uniform_filter1d

        out[(self.doing == "becalmed") & (uniform_filter1d(self.columns["stw"], 180) > 0.35)] = "either"
        return out


def red_noise(rng, n, scale_s, sd):
    """Exponentially correlated noise, a value a second."""
    from scipy.signal import lfilter

    a = np.exp(-1.0 / scale_s)
    return sd * lfilter([np.sqrt(1 - a * a)], [1.0, -a], rng.normal(size=n), zi=[a * rng.normal()])[0]


def sail_through(rng, hull, weather, pieces):
    """Move the boat through its pieces; the truth of every second."""
    n = sum(int(p.seconds) for p in pieces)
    t = np.arange(n, dtype=float)
    level = np.ones(n)
    for a, b, share in weather.lulls:
        ramp = np.clip(np.minimum((t - a) / 180.0, (b - t) / 180.0) + 0.5, 0, 1)
        level *= 1.0 - (1.0 - share) * ramp
    tws = weather.tws * level * np.maximum(0.15, 1 + red_noise(rng, n, 22.0, weather.gust)
                                           + red_noise(rng, n, 700.0, 0.10))
    unsteady = 1.0 + 3.0 * np.exp(-tws / 2.5)    # light airs box the compass
    twd = weather.twd + weather.shift * unsteady * red_noise(rng, n, 260.0, 1.0) + red_noise(rng, n, 25.0, 2.0)
    helm = red_noise(rng, n, rng.uniform(6, 14), rng.uniform(1.2, 3.5))
    slow_helm = red_noise(rng, n, 60.0, rng.uniform(0.5, 2.5))
    sheer = rng.uniform(70, 150)
    east, north = (weather.current[0] * f(np.radians(weather.current[1])) for f in (np.sin, np.cos))
    tide = 1.0 + red_noise(rng, n, 2500.0, 0.15)
    doing, out = [], {k: np.empty(n) for k in ("hdg", "stw", "side", "heel", "rpm", "rudder", "east", "north")}
    piece_of = np.repeat(np.arange(len(pieces)), [int(p.seconds) for p in pieces])
    first = pieces[0]
    hdg = (twd[0] - first.angle) if first.by_wind else first.angle
    v, heel, seen, turn_from, turns = 0.0, 0.0, twd[0], None, []
    anchor_at, inside, yaw = (0.0, 0.0), -1, 0.0
    x = y = 0.0
    wanted = hdg
    if first.doing in ("sail", "motor"):
        v = drawing(hull, tws[0], first.angle) if first.doing == "sail" else first.power * hull.engine_kn
    for i in range(n):
        p = pieces[piece_of[i]]
        if piece_of[i] != inside:
            inside, begun = piece_of[i], i
            turn_from = hdg
            anchor_at = (x, y)
            wander = rng.uniform(-180, 180)
        seen += (twd[i] - seen) / 12.0                      # the helm sees the wind a little late
        d = p.doing
        tone = 1.0 if not p.pilot else 0.35
        if d in ("tack", "gybe"):                           # an S-curve from here to the new angle
            goal = seen - p.angle
            way = float(wrap(goal - turn_from))
            through = float(wrap(seen - turn_from)) if d == "tack" else float(wrap(seen + 180 - turn_from))
            if way * through < 0:
                way += 360.0 * np.sign(through)
            s = min(1.0, (i - begun + 1) / p.turn_s)
            wanted = turn_from + way * s * s * (3 - 2 * s)
            gain = 1.0
        elif d == "irons":
            wanted, gain = seen - p.angle + 8 * np.sin(2 * np.pi * i / 50), 0.15
        elif d in ("drift", "becalmed"):
            wanted, gain = seen - 95.0 + wander * 0.3 + 25 * np.sin(2 * np.pi * i / 310) + 3 * slow_helm[i], 0.03
        elif d == "anchor":
            wanted, gain = seen + 32 * np.sin(2 * np.pi * i / sheer), 0.2
        elif d == "berth":
            wanted, gain = turn_from, 0.5
        elif d == "harbour":
            wanted, gain = turn_from + 130 * np.sin(2 * np.pi * (i - begun) / 160) + wander * 0.4, 0.08
        elif d == "hove-to":
            wanted, gain = seen - p.angle + 9 * np.sin(2 * np.pi * i / 75), 0.1
        elif d == "wait":
            wanted, gain = seen - p.angle + 35 * np.sin(2 * np.pi * i / 170), 0.12
        else:
            wanted = (seen - p.angle) if p.by_wind else p.angle
            gain = 0.25
        turn = gain * float(wrap(wanted - hdg))
        limit = 25.0 if d in ("tack", "gybe") else 6.0
        if d in ("tack", "gybe") and gain == 1.0:
            turn = float(wrap(wanted - hdg)) if abs(wrap(wanted - hdg)) < 170 else turn
        turn = float(np.clip(turn, -limit, limit))
        before = float(wrap(twd[i] - hdg))
        steer = helm[i] * tone * 0.12 * (d not in ("drift", "becalmed", "anchor", "berth"))
        yaw += (turn + steer - yaw) / (1.0 if d in ("tack", "gybe") else 2.0)
        hdg += yaw
        after = float(wrap(twd[i] - hdg))
        if d == "tack" and before * after < 0 and abs(after) < 60:
            turns.append((float(i), "tack"))
        if d == "gybe" and before * after < 0 and abs(after) > 120:
            turns.append((float(i), "gybe"))
        w, twa = tws[i], after
        sails = drawing(hull, w, twa) * p.cloth
        side = 0.0
        if d in ("sail", "tack", "gybe", "becalmed"):
            aim = sails
        elif d == "irons":
            aim = -0.3 if v < 0.25 else 0.0
        elif d == "hove-to":
            aim, side = 0.14 * sails + 0.3, 0.045 * w
        elif d == "reef":
            aim = 0.30 * sails
        elif d == "wait":
            aim = 0.33 * sails
        elif d in ("motor", "troll", "hoist", "tow", "harbour"):
            drag = 0.022 * w * np.cos(np.radians(twa)) * (1.3 if p.cloth == 0 else 1.0)
            engine = p.power * hull.engine_kn
            if d == "harbour":
                engine *= np.sin(2 * np.pi * (i - begun) / 140) + 0.35
            else:
                engine = max(0.3, engine - max(drag, -0.4))
            aim = (max(engine, 0) ** 3 + sails**3) ** (1 / 3) if engine > 0 else engine
        else:
            aim = 0.0
            side = hull.windage * w if d == "drift" else 0.0
        v += (aim - v) / (hull.inertia_s * (0.6 if aim < v else 1.0))
        heeling = 0.0 if d in ("anchor", "berth") else p.cloth * (0.5 if d in SLOWED else 1.0) * (
            0.25 if d in ("irons", "hoist") else 1.0)
        force = (w / 15.0) ** 1.6 * abs(np.sin(np.radians(min(abs(twa) * 1.15, 180)))) ** 1.2
        most = 27.0 if not hull.two_hulls else 7.0
        lean = -np.sign(twa) * min(most, hull.heel_deg * force * max(heeling, 0.09))
        heel += (lean - heel) / 4.0
        wind_to = np.radians(twd[i] + 180.0)
        slip = 0.07 * v * (d == "sail") * max(0.0, np.cos(np.radians(twa))) if p.cloth else 0.0
        head = np.radians(hdg)
        lee = head + np.pi / 2 * (-np.sign(twa))
        ve = v * np.sin(head) + slip * np.sin(lee) + side * np.sin(wind_to)
        vn = v * np.cos(head) + slip * np.cos(lee) + side * np.cos(wind_to)
        ge, gn = ve + east * tide[i], vn + north * tide[i]
        out["stw"][i] = v
        if d in ("anchor", "berth"):
            ge, gn, radius = 0.0, 0.0, 25.0 if d == "anchor" else 0.0
            hx, hy = (-radius * np.sin(head) * KN / KN, -radius * np.cos(head))
            px, py = anchor_at[0] + hx, anchor_at[1] + hy
            ge, gn = ((px - x) / KN, (py - y) / KN) if i > begun + 60 else (0.2 * (px - x), 0.2 * (py - y))
            ge, gn = np.clip(ge, -2, 2), np.clip(gn, -2, 2)
            # the log reads the stream along the keel
            out["stw"][i] = max(0.0, -(east * np.sin(head) + north * np.cos(head)) * tide[i])
            v = 0.0
        x, y = x + ge * KN, y + gn * KN
        out["hdg"][i], out["heel"][i], out["east"][i], out["north"][i] = hdg % 360, heel, ge, gn
        out["side"][i] = side
        out["rpm"][i] = (700 + 1900 * p.power + 25 * np.sin(i / 7)) if d in (
            "motor", "troll", "hoist", "harbour") else 0.0
        out["rudder"][i] = 2.2 * yaw / max(0.5, v / 3) + 1.2 * helm[i] * tone + (
            0.12 * -np.sign(twa) * abs(heel) if d == "sail" else 0.0)
        doing.append(d)
    # over the water, as a boat's instruments know it, from wind over ground and stream
    we, wn = tws * np.sin(np.radians(twd)), tws * np.cos(np.radians(twd))
    out["x"], out["y"] = np.cumsum(out["east"]) * KN, np.cumsum(out["north"]) * KN
    out |= {"tws": np.hypot(we, wn), "twd": twd % 360.0}
    return Truth(out, np.array(doing, dtype=object), turns, hull, weather)
