"""Leads or follows, corrects twice, wind or compass, the boat's turning: closed-form signals."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from sailanalysis.core.model import Boat
from sailanalysis.helm.response import (
    Turning,
    _leads_or_follows,
    cross_lag_s,
    estimate_turning,
    infer_rudder,
    over_correction,
    wind_or_compass,
)
from sailanalysis.helm.steering import nomoto_yaw_deg_s


def smooth_noise(rng, n, rate, hz=0.3):
    from scipy.signal import butter, sosfiltfilt

    x = sosfiltfilt(butter(2, hz / (rate / 2), output="sos"), rng.standard_normal(n))
    return x / x.std()


@pytest.mark.parametrize("lag", [-1.0, 0.0, 0.7, 2.5])
def test_lag_is_found(lag):
    rng = np.random.default_rng(4)
    rate, n = 5.0, 300
    first, second = [], []
    for _ in range(20):
        x = smooth_noise(rng, n + 60, rate)
        t = np.arange(n + 60) / rate
        first.append(x[30:30 + n])
        second.append(np.interp(t[30:30 + n] - lag, t, x) + 0.3 * rng.standard_normal(n))
    estimate, strength = cross_lag_s(first, second, rate, 6.0)
    assert estimate.value == approx(lag, abs=0.1)
    assert estimate.low <= lag + 0.1
    assert estimate.high >= lag - 0.1
    assert strength > 0.8


def steered(gain, restless, seed=0):
    """A first-order boat in waves, a helm who answers her turning half a second late, and fidgets."""
    rng = np.random.default_rng(seed)
    rate, n, K, T, late = 5.0, 9000, 0.3, 1.5, 3
    sea = 3.0 * smooth_noise(rng, n, rate, 0.25)
    own = restless * smooth_noise(rng, n, rate, 0.25)
    turn, rudder = np.zeros(n), np.zeros(n)
    for i in range(late, n):
        rudder[i] = own[i] - gain * turn[i - late]
        turn[i] = turn[i - 1] + ((K * (rudder[i] + sea[i])) - turn[i - 1]) / T / rate
    cut = range(0, n - 300, 300)
    return ([turn[a:a + 300] - turn[a:a + 300].mean() for a in cut],
            [-(rudder[a:a + 300] - rudder[a:a + 300].mean()) for a in cut], rate)


def test_answering_the_boat_and_turning_her_are_told_apart():
    lag, words = _leads_or_follows(*steered(gain=2.0, restless=0.2))
    assert words == "follows"
    assert lag.value == approx(0.6, abs=0.15)
    lag, words = _leads_or_follows(*steered(gain=0.2, restless=4.0))
    assert words == "leads"
    assert -2.0 < lag.value < -0.3


def test_unrelated_signals_have_no_lag():
    rng = np.random.default_rng(5)
    first = [smooth_noise(rng, 300, 5.0) for _ in range(12)]
    second = [smooth_noise(rng, 300, 5.0) for _ in range(12)]
    assert not cross_lag_s(first, second, 5.0, 6.0)[0].known


def test_over_correction_of_pure_swings_and_of_single_corrections():
    t = np.arange(0, 600, 0.2)
    assert over_correction([3 * np.sin(2 * np.pi * t / 9 + 0.2)], 5.0).value == approx(1.0)
    single = np.where(t % 20 < 4, 3.0, -0.3)
    assert over_correction([single], 5.0).value == approx(0.0)
    assert not over_correction([0.2 * np.sin(t)], 5.0).known


def test_wind_or_compass():
    """Wind shifts of 5 deg: steering by wind moves the heading, by compass the wind angle."""
    rng = np.random.default_rng(6)
    still = [0.3 * smooth_noise(rng, 6000, 4.0, 0.02) for _ in range(4)]
    shift = [5.0 * smooth_noise(rng, 6000, 4.0, 0.01) for _ in range(4)]
    assert wind_or_compass(still, shift, 4.0)[1] == "wind"
    assert wind_or_compass(shift, still, 4.0)[1] == "compass"
    other = [5.0 * smooth_noise(rng, 6000, 4.0, 0.01) for _ in range(4)]
    assert wind_or_compass(other, shift, 4.0)[1] == ""


def test_turning_response_from_maneuvers():
    """Zigzags of a first-order boat with K 0.4 1/s and T 1.5 s."""
    rate = 10.0
    rudder = np.zeros(6000)
    starts = np.arange(300, 5700, 600)
    for k, a in enumerate(starts):
        rudder[a:a + 80] = 18.0 * (-1) ** k
    heading = np.cumsum(nomoto_yaw_deg_s(rudder, rate, 0.4, 1.5)) / rate
    index = pd.date_range("2031-06-01", periods=6000, freq="100ms", tz="UTC")
    samples = pd.DataFrame({"hdg_deg": heading % 360, "stw_kn": 6.0}, index=index)
    maneuvers = pd.DataFrame({"start": index[starts], "end": index[starts + 150]})
    turning = estimate_turning(samples, maneuvers, rudder)
    assert turning.K_per_s.value == approx(0.4, rel=0.05)
    assert turning.T_s.value == approx(1.5, rel=0.25)
    assert turning.measured
    assert estimate_turning(samples, maneuvers.iloc[:2], rudder) is None


def test_inferred_rudder_gives_the_slow_rudder_back():
    rate = 5.0
    t = np.arange(0, 600, 1 / rate)
    rudder = 4 * np.sin(2 * np.pi * 0.03 * t)
    turning = Turning.usual(Boat(lwl_m=10.0))
    heading = np.cumsum(nomoto_yaw_deg_s(rudder, rate, turning.K_per_s.value,
                                         turning.T_s.value)) / rate
    index = pd.date_range("2031-06-01", periods=t.size, freq="200ms", tz="UTC")
    got = infer_rudder(pd.DataFrame({"hdg_deg": (heading + 350) % 360}, index=index), turning,
                       rate)
    inside = slice(300, -300)
    assert got[inside] == approx(rudder[inside], abs=0.4)
