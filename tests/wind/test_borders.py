"""What a masthead's motion and a track's gaps leave of the wind, by hand."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from sailanalysis.wind.mast import masthead_velocity_kn, share_that_shows
from sailanalysis.wind.track import TrackWind, _sternway
from sailanalysis.wind.variation import variation_along, variation_deg

T = np.arange(0.0, 300.0, 0.25)


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("level", [8.0, 20.0])
def test_the_share_of_the_motion_is_that_of_its_quick_part(share, level):
    # The wind's own level and a slow change of it are none of the mast's motion.
    moved = 2.0 * np.sin(2 * np.pi * T / 4.0)
    seen = level + 0.02 * T + share * moved
    assert share_that_shows(T, seen, moved) == approx(share, abs=0.01)


def test_a_share_lies_between_none_and_all_and_needs_a_motion():
    moved = 2.0 * np.sin(2 * np.pi * T / 4.0)
    assert share_that_shows(T, 3.0 * moved, moved) == 1.0
    assert share_that_shows(T, -moved, moved) == 0.0
    assert share_that_shows(T, 0.01 * moved, 0.01 * moved) in (0.0, 1.0)


def test_rolling_to_starboard_carries_the_masthead_to_starboard():
    # 1 deg a second at 10 m is 0.1745 m/s, 0.339 kn; bow up carries it aft.
    heel, trim = T * 0.0 + 1.0 * (T - 150.0) / 10.0, np.zeros(T.size)
    ahead, abeam = masthead_velocity_kn(T, heel, trim, 10.0, 2.0)
    assert abeam[600] == approx(np.radians(0.1) * 10.0 / 0.514444, rel=1e-3)
    assert ahead[600] == approx(0.0, abs=1e-9)
    ahead, abeam = masthead_velocity_kn(T, trim, heel, 10.0, 2.0)
    assert ahead[600] == approx(-np.radians(0.1) * 10.0 / 0.514444, rel=1e-3)
    assert abeam[600] == approx(0.0, abs=1e-9)


def test_a_position_without_longitude_is_none():
    when = 1_750_000_000.0 + np.arange(4.0)
    lat, lon = np.array([55.0, 55.0, 55.0, 40.0]), np.array([12.0, 12.0, 12.0, np.nan])
    want = variation_deg(55.0, 12.0, 2025.46)
    assert variation_along(lat, lon, when) == approx(np.full(4, want), abs=0.01)
    assert np.isnan(variation_along(lat, np.full(4, np.nan), when)).all()


def courses(*stretches):
    """Courses once a second, a NaN where she has no way."""
    return np.concatenate([np.full(seconds, float(course)) for seconds, course in stretches])


NONE = float("nan")


@pytest.mark.parametrize(("stretches", "backing"), [
    # Wind from 030: 345 is 45 deg off to starboard, 075 to port; 210 is dead astern.
    ([(20, 345), (5, 210), (20, 75)], range(20, 25)),  # comes out on the other side: a tack
    ([(20, 345), (5, 210), (20, 345)], ()),  # back on the old side: a bear-away
    ([(20, 345), (3, NONE), (5, 210), (3, NONE), (20, 345)], range(23, 28)),  # stopped before, after
    ([(5, 210), (20, 75)], ()), ([(20, 345), (5, 210)], ()),  # nothing before, nothing after
    ([(20, 75), (5, 210), (20, 345)], range(20, 25))])
def test_sternway_lies_between_two_courses_to_windward(stretches, backing):
    course = courses(*stretches)
    n = course.size
    wind = TrackWind(True, 30.0, 25.0, 35.0, pd.DataFrame(), np.arange(float(n)), np.full(n, 30.0),
                     np.full(n, 3.0), np.zeros(n))
    assert np.flatnonzero(_sternway(wind, course)).tolist() == list(backing)


@pytest.mark.parametrize(("seconds", "tacked", "backs"), [
    (15, True, True), (16, True, False),
    (30, False, True), (31, False, False)])
def test_sternway_is_soon_over(seconds, tacked, backs):
    gap = () if tacked else ((2, NONE),)
    course = courses((20, 345), *gap, (seconds, 210), *gap, (20, 75 if tacked else 345))
    n = course.size
    wind = TrackWind(True, 30.0, 25.0, 35.0, pd.DataFrame(), np.arange(float(n)), np.full(n, 30.0),
                     np.full(n, 3.0), np.zeros(n))
    # A stretch of n samples lasts n - 1 seconds.
    assert _sternway(wind, course).any() == backs
