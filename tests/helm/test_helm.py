"""Helm rating: exact toys, invariances, and a sailed day whose truth is known."""

import json

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from seas.helming import Helm, sail

from sailanalysis.core.model import Boat, Rudder, Sensors
from sailanalysis.helm.rate import HELM_COLUMNS, rate_helming
from sailanalysis.helm.steering import nomoto_yaw_deg_s
from sailanalysis.helm.usual import Usual, fit_usual, rescore
from sailanalysis.helm.windows import Piece, measure_windows

BOAT = Boat(lwl_m=9.2, displacement_kg=5500, rudder=Rudder(1, 0.4, 1.2))
NONE = pd.DataFrame()
HELMS = [Helm("Ada"), Helm("Bo", gain=1.1, rate_gain=0.8, delay_s=0.6, restless_deg=1.4),
         Helm("autopilot", 0.7, 1.2, 0.2, 0.1, 1.0)]


def table(**columns):
    n = len(next(iter(columns.values())))
    rate = columns.pop("rate", 10.0)
    index = pd.date_range("2031-06-01 10:00", periods=n, freq=pd.Timedelta(seconds=1 / rate),
                          tz="UTC", name="time").as_unit("us")
    return pd.DataFrame(columns, index=index)


def toy(minutes=6.0, amplitude=3.0, period=8.0, mean=0.0, rate=10.0, twa=42.0, **more):
    """A sine at the rudder on one steady leg."""
    t = np.arange(0, minutes * 60, 1 / rate)
    samples = table(rudder_deg=mean + amplitude * np.sin(2 * np.pi * t / period),
                    hdg_deg=np.full(t.size, 178.0), stw_kn=np.full(t.size, 6.0),
                    tws_kn=np.full(t.size, 12.0), twa_deg=np.full(t.size, twa), rate=rate)
    samples["helm"], samples["state"] = "Ada", "sailing"
    for name, value in more.items():
        samples[name] = value
    legs = pd.DataFrame({"start": [samples.index[0]], "end": [samples.index[-1]],
                         "twa_deg": [twa]})
    return samples, legs


@pytest.fixture(scope="module")
def day():
    return sail(HELMS, days=1, hours=2.0, seed=3, turn_min=20.0)[0]


@pytest.fixture(scope="module")
def rated(day):
    return rate_helming(day["samples"], day["legs"], day["maneuvers"], BOAT)


def test_a_sine_at_the_rudder():
    """rms A/sqrt(2), rate 2 pi f A/sqrt(2), two reversals a period: exact by hand."""
    samples, legs = toy()
    rows, result = rate_helming(samples, legs, NONE, BOAT)
    row = rows.iloc[0]
    assert tuple(rows.columns) == HELM_COLUMNS
    assert (row.helm, row.point_of_sail) == ("Ada", "upwind")
    assert row.minutes == approx(6.0, abs=0.01)
    assert row.rudder_rms_deg == approx(3 / np.sqrt(2), rel=0.01)
    assert row.rudder_rate_rms_deg_s == approx(2 * np.pi / 8 * 3 / np.sqrt(2), rel=0.01)
    assert row.reversals_per_min == approx(15.0, abs=0.4)
    assert row.course_sd_deg == approx(0.0, abs=1e-9)
    assert row.steering_cost == approx(0.1 * 4.5, rel=0.02)
    assert row.smoothness_low < row.smoothness < row.smoothness_high
    assert result.basis == "rudder"


def test_reach_and_downwind_are_told_apart():
    for twa, point in ((59.0, "upwind"), (-100.0, "reach"), (150.0, "downwind"),
                       (-170.0, "downwind")):
        assert rate_helming(*toy(twa=twa), NONE, BOAT)[0].point_of_sail[0] == point


def test_weather_helm_has_its_sign():
    """Wind from starboard, rudder to port (bow to port) holds her off: weather helm, positive."""
    samples, legs = toy(mean=-4.0)
    row = rate_helming(samples, legs, NONE, BOAT)[0].iloc[0]
    assert row.rudder_mean_deg == approx(-4.0, abs=0.05)
    assert row.weather_helm_deg == approx(4.0, abs=0.05)
    port, legs = toy(mean=4.0, twa=-42.0)
    assert rate_helming(port, legs, NONE, BOAT)[0].weather_helm_deg[0] == approx(4.0, abs=0.05)


def test_below_three_minutes_no_score_but_a_reason():
    row = rate_helming(*toy(minutes=2.5), NONE, BOAT)[0].iloc[0]
    assert np.isnan(row.smoothness)
    assert np.isfinite(row.rudder_rms_deg)
    assert "3" in row.why_not


