"""Signal K deltas: published paths and samples, untidy stamps and contexts, hostile JSON."""

import io
import json
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from published_cases import published
from pytest import approx
from real_logs import real_log

from sailanalysis.core.channels import CHANNELS
from sailanalysis.core.model import Boat
from sailanalysis.read.reading import ReadContext
from sailanalysis.read.signalk import PATHS
from sailanalysis.read.signalk import read as read_signalk

T0 = datetime(2026, 7, 3, 10, tzinfo=UTC).timestamp()


def read(text, zone=UTC):
    data = text if isinstance(text, bytes) else text.encode()
    reading = read_signalk(io.BytesIO(data), ReadContext("sk.log", T0, None, zone, Boat()))
    assert reading.lines == reading.used + sum(reading.rejected.values())
    assert reading.ignored <= reading.used
    for stream in reading.streams:
        assert np.isfinite(stream.value).all() and (np.diff(stream.time_s) >= 0).all()
    return reading


def delta(values, stamp="2026-07-03T10:00:00Z", source="nmea.1", context=None):
    update = {"$source": source, "values": [{"path": p, "value": v} for p, v in values.items()]}
    if stamp is not None:
        update["timestamp"] = stamp
    out = {"updates": [update]}
    if context:
        out["context"] = context
    return json.dumps(out)


def stream(reading, channel):
    (found,) = [s for s in reading.streams if s.channel == channel]
    return found


def codes(reading):
    return sorted(f.code for f in reading.findings)


def test_every_path_is_in_the_specification_with_its_unit():
    # Signal K specification 1.5.1, schemas/groups; rows and status in the file
    units = {row["path"].replace(" (value.", ".").rstrip(")"): row["unit"]
             for row in published("signalk_paths.csv")}
    units["navigation.position.latitude"] = units["navigation.position.longitude"] = "deg"
    factors = {"rad": 180 / np.pi, "rad/s": 180 / np.pi, "m/s": 3600 / 1852, "deg": 1, "K": 1,
               "Pa": 0.01}
    for path, (channel, factor, shift) in PATHS.items():
        unit = units[path]
        expected = 1 / 1852 if channel == "log_nm" else factors.get(unit, 1.0)
        assert factor == approx(expected), path
        assert shift == (-273.15 if unit == "K" else 0)
        assert CHANNELS[channel].logged


@pytest.mark.parametrize(("path", "value", "channel", "expected"), [
    # samples/delta/docs-data_model.json of the specification; conversions in references.md
    ("navigation.courseOverGroundTrue", 2.971, "cog_deg", 170.2259),
    ("navigation.speedOverGround", 3.85, "sog_kn", 7.4838),
    ("propulsion.0.revolutions", 16.341667, "engine_rpm", 980.5),
    ("environment.wind.angleApparent", -0.5, "awa_deg", -28.6479),
    ("environment.wind.angleApparent", 5.5, "awa_deg", -44.8732),
    ("steering.rudderAngle", 0.1, "rudder_deg", 5.7296),
    ("tanks.freshWater.2.currentLevel", 0.4, "tank:water 2", 0.4),
    ("steering.autopilot.state", "wind", "autopilot", 1.0),
    ("steering.autopilot.state", "standby", "autopilot", 0.0),
    ("environment.water.temperature", 283.15, "water_temp_c", 10.0),
    ("environment.outside.pressure", 101325, "pressure_hpa", 1013.25),
    ("navigation.attitude.roll", 0.2, "heel_deg", 11.4592),
])
def test_values_in_house_units(path, value, channel, expected):
    assert stream(read(delta({path: value})), channel).value == approx([expected], abs=2e-4)


def test_objects_and_a_source_object():
    text = json.dumps({"updates": [{
        "source": {"label": "x", "type": "NMEA2000", "src": "35", "pgn": 129025},
        "timestamp": "2026-07-03T12:00:00.250+02:00", "values": [
            {"path": "navigation.position", "value": {"latitude": -36.5, "longitude": 174.5}},
            {"path": "navigation.attitude", "value": {"roll": -0.1, "pitch": 0.02, "yaw": None}},
            {"path": "environment.current", "value": {"setTrue": 1.0, "drift": 0.5}}]}]})
    reading = read(text)
    assert stream(reading, "lat").value.tolist() == [-36.5]
    assert stream(reading, "lon").source == "sk 35 129025"
    assert stream(reading, "heel_deg").value == approx([-5.7296], abs=1e-4)
    assert stream(reading, "set_logged_deg").time_s == approx([T0 + 0.25])


def test_other_vessels_are_not_ours():
    ours = "vessels.urn:mrn:imo:mmsi:000000001"
    lines = [delta({"navigation.speedOverGround": 9.0}, context="vessels.urn:mrn:imo:mmsi:2")] * 20
    lines += [delta({"navigation.speedOverGround": 3.0, "navigation.speedThroughWater": 3.1},
                    context=ours)] * 3
    reading = read("\n".join(lines))
    assert set(stream(reading, "sog_kn").value) == {3.0 * 3600 / 1852}
    assert codes(reading) == ["signalk-other-vessels"] and reading.ignored == 20
    named = read("\n".join([json.dumps({"name": "s", "version": "1", "roles": ["main"],
                                        "self": "vessels.urn:mrn:imo:mmsi:2"}), *lines]))
    assert stream(named, "sog_kn").value[0] == 9.0 * 3600 / 1852


