"""What the report draws and says: drag from the day, helm by heel, words."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from sailanalysis.core.stats import Estimate
from sailanalysis.helm.pictures import Spectrum, drag_from_day, weather_helm_by_heel
from sailanalysis.helm.response import Response
from sailanalysis.helm.words import advice, compared, verdict


def minutes_of(cost_percent, pieces=30, each=8, seed=0):
    """Minutes whose log speed falls by so many per cent a square degree, in like wind."""
    rng = np.random.default_rng(seed)
    n = pieces * each
    rudder = rng.gamma(4.0, 1.0, n)
    tws = 12 + rng.normal(0, 1, n)
    log_speed = np.log(6) - cost_percent / 100 * rudder + 0.03 * (tws - 12) + rng.normal(0, 0.01, n)
    log_speed += np.repeat(rng.normal(0, 0.05, pieces), each)
    return pd.DataFrame({
        "piece": np.repeat(np.arange(pieces), each), "stw_kn": np.exp(log_speed),
        "rudder_var": rudder, "tws_kn": tws, "twa_deg": 45 + rng.normal(0, 2, n),
        "gust_kn": rng.gamma(3, 0.3, n), "roll_var": np.nan, "pitch_var": np.nan, "seconds": 60.0})


def test_drag_shows_in_a_day_that_has_it():
    cost, why = drag_from_day(minutes_of(0.4))
    assert (cost.low <= 0.4 <= cost.high, why) == (True, "")
    assert cost.value == approx(0.4, abs=0.12)


def test_drag_is_unknown_in_a_day_that_has_none():
    wrong = sum(drag_from_day(minutes_of(0.0, seed=s))[1] == "" for s in range(40))
    assert wrong <= 4
    cost, why = drag_from_day(minutes_of(0.4, pieces=4))
    assert not cost.known
    assert "needs" in why


def test_weather_helm_by_heel():
    n = 40
    windows = pd.DataFrame({"helm": "Ada", "twa_deg": np.where(np.arange(n) % 2, 42.0, -42.0),
                            "heel_deg": np.where(np.arange(n) < 20, 7.0, 22.0)})
    helm = np.where(windows.heel_deg > 10, 5.0, 2.0)
    windows["rudder_mean_deg"] = -helm * np.sign(windows.twa_deg)
    table = weather_helm_by_heel(windows)
    mine = table[table.helm == "Ada"].set_index("heel_from_deg").weather_helm_deg
    assert mine.to_dict() == {5: approx(2.0), 20: approx(5.0)}


def row(**change):
    base = {"helm": "Ada", "minutes": 40.0, "smoothness": 50.0, "smoothness_low": 40.0,
            "smoothness_high": 60.0, "usual": np.nan, "today_less_usual": np.nan,
            "today_less_usual_low": np.nan, "today_less_usual_high": np.nan,
            "weather_helm_deg": 2.0}
    return SimpleNamespace(**{**base, **change})


def test_a_verdict_carries_its_interval_and_no_more_than_it_knows():
    assert "50 (40 to 60)" in verdict(row())
    assert "about what" in verdict(row())
    assert "quieter" in verdict(row(smoothness=70.0, smoothness_low=61.0, smoothness_high=79.0))
    assert "too little" in verdict(row(smoothness=np.nan))
    known = {"usual": 45.0, "today_less_usual": 5.0, "today_less_usual_low": 1.0,
             "today_less_usual_high": 9.0}
    assert "smoother than their usual 45" in verdict(row(**known))
    assert "in line" in verdict(row(**{**known, "today_less_usual_low": -3.0}))


def test_comparison_without_proof_claims_nothing():
    pair = SimpleNamespace(helm="Ada", other="autopilot", difference=2.0, low=-3.0, high=7.0,
                           words="no difference shown")
    assert "no difference shown" in compared(pair)
    assert "the autopilot" in compared(pair)


@pytest.mark.parametrize(("change", "response", "spectrum", "word"), [
    ({}, Response(over_correction=Estimate(0.7, 0.6, 0.8)), None, "half the movement"),
    ({}, Response(yaw_lag_s=Estimate(1.6, 1.3, 1.9)), None, "further ahead"),
    ({"smoothness": 40.0}, Response(Estimate(-1.2, -1.5, -0.9), "leads"), None, "0.9 to 1.5"),
    ({"weather_helm_deg": 7.0}, None, None, "weather helm"),
    ({"weather_helm_deg": -6.0}, None, None, "lee helm"),
    ({}, None, Spectrum(np.zeros(1), np.zeros(1), 0.3, 0.6), "single waves"),
    ({}, Response(steadier="compass"), None, "telltales"),
    ({"smoothness": 40.0}, None, Spectrum(np.zeros(1), np.zeros(1), 0.8, 0.1), "lighter"),
    ({"smoothness": 70.0, "smoothness_low": 60.0}, None, None, "more wind"),
    ({}, None, None, "Nothing"),
    ({"helm": "autopilot"}, None, None, "yardstick")])
def test_one_thing_to_try_follows_from_the_numbers(change, response, spectrum, word):
    text = advice(row(**change), response, spectrum)
    assert word in text
    assert text.endswith(".")
