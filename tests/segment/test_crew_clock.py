"""A crew log that is hours off is moved by its own marks; a right one never is."""

import numpy as np
import pandas as pd
import pytest

from sailanalysis.core.model import CrewEntry, CrewLog
from sailanalysis.segment.crew_clock import crew_shift, shift_finding, shifted, told_marks

T0 = 1_780_308_000.0  # 2026-06-01 10:00 UTC


@pytest.fixture(scope="module")
def day():
    """Four hours: engine out for 20 minutes, hoist, a luff at 90 and a sail set at 150, engine from 215."""
    minute = np.arange(4 * 3600) / 60.0
    engine = ((minute < 20) | (minute > 215)).astype(float)
    awa = np.where((minute > 18) & (minute < 22), 5.0, 40.0)
    awa[(minute > 90) & (minute < 90.8)] = 10.0
    stw = np.where(minute < 150, 5.0, 6.2) + np.where(engine > 0, 0.5, 0)
    index = pd.to_datetime((T0 + minute * 60) * 1e9, utc=True)
    samples = pd.DataFrame({"awa_deg": awa, "stw_kn": stw, "tws_kn": 12.0, "twa_deg": 60.0},
                           index=pd.DatetimeIndex(index, name="time"))
    return samples, engine


def crew_of(*marks, hours=0.0, local=True):
    return CrewLog(tuple(CrewEntry(T0 + 60 * m + 3600 * hours, item, value, local=local)
                         for m, item, value in marks))


TRUE = ((20, "sails", "main+jib"), (22, "engine", "off"), (150, "sails", "main+reacher"),
        (210, "sails", "none"), (215, "engine", "on"), (100, "helm", "Marit"))


@pytest.mark.parametrize("hours", [-5, -2, -1, 1, 2, 5])
def test_hours_off_are_found_and_the_times_moved(day, hours):
    crew = crew_of(*TRUE, hours=hours)
    shift = crew_shift(day[0], crew, day[1])
    assert shift is not None and shift.hours == -hours and shift.near == shift.marks == 5
    assert [e.time_s for e in shifted(crew, shift).entries] == [
        e.time_s for e in sorted(crew_of(*TRUE).entries, key=lambda e: e.time_s)]
    words = shift_finding(shift).message
    assert f"moved {abs(hours)} h {'earlier' if hours > 0 else 'later'}" in words and "5 of its 5" in words


def test_a_right_crew_log_is_left_alone(day):
    for late in (-7, 0, 7):
        assert crew_shift(day[0], crew_of(*((m + late, i, v) for m, i, v in TRUE)), day[1]) is None


def test_times_with_an_offset_of_their_own_are_never_moved(day):
    crew = crew_of(*TRUE, hours=2, local=False)
    assert told_marks(crew) == 0 and crew_shift(day[0], crew, day[1]) is None


@pytest.mark.parametrize("seed", range(30))
def test_marks_strewn_at_random_move_nothing(day, seed):
    """Marks that fit no better anywhere: no hour beats the time as written by 148 to 1."""
    rng = np.random.default_rng([seed, 12])
    marks = [(float(rng.uniform(0, 240)), "sails", "x") for _ in range(4)]
    assert crew_shift(day[0], crew_of(*marks), day[1]) is None


def test_one_mark_is_no_evidence(day):
    assert crew_shift(day[0], crew_of((22, "engine", "off"), hours=2), day[1]) is None
