"""Days whose physics the calibration does not suppose: wide intervals, no confident error."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from seas.calibration_rough import draw, sail

from sailanalysis.calibrate.blocks import Seconds
from sailanalysis.calibrate.estimate import estimate_calibration
from sailanalysis.condition import condition
from sailanalysis.core.model import Boat
from sailanalysis.wind import wind_and_water
from sailanalysis.wind.heading import find_north


def calibrated(day):
    cond = condition(day.raw, Boat())
    samples, _, _ = wind_and_water(cond, Boat())
    return estimate_calibration(samples, cond, Boat()).estimates


def test_without_heel_leeway_does_not_pass_for_speed_or_compass():
    world = replace(draw(3), hours=2.0, rate_hz=1.0, plan="mixed", leeway="k", motor_min=0.0,
                    deviation_deg=0.0, paddle_apart=0.0, missing=("heel_deg",), heel_most_deg=20.0)
    for seed in (3, 5):
        day = sail(seed, world)
        found = calibrated(day)
        assert not found["leeway_k"].determined  # a coefficient of heel needs heel
        for name in ("stw_factor", "heading_offset_deg"):
            half = 0.5 * (found[name].high - found[name].low)
            assert abs(found[name].value - day.truth[name]) < 1.5 * half


@pytest.mark.parametrize("zero_deg", [-0.8, 0.8])
def test_a_heel_sensor_off_zero_does_not_pass_for_a_compass_error(zero_deg):
    world = replace(draw(3), hours=2.0, rate_hz=1.0, plan="mixed", leeway="k", motor_min=0.0,
                    deviation_deg=0.0, paddle_apart=0.0, missing=(), heel_most_deg=20.0)
    for seed in (3, 5, 7):
        day = sail(seed, world)
        off = np.mean(day.raw.of("heel_deg")[0].value) - np.mean(day.true["heel_deg"])
        streams = tuple(replace(s, value=s.value - off + zero_deg) if s.channel == "heel_deg" else s
                        for s in day.raw.streams)
        found = calibrated(replace(day, raw=replace(day.raw, streams=streams)))
        compass = found["heading_offset_deg"]
        assert compass.determined
        assert compass.low < day.truth["heading_offset_deg"] < compass.high


def test_a_wheel_that_differs_by_tack_is_carried_without_a_heel_sensor():
    data = Seconds(
        time_s=np.arange(4.0), stw_kn=np.full(4, 6.0), hdg_deg=np.zeros(4),
        awa_deg=np.array([30.0, -30.0, np.nan, 30.0]), aws_kn=np.full(4, 12.0),
        heel_deg=np.full(4, np.nan), ground_kn=np.zeros(4, dtype=complex),
        slow_heel_deg=np.array([np.nan, np.nan, np.nan, 12.0]), slow_stw_kn=np.full(4, 6.0),
        has_sails=np.ones(4, dtype=bool), doubtful=np.zeros(4, dtype=bool),
        board=np.zeros(4, dtype=np.intp), board_names=(), upright_deg=np.nan, start=np.zeros(1, dtype=np.intp),
        middle_s=np.array([1.5]), seconds=np.array([4.0]))
    # Wind from starboard leans her to port; a heel sensor knows better than the wind.
    assert data.leaning.tolist() == [-1.0, 1.0, 0.0, 1.0]


@pytest.mark.parametrize(("off_deg", "origin"), [(0.0, "log"), (-6.0, "model")])
def test_a_logged_variation_of_zero_stays_where_the_track_agrees(off_deg, origin):
    # Off Cape Town the model gives some 25 deg west (chart, from memory).
    n = 600
    cog = np.full(n, 100.0)
    true_variation = off_deg * 4.0
    samples = pd.DataFrame({
        "lat": -34.0, "lon": 18.0, "variation_deg": 0.0, "sog_kn": 6.0, "cog_deg": cog,
        "hdg_mag_deg": cog - true_variation,
    }, index=pd.date_range("2026-06-01", periods=n, freq="1s", tz="UTC"))
    assert find_north(samples).origin == origin


@pytest.mark.slow
def test_intervals_hold_on_rough_days():
    ratio = []
    for seed in range(30, 54):
        day = sail(seed, replace(draw(seed), rate_hz=1.0, hours=min(draw(seed).hours, 3.0)))
        ratio += [abs(e.value - day.truth[name]) / (0.5 * (e.high - e.low))
                  for name, e in calibrated(day).items()
                  if e.determined and name in day.truth]
    # Of some 70 values; before those nuisances were carried, 82 % were held and 8 % were far off.
    assert len(ratio) > 40
    assert np.mean(np.array(ratio) <= 1.0) > 0.85
    assert np.mean(np.array(ratio) > 1.5) < 0.04
