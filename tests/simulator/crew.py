"""What the crew decides: legs, turns, laylines, sails, who steers. Once a second."""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass, field

import numpy as np

from .boats import KNOT, BoatModel, Polar, added_wave_resistance
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


class Crew:
    """A boat, a day's water, a plan and the people who follow it."""

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

    def decide(self, s: State, i: int) -> None:
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
        if math.hypot(east, north) < 120.0:
            return
        up = leg.kind == "beat"
        best = float(self.table(s.sails)[4].best_angle_deg(self.felt_mean(i) / KNOT, up))
        direct = wrap(self.slow_from[i] - bearing)
        free = (abs(direct) - best) * (1 if up else -1)
        if direct * s.side > 0 and free > 2.0:
            # The mark can be fetched on this side: straight there.
            s.best, s.angle = "", abs(direct)
            return
        if not s.best:
            s.best, s.angle = ("up" if up else "down"), best
        if (i - self._last_turn) * STEP_S < 60.0:
            return
        other = self.slow_from[i] + s.side * (s.angle + (4.0 if up else 0.0))
        past = wrap(bearing - other) * s.side * (1 if up else -1)
        line = (leg.mark_m[0] - self._origin[0], leg.mark_m[1] - self._origin[1])
        length = max(math.hypot(*line), 1.0)
        off = ((s.east - self._origin[0]) * line[1]
               - (s.north - self._origin[1]) * line[0]) / length
        going = math.radians(s.heading)
        outward = (math.sin(going) * line[1] - math.cos(going) * line[0]) / length * off > 0
        if (past > 0 and abs(past) < 90) or (
                abs(off) > leg.width_m and outward and free < -8.0):
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
        was = wrap(self.slow_from[i] - s.heading)
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
            wanted = wrap(self.slow_from[i] - s.course)
            side = 1 if wanted >= 0 else -1
            s.side = side
        change = wrap(was - wanted)  # heading to starboard is wind angle falling
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
            was = wrap(self.slow_from[i] - s.heading)
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
            wanted = -side * angle if s.by_wind else -wrap(self.slow_from[i] - s.course)
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
            was = wrap(self.slow_from[i] - s.heading)
            direction = 1 if wrap(was - wanted) > 0 else -1
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
            off = abs(wrap(self.slow_from[i] - s.heading - (
                s.side * s.angle if s.by_wind else self.slow_from[i] - s.course)))
            settled = off < 6.0 and s.efficiency > 0.93 and abs(s.exit_extra) < 2.0
            if settled or i - turn.start > 1200:
                turn.end = i
                s.event = -1


def wrap(angle: float) -> float:
    """Angle in [-180, 180)."""
    return (angle + 180.0) % 360.0 - 180.0
