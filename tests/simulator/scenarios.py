"""Random days for studies: boats, winds, seas, instruments and plans drawn from a generator."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from .boats import BOATS, CATAMARAN, SLOOP, BoatModel
from .day import Scenario
from .helms import AUTOPILOT, LEARNER, SKILLED, HelmModel
from .plan import Action, Leg, Side, turns
from .sea import SeaModel
from .sensors import SensorModel

MINUTE = 60.0
WINDS_KN = {"sloop": (4, 28), "catamaran": (4, 20), "dinghy": (3, 17), "long_keeler": (5, 30)}
"""What each boat goes out in."""


def random_scenario(rng: np.random.Generator, kind: str = "maneuvers", **fixed: Any) -> Scenario:
    """A random day.

    Parameters
    ----------
    rng : Generator
        Numbers come from here only.
    kind : str
        One of ``KINDS``: ``calibration``, ``one_heading``, ``maneuvers``, ``rough_straight``,
        ``light_shifty``, ``helms``, ``season_day``, ``trials``, ``marks``, ``beat_and_run``,
        ``out_and_back``, ``motoring``.
    **fixed : Any
        What is not to be drawn: ``boat``, ``tws_kn``, ``hours``, ``activity`` (helms),
        ``effect_kn`` (trials), ``rate_hz``, ``sensors``, ``sea``.

    Returns
    -------
    Scenario
    """
    if kind not in KINDS:
        raise ValueError(f"unknown kind {kind!r}; known: {', '.join(KINDS)}")
    return KINDS[kind](rng, fixed)


def season(seed: int, days: int = 20, **fixed: Any) -> list[tuple[Scenario, int]]:
    """Scenarios and seeds of a season's days, one a week, on one boat with one set of errors."""
    rng = np.random.default_rng([seed, 77])
    boat = fixed.pop("boat", SLOOP)
    sensors = fixed.pop("sensors", random_sensors(rng, 2.0, errors=False))
    made = []
    for day in range(days):
        scenario = random_scenario(rng, "season_day", boat=boat, sensors=sensors, **fixed)
        date = np.datetime64("2026-05-02") + 6 * day
        made.append((replace(scenario, start=f"{date}T10:00:00Z"), seed * 1000 + day))
    return made


def sails_for(boat: BoatModel, tws_kn: float, upwind: bool) -> str:
    """What a sensible crew would set."""
    names = [sails.name for sails in boat.sails]
    if not upwind and tws_kn < 18:
        kites = [sails.name for sails in boat.sails if sails.kind == "kite"]
        if kites:
            return kites[0]
    reefed = [name for name in names if name.startswith("reefed")]
    big = [name for name in names if "genoa" in name]
    if tws_kn > 17 and reefed:
        return reefed[0]
    if tws_kn < 9 and big:
        return big[0]
    return "main+jib"


def random_sea(rng: np.random.Generator, tws_kn: float, tide_kn: float | None = None) -> SeaModel:
    """Waves that go with the wind, a tide, shifts."""
    height = float(np.clip(0.0022 * tws_kn**2 * rng.uniform(0.3, 1.3), 0.03, 2.2))
    return SeaModel(
        tws_kn=tws_kn, twd_deg=float(rng.uniform(0, 360)),
        tws_trend_kn_h=float(rng.uniform(-0.06, 0.08) * tws_kn),
        twd_trend_deg_h=float(rng.uniform(-6, 6)), turbulence=float(rng.uniform(0.06, 0.15)),
        shift_deg=float(rng.uniform(1, 7)), shift_period_s=float(rng.uniform(240, 1200)),
        wander_deg=float(rng.uniform(1, 4)), flutter_deg=float(rng.uniform(0.8, 2.5)),
        wave_height_m=height, wave_period_s=float(2.2 + 2.6 * np.sqrt(height) *
                                                  rng.uniform(0.8, 1.2)),
        tide_kn=float(rng.uniform(0, 1.5)) if tide_kn is None else tide_kn,
        tide_set_deg=float(rng.uniform(0, 360)), tide_phase_h=float(rng.uniform(0, 12)),
        tide_round=float(rng.uniform(0, 0.4)))


