"""The shipped cruise: an invented catamaran and couple, four days along a real archipelago."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd

from .boats import CATAMARAN, BoatModel, SailSet
from .day import Scenario, SimulatedDay, simulate_day
from .helms import AUTOPILOT, LEARNER, SKILLED
from .plan import Action, Leg, turns
from .sea import SeaModel
from .sensors import SensorModel
from .write_nmea0183 import LogFaults, write_nmea0183

ZONE = ZoneInfo("Europe/Stockholm")
MINUTE = 60.0
FIRST = pd.Timestamp("2026-07-14T00:00", tz="UTC")

BOAT: BoatModel = replace(
    CATAMARAN, name="Wide Lantern", loa_m=12.4, lwl_m=12.1, displacement_kg=7600.0,
    mast_height_m=18.5, wetted_m2=30.0, friction=0.0036, leeway_k=20.0, keel_span_m=1.6, gm_m=16.0,
    rudder_area_m2=0.62, nomoto_k=0.6, nomoto_t=0.9, windage_m2=9.0, engine_speed_kn=7.0,
    sails=(SailSet("main+jib", 96.0, centre_m=7.6), SailSet("main+reacher", 138.0, "kite", 7.8),
           SailSet("main+gennaker", 182.0, "kite", 8.2)))


def _out(heading: float, minutes: float, sails: str) -> tuple[Leg, ...]:
    return (Leg("motor", minutes * MINUTE, heading_deg=heading, rpm=2300.0, sails=""),
            Leg("hoist", 3 * MINUTE, actions=(Action("sails", 2.5 * MINUTE, sails),)))


def _home(heading: float, minutes: float) -> tuple[Leg, ...]:
    return (Leg("hoist", 3 * MINUTE, actions=(Action("sails", MINUTE, ""),)),
            Leg("motor", minutes * MINUTE, heading_deg=heading, rpm=2300.0))


def _first() -> tuple[Leg, ...]:
    beat = Leg("beat", 45 * MINUTE, side=1, actions=(
        Action("boards", 20.0, "boards both down"), *turns("tack", (8 * MINUTE, 17 * MINUTE)),
        Action("helm", 22 * MINUTE, "Jonas"), *turns("tack", (27 * MINUTE, 37 * MINUTE))))
    reach = Leg("reach", 30 * MINUTE, twa_deg=75.0, actions=(
        Action("sails", 2 * MINUTE, "main+reacher"), Action("boards", 15 * MINUTE, "boards both half up"),
        Action("helm", 18 * MINUTE, "autopilot")))
    return (*_out(250.0, 9, "main+jib"), beat, reach, *_home(60.0, 7))


def _second() -> tuple[Leg, ...]:
    run = Leg("run", 40 * MINUTE, actions=(
        Action("sails", MINUTE, "main+gennaker"), *turns("gybe", (10 * MINUTE, 19 * MINUTE)),
        Action("helm", 22 * MINUTE, "Marit"), *turns("gybe", (29 * MINUTE,)),
        Action("sails", 38 * MINUTE, "main+jib")))
    swim = Leg("stop", 22 * MINUTE, actions=(Action("note", 2 * MINUTE, "swim stop, sails down"),
                                             Action("sails", MINUTE, ""),
                                             Action("sails", 21 * MINUTE, "main+jib")))
    beat = Leg("beat", 30 * MINUTE, side=-1, actions=turns("tack", (7 * MINUTE, 15 * MINUTE, 23 * MINUTE)))
    return (*_out(210.0, 8, "main+jib"), run, swim, beat, *_home(20.0, 6))


def _third() -> tuple[Leg, ...]:
    beat = Leg("beat", 50 * MINUTE, side=1, actions=(
        *turns("tack", (9 * MINUTE, 18 * MINUTE)),
        Action("trim", 23 * MINUTE, "traveller down 20 cm", effect=0.86),
        Action("trim", 28 * MINUTE, "traveller up 20 cm", effect=1.0),
        *turns("tack", (34 * MINUTE, 42 * MINUTE)), Action("helm", 35 * MINUTE, "Marit")))
    reach = Leg("reach", 25 * MINUTE, twa_deg=100.0, actions=(Action("sails", 2 * MINUTE, "main+reacher"),))
    return (*_out(200.0, 8, "main+jib"), beat, reach, *_home(30.0, 7))


def _fourth() -> tuple[Leg, ...]:
    beat = Leg("beat", 40 * MINUTE, side=-1, actions=(
        *turns("tack", (7 * MINUTE, 14 * MINUTE, 21 * MINUTE)), Action("helm", 22 * MINUTE, "Jonas"),
        *turns("tack", (28 * MINUTE, 34 * MINUTE))))
    reach = Leg("reach", 16 * MINUTE, twa_deg=70.0, actions=(
        Action("sails", 2 * MINUTE, "main+reacher"), Action("sails", 9 * MINUTE, "main+jib")))
    run = Leg("run", 34 * MINUTE, actions=(
        Action("sails", MINUTE, "main+gennaker"), *turns("gybe", (8 * MINUTE, 16 * MINUTE)),
        Action("helm", 17 * MINUTE, "Marit"), *turns("gybe", (24 * MINUTE,))))
    return (*_out(240.0, 9, "main+jib"), beat, reach, run, *_home(70.0, 8))


DAYS = ((_first, 11.0, 235.0, "08:20"), (_second, 9.0, 30.0, "07:40"),
        (_third, 12.0, 215.0, "08:05"), (_fourth, 13.0, 240.0, "07:55"))
"""Plan, true wind speed and direction, start (UTC) of each day."""


def cruise_scenario(number: int) -> Scenario:
    """The scenario of a day, 0 to 3."""
    plan, tws, twd, start = DAYS[number]
    lying = 0.83 if number == 2 else 0.97  # weed on the log wheel: she seems a fifth too fast
    sensors = SensorModel(
        rates_hz={"gps": 1.0, "speed": 1.0, "heading": 1.0, "wind": 1.0, "rudder": 1.0,
                  "attitude": 0.5, "turn": 0.0, "depth": 0.0, "engine": 0.2},
        stw_factor=lying, awa_offset_deg=2.0, aws_factor=1.02, heading_offset_deg=1.5,
        rudder_offset_deg=-0.5, stw_lag_s=1.5, vane_lag_s=0.8)
    sea = SeaModel(tws_kn=tws, twd_deg=twd, turbulence=0.10, shift_deg=4.0, shift_period_s=700.0,
                   wander_deg=2.0, wave_height_m=0.4, wave_period_s=3.4, tide_kn=0.3,
                   tide_set_deg=10.0)
    helms = (LEARNER.skill(1.0).named("Marit"), SKILLED.named("Jonas"), AUTOPILOT)
    return Scenario(
        boat=BOAT, sea=sea, sensors=sensors, legs=plan(), sails="", name="Wide Lantern",
        helms=(helms[1], helms[0], helms[2]) if number in (1, 2) else helms,
        start=f"2026-07-{14 + number}T{start}:00Z", lat=57.640 - 0.06 * number, lon=11.560,
        variation_deg=4.6)


def write_cruise(out: str | Path) -> list[SimulatedDay]:
    """Write the card of the cruise (logs, notes in plain lines) and the boat file."""
    out = Path(out)
    (out / "card").mkdir(parents=True, exist_ok=True)
    days, lines = [], []
    for number in range(len(DAYS)):
        day = simulate_day(cruise_scenario(number), 40 + number)
        write_nmea0183(day, out / "card" / f"log-{number + 1}.nmea.gz", faults=LogFaults(
            true_wind=False, positions=("RMC",), crlf=True))
        lines += ["", f"{(FIRST + timedelta(days=number)):%Y-%m-%d}", *_lines(day)]
        days.append(day)
    (out / "card" / "notes.txt").write_text("\n".join(lines[1:]) + "\n", encoding="utf-8")
    (out / "boat.toml").write_text(_BOAT_FILE, encoding="utf-8")
    return days


def _lines(day: SimulatedDay) -> list[str]:
    """The day's crew log as a crew writes it: local time, words."""
    said = {"helm": "{} steers", "sails": "sails {}", "engine": "engine {}"}
    rows = []
    for row in day.crew_log.itertuples():
        local = row.time.tz_convert(ZONE)
        words = said.get(row.item, "{}").format(row.value)
        if row.item == "helm" and row.value == "autopilot":
            words = "pilot on"
        elif row.item == "sails" and "+" not in str(row.value):
            words = "sails down"
        rows.append(f"{local:%H:%M} {words}")
    return rows


_BOAT_FILE = """\
# The boat file: what the instruments cannot know. Every line may be left out.
# This boat is invented.

[boat]
name = "Wide Lantern"
hull = "catamaran"
loa_m = 12.4            # length over all, metres
lwl_m = 12.1            # length of the waterline, metres
displacement_kg = 7600  # light ship, kilograms
mast_height_m = 18.5    # wind sensor above the water, metres

# What we call who steers and what we set.
[names]
helms = ["Marit", "Jonas"]
sails = { main = [], jib = [], reacher = ["Code 0"], gennaker = [] }

[rudder]
count = 2
"""
