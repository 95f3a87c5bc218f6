"""Sailing, motoring, stopped."""

import numpy as np
import pytest
from real_logs import real_log
from seas.toy import T0, toy_log

from sailanalysis.core.model import CrewEntry, CrewLog
from sailanalysis.segment import find_states

T = np.arange(0.0, 900.0)
NONE = CrewLog()


def states(samples, crew=NONE):
    found = find_states(samples.drop(columns="state"), crew)
    return found.state, list(found.findings)


def test_beating_is_sailing_and_says_nothing_about_it():
    gust = 1.0 + 0.1 * np.sin(T / 25)
    samples = toy_log(318.0 + 3 * np.sin(T / 9), 6.0 * gust**0.6, tws_kn=12.0 * gust)
    state, findings = states(samples)
    assert set(state) == {"sailing"}
    assert findings == []


def test_even_speed_in_an_even_wind_is_thought_sailing_and_asked_about():
    state, findings = states(toy_log(318.0 + 3 * np.sin(T / 9), np.full(T.size, 6.0)))
    assert set(state) == {"sailing"}
    assert [f.code for f in findings] == ["state-open"]


def test_six_knots_straight_into_the_wind_is_motoring():
    state, findings = states(toy_log(4 * np.sin(T / 9), 6.0))
    assert set(state) == {"motoring"}
    assert [f.code for f in findings] == ["engine-inferred"]


def test_a_luff_head_to_wind_is_sailing():
    heading = np.where((T > 300) & (T < 345), 355.0, 318.0)
    speed = np.where(T > 300, 6.0 * np.exp(-np.clip(T - 300, 0, 45) / 12.0), 6.0)
    speed = np.where(T > 345, 6.0, speed)
    assert set(states(toy_log(heading, speed))[0]) == {"sailing"}


def test_twice_the_winds_speed_at_a_constant_speed_is_motoring():
    assert set(states(toy_log(np.full(T.size, 270.0), 6.0, tws_kn=3.0))[0]) == {"motoring"}


def test_outrunning_a_wind_from_astern_is_motoring():
    assert set(states(toy_log(np.full(T.size, 178.0), 7.0, tws_kn=5.0))[0]) == {"motoring"}


def test_a_catamaran_faster_than_the_wind_on_a_reach_is_sailing():
    gust = 1.0 + 0.15 * np.sin(T / 20)
    samples = toy_log(np.full(T.size, 250.0), 11.0 * gust, tws_kn=9.0 * gust, heel_deg=4.0)
    assert set(states(samples)[0]) == {"sailing"}


def test_revolutions_decide_over_everything():
    samples = toy_log(np.full(T.size, 270.0), 6.0, engine_rpm=np.where(T < 300, 1900.0, 0.0))
    state, findings = states(samples)
    assert set(state[T < 300]) == {"motoring"}
    assert set(state[T >= 300]) == {"sailing"}
    assert findings == []


def test_the_crew_log_decides_without_revolutions_and_before_its_first_line():
    crew = CrewLog((CrewEntry(T0 + 300, "engine", "off"), CrewEntry(T0 + 600, "engine", "on")))
    state, _ = states(toy_log(np.full(T.size, 270.0), 6.0), crew)
    assert set(state[T < 300]) == {"motoring"}
    assert set(state[(T >= 300) & (T < 600)]) == {"sailing"}
    assert set(state[T >= 600]) == {"motoring"}


@pytest.mark.parametrize("rate_hz", [0.5, 1.0, 10.0])
def test_a_stop_is_found_to_a_few_seconds_at_any_rate(rate_hz):
    t = np.arange(0.0, 900.0, 1.0 / rate_hz)
    speed = np.where((t > 300) & (t < 600), 0.1, 5.0)
    state, _ = states(toy_log(np.full(t.size, 270.0), speed, rate_hz=rate_hz))
    stopped = t[state == "stopped"]
    assert stopped.min() == pytest.approx(300, abs=12)
    assert stopped.max() == pytest.approx(600, abs=12)


def test_a_receivers_peaks_at_the_mooring_are_no_way():
    rng = np.random.default_rng(3)
    n = T.size
    drift = np.cumsum(rng.normal(0, 0.3, (2, n)), axis=1)
    drift -= np.linspace(0, 1, n) * drift[:, -1:]
    sog = np.abs(rng.normal(0, 0.5, n)) + 3.0 * (rng.random(n) < 0.02)
    samples = toy_log(np.full(n, 90.0), sog, lat=52.0 + drift[0] / 111e3,
                      lon=4.0 + drift[1] / 68e3)
    # A log in a stream of two knots reads two knots at the mooring.
    samples["stw_kn"] = 2.0
    assert set(states(samples)[0]) == {"stopped"}


def test_under_way_without_wind_or_engine_is_called_unproven():
    samples = toy_log(np.full(T.size, 270.0), 6.0)
    for name in ("twa_deg", "tws_kn", "twd_deg", "awa_deg", "aws_kn"):
        samples[name] = np.nan
    state, findings = states(samples)
    assert set(state) == {"sailing"}
    assert [f.code for f in findings] == ["engine-unknown"]


@pytest.mark.parametrize("name", ["twa_deg", "tws_kn", "stw_kn", "hdg_deg", "cog_deg", "sog_kn", "awa_deg"])
def test_a_hole_in_one_channel_leaves_a_probability_everywhere(name):
    samples = toy_log(318.0 + 3 * np.sin(T / 9), 6.0, heel_deg=-12.0)
    samples.loc[samples.index[300:420], name] = np.nan
    found = find_states(samples.drop(columns="state"), NONE)
    assert ((found.sailing_probability > 0.0) & (found.sailing_probability < 1.0)).all()


def test_an_empty_log_has_no_states():
    state, findings = states(toy_log(np.full(5, 0.0), 6.0).iloc[:0])
    assert state.size == 0 and findings == []


@pytest.fixture(scope="module")
def prepared():
    from sailanalysis.condition import condition
    from sailanalysis.core.model import Boat
    from sailanalysis.read import read_logs
    from sailanalysis.wind import wind_and_water

    def load(name):
        boat = Boat()
        conditioned = condition(read_logs([real_log(name)], boat=boat), boat)
        return wind_and_water(conditioned, boat, NONE)[0]

    return load


def test_recorded_moorings_are_stops(prepared):
    for name in ("moored-gps-0183", "moored-instruments-0183"):
        assert set(find_states(prepared(name), NONE).state) == {"stopped"}, name


def test_recorded_passage_has_its_stops_and_nothing_that_wind_would_tell(prepared):
    samples = prepared("passage-gps-only-0183")
    found = find_states(samples, NONE)
    state, findings = found.state, found.findings
    clock = samples.index.strftime("%H:%M:%S").to_numpy()
    assert set(state[clock < "08:57:40"]) == {"stopped"}  # 1.4 kn over ground at 08:57:47
    under_way = state[(clock > "08:59:00") & (clock < "12:40:00")]
    assert "stopped" not in set(under_way)
    assert (found.sailing_probability[(clock > "08:59:00") & (clock < "12:40:00")] < 0.9).all()
    assert set(state[clock > "12:41:30"]) == {"stopped"}
    assert "engine-unknown" in [f.code for f in findings]


def test_recorded_beat_to_the_start_is_sailing_throughout(prepared):
    for name in ("bay-six-tacks-0183", "gulf-reach-n2k", "lake-one-tack-0183"):
        assert set(find_states(prepared(name), NONE).state) == {"sailing"}, name
