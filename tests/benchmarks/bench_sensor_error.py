"""Whether polar and targets hold the truth with sensors wrong and unknown.

    python tests/benchmarks/bench_sensor_error.py [DAYS [FIRST_SEED]]

Days of `tests/seas/calibration_rough.py`, :func:`draw_hull` (both hull kinds, speed and wind speed up to
10 % off, vane 6 deg, compass 5 deg, a third with shear, a third without a heel sensor), through the whole
day's analysis, nothing in the boat file. Truth is the polar the boat tends to at the wind the sails feel.
Beside coverage stands the interval score (Gneiting and Raftery 2007, eq. 43) against that of the best
constant width, chosen afterwards.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas.calibration_rough import draw_hull, polar_kn, sail

from sailanalysis.app.pipeline import _analyse
from sailanalysis.condition import condition
from sailanalysis.core.model import Boat, CrewEntry, CrewLog
from sailanalysis.core.progress import Progress


def score(error: np.ndarray, half: np.ndarray) -> float:
    """Mean interval score at 95 %, of symmetric intervals."""
    return float(np.mean(2 * half + 40.0 * np.maximum(np.abs(error) - half, 0.0)))


def day_rows(seed: int) -> list[tuple[str, float, float, int]]:
    """What, error, half-width, seed: polar cells in %, target angles in deg, VMG in %."""
    physics = replace(draw_hull(seed), boat_apart=0.0)
    day = sail(seed, physics)
    boat = Boat()
    changes = np.flatnonzero(np.append(True, day.true["boards"][1:] != day.true["boards"][:-1]))
    entries = [CrewEntry(float(day.time_s[i]), "boards", day.true["boards"][i]) for i in changes if day.true["boards"][i]]
    motor = day.true["motor"]
    entries += [CrewEntry(float(day.time_s[i]), "engine", "on" if motor[i] else "off")
                for i in np.flatnonzero(np.append(True, motor[1:] != motor[:-1]))]
    crew = CrewLog(tuple(sorted(entries, key=lambda e: e.time_s)))
    made = _analyse(day.raw, condition(day.raw, boat), boat, crew, [], None, False, Progress())
    rows = []
    cells = made.polar[(made.polar["sails"] == "all") & (made.polar["basis"] == "measured") & (made.polar["minutes"] > 3)]
    for row in cells.itertuples():
        true = polar_kn(day.true["polar"], row.tws_kn, row.twa_deg)
        rows.append(("polar, %", 100 * (row.stw_kn / true - 1), 50 * (row.stw_kn_high - row.stw_kn_low) / true, seed))
    twa, leeway, tws = (day.true[n] for n in ("twa_deg", "leeway_deg", "tws_kn"))
    angles = np.arange(30.0, 60.0, 0.5)
    for row in made.targets[(made.targets["sails"] == "all") & (made.targets["direction"] == "upwind")].itertuples():
        near = (np.abs(np.abs(twa) - row.twa_deg) < 8) & ~motor & (np.abs(tws - row.tws_kn) < 2)
        drift = float(np.median(-leeway[near] * np.sign(twa[near]))) if near.sum() > 100 else 0.0
        vmg = polar_kn(day.true["polar"], row.tws_kn, angles) * np.cos(np.radians(angles + drift))
        best = float(angles[np.argmax(vmg)])
        rows.append(("target angle, deg", row.twa_deg - best, 0.5 * (row.twa_high_deg - row.twa_low_deg), seed))
        rows.append(("target VMG, %", 100 * (row.vmg_kn / vmg.max() - 1),
                     50 * (row.vmg_high_kn - row.vmg_low_kn) / vmg.max(), seed))
    return rows


def main(days: int, first: int) -> None:
    """Print the table."""
    rows, start = [], time.process_time()
    for seed in range(first, first + days):
        rows += day_rows(seed)
    print(f"{days} days from seed {first}, {(time.process_time() - start) / days:.1f} CPU s each")
    print("| what | values | days | covered | median error | half-width | score | best constant width's |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for what in dict.fromkeys(r[0] for r in rows):
        error, half = (np.array([r[i] for r in rows if r[0] == what]) for i in (1, 2))
        constant = min(score(error, np.full(error.size, w)) for w in np.quantile(np.abs(error), np.linspace(0.5, 1, 40)))
        days_of = len({r[3] for r in rows if r[0] == what})
        print(f"| {what} | {error.size} | {days_of} | {100 * np.mean(np.abs(error) <= half):.1f} % | {np.median(np.abs(error)):.2f} | "
              f"{np.median(half):.2f} | {score(error, half):.1f} | {constant:.1f} |")


if __name__ == "__main__":
    main(*(int(a) for a in (sys.argv[1:] + ["20", "8000"][len(sys.argv) - 1:])))
