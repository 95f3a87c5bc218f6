"""The crew log: times of the log's own day, items, and what is said about bad lines."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sailanalysis.core.errors import BoatFileError
from sailanalysis.read.written.crewlog import read_crew_log


def at(text):
    return datetime.fromisoformat(text).timestamp()


DAY = {"day_start_s": at("2026-07-03T09:00:00+00:00"), "day_end_s": at("2026-07-03T17:00:00+00:00")}


@pytest.fixture(scope="module")
def scratch(tmp_path_factory):
    return tmp_path_factory.mktemp("any")


def read(tmp_path, text, **kwargs):
    path = tmp_path / "crew.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_crew_log(path, **{**DAY, **kwargs})


def iso(entry):
    return datetime.fromtimestamp(entry.time_s, UTC).isoformat()


def test_every_item_of_the_interface(tmp_path):
    log, findings = read(tmp_path, """time,item,value,note
08:55,helm,Ines,
09:05,sails,main+jib,full main
09:06:30,boards,port up starboard down,
2026-07-03T09:10:00Z,engine,on,
2026-07-03 09:20,engine,Off,
2026-07-03T12:10:00.5+02:00,trim,mainsheet eased 20 cm,
11:00,load,420,
11:05,sea,0.4,
12:30,fill,fuel_port 180,
13:00,note,"squall, we ran off",
14:00,helm,Autopilot,
""")
    assert findings == []
    assert [(e.item, e.value) for e in log.entries] == [
        ("helm", "Ines"), ("sails", "main+jib"), ("boards", "port up starboard down"),
        ("engine", "on"), ("engine", "off"), ("trim", "mainsheet eased 20 cm"), ("load", "420"),
        ("sea", "0.4"), ("fill", "fuel_port 180"), ("note", "squall, we ran off"),
        ("helm", "autopilot")]
    assert iso(log.entries[0]) == "2026-07-03T08:55:00+00:00"
    assert iso(log.entries[5]) == "2026-07-03T10:10:00.500000+00:00"
    assert log.entries[1].note == "full main"


@pytest.mark.parametrize(("text", "expected"), [
    ("11:00", "2026-07-03T09:00:00+00:00"),
    ("2026-07-03T11:00", "2026-07-03T09:00:00+00:00"),
    ("2026-07-03T11:00Z", "2026-07-03T11:00:00+00:00"),
    ("03.07.2026 11:00", "2026-07-03T09:00:00+00:00"),
    ("07/03/2026 11:00", "2026-07-03T09:00:00+00:00"),
    ("1:30 PM", "2026-07-03T11:30:00+00:00"),
])
def test_zone_and_spelling_of_times(tmp_path, text, expected):
    log, findings = read(tmp_path, f"time,item,value\n{text},note,x\n", timezone="Europe/Paris")
    assert findings == [] and iso(log.entries[0]) == expected


def test_past_midnight_and_before_the_log_starts(tmp_path):
    night = {"day_start_s": at("2026-07-03T21:30:00+00:00"),
             "day_end_s": at("2026-07-04T05:00:00+00:00")}
    text = "time,item,value\n21:10,helm,A\n23:59,helm,B\n00:01,helm,C\n04:30,helm,A\n05:20,note,in\n"
    log, findings = read(tmp_path, text, **night)
    assert findings == []
    assert [iso(e)[8:16] for e in log.entries] == [
        "03T21:10", "03T23:59", "04T00:01", "04T04:30", "04T05:20"]
    unknown_end, _ = read(tmp_path, text, **{**night, "day_end_s": None})
    assert unknown_end == log


def test_two_days_follow_the_order_of_the_lines(tmp_path):
    log, _ = read(tmp_path, "time,item,value\n10:00,helm,A\n18:00,helm,B\n10:00,helm,C\n",
                  day_end_s=at("2026-07-05T09:30:00+00:00"))
    assert [iso(e)[8:16] for e in log.entries] == ["03T10:00", "03T18:00", "04T10:00"]


def test_bad_lines_are_counted_with_their_numbers(tmp_path):
    log, findings = read(tmp_path, """time,item,value
