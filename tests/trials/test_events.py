"""Where marks are put: by hand on straight sailing, and on generated days."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from seas.experiments import sailed_day

from sailanalysis.core.model import CrewEntry
from sailanalysis.trials.events import (
    SeenEvent,
    find_events,
    grain_s,
    place_marks,
    whole_shift,
)

NONE = pd.DataFrame()
START = pd.Timestamp("2031-06-01 10:00:00", tz="UTC")
T0 = START.timestamp()


def straight(minutes=60, seed=0):
    rng = np.random.default_rng(seed)
    n = minutes * 60
    index = pd.date_range(START, periods=n, freq="1s", name="time")
    return pd.DataFrame({"stw_kn": 6 + 0.05 * rng.standard_normal(n), "tws_kn": 12.0,
                         "twa_deg": 80 + rng.standard_normal(n), "state": "sailing",
                         "rudder_deg": rng.standard_normal(n)}, index=index)


def test_a_luff_is_handling_from_its_first_second():
    samples = straight()
    samples.iloc[1500:1680, samples.columns.get_loc("twa_deg")] = 55.0
    event, = [e for e in find_events(samples, NONE) if e.sign == "handling"]
    assert event.start_s - T0 == approx(1500, abs=15)
    assert event.end_s - T0 == approx(1680, abs=15)
    mark, = place_marks([CrewEntry(T0 + 1807, "sails", "main+jib")], [event])
    assert mark.moved_s == approx(-307, abs=15)
    assert (mark.sign, mark.end_s) == ("handling", event.end_s)


def test_a_tack_is_no_handling():
    samples = straight()
    samples.iloc[1500:1560, samples.columns.get_loc("stw_kn")] = 3.0
    turn = pd.DataFrame({"kind": ["tack"], "start": [samples.index[1495]],
                         "end": [samples.index[1525]]})
    assert [e.sign for e in find_events(samples, NONE)].count("handling") == 1
    assert [e.sign for e in find_events(samples, turn)].count("handling") == 0


def test_a_helm_is_seen_by_the_rudder_and_an_engine_by_its_revolutions():
    samples = straight()
    samples.iloc[1800:, samples.columns.get_loc("rudder_deg")] *= 4.0
    samples["engine_rpm"] = np.where(np.arange(len(samples)) < 600, 1800.0, 0.0)
    events = find_events(samples, NONE)
    marks = place_marks([CrewEntry(T0 + 2011, "helm", "Ada"),
                         CrewEntry(T0 + 433, "engine", "off")], events)
    assert marks[0].start_s - T0 == approx(1800, abs=30)
    assert marks[1].start_s - T0 == approx(600, abs=1)
    assert [m.sign for m in marks] == ["steering", "engine"]


def test_where_nothing_is_seen_a_mark_stays():
    mark, = place_marks([CrewEntry(T0 + 901, "sails", "x")], find_events(straight(), NONE))
    assert (mark.moved_s, mark.sign) == (0.0, "")


@pytest.mark.parametrize(("off_s", "moved"), [(479.0, True), (481.0, False)])
def test_a_mark_is_moved_within_its_reach(off_s, moved):
    event = SeenEvent(T0, T0, "speed", 40.0)
    mark, = place_marks([CrewEntry(T0 + off_s, "trim", "x")], [event])
    assert (mark.sign != "") == moved


def test_two_events_alike_near_leave_the_mark():
    events = [SeenEvent(T0 - 200, T0 - 200, "speed", 5.0), SeenEvent(T0 + 200, T0 + 200, "speed", 5.0)]
    mark, = place_marks([CrewEntry(T0, "trim", "x")], events)
    assert mark.sign == ""


@pytest.mark.parametrize(("seconds", "grain"), [
    ([0, 300, 900], 300), ([0, 300], 60), ([60, 300, 900], 60), ([1, 2, 3], 1), ([], 1)])
def test_grain(seconds, grain):
    assert grain_s(seconds) == grain


def test_marks_an_hour_off_are_noticed():
    day = sailed_day(901, shift_s=3600.0)
    found = whole_shift(day.crew.entries, find_events(day.samples, day.maneuvers))
    assert found is not None and found.shift_s == -3600.0
    right = sailed_day(901)
    assert whole_shift(right.crew.entries, find_events(right.samples, right.maneuvers)) is None


def test_late_marks_of_sail_changes_are_put_in_place():
    off = []
    for seed in (911, 912, 913):
        day = sailed_day(seed, cat=seed % 2 == 0, late_s=210.0, course_with_it=0.0)
        marks = place_marks(day.crew.entries, find_events(day.samples, day.maneuvers))
        sails = [m for m, e in zip(marks, day.crew.entries, strict=True) if e.item == "sails"][1:]
        true = day.truth[day.truth["item"] == "sails"]["time_s"].to_numpy()
        off += [m.start_s - t for m, t in zip(sails, true, strict=True)]
    assert np.mean(np.abs(off) < 30.0) >= 0.9