def random_sensors(rng: np.random.Generator, rate_hz: float | None = None, errors: bool = True,
                   ) -> SensorModel:
    """Instruments with random errors, noise, damping and rates."""
    rate = float(rng.choice([0.5, 1.0, 2.0, 5.0, 10.0])) if rate_hz is None else rate_hz
    fast = max(rate, 0.5)
    rates = {"gps": min(fast, float(rng.choice([1.0, 1.0, 5.0]))), "speed": min(fast, 2.0),
             "heading": fast, "wind": min(fast, 4.0), "rudder": fast, "attitude": fast,
             "turn": 0.0, "depth": 0.2, "engine": min(fast, 1.0)}
    noise = float(rng.uniform(0.6, 1.6))
    model = SensorModel(
        rates_hz=rates, stw_lag_s=float(rng.uniform(0.3, 2.5)),
        vane_lag_s=float(rng.uniform(0.2, 2.0)), stw_noise_kn=0.06 * noise,
        awa_noise_deg=1.0 * noise, aws_noise_share=0.02 * noise, gps_noise_m=1.5 * noise,
        sog_noise_kn=0.06 * noise)
    if not errors:
        return model
    return replace(
        model, stw_factor=float(rng.uniform(0.9, 1.1)), awa_offset_deg=float(rng.uniform(-6, 6)),
        aws_factor=float(rng.uniform(0.94, 1.06)), heading_offset_deg=float(rng.uniform(-5, 5)),
        rudder_offset_deg=float(rng.uniform(-2, 2)))


def _boat(rng: np.random.Generator, fixed: dict[str, Any]) -> BoatModel:
    if "boat" in fixed:
        return fixed["boat"]
    name = str(rng.choice(list(BOATS), p=[0.4, 0.2, 0.15, 0.25]))
    boat = BOATS[name]
    # No two boats of a kind are alike.
    return replace(boat, leeway_k=boat.leeway_k * float(rng.uniform(0.7, 1.4)),
                   displacement_kg=boat.displacement_kg * float(rng.uniform(0.92, 1.1)),
                   weather_helm=boat.weather_helm * float(rng.uniform(0.5, 1.4)))


def _wind(rng: np.random.Generator, boat: BoatModel, fixed: dict[str, Any]) -> float:
    if "tws_kn" in fixed:
        return float(fixed["tws_kn"])
    low, high = WINDS_KN.get(boat.name, (4, 25))
    return float(rng.uniform(low, high))


def _base(rng: np.random.Generator, fixed: dict[str, Any], errors: bool = False,
          tide_kn: float | None = None) -> tuple[BoatModel, float, SeaModel, SensorModel, str]:
    boat = _boat(rng, fixed)
    tws = _wind(rng, boat, fixed)
    sea = fixed.get("sea") or random_sea(rng, tws, tide_kn)
    sensors = fixed.get("sensors") or random_sensors(rng, fixed.get("rate_hz"), errors)
    return boat, tws, sea, sensors, sails_for(boat, tws, True)


def _place(rng: np.random.Generator) -> dict[str, Any]:
    return {"lat": float(rng.uniform(-45, 60)), "lon": float(rng.uniform(-170, 170)),
            "variation_deg": float(rng.uniform(-12, 12)), "start": "2026-06-14T11:00:00Z"}


def _side(rng: np.random.Generator) -> Side:
    return 1 if rng.random() < 0.5 else -1


def _every(rng: np.random.Generator, length_s: float, mean_s: float, least_s: float) -> list[float]:
    """Times at random intervals, none shorter than ``least_s``, clear of both ends."""
    at, times = least_s, []
    while True:
        at += least_s + float(rng.exponential(max(mean_s - least_s, 1.0)))
        if at > length_s - least_s:
            return times
        times.append(at)


def _room_s(boat: BoatModel, tws_kn: float) -> float:
    """Least time between turns that lets her settle: longer in light air and for a catamaran."""
    return (110.0 if boat.name == "catamaran" else 75.0) + 350.0 / max(tws_kn, 3.0)


