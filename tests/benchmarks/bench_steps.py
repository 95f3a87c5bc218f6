"""Steps in time put into sound days: weed on the log, a wheel that sticks, a vane knocked.

    python tests/benchmarks/bench_steps.py [DAYS [FIRST_SEED [FAULT ...]]]

Days of `tests/seas/calibration_rough.py`, :func:`draw_hull` (both hull kinds, a third with shear). Found is
a step in the right sensor that overlaps the fault by half or more of it; a false alarm is any step told on
a day without a fault.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas.calibration_rough import draw_hull, sail

from sailanalysis.calibrate.estimate import estimate_calibration
from sailanalysis.condition import condition
from sailanalysis.core.model import Boat, CrewLog, RawLog
from sailanalysis.maneuvers import find_maneuvers
from sailanalysis.segment import find_states
from sailanalysis.wind import wind_and_water

CHANNEL = {"weed": "stw_kn", "sticks": "stw_kn", "knocked": "awa_deg", "compass": "hdg_deg"}


def spoil(raw: RawLog, fault: str, rng: np.random.Generator) -> tuple[RawLog, float, float, float]:
    """The log with the fault, from when to when, and what would put it right."""
    t0, t1 = raw.streams[0].time_s[[0, -1]]
    a = t0 + rng.uniform(0.25, 0.55) * (t1 - t0)
    b = t1 if fault in ("knocked", "compass") or rng.random() < 0.5 else a + rng.uniform(0.3, 0.45) * (t1 - t0)
    size = {"weed": rng.uniform(0.55, 0.75), "sticks": 0.0, "knocked": rng.choice([-1, 1]) * rng.uniform(7, 15),
            "compass": rng.choice([-1, 1]) * rng.uniform(12, 25)}.get(fault, 0.0)
    if fault == "sticks":
        b = a + rng.uniform(900, 2400)

    def change(t: np.ndarray, x: np.ndarray) -> np.ndarray:
        x, inside = x.copy(), (t >= a) & (t <= b)
        if fault == "weed":
            x[inside] *= size
        elif fault == "sticks":  # turns at a tenth, now and then
            x[inside] *= rng.uniform(0.0, 0.15, inside.sum())
        elif fault == "compass":
            x[inside] = (x[inside] + size) % 360.0
        else:
            x[inside] = (x[inside] + size + 180.0) % 360.0 - 180.0
        return x

    if fault == "none":
        return raw, a, b, 0.0
    return (replace(raw, streams=tuple(
        replace(s, value=change(s.time_s, s.value)) if s.channel == CHANNEL[fault] else s
        for s in raw.streams)), a, b, 1.0 / size if fault == "weed" else -size)


def main(days: int, first: int, *faults: str) -> None:
    """Print the table."""
    found: Counter[str] = Counter()
    tried: Counter[str] = Counter()
    off: dict[str, list[float]] = {}
    for seed in range(first, first + days):
        physics = replace(draw_hull(seed), plan=["mixed", "sausage"][seed % 3 > 0])
        clean = sail(seed, physics).raw
        for fault in faults or ("none", "weed", "sticks", "knocked", "compass"):
            raw, a, b, right = spoil(clean, fault, np.random.default_rng([seed, 5]))
            cond, boat = condition(raw, Boat()), Boat()
            samples, _, _ = wind_and_water(cond, boat)
            samples["state"] = find_states(samples, CrewLog()).state
            result = estimate_calibration(samples, cond, boat, maneuvers=find_maneuvers(samples, boat))
            tried[fault] += 1
            if fault == "none":
                found[fault] += bool(result.steps)
                for s in result.steps:
                    print("false", seed, s, physics.tide, physics.tide_kn, physics.plan, physics.missing)
                continue
            right_ones = [s for s in result.steps if s.channel == CHANNEL[fault]
                          and min(s.end_s, b) - max(s.start_s, a) > 0.5 * (b - a)]
            # a compass that is off before is as good as one that is off after, the other way
            right_ones += [replace(s, size=-s.size) for s in result.steps if fault == "compass" and s.channel == "hdg_deg"
                           and abs(s.end_s - a) < 0.2 * (b - a)]
            left = cond.left_out
            already = fault == "sticks" and (left[left["channel"] == "stw_kn"]["share"].sum() > 0.02)
            found[fault] += bool(right_ones) or bool(already)
            if right_ones and fault != "sticks":
                off.setdefault(fault, []).append(right_ones[0].size / right - 1 if fault == "weed"
                                                 else right_ones[0].size - right)
            if not right_ones and not already:
                print("missed", seed, fault, f"{a - raw.streams[0].time_s[0]:.0f}-{b - raw.streams[0].time_s[0]:.0f}", right, result.steps)
    for fault in tried:
        more = f", size off by {np.median(np.abs(off[fault])):.3f} (median)" if fault in off else ""
        print(f"{fault}: {found[fault]} of {tried[fault]}{more}")


if __name__ == "__main__":
    words = sys.argv[1:] + ["20", "7000"][len(sys.argv) - 1:]
    main(int(words[0]), int(words[1]), *words[2:])
