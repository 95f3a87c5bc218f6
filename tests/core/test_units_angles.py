"""Units and angles against published values, by hand, and as properties."""


import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published_cases import published
from pytest import approx

from sailanalysis.core import units
from sailanalysis.core.angles import (
    angle_sd,
    mean_angle,
    resultant_length,
    unwrap,
    wrap180,
    wrap360,
)

UNITS = {r["case"]: float(r["value"]) for r in published("units_density_cases.csv")}
STATS = {r["case"]: r for r in published("statistics_cases.csv")}


@pytest.mark.parametrize(("case", "value"), [
    ("knot", units.KN_TO_MS), ("ms_10", 10 * units.MS_TO_KN),
    ("kn_13", 13 * units.KN_TO_MS), ("foot", units.FOOT_M), ("fathom", units.FATHOM_M),
    ("g", units.GRAVITY_M_S2), ("mph", units.MPH_TO_KN * units.KN_TO_MS),
    ("kmh_knot", 1 / units.KMH_TO_KN),
])
def test_conversions(case, value):  # exact by definition; sources in each row
    assert value == approx(UNITS[case], rel=1e-9)


@given(st.floats(-1e9, 1e9) | st.integers(-9999, 9999).map(lambda turns: 360.0 * turns))
def test_wrapping_is_the_remainder_to_the_last_bit(a):  # numpy.mod
    near = np.array([a, np.nextafter(a, -np.inf), np.nextafter(a, np.inf)])
    remainder = np.mod(near, 360.0)
    assert wrap360(near).tolist() == np.where(remainder >= 360.0, 0.0, remainder).tolist()


def test_circular_means():
    zar = [45, 55, 81, 96, 110, 117, 132, 154]  # Zar, Biostatistical Analysis
    assert mean_angle(zar) == approx(float(STATS["zar_mean"]["value"]), abs=0.5)
    assert resultant_length(zar) == approx(float(STATS["zar_r"]["value"]), abs=2e-5)
    assert angle_sd(zar) == approx(float(STATS["zar_s0"]["value"]), abs=1e-3)
    roulette = [43, 45, 52, 61, 75, 88, 88, 279, 357]  # Mardia and Jupp
    assert mean_angle(roulette) == approx(51, abs=0.5)
    assert resultant_length(roulette) == approx(0.711, abs=6e-4)
    assert mean_angle([355, 5, 15]) == approx(5.0)
    assert mean_angle([350, 10]) % 360 == approx(0.0, abs=1e-9)


def test_no_direction_has_no_mean():
    assert np.isnan(mean_angle([0, 180]))
    assert np.isnan(mean_angle([]))


@given(a=st.floats(-1e4, 1e4), b=st.floats(-1e4, 1e4))
def test_wrapping(a, b):
    assert 0 <= float(wrap360(a)) < 360
    assert -180 < float(wrap180(a)) <= 180
    turn = float(wrap180(b - a))
    assert abs(float(wrap180(a + turn - b))) < 1e-6 or abs(abs(turn) - 180) < 1e-6


@given(st.lists(st.floats(-170, 170), min_size=2, max_size=40), st.floats(-720, 720))
def test_unwrap_keeps_steps_and_directions(steps, start):
    track = start + np.concatenate([[0], np.cumsum(steps)])
    again = unwrap(wrap360(track))
    assert np.diff(again) == approx(np.array(steps), abs=1e-6)


def test_unwrap_steps_over_missing():
    assert unwrap([350, np.nan, 10])[[0, 2]] == approx([350, 370])
