"""The shipped example: an invented boat and crew, one afternoon in a small tidal sea."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pandas as pd

from .boats import SLOOP, BoatModel, SailSet
from .day import Scenario, SimulatedDay, simulate_day
from .helms import AUTOPILOT, LEARNER, SKILLED
from .plan import Action, Leg, turns
from .sea import SeaModel
from .sensors import Fault, SensorModel
from .write_nmea0183 import LogFaults, write_nmea0183
from .write_text import write_crew_log

SEED = 7

BOAT: BoatModel = replace(
    SLOOP, name="Quiet Fathom", loa_m=11.2, lwl_m=9.8, displacement_kg=5900.0,
    mast_height_m=16.8, wetted_m2=27.0, leeway_k=9.5, nomoto_k=1.1,
    sails=(SailSet("main+jib", 63.0, centre_m=7.4), SailSet("main+genoa", 74.0, centre_m=7.2),
           SailSet("main+gennaker", 124.0, "kite", 7.9)))


def _legs() -> tuple[Leg, ...]:
    minute = 60.0
    # Marit learns: she takes the first half of the beat; Jonas, further on, the second.
    beat = Leg("beat", 63 * minute, side=1, actions=(
        *turns("tack", (5.5 * minute, 10.2 * minute, 14.1 * minute)),
        Action("luff", 17.3 * minute, 12.0, 12.0),
        Action("tack", 19.6 * minute, quality=1.5, stall=True),
        Action("helm", 22.5 * minute, "Jonas"),
        *turns("tack", (24.3 * minute, 28.6 * minute, 32.4 * minute)),
        # Full trim is 1: the trial makes her slower, back, and slower again.
        Action("trim", 36.5 * minute, "backstay eased 4 cm", effect=0.84),
        Action("trim", 42.0 * minute, "backstay tightened 4 cm", effect=1.0),
        Action("trim", 47.5 * minute, "backstay eased 4 cm", effect=0.84),
        Action("trim", 53.0 * minute, "backstay tightened 4 cm", effect=1.0),
        Action("tack", 54.5 * minute),
        Action("luff", 56.9 * minute, 14.0, 10.0),
        Action("tack", 59.4 * minute, quality=1.3)))
    reach = Leg("reach", 22 * minute, twa_deg=95.0, actions=(
        Action("helm", 1.5 * minute, "autopilot"),
        Action("trim", 6.5 * minute, "vang eased 5 cm", effect=1.0),
        Action("helm", 14.0 * minute, "Marit")))
    run = Leg("run", 50 * minute, actions=(
        Action("sails", 1.5 * minute, "main+gennaker"),
        *turns("gybe", (6.0 * minute, 11.3 * minute, 16.2 * minute, 21.9 * minute)),
        Action("helm", 24.5 * minute, "Jonas"),
        *turns("gybe", (27.4 * minute, 32.8 * minute, 37.1 * minute)),
        Action("gybe", 42.3 * minute, quality=1.4),
        Action("sails", 46.5 * minute, "main+genoa")))
    second = Leg("beat", 32 * minute, actions=(
        *turns("tack", (4.2 * minute, 8.8 * minute, 13.1 * minute)),
        Action("luff", 15.4 * minute, 14.0, 14.0),
        Action("helm", 17.0 * minute, "Marit"),
        *turns("tack", (19.0 * minute, 23.4 * minute)),
        Action("trim", 26.0 * minute, "genoa lead one hole forward", effect=0.80)))
    return (
        Leg("motor", 11 * minute, heading_deg=262.0, rpm=2400.0, sails="",
            actions=(Action("note", 30.0, "left the harbour, two fishing floats in the fairway"),
                     Action("sea", 9 * minute, "0.5"))),
        Leg("hoist", 3.5 * minute, actions=(Action("sails", 2.8 * minute, "main+jib"),)),
        beat, reach, run, second,
        Leg("hoist", 3 * minute, actions=(Action("sails", 1.2 * minute, ""),)),
        Leg("motor", 12 * minute, heading_deg=78.0, rpm=2400.0),
    )


def demo_scenario() -> Scenario:
    """The scenario of the shipped day."""
    faults = (Fault("dropout", "wind", 5 * 3600 / 2 + 1100.0, 75.0),
              Fault("dropout", "heading", 5400.0, 8.0),
              Fault("stuck", "stw_kn", 6300.0, 40.0),
              Fault("jump", "gps", 8000.0, 12.0, 420.0))
    sensors = SensorModel(
        rates_hz={"gps": 1.0, "speed": 2.0, "heading": 10.0, "wind": 5.0, "rudder": 10.0,
                  "attitude": 10.0, "turn": 0.0, "depth": 0.5, "engine": 0.5},
        stw_factor=0.95, awa_offset_deg=2.5, aws_factor=1.03, heading_offset_deg=-2.0,
        rudder_offset_deg=0.8, deviation=(0.5, -0.3, 0.2, 0.0), stw_lag_s=1.5, vane_lag_s=0.8,
        spikes_per_hour=2.0, faults=faults)
    sea = SeaModel(tws_kn=11.0, twd_deg=238.0, tws_trend_kn_h=0.8, twd_trend_deg_h=3.5,
                   turbulence=0.10, shift_deg=4.5, shift_period_s=660.0, wander_deg=2.0,
                   flutter_deg=1.4, wave_height_m=0.5, wave_period_s=3.6, tide_kn=0.9,
                   tide_set_deg=15.0, tide_phase_h=0.7, tide_round=0.2)
    return Scenario(
        boat=BOAT, sea=sea, sensors=sensors, legs=_legs(), sails="",
        helms=(LEARNER.skill(0.95).named("Marit"), SKILLED.skill(1.15).named("Jonas"), AUTOPILOT),
        start="2026-08-08T12:40:00Z", lat=52.420, lon=-4.330, variation_deg=-0.4,
        heading_deg=262.0, name="Quiet Fathom")


def write_demo(out: str | Path) -> SimulatedDay:
    """Write logs, crew log, boat file, notes and truth of the shipped day into a folder.

    The same version of the numeric libraries gives the same bytes.
    """
    out = Path(out)
    day = simulate_day(demo_scenario(), SEED)
    (out / "logs").mkdir(parents=True, exist_ok=True)
    write_nmea0183(day, out / "logs" / "quiet-fathom.nmea.gz", rotate_s=1800.0, faults=LogFaults(
        bad_checksum_share=2e-4, cut_share=1e-4, empty_share=5e-5, dateless_s=20.0,
        true_wind=False, positions=("RMC", "ZDA"), crlf=True))
    write_crew_log(day, out / "crew.csv")
    (out / "boat.toml").write_text(_BOAT_FILE, encoding="utf-8")
    (out / "README.md").write_text(_README, encoding="utf-8")
    write_truth(day, out / "truth")
    return day


def write_truth(day: SimulatedDay, folder: str | Path) -> None:
    """Write what a test may check against: maneuvers, sensor errors, trials, polar, wind, helms."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    events = day.events.copy()
    for name, reference in (("loss_m", "carried_on"), ("loss_free_turn_m", "free_turn")):
        events[name] = [day.counterfactual_loss_m(row, reference) for _, row in
                        day.events.iterrows()]
    for name in ("start", "crossing", "end"):
        events[name] = events[name].dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-5] + "Z"
    _csv(events.drop(columns="turn"), folder / "events.csv")
    trials = day.trials.copy()
    trials["time"] = trials["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    _csv(trials, folder / "trials.csv", 3)
    (folder / "sensor_errors.json").write_text(
        json.dumps(asdict(day.sensor_errors), indent=1) + "\n", encoding="utf-8")
    rows = []
    for sails in day.scenario.boat.sails:
        tws, twa = np.meshgrid(np.arange(6, 21, 2.0), np.arange(30, 181, 5.0), indexing="ij")
        speed = day.steady_speed_kn(tws.ravel(), twa.ravel(), sails.name)
        rows.append(pd.DataFrame({"sails": sails.name, "tws_kn": tws.ravel(),
                                  "twa_deg": twa.ravel(), "stw_kn": speed}))
    _csv(pd.concat(rows), folder / "polar.csv", 3)
    half_minute = day.truth.iloc[::300]
    wind = half_minute[["tws_kn", "twd_slow_deg", "set_deg", "drift_kn", "state", "helm",
                        "sails"]].copy()
    wind.insert(0, "time", half_minute.index.strftime("%Y-%m-%dT%H:%M:%SZ"))
    _csv(wind, folder / "wind_and_water.csv")


def _csv(frame: pd.DataFrame, path: Path, places: int = 2) -> None:
    frame.to_csv(path, index=False, float_format=f"%.{places}f", lineterminator="\n")


_BOAT_FILE = """\
# The boat file: what the instruments cannot know. Every line may be left out.
# This boat is invented.

[boat]
name = "Quiet Fathom"
loa_m = 11.2            # length over all
lwl_m = 9.8             # waterline
displacement_kg = 5900  # light ship
mast_height_m = 16.8    # wind sensor above the water

[rudder]
count = 1
area_m2 = 0.38
span_m = 1.10

# Corrections that put a logged value right: multiplied with it (factor) or added to it (offset).
# Nobody has calibrated this boat yet. `sailanalysis calibrate --write` fills these in.
[sensors]
stw_factor = 1.0
awa_offset_deg = 0.0
aws_factor = 1.0
heading_offset_deg = 0.0
"""

_README = """\
# An invented day

Boat, people and log are invented; the water is a real tidal bay, Cardigan Bay off Wales. Nothing
here was recorded by anyone. On 8 August 2026 the sloop *Quiet Fathom* motors out, beats for an
hour, reaches, runs home under gennaker, beats again under genoa and motors in. Marit is learning
to helm, Jonas has done it for a year, Ada trims and writes the crew log; the autopilot has its
turn on the reach.

| file | what |
| --- | --- |
| `logs/*.nmea.gz` | NMEA 0183, a file each half hour: heading, rudder, heel 10 Hz, wind 5 Hz |
| `crew.csv` | crew log |
| `boat.toml` | boat file, not calibrated |
| `truth/` | what really happened: maneuvers and their loss, sensor errors, polar, wind, tide |
| `cruise/` | another boat: the catamaran *Wide Lantern*, four days at 1 Hz on a card with notes |

The instruments are as instruments are: the speed sensor reads 5 % high, the vane and the compass
are some degrees off, the wind drops out for a minute, weed stops the log wheel, the GPS jumps
once, some lines are spoilt, and the first seconds have no date.

All of it, to the last byte, comes out of one command (with the numpy and scipy releases it was
made with; others may differ in a last digit):

    PYTHONPATH=tests python -m simulator --out data

The physical model is described in `tests/simulator`. It shares no code and no constants with
the analysis, and the analysis is not tuned to it. `truth/events.csv` gives two losses: `loss_m`
against the same boat that never turned, `loss_free_turn_m` against one that turned at no cost at
the same instant (a shift favours neither tack).
"""