def _maneuvers(rng: np.random.Generator, fixed: dict[str, Any]) -> Scenario:
    boat, tws, sea, sensors, sails = _base(rng, fixed)
    room = _room_s(boat, tws)
    length = float(fixed.get("hours", 2.0)) * 3600.0
    beat, reach = 0.4 * length, 0.12 * length
    tacks = _every(rng, beat, 2.0 * room, room)
    actions: list[Action] = []
    for at in tacks:
        luck = rng.random()
        if luck < 0.06:
            actions.append(Action("luff", at, float(rng.uniform(6, 16)),
                                  float(rng.uniform(6, 15))))
        elif luck < 0.11 and tws > 6:
            actions.append(Action("failed_tack", at))
        elif luck < 0.13:
            actions.append(Action("circle", at, int(_side(rng))))
        else:
            slow = float(np.exp(0.2 * rng.standard_normal()))
            actions.append(Action("tack", at, quality=slow, stall=bool(rng.random() < 0.06)))
    if len(tacks) > 3 and rng.random() < 0.5 and tws > 6:
        # Two tacks shortly after one another: a dodge.
        actions.append(Action("tack", tacks[-1] + 0.55 * room))
        actions.append(Action("tack", tacks[-1] + 0.55 * room + 25.0))
    kite = sails_for(boat, tws, False)
    gybes = _every(rng, 0.36 * length, 2.0 * room, room)
    angle = float(rng.uniform(70, 105))
    reach_turns = (Action("tack", 0.35 * reach), Action("gybe", 0.7 * reach))
    legs = (
        Leg("beat", beat, side=_side(rng), actions=tuple(actions)),
        Leg("reach", reach, twa_deg=angle, actions=reach_turns if tws > 5 else ()),
        Leg("run", 0.36 * length, sails=kite, actions=turns("gybe", gybes)),
        Leg("beat", 0.12 * length, sails=sails, actions=turns("tack", [0.06 * length])))
    helm = [SKILLED, LEARNER][int(rng.random() < 0.4)]
    return Scenario(boat=boat, sea=sea, sensors=sensors, legs=legs, helms=(helm,), sails=sails,
                    **_place(rng))


def _calibration(rng: np.random.Generator, fixed: dict[str, Any]) -> Scenario:
    boat = fixed.get("boat") or replace(_boat(rng, {"boat": SLOOP}),
                                        leeway_k=float(rng.uniform(5, 15)))
    fixed = {**fixed, "boat": boat}
    fixed.setdefault("tws_kn", float(rng.uniform(7, 20)))
    boat, tws, sea, sensors, sails = _base(rng, fixed, errors=True,
                                           tide_kn=float(rng.uniform(0, 3)))
    length = float(fixed.get("hours", 2.0)) * 3600.0
    room = _room_s(boat, tws)
    part = length / 5
    legs = (
        Leg("beat", 1.8 * part, side=_side(rng),
            actions=turns("tack", _every(rng, 1.8 * part, 4 * room, room))),
        Leg("reach", 0.6 * part, twa_deg=float(rng.uniform(70, 120))),
        Leg("run", 1.4 * part, actions=turns("gybe", _every(rng, 1.4 * part, 5 * room, room))),
        Leg("reach", 0.4 * part, twa_deg=float(rng.uniform(70, 120)),
            side=_side(rng)),
        Leg("beat", 0.8 * part, actions=turns("tack", _every(rng, 0.8 * part, 4 * room, room))))
    return Scenario(boat=boat, sea=sea, sensors=sensors, legs=legs, helms=(SKILLED,), sails=sails,
                    **_place(rng))


def _one_heading(rng: np.random.Generator, fixed: dict[str, Any]) -> Scenario:
    scenario = _calibration(rng, fixed)
    length = float(fixed.get("hours", 1.5)) * 3600.0
    return replace(scenario, legs=(
        Leg("reach", length, side=_side(rng), twa_deg=float(rng.uniform(50, 140))),))


def _rough_straight(rng: np.random.Generator, fixed: dict[str, Any]) -> Scenario:
    boat = _boat(rng, fixed)
    fixed = {"tws_kn": float(rng.uniform(0.6, 1.0) * WINDS_KN.get(boat.name, (4, 24))[1]), **fixed,
             "boat": boat}
    boat, _, sea, sensors, sails = _base(rng, fixed)
    sea = replace(sea, wave_height_m=sea.wave_height_m * 1.6, turbulence=0.15)
    length = float(fixed.get("hours", 2.0)) * 3600.0
    kind = str(rng.choice(["beat", "reach", "run"]))
    leg = Leg(kind, length, side=_side(rng), twa_deg=float(rng.uniform(60, 130)))
    return Scenario(boat=boat, sea=sea, sensors=sensors, legs=(leg,), helms=(LEARNER,), sails=sails,
                    **_place(rng))


