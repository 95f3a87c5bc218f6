"""GPX: the points gpxpy gives, segments kept apart, and hostile XML refused."""

import io
from datetime import UTC, datetime

import gpxpy
import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx

from sailanalysis.core.model import Boat
from sailanalysis.read.gpx import MAX_DEPTH, speed_and_course
from sailanalysis.read.gpx import read as read_gpx
from sailanalysis.read.reading import ReadContext

HEAD = ('<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="nobody" '
        'xmlns="http://www.topografix.com/GPX/1/1" '
        'xmlns:x="http://www.example.org/TrackPointExtension/v2">')


def point(lat, lon, time="2026-07-03T10:00:00Z", more=""):
    stamp = f"<time>{time}</time>" if time is not None else ""
    return f'<trkpt lat="{lat}" lon="{lon}">{stamp}{more}</trkpt>'


def track(*segments):
    body = "".join(f"<trkseg>{''.join(points)}</trkseg>" for points in segments)
    return f"{HEAD}<trk>{body}</trk></gpx>"


def read(text):
    data = text if isinstance(text, bytes) else text.encode()
    context = ReadContext("track.gpx", 0.0, None, UTC, Boat())
    reading = read_gpx(io.BytesIO(data), context)
    assert reading.lines == reading.used + sum(reading.rejected.values())
    for stream in reading.streams:
        assert np.isfinite(stream.value).all() and (np.diff(stream.time_s) >= 0).all()
    return reading


def stream(reading, channel):
    (found,) = [s for s in reading.streams if s.channel == channel]
    return found


def codes(reading):
    return sorted(f.code for f in reading.findings)