10:00,helm,Ines
25:00,helm,Ines
10:10,spinaker,up
10:20,load,heavy
10:21,load,nan
10:22,load,-5
10:30,engine,maybe
10:40,fill,fuel
10:41,fill,fuel -3
10:50,helm,
soon,note,x
""")
    assert len(log.entries) == 1
    by_code = {f.code: f.message for f in findings}
    assert "'spinaker' (line 4)" in by_code["crew-log-unknown-item"]
    assert "9 lines left out" in by_code["crew-log-bad-line"]
    for number in (3, 5, 6, 7, 8, 9, 10, 11):
        assert f"line {number}:" in by_code["crew-log-bad-line"]


@pytest.mark.parametrize("text", [
    "time;item;value;note\r\n10:00;load;12,5 kg;\r\n",
    "\ufefftime\titem\tvalue\n10:00\tload\t12.5\n",
    "note,value,time,item\n,12.5,10:00,Load\n",
    "\n\n\"time\",\"item\",\"value\"\n\"10:00\",\"load\",\"12.5\"\n\n",
    "time,item,value\n10:00,load,12.5\n".encode("utf-16"),
    "time,item,value\r10:00,load,12.5\r",
])
def test_separators_marks_and_encodings(tmp_path, text):
    log, findings = read(tmp_path, text)
    assert findings == [] and [(e.item, e.value) for e in log.entries] == [("load", "12.5")]


def test_quotes_commas_and_names_survive(tmp_path):
    log, findings = read(tmp_path, "time,item,value\n"
                         '10:00,note,"two\nlines, one note"\n'
                         '10:01,note,sheet in 5" and out, again 3"\n'
                         '10:02,note,"never closed\n'
                         '10:03,helm,José\n10:04,helm,JOSÉ\n10:05,sails,main + jib\n'
                         .replace("José", "Jos\u00e9").encode("utf-8"))
    assert findings == []
    assert [e.value for e in log.entries] == [
        "two lines, one note", 'sheet in 5" and out, again 3"', "never closed",
        "Jos\u00e9", "Jos\u00e9", "main+jib"]


def test_an_old_western_encoding_is_read(tmp_path):
    log, _ = read(tmp_path, "time,item,value\n10:00,helm,J\u00f6rg\n".encode("cp1252"))
    assert log.entries[0].value == "J\u00f6rg"


def test_a_crew_log_of_another_day_is_said(tmp_path):
    _, findings = read(tmp_path, "time,item,value\n2026-06-01T10:00,helm,Ines\n")
    assert [f.code for f in findings] == ["crew-log-other-day"]


def test_an_empty_log_is_said(tmp_path):
    for text in ("", "\n\n", "time,item,value\n"):
        log, findings = read(tmp_path, text)
        assert log.entries == () and [f.code for f in findings] == ["crew-log-empty"]


def test_no_header_zone_or_file_is_one_clear_line(tmp_path):
    with pytest.raises(BoatFileError, match="time,item,value"):
        read(tmp_path, "10:00,helm,Ines\n")
    with pytest.raises(BoatFileError, match="Atlantis"):
        read(tmp_path, "time,item,value\n", timezone="Atlantis/Capital")
    with pytest.raises(BoatFileError, match=r"none\.csv"):
        read_crew_log(tmp_path / "none.csv", day_start_s=0.0)


def test_the_hour_that_comes_twice_is_summer_time(tmp_path):
    log, _ = read(tmp_path, "time,item,value\n02:30,note,x\n", timezone=ZoneInfo("Europe/Paris"),
                  day_start_s=at("2026-10-25T00:00:00+00:00"), day_end_s=None)
    assert iso(log.entries[0]) == "2026-10-25T00:30:00+00:00"


@given(st.lists(st.text(max_size=60), max_size=12), st.sampled_from([",", ";", "\t"]))
def test_any_lines_are_read_or_counted(scratch, lines, mark):
    path = scratch / "crew.csv"
    body = "\n".join([mark.join(("time", "item", "value")), *lines])
    path.write_text(body, encoding="utf-8", errors="ignore")
    try:
        log, _ = read_crew_log(path, **DAY)
    except BoatFileError:
        return
    assert len(log.entries) <= len(body.splitlines())
