"""Crew logs that are hours off: found, and never moved wrongly.

    python tests/benchmarks/bench_crew_clock.py [--seed 1] [--off 20] [--right 100] [--no-rpm]

Random days of the generator with engine marks and sail marks, in a crew's own manner: rounded to five
minutes, some forgotten. OFF of them are written 1 or 2 hours off, RIGHT of them are right.
"""

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from simulator.day import simulate_day
from simulator.plan import Leg
from simulator.scenarios import random_scenario

from sailanalysis.core.model import CrewEntry, CrewLog
from sailanalysis.segment.crew_clock import crew_shift


def made_day(seed, boat=None):
    """A season's day with engine out and home, sails hoisted head to wind."""
    rng = np.random.default_rng([seed, 5])
    fixed = {"hours": float(rng.uniform(2.0, 5.0))} | ({"boat": boat} if boat else {})
    plain = random_scenario(rng, "season_day", **fixed)
    motor = [Leg("motor", float(rng.uniform(8, 40)) * 60, heading_deg=float(rng.uniform(0, 360)),
                 rpm=2200.0, sails="" if k == 0 else None) for k in range(2)]
    legs = (motor[0], Leg("hoist", 240.0, sails=plain.sails), *plain.legs,
            Leg("hoist", 240.0, sails=""), motor[1])
    return simulate_day(replace(plain, legs=legs), seed)


def marks_of(day, rng, off_h=0, forget=0.25):
    """What a crew writes of it: engine and sails, to five minutes, a quarter forgotten."""
    truth = day.truth
    time = truth.index.as_unit("ns").asi8 / 1e9
    running = (truth["engine_rpm"].to_numpy() > 300).astype(int)
    sails = truth["sails"].astype(str).to_numpy()
    said = [(time[0], "engine", "on" if running[0] else "off")]
    said += [(time[i + 1], "engine", "on" if running[i + 1] else "off") for i in np.flatnonzero(np.diff(running))]
    said += [(time[i + 1], "sails", sails[i + 1] or "none") for i in np.flatnonzero(sails[1:] != sails[:-1])]
    kept = [one for one in sorted(said) if rng.random() > forget]
    entries = [CrewEntry(300 * round((t + rng.normal(60, 90)) / 300) + 3600 * off_h, item, value, local=True)
               for t, item, value in kept]
    return CrewLog(tuple(entries))


def samples_of(day):
    """One hertz of what the analysis has: logged speed and apparent wind, true wind from the truth."""
    table = day.logged_frame(1.0)
    truth = day.truth.reindex(table.index, method="nearest")
    for name in ("tws_kn", "twa_deg"):
        table[name] = truth[name].to_numpy()
    if "engine_rpm" not in table:
        table["engine_rpm"] = truth["engine_rpm"].to_numpy()
    return table


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--off", type=int, default=20)
    parser.add_argument("--right", type=int, default=100)
    parser.add_argument("--no-rpm", action="store_true")
    options = parser.parse_args()
    found = wrong = other = 0
    for k in range(max(options.off, options.right)):
        seed = options.seed * 1000 + k
        day, rng = made_day(seed), np.random.default_rng([seed, 9])
        samples = samples_of(day)
        engine = (samples["engine_rpm"].to_numpy() > 300).astype(float)
        if options.no_rpm:
            engine[:] = np.nan
        if k < options.off:
            off = int(rng.choice([-2, -1, 1, 2]))
            shift = crew_shift(samples, marks_of(day, rng, off), engine)
            found += shift is not None and shift.hours == -off
            other += shift is not None and shift.hours != -off
            print(k, "off", off, shift, flush=True)
        if k < options.right:
            shift = crew_shift(samples, marks_of(day, rng), engine)
            wrong += shift is not None
            if shift is not None:
                print(k, "WRONG", shift, flush=True)
    print(f"found {found} of {options.off} ({other} by another hour); moved wrongly {wrong} of {options.right}")


if __name__ == "__main__":
    main()