def test_a_slow_rudder_log_has_no_rates_and_no_score():
    samples, legs = toy(minutes=20, rate=0.5, period=9.0)
    rows, result = rate_helming(samples, legs, NONE, BOAT)
    row = rows.iloc[0]
    assert row.rudder_rms_deg == approx(3 / np.sqrt(2), rel=0.02)
    assert np.isnan([row.rudder_rate_rms_deg_s, row.reversals_per_min, row.smoothness]).all()
    assert any("slow" in reason for reason in result.reasons)


def test_nothing_under_engine_counts():
    samples, legs = toy(state="motoring")
    rows, result = rate_helming(samples, legs, NONE, BOAT)
    assert rows.empty
    assert result.reasons


def test_no_legs_no_rudder_no_heading():
    samples, legs = toy()
    assert rate_helming(samples, legs.iloc[:0], NONE, BOAT)[0].empty
    bare = samples.drop(columns=["rudder_deg", "hdg_deg"])
    rows, result = rate_helming(bare, legs, NONE, BOAT)
    assert rows.empty
    assert "neither" in result.reasons[0]
    assert result.sentences == result.reasons


def test_missing_helm_and_wind_columns_are_no_error():
    samples, legs = toy()
    rows, _ = rate_helming(samples[["rudder_deg"]], legs.drop(columns="twa_deg"), NONE, Boat())
    assert rows.helm[0] == ""
    assert rows.point_of_sail[0] == ""
    assert np.isnan(rows.rudder_drag_ratio[0])


def test_names_missing_or_spelt_otherwise_make_no_new_helms():
    samples, legs = toy(minutes=12)
    samples.iloc[3600:, samples.columns.get_loc("helm")] = np.nan
    rows = rate_helming(samples, legs, NONE, BOAT)[0]
    assert rows.helm.tolist() == ["Ada", ""]
    samples["helm"] = np.where(np.arange(len(samples)) < 3600, "Autopilot ", "autopilot")
    assert rate_helming(samples, legs, NONE, BOAT)[0].helm.tolist() == ["autopilot"]


def test_a_second_rudder_serves_when_the_first_is_dead():
    samples, legs = toy()
    samples["rudder2_deg"], samples["rudder_deg"] = samples["rudder_deg"], 0.0
    assert rate_helming(samples, legs, NONE, BOAT)[0].rudder_rms_deg[0] == approx(2.12, abs=0.02)


def test_a_maneuver_leaves_no_trace():
    samples, legs = toy(minutes=10)
    wild = samples.copy()
    middle = slice(3000, 3200)
    wild.iloc[middle, wild.columns.get_loc("rudder_deg")] += 25.0
    maneuvers = pd.DataFrame({"start": [samples.index[3000]], "end": [samples.index[3200]]})
    calm = rate_helming(samples, legs, maneuvers, BOAT)[0]
    assert rate_helming(wild, legs, maneuvers, BOAT)[0].rudder_rms_deg[0] == approx(
        calm.rudder_rms_deg[0], rel=1e-9)
    assert calm.minutes[0] == approx(10 - 50 / 60, abs=0.01)


def test_a_gap_is_not_bridged():
    samples, legs = toy(minutes=12)
    samples = pd.concat([samples.iloc[:2500], samples.iloc[5000:]])
    row = rate_helming(samples, legs, NONE, BOAT)[0].iloc[0]
    assert row.rudder_rms_deg == approx(3 / np.sqrt(2), rel=0.01)
    assert row.minutes == approx((2500 + 2200) / 600, abs=0.02)


def test_scores_ignore_the_sensor_offset_and_the_tack(day, rated):
    shifted = day["samples"].assign(rudder_deg=day["samples"]["rudder_deg"] + 7.0)
    rows, result = rate_helming(shifted, day["legs"], day["maneuvers"], BOAT)
    assert rows.smoothness.to_numpy() == approx(rated[0].smoothness.to_numpy(), abs=1e-6,
                                                nan_ok=True)
    if result.offset.known:
        assert result.offset.value == approx(rated[1].offset.value + 7.0, abs=1e-6)
        assert rows.rudder_mean_deg.to_numpy() == approx(rated[0].rudder_mean_deg.to_numpy(),
                                                         abs=1e-6)
    mirrored = day["samples"].copy()
    for name in ("rudder_deg", "twa_deg", "heel_deg"):
        mirrored[name] = -mirrored[name]
    mirrored["hdg_deg"] = (-mirrored["hdg_deg"]) % 360
    legs = day["legs"].assign(twa_deg=-day["legs"]["twa_deg"])
    assert rate_helming(mirrored, legs, day["maneuvers"], BOAT)[0].smoothness.to_numpy() == approx(
        rated[0].smoothness.to_numpy(), abs=1e-6, nan_ok=True)


