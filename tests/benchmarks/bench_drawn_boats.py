"""Polars of drawn boats, days and sensors against their truth and against their own data.

    python tests/benchmarks/bench_drawn_boats.py days COUNT [FIRST_SEED]
    python tests/benchmarks/bench_drawn_boats.py seasons DAYS COUNT [FIRST_SEED]

Boats, days and sensors of `tests/seas/drawn_boats.py`; seeds take the four kinds of hull in turn, and the
sensors of every second four are wrong and unknown. The first prints how far each surface lies from its own
data (the largest weighted median of a region with five minutes and more), the second error and coverage
of cells, slope and targets by boat and by third of the angles.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas.drawn_boats import KINDS, days_of, draw_hull, draw_sailing, error_covariance

from sailanalysis.polar import fit_polar, polar_table, targets_table
from sailanalysis.polar.sensor_error import lean_of, with_sensor_error
from sailanalysis.segment.steady import steady_averages

ANGLE_DEG, WIND_KN, LEAST_S = 30.0, 4.0, 300.0


def drawn(seed: int, days: int):
    """Boat, manner and blocks of a seed."""
    rng = np.random.default_rng(seed)
    hull = draw_hull(KINDS[seed % 4], rng)
    unknown = seed // 4 % 2 == 1
    how = draw_sailing(rng, unknown)
    winds = (6.0, 17.0) if days > 1 else (5.0, 20.0)
    parts = [steady_averages(*day[1:], day=day[0]) for day in days_of(hull, how, days, seed, winds)]
    return hull, unknown, pd.concat(parts, ignore_index=True)


def missed(model, blocks) -> tuple[float, float]:
    """Largest miss of a region's weighted median, in per cent, and the smallest of best over median."""
    ratio = blocks["stw_kn"].to_numpy(float) / model.speed_kn(blocks["tws_kn"], blocks["twa_deg"])
    region = (np.floor(blocks["twa_deg"].abs() / ANGLE_DEG) * 100 + np.floor(blocks["tws_kn"] / WIND_KN)).to_numpy()
    worst = 0.0
    for one in np.unique(region):
        own = (region == one) & np.isfinite(ratio)
        seconds = blocks["seconds"].to_numpy(float)[own]
        if seconds.sum() < LEAST_S:
            continue
        order = np.argsort(ratio[own])
        middle = np.interp(0.5 * seconds.sum(), np.cumsum(seconds[order]) - 0.5 * seconds[order], ratio[own][order])
        worst = max(worst, abs(100 * (middle - 1)))
    surface = model.surfaces["all"]
    over = float(np.nanmin(surface.best_kn / surface.median_kn)) if (surface.basis > 0).any() else np.nan
    return worst, over


def days(count: int, first: int) -> None:
    """How far single days' surfaces lie from their own data, and from the truth."""
    rows, start = [], time.process_time()
    for seed in range(first, first + count):
        hull, unknown, blocks = drawn(seed, 1)
        model = fit_polar(blocks)
        if not model.known:
            rows.append((hull.kind, seed, np.nan, np.nan, np.nan, np.nan))
            continue
        model = with_sensor_error(model, error_covariance(unknown), lean_of(blocks))
        cells = polar_table(model, ["all"])
        true = hull.speed_kn(cells["tws_kn"], cells["twa_deg"])
        covered = (cells["stw_kn_low"] <= true) & (true <= cells["stw_kn_high"])
        rows.append((hull.kind, seed, *missed(model, blocks), float(np.median(np.abs(100 * (cells["stw_kn"] / true - 1)))),
                     float(covered.mean())))
    table = pd.DataFrame(rows, columns=["boat", "seed", "missed", "best_over", "error", "covered"])
    print(f"{count} days from seed {first}, {(time.process_time() - start) / count:.2f} CPU s each")
    print(table.groupby("boat").agg(
        days=("seed", "size"), without=("missed", lambda v: int(v.isna().sum())), missed_median=("missed", "median"),
        missed_most=("missed", "max"), over_3=("missed", lambda v: int((v > 3).sum())), best_over=("best_over", "min"),
        error=("error", "median"), covered=("covered", "mean")).round(3).to_string())
    print(table[table["missed"] > 3].round(2).to_string(index=False))


