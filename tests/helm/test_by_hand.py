"""Intervals and comparisons of helms, worked out by hand from a fit that is written down."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from sailanalysis.helm.fit import Fit, Usual
from sailanalysis.helm.pictures import weather_helm_by_heel
from sailanalysis.helm.progress import change_seen, days_needed
from sailanalysis.helm.rate import _offset
from sailanalysis.helm.rows import (
    FORM_SD,
    INFERRED_SD,
    MOTION_SD,
    SEA_SD,
    compare_helms,
    helm_rows,
)
from sailanalysis.helm.usual import row_sd, smoothness
from sailanalysis.helm.windows import Piece, fill_short, own_samples, steady_pieces

SPREAD = 0.3


def fit(effect=(-0.15, 0.15), effect_sd=0.1, residual=(), sd=0.2, inflation=2.0):
    k, n = len(effect), len(residual)
    return Fit(np.zeros(9), np.zeros((9, 9)), ("Ada", "Jonas")[:k], np.array(effect),
               np.eye(k) * effect_sd**2, np.zeros(k), np.zeros((k, 10)), np.array(residual),
               np.zeros(n), sd, inflation, np.zeros((9 + 2 * k, 9 + 2 * k)))


def scored(*names):
    return pd.DataFrame({"helm": names, "smoothness": 50.0})


@pytest.mark.parametrize(("motion", "basis"), [("roll and pitch", "rudder"), ("wind", "rudder"),
                                               ("roll and pitch", "inferred")])
def test_two_helms_compared(motion, basis):
    row = compare_helms(fit(), Usual(spread=SPREAD), scored("Ada", "Jonas"), motion, basis).iloc[0]
    # Ada moves the rudder less: a log of 0.3 is one spread, ten points
    assert (row.helm, row.other, row.difference) == ("Ada", "Jonas", approx(10.0))
    variance = 2 * 0.1**2 + 2 * FORM_SD**2 + 2 * MOTION_SD[motion] ** 2
    variance += 2 * INFERRED_SD**2 if basis == "inferred" else 0.0
    half = 1.959964 * np.sqrt(variance) * 10 / SPREAD
    assert (row.low, row.high) == (approx(10 - half), approx(10 + half))


@pytest.mark.parametrize(("effect", "words"), [
    ((-0.4, 0.4), "smoother"), ((0.4, -0.4), "less smooth"), ((-0.02, 0.02), "no difference shown")])
def test_words_follow_the_interval(effect, words):
    got = compare_helms(fit(effect, 0.05), Usual(spread=SPREAD), scored("Ada", "Jonas"),
                        "roll and pitch", "rudder")
    assert got.words.tolist() == [words]


def test_a_helm_without_a_score_is_not_compared():
    got = compare_helms(fit(), Usual(), scored("Ada"), "", "rudder")
    assert got.empty and compare_helms(None, Usual(), scored("Ada", "Jonas"), "", "").empty


def windows(minutes=10, residual=0.09):
    """Minutes of Ada, all alike."""
    n = minutes
    return pd.DataFrame({
        "helm": ["Ada"] * n, "seconds": 60.0, "residual": residual, "sea": 0.0,
        "expected_activity_deg": 2.0, "rate_var": 1.0, "point_of_sail": ["upwind"] * n,
        "stw_kn": 6.0, "tws_kn": 12.0, "gust_kn": 1.0, "roll_rate_rms_deg_s": 1.0,
        "pitch_rate_rms_deg_s": 1.0, "yaw_rate_rms_deg_s": np.nan, "wave_push_deg": np.nan})


def stretches(minutes=(4.0, 6.0), **columns):
    n = len(minutes)
    base = dict.fromkeys(("rudder_rms_deg", "rudder_rate_rms_deg_s", "course_sd_deg", "twa_sd_deg", "reversals_per_min", "moving_share", "weather_helm_deg", "tws_kn", "speed_cost_percent", "extra_distance_percent", "rudder_drag_ratio", "rudder_drag_movement_ratio"), 1.0)
    return pd.DataFrame({"helm": ["Ada"] * n, "minutes": list(minutes), "smoothness": 47.0}
                        | {k: [v] * n for k, v in base.items()} | columns)


def helm_row(prior=None, **columns):
    table = stretches(**columns)
    return helm_rows(table, windows(), fit(effect=(0.0,)), "roll and pitch",
                     prior or Usual(spread=SPREAD), "rudder").iloc[0]


def test_score_and_its_interval():
    row = helm_row()
    assert row.smoothness == approx(50 - 10 * 0.09 / SPREAD)
    # ten minutes worth five independent ones, and what form and sea leave unknown
    half = 1.959964 * np.sqrt(0.2**2 / 5 + FORM_SD**2 + SEA_SD**2) * 10 / SPREAD
    assert (row.smoothness_low, row.smoothness_high) == (
        approx(47 - half), approx(47 + half))


def test_means_over_stretches_are_weighted_and_quadratic():
    row = helm_row(rudder_rms_deg=[1.0, 3.0], weather_helm_deg=[2.0, -3.0])
    assert row.rudder_rms_deg == approx(np.sqrt((4 * 1 + 6 * 9) / 10))
    assert row.weather_helm_deg == approx((4 * 2 - 6 * 3) / 10)
    assert (row.minutes, row.stretches) == (10.0, 2)


def test_today_against_the_usual():
    usual = Usual(spread=SPREAD, helms={"Ada": {"value": 40.0, "low": 36.0, "high": 44.0, "days": 5.0}})
    row = helm_row(usual)
    half = 0.5 * (row.smoothness_high - row.smoothness_low)
    assert row.today_less_usual == approx(7.0) and (row.usual, row.usual_days) == (40.0, 5)
    assert row.today_less_usual_low == approx(7.0 - np.hypot(half, 4.0))
    assert row.today_less_usual_high == approx(7.0 + np.hypot(half, 4.0))
    assert np.isnan(helm_row().today_less_usual)


def test_smoothness_scale():
    assert smoothness(np.array([0.0, SPREAD, -SPREAD, 9.0, -9.0]), SPREAD).tolist() == [
        50.0, 40.0, 60.0, 0.0, 100.0]
    # a stretch of 1.5 min: the mood of the day and one draw of 0.35
    assert row_sd(np.array([1.5, 6.0, 0.1])).tolist() == approx(
        [np.hypot(0.12, 0.35), np.hypot(0.12, 0.175), np.hypot(0.12, 0.35 * np.sqrt(1.5))])


def test_days_until_a_change_is_seen():
    for wanted in (2.0, 5.0, 10.0):
        days = days_needed(wanted, 4.0)
        assert change_seen(days, 4.0) <= wanted < change_seen(days - 1, 4.0)
    assert days_needed(1.0, np.nan) == 400
    assert change_seen(20, 8.0) == approx(2 * change_seen(20, 4.0))
    assert change_seen(20, 4.0, 2.0) == approx(0.5 * change_seen(20, 4.0, 1.0))


def frame(seconds=1200, rate=1.0, **columns):
    n = int(seconds * rate)
    index = pd.date_range("2031-06-01", periods=n, freq=pd.Timedelta(seconds=1 / rate), tz="UTC",
                          name="time")
    return pd.DataFrame({k: np.broadcast_to(np.asarray(v, dtype=object if isinstance(v, str) else None),
                                            n).copy() for k, v in columns.items()}, index=index)


def legs(samples, *spans, twa=45.0):
    return pd.DataFrame({"start": [samples.index[a] for a, _ in spans],
                         "end": [samples.index[b - 1] for _, b in spans], "twa_deg": twa})


def test_pieces_keep_off_maneuvers_and_handovers():
    samples = frame(helm="Ada", state="sailing")
    samples.iloc[900:, 0] = "Jonas"
    turn = pd.DataFrame({"start": [samples.index[400]], "end": [samples.index[420]]})
    got = steady_pieces(samples, legs(samples, (0, 1200)), turn)
    # ten seconds before a turn, twenty after it, fifteen after a handover
    assert [(p.part.start, p.part.stop, p.helm, p.point) for p in got] == [
        (0, 390, "Ada", "upwind"), (440, 900, "Ada", "upwind"), (915, 1200, "Jonas", "upwind")]
    assert [p.stint for p in got] == [1, 1, 2]


@pytest.mark.parametrize(("last", "pieces"), [(30, 0), (31, 1)])
def test_half_a_minute_is_the_shortest_piece(last, pieces):
    samples = frame(helm="Ada")
    assert len(steady_pieces(samples, legs(samples, (0, last)), pd.DataFrame())) == pieces


@pytest.mark.parametrize(("pause_s", "stints"), [(1190, 1), (1220, 2)])
def test_a_long_pause_ends_a_stretch(pause_s, stints):
    samples = frame(3000, helm="Ada")
    got = steady_pieces(samples, legs(samples, (0, 300), (300 + pause_s, 2000)), pd.DataFrame())
    assert got[-1].stint == stints


def test_samples_that_cannot_be_measured_cut():
    samples = frame(helm="Ada", state="sailing")
    samples.iloc[300:400, 1] = "motoring"
    valid = np.ones(1200, dtype=bool)
    valid[700] = False
    got = steady_pieces(samples, legs(samples, (0, 1200)), pd.DataFrame(), valid)
    assert [(p.part.start, p.part.stop) for p in got] == [(0, 300), (400, 700), (701, 1200)]


def test_short_holes_are_bridged():
    value = np.arange(20.0)
    value[[3, 4, 5]] = np.nan
    value[10:15] = np.nan
    got = fill_short(value, 1.0, 3.0)
    assert got[:10] == approx(np.arange(10.0)) and np.isnan(got[10:15]).all()
    assert np.isnan(fill_short(np.array([np.nan, 1.0, np.nan]), 1.0)).tolist() == [True, False, True]


@pytest.mark.parametrize("phase", [0, 3])
def test_a_slower_sensor_s_own_samples_are_found(phase):
    # one in five was read, the rest drawn straight between
    rng = np.random.default_rng(2)
    knots = rng.normal(size=41)
    value = np.interp(np.arange(200 - phase), np.arange(-phase, 205, 5)[:41], knots)
    own, rate, stride, found = own_samples(value, 10.0, 2.0)
    assert (rate, stride, found) == (2.0, 5, (5 - phase) % 5)
    assert own == approx(value[found::5])
    assert own_samples(value, 10.0, 7.1)[2] == 1 and own_samples(value, 10.0, 5.0)[2] == 2


def test_rudder_offset_lies_between_the_tacks():
    # 3 deg of weather helm on both tacks and a sensor that reads 1 too much
    samples = frame(1600, twa_deg=np.where(np.arange(1600) < 800, 45.0, -45.0))
    rudder = np.where(np.arange(1600) < 800, -3.0, 3.0) + 1.0
    parts = [slice(a, a + 400) for a in (0, 400, 800, 1200)]
    pieces = [Piece(part, "Ada", "upwind", 1) for part in parts]
    got = _offset(samples, pieces, rudder, 1.0)
    assert got.value == approx(1.0) and (got.count, got.seconds) == (4, 1600.0)
    # means that agree are still sure to 0.2 deg each, of two pieces a side
    assert 0.5 * (got.high - got.low) == approx(np.sqrt(2 * 0.2**2), rel=0.03)
    assert not _offset(samples, pieces[:2], rudder, 1.0).known
    reaching = [Piece(p.part, "Ada", "reach", 1) for p in pieces]
    assert not _offset(samples, reaching, rudder, 1.0).known
    short = [Piece(slice(p.part.start, p.part.start + 149), "Ada", "upwind", 1) for p in pieces]
    assert not _offset(samples, short, rudder, 1.0).known


def test_weather_helm_by_heel_has_its_sign():
    n = 40
    heel = np.repeat([-12.0, 12.0], n // 2)  # port tack heels to starboard
    table = pd.DataFrame({"helm": ["Ada"] * n, "heel_deg": heel, "seconds": 60.0,
                          "twa_deg": np.where(heel > 0, -45.0, 45.0),
                          "rudder_mean_deg": np.where(heel > 0, 4.0, -4.0),
                          "point_of_sail": ["upwind"] * n, "tws_kn": 12.0})
    got = weather_helm_by_heel(table)
    assert got.weather_helm_deg.tolist() == approx([4.0, 4.0])
    assert got.minutes.tolist() == approx([40.0, 40.0])  # all helms, and Ada
