"""Whole made seasons against their truth: error, coverage, targets, crossovers, silence."""

import numpy as np
import pandas as pd
import pytest
from seas.season import Sea, cardioid, cruiser, light_catamaran, sine
from seas.season_score import score, season_blocks

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def three_sail_sets():
    """Six seasons of twenty gusty days with three sail sets."""
    parts = []
    for seed in range(10, 16):
        blocks = season_blocks(cruiser, 20, seed=seed)
        parts.append((blocks, *score(cruiser, blocks)))
    return parts


def joined(parts, number):
    return pd.concat([p[number] for p in parts], ignore_index=True)


def test_median_polar_error_where_ten_minutes_were_sailed(three_sail_sets):
    cells = joined(three_sail_sets, 2)
    sailed = cells[cells["minutes"] >= 10]
    assert len(sailed) > 100
    assert sailed["error_percent"].abs().median() < 0.75
    assert (sailed["error_percent"].abs() < 1.5).mean() > 0.9


def test_intervals_cover_the_truth(three_sail_sets):
    cells = joined(three_sail_sets, 2)
    assert 0.90 <= cells["covered"].mean() <= 0.98
    assert 0.88 <= cells.loc[cells["minutes"] >= 10, "covered"].mean() <= 0.995


def test_targets(three_sail_sets):
    found = joined(three_sail_sets, 3)
    up = found[found["direction"] == "upwind"]
    assert (up["angle_error_deg"].abs() < 2.0).mean() >= 0.95
    assert (found["vmg_error_percent"].abs() < 1.0).mean() >= 0.8
    assert found["vmg_error_percent"].abs().median() < 0.6
    # downwind the optimum is flat: what counts is that little is lost by sailing the angle found
    assert (found["lost_percent"] < 1.0).mean() >= 0.98
    assert found["lost_percent"].mean() < 0.2
    assert found["angle_covered"].mean() >= 0.83  # 0.849 since cells wider than 30 % are not shown
    assert found["vmg_covered"].mean() >= 0.85


def test_crossovers_lie_on_the_right_side(three_sail_sets):
    crossings = joined(three_sail_sets, 4)
    clear = crossings[crossings["true_gain_percent"].abs() > 3.0]
    assert len(clear) > 100
    assert (clear["true_gain_percent"] > 0).mean() >= 0.95
    sure = crossings[crossings["confidence"] > 0.95]
    assert (sure["true_gain_percent"] > 0).mean() >= 0.95


def test_nothing_is_said_where_nothing_was_sailed(three_sail_sets):
    for blocks, model, cells, _, _ in three_sail_sets:
        for name, part in cells.groupby("sails"):
            own = blocks[blocks["sails"] == name]
            tws, off = own["tws_kn"].to_numpy(), own["twa_deg"].abs().to_numpy()
            for row in part.itertuples():
                near = (np.abs(tws - row.tws_kn) < 2.0) & (np.abs(off - row.twa_deg) < 7.5)
                assert near.any(), (name, row.tws_kn, row.twa_deg)
        assert np.isnan(model.speed_kn(40.0, 90.0)) and np.isnan(model.speed_kn(12.0, 10.0))


@pytest.mark.parametrize(("truth", "days"), [(light_catamaran, 16), (cardioid, 12), (sine, 12)])
def test_other_boats_and_closed_forms(truth, days, monkeypatch):
    import seas.season

    monkeypatch.setattr(seas.season, "choose_sails", lambda rng, angle: "main")
    blocks = season_blocks(truth, days, seed=21)
    _, cells, found, _ = score(truth, blocks, plain="main")
    sailed = cells[(cells["minutes"] >= 10) & (cells["twa_deg"] < 165)]
    assert sailed["error_percent"].abs().median() < 0.9
    assert (sailed["error_percent"].abs() < 3.0).mean() > 0.95
    assert sailed["covered"].mean() > 0.85
    up = found[found["direction"] == "upwind"]
    assert len(up) >= 4 and (up["angle_error_deg"].abs() < 2.0).all()
    if truth in (sine, cardioid):  # 45 and 60 deg (polar_vmg_cases.csv)
        best = 45.0 if truth is sine else 60.0
        assert np.allclose(up["angle_error_deg"].abs(), 0, atol=2.0), best


def test_single_days_where_ten_minutes_were_sailed():
    parts = []
    for seed in range(40, 48):
        blocks = season_blocks(cruiser, 1, Sea(day_sd=0.0), seed=seed, winds=(9, 14))
        parts.append(score(cruiser, blocks)[1])
    cells = pd.concat(parts)
    sailed = cells[cells["minutes"] >= 10]
    assert len(sailed) >= 8
    assert (sailed["error_percent"].abs() < 3.0).all()
    assert cells["covered"].mean() >= 0.88


def test_intervals_are_as_wide_as_a_bootstrap_of_whole_refits():
    """Days drawn again and everything fitted anew: the spread our one-step intervals stand for."""
    from sailanalysis.polar.fit import fit_polar

    blocks = season_blocks(cruiser, 12, Sea(hours=2.0), seed=31)
    model = fit_polar(blocks, sail_sets=False)
    tws, twa = (g.ravel() for g in np.meshgrid([9.0, 11.0, 13.0], [45.0, 90.0, 150.0]))
    low, high = model.interval_kn(tws, twa)
    rng = np.random.default_rng(0)
    days = sorted(blocks["day"].unique())
    by_day = dict(iter(blocks.groupby("day")))
    drawn = []
    for _ in range(30):
        parts = [by_day[d].assign(day=f"2026-{k // 28 + 1:02d}-{k % 28 + 1:02d}")
                 for k, d in enumerate(rng.choice(days, len(days)))]
        drawn.append(fit_polar(pd.concat(parts), sail_sets=False,
                               replicates=2).speed_kn(tws, twa))
    spread = np.nanstd(np.array(drawn), axis=0)
    ratio = (high - low) / (2 * 1.96) / spread
    # ours holds the smoother's bias too, which refitting cannot show: wider, but not by much
    assert 0.85 < np.nanmedian(ratio) < 2.0
