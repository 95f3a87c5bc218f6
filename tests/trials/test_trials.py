"""Trim trials: exact steps, what breaks a trial, pooling, and 200 generated ones."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from seas.trials import trial

from sailanalysis.core.model import CrewEntry, CrewLog
from sailanalysis.trials.changes import COLUMNS, judge_trials, pool_trials, same_thing

NONE = pd.DataFrame()
START = pd.Timestamp("2031-06-01 10:00:03", tz="UTC")


def sailed(gain=0.3, minutes=12.0, shift_kn=0.0, rate=1.0, noise=0.02, seed=0):
    """A boat whose speed is 3 + tws / 4 at once, and a change half way."""
    n = int(minutes * 60 * rate)
    rng = np.random.default_rng(seed)
    late = np.arange(n) >= n // 2
    tws = 12.0 + shift_kn * late
    index = pd.date_range(START, periods=n, freq=pd.Timedelta(seconds=1 / rate), name="time")
    samples = pd.DataFrame({"stw_kn": 3 + tws / 4 + gain * late + noise * rng.standard_normal(n),
                            "tws_kn": tws, "twa_deg": 45.0 + rng.standard_normal(n)}, index=index)
    samples["helm"], samples["state"] = "Ada", "sailing"
    return samples, CrewLog((CrewEntry(START.timestamp() + minutes * 30, "trim", "jib car aft"),))


def polar(tws, twa):
    return 3 + np.asarray(tws) / 4


def test_a_step_is_found():
    samples, crew = sailed()
    rows, result = judge_trials(samples, NONE, NONE, crew, polar)
    row = rows.iloc[0]
    assert tuple(rows.columns[:len(COLUMNS)]) == COLUMNS
    assert row.gain_kn == approx(0.3, abs=0.02)
    assert row.verdict == "faster"
    assert row.wind_basis == "polar"
    assert row.stw_after_kn - row.stw_before_kn == approx(0.3, abs=0.02)
    assert result.traces[0] is not None
    slower = judge_trials(*_turned(sailed(-0.3)), polar)[0].iloc[0]
    assert slower.verdict == "slower"


def _turned(pair):
    return pair[0], NONE, NONE, pair[1]


def test_a_change_of_wind_is_not_credited():
    """Two knots more wind give half a knot by the polar; the trim gave nothing."""
    row = judge_trials(*_turned(sailed(0.0, shift_kn=2.0)), polar)[0].iloc[0]
    assert row.stw_after_kn - row.stw_before_kn == approx(0.5, abs=0.02)
    assert row.wind_part_kn == approx(0.5, abs=0.05)
    assert row.gain_low_kn < 0 < row.gain_high_kn
    assert row.verdict == "no clear difference"
    assert "there again" in row.try_next


def test_without_a_polar_the_interval_is_wider():
    with_polar = judge_trials(*_turned(sailed(0.3, shift_kn=1.0)), polar)[0].iloc[0]
    without = judge_trials(*_turned(sailed(0.3, shift_kn=1.0)), None)[0].iloc[0]
    assert without.wind_basis == "usual slopes"
    assert without.gain_high_kn - without.gain_low_kn > 1.3 * (
        with_polar.gain_high_kn - with_polar.gain_low_kn)
    assert without.gain_low_kn < 0.3 < without.gain_high_kn


def test_a_tack_too_soon_is_not_enough_data():
    samples, crew = sailed()
    at = samples.index[420]
    maneuvers = pd.DataFrame({"start": [at], "end": [at + pd.Timedelta(seconds=20)]})
    row = judge_trials(samples, NONE, maneuvers, crew, polar)[0].iloc[0]
    assert row.verdict == "not enough data"
    assert "after" in row.why_not
    assert np.isnan(row.gain_kn)


def test_other_tack_other_course_engine_and_no_wind():
    samples, crew = sailed()
    other = samples.assign(twa_deg=np.where(np.arange(len(samples)) < 360, 45.0, -45.0))
    assert judge_trials(other, NONE, NONE, crew, polar)[0].verdict[0] == "not enough data"
    course = samples.assign(twa_deg=np.where(np.arange(len(samples)) < 360, 45.0, 62.0))
    row = judge_trials(course, NONE, NONE, crew, polar)[0].iloc[0]
    assert (row.verdict, "17 deg" in row.why_not) == ("not enough data", True)
    engine = samples.assign(state="motoring")
    assert judge_trials(engine, NONE, NONE, crew, polar)[0].verdict[0] == "not enough data"
    calm = samples.drop(columns=["tws_kn", "twa_deg"])
    row = judge_trials(calm, NONE, NONE, crew, polar)[0].iloc[0]
    assert "wind" in row.why_not


def test_a_dead_run_is_one_course():
    """The vane flickers between 176 and -176: neither a tack nor a change of course."""
    samples, crew = sailed()
    flicker = np.where(np.arange(len(samples)) // 30 % 2, 176.0, -176.0)
    row = judge_trials(samples.assign(twa_deg=flicker), NONE, NONE, crew, polar)[0].iloc[0]
    assert row.verdict == "faster"
    assert abs(row.twa_before_deg) > 165


def test_a_change_before_and_after_the_log():
    samples, _ = sailed()
    crew = CrewLog((CrewEntry(START.timestamp() - 500, "trim", "a"),
                    CrewEntry(START.timestamp() + 5000, "trim", "b")))
    assert (judge_trials(samples, NONE, NONE, crew, polar)[0].verdict == "not enough data").all()


def test_no_trials_no_rows():
    samples, _ = sailed()
    rows, result = judge_trials(samples, NONE, NONE, CrewLog(), polar)
    assert rows.empty
    assert set(COLUMNS) <= set(rows.columns)
    assert result.pooled.empty


def test_sail_changes_are_trials_and_lowering_is_not():
    samples, _ = sailed()
    half = START.timestamp() + 360
    crew = CrewLog((CrewEntry(half - 1000, "sails", "main+jib"),
                    CrewEntry(half, "sails", "main+genoa"),
                    CrewEntry(half + 340, "sails", "none")))
    rows = judge_trials(samples, NONE, NONE, crew, polar)[0]
    assert rows.what.tolist() == ["main+jib to main+genoa"]
    assert rows.verdict[0] == "faster"


@pytest.mark.parametrize(("text", "subject", "way"), [
    ("Mainsheet eased 20 cm", "mainsheet trimmed", -1),
    ("mainsheet trimmed 10cm", "mainsheet trimmed", 1),
    ("backstay tightened 4 cm", "backstay trimmed", 1),
    ("traveller down", "traveller up", -1), ("cunningham on", "cunningham on", 1)])
def test_same_thing(text, subject, way):
    assert same_thing(text) == (subject, way)


def test_there_and_back_pool_and_cancel_drift():
    """+0.2 there, -0.2 back with +0.1 of drift in each: 0.2 pooled."""
    rows = pd.DataFrame({
        "subject": "x", "what": ["x on", "x off"], "direction": [1, -1], "gain_kn": [0.3, -0.1],
        "standard_error_kn": [0.06, 0.06]})
    pooled = pool_trials(rows).iloc[0]
    assert pooled.gain_kn == approx(0.2)
    assert pooled.there_and_back
    assert pooled.trials == 2
    assert pool_trials(rows.iloc[:1]).empty


def test_minutes_shared_by_neighbours_are_not_counted_twice():
    """B - A1 and B - A2, all of variance 1: the mean has variance 1.5, not 1 (by hand)."""
    time = pd.to_datetime(["2031-06-01 10:00", "2031-06-01 10:06"], utc=True)
    rows = pd.DataFrame({"subject": "x", "what": "x", "direction": [1, -1], "gain_kn": [30.0, -30.0],
                         "standard_error_kn": np.sqrt(2.0), "time": time})
    near = pool_trials(rows).iloc[0]
    far = pool_trials(rows.assign(time=[time[0], time[1] + pd.Timedelta(hours=2)])).iloc[0]
    assert (near.gain_high_kn - near.gain_low_kn) / (far.gain_high_kn - far.gain_low_kn) == approx(
        np.sqrt(1.5), rel=1e-3)


def test_there_and_back_trials_cover():
    """A, B, A, B with a drifting wind: pooled intervals hold the truth."""
    held = 0
    for seed in range(60):
        samples, crew, model = trial(20_000 + seed, (0.15, -0.15, 0.15))
        pooled = judge_trials(samples, NONE, NONE, crew, model)[1].pooled.iloc[0]
        held += pooled.gain_low_kn <= -0.15 <= pooled.gain_high_kn
        assert pooled.there_and_back
    assert held >= 55


def test_pooling_narrows():
    one = {"subject": "x", "what": "x", "direction": 1, "gain_kn": 0.15, "standard_error_kn": 0.08}
    widths = [float(p.gain_high_kn - p.gain_low_kn) for p in (
        pool_trials(pd.DataFrame([one] * k)).iloc[0] for k in (2, 4, 8))]
    assert widths[0] > widths[1] > widths[2]
    assert pool_trials(pd.DataFrame([one] * 8)).verdict[0] == "faster"


def test_unmarked_moments_widen_a_scattering_day():
    """Speed that wanders by itself for an hour shows in the placebos, and in the interval."""
    rng = np.random.default_rng(3)
    n = 5400
    index = pd.date_range(START, periods=n, freq="1s", name="time")
    wander = np.repeat(rng.normal(0, 0.6, 18), 300)
    samples = pd.DataFrame({"stw_kn": 6 + wander + 0.03 * rng.standard_normal(n), "tws_kn": 12.0,
                            "twa_deg": 45.0}, index=index)
    crew = CrewLog((CrewEntry(START.timestamp() + 5000, "trim", "x"),))
    result = judge_trials(samples, NONE, NONE, crew, polar)[1]
    assert result.placebos >= 6
    assert result.widening > 1.2


def study(count, gain, **how):
    verdicts, covered = [], 0
    for seed in range(count):
        samples, crew, model = trial(seed + (0 if gain else 10_000), (gain,), **how)
        row = judge_trials(samples, NONE, NONE, crew, model)[0].iloc[0]
        verdicts.append(row.verdict)
        covered += row.gain_low_kn <= gain <= row.gain_high_kn
    return pd.Series(verdicts), covered / count


def test_two_hundred_trials():
    """Half without effect; 0.3 kn with five minutes a side in the other half."""
    nothing, covered = study(100, 0.0)
    assert nothing.isin(["faster", "slower"]).mean() <= 0.05
    assert covered >= 0.93
    something, covered = study(100, 0.3)
    assert (something == "faster").mean() >= 0.80
    assert covered >= 0.93
    assert not (something == "slower").any()


@pytest.mark.slow
@pytest.mark.parametrize("how", [
    {"gustiness": 0.15}, {"quantum_kn": 0.1}, {"twa": 42.0}, {"twa": 150.0}, {"tws": 7.0},
    {"rate": 5.0}], ids=str)
def test_two_hundred_trials_in_other_weather(how):
    nothing, _ = study(100, 0.0, **how)
    something, _ = study(100, 0.3, **how)
    assert nothing.isin(["faster", "slower"]).mean() <= 0.07
    assert (something == "faster").mean() >= 0.75
