"""Changes behind minutes of handling: where the mark belongs, what is compared, what is not said."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from seas.handling import day

from sailanalysis.trials import judge_trials
from sailanalysis.trials.marks import Handling, blur_s
from sailanalysis.trials.sides import SteadyLog

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))


def judged(made):
    return judge_trials(made.samples, pd.DataFrame(), made.maneuvers, made.crew, made.speed_model)[0].iloc[0]


def test_a_change_is_compared_across_its_handling():
    row = judged(day(3, gain_kn=0.8, other_course=False, round_min=0))
    assert row.verdict == "faster" and row.gain_low_kn < 0.8 < row.gain_high_kn
    assert row.gap_s > 120.0 and row.tries == 1 and np.isfinite([row.twa_deg, row.tws_kn]).all()


def test_a_sail_changed_with_the_course_says_nothing():
    row = judged(day(4, gain_kn=0.8, other_course=True))
    assert row.verdict == "not enough data" and "another angle" in row.why_not and np.isnan(row.gain_kn)


@pytest.mark.parametrize("late_min", [-6, 0, 6])
def test_a_mark_is_put_where_she_was_handled(late_min):
    made = day(5, gain_kn=0.5, other_course=False)
    middle = 0.5 * (made.start_s + made.stop_s)
    event = Handling(made.samples, pd.DataFrame(), np.full(len(made.samples), np.nan)).event(middle + 60 * late_min)
    assert event.moved_s == approx(-60 * late_min, abs=30)
    assert event.start_s == approx(made.start_s, abs=45) and event.stop_s == approx(made.stop_s, abs=45)


def test_no_stretch_answers_for_two_marks():
    made = day(5, gain_kn=0.5, other_course=False)
    middle = 0.5 * (made.start_s + made.stop_s)
    found = Handling(made.samples, pd.DataFrame(), np.full(len(made.samples), np.nan)).events([middle - 300.0, middle + 30.0])
    assert np.isnan(found[0].moved_s) and found[1].moved_s == approx(-30.0, abs=30)


def test_where_nothing_shows_the_mark_stays():
    made = day(6, deep=False)
    event = Handling(made.samples, pd.DataFrame(), np.full(len(made.samples), np.nan)).event(made.start_s)
    assert np.isnan(event.moved_s) and event.start_s == event.stop_s == made.start_s


def test_a_tack_is_no_handling():
    made = day(7, gain_kn=0.0, other_course=False)
    index = made.samples.index[0].timestamp()
    turn = pd.DataFrame({"kind": ["tack"], "start": [pd.Timestamp(made.start_s, unit="s", tz="UTC")],
                         "end": [pd.Timestamp(made.stop_s, unit="s", tz="UTC")]})
    assert index < made.start_s
    found = Handling(made.samples, turn, np.full(len(made.samples), np.nan))
    assert not any(a < made.stop_s and b > made.start_s for a, b, _ in found.stretches)


@pytest.mark.parametrize(("minutes", "blur"), [((600.0, 1500.0), 360.0), ((600.0, 1560.0), 90.0), ((600.5, 1500.0), 0.0)])
def test_how_far_a_mark_may_be_off_by_how_it_is_written(minutes, blur):
    assert blur_s(np.array(minutes)) == blur


@pytest.mark.slow
@pytest.mark.parametrize("deep", [True, False])
def test_forty_days_with_rounded_marks(deep):
    """Seeds 2000-2039: no false verdict, nine in ten covered, four in five true half knots found."""
    from bench_handling import table

    rows = table(40, 2000, deep)
    given = rows[rows["gain"].notna() & rows["comparable"]]
    assert ((given["low"] <= given["truth"]) & (given["truth"] <= given["high"])).mean() >= 0.9
    sign = given["verdict"].map({"faster": 1.0, "slower": -1.0}).fillna(0.0)
    assert ((sign != 0) & (np.sign(given["truth"]) != sign)).mean() <= 0.05
    large = rows[rows["comparable"] & (rows["truth"].abs() > 0.5)]
    assert large["verdict"].isin(["faster", "slower"]).mean() >= 0.8
    assert rows.loc[~rows["comparable"], "verdict"].isin(["faster", "slower"]).mean() <= 0.1
    if deep:
        assert ((rows["moved"] - rows["off"]).abs() <= 30).mean() >= 0.9


def test_the_handling_of_the_change_before_is_no_sailing():
    """Slowed and luffed minutes of the last change, marked early, are on no side of the next."""
    made = day(5, gain_kn=0.5, other_course=False)
    log = SteadyLog(made.samples, pd.DataFrame(), np.array([made.start_s + 1500.0]), None)
    log.set_busy(np.array([[made.start_s, made.stop_s]]))
    assert log.side(made.stop_s + 300.0, -1, 0.0, others=np.array([])).at.min() == approx(
        -300.0 + 45.0, abs=15.0)
    again = log.blocks(made.start_s - 300.0, made.stop_s + 300.0, made.start_s)
    inside = (again.at > -10.0) & (again.at < made.stop_s - made.start_s + 45.0)
    assert not inside.any() and again.at.size > 20
