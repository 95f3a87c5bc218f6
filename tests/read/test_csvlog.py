"""CSV logs: headers, units, separators, times, bad rows, exact accounting."""

import io
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx

from sailanalysis.core.channels import CHANNELS
from sailanalysis.core.model import Boat
from sailanalysis.read.csv import read as read_csv
from sailanalysis.read.csv.layout import names_a_log
from sailanalysis.read.reading import ReadContext

MODIFIED = datetime(2026, 7, 5, 18, tzinfo=UTC).timestamp()


def context(**kwargs):
    given = {"name": "log.csv", "modified_s": MODIFIED, "date": None, "zone": UTC, "boat": Boat()}
    return ReadContext(**{**given, **kwargs})


def read(text, **kwargs):
    data = text if isinstance(text, bytes) else text.encode()
    reading = read_csv(io.BytesIO(data), context(**kwargs))
    assert reading.lines == reading.used + sum(reading.rejected.values())
    for stream in reading.streams:
        assert np.isfinite(stream.value).all() and (np.diff(stream.time_s) >= 0).all()
    return reading


def values(reading, channel):
    (stream,) = [s for s in reading.streams if s.channel == channel]
    return stream.value.tolist()


def iso(seconds):
    return datetime.fromtimestamp(seconds, UTC).isoformat()


def times(reading):
    return [iso(t) for t in reading.streams[0].time_s]


def codes(reading):
    return sorted(f.code for f in reading.findings if f.code != "zone-assumed")


def test_a_plain_log():
    reading = read("time,BSP,AWA,HDG (M)\n2026-07-03T10:00:00Z,6.1,-35,182\n"
                   "2026-07-03T10:00:01Z,,-36,183\n")
    assert values(reading, "stw_kn") == [6.1]
    assert values(reading, "awa_deg") == [-35, -36]
    assert values(reading, "hdg_mag_deg") == [182, 183]
    assert (reading.lines, reading.used, reading.ignored) == (3, 3, 1)
    assert reading.clock == "stamped" and reading.findings == []
    assert reading.streams[0].source == "csv BSP"


@pytest.mark.parametrize(("header", "cell", "channel", "value"), [
    ("Boat Speed (m/s)", "3", "stw_kn", 3 * 3600 / 1852),
    ("STW [km/h]", "18.52", "stw_kn", 10.0),
    ("boatSpeedMph", "10", "stw_kn", 10 * 1609.344 / 1852),
    ("app wind angle", "325", "awa_deg", -35.0),
    ("AWA", "35P", "awa_deg", -35.0),
    ("AWA", "S 35", "awa_deg", 35.0),
    ("Apparent Wind Angle [rad]", "-0.5", "awa_deg", np.degrees(-0.5)),
    ("Heading_true_rad", "3.1", "hdg_deg", np.degrees(3.1)),
    ("HDG (°M)", "-2", "hdg_mag_deg", 358.0),
    ("COG (T)", "360", "cog_deg", 0.0),
    ("Heel°", "-12.5", "heel_deg", -12.5),
    ("Depth (ft)", "10", "depth_m", 3.048),
    ("Water temp (°F)", "50", "water_temp_c", 10.0),
    ("Air temperature (K)", "283.15", "air_temp_c", 10.0),
    ("Baro (inHg)", "29.92", "pressure_hpa", 1013.21),  # standard atmosphere, common practice
    ("ROT (deg/min)", "60", "rate_of_turn_deg_s", 1.0),
    ("Latitude", "36°12.5'S", "lat", -36.208333333),
    ("Lon", "12 30 36 W", "lon", -12.51),
    ("Lon", "350.5", "lon", -9.5),
    ("TWS", "12 kn", "tws_logged_kn", 12.0),
    ("tws_kn", "12", "tws_logged_kn", 12.0),
    ("Autopilot", "auto", "autopilot", 1.0),
    ("Tank fuel (%)", "50", "tank:fuel", 0.5),
    ("Log (km)", "18.52", "log_nm", 10.0),
    ("Engine RPM", "1500", "engine_rpm", 1500.0),
])
def test_names_units_and_spellings(header, cell, channel, value):
    reading = read(f"time,{header}\n2026-07-03T10:00:00Z,{cell}\n")
    assert values(reading, channel) == approx([value], abs=5e-3 if "Baro" in header else 1e-6)
    assert "csv-unreadable-cell" not in codes(reading)


