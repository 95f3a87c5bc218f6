"""The polar against known truths, and how long it takes.

    python tests/benchmarks/bench_polar.py [SEASONS]

SEASONS (default 3) of twenty made days a boat. The last table times the fit with 200 replicates
against a general library's smoothing of 3000 of the same blocks.
"""

from __future__ import annotations

import resource
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from timing import Row, as_table, side_by_side

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import seas.season as sea
from seas.season_score import score, season_blocks

from sailanalysis.polar.fit import fit_polar

COMMAND = "python tests/benchmarks/bench_polar.py"
ALWAYS = ("light_catamaran", "cardioid", "sine", "heavy_sixty", "dinghy")
MANNERS = {"heavy_sixty": {"response_s": 35.0, "helm_sd_deg": 1.5, "gust": 0.08},
           "dinghy": {"response_s": 2.5, "helm_sd_deg": 3.5}}


def accuracy(seasons: int) -> None:
    rows, targets = [], []
    for name, days in (("cruiser", 20), ("light_catamaran", 20), ("heavy_sixty", 20),
                       ("dinghy", 20), ("cardioid", 12), ("sine", 12), ("cruiser", 1),
                       ("light_catamaran", 1)):
        truth = getattr(sea, name)
        plain = "main+jib" if name in ALWAYS else None
        usual = sea.choose_sails
        if plain:
            sea.choose_sails = lambda rng, angle: "main+jib"
        parts = []
        for seed in range(seasons if days > 1 else 3 * seasons):
            how = sea.Sea(**MANNERS.get(name, {}))
            winds = (6.0, 17.0) if days > 1 else (9.0, 14.0)
            parts.append(score(truth, season_blocks(truth, days, how, seed, winds), plain))
        sea.choose_sails = usual
        cells = pd.concat([p[1] for p in parts])
        cells = cells[cells["twa_deg"] < 175]  # the sine stands still dead downwind
        for label, part in (("10 min or more", cells[cells["minutes"] >= 10]),
                            ("2-10 min", cells[(cells["minutes"] < 10)
                                               & (cells["basis"] == "measured")]),
                            ("interpolated", cells[cells["basis"] == "interpolated"])):
            error = part["error_percent"].abs()
            rows.append((name, days, label, len(part), part["error_percent"].mean(),
                         error.median(), error.quantile(0.95), (error < 1.5).mean(),
                         part["covered"].mean()))
        found = pd.concat([p[2] for p in parts])
        for direction, part in found.groupby("direction") if len(found) else ():
            targets.append((name, days, direction, len(part),
                            part["angle_error_deg"].abs().median(),
                            (part["angle_error_deg"].abs() < 2).mean(),
                            part["angle_covered"].mean(),
                            part["lost_percent"].mean(), part["lost_percent"].max(),
                            part["vmg_error_percent"].abs().median(),
                            (part["vmg_error_percent"].abs() < 1).mean(),
                            part["vmg_covered"].mean()))
        crossings = pd.concat([p[3] for p in parts])
        if len(crossings):
            clear = crossings[crossings["true_gain_percent"].abs() > 3]
            print(f"{name}, {days} days: crossovers right where sets differ by over 3 %: "
                  f"{(clear['true_gain_percent'] > 0).mean():.3f} of {len(clear)}")
    print("\nError of the median polar, per cent of speed\n")
    print(pd.DataFrame(rows, columns=["boat", "days", "cells", "n", "bias", "median |e|", "p95 |e|",
                                      "within 1.5", "covered"]).round(2).to_string(index=False))
    print("\nTargets\n")
    print(pd.DataFrame(targets, columns=[
        "boat", "days", "direction", "n", "angle |e| deg", "within 2 deg", "angle covered",
        "lost %", "lost max %", "VMG |e| %", "within 1 %", "VMG covered"]).round(2).to_string(index=False))


def rows(small: bool) -> list[Row]:
    """The polar with 200 replicates, three sail sets, against one surface without intervals."""
    from scipy.interpolate import RBFInterpolator

    sizes = (6,) if small else (1, 20, 60)
    blocks = season_blocks(sea.cruiser, sizes[-1], sea.Sea(hours=8.0), seed=0)
    some = blocks.sample(3000, random_state=0)
    at = np.column_stack([some["tws_kn"] / 3, some["twa_deg"].abs() / 15])

    def peer() -> None:
        RBFInterpolator(at, some["stw_kn"], smoothing=10.0, neighbors=None)(at[:500])

    out = []
    for days in sizes:
        part = blocks[blocks["day"].isin(sorted(blocks["day"].unique())[:days])]
        fit_polar(part, replicates=2)  # imports
        ours_s, peer_s = side_by_side(lambda part=part: fit_polar(part, replicates=200), peer, 2)
        out.append(Row(f"polar of {days} days of 8 h, 200 replicates", ours_s,
                       "scipy's thin plates, 3000 blocks", peer_s,
                       "under 4 s" if days == 60 else "", COMMAND))
    return out


def main() -> None:
    accuracy(int(sys.argv[1]) if len(sys.argv) > 1 else 3)
    print(f"\n{as_table(rows(False))}\n")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    main()
