"""Sensor calibration and sensor health on rough days, whose physics differ from day to day.

    python tests/benchmarks/bench_calibration_rough.py [DAYS [FIRST_SEED]]

Days from `tests/seas/calibration_rough.py`, cut into states and maneuvers as the day's analysis does.
"Wrong" are determined values more than one and a half half-widths from the truth. Then faults put
into sound instruments, found or not, and what is said of the same days without a fault.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas.calibration_rough import draw, features, sail

from sailanalysis.calibrate.equations import WANTED
from sailanalysis.calibrate.estimate import estimate_calibration
from sailanalysis.calibrate.health import sensor_health
from sailanalysis.condition import condition
from sailanalysis.core.model import Boat, CrewLog, RawLog
from sailanalysis.maneuvers import find_maneuvers
from sailanalysis.segment import find_states
from sailanalysis.wind import wind_and_water

Row = tuple[str, float, float, bool, list[str]]


def calibrated(days: int, first: int) -> tuple[list[Row], list[float]]:
    """Name, error, half-width, determined and features of every value of every day."""
    rows, seconds = [], []
    boat = Boat()
    for seed in range(first, first + days):
        day = sail(seed)
        cond = condition(day.raw, boat)
        samples, _, _ = wind_and_water(cond, boat)
        samples["state"] = find_states(samples, CrewLog()).state
        maneuvers = find_maneuvers(samples, boat)
        start = time.process_time()
        result = estimate_calibration(samples, cond, boat, maneuvers=maneuvers)
        seconds.append(time.process_time() - start)
        rows += [(name, e.value - day.truth[name], 0.5 * (e.high - e.low), e.determined,
                  features(day.physics)) for name, e in result.estimates.items() if name in day.truth]
    return rows, seconds


def spoiled(raw: RawLog, fault: str, channel: str, rng: np.random.Generator) -> RawLog:
    """The log with one fault in one channel."""
    def change(t: np.ndarray, x: np.ndarray) -> np.ndarray:
        x, n = x.copy(), x.size
        at = int(rng.uniform(0.3, 0.6) * n)
        if fault == "stuck":
            x[at: at + n // 6] = x[at]
        elif fault == "spikes":
            # A wave may throw a vane 30 degrees; a reading 90 degrees off is nobody's wind.
            x[rng.choice(n, max(5, n // 1000), replace=False)] += {"stw_kn": 25.0,
                                                                   "awa_deg": 90.0}[channel]
        elif fault == "dropouts":
            for start in rng.integers(0, n - n // 50, 6):
                x[start: start + n // 50] = np.nan
        elif fault == "noise":
            x += rng.normal(0, {"stw_kn": 0.8, "awa_deg": 15.0}[channel], n)
        else:
            x = np.interp(t - 5.0, t, np.unwrap(x, period=360.0))
        return np.maximum(x, 0.0) if channel == "stw_kn" else (x + 180.0) % 360.0 - 180.0

    return replace(raw, streams=tuple(
        replace(s, value=change(s.time_s, s.value)) if s.channel == channel else s
        for s in raw.streams))


def health(days: int, first: int) -> tuple[Counter[str], Counter[str]]:
    """How often each fault was found, and what was said of sound instruments."""
    found: Counter[str] = Counter()
    alarms: Counter[str] = Counter()
    for seed in range(first, first + days):
        rng = np.random.default_rng(seed)
        world = replace(draw(seed), missing=(), vane_lag_s=0.5, speed_lag_s=0.5, hours=2.0,
                        plan="sausage", quantised=False)
        raw = sail(seed, world).raw
        for fault in ("none", "stuck", "spikes", "dropouts", "noise", "lag"):
            for channel, sensor in (("stw_kn", "boat speed"), ("awa_deg", "apparent wind angle")):
                cond = condition(raw if fault == "none" else spoiled(raw, fault, channel, rng))
                samples, _, _ = wind_and_water(cond, Boat())
                said = sensor_health(cond, samples)
                row = said.sensors.set_index("channel").loc[channel]
                late = said.lags[said.lags["advice"] != ""].set_index("sensor")["advice"]
                if fault == "none":
                    bad = said.sensors[said.sensors["verdict"] != "good"]
                    alarms.update(f"{r.label}: {r.advice}" for r in bad.itertuples())
                    alarms.update(late.index + " late")
                    break
                found[f"{fault} {channel}"] += {
                    "stuck": row["stuck_share"] > 0.01, "spikes": row["spikes"] > 0,
                    "dropouts": row["verdict"] != "good", "noise": row["verdict"] != "good",
                    "lag": sensor in late.index}[fault]
    return found, alarms


def main(days: int, first: int) -> None:
    """Print the tables."""
    rows, seconds = calibrated(days, first)
    print(f"{days} rough days, {np.median(seconds):.2f} CPU seconds each")
    print("| value | determined | covered | median error | half-width | wrong |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name in (*WANTED, "all"):
        mine = [r for r in rows if name in (r[0], "all")]
        told = [r for r in mine if r[3]]
        ratio = np.array([abs(r[1]) / r[2] for r in told])
        middle = (f"{np.median([abs(r[1]) for r in told]):.4f} | "
                  f"{np.median([r[2] for r in told]):.4f}") if name != "all" and told else " | "
        print(f"| {name} | {len(told)} of {len(mine)} | {100 * np.mean(ratio <= 1):.1f} % | "
              f"{middle} | {int(np.sum(ratio > 1.5))} |")
    told = [r for r in rows if r[3]]
    print("\nCovered, by what is out of the common:")
    for what in sorted({f for r in told for f in r[4]}):
        inside = [abs(r[1]) <= r[2] for r in told if what in r[4]]
        print(f"  {what:24s}{len(inside):5d}{100 * np.mean(inside):7.1f} %")
    few = max(days // 10, 3)
    found, alarms = health(few, first)
    print(f"\nSensor faults found, of {few} days each:")
    for fault, count in sorted(found.items()):
        print(f"  {fault:24s}{count}")
    print("Said of the same days without a fault:")
    for sentence, count in alarms.most_common():
        print(f"  {count} x {sentence}")


if __name__ == "__main__":
    main(*(int(a) for a in (sys.argv[1:] + ["100", "0"][len(sys.argv) - 1:])))
