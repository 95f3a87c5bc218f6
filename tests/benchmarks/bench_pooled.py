"""Do the pooled mean costs of a day hold the truth?

``python tests/benchmarks/bench_pooled.py [DAYS] [FIRST_SEED]`` sails days of both generators, two helms taking
turns every quarter of an hour, and prints how many 95 % intervals of the mean costs hold the mean truth of
the turns they speak of, and how wide they are.
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas import maneuvers as first_sea
from seas import turning as second_sea

from sailanalysis.core.model import Boat
from sailanalysis.maneuvers import find_maneuvers
from sailanalysis.maneuvers.rate import rate_maneuvers

HELMS = ("Marit", "Jonas")
WATCH_S = 900.0


def day_rows(samples, polar, truths, start_s, name):
    """Pooled rows of a day beside the mean truth of the same turns; truths are (kind, crossing, metres)."""
    seconds = samples.index.astype("int64").to_numpy() / 1e6 - start_s
    samples = samples.assign(helm=np.array(HELMS, dtype=object)[(seconds // WATCH_S).astype(int) % 2])
    found = find_maneuvers(samples, Boat())
    table, study = rate_maneuvers(samples, found, None, polar, Boat())
    table["true_m"] = np.nan
    at = np.array([t.timestamp() - start_s for t in table["crossing"].fillna(table["end"])])
    for kind, crossing, metres in truths:
        near = np.flatnonzero((table["kind"] == kind).to_numpy() & (np.abs(at - crossing) < 6.0))
        if near.size:
            table.loc[near[0], "true_m"] = metres
    use = table[table["rated"] & table["true_m"].notna()]
    rows = []
    for row in study.pooled.itertuples():
        mine = use[(use["kind"] == row.kind) & ((row.helm == "all") | (use["helm"] == row.helm))]
        if row.rated and len(mine) == row.rated:
            rows.append({"sea": name, "kind": row.kind, "of": "all" if row.helm == "all" else "a helm",
                         "rated": row.rated, "true_m": mine["true_m"].mean(), "loss_m": row.loss_m,
                         "low_m": row.loss_m_low, "high_m": row.loss_m_high})
    return rows


def rows_of(seeds):
    """Days of both generators."""
    rows, polars = [], {}
    for day in first_sea.sail_all([first_sea.varied(k) for k in seeds]):
        craft = day.scenario.craft
        polar = polars.setdefault(craft.name, first_sea.polar_of(craft))
        rows += day_rows(day.samples, polar, [(e.kind, e.crossing_s, e.loss_m) for e in day.events],
                         first_sea.START_S, "first")
    for day in second_sea.sail([second_sea.drawn(k) for k in seeds]):
        rows += day_rows(day.samples, day.polar, [(t.what, t.crossing_s, t.loss_m) for t in day.truths],
                         second_sea.START_S, "second")
    return pd.DataFrame(rows)


def summary(rows):
    """A Markdown line a group."""
    rows = rows.assign(inside=(rows["low_m"] <= rows["true_m"]) & (rows["true_m"] <= rows["high_m"]),
                       error=(rows["loss_m"] - rows["true_m"]).abs() / rows["true_m"],
                       half=(rows["high_m"] - rows["low_m"]) / 2.0 / rows["true_m"])
    out = ["| generator | kind | mean of | means | covered | median error | half-width |",
           "| --- | --- | --- | --- | --- | --- | --- |"]
    for key, part in [*rows.groupby(["sea", "kind", "of"]), (("both", "all", "all and helms"), rows)]:
        out.append(f"| {' | '.join(key)} | {len(part)} | {part['inside'].mean():.0%} "
                   f"| {part['error'].median():.1%} | {part['half'].median():.0%} |")
    return "\n".join(out)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    days, first = (int(sys.argv[k]) if len(sys.argv) > k else d for k, d in ((1, 10), (2, 500)))
    made = pd.concat([rows_of(range(k, min(k + 10, first + days))) for k in range(first, first + days, 10)])
    print(summary(made))
