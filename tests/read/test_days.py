"""A card full of logs is told apart into sailing days by a rule worked out by hand."""

import os
from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from seas.cards import at, days_on, log, put
from seas.nmea0183_logs import sentence

from sailanalysis.core.errors import BoatFileError, LogError
from sailanalysis.core.model import CrewEntry, CrewLog
from sailanalysis.read.days.activity import Activity, activity_of
from sailanalysis.read.days.card import read_days, read_one_day
from sailanalysis.read.days.rule import local_zone, near_in_time, sailing_days
from sailanalysis.read.logs import read_each
from sailanalysis.read.written.crewdays import carried_over
from sailanalysis.read.written.crewlog import read_crew_log_of_days


def blocks(*hours):
    return np.concatenate([np.arange(int(a // 600), int(b // 600)) for a, b in hours]).astype(np.int64)


def activity(under_way, lying=()):
    moving = blocks(*under_way)
    recorded = np.union1d(moving, blocks(*lying)) if lying else moving
    return Activity(recorded, moving, recorded)


def spans(found):
    return [(s.date, s.start_s, s.end_s) for s in found]


# ------------------------------------------------------------------ the rule, by hand
def test_a_night_at_rest_parts_two_days():
    found = sailing_days(activity([(at(2, 10), at(2, 16)), (at(3, 9), at(3, 17))]), UTC)
    assert spans(found) == [("2026-05-02", at(2, 10), at(3, 0)), ("2026-05-03", at(3, 0), at(3, 17))]


@pytest.mark.parametrize("hours, days", [(4 + 5 / 6, 1), (5, 2)])
def test_a_rest_is_five_hours(hours, days):
    begin = at(3, 0)
    found = sailing_days(activity([(at(2, 20), begin), (begin + hours * 3600, at(3, 12))]), UTC)
    assert len(found) == days


def test_a_long_lunch_at_anchor_is_no_night():
    found = sailing_days(activity([(at(2, 8), at(2, 11)), (at(2, 17), at(2, 20))]), UTC)
    assert [s.date for s in found] == ["2026-05-02"]


def test_a_night_race_is_one_day_of_the_date_it_began():
    found = sailing_days(activity([(at(2, 19), at(3, 5))], [(at(3, 5), at(3, 11))]), UTC)
    assert [s.date for s in found] == ["2026-05-02"]


def test_a_passage_is_cut_at_local_midnight():
    begin, end = at(2, 20), at(4, 14)
    found = sailing_days(activity([(begin, end)]), UTC)
    assert spans(found) == [("2026-05-02", begin, at(3, 0)), ("2026-05-03", at(3, 0), at(4, 0)),
                            ("2026-05-04", at(4, 0), end)]
    # Two hours east midnight comes two hours earlier.
    east = sailing_days(activity([(begin, end)]), timezone(timedelta(hours=2)))
    assert [s.start_s for s in east] == [begin, at(2, 22), at(3, 22)]


@pytest.mark.parametrize("hours, days", [(24, 1), (24 + 1 / 6, 2)])
def test_a_passage_is_longer_than_a_day(hours, days):
    assert len(sailing_days(activity([(at(2, 12), at(2, 12) + hours * 3600)]), UTC)) == days


def test_minutes_before_midnight_make_no_day_of_their_own():
    found = sailing_days(activity([(at(2, 23, 30), at(4, 14))]), UTC)
    assert [s.date for s in found] == ["2026-05-03", "2026-05-04"]


def test_lying_logged_all_night_is_rest_all_the_same():
    found = sailing_days(activity([(at(2, 10), at(2, 16)), (at(3, 9), at(3, 17))],
                                  [(at(2, 16), at(3, 9))]), UTC)
    assert [s.date for s in found] == ["2026-05-02", "2026-05-03"]
    assert found[0].end_s == found[1].start_s == at(3, 0)


def test_a_log_that_never_moves_is_told_apart_by_its_silences():
    recorded = blocks((at(2, 10), at(2, 11)), (at(5, 10), at(5, 11)))
    still = Activity(recorded, recorded[:0], recorded)
    assert [s.date for s in sailing_days(still, UTC)] == ["2026-05-02", "2026-05-05"]


def test_local_time_is_the_zone_given_or_the_seas_own():
    paris = ZoneInfo("Europe/Paris")
    assert local_zone(paris, -150.0) is paris
    assert local_zone(ZoneInfo("UTC"), -150.0).utcoffset(None) == timedelta(hours=-10)
    assert local_zone(ZoneInfo("UTC"), 7.4).utcoffset(None) == timedelta(0)
    assert local_zone(ZoneInfo("UTC"), 7.6).utcoffset(None) == timedelta(hours=1)


def test_the_newest_sailing_that_can_be_is_taken():
    hours = [(at(2, 10), at(2, 12))]
    now = activity(hours)
    years = [activity([(a + y * 365.25 * 86400, b + y * 365.25 * 86400) for a, b in hours])
             for y in (-27, 54)]
    every = Activity(*(np.unique(np.concatenate(parts)) for parts in zip(
        *((a.recorded, a.under_way, a.known) for a in [now, *years]), strict=True)))
    taken, rest = near_in_time(every, at(20, 0))
    assert taken == (now.recorded[0], now.recorded[-1]) and len(rest) == 2


# ------------------------------------------------------------------ logs
def test_three_days_on_a_card(tmp_path):
    days_on(tmp_path)
    card = read_days(tmp_path)
    assert [day.date for day in card.days] == ["2026-05-02", "2026-05-03", "2026-05-04"]
    for day, number in zip(card.days, (2, 3, 4), strict=True):
        assert [f.name for f in day.files] == [f"{number}.nmea"]
        assert [i.file for i in day.raw.inputs] == [f"{number}.nmea"]
        times = [t for s in day.raw.streams for t in (s.time_s[0], s.time_s[-1])]
        assert min(times) == pytest.approx(at(number, 10), abs=2)
        assert max(times) == pytest.approx(at(number, 11, 30), abs=3)
        assert len(day.raw.of("stw_kn")[0].value) == pytest.approx(2700, abs=2)
    with pytest.raises(LogError, match=r"3 days \(2026-05-02, 2026-05-03, 2026-05-04\)"):
        read_one_day(tmp_path)


def test_one_file_of_three_days_is_cut(tmp_path):
    path = put(tmp_path, "all.nmea", b"".join(log(at(day, 10), 90) for day in (2, 3, 4)))
    whole = read_days(path)
    parts = sum(s.value.size for day in whole.days for s in day.raw.streams)
    assert len(whole.days) == 3
    assert parts == sum(s.value.size for s in read_each([path]).sources[0].reading.streams)
    # A worker that is given the hours reads the same.
    again = read_one_day([path], window=whole.days[1].window)
    for one, other in zip(whole.days[1].raw.streams, again.raw.streams, strict=True):
        assert np.array_equal(one.time_s, other.time_s) and np.array_equal(one.value, other.value)


def test_one_day_is_read_as_ever_whatever_lies_around_it(tmp_path):
    put(tmp_path, "log.nmea", log(at(2, 10), 90))
    day = read_one_day(tmp_path)
    assert day.window == (-np.inf, np.inf) and day.date == "2026-05-02"


def test_a_day_at_the_dock_is_named_and_gives_no_report(tmp_path):
    days_on(tmp_path)
    put(tmp_path, "dock.nmea", log(at(6, 10), 90, speed_kn=0.0, lon=7.3))
    card = read_days(tmp_path)
    assert [day.date for day in card.days] == ["2026-05-02", "2026-05-03", "2026-05-04"]
    assert [f.message[:10] for f in card.findings if f.code == "day-lying-still"] == ["2026-05-06"]


def test_making_way_by_position_alone_and_swinging_at_anchor():
    from sailanalysis.core.model import Stream
    from sailanalysis.read.reading import Reading

    time = at(2, 10) + np.arange(0, 1200.0)
    swing = 43.0 + 30 / 111_320 * np.sin(time / 60)  # 30 m either way
    sail = 43.0 + 1.0 / 111_320 * np.arange(time.size)  # 1 m/s
    for lat, moves in ((swing, 0), (sail, 2)):
        reading = Reading("x", [Stream("lat", "a", time, lat), Stream("lon", "a", time, 7.0 + 0 * lat)])
        assert activity_of([reading]).under_way.size == moves


# ------------------------------------------------------------------ years apart
@pytest.mark.parametrize("year", [1999, 2079])
def test_a_receiver_that_forgot_its_date_does_not_make_years_of_nothing(tmp_path, year):
    put(tmp_path, "good.nmea", log(at(2, 10), 60))
    lost = datetime(year, 8, 22, 0, 0, tzinfo=UTC).timestamp()
    table = "time,lat,lon,sog\n" + "".join(
        f"{datetime.fromtimestamp(lost + k, UTC):%Y-%m-%dT%H:%M:%SZ},{43 + k * 3e-5},7.0,6.0\n"
        for k in range(1200))
    put(tmp_path, "lost.csv", table.encode())
    card = read_days(tmp_path)
    assert [day.date for day in card.days] == ["2026-05-02"]
    assert [f.name for f in card.days[0].files if f.name == "good.nmea"]
    said = next(f for f in card.findings if f.code == "years-apart")
    assert "lost.csv" in said.message and f"{year}-08-22" in said.message
    streams = card.days[0].raw.streams
    assert max(s.time_s[-1] for s in streams) - min(s.time_s[0] for s in streams) < 86400


def test_a_week_overflow_is_put_right_by_the_files_own_name(tmp_path):
    behind = at(2, 10) - 1024 * 7 * 86400
    name = f"raw_{int(at(2, 10) * 1000)}.nmea"
    put(tmp_path, name, log(behind, 20))
    os.utime(tmp_path / name, (at(30, 0) + 9e7, at(30, 0) + 9e7))
    day = read_one_day(tmp_path)
    assert day.date == "2026-05-02"
    assert "gps-week-rollover" in {f.code for f in day.raw.findings}


def test_a_log_of_2006_in_a_file_of_2026_stays_of_2006(tmp_path):
    path = put(tmp_path, "old.nmea", log(at(2, 10) - 1024 * 7 * 86400, 20))
    os.utime(path, (at(20, 0) + 9e7, at(20, 0) + 9e7))
    assert read_one_day(tmp_path).date == "2006-09-16"


# ------------------------------------------------------------------ two boats
def test_logs_at_two_places_at_once_are_refused(tmp_path):
    put(tmp_path, "a.nmea", log(at(2, 10), 40))
    put(tmp_path, "b.nmea", log(at(2, 10, 10), 40, lat=43.05))
    with pytest.raises(LogError, match=r"a\.nmea and b\.nmea cannot be of one boat.*3\.\d NM apart"):
        read_days(tmp_path)


def test_logs_a_world_apart_an_hour_later_are_refused(tmp_path):
    put(tmp_path, "a.nmea", log(at(2, 10), 40))
    put(tmp_path, "b.nmea", log(at(2, 12), 40, lat=36.0, lon=-140.0))
    with pytest.raises(LogError, match=r"a\.nmea and b\.nmea cannot be of one boat"):
        read_days(tmp_path)


def test_two_receivers_of_one_boat_are_not(tmp_path):
    put(tmp_path, "a.nmea", log(at(2, 10), 40))
    put(tmp_path, "b.nmea", log(at(2, 10), 40, lat=43.0001, extra=sentence("HCHDM,90.0,M")))
    assert len(read_days(tmp_path).days) == 1


def test_a_boat_taken_along_the_road_overnight_is_one_boat(tmp_path):
    put(tmp_path, "a.nmea", log(at(2, 10), 40))
    put(tmp_path, "b.nmea", log(at(3, 10), 40, lat=47.0, lon=9.0))
    assert len(read_days(tmp_path).days) == 2


# ------------------------------------------------------------------ what lies beside
def test_each_folder_has_its_boat_and_its_crew_log(tmp_path):
    for day, name in ((2, "Marit"), (3, "Jonas")):
        folder = tmp_path / f"day{day}"
        put(folder, "log.nmea", log(at(day, 10), 90))
        put(folder, "crew.csv", f"time,item,value\n10:15,helm,{name}\n".encode())
        put(folder, "boat.toml", f"[boat]\nloa_m = {9 + day}\n".encode())
    days = read_days(tmp_path).days
    assert [d.boat.loa_m for d in days] == [11, 12]
    assert [[(e.value, e.time_s) for e in d.crew.entries] for d in days] == [
        [("Marit", at(2, 10, 15))], [("Jonas", at(3, 10, 15))]]


def test_a_crew_log_and_boat_given_outrank_those_lying_there(tmp_path):
    put(tmp_path / "logs", "log.nmea", log(at(2, 10), 90))
    put(tmp_path / "logs", "crew.csv", b"time,item,value\n10:15,helm,Marit\n")
    put(tmp_path / "logs", "boat.toml", b"[boat]\nloa_m = 9\n")
    crew = put(tmp_path, "mine.csv", b"time,item,value\n10:15,helm,Ada\n")
    boat = put(tmp_path, "mine.toml", b"[boat]\nloa_m = 10\n")
    day = read_one_day(tmp_path / "logs", boat=boat, crew_logs=[crew])
    assert [e.value for e in day.crew.entries] == ["Ada"] and day.boat.loa_m == 10
    assert "crew-log-not-used" in {f.code for f in day.raw.findings}


def test_two_boat_files_in_one_folder_are_refused(tmp_path):
    put(tmp_path, "log.nmea", log(at(2, 10), 20))
    put(tmp_path, "a.toml", b"[boat]\nloa_m = 9\n")
    put(tmp_path, "b.toml", b"[boat]\nloa_m = 10\n")
    with pytest.raises(BoatFileError, match=r"a\.toml and b\.toml"):
        read_days(tmp_path)


def test_one_crew_log_of_times_of_day_is_dealt_out_to_the_days(tmp_path):
    days_on(tmp_path)
    put(tmp_path, "crew.csv", b"time,item,value\n10:05,helm,Marit\n10:45,sails,main+jib\n"
        b"10:10,helm,Jonas\n11:20,trim,sheet in\n2026-05-04T10:30:00Z,helm,Ada\n")
    days = read_days(tmp_path).days
    assert [[(e.item, e.time_s) for e in d.crew.entries] for d in days] == [
        [("helm", at(2, 10, 5)), ("sails", at(2, 10, 45))],
        [("helm", at(3, 10, 10)), ("trim", at(3, 11, 20))], [("helm", at(4, 10, 30))]]


def test_lines_that_could_be_of_several_days_are_said_to(tmp_path):
    path = put(tmp_path, "crew.csv", b"time,item,value\n10:05,helm,Marit\n")
    hours = [(at(d, 10), at(d, 12)) for d in (2, 3)]
    first, second = read_crew_log_of_days(path, hours)
    assert [e.time_s for e in first[0].entries] == [at(2, 10, 5)] and not second[0].entries
    assert [f.code for f in first[1]] == ["crew-log-day-unclear"]
    other = [(at(2, 10), at(2, 12)), (at(3, 14), at(3, 16))]
    path.write_bytes(b"time,item,value\n15:05,helm,Marit\n")
    first, second = read_crew_log_of_days(path, other)
    assert not first[0].entries and not first[1] and len(second[0].entries) == 1


def test_what_held_before_midnight_holds_after_it_on_passage():
    before = CrewLog((CrewEntry(1.0, "helm", "Marit"), CrewEntry(2.0, "sails", "main"),
                      CrewEntry(3.0, "helm", "Jonas"), CrewEntry(4.0, "note", "stars")))
    after = CrewLog((CrewEntry(10.0, "sails", "main+jib"), CrewEntry(12.0, "helm", "Ada")))
    assert [(e.time_s, e.value) for e in carried_over(before, after, 10.0).entries] == [
        (10.0, "Jonas"), (10.0, "main+jib"), (12.0, "Ada")]


def test_a_log_that_spans_years_costs_no_more_memory_than_its_samples(tmp_path):
    import tracemalloc

    from sailanalysis.read import inspect_logs

    put(tmp_path, "good.nmea", log(at(2, 10), 60))
    rows = [f"{datetime.fromtimestamp(at(2, 10) + shift + k, UTC):%Y-%m-%dT%H:%M:%SZ},"
            f"{43 + k * 3e-5:.6f},7.0,6.0\n" for shift in (-27 * 3.156e7, 0.0) for k in range(1200)]
    path = put(tmp_path, "phone.csv", ("time,lat,lon,sog\n" + "".join(rows)).encode())
    tracemalloc.start()
    inspect_logs([tmp_path])
    day = read_one_day(path)
    assert day.date == "2026-05-02" and day.raw.of("lat")[0].value.size == 1200
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 200e6


@settings(max_examples=300, deadline=None)
@example(hours=[(61, 300), (492, 19)], lying=[], zone=ZoneInfo("Pacific/Auckland"))
@given(hours=st.lists(st.tuples(st.integers(0, 6000), st.integers(1, 300)), min_size=1, max_size=25),
       lying=st.lists(st.tuples(st.integers(0, 6000), st.integers(1, 600)), max_size=10),
       zone=st.sampled_from([UTC, ZoneInfo("Europe/Paris"), ZoneInfo("Pacific/Auckland"), timezone(timedelta(hours=-9))]))
def test_whatever_was_sailed_the_days_are_whole_and_in_order(hours, lying, zone):
    begin = int(datetime(2026, 3, 20, tzinfo=UTC).timestamp() // 600)  # over a change of the clocks
    moving = np.unique(np.concatenate([begin + np.arange(a, a + n) for a, n in hours]))
    still = [begin + np.arange(a, a + n) for a, n in lying]
    recorded = np.unique(np.concatenate([moving, *still]))
    found = sailing_days(Activity(recorded, moving, recorded), zone)
    assert [s.date for s in found] == sorted({s.date for s in found})
    for one, other in pairwise(found):
        assert one.start_s < one.end_s <= other.start_s
    inside = np.zeros(moving.size, dtype=bool)
    # A block with none near it may be a receiver that woke up, and then counts as lying.
    alone = np.array([np.sum(np.abs(moving - b) <= 3) == 1 for b in moving])
    for span in found:
        mine = (moving * 600 >= span.start_s - 600) & (moving * 600 < span.end_s)
        # A day, and less than an hour at either end.
        assert not (mine & ~alone).any() or np.ptp(moving[mine & ~alone]) * 600 <= 26 * 3600
        inside |= mine
    assert inside[~alone].all()
