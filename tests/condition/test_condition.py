"""From raw streams to one clock."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx
from real_logs import real_log

from sailanalysis.condition import condition
from sailanalysis.condition.clock import (
    common_rate_hz,
    grid_s,
    is_reading,
    onto_clock,
    pace,
    phase_s,
)
from sailanalysis.core.errors import LogError
from sailanalysis.core.model import RawLog, Stream
from sailanalysis.core.series import epoch_s, runs

T0 = 1_750_000_000.0


def stream(channel, rate, value, seconds=600.0, source="a", start=0.0, seed=0):
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, seconds, 1 / rate)
    time = time + rng.uniform(0, 0.2 / rate, time.size)
    made = value(time) if callable(value) else np.full(time.size, float(value))
    return Stream(channel, source, T0 + start + time, made)


def wave(level, size=1.0):
    return lambda t: level + size * np.sin(t / 7.0)


def made(*streams, breaks=()):
    return condition(RawLog(tuple(streams), (), breaks_s=tuple(breaks)))


def test_the_fastest_steady_sensor_sets_the_pace():
    cond = made(stream("hdg_deg", 5.0, wave(90)), stream("stw_kn", 1.0, wave(6)),
                stream("depth_m", 20.0, wave(12)))
    assert cond.rate_hz == 5.0
    assert cond.native_rate_hz["stw_kn"] == approx(1.0, rel=0.02)


def test_no_clock_is_faster_than_ten():
    assert made(stream("hdg_deg", 40.0, wave(90), 60)).rate_hz == 10.0


def test_rates_are_usual_ones():
    steady = [pace(np.arange(0, 100, step)) for step in (1.02, 0.21, 2.0)]
    assert [common_rate_hz([p]) for p in steady] == [1.0, 5.0, 0.5]


@pytest.mark.parametrize("step", [5.0, 7.0, 10.0, 30.0, 60.0])
def test_a_slow_log_keeps_its_own_step_and_readings(step):
    rows = 17.0 + step * np.arange(40)
    x, y = 6.0 + np.sin(rows), np.mod(90.0 + rows, 360.0)
    cond = made(Stream("stw_kn", "a", T0 + rows, x), Stream("hdg_deg", "a", T0 + rows, y))
    assert cond.rate_hz == approx(1 / step)
    assert epoch_s(cond.samples.index) - T0 == approx(rows)
    assert cond.samples["stw_kn"].to_numpy() == approx(x)
    assert cond.is_reading.to_numpy().all()


def test_between_rows_no_reading_is_claimed():
    # Wind every five seconds on the clock of a heading every second: four in five are drawn.
    t = np.arange(0.0, 101.0)
    cond = made(Stream("hdg_deg", "a", T0 + t, 90 + np.sin(t)), Stream("aws_kn", "a", T0 + t[::5], 9 + t[::5] / 100))
    assert cond.is_reading["hdg_deg"].all()
    assert cond.is_reading["aws_kn"].to_numpy().nonzero()[0].tolist() == list(range(0, 101, 5))
    assert cond.samples["aws_kn"].notna().all()


def test_a_reading_half_a_step_away_counts():
    assert is_reading([10.0], [10.5], 1.0).tolist() == [True]
    assert is_reading([10.0, 10.0], [10.51], 1.0).tolist() == [False, False]
    assert is_reading([10.0], [9.49], 1.0).tolist() == [False]
    assert is_reading([10.0], [], 1.0).tolist() == [False]


def test_the_phase_of_a_slow_clock():
    assert phase_s(7.0 + 30.0 * np.arange(20), 1 / 30) == 7.0
    assert phase_s(29.9 + 30.0 * np.arange(20) + np.tile([-0.4, 0.4], 10), 1 / 30) == approx(29.9, abs=0.5)
    assert phase_s(np.random.default_rng(0).uniform(0, 600, 50), 1 / 30) == 0.0
    assert phase_s(0.3 + np.arange(20.0), 1.0) == 0.0
    assert grid_s([(7.0, 67.0)], 1 / 30, 7.0) == approx([7.0, 37.0, 67.0])


def test_instants_do_not_depend_on_where_the_log_starts():
    whole = made(stream("stw_kn", 1.0, wave(6)), stream("hdg_deg", 1.0, wave(90)))
    late = condition(RawLog(tuple(
        Stream(s.channel, s.source, s.time_s[137:], s.value[137:])
        for s in (stream("stw_kn", 1.0, wave(6)), stream("hdg_deg", 1.0, wave(90)))), ()))
    both = whole.samples.join(late.samples.add_suffix("_late"), how="inner").dropna()
    assert len(both) > 400
    assert both["stw_kn"].to_numpy() == approx(both["stw_kn_late"].to_numpy())


def test_values_are_kept_and_bearings_cross_north():
    cond = made(stream("hdg_deg", 10.0, lambda t: (350.0 + 0.1 * t) % 360.0),
                stream("awa_deg", 1.0, lambda t: (170.0 + 0.05 * t + 180) % 360 - 180))
    t = epoch_s(cond.samples.index) - T0
    off = (cond.samples["hdg_deg"] - 350.0 - 0.1 * t + 180) % 360 - 180
    assert np.nanmax(np.abs(off)) < 1e-6
    off = (cond.samples["awa_deg"] - 170.0 - 0.05 * t + 180) % 360 - 180
    assert np.nanmax(np.abs(off)) < 1e-6


def test_a_gap_in_all_sensors_leaves_no_rows_and_in_one_leaves_holes():
    def cut(s, a, b):
        keep = (s.time_s < T0 + a) | (s.time_s > T0 + b)
        return Stream(s.channel, s.source, s.time_s[keep], s.value[keep])

    speed, heading = stream("stw_kn", 1.0, wave(6)), stream("hdg_deg", 1.0, wave(90))
    cond = made(cut(speed, 100, 300), cut(heading, 100, 300))
    t = epoch_s(cond.samples.index) - T0
    assert not ((t > 103) & (t < 297)).any()
    assert len(runs(t)) == 2
    cond = made(cut(speed, 100, 300), heading)
    t = epoch_s(cond.samples.index) - T0
    inside = (t > 103) & (t < 297)
    assert inside.sum() > 190
    assert cond.samples.loc[inside, "stw_kn"].isna().all()
    assert cond.samples.loc[inside, "hdg_deg"].notna().all()


def test_nothing_is_interpolated_over_a_break():
    lat = stream("lat", 1.0, lambda t: 50.0 + 1e-5 * t)
    lon = stream("lon", 1.0, lambda t: -5.0 + 0 * t)
    cond = made(lat, lon, breaks=(T0 + 300.4,))
    t = epoch_s(cond.samples.index) - T0
    near = cond.samples["lat"][(t >= 300) & (t <= 301)]
    assert near.isna().any() or len(near) < 2


def test_the_better_of_two_sources_is_chosen_and_said():
    good = stream("stw_kn", 2.0, wave(6), source="long", seed=1)
    short = stream("stw_kn", 5.0, wave(6), seconds=200.0, source="short", seed=2)
    cond = made(good, short)
    table = cond.sources.set_index("source")
    assert table.loc["long", "chosen"]
    assert "min" in table.loc["short", "why"]
    rng = np.random.default_rng(0)
    noisy = stream("stw_kn", 2.0, lambda t: 6 + rng.normal(0, 1, t.size), source="noisy")
    table = made(good, noisy).sources.set_index("source")
    assert table.loc["long", "chosen"]
    assert "noise" in table.loc["noisy", "why"]


def test_the_choice_does_not_depend_on_the_order_of_files():
    streams = [stream("hdg_deg", r, wave(90), source=s, seed=i)
               for i, (r, s) in enumerate(((1.0, "b"), (1.0, "a"), (0.5, "c")))]
    a = made(*streams).sources.sort_values("source").reset_index(drop=True)
    b = made(*reversed(streams)).sources.sort_values("source").reset_index(drop=True)
    assert a.equals(b)


def test_wind_angle_and_speed_come_from_one_sensor():
    cond = made(stream("awa_deg", 1.0, wave(30), source="mast"),
                stream("aws_kn", 1.0, wave(15), source="mast"),
                stream("aws_kn", 4.0, wave(16), source="lone"))
    chosen = cond.sources[cond.sources["chosen"]].set_index("channel")["source"]
    assert chosen["awa_deg"] == chosen["aws_kn"] == "mast"


def test_another_source_speaks_where_the_best_is_silent():
    first = stream("stw_kn", 1.0, 6.0, seconds=1200.0, source="a")
    second = stream("stw_kn", 1.0, 5.0, seconds=600.0, start=1300.0, source="b")
    cond = made(first, second)
    t = epoch_s(cond.samples.index) - T0
    assert cond.samples["stw_kn"][t > 1310].eq(5.0).all()
    assert "silent" in cond.sources.set_index("source").loc["b", "why"]


def test_faults_are_left_out_and_written_down():
    def faulty(t):
        x = 6.0 + 0.1 * np.sin(t)
        x[50] = 55.0
        x[51:53] = 200.0
        return x

    cond = made(stream("stw_kn", 1.0, faulty), stream("hdg_deg", 1.0, wave(90)))
    assert cond.samples["stw_kn"].max() < 7.0
    assert dict(zip(cond.left_out["reason"], cond.left_out["count"], strict=True)) == {
        "out of range": 2, "spike": 1}
    assert {f.code for f in cond.findings} == {"out-of-range", "spike"}


def test_equal_stamps_are_averaged_not_fatal():
    time = T0 + np.repeat(np.arange(300.0), 2)
    value = np.tile([5.0, 7.0], 300)
    cond = made(Stream("stw_kn", "a", time, value))
    assert cond.samples["stw_kn"].to_numpy() == approx(np.full(300, 6.0))


def test_an_empty_log_is_an_error_in_one_line():
    with pytest.raises(LogError, match="no position, speed, heading or wind"):
        condition(RawLog((), ()))
    with pytest.raises(LogError):
        made(Stream("stw_kn", "a", np.array([T0]), np.array([np.nan])))


@settings(max_examples=25, deadline=None)
@given(rate=st.sampled_from([0.5, 1.0, 2.0, 5.0, 10.0]), value=st.floats(-30, 30),
       seed=st.integers(0, 100))
def test_a_constant_stays_a_constant(rate, value, seed):
    cond = made(stream("heel_deg", rate, value, 120.0, seed=seed))
    assert cond.samples["heel_deg"].dropna().to_numpy() == approx(value)


def test_a_fast_stream_is_averaged_not_picked():
    time = np.arange(0.0, 100.0, 0.02)
    noise = np.random.default_rng(0).normal(0, 1, time.size)
    got = onto_clock("stw_kn", time, noise, np.arange(1.0, 99.0), 2.0, 1.0)
    assert np.std(got) < 0.3


def test_recorded_log_with_a_dead_anemometer():
    from sailanalysis.read import read_logs

    cond = condition(read_logs([real_log("lake-one-tack-0183")]))
    assert "aws_kn" not in cond.samples
    assert "stuck-sensor" in {f.code for f in cond.findings}
    assert cond.rate_hz == 10.0


def test_recorded_log_with_a_leap_at_its_end():
    from sailanalysis.read import read_logs

    cond = condition(read_logs([real_log("bay-six-tacks-0183")]))
    jumps = cond.left_out[cond.left_out["reason"] == "position jump"]
    assert len(jumps) >= 2
    assert jumps["count"].max() < 10
