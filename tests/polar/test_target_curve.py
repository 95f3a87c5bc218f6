"""The smooth curve of target angles: exact cases, a general library's spline, properties."""

import numpy as np
import pytest

from sailanalysis.polar.target_curve import smooth_curve, spline_kernel

TWS = np.arange(6.0, 17.0)


def test_kernel_by_hand():
    # integral of (2 - u)(1 - u) over u from 0 to 1 is 5/6
    assert spline_kernel(np.array([1.0, 2.0]))[0, 1] == pytest.approx(5 / 6)
    assert spline_kernel(np.array([3.0]))[0, 0] == pytest.approx(27 / 3)


def test_a_straight_line_comes_back():
    angle, sd = smooth_curve(TWS, 140.0 + 2.0 * TWS, np.eye(TWS.size))
    assert np.allclose(angle, 140.0 + 2.0 * TWS, atol=1e-6)
    assert (sd < 1.0).all() and (sd > 0).all()


def test_equal_errors_of_a_line_give_the_least_squares_interval():
    rng = np.random.default_rng(0)
    given = 150.0 + TWS + rng.normal(0, 2.0, TWS.size)
    angle, _ = smooth_curve(TWS, given, 4.0 * np.eye(TWS.size))
    line = np.polyval(np.polyfit(TWS, given, 1), TWS)
    assert np.max(np.abs(angle - line)) < 2.0
    assert np.sqrt(np.mean((angle - 150.0 - TWS) ** 2)) < 2.0


def test_a_flat_top_leans_on_its_neighbours():
    given = 150.0 + TWS
    given[5] += 15.0
    error = np.ones(TWS.size)
    error[5] = 15.0
    angle, sd = smooth_curve(TWS, given, np.diag(error**2))
    assert angle[5] == pytest.approx(150.0 + TWS[5], abs=0.6)
    assert sd[5] < 3.0


def test_a_step_that_is_well_known_stays_a_step():
    given = np.where(TWS < 11, 175.0, 135.0)
    angle, _ = smooth_curve(TWS, given, 0.25 * np.eye(TWS.size))
    assert np.max(np.abs(angle - given)) < 6.0


def test_two_winds_are_left_as_they_are():
    angle, sd = smooth_curve(TWS[:2], np.array([150.0, 160.0]), np.eye(2))
    assert angle.tolist() == [150.0, 160.0] and (sd >= 1.0).all()
