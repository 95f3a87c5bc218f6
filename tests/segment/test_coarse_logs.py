"""A log with a row every few seconds, or every minute, gives blocks of the same sailing."""

import numpy as np
import pytest
from seas.drawn_boats import days_of, draw_hull, draw_sailing

from sailanalysis.polar import fit_polar, polar_table
from sailanalysis.segment.steady import LEAST_ROWS, steady_averages


@pytest.fixture(scope="module")
def day():
    rng = np.random.default_rng(703)
    hull = draw_hull("cruiser", rng)
    return next(iter(days_of(hull, draw_sailing(rng, False), 1, 703, (10.0, 12.0))))


@pytest.mark.parametrize("step_s", [5, 10, 30, 60])
def test_a_thinned_log_has_the_same_minutes_and_the_same_polar_within_its_interval(day, step_s):
    date, samples, legs, maneuvers = day
    every = steady_averages(samples, legs, maneuvers, day=date)
    thin = steady_averages(samples.iloc[::step_s], legs, maneuvers, day=date)
    assert thin["seconds"].sum() > 0.8 * every["seconds"].sum()
    assert (thin["seconds"] >= LEAST_ROWS * step_s).all()
    whole, table = fit_polar(every), polar_table(fit_polar(thin), ["all"])
    at = whole.speed_kn(table["tws_kn"], table["twa_deg"])
    known = np.isfinite(at)
    assert known.sum() >= 5
    inside = (table["stw_kn_low"] <= at) & (at <= table["stw_kn_high"])
    assert inside[known].mean() > 0.9


def test_two_rows_make_no_block(day):
    date, samples, legs, maneuvers = day
    assert len(steady_averages(samples.iloc[::300], legs, maneuvers, day=date)) == 0
