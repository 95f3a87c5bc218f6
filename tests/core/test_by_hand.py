"""Borders of the everyday courses, and of clocks, by hand."""

from itertools import pairwise

import numpy as np
import pytest
from pytest import approx

from sailanalysis.core import series
from sailanalysis.core.points import SECTORS


def test_everyday_courses_follow_one_another_from_close_hauled_to_dead_down():
    names = [name for name, _, _ in SECTORS]
    assert names == ["close-hauled", "close reach", "beam reach", "broad reach", "run"]
    ends = [(low, high) for _, low, high in SECTORS]
    assert all(a[1] == b[0] for a, b in pairwise(ends))
    assert ends[0][0] == 30.0 and ends[-1][1] == 180.0
    usual = {"close-hauled": 45, "close reach": 60, "beam reach": 90, "broad reach": 120, "run": 170}
    for name, low, high in SECTORS:  # common practice
        assert low <= usual[name] < high and high - low >= 22.5


def test_a_clock_of_two_samples_has_a_step_and_of_one_none():
    assert series.step_s([3.0, 5.0]) == 2.0
    assert np.isnan(series.step_s([3.0])) and np.isnan(series.step_s([]))


@pytest.mark.parametrize("jitter", [0.0, 1e-7])
def test_the_ends_of_a_window_count_on_an_uneven_clock(jitter):
    # Within two seconds of 3: 1, 3, 4 and 5; the clock is uneven, so no two windows are alike.
    time = np.array([0.0, 1.0 - jitter, 3.0, 4.0, 5.0 + jitter, 7.5])
    value = np.array([100.0, 1.0, 3.0, 4.0, 5.0, 100.0])
    got = series.running_mean(time, value, 4.0)
    assert got[2] == approx((1.0 + 3.0 + 4.0 + 5.0) / 4)