def clock(seconds):
    return datetime.fromtimestamp(1783072800 + seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def test_points_segments_and_breaks():
    reading = read(track([point(50, -3, clock(0)), point(50.001, -3, clock(10))],
                         [point(50.01, -3, clock(100)), point(50.011, -3, clock(110))]))
    assert stream(reading, "lat").value.tolist() == [50, 50.001, 50.01, 50.011]
    assert reading.breaks_s == [1783072800 + 55]
    assert reading.clock == "gps" and (reading.lines, reading.used) == (4, 4)
    # a minute of latitude is 1853.0 m there; 0.001 deg in 10 s is 11.12 m/s: 21.6 kn, northwards
    sog = stream(reading, "sog_kn")
    assert sog.source == "gpx positions" and sog.value == approx(np.full(4, 21.62), abs=0.02)
    assert stream(reading, "cog_deg").value == approx(np.zeros(4))


def test_the_same_points_as_gpxpy():
    rng = np.random.default_rng(3)
    rows = [[point(*rng.uniform(-80, 80, 2).round(7), clock(60 * s + k * 0.5),
                   f"<ele>{k}</ele><name>a &amp; b</name><extensions><x:TrackPointExtension>"
                   f"<x:speed>{k / 7}</x:speed><x:course>{k}</x:course></x:TrackPointExtension>"
                   "</extensions>") for k in range(30)] for s in range(4)]
    text = track(*rows)
    theirs = [p for t in gpxpy.parse(text).tracks for s in t.segments for p in s.points]
    reading = read(text)
    assert stream(reading, "lat").value.tolist() == [p.latitude for p in theirs]
    assert stream(reading, "lon").value.tolist() == [p.longitude for p in theirs]
    assert stream(reading, "lat").time_s == approx([p.time.timestamp() for p in theirs], abs=1e-6)
    assert stream(reading, "sog_kn").value == approx(
        [float(p.extensions[0][0].text) * 3600 / 1852 for p in theirs])
    assert stream(reading, "sog_kn").source == "gpx" and len(reading.breaks_s) == 3


def test_version_1_0_speed_and_course_are_elements_of_the_point():
    # 23.925783 m/s: the value gpxpy gives for the same file (references.md, GPX, COMPUTED)
    text = ('<gpx version="1.0" creator="x"><trk><trkseg>' + point(
        1, 2, more="<course>90</course><speed>23.925783</speed>") + "</trkseg></trk></gpx>")
    assert gpxpy.parse(text).tracks[0].segments[0].points[0].speed == 23.925783
    reading = read(text)
    assert stream(reading, "sog_kn").value == approx([23.925783 * 3600 / 1852])
    assert stream(reading, "cog_deg").value == [90]


@pytest.mark.parametrize(("time", "expected"), [
    ("2026-07-03T10:00:00Z", 0.0), ("2026-07-03T12:00:00+02:00", 0.0),
    ("2026-07-03T10:00:00", 0.0), ("2026-07-03T10:00:00.123Z", 0.123),
    ("2026-07-03T08:30:00.5-01:30", 0.5),
])
def test_zones_of_times(time, expected):
    assert stream(read(track([point(1, 2, time)])), "lat").time_s == approx(
        [1783072800 + expected], abs=1e-6)


def test_times_that_are_missing_or_no_times_are_counted():
    reading = read(track([point(1, 2, None), point(1, 2, ""), point(1, 2, "so\non"),
                          point(1, 2, clock(5))]))
    assert reading.rejected == {"no time": 2, "no readable time": 1}
    assert stream(reading, "lat").time_s.size == 1


def test_impossible_points_are_counted():
    reading = read(track([point(91, 2), point("x", 2), point(1, 181), point("nan", 2),
                          point(1, 2).replace('lat="1"', ""), point(90, 180), point(-90, -180)]))
    assert reading.rejected == {"impossible position": 3, "no position": 2}
    assert stream(reading, "lat").value.tolist() == [90, -90]


def test_speed_and_course_across_180_and_near_the_pole():
    time = np.arange(0.0, 50.0, 10.0)
    one = np.zeros(5, dtype=int)
    sog, cog = speed_and_course(time, np.zeros(5), np.array([179.998, 179.999, 180, -179.999,
                                                             -179.998]), one)
    assert cog == approx(np.full(5, 90.0)) and sog == approx(np.full(5, 21.64), abs=0.01)
    sog, cog = speed_and_course(time, np.full(5, 89.9999), np.arange(0, 0.05, 0.01), one)
    assert np.isfinite(sog).all() and (sog < 0.01).all() and np.isnan(cog).all()


def test_derived_speed_against_the_geodesic():
    # Karney's geodesic as the outside value: a straight minute at 8 kn in middle latitudes
    lat = 55 + np.arange(60) * 3.3e-5
    lon = 12 + np.arange(60) * 2.1e-5
    sog, _ = speed_and_course(np.arange(60.0), lat, lon, np.zeros(60, dtype=int))
    metres = Geodesic.WGS84.Inverse(lat[0], lon[0], lat[-1], lon[-1])["s12"]
    true = metres / 59 * 3600 / 1852
    assert sog == approx(np.full(60, true), rel=1e-5)


def test_no_difference_reaches_across_a_segment():
    time = np.arange(20.0)
    lat = np.where(time < 10, 50 + time * 1e-5, 60 + time * 1e-5)
    sog, _ = speed_and_course(time, lat, np.zeros(20), (time >= 10).astype(int))
    assert sog == approx(np.full(20, 2.162), abs=0.01)


def test_one_point_has_no_speed():
    reading = read(track([point(1, 2)]))
    assert sorted(s.channel for s in reading.streams) == ["lat", "lon"]


def test_speeds_in_another_unit_are_told_by_the_positions():
    rows = [point(50 + k * 5e-5, -3, clock(k), f"<speed>{5.56 * 3.6}</speed>") for k in range(60)]
    reading = read(track(rows))
    assert stream(reading, "sog_kn").value == approx(np.full(60, 5.56 * 3600 / 1852))
    assert codes(reading) == ["gpx-speed-unit"]


def test_tracks_at_the_same_time_are_two_sources_and_a_copy_is_none():
    one = "<trk><trkseg>" + "".join(point(50, -3, clock(k)) for k in range(9)) + "</trkseg></trk>"
    two = one.replace('lat="50"', 'lat="50.1"')
    reading = read(HEAD + one + two + one + "</gpx>")
    assert sorted(s.source for s in reading.streams if s.channel == "lat") == ["gpx 1", "gpx 2"]
    assert codes(reading) == ["gpx-repeated-track"] and reading.lines == 27


def test_routes_and_waypoints_are_counted_and_not_sailed():
    reading = read(HEAD + '<wpt lat="1" lon="2"/><rte><rtept lat="1" lon="2"/></rte><trk><trkseg>'
                   + point(3, 4) + "</trkseg></trk></gpx>")
    assert (reading.lines, reading.used, reading.ignored) == (3, 3, 2)
    assert stream(reading, "lat").value.tolist() == [3]


def test_values_that_are_no_numbers_are_said():
    reading = read(track([point(1, 2, more="<speed>fast</speed><course>nan</course>"),
                          point(1, 2, clock(1), "<speed>1e999</speed>")]))
    assert "gpx-unreadable-value" in codes(reading)


def test_a_log_still_being_written_gives_what_stands_there():
    text = track([point(50, -3, clock(k)) for k in range(50)])
    for length in range(len(HEAD), len(text), 97):
        reading = read(text[:length])
        assert "gpx-damaged" in codes(reading)
    assert stream(reading, "lat").time_s.size >= 45


LAUGHS = ('<?xml version="1.0"?><!DOCTYPE g [<!ENTITY a "ha">'
          + "".join(f'<!ENTITY a{k} "{f"&a{k - 1};" * 10}">' for k in range(1, 20))
          + "]><gpx><trk><name>&a19;</name></trk></gpx>")
OUTSIDE = '<!DOCTYPE g [<!ENTITY x SYSTEM "file:///etc/passwd">]><gpx><name>&x;</name></gpx>'


@pytest.mark.parametrize(("text", "code"), [
    (LAUGHS, "gpx-refused"), (OUTSIDE, "gpx-refused"),
    ('<!DOCTYPE gpx SYSTEM "http://localhost/x.dtd"><gpx/>', "gpx-refused"),
    (HEAD + "<a>" * 200_000, "gpx-refused"),
    (HEAD + "<a>" * 200_000 + "</a>" * 200_000 + "</gpx>", "gpx-refused"),
    (HEAD + "<trk><trkseg>" + point(1, 2, "9" * 100_000) + "</trkseg></trk></gpx>", "gpx-refused"),
    (HEAD + f'<trk name="{"x" * 9_000_000}"/></gpx>', "gpx-refused"),
    (HEAD + "<!--" + "x" * 9_000_000, "gpx-refused"),
    (HEAD + "<name>&nothing;</name></gpx>", "gpx-damaged"),
    ('<?xml version="1.0" encoding="no-such"?><gpx/>', "gpx-damaged"),
    ("", "gpx-damaged"), ("\0" * 100, "gpx-damaged"), ("<gpx>", "gpx-damaged"),
    (b"\xff\xfe<gpx/>", "gpx-damaged"), (HEAD + "</gpx>", "gpx-no-track"),
])
def test_hostile_and_broken_files_get_one_clear_finding(text, code):
    reading = read(text)
    assert code in codes(reading) and reading.streams == []
    assert all(len(f.message) < 300 for f in reading.findings)


def test_depth_within_the_limit_is_read():
    deep = "<e>" * (MAX_DEPTH - 5) + "</e>" * (MAX_DEPTH - 5)
    assert stream(read(track([point(1, 2, more=deep)])), "lat").value.tolist() == [1]


def test_other_encodings():
    text = track([point(1, 2, more="<name>J\u00f6rg</name>")]).replace("UTF-8", "ISO-8859-1")
    assert stream(read(text.encode("latin-1")), "lat").value.tolist() == [1]
    text = text.replace("ISO-8859-1", "UTF-16")
    assert stream(read(text.encode("utf-16")), "lat").value.tolist() == [1]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(-90, 90), st.floats(-180, 180), st.integers(0, 10**6)),
                min_size=1, max_size=20, unique_by=lambda row: row[2]))
