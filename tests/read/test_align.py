"""Clocks of several logs: a known offset is found, none is invented."""

import numpy as np
import pytest
from pytest import approx
from seas.reading import outing, seen

from sailanalysis.core.model import Stream
from sailanalysis.read.merge.align import align_clocks
from sailanalysis.read.reading import Reading


def log(day, kind="gps", seed=2, shift=0.0, keep=slice(None), positions=True, heading=True,
        name="NMEA 2000"):
    rng = np.random.default_rng(seed)
    time = day.time_s[keep] + shift
    streams = []
    if positions:
        lat, lon = seen(day, seed)
        streams += [Stream("lat", "x", time, lat[keep]), Stream("lon", "x", time, lon[keep]),
                    Stream("cog_deg", "x", time, day.cog_deg[keep])]
    if heading:
        noisy = (day.heading_deg - 6 + rng.normal(0, 3, day.heading_deg.size)) % 360
        streams += [Stream("hdg_mag_deg", "h", time, noisy[keep]),
                    Stream("stw_kn", "s", time, day.stw_ms[keep] * 3600 / 1852)]
    return Reading(name, streams=streams, clock=kind)


def codes(findings):
    return [f.code for f in findings]


@pytest.mark.parametrize("shift", [-7200.0, -37.4, 12.0, 3600.0, 400 * 86400.0])
@pytest.mark.parametrize("seed", [1, 4])
def test_tracks_put_a_wrong_clock_right(shift, seed):
    day = outing(seed)
    readings = [log(day, "stamped", 3, -shift), log(day, "gps", 7, heading=False, name="GPX")]
    offsets, findings = align_clocks(readings)
    assert offsets[1] == 0.0 and offsets[0] == approx(shift, abs=0.7)
    assert codes(findings) == ["clock-aligned"] and findings[0].level == "note"


def test_the_stated_interval_covers_the_truth():
    hits = 0
    for seed in range(12):
        day = outing(seed, minutes=50)
        (found, _), findings = align_clocks(
            [log(day, "stamped", seed + 50, -20.0), log(day, "gps", seed + 90, name="GPX")])
        half = float(findings[0].message.split("give or take ")[1].split(" s")[0])
        hits += abs(found - 20.0) <= half + 0.05
    assert hits >= 9  # of 12, at 95 %: 8 or fewer would come by chance once in a thousand


@pytest.mark.parametrize("seed", [1, 5])
def test_headings_match_a_phones_course_where_there_is_no_second_track(seed):
    day = outing(seed)
    readings = [log(day, "gps", 3, heading=False, name="GPX"),
                log(day, "stamped", 7, 95.0, positions=False)]
    offsets, findings = align_clocks(readings)
    assert offsets[0] == 0.0 and offsets[1] == approx(-95.0, abs=4.0)
    assert "courses" in findings[0].message


def test_part_of_a_day_is_enough():
    day = outing(3, minutes=150)
    readings = [log(day, "gps", 3), log(day, "stamped", 7, -500.0, slice(2000, 5500), name="CSV")]
    offsets, _ = align_clocks(readings)
    assert offsets == [0.0, approx(500.0, abs=1.0)]


def test_clocks_that_agree_are_left_alone():
    day = outing(2)
    assert align_clocks([log(day, "gps", 3), log(day, "stamped", 7, 0.4)]) == ([0.0, 0.0], [])
    assert align_clocks([log(day, "gps", 3), log(day, "gps", 7, 1.2)]) == ([0.0, 0.0], [])


def test_a_moored_boat_another_boat_and_a_straight_line_give_no_offset():
    day = outing(2)
    moored = outing(2, moored_s=1e9)
    assert align_clocks([log(moored, "gps", 3), log(moored, "stamped", 7, 60.0)])[0] == [0, 0]
    other = outing(9, lat0=54.02)
    offsets, findings = align_clocks([log(day, "gps", 3), log(other, "stamped", 7)])
    assert offsets == [0.0, 0.0] and findings == []
    steady = log(day, "stamped", 5, positions=False)
    steady.streams[0] = Stream("hdg_mag_deg", "h", steady.streams[0].time_s,
                               90 + np.random.default_rng(1).normal(0, 3, day.time_s.size))
    assert align_clocks([log(day, "gps", 3), steady])[0] == [0.0, 0.0]


def test_a_rotation_of_files_is_not_a_puzzle():
    day = outing(2)
    parts = [log(day, "stamped", 3, keep=slice(a, a + 1800)) for a in (0, 1800, 3600)]
    assert align_clocks(parts) == ([0.0] * 3, [])


def test_a_rotation_shares_one_offset_also_where_the_boat_lay_still():
    day = outing(2, minutes=120, moored_s=1800)
    parts = [log(day, "stamped", 3, -90.0, slice(a, b)) for a, b in (
        (0, 1500), (1500, 3600), (3600, 5400), (5400, 7200))]
    offsets, findings = align_clocks([*parts, log(day, "gps", 7, heading=False, name="GPX")])
    assert offsets[:4] == [offsets[0]] * 4 and offsets[0] == approx(90.0, abs=0.6)
    assert codes(findings) == ["clock-aligned"] and "4 NMEA 2000 logs" in findings[0].message


def test_a_log_that_cannot_be_placed_is_said():
    day, other = outing(2), outing(9, lat0=10.0)
    offsets, findings = align_clocks([log(day, "gps", 3, name="GPX"),
                                      log(other, "stamped", 7, 86400.0 * 9)])
    assert offsets == [0.0, 0.0] and codes(findings) == ["clock-not-aligned"]


@pytest.mark.parametrize("readings", [
    [], [Reading("GPX")], [Reading("GPX"), Reading("CSV")],
    [Reading("GPX", streams=[Stream("lat", "x", np.array([5.0]), np.array([1.0])),
                             Stream("lon", "x", np.array([5.0]), np.array([1.0]))])] * 2,
])
def test_little_or_nothing_is_left_as_it_is(readings):
    assert align_clocks(readings) == ([0.0] * len(readings), [])


def test_across_180_degrees():
    day = outing(6, lon0=179.99)
    offsets, _ = align_clocks([log(day, "gps", 3), log(day, "stamped", 7, -33.0, name="CSV")])
    assert offsets[1] == approx(33.0, abs=0.7)
