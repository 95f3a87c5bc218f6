"""Progress over days: no verdict out of nothing, true change seen, days foretold."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from sailanalysis.helm.progress import (
    PROGRESS_COLUMNS,
    TREND_COLUMNS,
    change_seen,
    days_needed,
    helm_progress,
    trend_of,
)


def season(scores, helm="Ada", spacing=1, minutes=40.0, half=9.0):
    day = pd.date_range("2031-05-01", periods=len(scores), freq=f"{spacing}D")
    return pd.DataFrame({"helm": helm, "day": day.strftime("%Y-%m-%d"), "minutes": minutes,
                         "smoothness": scores, "smoothness_low": np.asarray(scores) - half,
                         "smoothness_high": np.asarray(scores) + half})


def test_a_straight_line_is_its_own_trend():
    """Half a point a day: five points per ten days, by hand."""
    progress, trend = helm_progress(season(40 + 0.5 * np.arange(10.0)))
    assert tuple(progress.columns) == PROGRESS_COLUMNS
    assert tuple(trend.columns) == TREND_COLUMNS
    row = trend.iloc[0]
    assert row.trend == approx(5.0)
    assert row.verdict == "improving"
    assert row.days == 10
    assert row.hours == approx(10 * 40 / 60)
    down = helm_progress(season(40 - 0.5 * np.arange(10.0)))[1].iloc[0]
    assert (down.trend, down.verdict) == (approx(-5.0), "worsening")


def test_calendar_days_are_the_measure():
    """The same scores a week apart: a seventh of the trend."""
    rng = np.random.default_rng(0)
    scores = 50 + np.arange(8.0) + rng.normal(0, 1, 8)
    daily = helm_progress(season(scores))[1].iloc[0]
    weekly = helm_progress(season(scores, spacing=7))[1].iloc[0]
    assert weekly.trend == approx(daily.trend / 7)
    assert weekly.trend_low == approx(daily.trend_low / 7)


def test_slope_and_error_are_least_squares():
    """Against scipy.stats.linregress."""
    from scipy.stats import linregress, t

    rng = np.random.default_rng(1)
    scores = 50 + rng.normal(0, 4, 6)
    row = helm_progress(season(scores))[1].iloc[0]
    fit = linregress(np.arange(6), scores)
    assert row.trend == approx(10 * fit.slope)
    assert row.trend_high - row.trend == approx(10 * fit.stderr * t.ppf(0.99, 4))


def test_too_few_days_and_none():
    assert helm_progress(season([50.0, 52.0, 54.0]))[1].verdict[0] == "too few days"
    progress, trend = helm_progress(pd.DataFrame())
    assert progress.empty
    assert trend.empty


def test_a_day_is_the_mean_of_its_stretches_by_minutes():
    rows = pd.concat([season([40.0], minutes=10.0), season([60.0], minutes=30.0)])
    progress, _ = helm_progress(rows)
    assert progress.smoothness[0] == approx(55.0)
    assert progress.smoothness_low[0] < 55 < progress.smoothness_high[0]


def test_unscored_rows_and_unnamed_helms_do_no_harm():
    rows = season([50.0, np.nan, 51.0, 49.0, 52.0])
    rows.loc[3, "helm"] = np.nan
    progress, trend = helm_progress(rows)
    assert set(progress.helm) == {"Ada", ""}
    assert (trend.verdict == "too few days").all()


@pytest.mark.parametrize(("days", "alike"), [(5, 0.0), (12, 0.0), (25, 0.0), (20, 0.3)])
def test_no_verdict_out_of_nothing(days, alike):
    """Seasons without change, independent days and days that resemble their neighbours."""
    rng = np.random.default_rng(days)
    false = 0
    count = 250
    when = season(np.zeros(days)).assign(hours_so_far=np.arange(1.0, days + 1))
    for _ in range(count):
        x = rng.normal(0, 5, days)
        for i in range(1, days):
            x[i] = alike * x[i - 1] + np.sqrt(1 - alike**2) * x[i]
        verdict = trend_of("Ada", when.assign(smoothness=50 + x))["verdict"]
        false += verdict in ("improving", "worsening")
    assert false / count <= 0.05


def test_a_true_change_is_seen_as_often_as_foretold():
    rng = np.random.default_rng(7)
    true = change_seen(14, 5.0)
    when = season(np.zeros(14)).assign(hours_so_far=np.arange(1.0, 15))
    scores = 50 + true / 10 * np.arange(14) + rng.normal(0, 5, (200, 14))
    seen = sum(trend_of("Ada", when.assign(smoothness=x))["verdict"] == "improving" for x in scores)
    assert 0.7 < seen / 200 < 0.9


def test_days_needed_agrees_with_change_seen():
    n = days_needed(5.0, 5.0)
    assert change_seen(n, 5.0) <= 5.0 < change_seen(n - 1, 5.0)
    assert days_needed(5.0, 5.0) < days_needed(2.5, 5.0)
    assert days_needed(5.0, 5.0, spacing_days=7.0) < n