def _light_shifty(rng: np.random.Generator, fixed: dict[str, Any]) -> Scenario:
    fixed = {"tws_kn": float(rng.uniform(3.0, 6.0)), **fixed}
    boat, _, sea, sensors, sails = _base(rng, fixed)
    sea = replace(sea, shift_deg=float(rng.uniform(10, 20)), wander_deg=6.0, flutter_deg=3.0,
                  turbulence=0.2, shift_period_s=float(rng.uniform(300, 1500)))
    length = float(fixed.get("hours", 2.0)) * 3600.0
    legs = (Leg("beat", 0.6 * length, side=_side(rng)),
            Leg("reach", 0.4 * length, twa_deg=float(rng.uniform(75, 110))))
    return Scenario(boat=boat, sea=sea, sensors=sensors, legs=legs, helms=(LEARNER,), sails=sails,
                    **_place(rng))


def _helms(rng: np.random.Generator, fixed: dict[str, Any]) -> Scenario:
    fixed = {"rate_hz": 10.0, **fixed}
    boat, tws, sea, sensors, sails = _base(rng, fixed)
    activity = float(fixed.get("activity", rng.uniform(1.25, 2.0)))
    first: HelmModel = SKILLED.named("Ada")
    second = SKILLED.skill(activity).named("Jonas")
    pilot = AUTOPILOT
    if rng.random() < 0.5:
        first, second = replace(second, name="Ada"), replace(first, name="Jonas")
    length = float(fixed.get("hours", 2.0)) * 3600.0
    names = [first.name, second.name]
    half = length / 2
    room = _room_s(boat, tws)

    def shift(kind: str) -> Leg:
        spells = np.arange(0, half - 60, 420.0)
        changes = tuple(Action("helm", float(at) + 5.0,
                               names[k % 2] if k % 5 != 4 else pilot.name)
                        for k, at in enumerate(spells))
        times = [float(at) + 0.5 * 420.0 for at in spells[1::2]]
        times = [at for at in times if at < half - room]
        return Leg(kind, half, side=_side(rng), actions=(
            *changes, *turns("tack" if kind == "beat" else "gybe", times)))
    return Scenario(boat=boat, sea=sea, sensors=sensors, legs=(shift("beat"), shift("run")),
                    helms=(first, second, pilot), sails=sails, **_place(rng))


def _season_day(rng: np.random.Generator, fixed: dict[str, Any]) -> Scenario:
    fixed = {"boat": SLOOP, **fixed}
    fixed.setdefault("tws_kn", float(rng.uniform(5, 20)))
    boat, tws, sea, sensors, _ = _base(rng, fixed)
    sea = replace(sea, turbulence=float(rng.uniform(0.10, 0.16)))
    length = float(fixed.get("hours", 3.0)) * 3600.0
    part = length / 6
    white = [sails.name for sails in boat.sails if sails.kind == "white"][:2]
    kite = [sails.name for sails in boat.sails if sails.kind == "kite"][:1] or white[:1]
    order = [str(name) for name in rng.permutation(white)]
    reaches = rng.uniform(55, 150, 3)

    def tacks(span: float) -> tuple[Action, ...]:
        return turns("tack", _every(rng, span, 420.0, _room_s(boat, tws)))
    kite_angle = float(rng.uniform(100, 150))
    legs = (
        Leg("beat", 1.2 * part, side=_side(rng), sails=order[0], actions=tacks(1.2 * part)),
        Leg("reach", 0.5 * part, twa_deg=float(reaches[0]), sails=order[0]),
        Leg("reach", 0.5 * part, twa_deg=float(reaches[0]), sails=order[1]),
        Leg("reach", 0.5 * part, twa_deg=kite_angle, sails=kite[0]),
        Leg("run", 0.9 * part, sails=kite[0],
            actions=turns("gybe", _every(rng, 0.9 * part, 500.0, _room_s(boat, tws)))),
        Leg("reach", 0.4 * part, twa_deg=kite_angle, sails=order[-1]),
        Leg("reach", 0.4 * part, twa_deg=float(reaches[1]), sails=order[-1]),
        Leg("reach", 0.4 * part, twa_deg=float(reaches[2]), sails=order[0]),
        Leg("beat", 1.2 * part, sails=order[-1], actions=tacks(1.2 * part)))
    return Scenario(boat=boat, sea=sea, sensors=sensors, legs=legs, helms=(SKILLED,),
                    sails=order[0], **_place(rng))


