"""Maneuvers of simulated boats whose truth is known, of recorded boats, and what must not matter."""

import numpy as np
import pandas as pd
import pytest
from real_logs import expected, real_log
from seas.maneuvers import START_S, Instruments, Scenario, Weather, sail_all, varied
from seas.toy import seconds

from sailanalysis.core.model import Boat, CrewLog
from sailanalysis.maneuvers import find_legs, find_maneuvers
from sailanalysis.segment import find_states

BOAT = Boat()


@pytest.fixture(scope="module")
def sailed():
    return sail_all([varied(seed, 40.0) for seed in (3, 9, 14, 31)])


def turns(table):
    return table[table["kind"].isin(("tack", "gybe"))]


def assert_same(a, b, tolerance_s=1.0):
    assert a["kind"].tolist() == b["kind"].tolist()
    apart = (turns(a)["crossing"].reset_index(drop=True)
             - turns(b)["crossing"].reset_index(drop=True)).dt.total_seconds().abs()
    assert (apart <= tolerance_s).all()


def score(day):
    """Hits, true turns, claimed turns, crossing errors in seconds."""
    claimed = turns(find_maneuvers(day.samples, BOAT))
    true = [e for e in day.events if e.kind in ("tack", "gybe")]
    at = np.array([seconds(t, START_S) for t in claimed["crossing"]])
    hits, errors = 0, []
    for event in true:
        near = np.abs(at - event.crossing_s) if at.size else np.array([np.inf])
        k = int(np.argmin(near))
        if near[k] <= 5.0 and claimed["kind"].iloc[k] == event.kind:
            hits += 1
            errors.append(near[k])
    return hits, len(true), len(claimed), errors


def test_turns_are_found_and_none_invented(sailed):
    for day in sailed:
        hits, true, claimed, errors = score(day)
        assert hits == true == claimed
        assert np.median(errors) < 1.0 and max(errors) < 2.0


def test_luffs_are_luffs(sailed):
    for day in sailed:
        want = sum(e.kind == "luff" for e in day.events)
        assert (find_maneuvers(day.samples, BOAT)["kind"] == "luff").sum() == want


@pytest.mark.parametrize("cut_s", [1.0, 37.0, 100.3])
def test_start_of_day_does_not_matter(sailed, cut_s):
    for day in sailed[:2]:
        whole = find_maneuvers(day.samples, BOAT)
        stamp = day.samples.index[0] + pd.Timedelta(seconds=cut_s)
        assert_same(whole, find_maneuvers(day.samples[day.samples.index >= stamp], BOAT), 0.05)


def test_the_hour_of_the_day_does_not_matter(sailed):
    day = sailed[0]
    later = day.samples.set_axis(day.samples.index + pd.Timedelta("9h17min"))
    a, b = find_maneuvers(day.samples, BOAT), find_maneuvers(later, BOAT)
    b["crossing"] -= pd.Timedelta("9h17min")
    assert_same(a, b, 0.05)


def test_sampling_rate_beyond_a_second_or_two_does_not_matter():
    crafts = [varied(seed, 40.0) for seed in (14, 31)]
    fine = sail_all([Scenario(s.craft, s.weather, Instruments(rate_hz=10.0), s.plans, 40.0,
                              s.start_twa_deg, s.seed) for s in crafts])
    for day in fine:
        reference = find_maneuvers(day.samples, BOAT)
        for every in (2, 5, 10, 20):
            assert_same(reference, find_maneuvers(day.samples.iloc[::every], BOAT))


def test_turning_the_compass_changes_nothing_and_mirroring_swaps_sides(sailed):
    day = sailed[1]
    a = find_maneuvers(day.samples, BOAT)
    turned = day.samples.copy()
    for name in ("hdg_deg", "cog_deg", "twd_deg"):
        turned[name] = (turned[name] + 123.0) % 360.0
    assert_same(a, find_maneuvers(turned, BOAT), 0.01)
    mirrored = day.samples.copy()
    for name in ("hdg_deg", "cog_deg", "twd_deg"):
        mirrored[name] = (-mirrored[name]) % 360.0
    for name in ("twa_deg", "awa_deg"):
        mirrored[name] = -mirrored[name]
    b = find_maneuvers(mirrored, BOAT)
    assert_same(a, b, 0.01)
    swap = {"port": "starboard", "starboard": "port"}
    assert b["from_side"].tolist() == [swap[s] for s in a["from_side"]]


