"""Pooled costs: closed forms of the normal model, and days drawn from it."""

import numpy as np
import pandas as pd
import pytest

from sailanalysis.core.stats import Z95
from sailanalysis.maneuvers.pooled import COLUMNS, pooled_costs, posterior_means


def turns(loss_m, sd_m, helm="Marit", shared_m=0.0, kind="tack", tws_kn=12.0):
    loss = np.asarray(loss_m, dtype=float)
    return pd.DataFrame({"kind": kind, "helm": helm, "sails": "main+jib", "tws_kn": tws_kn, "rated": True,
                         "loss_m": loss, "loss_m_low": loss - Z95 * sd_m, "loss_m_high": loss + Z95 * sd_m,
                         "loss_s": loss / 3.0, "loss_shared_sd_m": shared_m})


def test_one_turn_is_its_own_mean():
    # With a mean all but unknown beforehand the posterior is the measurement (to the prior's 0.3 %).
    row = pooled_costs(turns([24.0], 3.0)).iloc[0]
    assert row["loss_m"] == pytest.approx(24.0, rel=0.003)
    assert row["loss_m_high"] - row["loss_m"] == pytest.approx(Z95 * 3.0, rel=0.003)
    assert row["loss_s"] == pytest.approx(8.0, rel=0.003)


def test_the_error_of_a_mean_is_the_singles_over_the_root_and_the_shared_stays():
    # The mean of the turns that were made: their own spread is no error of it. 9 of sd 3 leave 1 m.
    loss = 24.0 + 2.0 * np.linspace(-1.0, 1.0, 9)
    group, tws, weight = np.zeros(9, dtype=int), np.full(9, 12.0), np.full((1, 9), 1 / 9)
    mean, sd = posterior_means(loss, np.full(9, 3.0), np.zeros(9), group, tws, weight)[0]
    assert mean == pytest.approx(24.0, rel=0.002) and sd == pytest.approx(1.0, rel=0.01)
    # A part of 2 m that all share stays: own parts of root 5 over root 9, and 2.
    _, sd = posterior_means(loss, np.full(9, 3.0), np.full(9, 2.0), group, tws, weight)[0]
    assert sd == pytest.approx(np.hypot(np.sqrt(5.0 / 9.0), 2.0), rel=0.01)


def test_a_helm_with_few_turns_is_drawn_to_all():
    table = pd.concat([turns([20.0, 21.0, 19.0, 20.0, 20.5, 19.5], 4.0), turns([40.0], 12.0, "Jonas")])
    means = pooled_costs(table).set_index("helm")["loss_m"]
    assert 20.0 < means["Jonas"] < 36.0 and means["Marit"] == pytest.approx(20.0, abs=1.5)


def test_rows_count_all_turns_and_their_means_are_of_the_rated():
    table = pd.concat([turns([20.0, 22.0], 3.0), turns([90.0], 3.0).assign(rated=False),
                       turns([np.nan], 3.0, "Jonas").assign(rated=False), turns([12.0], 2.0, kind="gybe")],
                      ignore_index=True)
    rows = pooled_costs(table)
    assert tuple(rows) == COLUMNS
    assert rows[["kind", "helm", "count", "rated"]].to_numpy().tolist() == [
        ["tack", "all", 4, 2], ["tack", "Jonas", 1, 0], ["tack", "Marit", 3, 2],
        ["gybe", "all", 1, 1], ["gybe", "Marit", 1, 1]]
    assert rows["loss_m"].iloc[0] == pytest.approx(21.0, abs=0.1) and np.isnan(rows["loss_m"].iloc[1])
    assert len(pooled_costs(table.iloc[:0])) == 0


def test_intervals_cover_the_means_of_drawn_days():
    rng = np.random.default_rng(17)
    inside = []
    for _ in range(150):
        helms = rng.choice(["Marit", "Jonas", "Ada"], rng.integers(3, 14))
        effect = dict(zip(("Marit", "Jonas", "Ada"), rng.normal(0, 4, 3), strict=True))
        tws = rng.uniform(8, 16, helms.size)
        true = 25 + np.array([effect[h] for h in helms]) + 0.8 * (tws - 12) + rng.normal(0, 5, helms.size)
        sd, shared = rng.uniform(3, 9, helms.size), 2.0
        loss = true + rng.normal(0, np.sqrt(sd**2 - shared**2)) + shared * rng.normal()
        rows = pooled_costs(turns(loss, sd, helms, shared, tws_kn=tws))
        for row in rows.itertuples():
            mean = true.mean() if row.helm == "all" else true[helms == row.helm].mean()
            inside.append(row.loss_m_low <= mean <= row.loss_m_high)
    assert 0.92 <= np.mean(inside) <= 0.98
