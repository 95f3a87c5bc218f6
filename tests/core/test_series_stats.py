"""Series that respect gaps, and statistics against published values."""


import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published_cases import published
from pytest import approx

from sailanalysis.core import series, stats

CASES = {r["case"]: r for r in published("statistics_cases.csv")}


def test_robust_scale():
    assert approx(float(CASES["mad_const"]["value"]), abs=1e-12) == stats.MAD_TO_SD
    # Textbook: 1 1 2 2 4 6 9 has a median absolute deviation of 1.
    assert stats.mad_sd([1, 1, 2, 2, 4, 6, 9]) == approx(stats.MAD_TO_SD)
    # Hampel: the window about the outlier has median 2 and scale 1.4826.
    assert stats.mad_sd([1, 3, 2, 50, 2, 3, 1]) == approx(1.4826, abs=1e-4)


def test_interpolation_never_bridges_a_gap():
    time, value = np.array([0.0, 1, 2, 10, 11]), np.array([0.0, 1, 2, 10, 11])
    got = series.resample(time, value, [0.5, 2.0, 5.0, 10.5], max_gap_s=3.0)
    assert got[[0, 1, 3]] == approx([0.5, 2.0, 10.5])
    assert np.isnan(got[2])


def test_bearings_interpolate_over_north():
    got = series.resample([0.0, 1.0], [350.0, 10.0], [0.5], 2.0, circular=True)
    assert got[0] == approx(0.0)


@given(shift=st.floats(-1000, 1000), level=st.floats(-1e3, 1e3))
def test_running_mean_does_not_know_where_the_day_starts(shift, level):
    time = np.arange(200.0)
    value = np.sin(time / 7) + level
    a = series.running_mean(time, value, 20.0)
    b = series.running_mean(time + round(shift), value, 20.0)
    assert a == approx(b, abs=1e-6)


def test_running_mean_by_hand_leaves_missing_out():
    got = series.running_mean([0, 1, 2, 3, 4], [0, 1, np.nan, 3, 4], 2.0)
    assert got == approx([0.5, 0.5, 2.0, 3.5, 3.5])


def test_slope_of_a_line_is_exact():
    time = np.arange(0.0, 30.0, 0.5)
    assert series.slope_per_s(time, 3.0 * time + 1.0, 5.0) == approx(np.full(60, 3.0))


def test_steps_hold_until_the_next():
    got = series.hold([0.0, 5.0, 10.0, 12.0], [4.0, 10.0], ["a", "b"])
    assert got.tolist() == ["", "a", "b", "b"]


def test_epoch_seconds_survive_any_resolution_and_zone():
    index = series.utc_index([1_750_000_000.25])
    assert series.epoch_s(index)[0] == approx(1_750_000_000.25, abs=1e-6)
    assert series.epoch_s(index.tz_convert("Europe/Berlin").as_unit("ns"))[0] == approx(
        1_750_000_000.25, abs=1e-6)


@pytest.mark.parametrize(("b", "a"), [([0.3], [1.0, -0.7]), ([0.02, 0.04, 0.02], [1.0, -1.6, 0.7])],
                         ids=["first order", "second order"])
def test_recursive_filter_is_the_library_s(b, a):  # scipy.signal.lfilter
    from scipy.signal import lfilter

    x = np.cumsum(np.random.default_rng(3).standard_normal(3000))
    expected = lfilter(b, a, x)
    got = series.recursive_filter(x, b, a)
    assert got == approx(expected, rel=1e-12, abs=1e-12 * np.abs(expected).max())


def test_recursive_filter_at_rest_stays_at_rest():
    assert series.recursive_filter(np.full(9, 4.0), [0.3], [1.0, -0.7], before=4.0) == approx(4.0)
    assert series.recursive_filter([], [0.3], [1.0, -0.7]).size == 0
    # A hole has no answer, and nothing after it has one.
    gone = np.isnan(series.recursive_filter([1.0, np.nan, 1.0], [0.3], [1.0, -0.7]))
    assert gone.tolist() == [False, True, True]


