"""Sensor calibration on monohulls and catamarans, a third of the days with shear.

    python tests/benchmarks/bench_hulls.py [DAYS [FIRST_SEED]]

Days from `tests/seas/calibration_rough.py`, :func:`draw_hull`. Leeway is compared as an angle: the mean
over close-hauled sailing of what the law gives against what the boat made.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas.calibration_rough import draw_hull, sail

from sailanalysis.calibrate.apply import corrections_of
from sailanalysis.calibrate.estimate import estimate_calibration
from sailanalysis.condition import condition
from sailanalysis.core.model import Boat, CrewEntry, CrewLog
from sailanalysis.core.series import epoch_s
from sailanalysis.maneuvers import find_maneuvers
from sailanalysis.segment import find_states
from sailanalysis.wind import wind_and_water

SHOWN = ("stw_factor", "awa_offset_deg", "aws_factor", "heading_offset_deg", "leeway_deg",
         "upwash_deg")


def day_rows(seed: int) -> list[tuple[str, float, float, bool, str, bool]]:
    """Name, error, half-width, determined, hull, sheared of every value of a day."""
    physics = draw_hull(seed)
    day = sail(seed, physics)
    boat = Boat()
    cond = condition(day.raw, boat)
    samples, _, _ = wind_and_water(cond, boat)
    samples["state"] = find_states(samples, CrewLog()).state
    n = len(samples)
    samples["boards"] = day.true["boards"][:n]
    result = estimate_calibration(samples, cond, boat, maneuvers=find_maneuvers(samples, boat))
    twa, leeway = day.true["twa_deg"], day.true["leeway_deg"]
    close = (np.abs(twa) > 25) & (np.abs(twa) < 60) & ~day.true["motor"]
    crew = CrewLog(tuple(CrewEntry(float(day.time_s[i]), "boards", day.true["boards"][i])
                         for i in np.flatnonzero(np.append(True, day.true["boards"][1:] != day.true["boards"][:-1]))
                         if day.true["boards"][i]))
    used = corrections_of(boat, result)
    again, _, _ = wind_and_water(cond, boat, crew, used.sensors)
    drawn = np.interp(day.time_s, epoch_s(again.index), np.nan_to_num(again["leeway_deg"].to_numpy(float)))
    truth = dict(day.truth)
    # As an angle, by sample: the mean close-hauled of what the day says less what she made.
    off = float(np.mean((leeway - drawn)[close] * np.sign(twa[close]))) if close.any() else np.nan
    truth["leeway_deg"] = result.estimates["leeway_deg"].value - off
    hull = "catamaran" if seed % 2 == 0 else "monohull"
    rows = [(n, e.value - truth[n], 0.5 * (e.high - e.low), e.determined, hull,
             bool(physics.shear_deg)) for n, e in result.estimates.items() if n in truth and n != "leeway_k"]
    return rows


def main(days: int, first: int) -> None:
    """Print the table."""
    rows, start = [], time.process_time()
    for seed in range(first, first + days):
        rows += day_rows(seed)
    print(f"{days} days from seed {first}, {(time.process_time() - start) / days:.1f} CPU s each")
    print("| hull | value | determined | covered | median error | half-width | wrong by over 1.5 |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for hull in ("monohull", "catamaran"):
        for name in SHOWN[:5]:
            mine = [r for r in rows if r[0] == name and r[4] == hull]
            told = [r for r in mine if r[3]]
            if not told:
                print(f"| {hull} | {name} | 0 of {len(mine)} | | | | |")
                continue
            error, half = np.array([abs(r[1]) for r in told]), np.array([r[2] for r in told])
            print(f"| {hull} | {name} | {len(told)} of {len(mine)} | {100 * np.mean(error <= half):.0f} % | "
                  f"{np.median(error):.3f} | {np.median(half):.3f} | {int(np.sum(error > 1.5 * half))} |")
    known = np.array([(abs(r[1]), r[2]) for r in rows if np.isfinite(r[2]) and r[0] == "awa_offset_deg"])
    print(f"vane, all days with an interval: covered {100 * np.mean(known[:, 0] <= known[:, 1]):.0f} % of {len(known)}"
          f", half-width {np.median(known[:, 1]):.1f} deg")
    false = sum(r[0] == "awa_offset_deg" and r[3] and r[5] and abs(r[1]) > r[2] for r in rows)
    sheared = sum(r[0] == "awa_offset_deg" and r[5] for r in rows)
    print(f"vane determined falsely with shear: {false} of {sheared} days")


if __name__ == "__main__":
    main(*(int(a) for a in (sys.argv[1:] + ["40", "5000"][len(sys.argv) - 1:])))
