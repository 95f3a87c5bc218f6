"""Tacks and gybes read from a track: by hand through tide and sternway, and on generated days."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from seas import tracks

from sailanalysis.core.angles import wrap180
from sailanalysis.core.model import Boat, CrewLog
from sailanalysis.core.series import utc_index
from sailanalysis.maneuvers import find_maneuvers
from sailanalysis.segment import find_states
from sailanalysis.wind import wind_from_track
from sailanalysis.wind.track import find_track_wind

START_S = 1_750_000_000.0
BOAT = Boat()


def way(legs, tide_kn=0j, turn_s=10.0):
    """Velocity each second: legs of (seconds, course, speed), turned and slowed in between.

    North is the real part; she loses two thirds of her speed in every turn through north and a
    tenth in any other, and builds it again in 15 s.
    """
    course, speed = [], []
    for k, (seconds, angle, knots) in enumerate(legs):
        into = np.arange(float(seconds))
        before, slow = angle, 0.0
        if k:
            before = legs[k - 1][1]
            # Over the bow where both courses are towards the wind, over the stern elsewhere.
            tack = np.cos(np.radians(angle)) > 0 and np.cos(np.radians(before)) > 0
            if not tack and angle * before < 0:
                before += 360.0 * np.sign(angle)
            slow = 0.67 if tack else 0.1
        share = np.clip(into / turn_s, 0.0, 1.0)
        course.append(before + (angle - before) * share)
        lost = np.where(into < turn_s, into / turn_s, np.exp(-(into - turn_s) / 15.0)) * (k > 0)
        speed.append(knots * (1.0 - slow * lost))
    return np.concatenate(speed) * np.exp(1j * np.radians(np.concatenate(course))) + tide_kn


def sampled(velocity, step=1):
    """Samples of a log that has only a receiver's speed and course."""
    velocity = velocity[::step]
    return pd.DataFrame({
        "sog_kn": np.abs(velocity), "cog_deg": np.degrees(np.angle(velocity)) % 360.0,
        **dict.fromkeys(("stw_kn", "hdg_deg", "twd_deg", "twa_deg", "tws_kn", "awa_deg"), np.nan),
    }, index=utc_index(START_S + step * np.arange(velocity.size)))


def read(velocity, step=1):
    """Samples, wind and tacks and gybes in seconds from the start."""
    samples, source, wind, _ = wind_from_track(sampled(velocity, step))
    assert source == "track"
    samples["state"] = find_states(samples, CrewLog()).state
    found = tracks.tacks_and_gybes(find_maneuvers(samples, BOAT))
    return samples, wind, [(kind, at - START_S) for kind, at in found]


BEAT = [(240, 45.0 * (-1) ** k, 6.0) for k in range(8)]
RUN = [(240, 155.0 * (-1) ** k, 6.0) for k in range(8)]
TRUTH = [("tack", 240.0 * k + 5.0) for k in range(1, 8)] + [
    ("gybe", 1920.0 + 240.0 * k + 5.0) for k in range(1, 8)]


@pytest.mark.parametrize("tide_kn", [0.0, 3.0])
@pytest.mark.parametrize("step", [1, 4])
def test_a_tide_across_the_wind_hides_no_gybe(tide_kn, step):
    # 6 kn 25 deg off dead downwind is 2.5 kn across: with 3 kn of tide the courses over ground
    # lie on the same side of the wind before and after every gybe.
    velocity = way(BEAT + RUN, tide_kn * 1j)
    _, wind, found = read(velocity, step)
    assert abs(float(wrap180(wind.twd_deg))) < 1.0
    assert np.median(wind.across_along_kn) == approx(tide_kn, abs=0.2)
    turns = [turn for turn in found if abs(turn[1] - 1920.0) > 30.0]  # bearing away between
    assert [kind for kind, _ in turns] == [kind for kind, _ in TRUTH]
    assert np.abs(np.array([t for _, t in turns]) - [t for _, t in TRUTH]).max() < 6.0


