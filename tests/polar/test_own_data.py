"""A surface passes through the data that made it, or says nothing."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from seas.drawn_boats import KINDS, days_of, draw_hull, draw_sailing

from sailanalysis.polar import stage
from sailanalysis.polar.fit import fit_polar, polar_table
from sailanalysis.polar.offsets import local_quantile, weighted_quantile
from sailanalysis.polar.own_data import falls_with_wind, is_missed, misses, refused


def test_weighted_median_by_hand():
    # middles of the weights at 0.5, 1.5 and 3 of 4: half of 4 lies a third of the way from 2 to 3
    assert weighted_quantile(np.array([3.0, 1.0, 2.0]), np.array([2.0, 1.0, 1.0]), 0.5) == \
        pytest.approx(2 + 1 / 3)


def test_with_even_weights_the_quantile_is_hazens():
    x = np.random.default_rng(0).normal(size=101)
    for q in (0.1, 0.5, 0.9):  # Hyndman and Fan 1996, definition 5, as numpy has it
        assert weighted_quantile(x, np.ones(101), q) == pytest.approx(
            np.quantile(x, q, method="hazen"))


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10_000), st.integers(8, 60), st.floats(0.02, 0.98))
def test_a_local_quantile_lies_among_its_data(seed, count, quantile):
    rng = np.random.default_rng(seed)
    value = rng.standard_t(1.5, count)  # tails as wild as can be
    found = local_quantile(rng.uniform(3, 25, count), rng.uniform(20, 180, count), value,
                           rng.uniform(0.1, 1, count), quantile)
    low, high = value.min() - 1e-9, value.max() + 1e-9
    assert low <= found.value.min() and found.value.max() <= high
    inside = found.at(rng.uniform(0, 40, 20), rng.uniform(-180, 180, 20))
    assert ((low <= inside) & (inside <= high)).all()


def region(miss, legs=5, noise=0.02, leg_sd=0.0):
    """One region of 20 blocks all of whose data lie ``miss`` off."""
    n = 20
    return misses(np.full(n, 10.0), np.full(n, -45.0), np.full(n, "all", dtype=object),
                  np.arange(n) % legs, np.full(n, 30.0), np.full(n, miss), leg_sd, noise)


def test_a_miss_counts_beyond_three_standard_errors():
    # a median of 20 blocks of 2 %: 1.2533 * 0.02 / sqrt(20) = 0.5605 %; thrice that is 1.681 %
    assert not is_missed(region(0.0168)).any()
    assert is_missed(region(-0.0169)).all()
    # five legs that differ by 1 % more: 3 * hypot(0.5605, 1 / sqrt(5)) = 2.15 %
    assert not is_missed(region(0.0214, leg_sd=0.01)).any()
    assert is_missed(region(0.0216, leg_sd=0.01)).all()


def test_no_miss_above_three_per_cent_is_excused_nor_one_that_is_no_number():
    assert not is_missed(region(0.0299, legs=1, leg_sd=0.05)).any()
    assert is_missed(region(0.0301, legs=1, leg_sd=0.05)).all()
    assert is_missed(region(np.nan)).all()


def test_what_is_refused_is_the_region():
    silent = refused(region(0.1), np.array([7.5, 8.0, 12.0, 12.5]), np.array([29.0, 30, 60, 61]), "all")
    assert silent.tolist() == [[False] * 4, [False, True, True, False],
                               [False, True, True, False], [False] * 4]


def test_more_wind_slows_no_boat():
    tws = np.arange(6.0, 15.0, 0.5)
    speed = np.tile(np.where(tws < 9.0, 6.0, 5.0)[:, None], (1, 2))
    half = np.full(speed.shape, 0.5)
    half[:, 1] = 0.8  # hypot 1.13: not sure
    falls = falls_with_wind(speed, half, tws)
    # 9, 9.5, 10 and 10.5 kn against 7 to 8.5 kn: slower by 1.0, beyond hypot 0.71
    assert tws[falls[:, 0]].tolist() == [9.0, 9.5, 10.0, 10.5]
    assert not falls[:, 1].any()
    assert not falls_with_wind(speed, half, tws + 6.0).any()  # there reefs and sea may slow her


def sailed(seed):
    from pandas import concat

    from sailanalysis.segment.steady import steady_averages

    rng = np.random.default_rng(seed)
    hull = draw_hull(KINDS[seed % 4], rng)
    return hull, concat([steady_averages(*d[1:], day=d[0])
                         for d in days_of(hull, draw_sailing(rng, False), 1, seed)])


def test_a_median_that_ended_far_from_its_data_is_not_published(monkeypatch):
    _, blocks = sailed(4)
    whole = polar_table(fit_polar(blocks))
    assert len(whole) > 10
    right = stage.local_quantile

    def astray(*args):
        found = right(*args)
        return replace(found, value=found.value + 0.58)

    monkeypatch.setattr(stage, "local_quantile", astray)
    model = fit_polar(blocks)
    assert model.notes["refused_regions"] == model.notes["regions"] > 3
    # what is left lies where too few half-minutes were sailed for a median of their own
    assert polar_table(model)["minutes"].sum() < 0.2 * whole["minutes"].sum()


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_drawn_days_are_passed_through(seed):
    _, blocks = sailed(seed)
    model = fit_polar(blocks)
    share = blocks["stw_kn"].to_numpy(float) / model.speed_kn(blocks["tws_kn"], blocks["twa_deg"])
    assert abs(np.nanmedian(share) - 1) < 0.01
    surface = model.surfaces["all"]
    known = np.isfinite(surface.median_kn)
    assert (surface.best_kn[known] > surface.median_kn[known]).all()
