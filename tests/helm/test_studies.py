"""Acceptance on invented days: order, sameness across seas, intervals, no progress from nothing."""

import numpy as np
import pytest
from helm.studies import (
    same_helm_under_two_names,
    season_without_change,
    two_helms_and_a_pilot,
)


@pytest.mark.slow
def test_order_of_helms_and_sameness_across_seas():
    scores, seas = two_helms_and_a_pilot(pairs=8, days=3, hours=2.0, logs=("10 Hz", "1 Hz"))
    assert scores.right.count() > 20
    assert scores.right.mean() >= 0.95
    assert seas.gap.abs().mean() < 5.0
    assert abs(seas.gap.mean()) < 2.5
    assert scores.covered.mean() >= 0.85


@pytest.mark.slow
def test_who_had_the_rough_water_is_not_who_steered_worse():
    days = same_helm_under_two_names(pairs=8)
    assert ((days.low <= 0) & (days.high >= 0)).mean() >= 0.85
    assert days.difference.abs().mean() < 5.0
    assert abs((days.difference * np.sign(days.seas)).mean()) < 3.0


@pytest.mark.slow
def test_poor_logs_say_so_with_wide_intervals():
    scores, _ = two_helms_and_a_pilot(pairs=4, days=3, hours=2.0,
                                      logs=("10 Hz", "no roll, no pitch", "no rudder"))
    width = (scores.high - scores.low).groupby(scores.log).mean()
    assert width["no roll, no pitch"] > 1.2 * width["10 Hz"]
    assert width["no rudder"] > 2.0 * width["10 Hz"]
    assert scores.groupby("log").covered.mean().min() >= 0.85
    assert scores.groupby("log").right.mean().min() >= 0.9


@pytest.mark.slow
def test_no_progress_from_nothing_through_the_whole_program():
    trend = season_without_change(seasons=8, days=6)
    false = trend.verdict.isin(["improving", "worsening"])
    assert false.sum() <= 2
    assert np.isfinite(trend.trend).all()