def with_sternway(velocity, at_s):
    """Stopped head to wind and driven astern at half her speed before she pays off."""
    out = velocity.copy()
    for at in at_s:
        i, after = int(at), velocity[int(at) + 60]
        fall = np.linspace(1.0, 0.0, 5)
        out[i:i + 5] = velocity[i - 5] * fall
        out[i + 5:i + 9] = np.linspace(0.0, -3.3, 4)
        out[i + 9:i + 13] = np.linspace(-3.3, 0.0, 4)
        out[i + 13:i + 28] = after * np.linspace(0.0, 1.0, 15)
    return out


@pytest.mark.parametrize("step", [1, 4])
def test_a_tack_with_sternway_is_a_tack(step):
    velocity = with_sternway(way(BEAT), [480, 960, 1440])
    samples, _, found = read(velocity, step)
    assert [kind for kind, _ in found] == ["tack"] * 7
    assert np.abs(np.array([t for _, t in found]) - [t for _, t in TRUTH[:7]]).max() < 10.0
    # The angle off the wind is not known while she is stopped or goes astern.
    astern = samples["twa_deg"].iloc[486 // step:490 // step + 1]
    assert astern.isna().all()


def test_a_luff_with_sternway_back_to_her_old_tack_is_neither_tack_nor_gybe():
    velocity = way(BEAT)
    i = 600
    velocity[i:i + 5] = velocity[i - 5] * np.linspace(1.0, 0.0, 5)
    velocity[i + 5:i + 20] = -3.3
    velocity[i + 20:i + 35] = velocity[i - 5] * np.linspace(0.0, 1.0, 15)
    assert len(read(velocity)[2]) == 7


def test_a_circle_is_a_circle():
    velocity = way(BEAT)
    turn = np.exp(1j * np.radians(np.linspace(0.0, 360.0, 45)))
    velocity[600:645] = velocity[599] * turn
    samples, _, _ = read(velocity)
    kinds = find_maneuvers(samples, BOAT)["kind"].tolist()
    assert kinds.count("circle") == 1
    assert kinds.count("tack") == 7
    assert kinds.count("gybe") == 0


def test_gybes_between_deep_runs_show_wind_and_tide_too():
    # Nothing but two tacks' worth of axis upwind: the tide turns after the beat.
    deep = [(240, 163.0 * (-1) ** k, 6.0) for k in range(8)]
    velocity = np.concatenate([way(BEAT, 0.0), way(deep, 1.5j)])
    _, wind, found = read(velocity)
    assert np.median(wind.across_along_kn[-900:]) == approx(1.5, abs=0.4)
    assert [kind for kind, t in found if t > 2000.0] == ["gybe"] * 7


def test_laps_with_all_marks_to_one_hand_still_show_the_wind():
    # Three tacks to the right for one to the left on every beat, gybes to the right.
    lap = [(240, 45.0, 6.0), (200, -45.0, 6.0), (240, 45.0, 6.0), (300, 150.0, 6.0),
           (300, -150.0, 6.0)]
    velocity = way(lap * 3)
    wind = find_track_wind(np.arange(float(velocity.size)), np.abs(velocity),
                           np.degrees(np.angle(velocity)) % 360.0)
    assert wind.known
    assert abs(float(wrap180(wind.twd_deg))) < 3.0


def test_the_axis_and_the_intervals_turn_with_the_chart():
    velocity = way(BEAT + RUN, 1.0j)
    _, base, turns = read(velocity)
    _, other, turned = read(velocity * np.exp(1j * np.radians(137.0)))
    assert abs(float(wrap180(other.twd_deg - base.twd_deg - 137.0))) < 1e-6
    assert [kind for kind, _ in turned] == [kind for kind, _ in turns]
    assert [t for _, t in turned] == approx([t for _, t in turns], abs=1e-3)


def test_a_log_of_weeks_is_no_matter_of_memory():
    velocity = way(BEAT + RUN)
    time = np.concatenate([np.arange(velocity.size) + 86400.0 * day for day in range(0, 40, 10)])
    velocity = np.tile(velocity, 4)
    wind = find_track_wind(time, np.abs(velocity), np.degrees(np.angle(velocity)) % 360.0)
    assert wind.known
    assert wind.twd_along_deg.size == time.size


def test_straight_to_windward_without_a_wind_sensor_is_the_engine():
    motor = np.full(900, 5.5 * np.exp(1j * np.radians(4.0)))
    samples, _, found = read(np.concatenate([motor, way(BEAT + RUN)]))
    state = samples["state"].to_numpy()
    assert np.mean(state[:880] == "motoring") > 0.95
    assert np.mean(state[930:] == "sailing") > 0.95
    assert [kind for kind, _ in found].count("tack") == 7


def test_a_stream_to_windward_is_not_the_engine():
    samples, _, _ = read(way(BEAT + RUN, 2.5))
    assert (samples["state"] == "sailing").mean() > 0.95


def test_a_boat_slower_than_a_current_may_make_her_seem_tells_no_wind():
    # 2.5 kn with a knot of stream against the wind: tacks over ground lose little, gybes much.
    slow = way([(s, c, 2.4) for s, c, _ in BEAT + RUN], 1.2)
    wind = find_track_wind(np.arange(float(slow.size)), np.abs(slow),
                           np.degrees(np.angle(slow)) % 360.0)
    assert not wind.known
    assert "slow" in wind.why_not


def test_turns_of_any_angle_are_no_tacks():
    # To and fro about one axis, slowing in every turn, but by 45 to 150 degrees.
    rng = np.random.default_rng(3)
    legs = [(240, (-1) ** k * angle, 6.0) for k, angle in enumerate(rng.uniform(10, 85, 24))]
    velocity = way(legs)
    wind = find_track_wind(np.arange(float(velocity.size)), np.abs(velocity),
                           np.degrees(np.angle(velocity)) % 360.0)
    assert not wind.known
    assert "like angles" in wind.why_not


def sea(name):
    made = {"simulator": lambda: tracks.simulated("beat_and_run", 3, 4100),
            "sail forces": lambda: tracks.force_days(3, 5101),
            "whole days": lambda: tracks.whole_days(3, 6101),
            "light sea": lambda: tracks.light_days("mixed", 3, 7101)}
    return made[name]()


@pytest.mark.parametrize("name", [
    "sail forces", "light sea", pytest.param("simulator", marks=pytest.mark.slow),
    pytest.param("whole days", marks=pytest.mark.slow)])
def test_receiver_and_phone_find_what_the_instruments_find(name):
    wanted = hit = extra = 0
    errors = []
    for seed, day in enumerate(sea(name)):
        turns = tracks.by_instruments(day)
        for raw in (day.receiver, day.phone(1.0, seed), day.phone(4.0, seed)):
            _, wind, maneuvers = tracks.by_track(raw, day.crew)
            assert wind.known
            errors.append(tracks.direction_error_deg(day, wind))
            found = tracks.tacks_and_gybes(maneuvers)
            pairs = tracks.paired(turns, found)
            wanted, hit, extra = wanted + len(turns), hit + pairs, extra + len(found) - pairs
    assert np.median(errors) < 5.0
    assert wanted > 100
    assert hit >= 0.95 * wanted
    assert extra <= 0.02 * wanted


@pytest.mark.parametrize("kind", ["one_heading", "no_tacks", "out_and_back"])
def test_a_phone_on_a_day_that_cannot_tell_invents_nothing(kind):
    for seed, day in enumerate(tracks.light_days(kind, 2, 900)):
        for every_s in (1.0, 4.0):
            _, wind, maneuvers = tracks.by_track(day.phone(every_s, seed), day.crew)
            assert not wind.known
            assert tracks.tacks_and_gybes(maneuvers) == []
