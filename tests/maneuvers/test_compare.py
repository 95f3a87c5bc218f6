"""Comparisons: against a reference library, and no more claimed than the count allows."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats as reference
from seas.maneuvers import polar_of, sail_all, varied
from statsmodels.stats.multitest import multipletests

from sailanalysis.core.model import Boat
from sailanalysis.maneuvers import find_legs, find_maneuvers
from sailanalysis.maneuvers.anatomy import PARTS
from sailanalysis.maneuvers.compare import (
    holm,
    median_interval,
    patterns,
    rank_correlation,
    telling_parts,
)
from sailanalysis.maneuvers.rate import rate_maneuvers
from sailanalysis.report.day.maneuvers import pattern_words, telling_words


@pytest.mark.parametrize("seed", range(5))
def test_rank_correlation_agrees_with_scipy(seed):
    rng = np.random.default_rng(seed)
    x = np.round(rng.normal(size=25), 1)  # ties
    y = 0.5 * x + rng.normal(size=25)
    rho, low, high, p = rank_correlation(x, y)
    want = reference.spearmanr(x, y)
    assert rho == pytest.approx(want.statistic) and p == pytest.approx(want.pvalue)
    assert low < rho < high


def test_rank_interval_by_hand():
    # Bonett and Wright (2000): tanh(atanh(r) -+ 1.96 sqrt((1 + r^2/2) / (n - 3))); r = 0.5, n = 28:
    # 0.549306 -+ 0.415778 by hand.
    x = np.arange(28.0)
    rng = np.random.default_rng(0)
    best = min((rng.permutation(28).astype(float) for _ in range(300)),
               key=lambda y: abs(rank_correlation(x, y)[0] - 0.5))
    rho, low, high, _ = rank_correlation(x, best)
    half = 1.959964 * np.sqrt((1 + rho**2 / 2) / 25)
    assert (low, high) == pytest.approx(tuple(np.tanh(np.arctanh(rho) + np.array([-half, half]))))
    assert (low, high) == pytest.approx((0.1328, 0.7467), abs=0.02)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12))
def test_holm_agrees_with_statsmodels(p):
    assert holm(np.array(p)) == pytest.approx(multipletests(p, method="holm")[1])


def test_holm_steps_over_the_unknown():
    assert holm(np.array([0.01, np.nan, 0.04])) == pytest.approx([0.02, np.nan, 0.04], nan_ok=True)


def test_median_interval_by_hand():
    # Ten values: P(fewer than 2 below the median) = (1 + 10) / 1024 = 0.0107 < 0.025, so ranks
    # 2 and 9 (David and Nagaraja 2003, section 7.1).
    assert median_interval(np.arange(1.0, 11.0)) == (5.5, 2.0, 9.0)
    assert np.isnan(median_interval(np.arange(5.0))[1])


def turns(n, seed, **traits):
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame({"kind": "tack", "loss_s": rng.gamma(4.0, 2.0, n), "loss_m": 0.0})
    for name in ("entry_share", "turn_s", "unevenness", "over_rotation_deg", "turn_deg", "tws_kn"):
        frame[name] = traits.get(name, rng.normal(size=n))
    return frame


def test_chance_is_rarely_taken_for_a_pattern():
    false = sum(bool(patterns(turns(20, seed))) for seed in range(150))
    assert false <= 0.1 * 150  # 5 % wanted of the whole family


def test_a_real_pattern_is_found_and_told_with_its_number():
    frame = turns(30, 1)
    frame["entry_share"] = -frame["loss_s"] + np.random.default_rng(2).normal(0, 1.5, 30)
    found = patterns(frame)
    assert [p.trait for p in found] == ["entry_share"]
    sentence = pattern_words(found[0])
    assert "slower entry" in sentence and "30 tacks" in sentence
    assert f"{found[0].correlation:+.2f}" in sentence


def test_few_turns_show_no_pattern():
    assert patterns(turns(7, 0).assign(entry_share=np.arange(7.0), loss_s=np.arange(7.0))) == []


def studied(day, change=None):
    samples = day.samples.copy()
    if change is not None:
        change(samples)
    samples["helm"] = "Wren"
    samples["rudder_deg"] = 3.0
    maneuvers = find_maneuvers(samples, Boat())
    legs = find_legs(samples, maneuvers, Boat())
    return rate_maneuvers(samples, maneuvers, legs, polar_of(day.scenario.craft), Boat(loa_m=9.0))


@pytest.fixture(scope="module")
def sailed():
    return sail_all([varied(9, 24.0)])[0]


@pytest.fixture(scope="module")
def study(sailed):
    return studied(sailed)


def test_boat_speed_missing_through_a_tack_leaves_its_anatomy_unknown(sailed, study):
    number = study[1].table["number"].iloc[1]
    row = study[0].loc[number]

    def silence(samples):
        samples.loc[row["start"] - pd.Timedelta("20s"):row["end"] + pd.Timedelta("90s"),
                    "stw_kn"] = np.nan

    _, found = studied(sailed, silence)
    silent = found.table[~np.isfinite(found.table["slowest_kn"])]
    assert len(silent) == 1 and silent[["slowest_share", "slowest_s", "build_90_s"]].isna().all(
        axis=None)
    assert np.isfinite(silent["loss_m"]).all()  # costed from the track


def test_parts_add_up_to_the_loss(study):
    _, found = study
    total = found.table[list(PARTS)].sum(axis=1)
    assert total.to_numpy() == pytest.approx(found.table["loss_m"].to_numpy(), abs=1e-9)


def test_anatomy_tells_what_happened(study):
    table, found = study
    tacks = found.table[found.table["kind"] == "tack"]
    assert (tacks["slowest_share"] < 0.9).all()
    assert (tacks["turn_s"] > 2.0).all() and (tacks["turn_s"] < 40.0).all()
    assert tacks["rudder_rms_deg"].to_numpy() == pytest.approx(3.0)
    known = tacks["build_90_s"].notna() & tacks["build_full_s"].notna()
    assert (tacks["build_full_s"] >= tacks["build_90_s"])[known].all()
    assert table.loc[found.table["number"], "rated"].all()
    mean = found.pooled.set_index(["kind", "helm"])
    assert set(mean.index) == {(kind, helm) for kind in ("tack", "gybe") for helm in ("all", "Wren")}
    assert mean.loc[("tack", "Wren"), "rated"] == (table["rated"] & (table["kind"] == "tack")).sum()


def test_traces_are_aligned_at_the_crossing(study):
    table, found = study
    for number in table.index[table["kind"] == "tack"]:
        trace = found.traces[number]
        at = trace.iloc[trace["t_s"].abs().argmin()]
        assert abs(at["twa_deg"]) < 25.0 and at["x_m"] == 0.0 and at["y_m"] == 0.0
        early, late = trace[trace["t_s"] < -15], trace[trace["t_s"] > 20]
        assert (early["twa_deg"] > 0).all() and late["twa_deg"].median() < 0
        assert early["y_m"].iloc[0] < 0 < late["y_m"].iloc[-1]  # to windward is up


def test_parts_carry_intervals_that_hold_them_and_grow_with_the_whole(study):
    table = study[1].table
    for part in PARTS:
        assert (table[f"{part}_low"] <= table[part]).all() and (table[part] <= table[f"{part}_high"]).all()
    half = sum(((table[f"{part}_high"] - table[f"{part}_low"]) / 2.0) ** 2 for part in PARTS) ** 0.5
    whole = (study[0].loc[table["number"], "loss_m_high"] - table["loss_m"].to_numpy()).to_numpy()
    # Errors of neighbours go together: the parts' alone make a third of the whole's at least.
    assert (half > 0.3 * whole).all() and (half < 2.0 * whole).all()


def parts_of(n, seed, extra):
    """Turns whose parts have errors of 2 m; building differs truly where ``extra`` is given."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame({part: 5.0 + rng.normal(0, 2.0, n) for part in PARTS})
    frame["build_m"] += extra * rng.normal(0, 1, n)
    for part in PARTS:
        frame[f"{part}_low"], frame[f"{part}_high"] = (frame[part] + s * 1.96 * 2.0 for s in (-1, 1))
    return frame.assign(kind="tack", loss_m=frame[list(PARTS)].sum(axis=1))


def test_the_part_that_differs_beyond_its_errors_is_told():
    told = telling_parts(parts_of(14, 3, 8.0), PARTS)
    assert [(t.kind, t.part) for t in told] == [("tack", "build_m")]
    assert told[0].extra_m / told[0].whole_m > 0.5 and told[0].p_corrected < 0.05
    assert "while building speed" in telling_words(told[0])


def test_noise_alone_tells_no_part():
    assert sum(bool(telling_parts(parts_of(14, seed, 0.0), PARTS)) for seed in range(100)) <= 5
    assert telling_parts(parts_of(7, 3, 8.0), PARTS) == []  # too few
