"""Series that respect gaps, and statistics against published values."""

import json

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


def test_block_bootstrap_of_the_law_school_data():
    # Efron's law school data: r 0.776, standard error about 0.13; each school is a block, its
    # two numbers packed into one complex sample.
    data = json.loads(CASES["law_corr"]["inputs"])
    pairs = np.array(data["lsat"]) + 1j * np.array(data["gpa"])

    def correlation(z):
        return float(np.corrcoef(z.real, z.imag)[0, 1])

    got = stats.block_bootstrap([np.array([z]) for z in pairs], correlation, 2000)
    assert got.value == approx(0.776, abs=5e-4)
    # Its percentile interval is skew; a normal one of the published error spans 0.51.
    assert got.high - got.low == approx(2 * 1.96 * 0.132, rel=0.15)


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


def test_integral_stops_at_a_gap():
    time = np.concatenate([np.arange(0.0, 11.0), np.arange(100.0, 111.0)])
    assert series.integral(time, np.full(22, 2.0)) == approx(40.0)
    assert series.sample_seconds(time).sum() == approx(22.0)


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
