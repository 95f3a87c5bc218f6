"""What a masthead's motion and a track's gaps leave of the wind, by hand."""

import numpy as np
import pytest
from pytest import approx

from sailanalysis.wind.mast import masthead_velocity_kn, share_that_shows
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
