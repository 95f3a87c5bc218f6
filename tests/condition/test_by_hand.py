"""Words, borders and order of conditioning, by hand."""

import numpy as np
import pytest

from sailanalysis.condition import condition
from sailanalysis.condition.conditioning import _percent
from sailanalysis.condition.marks import is_position_jump, is_spike
from sailanalysis.core.model import RawLog, Stream

T0 = 1_750_000_000.0


@pytest.mark.parametrize(("share", "words"), [
    (0.9949, "99.5 %"), (0.995, "all of them"), (0.01, "1.0 %"), (0.001, "0.1 %"),
    (0.00099, "below 0.1 %")])
def test_shares_in_words(share, words):
    assert _percent(share) == words


@pytest.mark.parametrize(("leap", "spike"), [(1.9, False), (2.1, True), (3.9, True)])
def test_boat_speed_leaps_from_two_knots_on(leap, spike):
    x = np.full(120, 6.0)
    x[60] += leap
    assert is_spike("stw_kn", np.arange(120.0), x)[60] == spike


@pytest.mark.parametrize(("size", "spike"), [(6, False), (7, True)])
def test_a_spike_is_told_from_seven_samples_on(size, spike):
    x = np.full(size, 6.0)
    x[3] = 20.0
    assert is_spike("stw_kn", np.arange(float(size)), x)[3] == spike


@pytest.mark.parametrize(("step", "spike"), [(1.4, True), (1.6, False)])
def test_a_spike_needs_neighbours_within_a_few_usual_steps(step, spike):
    # The usual step is a quarter of a second: three before and three after within six seconds.
    time = np.arange(0.0, 60.0, 0.25)
    k = 120
    time[k + 1:] += 3 * step
    x = np.full(time.size, 6.0)
    x[k] = 20.0
    span = time[k + 3] - time[k - 3]
    assert (span <= 4 * 3 * 0.5) == spike
    assert is_spike("stw_kn", time, x)[k] == spike


def test_two_fixes_show_no_jump_three_do():
    lat, lon = np.array([55.0, 56.0, 55.0]), np.full(3, 12.0)
    jump, breaks = is_position_jump(np.arange(2.0), lat[:2], lon[:2])
    assert not jump.any() and breaks.size == 0


def streams(source, speed, seconds=400, **more):
    time = T0 + np.arange(float(seconds))
    values = {"stw_kn": np.full(seconds, speed) + 0.05 * np.sin(np.arange(seconds)), **more}
    return [Stream(channel, source, time, np.asarray(value, dtype=float), 0)
            for channel, value in values.items()]


def test_speed_and_angle_of_the_wind_come_from_one_sensor_and_the_others_still_fill():
    n = np.arange(400.0)
    wind = {"awa_deg": 40 + np.sin(n), "aws_kn": 12 + np.sin(n)}
    short = slice(0, 300)
    log = streams("a", 6.0)
    time = T0 + n
    log += [Stream("awa_deg", "x", time, wind["awa_deg"], 0),
            Stream("aws_kn", "x", time[short], wind["aws_kn"][short], 0),
            Stream("awa_deg", "y", time[short], wind["awa_deg"][short] + 1, 0),
            Stream("aws_kn", "y", time, wind["aws_kn"] + 1, 0)]
    table = condition(RawLog(tuple(log), ())).sources
    chosen = table[table["chosen"]].set_index("channel")["source"]
    assert chosen["awa_deg"] == chosen["aws_kn"]
    assert len(table[table["channel"] == "aws_kn"]) == 2  # the second is kept behind it


def test_a_position_left_out_is_said_once():
    time = T0 + np.arange(600.0)
    lat, lon = 55.0 + 5e-5 * np.arange(600), np.full(600, 12.0)
    lat[300:303] += 2.0
    lon[300:303] += 2.0
    log = [Stream("lat", "g", time, lat, 0), Stream("lon", "g", time, lon, 0),
           Stream("sog_kn", "g", time, np.full(600, 10.8) + 0.1 * np.sin(time), 0)]
    findings = [f for f in condition(RawLog(tuple(log), ())).findings if "jump" in f.code]
    assert [f.channel for f in findings] == ["lat"]
    assert findings[0].message.startswith("Position (g): 3 samples left out (0.5 %)")
    assert findings[0].level == "note"


M_PER_DEG = 111_319.0  # WGS 84 at 55 deg north along the meridian, to a thousandth