def _trials(rng: np.random.Generator, fixed: dict[str, Any]) -> Scenario:
    fixed = {"boat": SLOOP, **fixed}
    fixed.setdefault("tws_kn", float(rng.uniform(7, 18)))
    boat, tws, sea, sensors, sails = _base(rng, fixed)
    effect_kn = float(fixed.get("effect_kn", rng.choice([0.0, 0.3, -0.3])))
    minutes = float(fixed.get("minutes", 5.0))
    count = int(fixed.get("count", 4))
    kind = str(rng.choice(["beat", "reach"]))
    angle = (float(boat.polar(sails).best_angle_deg(tws, True)) if kind == "beat"
             else float(rng.uniform(60, 120)))
    factor = driving_factor(boat, sails, tws, angle, effect_kn)
    # Every trial starts from the same trim: a tack after it and a while to settle in between.
    actions: list[Action] = []
    at = 120.0
    for number in range(count):
        at += minutes * MINUTE
        actions.append(Action("trim", at, f"trial {number + 1}: sheet lead moved",
                              effect=factor if number % 2 == 0 else 1.0))
    length = at + minutes * MINUTE + 30.0
    leg = Leg(kind, length, side=_side(rng), twa_deg=angle, actions=tuple(actions))
    return Scenario(boat=boat, sea=sea, sensors=sensors, legs=(leg,), helms=(SKILLED,), sails=sails,
                    **_place(rng))


def driving_factor(boat: BoatModel, sails: str, tws_kn: float, twa_deg: float,
                   gain_kn: float) -> float:
    """Factor on driving force that changes the steady speed by ``gain_kn``."""
    if gain_kn == 0.0:
        return 1.0
    factors = np.linspace(0.6, 1.5, 37)
    speed = np.array([float(boat.steady_speed_kn(tws_kn, twa_deg, sails, f)) for f in factors])
    base = float(boat.steady_speed_kn(tws_kn, twa_deg, sails))
    return float(np.interp(base + gain_kn, speed, factors))


def _beat_and_run(rng: np.random.Generator, fixed: dict[str, Any]) -> Scenario:
    fixed = {"tws_kn": float(rng.uniform(7, 18)), **fixed}
    boat, tws, sea, sensors, sails = _base(rng, fixed, tide_kn=float(rng.uniform(0, 1)))
    sensors = replace(sensors, rates_hz={"gps": 1.0})
    length = float(fixed.get("hours", 2.0)) * 3600.0
    room = _room_s(boat, tws)
    legs = (Leg("beat", 0.55 * length, side=_side(rng),
                actions=turns("tack", _every(rng, 0.55 * length, 3 * room, room))),
            Leg("run", 0.45 * length, sails=sails_for(boat, tws, False),
                actions=turns("gybe", _every(rng, 0.45 * length, 4 * room, room))))
    return Scenario(boat=boat, sea=sea, sensors=sensors, legs=legs, helms=(SKILLED,), sails=sails,
                    **_place(rng))