def slope_error(model, hull, winds) -> list[float]:
    """Per cent too fast 5 deg below the angle the crew sails."""
    twa = hull.beat_deg - 5.0
    value = model.speed_kn(winds, np.full(winds.size, twa))
    at = model.speed_kn(winds, np.full(winds.size, hull.beat_deg))
    true = hull.speed_kn(winds, twa) / hull.speed_kn(winds, hull.beat_deg)
    return list(100 * (value / at / true - 1))


def season_rows(seed: int, count: int):
    """Cells, targets and slopes of a season."""
    hull, unknown, blocks = drawn(seed, count)
    model = with_sensor_error(fit_polar(blocks), error_covariance(unknown), lean_of(blocks))
    cells = polar_table(model, ["all"])
    true = hull.speed_kn(cells["tws_kn"], cells["twa_deg"])
    cells = cells.assign(boat=hull.kind, seed=seed, sensors="unknown" if unknown else "right",
                         third=np.digitize(cells["twa_deg"], [80, 130]), error=100 * (cells["stw_kn"] / true - 1),
                         covered=(cells["stw_kn_low"] <= true) & (true <= cells["stw_kn_high"]),
                         half=50 * (cells["stw_kn_high"] - cells["stw_kn_low"]) / true)
    fine = np.arange(25.0, 180.01, 0.05)
    found = []
    for row in targets_table(model).itertuples():
        if row.sails != "all":
            continue
        sign = 1.0 if row.direction == "upwind" else -1.0
        made = sign * hull.speed_kn(row.tws_kn, fine) * np.cos(np.radians(fine))
        best = float(fine[np.argmax(made)])
        found.append((hull.kind, cells["sensors"].iloc[0], row.direction, row.twa_deg - best,
                      abs(row.twa_deg - best) < 2 or row.near_best_from_deg <= best <= row.near_best_to_deg,
                      row.twa_low_deg - 0.05 <= best <= row.twa_high_deg + 0.05, 100 * (sign * row.vmg_kn / made.max() - 1),
                      min(abs(row.vmg_low_kn), abs(row.vmg_high_kn)) <= made.max() <= max(abs(row.vmg_low_kn), abs(row.vmg_high_kn))))
    low, high = blocks["tws_kn"].quantile([0.1, 0.9])
    slopes = slope_error(model, hull, np.arange(np.ceil(low), high))
    lag = float(blocks["lag_s"].median())
    return cells, found, [(hull.kind, seed, hull.lag_s, lag, v) for v in slopes], model.notes


def seasons(days_each: int, count: int, first: int) -> None:
    """Error and coverage of whole seasons."""
    start = time.process_time()
    made = [season_rows(seed, days_each) for seed in range(first, first + count)]
    print(f"{count} seasons of {days_each} days from seed {first}, {(time.process_time() - start) / count:.1f} CPU s each")
    cells = pd.concat([m[0] for m in made])

    def told(part):
        return pd.Series({"cells": len(part), "bias": part["error"].mean(), "error": part["error"].abs().median(),
                          "half": part["half"].median(), "covered": 100 * part["covered"].mean()}).round(2)

    for by in (["boat"], ["third"], ["sensors"], ["boat", "third"]):
        print(cells.groupby(by)[["error", "half", "covered"]].apply(told).to_string())
    found = pd.DataFrame([r for m in made for r in m[1]], columns=[
        "boat", "sensors", "direction", "off", "near", "covered", "vmg", "vmg_covered"])
    print(found.groupby(["boat", "direction"]).agg(
        n=("off", "size"), off=("off", lambda v: v.abs().median()), bias=("off", "mean"), near=("near", "mean"),
        covered=("covered", "mean"), vmg=("vmg", "mean"), vmg_covered=("vmg_covered", "mean")).round(2).to_string())
    slopes = pd.DataFrame([r for m in made for r in m[2]], columns=["boat", "seed", "lag", "lag_found", "slope"])
    print(slopes.groupby(["boat", "seed"]).agg(lag=("lag", "first"), lag_found=("lag_found", "first"),
                                               slope=("slope", "mean")).round(2).to_string())
    print("slope", slopes.groupby("boat")["slope"].mean().round(2).to_dict(), round(slopes["slope"].mean(), 2))


if __name__ == "__main__":
    what, *numbers = sys.argv[1:]
    if what == "days":
        days(*(int(a) for a in numbers + ["9000"][len(numbers) - 1:]))
    else:
        seasons(*(int(a) for a in numbers + ["9000"][len(numbers) - 2:]))
