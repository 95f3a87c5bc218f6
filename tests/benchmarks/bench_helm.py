"""Helming and trials on an invented sea: the tables behind what is claimed.

    python tests/benchmarks/bench_helm.py [PAIRS]

PAIRS of helms (default 8) sail three days each; 100 trials a row. Prints tables; the last one times
eight hours at 10 Hz against reading the same rows with pandas' own rolling standard deviation.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from helm.studies import (
    LOGS,
    same_helm_under_two_names,
    season_without_change,
    two_helms_and_a_pilot,
)
from seas.helming import PILOT, Helm, sail
from seas.trials import trial

from sailanalysis.core.model import Boat
from sailanalysis.helm.rate import rate_helming
from sailanalysis.trials.changes import judge_trials

NONE = pd.DataFrame()


def helms(pairs: int) -> None:
    scores, seas = two_helms_and_a_pilot(pairs, days=3, hours=2.0, logs=tuple(LOGS))
    scores["width"] = scores.high - scores.low
    scores["error"] = scores.difference - scores.true_points
    table = scores.groupby("log", sort=False).agg(
        days=("right", "size"), differ=("right", "count"), order_right=("right", "mean"),
        covered=("covered", "mean"), width=("width", "mean"),
        rms_error=("error", lambda e: float(np.sqrt(np.mean(e**2)))))
    table["smooth_less_rough"] = seas.groupby("log").gap.mean()
    table["smooth_rough_gap"] = seas.groupby("log").gap.apply(lambda g: g.abs().mean())
    print("\nTwo helms and an autopilot, points; order where true activity differs by 25 %\n")
    print(table.round(2).to_string())
    fast = seas[seas.log == "10 Hz"]
    print("\nScore in smooth less in rough water, mean absolute, 10 Hz\n")
    print(fast.assign(gap=fast.gap.abs()).pivot_table(
        values="gap", index="craft", columns="helm").round(1).to_string())


def two_names(pairs: int) -> None:
    days = same_helm_under_two_names(pairs)
    covered = ((days.low <= 0) & (days.high >= 0)).mean()
    print("\nOne way of steering under two names, one in smooth and one in rough water, "
          f"{len(days)} days: difference {days.difference.abs().mean():.1f} points (mean "
          f"absolute), interval holds zero {covered:.0%}")


def trials(count: int = 100) -> None:
    rows = []
    weather = {"usual": {}, "gusts 16 %": {"gustiness": 0.16}, "hidden drift 0.08 kn":
               {"drift_kn": 0.08}, "log in 0.1 kn": {"quantum_kn": 0.1}, "close-hauled":
               {"twa": 42.0}, "7 kn of wind": {"tws": 7.0}, "three minutes": {"minutes": 3.0}}
    for name, how in weather.items():
        judged = {gain: pd.concat([
            judge_trials(s, NONE, NONE, crew, model)[0] for s, crew, model in (
                trial(seed + round(1e4 * gain), (gain,), **how) for seed in range(count))])
            for gain in (0.0, 0.3)}
        none, true = judged[0.0], judged[0.3]
        rows.append((name, none.verdict.isin(["faster", "slower"]).mean(),
                     (true.verdict == "faster").mean(),
                     ((true.gain_low_kn <= 0.3) & (true.gain_high_kn >= 0.3)).mean(),
                     0.5 * (true.gain_high_kn - true.gain_low_kn).mean(),
                     float(np.sqrt(((true.gain_kn - 0.3) ** 2).mean()))))
    print(f"\nTrim trials, {count} without effect and {count} with 0.3 kn, five minutes a side\n")
    print(pd.DataFrame(rows, columns=["weather", "false", "found", "covered", "half_kn",
                                      "rms_error_kn"]).round(3).to_string(index=False))


def seasons(count: int) -> None:
    trend = season_without_change(count)
    print(f"\n{count} seasons of six days in which nobody changed: verdicts\n")
    print(trend.verdict.value_counts().to_string())


def speed() -> None:
    day = sail([Helm("Ada"), Helm("Bo"), PILOT], hours=8.0, turn_min=30.0, seed=1)[0]
    args = (day["samples"], day["legs"], day["maneuvers"], Boat())
    rate_helming(*args)
    times: dict[str, list[float]] = {"helm": [], "rolling": []}
    for _ in range(3):
        start = time.process_time()
        rate_helming(*args)
        times["helm"].append(time.process_time() - start)
        start = time.process_time()
        for name in ("rudder_deg", "hdg_deg", "twa_deg", "heel_deg", "trim_deg", "tws_kn"):
            day["samples"][name].rolling(600, center=True).std()
        times["rolling"].append(time.process_time() - start)
    ours, rolling = np.median(times["helm"]), np.median(times["rolling"])
    print(f"\n8 h at 10 Hz: {ours:.2f} s of processor time, {ours / rolling:.1f} times six rolling "
          "standard deviations by pandas")


if __name__ == "__main__":
    pairs = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    helms(pairs)
    two_names(pairs)
    trials()
    seasons(max(4, pairs))
    speed()
