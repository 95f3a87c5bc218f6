"""Sail changes behind minutes of handling, with marks up to 6 min off: verdicts against the truth.

    python tests/benchmarks/bench_handling.py [DAYS [FIRST_SEED]]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas.handling import day

from sailanalysis.trials import judge_trials


def table(days: int, first: int, deep: bool = True) -> pd.DataFrame:
    """A row a day: what is true and what was said."""
    rows = []
    for seed in range(first, first + days):
        made = day(seed, deep=deep)
        said = judge_trials(made.samples, pd.DataFrame(), made.maneuvers, made.crew, made.speed_model)[0].iloc[0]
        mark = made.crew.entries[-1].time_s
        event = 0.5 * (made.start_s + made.stop_s)
        rows.append({"seed": seed, "truth": made.gain_kn, "comparable": made.comparable,
                     "verdict": said["verdict"], "gain": said["gain_kn"], "low": said["gain_low_kn"],
                     "high": said["gain_high_kn"], "moved": said.get("moved_s", np.nan), "off": event - mark,
                     "why_not": said["why_not"]})
    return pd.DataFrame(rows)


def main(days: int, first: int) -> None:
    """Print the figures: luffed for the change, then hardly slowed by it."""
    for deep in (True, False):
        print("luffed" if deep else "hardly slowed")
        told(table(days, first, deep))


def told(rows: pd.DataFrame) -> None:
    """Print one table's figures."""
    given = rows[rows["gain"].notna() & rows["comparable"]]
    covered = ((given["low"] <= given["truth"]) & (given["truth"] <= given["high"])).mean()
    sign = given["verdict"].map({"faster": 1.0, "slower": -1.0}).fillna(0.0)
    false = ((sign != 0) & (np.sign(given["truth"]) != sign)).sum()
    large = rows[rows["comparable"] & (rows["truth"].abs() > 0.5)]
    other = rows[~rows["comparable"]]
    print(f"{len(rows)} days, {len(given)} comparable ones answered of {rows['comparable'].sum()}; covered {covered:.3f}; "
          f"false verdicts {false}; median half-width {((given['high'] - given['low']) / 2).median():.2f} kn")
    print(f"true differences over 0.5 kn found: {large['verdict'].isin(['faster', 'slower']).mean():.2f} of {len(large)}")
    print(f"course changed with the sail: answered {other['gain'].notna().sum()} of {len(other)}, with a verdict "
          f"{other['verdict'].isin(['faster', 'slower']).sum()}")
    error = (rows["moved"] - rows["off"]).abs()
    print(f"marks put within 30 s: {(error <= 30).mean():.2f}; not moved {rows['moved'].isna().sum()}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40, int(sys.argv[2]) if len(sys.argv) > 2 else 4000)