def test_offset_in_the_boat_file_is_not_taken_off_twice(day, rated):
    assert rated[1].offset.known
    held = rate_helming(day["samples"], day["legs"], day["maneuvers"],
                        Boat(sensors=Sensors(rudder_offset_deg=0.0)))[0]
    gap = held.rudder_mean_deg.to_numpy() - rated[0].rudder_mean_deg.to_numpy()
    assert gap == approx(np.full(gap.size, rated[1].offset.value), abs=1e-6)


@pytest.mark.parametrize("step", [5, 10])
def test_slow_and_fast_logs_agree(day, rated, step):
    """The same day at 2 Hz and 1 Hz: like numbers, like scores."""
    rows, _ = rate_helming(day["samples"].iloc[::step], day["legs"], day["maneuvers"], BOAT)
    fast = rated[0]
    assert len(rows) == len(fast)
    for name, share, least in (("rudder_rms_deg", 0.03, 0.02), ("rudder_rate_rms_deg_s", 0.08, 0.05),
                               ("reversals_per_min", 0.12, 1.5), ("course_sd_deg", 0.05, 0.02)):
        assert rows[name].to_numpy() == approx(fast[name].to_numpy(), rel=share, abs=least), name
    assert rows.smoothness.to_numpy() == approx(fast.smoothness.to_numpy(), abs=2.0, nan_ok=True)


def test_a_slow_sensor_drawn_out_onto_a_fast_clock(day, rated):
    """1 Hz rudder interpolated to 10 Hz must not look quieter."""
    samples = day["samples"].copy()
    t = np.arange(len(samples))
    given = t % 10 == 3
    samples["rudder_deg"] = np.interp(t, t[given], samples["rudder_deg"].to_numpy()[given])
    rows, _ = rate_helming(samples, day["legs"], day["maneuvers"], BOAT, {"rudder_deg": 1.0})
    assert rows.rudder_rms_deg.to_numpy() == approx(rated[0].rudder_rms_deg.to_numpy(), rel=0.03,
                                                    abs=0.03)
    assert rows.smoothness.to_numpy() == approx(rated[0].smoothness.to_numpy(), abs=3.0,
                                                nan_ok=True)


def test_sensor_noise_and_steps_are_not_the_helm(day, rated):
    rng = np.random.default_rng(0)
    noisy = day["samples"].copy()
    noisy["rudder_deg"] += 0.5 * rng.standard_normal(len(noisy))
    rows, result = rate_helming(noisy, day["legs"], day["maneuvers"], BOAT)
    assert result.noise_deg == approx(0.5, abs=0.05)
    assert rows.rudder_rms_deg.to_numpy() == approx(rated[0].rudder_rms_deg.to_numpy(), rel=0.04,
                                                    abs=0.03)
    coarse = day["samples"].assign(rudder_deg=day["samples"]["rudder_deg"].round())
    rows, _ = rate_helming(coarse, day["legs"], day["maneuvers"], BOAT)
    busy = rated[0].rudder_rms_deg.to_numpy() > 1.0
    assert rows.rudder_rms_deg.to_numpy()[busy] == approx(
        rated[0].rudder_rms_deg.to_numpy()[busy], rel=0.05)


def test_a_coarse_sensor_that_flickers_makes_no_reversals():
    """Half a degree of sea about the edge of a 2 deg step: jumps of 2 deg, no correction."""
    samples, legs = toy(amplitude=0.4, period=7.0, mean=1.0)
    samples["rudder_deg"] = 2.0 * np.round(samples["rudder_deg"] / 2.0)
    rows, result = rate_helming(samples, legs, NONE, BOAT)
    assert result.reversal_gap_deg == approx(3.0)
    assert rows.reversals_per_min[0] == 0.0


def test_two_helms_and_an_autopilot_in_order(day, rated):
    _, result = rated
    score = result.by_helm.set_index("helm").smoothness
    truth = {name: value["rms"] for name, value in day["truth"].items()}
    assert sorted(truth, key=truth.get) == sorted(score.index, key=lambda h: -score[h])
    pair = result.comparisons.set_index(["helm", "other"]).loc[("Ada", "Bo")]
    assert pair.low > 0
    assert pair.words == "smoother"
    assert set(result.calm) == {"Ada", "Bo", "autopilot"}
    for name, trace in result.calm.items():
        if name in result.busy:
            assert trace.rudder_rms_deg < 1.5 * result.busy[name].rudder_rms_deg
    assert all(text.endswith(".") for text in result.sentences)