def _marks(rng: np.random.Generator, fixed: dict[str, Any]) -> Scenario:
    """Round a windward mark, a reaching mark and a leeward mark; motor out and home."""
    boat, tws, sea, sensors, sails = _base(rng, fixed)
    wind = np.radians(sea.twd_deg)
    leg_m = 900.0 + 110.0 * tws

    def at(up: float, across: float) -> tuple[float, float]:
        return (leg_m * float(up * np.sin(wind) + across * np.cos(wind)),
                leg_m * float(up * np.cos(wind) - across * np.sin(wind)))
    kite = sails_for(boat, tws, False)
    width = 0.25 * leg_m
    lap = (Leg("beat", 5400.0, mark_m=at(1.0, 0.0), width_m=width, sails=sails),
           Leg("reach", 3600.0, mark_m=at(0.6, 0.7)),
           Leg("run", 5400.0, mark_m=at(-0.3, 0.0), width_m=width, sails=kite))
    heading = float(sea.twd_deg + rng.uniform(60, 120)) % 360.0
    legs = (Leg("motor", 480.0, heading_deg=heading), Leg("hoist", 150.0, actions=(
        Action("sails", 110.0, sails),)), *lap, *lap,
        Leg("motor", 2400.0, mark_m=(0.0, 0.0), sails=""), Leg("stop", 180.0))
    return Scenario(boat=boat, sea=sea, sensors=sensors, legs=legs, helms=(SKILLED,), sails="",
                    **_place(rng))


def _out_and_back(rng: np.random.Generator, fixed: dict[str, Any]) -> Scenario:
    scenario = _beat_and_run(rng, fixed)
    heading = (scenario.sea.twd_deg + 90.0) % 360.0
    return replace(scenario, legs=(Leg("course", 2400.0, heading_deg=heading),
                                   Leg("course", 2400.0, heading_deg=(heading + 180.0) % 360.0)),
                   heading_deg=heading)


def _motoring(rng: np.random.Generator, fixed: dict[str, Any]) -> Scenario:
    boat, _, sea, sensors, _ = _base(rng, fixed)
    headings = rng.uniform(0, 360, 5)
    legs = tuple(Leg("motor", float(rng.uniform(600, 1500)), heading_deg=float(h),
                     rpm=float(rng.uniform(0.6, 0.9)) * boat.rpm_max) for h in headings)
    return Scenario(boat=boat, sea=sea, sensors=sensors, legs=(*legs, Leg("stop", 600.0)),
                    helms=(SKILLED, AUTOPILOT), sails="", **_place(rng))


KINDS: dict[str, Callable[[np.random.Generator, dict[str, Any]], Scenario]] = {
    "calibration": _calibration, "one_heading": _one_heading, "maneuvers": _maneuvers,
    "rough_straight": _rough_straight, "light_shifty": _light_shifty, "helms": _helms,
    "season_day": _season_day, "trials": _trials, "marks": _marks, "beat_and_run": _beat_and_run,
    "out_and_back": _out_and_back, "motoring": _motoring}

UNUSUAL: dict[str, Callable[[Scenario], Scenario]] = {
    "shear": lambda s: replace(s, sea=replace(s.sea, shear_deg=7.0)),
    "upwash": lambda s: replace(s, sensors=replace(s.sensors, upwash_deg=5.0)),
    "senses_ahead": lambda s: replace(s, sensors=replace(s.sensors, senses_ahead=True)),
    "tide_line": lambda s: replace(s, sea=replace(s.sea, tide_line_s=2400.0, tide_line_kn=1.2)),
    "squall": lambda s: replace(s, sea=replace(s.sea, squall_s=2000.0, squall_factor=1.7)),
    "bent_rig": lambda s: replace(s, boat=replace(s.boat, port_factor=0.88)),
    "deviation": lambda s: replace(s, sensors=replace(s.sensors, deviation=(3.0, -2.0, 1.5, 1.0))),
    "slow_vane": lambda s: replace(s, sensors=replace(s.sensors, vane_lag_s=6.0, stw_lag_s=5.0)),
    "wave_blind": lambda s: replace(s, sensors=replace(s.sensors, mast_motion=False,
                                                       heeled_vane=False)),
    "apparent_forward": lambda s: replace(
        s, boat=replace(CATAMARAN, windage_m2=2.5, friction=0.0025,
                        displacement_kg=0.7 * CATAMARAN.displacement_kg),
        sails="main+jib", legs=tuple(
            leg if leg.kind != "run" else replace(leg, kind="reach", twa_deg=125.0, sails=None)
            for leg in s.legs)),
}
"""Physics that the analysis may not take for granted, by name."""


def unusual(scenario: Scenario, *names: str) -> Scenario:
    """The same day with some unusual physics switched on."""
    for name in names:
        scenario = UNUSUAL[name](scenario)
    return scenario