@pytest.mark.parametrize("times", [
    pd.DatetimeIndex(["1970-01-01T00:00:01.5", "1970-01-02"], tz="UTC"),
    pd.DatetimeIndex(["1970-01-01 00:00:01.5", "1970-01-02"]),  # without a zone: UTC
    pd.Series(["1970-01-01T00:00:01.500Z", "1970-01-02T02:00:00+02:00"]),
    pd.Series(pd.DatetimeIndex(["1970-01-01T01:00:01.5", "1970-01-02T01:00"], tz="Europe/Berlin")),
    pd.DatetimeIndex(["1970-01-01 00:00:01.5", "1970-01-02"]).as_unit("ns"),
    pd.DatetimeIndex(["1970-01-01 00:00:01.5", "1970-01-02"]).as_unit("ms"),
], ids=["zoned", "plain", "texts", "berlin", "ns", "ms"])
def test_epoch_s_of_every_form(times):
    assert series.epoch_s(times).tolist() == [1.5, 86400.0]


def test_epoch_s_of_a_missing_time_is_nan():
    got = series.epoch_s(pd.Series(["1970-01-01T00:00:01Z", None]))
    assert got[0] == 1.0 and np.isnan(got[1])
    with pytest.raises(ValueError):
        series.epoch_s(pd.Series(["noon"]))


def test_day_number_and_utc_timestamp():
    assert series.day_number(["1970-01-01", "1970-01-31 b", "1969-12-31"]).tolist() == [0, 30, -1]
    assert np.isnan(series.day_number(["no date"])[0])
    stamp = series.utc_timestamp(1.25)
    assert stamp.isoformat() == "1970-01-01T00:00:01.250000+00:00"
    assert series.epoch_s(pd.DatetimeIndex([stamp])).tolist() == [1.25]


def test_normal_quantiles():  # NIST/SEMATECH e-Handbook, table of the normal distribution: 0.975, 0.95
    from scipy.special import ndtr

    assert ndtr(stats.Z95) - ndtr(-stats.Z95) == approx(0.95, abs=1e-15)
    assert ndtr(stats.Z90) - ndtr(-stats.Z90) == approx(0.90, abs=1e-15)
    assert approx(np.sqrt(np.pi / 2)) == stats.MEDIAN_SE


# ------------------------------------------------------------------ against the plain definition
CLOCKS = {
    "regular": np.arange(0.0, 60.0, 0.5),
    "uneven": np.cumsum(np.tile([0.4, 0.9, 1.3, 0.7], 20)),
    "with a hole": np.concatenate([np.arange(0.0, 20.0), np.arange(40.0, 70.0)]),
    "one sample": np.array([3.0]),
}


def plain_windows(time, window_s):
    """Indices in the window about each sample, never across a hole."""
    run = np.concatenate([[0], np.cumsum(np.diff(time) > 2.5 * np.median(np.diff(time)))]) \
        if time.size > 1 else np.zeros(1)
    return [np.flatnonzero((np.abs(time - t) <= window_s / 2 + 1e-6) & (run == r))
            for t, r in zip(time, run, strict=True)]


@pytest.mark.parametrize("missing", [False, True])
@pytest.mark.parametrize("clock", CLOCKS)
def test_running_mean_is_the_plain_mean(clock, missing):
    time = CLOCKS[clock]
    value = 100.0 + np.sin(time) + 0.1 * time
    if missing:
        value[::3] = np.nan
    for window_s in (0.1, 3.0, 7.7, 500.0):
        expected = []
        for near in plain_windows(time, window_s):
            good = value[near][np.isfinite(value[near])]
            expected.append(good.mean() if good.size else np.nan)
        assert series.running_mean(time, value, window_s) == approx(np.array(expected), nan_ok=True)


@pytest.mark.parametrize("clock", ["regular", "with a hole"])
def test_running_median_and_angle_are_the_plain_ones(clock):
    time = CLOCKS[clock]
    value = np.sin(time) + 0.3 * np.cos(7 * time)
    near = plain_windows(time, 6.0)
    assert series.running_median(time, value, 6.0) == approx(
        np.array([np.median(value[i]) for i in near]))
    angle, weight = 170.0 + 30.0 * value, 1.0 + value**2
    mean = [np.degrees(np.angle(np.sum(weight[i] * np.exp(1j * np.radians(angle[i]))))) for i in near]
    assert series.running_mean_angle(time, angle, 6.0, weight) == approx(np.array(mean))
    even = [np.degrees(np.angle(np.sum(np.exp(1j * np.radians(angle[i]))))) for i in near]
    assert series.running_mean_angle(time, angle, 6.0) == approx(np.array(even))