@pytest.mark.parametrize(("rows", "expected"), [
    (["2026-07-03T10:00:00.25Z"], "2026-07-03T10:00:00.250000+00:00"),
    (["2026-07-03T12:00:00+02:00"], "2026-07-03T10:00:00+00:00"),
    (["2026-07-03 12:00:00.5"], "2026-07-03T10:00:00.500000+00:00"),
    (["03.07.2026 12:00:00"], "2026-07-03T10:00:00+00:00"),
    (["13/07/2026 12:00"], "2026-07-13T10:00:00+00:00"),
    (["07/13/2026 12:00:00 PM"], "2026-07-13T10:00:00+00:00"),
    (["3 Jul 2026 12:00:01"], "2026-07-03T10:00:01+00:00"),
    (["20260703T120000"], "2026-07-03T10:00:00+00:00"),
    (["1783072800"], "2026-07-03T10:00:00+00:00"),
    (["1783072800.25"], "2026-07-03T10:00:00.250000+00:00"),
    (["1783072800250"], "2026-07-03T10:00:00.250000+00:00"),
    (["1783072800250000"], "2026-07-03T10:00:00.250000+00:00"),
    (["46206.5"], "2026-07-03T10:00:00+00:00"),
    # past midnight the third follows the second: day first
    (["02/07/2026 23:59:59", "03/07/2026 00:00:01"], "2026-07-02T21:59:59+00:00"),
    (["07/02/2026 23:59:59", "07/03/2026 00:00:01"], "2026-07-02T21:59:59+00:00"),
])
def test_times_as_people_write_them(rows, expected):
    reading = read("Time,SOG\n" + "".join(f"{row},5\n" for row in rows),
                   zone=ZoneInfo("Europe/Paris"))
    assert times(reading)[0] == expected
    assert "ambiguous-date" not in codes(reading)


@pytest.mark.parametrize(("head", "row", "expected"), [
    ("Date,Time", "2026-07-03,10:00:01.5", "2026-07-03T10:00:01.500000+00:00"),
    ("Date,UTC", "13/07/26,10:00:01", "2026-07-13T10:00:01+00:00"),
    ("Date,Time", "20260703,100001", "2026-07-03T10:00:01+00:00"),
    ("Time;Date", "10:00:01;03.07.2026", "2026-07-03T10:00:01+00:00"),
    ("Date", "2026-07-03 10:00:01", "2026-07-03T10:00:01+00:00"),
    ("Date,Time,Elapsed", "2026-07-03,10:00:01,0", "2026-07-03T10:00:01+00:00"),
    ("Elapsed,timestamp", "0,2026-07-03T10:00:01Z", "2026-07-03T10:00:01+00:00"),
])
def test_date_and_time_apart(head, row, expected):
    mark = ";" if ";" in head else ","
    assert times(read(f"{head}{mark}SOG\n{row}{mark}5\n"))[0] == expected


def test_a_date_that_may_be_read_two_ways_is_settled_or_said():
    text = "Time,SOG\n03/07/2026 10:00:00,5\n"
    said = read(text)
    assert codes(said) == ["ambiguous-date"] and times(said) == ["2026-07-03T10:00:00+00:00"]
    by_option = read(text, date=date(2026, 3, 7))
    assert codes(by_option) == [] and times(by_option) == ["2026-03-07T10:00:00+00:00"]
    by_name = read(text, name="2026-03-07 race.csv")
    assert codes(by_name) == [] and times(by_name) == ["2026-03-07T10:00:00+00:00"]


def test_time_of_day_alone_takes_the_given_day_through_midnight():
    reading = read("time,SOG\n23:59:59,5\n00:00:01,5\n", date=date(2026, 7, 3))
    assert times(reading) == ["2026-07-03T23:59:59+00:00", "2026-07-04T00:00:01+00:00"]
    guessed = read("time,SOG\n10:00:00,5\n")
    assert codes(guessed) == ["no-date"] and times(guessed)[0].startswith("2026-07-05")
    named = read("time,SOG\n10:00:00,5\n", name="sail_20260703.csv")
    assert codes(named) == ["no-date"] and times(named)[0].startswith("2026-07-03")


