"""The day stepped in time: surge, heel, yaw, leeway, helm and crew.

One plain loop over Python floats (ten steps a second); numpy scalars would be slower here.
State that a second run needs, to sail the same minutes without a turn, can be copied at any step.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass, field

import numpy as np

from .boats import (
    AIR_KG_M3,
    GRAVITY,
    KNOT,
    STALLED,
    WATER_KG_M3,
    BoatModel,
    Polar,
    added_wave_resistance,
)
from .helms import HelmModel
from .plan import Action, Leg
from .sea import Water, lowpass, wandering

STEP_S = 0.1
RECORDED = ("hdg_deg", "speed_m_s", "leeway_deg", "heel_deg", "roll_rate_deg_s", "yaw_rate_deg_s",
            "rudder_deg", "east_m", "north_m", "rpm", "ease", "target_deg")


@dataclass
class State:
    """All that moves; copied for a second run."""

    heading: float = 0.0
    speed: float = 0.0
    yaw: float = 0.0
    heel: float = 0.0
    roll: float = 0.0
    heel_slow: float = 0.0
    leeway: float = 0.0
    rudder: float = 0.0
    rudder_set: float = 0.0
    helm_trim: float = 0.0
    efficiency: float = 1.0
    ease: float = 1.0
    east: float = 0.0
    north: float = 0.0
    # The crew's intent.
    side: int = 1
    by_wind: bool = True
    angle: float = 45.0          # wanted wind angle, magnitude
    best: str = ""               # "up" or "down": the angle follows the polar
    course: float = 0.0          # wanted heading
    exit_extra: float = 0.0      # degrees wide of the angle after a turn, decaying
    exit_scale: float = 9.0
    trim: float = 1.0
    sails: str = ""
    helm: str = ""
    rpm: float = 0.0
    moored: bool = False
    # A turn in progress.
    turning: int = 0             # -1 port, 0 none, 1 starboard
    turn_kind: str = ""
    turn_to: float = 0.0         # signed wind angle (or heading under engine)
    turn_by_wind: bool = True
    turn_rate: float = 8.0
    turn_since: int = 0
    turn_left: float = 0.0       # circle: heading still to turn
    abort_at: float = -99.0
    sheet_s: float = 3.0
    sheet_at: int = 0
    loose: float = 1.0           # what the sails are held at
    hold_until: int = 0          # luff
    event: int = -1


@dataclass
class Turn:
    """A true maneuver as it was steered."""

    kind: str
    start: int
    from_side: int
    helm: str
    sails: str
    intended: str
    crossing: int = -1
    end: int = -1
    before: State = field(default_factory=State, repr=False)
    effect: float = 1.0


class Voyage:
    """A boat, a day's water and a plan."""

    def __init__(self, boat: BoatModel, water: Water, legs: tuple[Leg, ...],
                 helms: dict[str, HelmModel], rng: np.random.Generator, n: int,
                 first_sails: str, first_helm: str, wave_period_s: float,
                 variation: float = 1.0) -> None:
        self.boat, self.water, self.legs, self.helms = boat, water, legs, helms
        self.n = n
        self.variation = variation
        self.wave_period_s = wave_period_s
        self.rng = rng
        self.turns: list[Turn] = []
        self.notes: list[tuple[int, str, object]] = []
        self.sails_text: list[tuple[int, str]] = [(0, first_sails)]
        self.helm_text: list[tuple[int, str]] = [(0, first_helm)]
        self.trims: list[tuple[int, str, float, float]] = []
        self.mode: list[tuple[int, str]] = []
        self.first_sails, self.first_helm = first_sails, first_helm
        self._tables: dict[str, tuple[list[float], list[float], float, float, Polar]] = {}
        self._make_lists()
        self.out: dict[str, list[float]] = {name: [0.0] * n for name in RECORDED}
        self._leg = -1
        self._done = False
        self._leg_start = 0
        self._actions: list[tuple[int, Action]] = []
        self._last_turn = -9999
        self._origin = (0.0, 0.0)

    def _make_lists(self) -> None:
        water, boat = self.water, self.boat
        self.felt = water.felt_m_s.tolist()
        self.felt_from = water.felt_twd_deg.tolist()
        self.slow_from = water.twd_slow_deg.tolist()
        self.current = (water.current_east_m_s.tolist(), water.current_north_m_s.tolist())
        self.waves = [water.slope[name].tolist() for name in ("ahead", "abeam", "astern")]
        unwrapped = np.degrees(np.unwrap(np.radians(water.felt_twd_deg)))
        self.seen, self.noise, self.drift = {}, {}, {}
        for name, helm in self.helms.items():
            self.seen[name] = lowpass(unwrapped, STEP_S, helm.perception_s).tolist()
            # A helm does not chase each flutter of the vane but is pulled a little by it.
            noise = wandering(self.rng, self.n, STEP_S, 0.8)
            self.noise[name] = (helm.noise_deg * noise).tolist()
            self.drift[name] = (helm.wander_deg * wandering(self.rng, self.n, STEP_S, 40.0)
                                ).tolist()
        self.resistance = boat.resistance_n.tolist()
        self.light_wave = float(added_wave_resistance(boat, water.wave_height_m, 0.0))

    def table(self, sails: str) -> tuple[list[float], list[float], float, float, Polar]:
        """Lift, drag, area, centre height and polar of a sail set."""
        if sails not in self._tables:
            kind = self.boat.sail_set(sails)
            lift, drag = kind.coefficients()
            self._tables[sails] = ([*lift.tolist(), lift[-1]], [*drag.tolist(), drag[-1]],
                                   kind.area_m2, kind.centre_m,
                                   self.boat.polar(sails or self.boat.sails[0].name))
        return self._tables[sails]

    # The crew decides -----------------------------------------------------------------------

    def crew(self, s: State, i: int) -> None:
        """Once a second: next leg, next action, laylines, end of a turn's settling."""
        leg = self.legs[self._leg] if self._leg >= 0 else None
        if s.turning:
            return
        if leg is None or (i - self._leg_start) * STEP_S >= leg.length_s or self._arrived(s, leg):
            if self._leg + 1 == len(self.legs):
                self._done = True
                return
            self._begin(s, i)
            leg = self.legs[self._leg]
        if s.best and s.by_wind:
            best = self.table(s.sails)[4].best_angle_deg(
                self.felt_mean(i) / KNOT, s.best == "up")
            s.angle += 0.1 * (float(best) - s.angle)
        self._finish(s, i)
        if s.turning or s.turn_kind == "luff":
            return
        if leg.mark_m is not None:
            self._to_mark(s, i, leg)
        while self._actions and self._actions[0][0] <= i and not s.turning:
            _, action = self._actions.pop(0)
            self._act(s, i, action)

    def felt_mean(self, i: int) -> float:
        """Wind speed over the last half minute, m/s."""
        window = self.felt[max(0, i - 300):i + 1:20]
        return sum(window) / len(window)

    def _arrived(self, s: State, leg: Leg) -> bool:
        if leg.mark_m is None:
            return False
        east, north = leg.mark_m[0] - s.east, leg.mark_m[1] - s.north
        line = (leg.mark_m[0] - self._origin[0], leg.mark_m[1] - self._origin[1])
        length = math.hypot(*line)
        ahead = (east * line[0] + north * line[1]) / max(length, 1.0)
        return math.hypot(east, north) < 40.0 or ahead < 0.0

    def _to_mark(self, s: State, i: int, leg: Leg) -> None:
        assert leg.mark_m is not None
        east, north = leg.mark_m[0] - s.east, leg.mark_m[1] - s.north
        bearing = math.degrees(math.atan2(east, north)) % 360.0
        if leg.kind in ("motor", "course", "reach"):
            s.course = bearing
            return
        if (i - self._last_turn) * STEP_S < 60.0 or math.hypot(east, north) < 120.0:
            return
        up = leg.kind == "beat"
        other = self.slow_from[i] + s.side * (s.angle + (4.0 if up else 0.0))
        past = _wrap(bearing - other) * s.side * (1 if up else -1)
        line = (leg.mark_m[0] - self._origin[0], leg.mark_m[1] - self._origin[1])
        length = max(math.hypot(*line), 1.0)
        off = ((s.east - self._origin[0]) * line[1]
               - (s.north - self._origin[1]) * line[0]) / length
        going = math.radians(s.heading)
        outward = (math.sin(going) * line[1] - math.cos(going) * line[0]) / length * off > 0
        if (past > 0 and abs(past) < 90) or (abs(off) > leg.width_m and outward):
            self._act(s, i, Action("tack" if up else "gybe", 0.0))

    def _begin(self, s: State, i: int) -> None:
        old = self.legs[self._leg] if self._leg >= 0 else None
        self._leg += 1
        leg = self.legs[self._leg]
        self._leg_start = i
        self._origin = (s.east, s.north)
        self._actions = sorted(((i + round(a.at_s / STEP_S), a) for a in leg.actions),
                               key=lambda pair: pair[0])
        engine = leg.kind in ("motor", "hoist")
        rpm = leg.rpm or (0.75 * self.boat.rpm_max if leg.kind == "motor" else
                          0.4 * self.boat.rpm_max)
        if engine and s.rpm == 0:
            self.notes.append((i, "engine", "on"))
        if not engine and s.rpm > 0:
            self.notes.append((i, "engine", "off"))
        s.rpm = rpm if engine else 0.0
        s.moored = leg.kind == "stop"
        self.mode.append((i, "motoring" if engine else "stopped" if s.moored else "sailing"))
        if leg.kind == "motor" and old is None:
            self._set_sails(s, i, "")
        if leg.sails is not None:
            self._set_sails(s, i, leg.sails)
        if s.moored:
            s.speed = s.yaw = 0.0
            self._set_sails(s, i, "")
            return
        self._aim(s, i, leg, sailing_before=old is not None and old.kind in
                  ("beat", "run", "reach", "course"))

    def _aim(self, s: State, i: int, leg: Leg, sailing_before: bool) -> None:
        """Point the boat at a new leg, with a turn if it is far away."""
        helm = self.helms[s.helm]
        side = leg.side or s.side
        was = _wrap(self.slow_from[i] - s.heading)
        s.best = {"beat": "up", "run": "down"}.get(leg.kind, "")
        polar = self.table(s.sails)[4]
        if leg.kind in ("beat", "run"):
            s.angle = float(polar.best_angle_deg(self.felt_mean(i) / KNOT, s.best == "up"))
        elif leg.kind == "reach":
            s.angle = abs(leg.twa_deg)
        s.side = side
        s.by_wind = leg.kind in ("beat", "run") or (leg.kind == "reach" and leg.mark_m is None)
        if leg.kind == "hoist":
            s.course = self.slow_from[i] % 360.0
        elif leg.kind in ("motor", "course"):
            s.course = leg.heading_deg
        if leg.mark_m is not None and leg.kind in ("motor", "course", "reach"):
            s.by_wind = False
            s.course = math.degrees(math.atan2(leg.mark_m[0] - s.east,
                                               leg.mark_m[1] - s.north)) % 360.0
        if leg.kind == "reach" and s.by_wind and helm.by_compass:
            s.by_wind = False
            s.course = (self.slow_from[i] - side * s.angle) % 360.0
        if s.by_wind:
            wanted = side * s.angle
        else:
            wanted = _wrap(self.slow_from[i] - s.course)
            side = 1 if wanted >= 0 else -1
            s.side = side
        change = _wrap(was - wanted)  # heading to starboard is wind angle falling
        if not sailing_before or s.rpm > 0:
            kind = ""
        elif was * wanted < 0 and abs(was) + abs(wanted) < 180 and abs(change) > 12:
            kind = "tack"
        elif was * wanted < 0 and abs(change) > 12:
            kind = "gybe"
        elif abs(change) > 22:
            kind = "head_up" if abs(wanted) < abs(was) else "bear_away"
        else:
            return
        through = {"tack": 1 if was > 0 else -1, "gybe": -1 if was > 0 else 1}
        direction = through.get(kind, 1 if change > 0 else -1)
        self._turn(s, i, kind, direction, wanted, 1.0, s.by_wind, "rounding")

    def _turn(self, s: State, i: int, kind: str, direction: int, wanted: float, quality: float,
              by_wind: bool, intended: str = "") -> None:
        helm = self.helms[s.helm]
        spread = helm.turn_spread * self.variation
        slower = quality * math.exp(spread * self.rng.standard_normal())
        size = min(1.0, 10.5 / self.boat.loa_m) ** 0.5 if self.boat.loa_m > 10.5 else \
            (10.5 / self.boat.loa_m) ** 0.35
        s.turning, s.turn_kind, s.turn_to, s.turn_by_wind = direction, kind, wanted, by_wind
        s.turn_rate = helm.turn_rate_deg_s * size / slower * (0.8 if kind == "gybe" else
                                                              0.6 if "_" in kind else 1.0)
        s.turn_since = i
        s.sheet_s = helm.sheet_s * slower * math.exp(spread * self.rng.standard_normal())
        if kind in ("gybe",) and self.boat.sail_set(s.sails).kind == "kite":
            s.sheet_s *= 1.8
        extra = helm.overshoot_deg * quality * math.exp(spread * self.rng.standard_normal())
        # Past the new angle: wide after a tack, hot after a gybe.
        s.exit_extra = {"tack": extra, "gybe": -extra}.get(kind, 0.0)
        s.exit_scale = helm.settle_s * math.exp(spread * self.rng.standard_normal())
        s.abort_at = -99.0
        self._last_turn = i
        if s.event >= 0 and self.turns[s.event].end < 0:
            self.turns[s.event].end = i
        if kind:
            before = copy.copy(s)
            before.turning, before.turn_kind, before.exit_extra, before.sheet_s = 0, "", 0.0, 3.0
            was = _wrap(self.slow_from[i] - s.heading)
            before.side = 1 if was >= 0 else -1
            self.turns.append(Turn(kind, i, 1 if was >= 0 else -1, s.helm, s.sails,
                                   intended or kind, before=before))
            s.event = len(self.turns) - 1
        else:
            s.event = -1

    def _act(self, s: State, i: int, action: Action) -> None:
        kind = action.kind
        angle = s.angle
        if kind in ("tack", "gybe"):
            side = s.side
            wanted = -side * angle if s.by_wind else -_wrap(self.slow_from[i] - s.course)
            direction = side if kind == "tack" else -side
            self._turn(s, i, kind, direction, wanted, action.quality, True)
            s.side = -side
            if action.stall:
                s.turn_rate, s.sheet_s = 3.0, s.sheet_s * 2
            if not s.by_wind:
                s.course = (self.slow_from[i] - wanted) % 360.0
        elif kind == "failed_tack":
            self._turn(s, i, "luff", s.side, -s.side * angle, 1.5, True, "failed_tack")
            s.turn_kind = "failed"
            s.turn_rate = min(s.turn_rate, 5.0)
            s.abort_at = float(self.rng.uniform(3.0, 12.0))
        elif kind == "luff":
            self._turn(s, i, "luff", s.side, s.side * float(action.value or 8.0), 1.6, True)
            s.hold_until = i + round(action.length_s / STEP_S)
        elif kind == "circle":
            direction = int(action.value or 1)
            self._turn(s, i, "circle", direction, s.side * angle, 1.0, True)
            s.turn_left = 360.0
        elif kind in ("head_up", "bear_away"):
            wanted = s.side * float(action.value)  # type: ignore[arg-type]
            was = _wrap(self.slow_from[i] - s.heading)
            direction = 1 if _wrap(was - wanted) > 0 else -1
            s.angle, s.best = abs(wanted), ""
            self._turn(s, i, kind, direction, wanted, 1.0, True)
            if not s.by_wind:
                s.course = (self.slow_from[i] - wanted) % 360.0
        elif kind == "helm":
            s.helm = str(action.value)
            s.helm_trim = 0.0
            self.helm_text.append((i, s.helm))
            self.notes.append((i, "helm", s.helm))
        elif kind == "sails":
            self._set_sails(s, i, str(action.value))
        elif kind == "trim":
            self.trims.append((i, str(action.value), s.trim, action.effect))
            s.trim = action.effect
            self.notes.append((i, "trim", action.value))
        else:
            self.notes.append((i, kind, action.value))

    def _set_sails(self, s: State, i: int, sails: str) -> None:
        if sails == s.sails and self.sails_text[-1][1] == sails:
            return
        s.sails = sails
        s.efficiency = min(s.efficiency, 0.5)
        s.sheet_s = 4.0
        self.sails_text.append((i, sails))
        self.notes.append((i, "sails", sails or "none"))

    def _finish(self, s: State, i: int) -> None:
        """A turn's end: on the new angle, or a luff held long enough."""
        if s.turn_kind == "luff" and not s.turning and i >= s.hold_until:
            s.turning, s.turn_kind, s.turn_to = -s.side, "return", s.side * s.angle
            s.turn_since = i
        if s.event >= 0 and not s.turning and s.turn_kind == "":
            turn = self.turns[s.event]
            off = abs(_wrap(self.slow_from[i] - s.heading - (
                s.side * s.angle if s.by_wind else self.slow_from[i] - s.course)))
            settled = off < 6.0 and s.efficiency > 0.93 and abs(s.exit_extra) < 2.0
            if settled or i - turn.start > 1200:
                turn.end = i
                s.event = -1

    # The boat moves -------------------------------------------------------------------------

    def sail(self, s: State, start: int, stop: int, out: dict[str, list[float]] | None = None,
             crew: bool = True, own_past: bool = False) -> int:
        """Step from ``start`` to ``stop``; without ``crew`` the helm holds what she holds.

        Returns the step at which the plan was done. ``own_past`` true: headings before the start
        are not those of the first run (the boat was put somewhere else).
        """
        boat = self.boat
        record = self.out if out is None else out
        shift = 0 if out is None else start
        columns = [record[name] for name in RECORDED]
        past = self.out["hdg_deg"]
        sin, cos, atan2, asin = math.sin, math.cos, math.atan2, math.asin
        rad, deg = math.pi / 180.0, 180.0 / math.pi
        dt = STEP_S
        weight = boat.displacement_kg * GRAVITY
        righting = weight * boat.gm_m
        heel_limit = sin(boat.heel_max_deg * rad)
        mass = boat.mass_kg
        omega2 = (2 * math.pi / boat.roll_period_s) ** 2
        damping = 2 * boat.roll_damping * 2 * math.pi / boat.roll_period_s
        fluid0 = 0.5 * WATER_KG_M3 * math.pi * boat.keel_span_m**2
        aspect = boat.rudder_aspect
        rudder_slope2 = (2 * math.pi * aspect / (aspect + 2)) ** 2
        rudder0 = 0.5 * WATER_KG_M3 * boat.rudder_area_m2 * rudder_slope2 / (math.pi * aspect * .9)
        turn_drag = 0.14 * boat.lwl_m * boat.displacement_kg
        length = boat.lwl_m
        cruise = 0.32 * math.sqrt(GRAVITY * length)
        slope = self.slope_deg
        yaw_wave = 0.55 * slope * min(1.0, 10.0 / length)
        surge_wave = 0.2 * GRAVITY * slope * rad
        full = boat.engine_speed_kn * KNOT
        felt, felt_from, slow_from = self.felt, self.felt_from, self.slow_from
        w_ahead, w_abeam, w_astern = self.waves
        resistance = self.resistance
        current_east, current_north = self.current
        (heading, speed, yaw, heel, roll, heel_slow, leeway, rudder, rudder_set, trim_helm,
         efficiency, ease, east, north) = _motion(s)
        lived: list[float] = []
        first_heading = heading
        for i in range(start, stop):
            if i % 10 == 0:
                _store(s, heading, speed, yaw, heel, roll, heel_slow, leeway, rudder, rudder_set,
                       trim_helm, efficiency, ease, east, north)
                if crew:
                    self.crew(s, i)
                    if self._done:
                        return i
                    speed, yaw, efficiency, trim_helm = s.speed, s.yaw, s.efficiency, s.helm_trim
                elif i > start and s.best and s.by_wind:
                    best = self.table(s.sails)[4].best_angle_deg(
                        self.felt_mean(i) / KNOT, s.best == "up")
                    s.angle += 0.1 * (float(best) - s.angle)
                helm = self.helms[s.helm]
                seen, noise, drift = self.seen[s.helm], self.noise[s.helm], self.drift[s.helm]
                delay = max(1, round(helm.delay_s / dt))
                table = self.table(s.sails)
                lift_table, drag_table, area, centre, _ = table
                side_max = righting * heel_limit / max(centre, 1.0)
                thrust = boat.engine_thrust_n(s.rpm) if s.rpm > 0 else 0.0
                rudder_max = boat.rudder_max_deg * (0.95 if s.turning else 0.8)
                s.exit_extra *= math.exp(-1.0 / s.exit_scale) if not s.turning else 1.0
                power = max(0.5, min(2.2, cruise / max(speed, 0.3)))
                band = helm.dead_band_deg
                footing = 0.0
                if s.best == "up":
                    # A boat that has lost her way is sailed free until she goes again.
                    usual = float(table[4](self.felt_mean(i) / KNOT, s.angle)) * KNOT
                    footing = max(0.0, min(14.0, 30.0 * (0.65 - speed / max(usual, 0.5))))
                kite_hold = 0.35 if area and self.boat.sail_set(s.sails).kind == "kite" else 0.55

            # Air and sails.
            wind = felt[i]
            angle = (felt_from[i] - heading) * rad
            lee = leeway * rad
            ahead = wind * cos(angle) + speed * cos(lee)
            abeam = wind * sin(angle) + speed * sin(lee)
            aws2 = ahead * ahead + abeam * abeam
            beta = atan2(abs(abeam), ahead)
            position = beta * deg
            k = int(position)
            part = position - k
            lift = lift_table[k] + part * (lift_table[k + 1] - lift_table[k])
            drag = drag_table[k] + part * (drag_table[k + 1] - drag_table[k])
            sin_b, cos_b = sin(beta), cos(beta)
            pressure = 0.5 * AIR_KG_M3 * aws2 * cos(heel_slow * rad) ** 2
            side_full = pressure * area * (lift * cos_b + drag * sin_b)
            wanted = side_max / side_full if side_full > side_max else 1.0
            ease += (max(0.15, wanted) - ease) * dt / 3.0
            lift *= ease * efficiency
            drag = 0.06 + (drag - 0.06) * ease**1.5 * efficiency + 0.08 * (1 - efficiency)
            if area == 0.0:
                side_force, drive = 0.0, -pressure * boat.windage_m2 * cos_b
            else:
                side_force = pressure * area * (lift * cos_b + drag * sin_b)
                # Wind from port is negative abeam.
                trim = s.trim * boat.port_factor if abeam < 0 else s.trim
                drive = pressure * (trim * area * (lift * sin_b - drag * cos_b)
                                    - boat.windage_m2 * cos_b)
            # Heel: starboard down is positive, wind from starboard heels to port.
            lever = side_force * centre / righting
            balance = asin(lever if lever < 0.9 else 0.9) * deg
            if abeam > 0:
                balance = -balance
            # Waves come with the slow wind.
            from_bow = (slow_from[i] - heading) * rad
            c, q = cos(from_bow), sin(from_bow)
            wave = (w_ahead[i] * c if c > 0 else -w_astern[i] * c) + w_abeam[i] * abs(q)
            roll += (omega2 * (balance + slope * abs(q) * wave - heel) - damping * roll) * dt
            heel += roll * dt
            heel_slow += (heel - heel_slow) * dt / 2.5
            knots = speed / KNOT
            if knots < 0.8:
                knots = 0.8
            lee_to = boat.leeway_k * heel_slow / (knots * knots)
            lee_to = 16.0 if lee_to > 16.0 else -16.0 if lee_to < -16.0 else lee_to
            leeway += (lee_to - leeway) * dt / boat.sway_lag_s
            # Surge.
            quick = speed if speed > 0.8 else 0.8
            attack = (rudder - yaw * 0.42 * length / quick) * rad
            size = abs(speed)
            water = resistance[int(size * 100)] if size < 19.9 else resistance[1990]
            if speed < 0:
                water = -water
            ahead_wave = 0.5 + 0.5 * c
            turn_rate = yaw * rad
            keel = side_force * side_force / (fluid0 * quick * quick)
            force = (drive + thrust * (1 - 0.4 * speed / full) - water
                     - (keel if keel < STALLED * side_force else STALLED * side_force)
                     - rudder0 * speed * abs(speed) * sin(attack) ** 2
                     - self.light_wave * ahead_wave**1.5 * (1.0 if speed > 0.3 else 0.0)
                     - turn_drag * turn_rate * turn_rate * (1.0 if speed > 0 else 0.0))
            speed += (force / mass + surge_wave * c * wave) * dt
            # Helm.
            then = i - delay
            if then >= start:
                seen_heading = lived[then - start]
            elif own_past or then < 0:
                seen_heading = first_heading
            else:
                seen_heading = past[then]
            if s.turning:
                now = (slow_from[i] - heading + 180.0) % 360.0 - 180.0
                direction = s.turning
                if s.turn_kind == "circle":
                    s.turn_left -= direction * yaw * dt
                    left = s.turn_left
                else:
                    goal = s.turn_to + s.exit_extra * (1 if s.turn_to > 0 else -1)
                    left = ((now - goal) * direction) % 360.0
                ramp = (i - s.turn_since) * dt / 2.0
                want = s.turn_rate * min(1.0, 0.25 + ramp, max(left, 2.0) / (2.2 * s.turn_rate))
                gain = boat.nomoto_k * quick / length
                command = (boat.weather_helm * heel_slow + direction * want / gain
                           + 0.6 * (direction * want - yaw) / gain + noise[i])
                near = abs(now)
                if s.turn_kind == "tack" and near < 28.0:
                    efficiency += (0.3 - efficiency) * dt / 0.8
                    s.sheet_at = i
                elif s.turn_kind == "gybe" and near > 162.0:
                    efficiency += (kite_hold - efficiency) * dt / 0.8
                    s.sheet_at = i
                elif s.turn_kind in ("luff", "failed", "circle") and (near < 25.0 or near > 165.0):
                    efficiency += (0.25 - efficiency) * dt / 0.8
                else:
                    efficiency += (1.0 - efficiency) * dt / s.sheet_s
                if s.turn_kind == "failed" and now * s.side < s.abort_at:
                    s.turning, s.turn_kind = -direction, "return"
                    s.turn_to = s.side * (s.angle if s.by_wind
                                          else abs(_wrap(slow_from[i] - s.course)))
                    s.turn_since = i
                elif left < 3.0 or (left > 300.0 and s.turn_kind != "circle"
                                    and i - s.turn_since > 30) or i - s.turn_since > (
                                        3000 if s.turn_kind == "circle" else 900):
                    s.turning = 0
                    if s.turn_kind != "luff":
                        s.turn_kind = ""
            else:
                if s.turn_kind == "luff":
                    off = (seen[then] if then >= 0 else seen[0]) - seen_heading - s.turn_to
                    efficiency += (0.25 - efficiency) * dt / 0.8
                elif s.by_wind:
                    bias = helm.bias_deg if s.best == "up" else 0.0
                    target = s.side * (s.angle + footing + bias + s.exit_extra)
                    # Attention drifts high and low of the groove, whichever tack she is on.
                    off = ((seen[then] if then >= 0 else seen[0]) - seen_heading
                           - target - s.side * drift[i])
                else:
                    off = s.course - seen_heading + drift[i]
                off = (off + 180.0) % 360.0 - 180.0
                if s.turn_kind != "luff":
                    efficiency += (1.0 - efficiency) * dt / s.sheet_s
                if -6.0 < off < 6.0 and -3.0 < s.exit_extra < 3.0:
                    # What it takes to hold her is learnt on the angle, not on the way to it.
                    trim_helm += 0.05 * off * dt * helm.gain
                trim_helm = 10.0 if trim_helm > 10 else -10.0 if trim_helm < -10 else trim_helm
                off = 25.0 if off > 25 else -25.0 if off < -25 else off
                command = (helm.anticipation * boat.weather_helm * heel_slow + trim_helm
                           + power * (helm.gain * off - helm.rate_gain_s * yaw) + noise[i])
            command = (rudder_max if command > rudder_max else
                       -rudder_max if command < -rudder_max else command)
            if abs(command - rudder_set) > band:
                rudder_set = command
            move = rudder_set - rudder
            most = helm.slew_deg_s * dt
            rudder += most if move > most else -most if move < -most else move
            # Yaw.
            steer = quick if speed > 0 else 0.25
            t_yaw = boat.nomoto_t * length / (quick if quick > 1.0 else 1.0)
            turn_to = (boat.nomoto_k * (steer if speed > 0.8 else max(speed, 0.1)) / length
                       * (rudder - boat.weather_helm * heel_slow))
            if (speed < 1.0 and area > 0.0 and s.turn_kind != "luff"
                    and abs((felt_from[i] - heading + 180) % 360 - 180) < 38):
                # In irons: backed sails and sternway push the bow the way the crew wants.
                towards = s.turning or -s.side
                turn_to += towards * boat.backing_deg_s * (1.0 - max(speed, 0.0))
            yaw += ((turn_to - yaw) / t_yaw + yaw_wave * (0.25 + abs(2 * c * q)) * wave) * dt
            if s.moored:
                speed = yaw = rudder = 0.0
                roll *= 0.7
                ve = vn = 0.0
            else:
                track = (heading + leeway) * rad
                ve = speed * sin(track) + current_east[i]
                vn = speed * cos(track) + current_north[i]
            heading = (heading + yaw * dt) % 360.0
            east += ve * dt
            north += vn * dt
            lived.append(heading)
            j = i - shift
            for column, value in zip(columns, (
                    heading, speed, leeway, heel, roll, yaw, rudder, east, north, s.rpm, ease,
                    s.side * s.angle), strict=True):
                column[j] = value
        _store(s, heading, speed, yaw, heel, roll, heel_slow, leeway, rudder, rudder_set,
               trim_helm, efficiency, ease, east, north)
        return stop

    def cut(self, n: int) -> None:
        """End the day early: every leg reached its mark."""
        self.n = n
        self.notes = [note for note in self.notes if note[0] < n]

    @property
    def slope_deg(self) -> float:
        """Root mean square wave slope the hull feels, degrees; short waves average out."""
        height, period = self.water.wave_height_m, self.wave_period_s
        number = (2 * math.pi / period) ** 2 / GRAVITY
        felt = 1.0 / (1.0 + (0.2 * number * self.boat.lwl_m) ** 2)
        return math.degrees(height / 4 * number) * felt


def _motion(s: State) -> tuple[float, ...]:
    return (s.heading, s.speed, s.yaw, s.heel, s.roll, s.heel_slow, s.leeway, s.rudder,
            s.rudder_set, s.helm_trim, s.efficiency, s.ease, s.east, s.north)


def _store(s: State, *motion: float) -> None:
    (s.heading, s.speed, s.yaw, s.heel, s.roll, s.heel_slow, s.leeway, s.rudder, s.rudder_set,
     s.helm_trim, s.efficiency, s.ease, s.east, s.north) = motion


def _wrap(angle: float) -> float:
    return (angle + 180.0) % 360.0 - 180.0