def test_slope_leaves_missing_out():
    time = np.arange(0.0, 40.0)
    value = np.where(np.arange(40) % 4 == 1, np.nan, 2.0 - 0.5 * time)
    assert series.slope_per_s(time, value, 9.0) == approx(np.full(40, -0.5))
    assert series.slope_per_s(1e9 + time, value, 9.0) == approx(np.full(40, -0.5), rel=1e-6)
    assert series.angle_rate_deg_s(time, 350.0 + 3.0 * time, 5.0) == approx(np.full(40, 3.0))
    assert series.angle_rate_deg_s(time, (10.0 - 3.0 * time) % 360, 5.0) == approx(np.full(40, -3.0))


@pytest.mark.parametrize(("step_s", "pieces"), [(2.4, 1), (2.6, 2)])
def test_a_hole_is_two_and_a_half_steps(step_s, pieces):
    time = np.concatenate([np.arange(10.0), 9.0 + step_s + np.arange(10.0)])
    assert len(series.runs(time)) == pieces
    assert len(series.runs(time, max_gap_s=3.0)) == 1 and len(series.runs(time, max_gap_s=2.0)) == 2
    assert series.runs([]) == [] and series.runs([5.0]) == [slice(0, 1)]


def test_stretches_at_both_ends():
    assert series.true_stretches([True, False, True, True]) == [slice(0, 1), slice(2, 4)]
    assert series.true_stretches([False, False]) == [] and series.true_stretches([]) == []


@pytest.mark.parametrize(("value", "reach", "sums"), [
    ([1, 2, 4, 8, 16], 1, [3, 7, 14, 28, 24]), ([1, 2, 4], 0, [1, 2, 4]),
    ([1, 2, 4], 9, [7, 7, 7]), ([1, 2, 4, 8], 2, [7, 15, 15, 14])])
def test_box_sum_by_hand(value, reach, sums):
    assert series.box_sum(value, reach).tolist() == sums
    assert series.box_count(len(value), reach).tolist() == series.box_sum(
        np.ones(len(value)), reach).tolist()


def test_interpolation_at_its_borders():
    time, value = [0.0, 2.0, 4.0, 9.0], [0.0, 2.0, np.nan, 9.0]
    got = series.resample(time, value, [-0.1, 0.0, 1.0, 2.0, 5.5, 9.0, 9.1], 7.0)
    assert got == approx([np.nan, 0.0, 1.0, 2.0, 5.5, 9.0, np.nan], nan_ok=True)
    assert np.isnan(series.resample(time, value, [5.5], 6.9)[0])  # seven seconds apart
    assert series.resample([3.0], [8.0], [3.0, 4.0], 9.0) == approx([8.0, np.nan], nan_ok=True)
    assert np.isnan(series.resample([1.0], [np.nan], [1.0], 9.0)).all()
    assert series.resample([0.0, 4.0], [170.0, -170.0], [1.0, 3.0], 9.0, circular=True) == approx(
        [175.0, -175.0])


def test_recursive_filter_at_rest():
    # y = 0.1 x + 0.9 y: at rest at 5 it stays there
    assert series.recursive_filter(np.full(6, 5.0), [0.1], [1.0, -0.9], before=5.0) == approx(5.0)
    assert series.recursive_filter(np.full(3, 5.0), [0.1], [1.0, -0.9]) == approx([0.5, 0.95, 1.355])
    assert series.recursive_filter([], [0.1], [1.0, -0.9]).size == 0


def test_empty_gives_no_number():
    assert np.isnan(stats.finite_mean([np.nan])) and stats.finite_mean([1.0, np.nan, 3.0]) == 2.0
    assert np.isnan(stats.mad_sd([])) and np.isnan(series.step_s([1.0]))