def test_elapsed_seconds_count_from_the_day_or_the_names_clock():
    reading = read("elapsed (s),SOG\n0,5\n0.5,5\n", date=date(2026, 7, 3))
    assert times(reading) == ["2026-07-03T00:00:00+00:00", "2026-07-03T00:00:00.500000+00:00"]
    assert codes(reading) == ["elapsed-time"]
    named = read("t,SOG\n0,5\n90,5\n", name="2026-07-03_10-15-00.csv",
                 zone=ZoneInfo("Europe/Paris"))
    assert times(named) == ["2026-07-03T08:15:00+00:00", "2026-07-03T08:16:30+00:00"]


def test_the_hour_that_comes_twice():
    rows = ["02:30:00", "02:59:00", "02:01:00", "02:30:00", "03:00:00"]
    reading = read("time,SOG\n" + "".join(f"2026-10-25 {t},5\n" for t in rows),
                   zone=ZoneInfo("Europe/Paris"))
    assert [t[11:16] for t in times(reading)] == ["00:30", "00:59", "01:01", "01:30", "02:00"]
    assert reading.clock == "local"
    assert "Europe/Paris" in next(f for f in reading.findings if f.code == "zone-assumed").message


def test_semicolons_and_decimal_commas():
    reading = read("\ufeffZeit;time;BSP;AWA\r\nx;03.07.2026 10:00:00,5;6,25;-35,5\r\n")
    assert values(reading, "stw_kn") == [6.25] and values(reading, "awa_deg") == [-35.5]
    assert times(reading) == ["2026-07-03T10:00:00.500000+00:00"]
    assert codes(reading) == ["csv-unknown-column"] and "'Zeit'" in reading.findings[0].message


@pytest.mark.parametrize("encode", [
    lambda text: text.encode("utf-16"), lambda text: text.encode("utf-8-sig"),
    lambda text: text.replace("\n", "\r").encode(), lambda text: text.encode("cp1252"),
    lambda text: text.replace(",", "\t").encode(), lambda text: b"sep=,\n\n" + text.encode(),
    lambda text: b"Logger 7\n# made at sea\n\n" + text.encode(),
])
def test_encodings_and_remarks_before_the_header(encode):
    reading = read(encode("time,BSP,TWD °T\n2026-07-03T10:00:00Z,6,90\n"))
    assert values(reading, "stw_kn") == [6] and values(reading, "twd_logged_deg") == [90]


def test_a_row_of_units_below_the_header():
    reading = read("Time,BSP,AWA,Depth\nUTC,m/s,rad,ft\n2026-07-03T10:00:00,1,1,10\n")
    assert values(reading, "stw_kn") == approx([3600 / 1852])
    assert values(reading, "awa_deg") == approx([np.degrees(1)])
    assert values(reading, "depth_m") == approx([3.048])


def test_missing_is_never_zero_and_bad_cells_are_counted():
    cells = ["", "-", "--", "NaN", "N/A", "null", "inf", "-inf", "1e999", "abc", "0", " 7 "]
    reading = read("time,BSP,AWS\n" + "".join(
        f"2026-07-03T10:00:{k:02d}Z,{cell},1\n" for k, cell in enumerate(cells)))
    assert values(reading, "stw_kn") == [0, 7]
    assert len(values(reading, "aws_kn")) == len(cells)
    message = next(f for f in reading.findings if f.code == "csv-unreadable-cell").message
    assert "'BSP'" in message and "3 cells" in message  # inf, -inf, abc


def test_bad_rows_are_counted_by_reason():
    reading = read("time,BSP\n2026-07-03T10:00:00Z,6\n2026-07-03T10:00:01Z\n"
                   "2026-07-03T10:00:02Z,6,7\n\nnever,6\n,6\ntime,BSP\n"
                   '2026-07-03T10:00:03Z,"6\n2026-07-03T10:00:04Z,6')
    assert reading.rejected == {"wrong number of columns": 2, "no readable time": 2,
                                "quote not closed": 1}
    assert reading.lines == 10 and len(values(reading, "stw_kn")) == 2


def test_mapping_in_the_boat_file():
    boat = Boat(columns={"Bt Spd": "stw_kn", "wind [m/s]": "tws_kn", "Clock": "time", "junk": "",
                         "absent": "awa_deg"})
    reading = read("Clock,bt  spd,wind [m/s],junk,odd\n2026-07-03T10:00:00Z,6,10,1,2\n", boat=boat)
    assert values(reading, "stw_kn") == [6]
    assert values(reading, "tws_logged_kn") == approx([10 * 3600 / 1852])
    assert codes(reading) == ["csv-mapped-column-absent", "csv-unknown-column"]


