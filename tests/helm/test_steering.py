"""Measures of steering against published definitions and closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from published_cases import published
from pytest import approx

from sailanalysis.helm.steering import (
    band_pass_rate,
    extra_distance_normal,
    low_pass,
    noise_variance,
    nomoto_yaw_deg_s,
    power_spectrum,
    reversal_rate_per_min,
    reversals,
    rms,
    slow_mean,
    to_work_rate,
)

CASES = {row["case"]: row for row in published("steering_cases.csv")}
SEQUENCES = {"baseline": "baseline_deg", "visual": "visual_task_deg",
             "cognitive": "cognitive_task_deg"}


def case(prefix):
    return [row for name, row in CASES.items() if name.startswith(prefix)]


@pytest.mark.parametrize("row", [r for s in SEQUENCES for r in case(f"swrr_{s}")],
                         ids=lambda r: r["case"])
def test_reversal_rate_of_recorded_sequences(row):
    """Markkula and Engstrom 2006; SAE J2944: gap, filter and count of three recordings."""
    _, name, gap, cut = row["case"].split("_")
    angle = [float(r[SEQUENCES[name]]) for r in published("swrr_test_sequences.csv")]
    got = reversal_rate_per_min(angle, 30.0, float(gap[1:]),
                                None if cut == "nofilter" else float(cut[1:]))
    assert got == approx(float(row["value"]), abs=float(row["tolerance"]))


@pytest.mark.parametrize("row", case("swrr_sine"), ids=lambda r: r["case"])
def test_reversal_rate_of_sines(row):
    """Theory: 120 f a minute when twice the amplitude exceeds the gap, else none."""
    parts = row["case"].split("_")
    amplitude, f, gap = float(parts[2][1:]), float(parts[3][1:]), float(parts[4][3:])
    seconds = float(row["inputs"].split("rad, ")[1].split(" s")[0])
    t = np.arange(round(seconds * 10) + 1) / 10
    angle = amplitude * np.sin(2 * np.pi * f * t + 0.3)
    assert reversal_rate_per_min(angle, 10.0, gap, None) == approx(float(row["value"]), abs=0.01)


def test_low_pass_is_the_published_filter():
    """Coefficients of GetButterworthFilter.m (Markkula and Engstrom 2006), both ways."""
    from scipy.signal import filtfilt

    b0, a1 = float(CASES["butter_0.6_30_b0"]["value"]), float(CASES["butter_0.6_30_a1"]["value"])
    b = np.array([b0, 2 * b0, b0])
    a = np.array([1.0, a1, 4 * b0 - 1 - a1])
    x = np.cumsum(np.random.default_rng(0).standard_normal(400))
    assert low_pass(x, 30.0, 0.6) == approx(filtfilt(b, a, x, padlen=6), abs=1e-8)


@pytest.mark.parametrize("rate_hz", [0.9, 1.0, 4.0, 10.0])
@pytest.mark.parametrize("size", [11, 300, 20000])
def test_low_pass_is_the_library_s(rate_hz, size):  # scipy.signal.butter and filtfilt
    from scipy.signal import butter, filtfilt

    x = 100 + np.cumsum(np.random.default_rng(1).standard_normal(size))
    expected = filtfilt(*butter(2, 0.4 / (rate_hz / 2)), x, padlen=6)
    assert low_pass(x, rate_hz, 0.4) == approx(expected, rel=1e-12)


@pytest.mark.parametrize("rate_hz", [0.9, 1.0, 1.5, 2.0, 3.9])
def test_interpolation_is_the_library_s(rate_hz):  # scipy.signal.resample_poly
    from scipy.signal import resample_poly

    x = 50 + np.cumsum(np.random.default_rng(2).standard_normal(300))
    fine, fine_hz = to_work_rate(x, rate_hz)
    up = round(fine_hz / rate_hz)
    expected = resample_poly(x, up, 1, window=("kaiser", 5.0), padtype="line")
    assert fine == approx(expected[:fine.size], rel=1e-12)


@pytest.mark.parametrize("row", case("elong_gauss"), ids=lambda r: r["case"])
def test_extra_distance_of_normal_errors(row):
    sd = float(row["case"].rsplit("_", 1)[1])
    assert 1 / (1 + extra_distance_normal(sd)) == approx(float(row["value"]), abs=1e-7)


def test_extra_distance_coefficients():
    """0.0152 % a square degree of mean square (from memory)."""
    assert 100 * extra_distance_normal(1.0) == approx(
        float(CASES["elong_coef_meansquare"]["value"]), abs=5e-5)


@pytest.mark.parametrize("row", [r for r in case("nomoto_") if "_r_" in r["case"]],
                         ids=lambda r: r["case"])
def test_nomoto_step(row):
    """van Amerongen 1982 models, as collected in cybergalactic/MSS: yaw rate after a step."""
    at = float(row["case"].rsplit("_", 1)[1])
    K, T = {"zeefakkel_U5": (0.5, 31.0), "zeefakkel_U3.6": (0.29, 33.0),
            "frigate_U12": (0.23, 21.0), "yacht_like": (0.5, 2.0)}[
        row["case"].removeprefix("nomoto_").split("_r_")[0]]
    rate = 10.0
    turn = nomoto_yaw_deg_s(np.full(round(at * rate) + 1, 5.0), rate, K, T)
    assert turn[-1] == approx(float(row["value"]), abs=2e-6)


@pytest.mark.parametrize(("amplitude", "f"), [(5, 0.1), (2, 0.5), (12, 0.05)])
def test_rms_and_rate_of_a_sine(amplitude, f):
    """A/sqrt(2) and 2 pi f A/sqrt(2); the rate by the band-limited derivative at 1 and at 10 Hz."""
    want = float(CASES[f"sine_rms_A{amplitude}_f{f}"]["value"])
    rate_rms = float(CASES[f"sine_rmsrate_A{amplitude}_f{f}"]["value"])
    for rate in (10.0, 4.0, 2.0):
        t = np.arange(0, 400, 1 / rate)
        x = amplitude * np.sin(2 * np.pi * f * t)
        assert rms(x[: round(20 / f * rate)]) == approx(want, rel=1e-2)
        if f < 0.45:
            fine, fine_hz = to_work_rate(x, rate)
            turning = band_pass_rate(fine, fine_hz, 1 / 60, 0.4)
            inside = slice(round(60 * fine_hz), -round(60 * fine_hz))
            assert rms(turning[inside]) == approx(rate_rms, rel=0.01)


def test_band_pass_rate_stops_outside_the_band():
    t = np.arange(0, 300, 0.1)
    turning = band_pass_rate(4 * np.sin(2 * np.pi * 0.8 * t), 10.0, 1 / 60, 0.4)
    assert rms(turning[600:-600]) < 0.02


@settings(deadline=None, max_examples=40)
@given(st.lists(st.floats(-20, 20), min_size=20, max_size=60), st.floats(0.2, 3.0),
       st.floats(-10, 10))
def test_reversals_do_not_care_about_offset_or_side(values, gap, offset):
    x = np.round(np.array(values), 3)
    count = len(reversals(x, gap))
    assert len(reversals(-x, gap)) == count
    assert len(reversals(x + round(offset), gap + 1e-9)) == len(reversals(x, gap + 1e-9))


@settings(deadline=None, max_examples=40)
@given(st.lists(st.floats(-20, 20), min_size=20, max_size=60), st.floats(0.2, 3.0))
def test_a_wider_gap_never_counts_single_movements_smaller_than_it(values, gap):
    x = np.array(values)
    for start, end in reversals(x, gap):
        assert abs(x[end] - x[start]) > gap


def test_slow_mean_of_a_line_is_the_line_inside():
    x = np.linspace(0, 10, 1001)
    assert slow_mean(x, 10.0, 20.0)[200:-200] == approx(x[200:-200], abs=1e-9)


def test_spectrum_integrates_to_the_variance():
    rng = np.random.default_rng(1)
    x = rng.standard_normal(60000)
    f, power = power_spectrum([x], 10.0)
    assert np.trapezoid(power, f) == approx(1.0, rel=0.05)


@pytest.mark.parametrize("sd", [0.05, 0.3])
def test_noise_floor_of_a_fast_sensor(sd):
    """A 0.1 Hz helm under white noise: the floor is the noise, not the helm."""
    rng = np.random.default_rng(2)
    t = np.arange(0, 1200, 0.1)
    x = 4 * np.sin(2 * np.pi * 0.1 * t) + sd * rng.standard_normal(t.size)
    assert noise_variance([x], 10.0) == approx(sd**2, rel=0.15)


def test_noise_floor_of_a_coarse_slow_sensor_is_its_step():
    t = np.arange(0, 1200, 1.0)
    x = np.round(6 * np.sin(2 * np.pi * 0.03 * t))
    assert noise_variance([x], 1.0) == approx(1 / 12, rel=1e-6)


def test_a_still_rudder_has_no_noise():
    assert noise_variance([np.full(1000, 2.0)], 10.0) == 0.0
