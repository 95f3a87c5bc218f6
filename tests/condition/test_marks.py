"""Rules for faults: by hand, and that sound data pass untouched."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sailanalysis.condition.marks import (
    is_out_of_range,
    is_position_jump,
    is_spike,
    is_stuck,
    unwrap_past_spikes,
)


def test_out_of_range_by_the_channel_table():
    assert is_out_of_range("stw_kn", [7.0, 61.0, -6.0, np.nan]).tolist() == [
        False, True, True, False]
    # A bearing of 360 and an angle of 270 are ways of counting, 720 is none.
    assert is_out_of_range("hdg_deg", [360.0, 720.0]).tolist() == [False, True]
    assert is_out_of_range("awa_deg", [270.0, -361.0]).tolist() == [False, True]
    assert is_out_of_range("lat", [91.0, 45.0]).tolist() == [True, False]


@pytest.mark.parametrize("rate", [0.5, 1.0, 10.0])
def test_a_lone_leap_is_a_spike_and_a_tack_is_not(rate):
    time = np.arange(0.0, 300.0, 1 / rate)
    speed = 6.0 + 0.2 * np.sin(time)
    speed[time.size // 2] = 25.0
    assert np.flatnonzero(is_spike("stw_kn", time, speed)).tolist() == [time.size // 2]
    # Ninety degrees in five seconds, over north.
    heading = (320.0 + np.clip((time - 150.0) * 18.0, 0, 90)) % 360.0
    assert not is_spike("hdg_deg", time, heading).any()


def test_a_heading_spike_over_north_is_seen_and_north_itself_is_none():
    time = np.arange(100.0)
    heading = np.where(np.arange(100) % 2 == 0, 359.5, 0.5)
    assert not is_spike("hdg_deg", time, heading).any()
    heading[40] = 180.0
    assert np.flatnonzero(is_spike("hdg_deg", time, heading)).tolist() == [40]


@pytest.mark.parametrize("spoilt", [[180.0], [240.0, 120.0], [270.0, 180.0, 90.0]])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_heading_averaged_through_north_is_caught_on_the_circle(spoilt, sign):
    """From 358 to 2 a compass that averages gives 180; sample by sample that is a whole turn."""
    before = np.linspace(350.0, 358.0, 30)
    after = np.linspace(2.0, 10.0, 30)
    heading = np.mod(sign * np.concatenate([before, spoilt, after]), 360.0)
    time = np.arange(float(heading.size))
    assert np.flatnonzero(is_spike("hdg_mag_deg", time, heading)).tolist() == list(
        range(30, 30 + len(spoilt)))
    path = unwrap_past_spikes(heading, 30.0)
    assert abs(path[-1] - path[0]) == pytest.approx(20.0)  # 350 to 10, no turn more or less


def test_a_reading_averaged_within_a_turn_through_north_is_caught():
    heading = np.mod(np.concatenate([np.full(20, 300.0), 320.0 + 20.0 * np.arange(5), np.full(20, 60.0)]), 360.0)
    heading[22] = 180.0  # 320, 340, [0], 20, 40
    assert np.flatnonzero(is_spike("hdg_deg", np.arange(45.0), heading)).tolist() == [22]


def test_a_turn_through_north_is_followed_all_the_way():
    # A real circle at 20 deg a sample, and one at 100, which no median would follow.
    for step in (20.0, -20.0):
        path = unwrap_past_spikes(np.mod(step * np.arange(19), 360.0), 30.0)
        assert path - path[0] == pytest.approx(step * np.arange(19))
    assert unwrap_past_spikes([], 30.0).size == 0
    assert unwrap_past_spikes([350.0, 10.0], 30.0).tolist() == [350.0, 370.0]


@pytest.mark.parametrize(("leap", "spike"), [(8.8, False), (9.0, True)])
def test_the_limit_of_six_deviations_by_hand(leap, spike):
    # 5.5, 6.5, 5.5, ...: the median of seven is the other value, so each is off by 1, and the
    # limit 6 x 1.4826 x 1 = 8.896 kn.
    speed = 6.0 + 0.5 * np.where(np.arange(61) % 2 == 0, 1.0, -1.0)
    speed[30] = 5.5 + leap
    assert bool(is_spike("stw_kn", np.arange(61.0), speed)[30]) is spike


@pytest.mark.parametrize(("leap", "spike"), [(1.9, False), (2.1, True)])
def test_a_leap_below_what_a_boat_can_do_is_no_spike(leap, spike):
    speed = np.full(61, 6.0)
    speed[30] += leap
    assert bool(is_spike("stw_kn", np.arange(61.0), speed)[30]) is spike


@pytest.mark.parametrize(("width", "spike"), [(3, True), (4, False)])
def test_three_samples_are_a_spike_and_four_are_none(width, spike):
    speed = np.full(61, 6.0)
    speed[30: 30 + width] = 20.0
    assert is_spike("stw_kn", np.arange(61.0), speed).sum() == (width if spike else 0)


@pytest.mark.parametrize(("seconds", "stuck"), [(119, False), (122, True)])
@pytest.mark.parametrize(("speed", "moving"), [(1.4, False), (1.6, True)])
def test_stuck_begins_at_its_limit_and_only_under_way(seconds, stuck, speed, moving):
    value = 6.0 + 0.01 * np.arange(400.0)
    value[100: 101 + seconds] = 7.0
    marked = is_stuck("stw_kn", np.arange(400.0), value, np.full(400, speed))
    assert marked.sum() == (seconds + 1 if stuck and moving else 0)


def test_gusts_are_no_spikes():
    rng = np.random.default_rng(4)
    time = np.arange(0.0, 3600.0)
    gusty = 15.0 + np.convolve(rng.normal(0, 6, time.size + 4), np.ones(5) / 5, "valid")
    assert not is_spike("aws_kn", time, gusty).any()


def test_hampel_by_hand():  # published: window 1 3 2 50 2 3 1, median 2, scale 1.4826
    value = np.array([1, 2, 1, 3, 2, 50, 2, 3, 1, 2, 2], dtype=float)
    assert np.flatnonzero(is_spike("aws_kn", np.arange(11.0), value)).tolist() == [5]


def _track(n=600, speed_kn=6.0):
    time = np.arange(float(n))
    lat = 50.0 + time * speed_kn * 0.514444 / 111_200
    return time, lat, np.full(n, -5.0), np.full(n, speed_kn)


def test_a_few_fixes_far_away_are_a_jump():
    time, lat, lon, sog = _track()
    lat[300:304] += 0.05
    jump, breaks = is_position_jump(time, lat, lon, sog)
    assert np.flatnonzero(jump).tolist() == [300, 301, 302, 303]
    assert breaks.size == 0


def test_a_track_that_stays_elsewhere_is_a_break():
    time, lat, lon, sog = _track(1800)
    lat[900:] += 0.5
    jump, breaks = is_position_jump(time, lat, lon, sog)
    assert not jump.any()
    assert breaks.tolist() == [899.5]


@settings(max_examples=30, deadline=None)
@given(speed=st.floats(0.0, 25.0), gap=st.integers(0, 200), lon0=st.floats(-180, 180))
def test_an_honest_track_has_no_jumps_even_over_a_gap_and_the_date_line(speed, gap, lon0):
    rng = np.random.default_rng(1)
    time, lat, lon, sog = _track(600, speed)
    lat = lat + rng.normal(0, 3.0, 600) / 111_200
    lon = (lon0 + time * speed * 0.5144 / 71_000 + 180) % 360 - 180
    keep = np.ones(600, dtype=bool)
    keep[200: 200 + gap] = False
    jump, _ = is_position_jump(time[keep], lat[keep], lon[keep], sog[keep])
    assert not jump.any()


def test_a_reading_that_never_moves_while_the_boat_sails_is_stuck():
    time = np.arange(0.0, 1200.0)
    rng = np.random.default_rng(2)
    speed = np.full(time.size, 6.0)
    wind = np.round(12.0 + rng.normal(0, 1, time.size), 1)
    wind[400:700] = 11.3
    stuck = is_stuck("aws_kn", time, wind, speed)
    assert stuck[400:700].all()
    assert stuck.sum() <= 302
    # At her mooring the same reading may be the truth.
    assert not is_stuck("aws_kn", time, wind, 0 * speed).any()
    assert not is_stuck("aws_kn", time, wind, None).any()


def test_a_coarse_compass_under_a_good_helm_is_not_stuck():
    rng = np.random.default_rng(3)
    time = np.arange(0.0, 7200.0)
    drift = np.cumsum(rng.normal(0, 0.05, time.size))
    heading = np.round(45.0 + drift)
    assert not is_stuck("hdg_deg", time, heading, np.full(time.size, 5.0)).any()


def test_a_spike_is_found_wherever_the_quiet_is():
    """Only the neighbourhood of leaps is looked at: the ends of the log and of it are no others."""
    rng = np.random.default_rng(4)
    time = np.arange(40_000) / 10.0
    wind = 10.0 + np.cumsum(rng.normal(0, 0.02, time.size))
    where = np.array([3, 500, 502, 20_000, time.size - 4])
    wind[where] += 40.0
    assert np.flatnonzero(is_spike("aws_kn", time, wind)).tolist() == where.tolist()