def test_loose_names_are_settled_by_their_company_and_said():
    reading = read("time,lat,lon,speed,wind speed,wind angle\n2026-07-03T10:00:00Z,50,-3,5,9,40\n")
    assert values(reading, "sog_kn") == [5] and values(reading, "aws_kn") == [9]
    assert values(reading, "awa_deg") == [40]
    assert codes(reading) == ["csv-assumed-column"] * 3
    weather = read("time,wind speed,wind direction\n2026-07-03T10:00:00Z,9,240\n")
    assert values(weather, "tws_logged_kn") == [9]


def test_radians_without_a_word_are_doubted():
    rows = "".join(f"{1783072800 + k},{k % 7 * 0.9:.3f}\n" for k in range(200))
    assert codes(read("time,HDG (T)\n" + rows)) == ["csv-doubtful-unit"]


def test_whole_second_stamps_at_five_hertz_are_spread():
    rows = "".join(f"2026-07-03T10:00:{k // 5:02d}Z,{k}\n" for k in range(50))
    stream = read("time,BSP\n" + rows).streams[0]
    assert np.diff(stream.time_s) == approx(np.full(49, 0.2))


def test_rows_written_twice_count_once():
    rows = [f"2026-07-03T10:00:{k:02d}Z,{k % 7},{k}\n" for k in range(50)]
    reading = read("time,BSP,AWA\n" + "".join(row * 2 for row in rows))
    assert stream_times(reading) == approx(1783072800 + np.arange(50.0))
    assert codes(reading) == ["csv-repeated-rows"] and reading.ignored == 51
    # a boat at rest at 5 Hz on whole-second stamps is no repetition
    still = "".join(f"2026-07-03T10:00:{k // 5:02d}Z,0,{k}\n" for k in range(50))
    assert len(stream_times(read("time,BSP,AWA\n" + still))) == 50


def stream_times(reading):
    return reading.streams[0].time_s.tolist()


def test_rows_out_of_order_are_ordered_and_said():
    reading = read("time,BSP\n2026-07-03T10:00:02Z,2\n2026-07-03T10:00:01Z,1\n"
                   "2026-07-03T10:00:03Z,3\n")
    assert values(reading, "stw_kn") == [1, 2, 3] and codes(reading) == ["time-out-of-order"]


def test_a_clock_years_off_is_left_out():
    reading = read("time,BSP\n1970-01-01T00:00:00Z,1\n2026-07-03T10:00:01Z,2\n"
                   "2026-07-03T10:00:02Z,3\n2106-02-07T06:28:15Z,4\n")
    assert values(reading, "stw_kn") == [2, 3] and codes(reading) == ["time-far-off"]
    assert reading.rejected == {"no readable time": 2}


def test_text_columns_become_events():
    reading = read("time,BSP,helm,sails\n2026-07-03T10:00:00Z,6,Ines,main+jib\n"
                   "2026-07-03T10:00:01Z,6,Ines,main\n2026-07-03T10:00:02Z,6,,main\n"
                   "2026-07-03T10:00:03Z,6,Per,main\n")
    assert [(item, value) for _, item, value in reading.modes] == [
        ("helm", "Ines"), ("helm", "Per"), ("sails", "main+jib"), ("sails", "main")]


def test_two_columns_of_one_name_are_two_sources():
    reading = read("time,BSP,BSP\n2026-07-03T10:00:00Z,6,7\n")
    assert [s.source for s in reading.streams] == ["csv BSP", "csv BSP (column 3)"]


def test_the_busiest_engine_counts():
    reading = read("time,RPM 1,Engine RPM\n2026-07-03T10:00:00Z,900,0\n2026-07-03T10:00:01Z,,1500\n")
    assert values(reading, "engine_rpm") == [900, 1500]


