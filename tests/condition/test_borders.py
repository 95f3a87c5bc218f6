"""Borders of the conditioning rules, each with a case just inside and just outside, by hand."""

import numpy as np
import pytest
from pytest import approx

from sailanalysis.condition.choose import (
    Candidate,
    fill_gaps,
    noise_level,
    order_candidates,
    why_chosen,
)
from sailanalysis.condition.clock import (
    common_rate_hz,
    covered_stretches,
    onto_clock,
    pace,
    phase_s,
)
from sailanalysis.condition.marks import is_position_jump, is_spike, is_stuck, may_be_stuck


def candidate(source, rate_hz=1.0, seconds=1000.0, noise=0.1, start=0.0):
    time = start + np.arange(0.0, seconds + 1e-6, 1 / rate_hz)
    return Candidate("stw_kn", source, time, np.full(time.size, 6.0), pace(time), noise, time.size)


def names(candidates, partners=None):
    return [c.source for c in order_candidates(candidates, partners or {})]


@pytest.mark.parametrize(("channel", "floor"), [
    ("stw_kn", 2.0), ("aws_kn", 10.0), ("hdg_deg", 30.0), ("awa_deg", 70.0), ("twa_logged_deg", 70.0),
    ("rudder_deg", 40.0), ("heel_deg", 25.0), ("trim_deg", 15.0), ("rate_of_turn_deg_s", 30.0)])
def test_what_a_quantity_may_do_within_a_few_samples(channel, floor):
    value = np.full(61, 10.0)
    for leap, spike in ((0.95 * floor, False), (1.05 * floor, True)):
        value[30] = 10.0 + leap
        assert is_spike(channel, np.arange(61.0), value)[30] == spike


@pytest.mark.parametrize(("channel", "limit_s"), [
    ("aws_kn", 60), ("awa_deg", 60), ("stw_kn", 120), ("hdg_deg", 180), ("heel_deg", 180),
    ("trim_deg", 300), ("rudder_deg", 900), ("tws_logged_kn", 120)])
def test_how_long_a_sensor_may_rest(channel, limit_s):
    time = np.arange(2.0 * limit_s)
    for rest_s, stuck in ((limit_s - 1, False), (limit_s + 2, True)):
        value = 5.0 + 0.001 * time
        value[20: 21 + rest_s] = 9.0
        assert may_be_stuck(channel, time, value) == stuck
        assert is_stuck(channel, time, value, np.full(time.size, 6.0)).any() == stuck


def test_a_fix_is_out_of_reach_beyond_half_as_much_again_and_thirty_metres():
    # 6 kn in 1 s: 1.5 x 6 + 3 = 12 kn is 6.17 m, and 30 m of noise: 36.2 m may pass, not more.
    time = np.arange(100.0)
    lat = 50.0 + time * 6.0 * 0.514444 / 111_229.0
    for east_m, jump in ((34.0, False), (38.0, True)):
        lon = np.full(100, -5.0)
        lon[50] += east_m / 71_696.0  # a degree of longitude at 50 N, WGS84
        marked, breaks = is_position_jump(time, lat, lon, np.full(100, 6.0))
        assert np.flatnonzero(marked).tolist() == ([50] if jump else [])
        assert breaks.size == 0


def test_the_last_fix_may_be_the_jump():
    time = np.arange(50.0)
    lat = 50.0 + time * 2.7e-5
    lat[-1] += 0.1
    marked, _ = is_position_jump(time, lat, np.full(50, -5.0), np.full(50, 6.0))
    assert np.flatnonzero(marked).tolist() == [49]


def test_a_stream_without_two_instants_covers_nothing():
    alone = pace([5.0])
    assert (alone.rate_hz, alone.steady, alone.gap_s, alone.covered_s) == (0.0, False, 2.0, 0.0)
    far = pace([0.0, 500.0])
    assert (far.rate_hz, far.steady, far.gap_s, far.covered_s) == (0.0, False, 60.0, 0.0)
    assert covered_stretches([], 2.0) == []
    assert covered_stretches([0.0, 1.0, 3.0, 5.1], 2.0) == [(0.0, 3.0), (5.1, 5.1)]
    assert covered_stretches([0.0, 1.0, 2.0], 2.0, [1.5]) == [(0.0, 1.0), (2.0, 2.0)]


