"""Changes of sails and trim on whole days: how often right, wrong, unsaid; and pooled over five days.

    python tests/benchmarks/bench_experiments.py days 6000 6040
    python tests/benchmarks/bench_experiments.py pooled 90 102
    python tests/benchmarks/bench_experiments.py marks 5000 5030
"""

import sys

import numpy as np
import pandas as pd
from seas.experiments import sailed_day

from sailanalysis.trials.changes import judge_trials
from sailanalysis.trials.events import find_events, place_marks
from sailanalysis.trials.experiments import pool_experiments

NO_LEGS = pd.DataFrame()
SIGN = {"faster": 1.0, "slower": -1.0}


def judged(day):
    return judge_trials(day.samples, NO_LEGS, day.maneuvers, day.crew, day.speed_model)[0]


def days(first, last):
    rows = []
    for seed in range(first, last):
        day = sailed_day(seed, cat=bool(seed % 2))
        table = judged(day)
        for item in ("sails", "trim"):
            given = table[table["item"] == item].sort_values("time").itertuples()
            true = day.truth[day.truth["item"] == item].sort_values("time_s").itertuples()
            rows += [(seed, item, t.gain_kn, t.comparable, g.verdict, g.gain_low_kn, g.gain_high_kn)
                     for g, t in zip(given, true, strict=False)]
    out = pd.DataFrame(rows, columns=["day", "item", "true", "comparable", "verdict", "low", "high"])
    sign = out["verdict"].map(SIGN).fillna(0.0)
    out["right"] = (sign != 0) & (sign == np.sign(out["true"]))
    out["false"] = (sign != 0) & ~out["right"]
    given = out[out["low"].notna()]
    large = out[(out["true"].abs() > 0.5) & out["comparable"]]
    print(f"changes {len(out)}, judged {len(given)}, false {given['false'].sum()}, covered "
          f"{((given['low'] <= given['true']) & (given['true'] <= given['high'])).mean():.3f}; "
          f"over 0.5 kn and comparable {len(large)}, found {large['right'].mean():.2f}, on "
          f"{large.groupby('day')['right'].any().sum()} of {large['day'].nunique()} days")


def pooled(first, last):
    found, held, false = [], [], []
    for seed in range(first, last):
        gain = 0.3 if seed % 3 else 0.0
        tables = []
        for k in range(5):
            day = sailed_day(100 * seed + k, cat=bool(seed % 2), hours=3.5, gains=gain, trims=False)
            tables.append(judged(day).assign(date=f"2031-06-{k + 1:02d}"))
        got = pool_experiments(pd.concat(tables, ignore_index=True))
        true = np.where(got["change"].astype(str).str.startswith("main+jib"), gain, -gain)
        held += ((got["gain_low_kn"] <= true) & (true <= got["gain_high_kn"])).tolist()
        sign = got["verdict"].map(SIGN).fillna(0.0)
        false += ((sign != 0) & (sign != np.sign(true))).tolist()
        if gain:
            found.append(bool(((sign != 0) & (sign == np.sign(true))).any()))
    print(f"answers {len(held)}, covered {np.mean(held):.3f}, false {np.sum(false)}; 0.3 kn found in "
          f"{np.sum(found)} of {len(found)} boats within five days")


def marks(first, last):
    off = []
    for seed in range(first, last):
        day = sailed_day(seed, cat=bool(seed % 2), late_s=210.0)
        placed = place_marks(day.crew.entries, find_events(day.samples, day.maneuvers))
        sails = [m for m, e in zip(placed, day.crew.entries, strict=True) if e.item == "sails"][1:]
        true = day.truth[day.truth["item"] == "sails"]["time_s"]
        off += [m.start_s - t for m, t in zip(sails, true, strict=True)]
    print(f"marks {len(off)}, within 30 s {np.mean(np.abs(off) < 30.0):.3f}")


if __name__ == "__main__":
    {"days": days, "pooled": pooled, "marks": marks}[sys.argv[1]](int(sys.argv[2]), int(sys.argv[3]))