def test_any_track_reads_as_gpxpy_reads_it(rows):
    text = track([point(f"{a:.9f}", f"{b:.9f}", clock(t)) for a, b, t in sorted(
        rows, key=lambda row: row[2])])
    theirs = gpxpy.parse(text).tracks[0].segments[0].points
    reading = read(text)
    assert stream(reading, "lat").value.tolist() == [p.latitude for p in theirs]
    assert stream(reading, "lon").value.tolist() == [p.longitude for p in theirs]


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200), st.text(max_size=100))
def test_any_bytes_are_read_or_refused(data, text):
    read(data)
    read(HEAD.encode() + data)
    read(track([point(1, 2, more=text)]))


def test_waypoints_with_time_and_name_are_notes_of_the_crew(tmp_path):
    from sailanalysis.read.days.card import read_one_day

    points = "".join(f'<trkpt lat="54.{k:04d}" lon="10.8"><time>2026-06-01T10:{k // 60:02d}:{k % 60:02d}Z</time>'
                     "</trkpt>" for k in range(0, 900, 5))
    path = tmp_path / "track.gpx"
    path.write_text('<gpx version="1.1"><wpt lat="54" lon="10.8"><time>2026-06-01T10:05:00Z</time>'
                    "<name>rounded the  buoy</name></wpt><wpt lat='54' lon='10.8'><name>home</name></wpt>"
                    "<wpt lat='54' lon='10.8'><time>noon</time><name>x</name></wpt>"
                    f"<trk><name>a track</name><trkseg>{points}</trkseg></trk></gpx>")
    crew = read_one_day([path]).crew
    assert [(e.item, e.value, e.time_s, e.origin) for e in crew.entries] == [
        ("note", "rounded the buoy", 1780308300.0, "the log")]
    path.with_name("crew.csv").write_text("time,item,value\n10:01,note,off we go\n")
    assert [e.value for e in read_one_day([tmp_path]).crew.of("note")] == ["off we go", "rounded the buoy"]
