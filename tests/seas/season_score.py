"""How well a fitted polar hits the truth that made the season."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sailanalysis.polar.crossovers import crossovers_table
from sailanalysis.polar.fit import fit_polar, polar_table
from sailanalysis.polar.targets import targets_table
from sailanalysis.segment.steady import steady_averages
from seas.season import Sea, sail_season


def season_blocks(truth, days, sea=None, seed=0, winds=(6.0, 17.0)):
    """Steady blocks of a season's days."""
    parts = [steady_averages(*day, day=date)
             for date, day in sail_season(truth, days, sea or Sea(), seed, winds)]
    return pd.concat(parts, ignore_index=True)


def score(truth, blocks, plain=None):
    """Tables of errors: polar cells, targets and crossovers against the truth.

    ``plain``: the sail set that stands for ``all`` where the truth knows one set only.
    """
    model = fit_polar(blocks)
    cells = polar_table(model)
    cells = cells[(cells["sails"] != "all") if plain is None else (cells["sails"] == "all")].copy()
    name = cells["sails"].where(cells["sails"] != "all", plain)
    cells["true_kn"] = [float(truth(t, a, s)) for t, a, s in zip(
        cells["tws_kn"], cells["twa_deg"], name, strict=True)]
    cells["error_percent"] = 100 * (cells["stw_kn"] / cells["true_kn"] - 1)
    cells["covered"] = (cells["stw_kn_low"] <= cells["true_kn"]) & (
        cells["true_kn"] <= cells["stw_kn_high"])
    return model, cells, _targets(truth, model, plain), _crossings(truth, model)


def _targets(truth, model, plain):
    fine = np.minimum(np.arange(20, 180.01, 0.05), 180.0)
    rows = []
    for row in targets_table(model).itertuples():
        if (row.sails == "all") != (plain is not None):
            continue
        sails = plain if row.sails == "all" else row.sails
        made = truth(np.full(fine.size, row.tws_kn), fine, sails) * np.cos(np.radians(fine))
        best = int(np.argmax(made) if row.direction == "upwind" else np.argmin(made))
        rows.append({"sails": sails, "tws_kn": row.tws_kn, "direction": row.direction,
                     "angle_error_deg": row.twa_deg - fine[best],
                     "lost_percent": 100 * (1 - np.interp(row.twa_deg, fine, made) / made[best]),
                     "vmg_error_percent": 100 * (row.vmg_kn / made[best] - 1),
                     "angle_covered": row.twa_low_deg - 0.01 <= fine[best] <= row.twa_high_deg + 0.01,
                     "vmg_covered": row.vmg_low_kn <= made[best] <= row.vmg_high_kn})
    return pd.DataFrame(rows)


def _crossings(truth, model):
    table = crossovers_table(model)
    if len(table) == 0:
        return table
    best = np.array([float(truth(r.tws_kn, r.twa_deg, r.best_sails)) for r in table.itertuples()])
    other = np.array([float(truth(r.tws_kn, r.twa_deg, r.next_best_sails))
                      for r in table.itertuples()])
    return table.assign(true_gain_percent=100 * (best / other - 1))
