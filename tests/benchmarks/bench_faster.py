"""How often one sail set is called faster that is not, and how much of a true gain is found.

    python tests/benchmarks/bench_faster.py [SEASONS [FIRST_SEED [DAYS]]]

Seasons of `tests/seas/drawn_boats.py`; every leg off the wind carries one of two sets at random, spelled in either
order. In even seeds they are alike: any range called faster is false. In odd ones the second is up to 8 % faster
beyond 110 deg and slower before.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas.drawn_boats import KINDS, days_of, draw_hull, draw_sailing

from sailanalysis.polar import crossovers_table, faster_ranges, fit_polar
from sailanalysis.segment.steady import steady_averages

SETS = ("main+jib", "main+gennaker")
SPELLED = {SETS[0]: ("main+jib", "jib + main"), SETS[1]: ("main+gennaker", "Gennaker+main".lower())}


def true_gain(twa_deg: np.ndarray) -> np.ndarray:
    """Speed of the second set over the first's, less one."""
    return 0.08 * np.tanh((np.abs(twa_deg) - 110.0) / 12.0)


def season(seed: int, days: int, alike: bool) -> pd.DataFrame:
    """Steady blocks of a season sailed with two sets."""
    rng = np.random.default_rng(seed)
    hull, how = draw_hull(KINDS[seed // 2 % 4], rng), draw_sailing(rng, False)
    parts = []
    for date, samples, legs, maneuvers in days_of(hull, how, days, seed):
        sails = np.full(len(samples), SETS[0], dtype=object)
        factor = np.ones(len(samples))
        for leg in legs.itertuples():
            here = slice(*samples.index.searchsorted([leg.start, leg.end]))
            name = SETS[int(abs(leg.twa_deg) > 70 and rng.random() < 0.5)]
            sails[here] = SPELLED[name][int(rng.random() < 0.3)]
            if name == SETS[1] and not alike:
                factor[here] = 1 + true_gain(samples["twa_deg"].to_numpy()[here])
        parts.append(steady_averages(samples.assign(sails=sails, stw_kn=samples["stw_kn"] * factor), legs, maneuvers, day=date))
    return pd.concat(parts, ignore_index=True)


def main(seasons: int, first: int, days: int) -> None:
    """Print the counts."""
    false, found, wrong, cells, pointwise = 0, [], 0, 0, 0
    for seed in range(first, first + seasons):
        alike = seed % 2 == 0
        model = fit_polar(season(seed, days, alike))
        ranges, table = faster_ranges(model), crossovers_table(model)
        if alike:
            false += len(ranges) > 0
            pointwise += bool((table["confidence"] > 0.975).any())
            cells += len(table)
            continue
        clear = table[np.abs(true_gain(table["twa_deg"])) > 0.04]
        right = np.where(true_gain(clear["twa_deg"]) > 0, SETS[1], SETS[0]) == clear["best_sails"]
        found.append(float((clear["faster"] & right).mean()))
        wrong += int((clear["faster"] & ~right).sum())
        if seed < first + 4:
            print(ranges.round(1).to_string(index=False))
    print(f"alike: {false} of {(seasons + 1) // 2} seasons with a set called faster ({pointwise} cell by cell), {cells} cells")
    print(f"different: of cells over 4 % apart {100 * np.mean(found):.0f} % called rightly, {wrong} wrongly")


if __name__ == "__main__":
    main(*(int(a) for a in (sys.argv[1:] + ["40", "5000", "8"][len(sys.argv) - 1:])))