def test_the_programs_own_samples_read_back():
    index = pd.date_range("2026-07-03T10:00:00Z", periods=20, freq="100ms")
    rng = np.random.default_rng(1)
    given = {name: rng.uniform(1, 50, 20).round(4) for name in (
        "lat", "lon", "sog_kn", "cog_deg", "stw_kn", "hdg_deg", "awa_deg", "aws_kn", "twa_deg",
        "tws_kn", "twd_deg", "rudder_deg", "heel_deg", "trim_deg", "rate_of_turn_deg_s",
        "leeway_deg", "set_deg", "drift_kn", "vmg_kn", "depth_m", "engine_rpm")}
    table = pd.DataFrame({"time": index.strftime("%Y-%m-%dT%H:%M:%S.%fZ"), **given,
                          "helm": "Ines", "sails": "main", "state": "sailing"})
    reading = read(table.to_csv(index=False))
    assert codes(reading) == []
    for name in given:
        if name == "vmg_kn":
            continue
        channel = name if CHANNELS[name].logged else name.replace("_", "_logged_", 1)
        assert values(reading, channel) == given[name].tolist()


@pytest.mark.parametrize("text", [
    b"", b"\n", b"\n" * 1000, b"x\n" * 5000, b"1,2,3\n4,5,6\n", b"a,b,c\n1,2,3\n", b"\0" * 3000,
    b"time,BSP\n", b"time\n2026-07-03T10:00:00Z\n", bytes(range(256)) * 20, b'"' * 999,
    b"time,BSP\n" + b"x" * 300_000, b"," * 70_000, b"time,BSP\n" + b"\xff\xfe,\x80\n" * 5,
    b"\xff\xfe" + b"\xd8" * 999, b"time,BSP\n" + b"1\n" * 30_000,
    # found by fuzzing: no date in any row; elapsed seconds beyond any year
    b"Date;Time;STW;HDG\n" + b";10:00:00;1;2\n" * 5,
    b"elapsed,TWS\n1e300,2\n",
])
def test_what_is_no_log_is_counted_and_said(text):
    reading = read(text)
    assert reading.streams == []
    if reading.lines > 1:
        assert reading.rejected or reading.findings


@pytest.mark.parametrize(("head", "known"), [
    ("time,BSP\n", True), ("Logger 7\n# x\n\nDate;Time;BSP\n03.07.2026;10:00:00,5;6,25\n", True),
    ("sep=|\ntime|BSP\n", True), ("time,item,value\n10:00,helm,A\n", False),
    ("name,age\nA,3\n", False), ("", False), ("1,2\n3,4\n", False),
])
def test_a_header_names_a_log(head, known):
    assert names_a_log(head.encode()) is known


def test_one_sample_and_hostile_positions():
    reading = read("time,lat,lon\n2026-07-03T10:00:00Z,90,180\n2026-07-03T10:00:01Z,-90,-180\n")
    assert values(reading, "lat") == [90, -90] and values(reading, "lon") == [180, -180]


cell = st.one_of(st.floats(width=32).map(str), st.text(max_size=8), st.sampled_from(
    ["2026-07-03T10:00:00Z", "10:00:00", "03/07/2026", "1783072800", "5,3", '"', "-", "35P"]))


@settings(max_examples=150, deadline=None)
@given(st.lists(st.lists(cell, max_size=5), max_size=8), st.sampled_from(",;\t"),
       st.sampled_from(["time", "Date", "elapsed (s)", "UTC"]))
def test_any_cells_are_read_or_counted(rows, mark, clock):
    head = mark.join([clock, "BSP (m/s)", "AWA", "lat", "helm"])
    read("\n".join([head, *(mark.join(row) for row in rows)]).encode("utf-8", "replace"))


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_counted(data):
    read(data)
    read(b"time,BSP\n" + data)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 10**8), st.floats(-1e3, 1e3)), min_size=1, max_size=40,
                unique_by=lambda row: row[0]))
def test_what_is_written_is_read_back(rows):
    rows = sorted(rows)
    text = "".join(f"{datetime.fromtimestamp(1.7e9 + t / 10, UTC).isoformat()},{v!r}\n"
                   for t, v in rows)
    stream = read("time,stw_kn\n" + text).streams[0]
    inside = [k for k, row in enumerate(rows) if abs(row[0] - np.median([r[0] for r in rows]))
              <= 4e9]
    assert stream.value == approx([rows[k][1] for k in inside], abs=0, rel=0)
    assert stream.time_s == approx([1.7e9 + rows[k][0] / 10 for k in inside], abs=1e-4, rel=0)