def test_course_steadiness_and_costs_are_consistent(rated):
    rows = rated[0]
    want = 100 * np.expm1(0.5 * np.radians(rows.course_sd_deg) ** 2)
    assert rows.extra_distance_percent.to_numpy() == approx(want.to_numpy())
    assert (rows.rudder_drag_movement_ratio <= rows.rudder_drag_ratio + 1e-9).all()


def test_usual_survives_json(rated):
    rows = rated[0].assign(day="2031-06-01")
    usual = fit_usual(rows)
    again = Usual.from_dict(json.loads(json.dumps(usual.to_dict())))
    assert again.mean == approx(usual.mean)
    assert again.cov == approx(usual.cov)
    assert again.helms.keys() == usual.helms.keys() == {"Ada", "Bo", "autopilot"}
    assert Usual.from_dict({"terms": ["other"]}).stretches == 0


def test_an_archive_narrows_the_interval(day, rated):
    rows = pd.concat([rated[0].assign(day=f"2031-06-{d:02d}") for d in range(1, 9)])
    usual = fit_usual(rows)
    assert usual.from_archive
    later = rate_helming(day["samples"], day["legs"], day["maneuvers"], BOAT, usual=usual)
    def width(t):
        return (t.smoothness_high - t.smoothness_low).mean()
    assert width(later[0]) < 0.8 * width(rated[0])
    assert np.isfinite(later[1].by_helm.usual).all()
    again = rescore(rows, usual)
    people = again[again.helm != "autopilot"]
    assert people.groupby("helm").smoothness.mean().mean() == approx(50, abs=4)


def test_the_boats_turning_is_remembered(rated):
    rows = rated[0].assign(turn_K_per_s=0.3, turn_T_s=1.5, turn_stw_kn=6.0, day="2031-06-01")
    assert fit_usual(rows).turning == {"K_per_s": 0.3, "T_s": 1.5, "stw_kn": 6.0}


def test_fit_usual_of_nothing_is_the_starting_model():
    assert fit_usual(pd.DataFrame()).stretches == 0
    assert not Usual().from_archive


def test_without_a_rudder_sensor_all_is_marked_inferred(day):
    samples = day["samples"].drop(columns="rudder_deg")
    rows, result = rate_helming(samples, day["legs"], day["maneuvers"], BOAT)
    assert result.basis == "inferred"
    assert (rows.basis == "inferred").all()
    assert any("inferred" in reason for reason in result.reasons)
    assert rows.smoothness.notna().any()
    assert rows[["rudder_mean_deg", "weather_helm_deg", "rudder_drag_ratio"]].isna().all().all()
    assert "rudder sensor" in result.advice["Ada"]


def test_without_roll_and_pitch_the_interval_is_wider(day, rated):
    samples = day["samples"].drop(columns=["heel_deg", "trim_deg"])
    rows, result = rate_helming(samples, day["legs"], day["maneuvers"], BOAT)
    assert result.motion_basis == "heading"
    wide = (rows.smoothness_high - rows.smoothness_low).mean()
    assert wide > 1.05 * (rated[0].smoothness_high - rated[0].smoothness_low).mean()
    rows, result = rate_helming(samples.drop(columns="hdg_deg"), day["legs"], day["maneuvers"], BOAT)
    assert result.motion_basis == "wind"
    assert (rows.smoothness_high - rows.smoothness_low).mean() > 1.3 * wide


def test_the_waves_push_is_not_the_helms_doing():
    """A boat turned by her rudder alone, however wildly, shows no push by waves."""
    rate, K, T = 10.0, 0.3, 2.0
    t = np.arange(0, 600, 1 / rate)
    pushes = []
    for amplitude, wave in ((2.0, 0.0), (8.0, 0.0), (2.0, 3.0), (8.0, 3.0)):
        rudder = amplitude * np.sin(2 * np.pi * 0.13 * t)
        sea = wave * np.sin(2 * np.pi * 0.25 * t + 1.0)
        heading = 100 + np.cumsum(nomoto_yaw_deg_s(rudder + sea, rate, K, T)) / rate
        samples = table(hdg_deg=heading % 360, rudder_deg=rudder, rate=rate)
        piece = Piece(slice(0, t.size), "Ada", "upwind", 1)
        windows, _ = measure_windows(samples, [piece], rudder, {}, rate, turning=(K, T))
        pushes.append(float(np.sqrt(windows.push_var[1:-1].mean())))
    assert pushes[0] < 0.15
    assert pushes[1] < 0.6
    assert pushes[2:] == [approx(3 / np.sqrt(2), rel=0.08)] * 2
