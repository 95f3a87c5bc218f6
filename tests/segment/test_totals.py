"""Time and distance across short gaps, by hand."""

import numpy as np
import pytest

from sailanalysis.segment.totals import distance_nm, spent_seconds

MILE_LAT = 1852.0 / (np.pi / 180 * 6_367_000)  # good to 0.1 % here


def gappy(gap_s, every_s=40, size=4000):
    """One sample a second, and a silence of ``gap_s`` before every fortieth second."""
    time = np.arange(float(size))
    return time[(time % every_s) >= gap_s - 1]


def test_samples_stand_for_short_gaps_but_not_for_long_ones():
    assert spent_seconds([0, 1, 2, 10, 11]).tolist() == [1, 1, 8, 1, 1]
    assert spent_seconds([0, 1, 2, 32, 33]).tolist() == [1, 1, 30, 1, 1]  # just inside
    assert spent_seconds([0, 1, 2, 32.5, 33.5]).tolist() == [1, 1, 1, 1, 1]  # just outside
    assert spent_seconds([0, 60, 120, 240]).tolist() == [60, 60, 120, 60]  # a log of minutes


@pytest.mark.parametrize("gap_s", [5, 8, 11])
def test_gaps_of_some_seconds_lose_neither_time_nor_distance(gap_s):
    time = gappy(gap_s)
    moving = np.ones(time.size, dtype=bool)
    whole = time[-1] - time[0]
    assert spent_seconds(time).sum() == pytest.approx(whole + 1)
    lat = 50.0 + time / 3600.0 * 6.0 * MILE_LAT
    assert distance_nm(time, np.full(time.size, 6.0), moving, lat, np.zeros(time.size)) == \
        pytest.approx(whole / 600.0, rel=1e-3)


def test_the_positions_at_a_gaps_ends_tell_what_was_made_in_it():
    # 6 kn at both ends, but she covered only half of that in twenty seconds: 3 kn for 20 s.
    time = np.array([0.0, 1.0, 21.0, 22.0])
    lat = 50.0 + np.array([0.0, 6.0, 66.0, 72.0]) / 3600.0 * MILE_LAT
    moving = np.ones(4, dtype=bool)
    assert distance_nm(time, np.full(4, 6.0), moving, lat, np.zeros(4)) == pytest.approx(
        72.0 / 3600.0, rel=1e-3)
    assert distance_nm(time, np.full(4, 6.0), moving) == pytest.approx(22 * 6 / 3600.0)
    # A jump of the receiver is no way made.
    lat[2:] += 0.5
    assert distance_nm(time, np.full(4, 6.0), moving, lat, np.zeros(4)) == pytest.approx(22 * 6 / 3600.0)


def test_speed_missing_for_seconds_within_the_log_is_bridged_too():
    time = np.arange(100.0)
    speed = np.full(100, 6.0)
    speed[40:50] = np.nan
    assert distance_nm(time, speed, np.ones(100, dtype=bool)) == pytest.approx(99 * 6 / 3600)
    speed[20:80] = np.nan
    assert distance_nm(time, speed, np.ones(100, dtype=bool)) == pytest.approx(38 * 6 / 3600)


def test_lying_makes_no_way():
    time = np.arange(10.0)
    assert distance_nm(time, np.full(10, 0.3), np.zeros(10, dtype=bool)) == 0.0
    assert np.isnan(distance_nm(time, np.full(10, np.nan), np.ones(10, dtype=bool)))
