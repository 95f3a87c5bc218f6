"""How surely maneuvers are found and how fairly they are costed, on boats whose truth is known.

Prints Markdown tables. ``python tests/benchmarks/bench_maneuvers.py [DAYS] [FIRST_SEED]`` (default 30 hours sailed by
six kinds of boats, drawn at random); nothing of it is used to set any constant of the analysis.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas.maneuvers import START_S, Instruments, Scenario, Weather, polar_of, sail_all, varied

from sailanalysis.core.model import Boat, CrewLog
from sailanalysis.maneuvers import find_legs, find_maneuvers
from sailanalysis.maneuvers.rate import rate_maneuvers
from sailanalysis.segment import find_states


def day_rows(day, polars):
    """One row for every true or claimed turn of a day."""
    scenario = day.scenario
    polar = polars.setdefault(scenario.craft.name, polar_of(scenario.craft))
    maneuvers = find_maneuvers(day.samples, Boat())
    table, _ = rate_maneuvers(day.samples, maneuvers,
                              find_legs(day.samples, maneuvers, Boat()), polar, Boat())
    turns = table[table["kind"].isin(("tack", "gybe"))]
    at = np.array([t.timestamp() - START_S for t in turns["crossing"]])
    rows, used = [], set()
    for event in day.events:
        if event.kind not in ("tack", "gybe"):
            continue
        near = [k for k in range(len(turns)) if k not in used
                and turns["kind"].iloc[k] == event.kind and abs(at[k] - event.crossing_s) < 5.0]
        row = {"craft": scenario.craft.name, "tws_kn": scenario.weather.tws_kn,
               "kind": event.kind, "true_m": event.loss_m, "carried_m": event.carried_m,
               "found": bool(near), "claimed": bool(near), "rated": False}
        if near:
            used.add(near[0])
            got = turns.iloc[near[0]]
            row |= {"late_s": at[near[0]] - event.crossing_s, "loss_m": got["loss_m"],
                    "low_m": got["loss_m_low"], "high_m": got["loss_m_high"],
                    "rated": bool(got["rated"])}
        rows.append(row)
    rows += [{"craft": scenario.craft.name, "kind": turns["kind"].iloc[k], "found": False,
              "claimed": True, "rated": False} for k in range(len(turns)) if k not in used]
    return rows


def line(name, rows):
    """One line of the table."""
    true, claimed = rows["true_m"].notna(), rows["claimed"]
    late = rows["late_s"].abs()
    good = rows[rows["rated"]]
    error = good["loss_m"] - good["true_m"]
    inside = (good["low_m"] <= good["true_m"]) & (good["true_m"] <= good["high_m"])
    raw = (good["low_m"] <= good["carried_m"]) & (good["carried_m"] <= good["high_m"])
    return (f"| {name} | {true.sum()} | {rows['found'].sum() / max(1, claimed.sum()):.3f} "
            f"| {rows['found'].sum() / max(1, true.sum()):.3f} | {late.median():.2f} "
            f"| {late.max():.1f} | {len(good)} "
            f"| {(error.abs() / good['true_m'].abs()).median():.1%} "
            f"| {error.sum() / good['true_m'].sum():+.1%} | {inside.mean():.1%} "
            f"| {raw.mean():.1%} |")


HEAD = """| | turns | precision | recall | crossing, median s | most s | rated | \
median error | bias | 95 % intervals cover | with the shifts' luck |
|---|---|---|---|---|---|---|---|---|---|---|"""


def losses(hours, seed=700):
    """Tables of found and costed turns, calibrated and as an uncalibrated boat."""
    for calibrated, words in ((True, "calibrated"), (False, "as found: uncalibrated")):
        rows, polars = [], {}
        for first in range(0, hours, 10):
            seeds = range(seed + first, seed + min(first + 10, hours))
            for day in sail_all([varied(k, calibrated=calibrated) for k in seeds]):
                rows += day_rows(day, polars)
        table = pd.DataFrame(rows)
        print(f"\nInstruments {words}, {hours} h\n\n{HEAD}")
        print(line("all", table))
        for name in ("kind", "craft"):
            for value, mine in table.groupby(name):
                print(line(value, mine))


def invented():
    """Maneuvers claimed where none was made."""
    rough = Weather(26.0, 40.0, gust=0.12, wave_kn=0.4, yaw_deg=7.0)
    shifty = Weather(3.5, 200.0, gust=0.35, gust_s=60.0, shift_deg=22.0, shift_s=150.0)
    bad = Instruments(vane_noise_deg=6.0, vane_swing_deg=8.0, vane_lag_s=3.0)
    angles = (44.0, -95.0, 160.0, -48.0, 110.0, -150.0)
    print("\n| two hours each | hours | tacks, gybes, luffs, circles invented | other turns |")
    print("|---|---|---|---|")
    for name, weather in (("rough, straight", rough), ("light and shifty", shifty)):
        days = sail_all([Scenario(weather=weather, instruments=bad, minutes=120.0, seed=k,
                                  start_twa_deg=a, wander_deg=5.0) for k, a in enumerate(angles)])
        found = pd.concat([find_maneuvers(day.samples, Boat()) for day in days])
        passing = found["kind"].isin(("tack", "gybe", "luff", "circle"))
        print(f"| {name} | {2 * len(days)} | {passing.sum()} | {(~passing).sum()} |")


def speed():
    """Processor seconds for eight hours at 10 Hz, against copying the table."""
    scenario = varied(4, 480.0)
    day = sail_all([replace(scenario, instruments=Instruments(rate_hz=10.0))])[0]
    samples, polar = day.samples.drop(columns="state"), polar_of(scenario.craft)
    clock = [time.process_time()]
    samples.copy()
    clock.append(time.process_time())
    samples["state"] = find_states(samples, CrewLog()).state
    clock.append(time.process_time())
    maneuvers = find_maneuvers(samples, Boat())
    clock.append(time.process_time())
    legs = find_legs(samples, maneuvers, Boat())
    clock.append(time.process_time())
    rate_maneuvers(samples, maneuvers, legs, polar, Boat())
    clock.append(time.process_time())
    took = np.diff(clock)
    print(f"\n{len(samples)} samples, {len(maneuvers)} maneuvers\n\n| step | processor s |")
    print("|---|---|")
    for name, seconds in zip(("copy of the table", "states", "maneuvers", "legs", "costs"), took,
                             strict=True):
        print(f"| {name} | {seconds:.2f} |")


if __name__ == "__main__":
    losses(*(int(word) for word in sys.argv[1:3] or ["30"]))
    invented()
    speed()
