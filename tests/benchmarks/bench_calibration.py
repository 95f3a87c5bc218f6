"""Coverage and error of the sensor calibration over many generated days, and its time.

    python tests/benchmarks/bench_calibration.py [DAYS]

DAYS (default 100) with random errors (speed and wind speed factor 0.9-1.1, vane +-6 deg, compass
+-5 deg, leeway coefficient 5-15, tide 0-3 kn) on the tests' own light sea, then a fifth as many
with upwash, compass deviation and a slow vane, then days that cannot tell: one heading, no tacks.
Then a fifth as many on the package's simulator, whose physics differ. The last tables are those of
`bench_track.py`: wind and maneuvers from the track alone.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import bench_track
from seas.calibration import sail

from sailanalysis.calibrate.equations import WANTED
from sailanalysis.calibrate.estimate import estimate_calibration
from sailanalysis.condition import condition
from sailanalysis.core.model import Boat, RawLog, Stream
from sailanalysis.wind import wind_and_water

Day = tuple[RawLog, dict[str, float]]


def light_sea(count: int, kind: str = "mixed", **physics: float) -> Iterator[Day]:
    for seed in range(count):
        day = sail(10_000 + seed, kind, 2.0 + seed % 4, **physics)
        yield day.raw, day.truth


def simulator(count: int) -> Iterator[Day]:
    from simulator import random_scenario, simulate_day

    for seed in range(count):
        rng = np.random.default_rng(7000 + seed)
        scenario = random_scenario(rng, "calibration", rate_hz=1.0)
        sensors = replace(scenario.sensors, aws_factor=float(rng.uniform(0.9, 1.1)))
        day = simulate_day(replace(scenario, sensors=sensors), seed)
        errors = day.sensor_errors
        yield (RawLog(tuple(Stream(c, "made", t, x) for c, (t, x) in day.logged.items()), ()),
               {name: float(getattr(errors, name)) for name in WANTED})


def table(title: str, days: Callable[[], Iterator[Day]]) -> None:
    rows: dict[str, list[tuple[float, float, bool]]] = {name: [] for name in WANTED}
    seconds = []
    for raw, truth in days():
        boat = Boat()
        cond = condition(raw, boat)
        samples, _, _ = wind_and_water(cond, boat)
        start = time.perf_counter()
        result = estimate_calibration(samples, cond, boat)
        seconds.append(time.perf_counter() - start)
        for name, e in ((n, result.estimates[n]) for n in WANTED):
            rows[name].append((e.value - truth[name], 0.5 * (e.high - e.low), e.determined))
    print(f"\n{title}: {len(seconds)} days, {np.median(seconds):.2f} s each")
    print(f"{'':20s}{'determined':>12s}{'covered':>9s}{'median error':>14s}{'half width':>12s}")
    hits = total = 0
    for name, found in rows.items():
        error, half, told = (np.array(x) for x in zip(*found, strict=True))
        told = told.astype(bool)
        if not told.any():
            print(f"{name:20s}{0:8d}/{told.size:3d}")
            continue
        inside = np.abs(error[told]) <= half[told]
        hits, total = hits + int(inside.sum()), total + int(told.sum())
        print(f"{name:20s}{told.sum():8d}/{told.size:3d}{100 * inside.mean():8.0f}%"
              f"{np.median(np.abs(error[told])):14.4f}{np.median(half[told]):12.4f}")
    if total:
        print(f"{'all determined':20s}{total:12d}{100 * hits / total:8.1f}%")


def main(days: int) -> None:
    few = max(days // 5, 3)
    table("mixed sailing", lambda: light_sea(days))
    table("upwash 3 deg, deviation 1.5 deg, vane 3 s late",
          lambda: light_sea(few, upwash_deg=3.0, deviation_deg=1.5, vane_lag_s=3.0))
    table("beating only", lambda: light_sea(few, "beat"))
    table("one heading", lambda: light_sea(few, "one_heading"))
    table("no tacks", lambda: light_sea(few, "no_tacks"))
    table("the package's simulator", lambda: simulator(few))
    bench_track.main(max(3, 3 * few // 5))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
