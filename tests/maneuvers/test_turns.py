"""Turns by hand: what is a tack, a gybe, a luff, a circle, and what is none."""

import numpy as np
import pytest
from seas.toy import ramp, seconds, toy_log

from sailanalysis.core.model import Boat
from sailanalysis.maneuvers import find_legs, find_maneuvers
from sailanalysis.maneuvers.reasons import What

T = np.arange(0.0, 400.0)
BOAT = Boat()


def kinds(samples):
    return find_maneuvers(samples, BOAT)["kind"].tolist()


def test_tack_at_a_steady_rate_crosses_where_the_heading_meets_the_wind():
    # 318 to 402 deg in 12 s is 7 deg/s; the wind, 0 deg, is met after 42 of the 84 deg: at 206 s.
    found = find_maneuvers(toy_log(ramp(T, 200, 212, 318, 402), 6.0), BOAT)
    assert found["kind"].tolist() == ["tack"]
    row = found.iloc[0]
    assert seconds(row["crossing"]) == pytest.approx(206.0, abs=0.2)
    assert (row["from_side"], row["to_side"]) == ("starboard", "port")
    assert row["turn_deg"] == pytest.approx(84.0, abs=2.0)
    assert row["max_rate_of_turn_deg_s"] == pytest.approx(7.0, abs=0.2)
    assert row["twa_before_deg"] == pytest.approx(42.0, abs=0.5)
    assert row["twa_after_deg"] == pytest.approx(-42.0, abs=0.5)
    assert 198 <= seconds(row["start"]) <= 202
    assert 210 <= seconds(row["end"]) <= 214


def test_turning_to_port_is_negative_and_a_gybe_passes_the_stern():
    # 150 deg off on starboard is heading 210; turning to port by 60 deg ends at 150, port tack.
    found = find_maneuvers(toy_log(ramp(T, 200, 210, 210, 150), 6.0), BOAT)
    assert found["kind"].tolist() == ["gybe"]
    assert found["turn_deg"].iloc[0] == pytest.approx(-60.0, abs=2.0)
    assert seconds(found["crossing"].iloc[0]) == pytest.approx(205.0, abs=0.2)
    assert found["to_side"].iloc[0] == "port"


def test_reach_to_reach_tack_of_180_degrees_is_a_tack_not_a_gybe():
    assert kinds(toy_log(ramp(T, 200, 225, 270, 450), 6.0)) == ["tack"]
    assert kinds(toy_log(ramp(T, 200, 225, 270, 90), 6.0)) == ["gybe"]


def test_crossing_is_the_headings_not_the_lagging_vanes():
    # A vane with a time constant of 6 s swings through some 6 s late.
    heading = ramp(T, 200, 212, 318, 402)
    samples = toy_log(heading, 6.0)
    twa, state = samples["twa_deg"].to_numpy().copy(), 42.0
    for i, value in enumerate(twa):
        state += (value - state) / 6.0
        twa[i] = state
    samples["twa_deg"] = twa
    samples["twd_deg"] = (heading + twa) % 360.0
    found = find_maneuvers(samples, BOAT)
    assert found["kind"].tolist() == ["tack"]
    assert seconds(found["crossing"].iloc[0]) == pytest.approx(206.0, abs=1.0)


def test_wind_shift_through_the_bow_is_no_maneuver():
    assert kinds(toy_log(np.full(T.size, 318.0), 5.0, wind_from_deg=ramp(T, 180, 220, 0, -84))) == []


def test_wave_yaw_is_no_maneuver():
    yaw = 12.0 * np.sin(2 * np.pi * T / 5.3)
    assert kinds(toy_log(318.0 + yaw, 6.0)) == []
    assert kinds(toy_log(188.0 + yaw, 6.0)) == []  # running, 8 deg off dead downwind


def test_flapping_vane_in_two_knots_is_no_maneuver():
    rng = np.random.default_rng(4)
    twd = 80.0 * np.convolve(rng.normal(size=T.size), np.ones(15) / 4, mode="same")
    samples = toy_log(318.0 + 4 * np.sin(T / 20), 1.2, wind_from_deg=twd, tws_kn=2.0)
    assert kinds(samples) == []