def test_a_tenth_of_the_longest_is_enough_to_set_the_pace():
    slow = pace(np.arange(0.0, 1001.0))
    for seconds, rate in ((105.0, 5.0), (95.0, 1.0)):
        assert common_rate_hz([slow, pace(np.arange(0.0, seconds, 0.2))]) == rate
    assert common_rate_hz([]) == 1.0
    assert common_rate_hz([pace(np.arange(0.0, 0.9, 0.1))]) == 10.0  # however short, alone it counts
    assert phase_s(0.5 + 3.0 * np.arange(9), 1 / 3) == 0.0  # 3 s are not slow, 4 s are
    assert phase_s(0.5 + 4.0 * np.arange(9), 1 / 4) == 0.5


def test_a_step_holds_for_a_minute_and_no_longer():
    got = onto_clock("autopilot", np.array([10.0]), np.array([1.0]), np.array([9.0, 10.0, 70.0, 71.0]), 2.0, 1.0)
    assert got == approx([np.nan, 1.0, 1.0, np.nan], nan_ok=True)


def test_a_break_on_a_reading_lies_before_it():
    time, value = np.array([0.0, 2.0, 4.0]), np.array([1.0, 3.0, 5.0])
    got = onto_clock("stw_kn", time, value, np.arange(5.0), 3.0, 1.0, [2.0])
    assert got == approx([1.0, np.nan, 3.0, 4.0, 5.0], nan_ok=True)


def test_only_streams_well_faster_than_the_clock_are_averaged():
    instants = np.arange(1.0, 9.0)
    for step, alone in ((0.75, True), (0.5, False)):
        time = np.arange(0.0, 10.0, step)
        value = np.where(np.arange(time.size) % 2 == 0, 0.0, 1.0)
        plain = np.interp(instants, time, value)
        assert np.allclose(onto_clock("stw_kn", time, value, instants, 2.0, 1.0), plain) == alone


def test_completeness_then_partner_then_rate_then_noise_then_name():
    long, short = candidate("long"), candidate("short", 5.0, 890.0)
    assert names([short, long]) == ["long", "short"]
    assert names([candidate("nearly", 5.0, 910.0), long]) == ["nearly", "long"]
    assert names([candidate("a"), candidate("b")], {"b": 501.0}) == ["b", "a"]
    assert names([candidate("a"), candidate("b")], {"b": 499.0}) == ["a", "b"]
    assert names([candidate("a", 1.0), candidate("b", 1.4, noise=0.2)]) == ["a", "b"]
    assert names([candidate("a", 1.0), candidate("b", 1.6, noise=0.2)]) == ["b", "a"]
    assert names([candidate("a", noise=0.3), candidate("b", noise=0.2)]) == ["b", "a"]
    assert names([candidate("b"), candidate("a")]) == ["a", "b"]


def test_the_reason_is_the_first_difference():
    best = candidate("best", 2.0)
    assert why_chosen([best], "kn") == ["the only source"]
    assert why_chosen([best, candidate("x", 2.0, 890.0)], "kn")[0] == "the most complete"
    assert why_chosen([best, candidate("x", 1.2)], "kn")[0] == "as complete and faster"
    assert why_chosen([best, candidate("x", 1.5, noise=0.2)], "kn")[0] == "as complete, as fast and less noisy"
    assert why_chosen([best, candidate("x", 1.5)], "kn")[0] == "as good as the others; first by name"


def test_fills_lie_outside_what_is_covered_and_last_a_minute():
    best = candidate("best", seconds=100.0)
    later = candidate("later", seconds=200.0, start=50.0)
    assert [(c.source, a, b) for c, a, b in fill_gaps(best, [later])] == [("later", 100.0, 250.0)]
    assert fill_gaps(best, [candidate("early", seconds=159.0)]) == []
    assert len(fill_gaps(best, [candidate("early", seconds=161.0)])) == 1
    inside = candidate("inside", seconds=50.0, start=20.0)
    assert fill_gaps(best, [inside]) == []


def test_noise_by_hand():
    # 0, 1, 0, 1: second differences of 2; the median's 2 x 1.4826 / sqrt 6.
    assert noise_level("stw_kn", np.arange(10.0) % 2) == approx(2 * 1.4826022 / 6**0.5)
    assert noise_level("hdg_deg", np.mod(359.5 + np.arange(10.0) % 2, 360.0)) == approx(2 * 1.4826022 / 6**0.5)
    assert noise_level("stw_kn", 3.0 * np.arange(10.0)) == 0.0
    assert np.isnan(noise_level("stw_kn", np.arange(4.0)))