def test_missing_stamps_whole_seconds_and_steps_back():
    lines = [delta({"navigation.speedThroughWater": k / 10},
                   None if k % 11 == 5 else f"2026-07-03T10:00:{k // 5:02d}Z") for k in range(50)]
    lines[30], lines[34] = lines[34], lines[30]
    reading = read("\n".join(lines))
    time = stream(reading, "stw_kn").time_s
    assert np.diff(time) == approx(np.full(49, 0.2), abs=0.21)
    assert "signalk-no-timestamp" in codes(reading)
    swapped = read("\n".join([delta({"steering.rudderAngle": 0.2}, "2026-07-03T10:00:02Z"),
                              delta({"steering.rudderAngle": 0.1}, "2026-07-03T10:00:01Z")]))
    assert stream(swapped, "rudder_deg").value == approx([np.degrees(0.1), np.degrees(0.2)])
    assert codes(swapped) == ["time-out-of-order"]


def test_receive_times_in_front_serve_where_a_stamp_is_missing():
    text = f"{int(T0 * 1000)};I;" + delta({"steering.rudderAngle": 0.1}, None)
    assert stream(read(text), "rudder_deg").time_s == approx([T0])


def test_two_paths_of_one_channel_stay_two_sources():
    reading = read(delta({"environment.depth.belowSurface": 5.0,
                          "environment.depth.belowTransducer": 4.5}))
    assert sorted((s.source, s.value[0]) for s in reading.streams) == [
        ("sk nmea.1 belowSurface", 5.0), ("sk nmea.1 belowTransducer", 4.5)]


def test_the_busiest_engine_counts():
    lines = [delta({"propulsion.port.revolutions": 10.0, "propulsion.starboard.revolutions": 25.0},
                   f"2026-07-03T10:00:0{k}Z") for k in range(3)]
    assert stream(read("\n".join(lines)), "engine_rpm").value == approx([1500] * 3)


def test_bad_values_and_lines_are_counted():
    lines = [delta({"steering.rudderAngle": 0.1}, source="a"), "", "# remark", "rubbish", "{", "[1,2]", "{}",
             '{"updates": 3}', delta({"steering.rudderAngle": None}),
             delta({"steering.rudderAngle": "much"}), delta({"steering.rudderAngle": True}),
             delta({"steering.rudderAngle": 1}).replace("1}", "NaN}"),
             delta({"steering.rudderAngle": 1}).replace("1}", "-Infinity}"),
             delta({"steering.rudderAngle": 1}).replace("1}", "1e999}"),
             delta({"steering.rudderAngle": 1}).replace("1}", "9" * 400 + "}"),
             '{"updates":[{"timestamp":"2026-07-03T10:00:00Z","values":[{"value":1},7]},5]}',
             '{"updates":[{"timestamp":"soon","values":[{"path":"steering.rudderAngle","value":1}]}]}']
    reading = read("\n".join(lines))
    assert reading.rejected == {"not JSON": 2, "not a delta": 3}
    assert "signalk-not-finite" in codes(reading) and "signalk-no-path" in codes(reading)
    assert sum(s.value.size for s in reading.streams) == 2


@pytest.mark.parametrize("text", [
    b"", b"\0" * 5000, b"{" * 200_000, b'{"updates":' + b"[" * 200_000, b"{}\n" * 5000,
    b'{"updates":[' + b"1," * 700_000, b'{"a":"' + b"x" * 3_000_000 + b'"}\n', b"\xff\xfe{}",
    b'{"updates":[{"values":[{"path":"steering.rudderAngle","value":' + b"9" * 10_000 + b"}]}]}",
    delta({"steering.rudderAngle": 0.1}, None).encode(),
    delta({"steering.rudderAngle": 0.1}, "9999-12-31T23:59:59-23:59").encode(),
])
def test_what_is_no_log_gives_one_clear_finding(text):
    reading = read(text)
    assert reading.streams == [] and "signalk-nothing" in codes(reading)


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from(["updates", "values", "path", "value", "timestamp", "source", "$source",
                         "context", "self"]), inner, max_size=4), max_leaves=12)


@settings(max_examples=150, deadline=None)
@given(JSON, JSON, st.sampled_from([*PATHS, "navigation.position", "tanks.fuel.0.currentLevel",
                                    "steering.autopilot.state", "propulsion.0.revolutions"]))
def test_any_json_is_read_or_counted(anything, value, path):
    read("\n".join([json.dumps(anything), json.dumps({"updates": [anything]}),
                    json.dumps({"updates": [{"values": anything}]}), delta({path: value})]))


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_counted(data):
    read(data)
    read(b'{"updates":[{"values":[' + data)


def test_recorded_deltas_are_read_whole():
    folder = real_log("signalk-deltas")
    reading = read((folder / "deltas-2016-04-12.jsonl").read_bytes())
    assert reading.lines >= 999 and not reading.rejected
    assert "signalk-no-timestamp" in codes(reading)
    # twin engines at 22.7 Hz, 1 360 rpm, by the notes that go with the log
    assert np.median(stream(reading, "engine_rpm").value) == approx(1360, abs=15)
    assert any(s.value == approx(3.8 * 3600 / 1852, abs=0.3) for s in reading.streams
               if s.channel == "sog_kn")
    other = read((folder / "deltas-2016-06-20.jsonl").read_bytes())
    assert other.lines >= 999 and other.streams and "signalk-no-path" in codes(other)