def test_luff_and_failed_tack_are_luffs():
    luff = ramp(T, 200, 206, 318, 350) - ramp(T, 220, 226, 0, 32)
    assert kinds(toy_log(luff, 4.0)) == ["luff"]
    speed = np.where((T > 205) & (T < 245), 1.0, 6.0)
    fell_back = ramp(T, 200, 208, 318, 372) - ramp(T, 216, 226, 0, 54)
    found = find_maneuvers(toy_log(fell_back, speed), BOAT)
    assert found["kind"].tolist() == ["luff"]
    assert found["what"].iloc[0] in (What.FAILED_TACK, What.THROUGH_THE_WIND)


def test_two_tacks_25_seconds_apart_are_two():
    heading = ramp(T, 200, 208, 318, 402) - ramp(T, 225, 233, 0, 84)
    found = find_maneuvers(toy_log(heading, 5.0), BOAT)
    assert found["kind"].tolist() == ["tack", "tack"]
    assert np.diff([seconds(t) for t in found["crossing"]])[0] == pytest.approx(25.0, abs=0.5)


def test_full_circle_is_one_circle_whichever_way():
    assert kinds(toy_log(ramp(T, 200, 240, 318, 678), 4.0)) == ["circle"]
    assert kinds(toy_log(ramp(T, 200, 240, 318, -42), 4.0)) == ["circle"]


def test_bearing_away_and_heading_up():
    away = find_maneuvers(toy_log(ramp(T, 200, 212, 318, 230), 6.0), BOAT)
    assert away["kind"].tolist() == ["bear_away"]
    assert away["crossing"].isna().all()
    assert kinds(toy_log(ramp(T, 200, 212, 230, 318), 6.0)) == ["head_up"]


def test_a_catamaran_stuck_head_to_wind_for_a_minute_tacks_once():
    heading = ramp(T, 180, 190, 310, 355) + ramp(T, 240, 255, 0, 55)
    speed = np.where((T > 185) & (T < 260), 0.3, 7.0)
    assert kinds(toy_log(heading, speed)) == ["tack"]


def test_nothing_under_engine_is_a_maneuver():
    samples = toy_log(ramp(T, 200, 212, 318, 402), 6.0)
    samples["state"] = "motoring"
    assert kinds(samples) == []


def test_course_over_ground_serves_without_a_heading():
    samples = toy_log(ramp(T, 200, 212, 318, 402), 6.0).drop(columns="hdg_deg")
    found = find_maneuvers(samples, BOAT)
    assert found["kind"].tolist() == ["tack"]
    assert seconds(found["crossing"].iloc[0]) == pytest.approx(206.0, abs=0.3)


def test_empty_and_windless_logs_have_no_maneuvers_but_all_columns():
    samples = toy_log(ramp(T, 200, 212, 318, 402), 6.0)
    for log in (samples.iloc[:0], samples.assign(twd_deg=np.nan, twa_deg=np.nan)):
        found = find_maneuvers(log, BOAT)
        assert len(found) == 0
        assert {"kind", "crossing", "what"} <= set(found)
        assert len(find_legs(log, found, BOAT)) == 0


def test_legs_lie_between_maneuvers_and_tell_what_was_sailed():
    samples = toy_log(ramp(T, 200, 212, 318, 402), 6.0, heel_deg=np.where(T < 206, -15.0, 15.0))
    maneuvers = find_maneuvers(samples, BOAT)
    legs = find_legs(samples, maneuvers, BOAT)
    assert legs["side"].tolist() == ["starboard", "port"]
    assert legs["twa_deg"].tolist() == pytest.approx([42.0, -42.0], abs=0.5)
    assert legs["stw_kn"].tolist() == pytest.approx([6.0, 6.0])
    assert legs["heel_deg"].iloc[0] == pytest.approx(-15.0)
    assert legs["polar_ratio"].isna().all()
    assert (legs["end"] <= legs["start"].shift(-1).fillna(legs["end"])).all()
    assert legs["end"].iloc[0] < maneuvers["start"].iloc[0]
    assert legs["start"].iloc[1] > maneuvers["end"].iloc[0]


def test_a_change_of_course_or_of_helm_parts_a_leg():
    angle = toy_log(ramp(T, 200, 204, 318, 298), 6.0)
    assert len(find_legs(angle, find_maneuvers(angle, BOAT), BOAT)) == 2
    helms = toy_log(np.full(T.size, 318.0), 6.0, )
    helms["helm"] = np.where(T < 150, "first", "second")
    assert find_legs(helms, find_maneuvers(helms, BOAT), BOAT)["helm"].tolist() == \
        ["first", "second"]
