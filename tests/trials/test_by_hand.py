"""Sides, borders and intervals of a trial, worked out by hand on blocks and straight minutes."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from sailanalysis.core.model import CrewEntry, CrewLog
from sailanalysis.trials.changes import _widening, changes_needed, judge_trials
from sailanalysis.trials.judge import judge_sides, mean_variance
from sailanalysis.trials.sides import Side, SteadyLog

NONE = pd.DataFrame()
START = pd.Timestamp("2031-06-01 10:00:03", tz="UTC")
T0 = START.timestamp()


def side(stw, tws=12.0, twa=45.0, first_s=0.0):
    """Blocks whose wind does not move; every delay alike."""
    n = len(stw)
    tws, twa = np.broadcast_to(tws, n), np.broadcast_to(twa, n)
    return Side(first_s + 10.0 * np.arange(n), np.asarray(stw, dtype=float),
                np.tile(tws, (5, 1)).astype(float), np.tile(twa, (5, 1)).astype(float),
                np.full((5, n), np.nan))


def wobble(n, size=0.05):
    return size * np.where(np.arange(n) % 2, 1.0, -1.0)


def test_gain_is_after_less_before():
    before, after = side(6.0 + wobble(24), first_s=-300.0), side(6.2 + wobble(24), first_s=60.0)
    got = judge_sides(before, after, 7.0)
    assert got.gain == approx(0.2) and got.wind_part == approx(0.0)
    assert got.basis == "usual slopes"
    # a wobble from block to block leaves the slow drift of 1 % of the speed
    assert got.error == approx(0.01 * 6.1, rel=0.05)
    assert got.trace.time_s == 7.0
    assert got.trace.second[0] == -300.0 and got.trace.second[-1] == 290.0
    assert got.trace.used.tolist() == [-1] * 24 + [1] * 24
    back = judge_sides(after, before)
    assert back.gain == approx(-0.2)


@pytest.mark.parametrize(("twa", "per_deg"), [(45.0, 0.010), (100.0, 0.0), (150.0, -0.006)])
def test_without_a_polar_the_wind_s_part_is_by_usual_slopes(twa, per_deg):
    # 1 kn more wind of 12.5 in the mean, half of it taken: 6 kn * 0.5 / 12.5; 4 deg further off.
    before, after = side(6.0 + wobble(24), 12.0, twa), side(6.0 + wobble(24), 13.0, twa + 4.0)
    got = judge_sides(before, after)
    assert got.wind_part == approx(6.0 * 0.5 / 12.5 + 6.0 * per_deg * 4.0, rel=0.02)
    assert got.gain == approx(-got.wind_part)
    # sure to 0.3 / 12.5 a knot and 0.006-0.008 a degree
    sd = {45.0: 0.008, 100.0: 0.006, 150.0: 0.006}[twa]
    assert got.error == approx(6.0 * np.sqrt((0.3 / 12.5) ** 2 + (4 * sd) ** 2 + 0.01**2), rel=0.05)


def test_mean_variance_of_independent_blocks():
    rng = np.random.default_rng(5)
    drawn = [rng.normal(0.0, 0.1, 48) for _ in range(400)]
    answers = [mean_variance(x - x.mean(), [x - x.mean()]) for x in drawn]
    # variance of a mean of 48 independent blocks
    assert np.mean([v for v, _ in answers]) == approx(0.01 / 48, rel=0.15)
    assert 35 < np.median([n for _, n in answers]) <= 48


def test_mean_variance_of_alike_blocks():
    # first-order autoregression of 0.6: four times the variance of the mean
    rng = np.random.default_rng(6)
    values, count = [], []
    for _ in range(400):
        x = np.zeros(148)
        for i in range(1, 148):
            x[i] = 0.6 * x[i - 1] + rng.normal(0.0, 0.08)
        x = x[100:] - x[100:].mean()
        got = mean_variance(x, [x])
        values.append(got[0])
        count.append(got[1])
    assert np.mean(values) == approx(4 * 0.01 / 48, rel=0.2)
    assert np.median(count) == approx(12.0, rel=0.4)


def test_widening_by_the_day_s_own_scatter():
    assert _widening([3.0] * 5) == 1.0  # five say nothing
    assert _widening([0.5] * 20) == 1.0  # never narrower
    assert _widening([2.0] * 6) == approx(np.sqrt((10 + 24) / 16))
    assert _widening([-2.0] * 6) == approx(np.sqrt((10 + 24) / 16))
    assert _widening([40.0] * 6) == approx(np.sqrt((10 + 6 * 16) / 16))  # cut at four


def sailed(minutes=12.0, twa=(45.0, 45.0), at_min=None, **columns):
    """Six knots in twelve, the wind angle before and after the change at the middle."""
    n = int(minutes * 60)
    event = int((at_min if at_min is not None else minutes / 2) * 60)
    index = pd.date_range(START, periods=n, freq="1s", name="time")
    late = np.arange(n) >= event
    samples = pd.DataFrame({"stw_kn": 6.0 + 0.02 * np.sin(np.arange(n)), "tws_kn": 12.0,
                            "twa_deg": np.where(late, twa[1], twa[0])}, index=index)
    samples["helm"], samples["state"] = "Ada", "sailing"
    for name, value in columns.items():
        samples[name] = value
    return samples, CrewLog((CrewEntry(T0 + event, "trim", "jib car aft"),))


def judged(samples, crew, maneuvers=NONE):
    return judge_trials(samples, NONE, maneuvers, crew)[0].iloc[0]


@pytest.mark.parametrize(("twa", "word"), [
    ((45.0, 56.0), ""), ((45.0, 58.0), "change of course"), ((58.0, 45.0), "change of course"),
    ((45.0, -45.0), "tack"), ((170.0, -170.0), ""), ((160.0, -160.0), "tack"),
    ((-45.0, -56.0), "")])
def test_courses_that_are_not_compared(twa, word):
    row = judged(*sailed(twa=twa))
    assert (word in row.why_not) if word else row.why_not == ""
    assert np.isfinite(row.gain_kn) == (not word)


@pytest.mark.parametrize(("minutes_before", "enough"), [(2.6, True), (2.0, False)])
def test_two_minutes_a_side(minutes_before, enough):
    # ten seconds before the change are left out
    row = judged(*sailed(minutes=10.0, at_min=minutes_before))
    assert (row.why_not == "") == enough
    if enough:
        assert row.minutes_before == approx(minutes_before - 1 / 6, abs=0.17)
    else:
        assert "before" in row.why_not and "and after" not in row.why_not


def test_a_side_is_eight_minutes_at_most_and_leaves_the_change_out():
    row = judged(*sailed(minutes=40.0))
    assert (row.minutes_before, row.minutes_after) == (approx(8.0), approx(8.0))
    short = judged(*sailed(minutes=12.0))
    # 6 min less 10 s; 6 min less 45 s
    assert short.minutes_before == approx(6 - 10 / 60, abs=0.17)
    assert short.minutes_after == approx(6 - 45 / 60, abs=0.17)


def test_a_maneuver_and_a_handover_end_a_side():
    samples, crew = sailed(minutes=20.0)
    gybe = pd.DataFrame({"start": [START + pd.Timedelta(minutes=13)],
                         "end": [START + pd.Timedelta(minutes=13, seconds=20)]})
    row = judged(samples, crew, gybe)
    # from 10:45 on to ten seconds before the turn
    assert row.minutes_after == approx(3.0 - 45 / 60 - 10 / 60, abs=0.2)
    samples["helm"] = np.where(np.arange(1200) < 360, "Ada", "Jonas")
    assert judged(samples, crew).minutes_before == approx(4 - 10 / 60, abs=0.2)
    assert judged(samples, crew).helm == "Jonas"


def test_no_wind_no_verdict():
    row = judged(*sailed(tws_kn=np.nan))
    assert row.verdict == "not enough data" and "no true wind" in row.why_not


def test_interval_is_student_s():
    samples, crew = sailed(minutes=16.0)
    rng = np.random.default_rng(1)
    samples["stw_kn"] += rng.normal(0.0, 0.3, len(samples))
    row = judged(samples, crew)
    half = 0.5 * (row.gain_high_kn - row.gain_low_kn)
    assert 0.5 * (row.gain_high_kn + row.gain_low_kn) == approx(row.gain_kn)
    # between the normal's quantile and that of three degrees of freedom
    assert 1.95 * row.standard_error_kn < half < 3.2 * row.standard_error_kn


def test_rounded_entries_are_left_more_time():
    samples, _ = sailed(minutes=12.0)
    samples = samples.set_index(samples.index - pd.Timedelta(seconds=3))
    crew = CrewLog((CrewEntry(T0 - 3 + 360, "trim", "jib car aft"),))
    whole = judge_trials(samples, NONE, NONE, crew)[0].iloc[0]
    assert whole.minutes_after == approx(6 - 60 / 60, abs=0.17)  # fifteen seconds more


def test_blocks_are_means_of_ten_seconds():
    samples, _ = sailed(minutes=4.0)
    samples["stw_kn"] = np.arange(240.0)
    log = SteadyLog(samples, NONE, np.array([T0]), None)
    after = log.side(T0 + 0.0, 1, 0.0, 100.0, others=np.array([]))
    assert after.stw.tolist() == approx([4.5 + 10 * k for k in range(10)])
    assert after.at.tolist() == approx([4.5 + 10 * k for k in range(10)])
    before = log.side(T0 + 240.0, -1, 0.0, 50.0, others=np.array([]))
    assert before.stw.tolist() == approx([194.5 + 10 * k for k in range(5)])
    assert before.at.tolist() == approx([-45.5 + 10 * k for k in range(5)])


@pytest.mark.parametrize(("gain", "error", "changes"), [
    # 2.8016 * sqrt(2 n - 1) / n < gain / error: n = 2 needs 2.4263, n = 3 2.0882, n = 8 1.3563
    (0.2427, 0.1, 2), (0.2426, 0.1, 3), (-0.2427, 0.1, 2), (0.1357, 0.1, 8)])
def test_changes_that_would_settle_it(gain, error, changes):
    assert changes_needed(gain, error) == changes


def test_too_many_changes_are_not_proposed():
    assert np.isnan(changes_needed(0.1356, 0.1))
    assert np.isnan(changes_needed(0.0, 0.1))
