"""Steps in time and contradictions: found where they are put in, silent where they are not."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from seas.calibration_rough import Physics, sail

from sailanalysis.calibrate.apply import AppliedCorrection, Corrections
from sailanalysis.calibrate.contradictions import (
    Contradiction,
    drift_by_heading,
    far_off,
    leans_to_windward,
    mirrored_back,
    two_sources,
    vane_mirrored,
    wind_by_tack,
    wind_by_track,
    without,
)
from sailanalysis.calibrate.estimate import estimate_calibration
from sailanalysis.calibrate.steps import Step, mend, standing_wheel
from sailanalysis.condition import condition
from sailanalysis.core.model import Boat, Conditioned, RawLog, Sensors, Stream
from sailanalysis.wind import wind_and_water

WORLD = Physics(hours=3.0, plan="sausage", wind_kn=14.0, tide_kn=1.0, errors={"stw_factor": 0.97})


def spoiled(raw, channel, change):
    return replace(raw, streams=tuple(replace(s, value=change(s.time_s, s.value)) if s.channel == channel else s
                                      for s in raw.streams))


def steps_of(raw):
    cond = condition(raw, Boat())
    samples, _, _ = wind_and_water(cond, Boat())
    return estimate_calibration(samples, cond, Boat()).steps


@pytest.fixture(scope="module")
def day():
    return sail(12, WORLD)


def test_a_sound_day_has_no_step(day):
    assert steps_of(day.raw) == ()


@pytest.mark.parametrize("from_start", [False, True])
def test_weed_on_the_log_is_found_timed_and_sized(day, from_start):
    t0, t1 = day.time_s[[0, -1]]
    a, b = (t0, t0 + 4000) if from_start else (t0 + 5000, t1)
    steps = steps_of(spoiled(day.raw, "stw_kn", lambda t, x: np.where((t >= a) & (t <= b), 0.6 * x, x)))
    assert [s.channel for s in steps] == ["stw_kn"]
    assert steps[0].start_s == approx(a, abs=200) and steps[0].end_s == approx(b, abs=200)
    assert steps[0].size == approx(1 / 0.6, rel=0.05) and steps[0].mended


def test_a_wheel_that_sticks_and_frees_is_left_out(day):
    a = day.time_s[0] + 4000
    steps = steps_of(spoiled(day.raw, "stw_kn", lambda t, x: np.where((t >= a) & (t <= a + 900), 0.05 * x, x)))
    assert len(steps) == 1 and not steps[0].mended
    assert steps[0].start_s == approx(a, abs=60) and steps[0].end_s == approx(a + 900, abs=60)


def test_a_vane_knocked_is_found_on_both_tacks(day):
    a = day.time_s[0] + 5000
    steps = steps_of(spoiled(day.raw, "awa_deg", lambda t, x: np.where(t >= a, (x + 192.0) % 360 - 180, x)))
    assert [s.channel for s in steps] == ["awa_deg"]
    assert steps[0].size == approx(-12.0, abs=2.5)  # what puts it right
    assert steps[0].start_s == approx(a, abs=900)


def test_a_front_is_no_knocked_vane():
    for seed in (3, 4):
        assert not [s for s in steps_of(sail(seed, replace(WORLD, wind="front")).raw) if s.channel == "awa_deg"]


def conditioned(**columns):
    index = pd.date_range("2026-06-01", periods=5, freq="1s", tz="UTC", name="time")
    return Conditioned(pd.DataFrame(columns, index=index), 1.0, pd.DataFrame(), pd.DataFrame(), {}, {})


def test_mending_multiplies_turns_and_leaves_out():
    cond = conditioned(stw_kn=3.0, awa_deg=175.0, hdg_deg=350.0, heel_deg=1.0)
    at = cond.samples.index.as_unit("ms").asi8 / 1e3
    steps = [Step("stw_kn", at[1], at[2], 2.0, 1.9, 2.1, True), Step("awa_deg", at[3], at[4], 10.0, 9.0, 11.0, True),
             Step("hdg_deg", at[0], at[0], 20.0, 0.0, 40.0, False)]
    made = mend(cond, steps, ["heel_deg"]).samples
    assert made["stw_kn"].tolist() == [3.0, 6.0, 6.0, 3.0, 3.0]
    assert made["awa_deg"].tolist() == [175.0, 175.0, 175.0, -175.0, -175.0]
    assert np.isnan(made["hdg_deg"].iloc[0]) and made["hdg_deg"].iloc[1] == 350.0
    assert "heel_deg" not in made and cond.samples["stw_kn"].tolist() == [3.0] * 5


def frame(n=1200, **columns):
    return pd.DataFrame(columns, index=pd.date_range("2026-06-01", periods=n, freq="1s", tz="UTC", name="time"))


def test_a_wheel_never_fast_against_the_ground_is_a_stream():
    n = 1200
    assert standing_wheel(frame(n, stw_kn=2.0, sog_kn=6.0)) == []  # all day alike: a foul stream
    stw = np.where(np.arange(n) < 400, 0.5, 5.0)
    assert len(standing_wheel(frame(n, stw_kn=stw, sog_kn=5.0))) == 1


@pytest.mark.parametrize(("jump", "told", "withheld"), [(14.0, False, False), (16.0, True, False), (26.0, True, True)])
def test_wind_that_jumps_with_the_tack_by_more_than_fifteen(jump, told, withheld):
    n, tack_s = 1200, 200
    port = (np.arange(n) // tack_s) % 2 == 0
    samples = frame(n, twd_deg=np.where(port, 355.0, 355.0 + jump) % 360, twa_deg=40.0)
    at = samples.index[tack_s::tack_s]
    maneuvers = pd.DataFrame({"kind": "tack", "start": at - pd.Timedelta("5s"), "end": at + pd.Timedelta("5s"),
                              "from_side": ["port", "starboard"] * 2 + ["port"]})
    doubt = wind_by_tack(samples, maneuvers)
    assert (doubt is not None) == told
    if doubt:
        assert doubt.size == approx(jump) and doubt.kind is Contradiction.WIND_BY_TACK
        assert without(samples, (doubt,))["twa_deg"].isna().all() == withheld


@pytest.mark.parametrize(("sign", "told"), [(-1.0, False), (1.0, True)])
def test_leaning_to_windward_is_a_sensor_the_wrong_way_round(sign, told):
    side = np.where((np.arange(1200) // 300) % 2 == 0, 1.0, -1.0)
    samples = frame(awa_deg=30.0 * side, heel_deg=sign * 15.0 * side, state="sailing")
    doubt = leans_to_windward(samples)
    assert (doubt is not None) == told and (doubt is None or doubt.culprit == "heel_deg")


@pytest.mark.parametrize(("factor", "turn", "culprit"), [(1.0, 0.0, ""), (0.7, 0.0, "stw_kn"), (1.0, 20.0, "hdg_deg")])
def test_a_drift_that_turns_with_the_bow(factor, turn, culprit):
    n = 2400
    hdg = np.repeat([20.0, 110.0, 200.0, 290.0, 20.0, 110.0, 200.0, 290.0], 300)
    ground = 6.0 * np.exp(1j * np.radians(hdg)) + 2.0 * np.exp(1j * np.radians(75.0))  # 2 kn of stream
    samples = frame(n, sog_kn=np.abs(ground), cog_deg=np.degrees(np.angle(ground)) % 360, stw_kn=6.0 * factor,
                    hdg_deg=(hdg + turn) % 360, leeway_deg=0.0, state="sailing", set_deg=75.0, drift_kn=2.0)
    doubt = drift_by_heading(samples)
    assert (doubt.culprit if doubt else "") == culprit
    if culprit == "stw_kn":
        assert doubt.size == approx(100 * (1 / 0.7 - 1), abs=4)
    if culprit == "hdg_deg":
        assert doubt.size == approx(-20.0, abs=2)


@pytest.mark.parametrize(("value", "told"), [(0.81, False), (0.79, True)])
def test_a_correction_beyond_calibration_is_told(value, told):
    used = Corrections(Sensors(), (AppliedCorrection("stw_factor", value, value, value, "today", True),), pd.DataFrame())
    assert bool(far_off(used)) == told


@pytest.mark.parametrize(("other", "told"), [(5.7, False), (5.8, True)])
def test_two_logs_that_differ_by_more_than_fifteen_percent(other, told):
    t = 1.78e9 + np.arange(1200.0)
    raw = RawLog((Stream("stw_kn", "paddle", t, np.full(t.size, 5.0)), Stream("stw_kn", "hull", t, np.full(t.size, other))), ())
    found = two_sources(raw)
    assert bool(found) == told and (not told or found[0].sources == ("paddle", "hull"))


def test_two_compasses_are_compared_on_the_circle():
    t = 1.78e9 + np.arange(1200.0)
    raw = RawLog((Stream("hdg_deg", "a", t, np.full(t.size, 355.0)), Stream("hdg_deg", "b", t, np.full(t.size, 5.0))), ())
    assert two_sources(raw) == []


def watered(raw):
    cond = condition(raw, Boat())
    return wind_and_water(cond, Boat())[0], cond


def test_a_sound_vane_agrees_with_turns_and_track(day):
    samples, _ = watered(day.raw)
    assert vane_mirrored(samples) is None and wind_by_track(samples) is None


def test_a_vane_to_the_wrong_side_is_found_and_mirrored_back(day):
    """The wind turns by twice the vane's angle at every turn, and stands still when it is mirrored."""
    samples, cond = watered(spoiled(day.raw, "awa_deg", lambda t, x: -x))
    doubt = vane_mirrored(samples)
    assert doubt.culprit == "awa_deg" and doubt.size > 60 and doubt.count >= 4 and doubt.withheld == ()
    right, _ = watered(day.raw)
    back = wind_and_water(mirrored_back(cond), Boat())[0]
    assert np.nanmedian(np.abs(back["twa_deg"] - right["twa_deg"])) < 0.5
    assert vane_mirrored(back) is None


@pytest.mark.parametrize("off", [-40.0, 40.0])
def test_a_vane_far_off_is_told_by_the_track(day, off):
    samples, _ = watered(spoiled(day.raw, "awa_deg", lambda t, x: (x + off + 180.0) % 360.0 - 180.0))
    doubt = wind_by_track(samples)
    assert doubt.culprit == "awa_deg" and doubt.size == approx(off, abs=10.0)
    assert {"twa_deg", "awa_deg"} <= set(doubt.withheld)


def test_a_compass_far_off_is_not_laid_on_the_vane(day):
    samples, _ = watered(spoiled(day.raw, "hdg_deg", lambda t, x: (x + 35.0) % 360.0))
    assert wind_by_track(samples) is None
