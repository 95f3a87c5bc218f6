"""The leaning, swinging masthead against published geometry."""

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published_cases import published
from pytest import approx

from sailanalysis.core.angles import cosd, sind
from sailanalysis.core.units import MS_TO_KN
from sailanalysis.wind.mast import (
    level_wind,
    masthead_velocity_kn,
    share_that_shows,
    shown_wind,
)

ROWS = published("wind_profile_cases.csv")


@pytest.mark.parametrize("row", [r for r in ROWS if r["case"].startswith("heel_")],
                         ids=lambda r: r["case"])
def test_heeled_vane(row):  # source: tan(shown) = tan(angle) cos(heel); rotation matrices
    numbers = [float(x) for x in re.findall(r"(-?\d+(?:\.\d+)?) deg", row["inputs"])]
    angle, heel = numbers[:2]
    trim = numbers[2] if row["case"].startswith("heel_pitch") else 0.0
    ahead, abeam = shown_wind(cosd(angle), sind(angle), heel, trim)
    assert np.degrees(np.arctan2(abeam, ahead)) == approx(float(row["value"]), abs=1e-5)
    speed, back = level_wind(np.hypot(ahead, abeam), float(row["value"]), heel, trim)
    assert (float(speed), float(back)) == (approx(1.0, abs=1e-6), approx(angle, abs=2e-5))


def test_roll_swings_the_masthead():  # 5 deg/s at 18 m: 1.570796 m/s (omega x r)
    row = next(r for r in ROWS if r["case"] == "roll_velocity")
    time = np.arange(0.0, 10.0, 0.1)
    ahead, abeam = masthead_velocity_kn(time, 5.0 * time - 20.0, None, 18.0, 0.5)
    assert abeam[50] == approx(float(row["value"]) * MS_TO_KN, abs=1e-5)
    assert not ahead.any()


def test_bow_rising_carries_the_masthead_aft():
    time = np.arange(0.0, 10.0, 0.1)
    ahead, _ = masthead_velocity_kn(time, 0.0 * time, 2.0 * time, 10.0, 0.5)
    assert ahead[50] == approx(-np.radians(2.0) * 10.0 * MS_TO_KN)


@given(awa=st.floats(-179, 179), heel=st.floats(-45, 45), trim=st.floats(-10, 10))
def test_levelling_undoes_leaning(awa, heel, trim):
    ahead, abeam = shown_wind(12 * cosd(awa), 12 * sind(awa), heel, trim)
    speed, angle = level_wind(np.hypot(ahead, abeam), np.degrees(np.arctan2(abeam, ahead)), heel,
                              trim)
    assert float(speed) == approx(12.0)
    assert float(np.cos(np.radians(angle - awa))) == approx(1.0)


def test_a_damped_display_shows_no_motion():
    rng = np.random.default_rng(1)
    time = np.arange(0.0, 600.0, 0.25)
    motion = 2.0 * np.sin(2 * np.pi * time / 4.0)
    wind = 10.0 + rng.normal(0, 0.5, time.size)
    assert share_that_shows(time, wind + motion, motion) == approx(1.0, abs=0.05)
    assert share_that_shows(time, wind, motion) < 0.05
    assert share_that_shows(time, wind, 0.0 * motion) == 0.0