def test_course_over_ground_finds_the_same_turns():
    seeds = (9, 14)
    days = sail_all([varied(seed, 40.0) for seed in seeds])
    for day in days:
        samples = day.samples.assign(hdg_deg=np.nan)
        samples["twd_deg"] = (samples["cog_deg"] + samples["twa_deg"]) % 360.0
        a, b = turns(find_maneuvers(day.samples, BOAT)), turns(find_maneuvers(samples, BOAT))
        assert a["kind"].tolist() == b["kind"].tolist()
        apart = (a["crossing"].to_numpy() - b["crossing"].to_numpy()) / np.timedelta64(1, "s")
        assert np.abs(apart).max() < 4.0


@pytest.mark.slow
def test_nothing_is_invented_in_two_rough_hours_nor_in_two_shifty_ones():
    rough = Weather(26.0, 40.0, gust=0.12, shift_deg=4.0, wave_kn=0.4, yaw_deg=7.0, wave_s=5.0)
    shifty = Weather(3.5, 200.0, gust=0.35, gust_s=60.0, shift_deg=22.0, shift_s=150.0, yaw_deg=1.0)
    bad = Instruments(vane_noise_deg=6.0, vane_swing_deg=8.0, vane_lag_s=3.0)
    days = sail_all([
        *(Scenario(weather=rough, instruments=bad, minutes=120.0, start_twa_deg=a, seed=k,
                   wander_deg=5.0) for k, a in enumerate((44.0, -95.0, 160.0))),
        *(Scenario(weather=shifty, instruments=bad, minutes=120.0, start_twa_deg=a, seed=9 + k,
                   wander_deg=5.0) for k, a in enumerate((48.0, 110.0, -150.0)))])
    for day in days:
        found = find_maneuvers(day.samples, BOAT)
        assert len(turns(found)) == 0
        assert not found["kind"].isin(("luff", "circle")).any()


@pytest.mark.slow
def test_precision_and_recall_over_two_hundred_turns():
    hits = true = claimed = 0
    errors = []
    for day in sail_all([varied(seed) for seed in range(500, 520)]):
        a, b, c, d = score(day)
        hits, true, claimed, errors = hits + a, true + b, claimed + c, errors + d
    assert true >= 200
    assert hits / true >= 0.99 and hits / claimed >= 0.99
    assert np.median(errors) < 1.0 and max(errors) < 2.0


def prepared(name):
    from sailanalysis.condition import condition
    from sailanalysis.read import read_logs
    from sailanalysis.wind import wind_and_water

    conditioned = condition(read_logs([real_log(name)], boat=BOAT), BOAT)
    samples = wind_and_water(conditioned, BOAT, CrewLog())[0]
    samples["state"] = find_states(samples, CrewLog()).state
    return samples


def test_six_recorded_tacks_some_of_them_from_reach_to_reach():
    labels = expected("bay-six-tacks-0183")
    found = turns(find_maneuvers(prepared("bay-six-tacks-0183"), BOAT))
    want = labels["maneuvers"]
    assert found["kind"].tolist() == [m["type"] for m in want]
    assert found["from_side"].tolist() == [m["from"] for m in want]
    apart = [abs((pd.Timestamp(m["t"]) - t).total_seconds())
             for m, t in zip(want, found["crossing"], strict=True)]
    assert max(apart) <= labels["tolerance_s"]


@pytest.mark.parametrize("name", ["lake-one-tack-0183", "gulf-reach-n2k", "moored-gps-0183",
                                  "moored-instruments-0183", "passage-gps-only-0183"])
def test_recorded_logs_without_turns_have_none(name):
    samples = prepared(name)
    maneuvers = find_maneuvers(samples, BOAT)
    assert len(turns(maneuvers)) == 0
    if name.startswith(("moored", "passage")):
        assert len(maneuvers) == 0
        assert len(find_legs(samples, maneuvers, BOAT)) == 0