def lone_fix(metres, sog_kn=0.0):
    """A fix every ten seconds, lying still, one of them some metres north of the others."""
    time, lat, lon = np.arange(0.0, 600.0, 10.0), np.full(60, 55.0), np.full(60, 12.0)
    lat[30] += metres / M_PER_DEG
    return is_position_jump(time, lat, lon, np.full(60, sog_kn))[0]


@pytest.mark.parametrize(("metres", "sog_kn", "jump"), [
    # Three knots over ten seconds are 15.4 m, and 30 m are any receiver's; half as fast again.
    (44.0, 0.0, False), (47.0, 0.0, True), (75.0, 4.0, False), (78.0, 4.0, True)])
def test_a_fix_jumps_beyond_what_she_may_have_made(metres, sog_kn, jump):
    marked = lone_fix(metres, sog_kn)
    assert marked[30] == jump and marked.sum() == int(jump)


def test_over_a_gap_she_may_have_made_what_she_usually_makes():
    # Six knots all day; a speed of nought about a minute of silence in which she made 185 m.
    time = np.concatenate([np.arange(0.0, 300.0), 359.0 + np.arange(300.0)])
    lat = 55.0 + 6.0 * 0.514444 * time / M_PER_DEG
    sog = np.full(time.size, 6.0)
    sog[299:301] = 0.0
    jump, breaks = is_position_jump(time, lat, np.full(time.size, 12.0), sog)
    assert not jump.any() and breaks.size == 0


def test_a_stuck_vane_is_told_by_the_positions_alone():
    n = np.arange(900.0)
    time = T0 + n
    lat = 55.0 + 6.0 * 0.514444 * n / M_PER_DEG
    aws = 12.0 + np.sin(n)
    aws[300:500] = 11.0
    log = [Stream("lat", "g", time, lat, 0), Stream("lon", "g", time, np.full(900, 12.0), 0),
           Stream("aws_kn", "w", time, aws, 0)]
    moving = condition(RawLog(tuple(log), ())).left_out
    assert moving[moving["reason"] == "stuck"]["channel"].tolist() == ["aws_kn"]
    assert moving["count"].iloc[0] == pytest.approx(200, abs=3)
    # Lying still, a steady reading is the truth.
    log[0] = Stream("lat", "g", time, np.full(900, 55.0) + 1e-7 * np.sin(n), 0)
    assert condition(RawLog(tuple(log), ())).left_out.empty


@pytest.mark.parametrize(("metres", "jump"), [(70.0, False), (80.0, True)])
def test_where_she_says_she_moves_a_fix_may_be_farther_off(metres, jump):
    # Four knots on her log about that fix alone: (1.5 * 4 + 3) kn over 10 s are 46.3 m, and 30 m.
    time, lat, lon = np.arange(0.0, 600.0, 10.0), np.full(60, 55.0), np.full(60, 12.0)
    sog = np.zeros(60)
    lat[30] += metres / M_PER_DEG
    sog[30] = 4.0
    assert is_position_jump(time, lat, lon, sog)[0][30] == jump


@pytest.mark.parametrize(("channel", "floor", "level"), [
    ("stw_kn", 2.0, 6.0), ("sog_kn", 2.0, 6.0), ("aws_kn", 10.0, 15.0), ("tws_logged_kn", 10.0, 15.0),
    ("hdg_deg", 30.0, 90.0), ("hdg_mag_deg", 30.0, 90.0), ("awa_deg", 70.0, 40.0),
    ("twa_logged_deg", 70.0, 40.0), ("rudder_deg", 40.0, 0.0), ("heel_deg", 25.0, 10.0),
    ("trim_deg", 15.0, 0.0), ("rate_of_turn_deg_s", 30.0, 0.0), ("depth_m", 10.0, 20.0),
    ("variation_deg", 2.0, 5.0), ("engine_rpm", 1500.0, 1000.0), ("leeway_logged_deg", 20.0, 4.0),
    ("drift_logged_kn", 3.0, 1.0), ("water_temp_c", 3.0, 14.0), ("air_temp_c", 5.0, 16.0),
    ("pressure_hpa", 3.0, 1013.0)])
def test_what_a_quantity_may_do_within_a_few_samples(channel, floor, level):  # common practice
    for leap, spike in ((0.97 * floor, False), (1.03 * floor, True), (-1.03 * floor, True)):
        x = np.full(120, level)
        x[60] += leap
        assert is_spike(channel, np.arange(120.0), x)[60] == spike
