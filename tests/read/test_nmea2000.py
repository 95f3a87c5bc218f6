"""NMEA 2000: published frames in every text form, an independent decoder over whole captures."""

import gzip
import io
import json
import warnings
from collections import Counter, defaultdict
from datetime import UTC, date, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from published_cases import published
from pytest import approx
from real_logs import real_log

from sailanalysis.core.model import Boat
from sailanalysis.read.nmea2000 import read as read_nmea2000
from sailanalysis.read.nmea2000.fields import Message, number, whole
from sailanalysis.read.reading import ReadContext

T0 = datetime(2026, 7, 3, 10, tzinfo=UTC).timestamp()
CASES = published("nmea2000_cases.csv")
FIELDS = published("nmea2000_fields.csv")


def context(**kwargs):
    given = {"name": "bus.log", "modified_s": T0, "date": None, "zone": UTC, "boat": Boat()}
    return ReadContext(**{**given, **kwargs})


def read(text, **kwargs):
    data = text if isinstance(text, bytes) else text.encode()
    reading = read_nmea2000(io.BytesIO(data), context(**kwargs))
    assert reading.lines == reading.used + sum(reading.rejected.values())
    assert reading.ignored <= reading.used
    for stream in reading.streams:
        assert np.isfinite(stream.value).all() and (np.diff(stream.time_s) >= 0).all()
    return reading


def stream(reading, channel):
    (found,) = [s for s in reading.streams if s.channel == channel]
    return found


def codes(reading):
    return sorted(f.code for f in reading.findings)


# ---------------------------------------------------------------- text forms
def frame(pgn, source, data):
    form = pgn >> 8 & 0xFF
    identifier = 2 << 26 | pgn << 8 | (0xFF00 if form < 240 else 0) | source
    return f"{identifier:08X}", data


def frames_of(case):
    """(identifier, bytes) of each frame of a published case."""
    out = []
    for text in case["can_frames"].split("|"):
        identifier, *data = text.split()
        out.append((identifier, bytes.fromhex("".join(data))))
    return out


def clock(at):
    return datetime.fromtimestamp(at, UTC)


FORMS = {
    "candump log": lambda at, i, d: f"({at:.6f}) can0 {i}#{d.hex().upper()}",
    "candump spaced": lambda at, i, d: f" ({at:.6f})  can0  {i}   [{len(d)}]  {d.hex(' ').upper()}",
    "candump bare": lambda at, i, d: f"  can0  {i}   [{len(d)}]  {d.hex(' ').upper()}",
    "candump old": lambda at, i, d: f"<0x{i.lower()}> [{len(d)}] {d.hex(' ')} ",
    "comma frames": lambda at, i, d: comma(at, i, d),
    "gateway": lambda at, i, d: f"{clock(at):%H:%M:%S.%f}"[:-3] + f" R {i} {d.hex(' ').upper()}",
}


def comma(at, identifier, data):
    value = int(identifier, 16)
    pgn = value >> 8 & 0x3FFFF
    pgn = pgn & 0x3FF00 if pgn >> 8 & 0xFF < 240 else pgn
    stamp = f"{clock(at):%Y-%m-%dT%H:%M:%S.%f}"[:-3] + "Z"
    return f"{stamp},2,{pgn},{value & 255},255,{len(data)},{data.hex(',')}"


SYSTEM_TIME = bytes.fromhex("01F0") + int(T0 // 86400).to_bytes(2, "little") + int(
    (T0 % 86400) * 1e4).to_bytes(4, "little")


def capture(form, frames):
    """A capture in one form that starts with the time, for the forms that do not tell the day."""
    # 0DF01001 is 126992 from address 1
    lines = [FORMS[form](T0, "0DF01001", SYSTEM_TIME)]
    lines += [FORMS[form](T0 + 0.1, i, d) for i, d in frames]
    later = SYSTEM_TIME[:4] + int((T0 % 86400 + 0.2) * 1e4).to_bytes(4, "little")
    return "\n".join([*lines, FORMS[form](T0 + 0.2, "0DF01001", later)]) + "\n"


# ---------------------------------------------------------------- published values
@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c['pgn']}-{c['payload_hex'][:11]}")
def test_fields_decode_to_the_published_values(case):
    """Each number field at its published place and scale: canboat samples, see the rows' source."""
    data = bytes.fromhex(case["payload_hex"])
    message = Message(np.frombuffer(data.ljust(48, b"\xff"), np.uint8).reshape(1, -1),
                      np.array([len(data)], np.uint8))
    expected = json.loads(case["expected_fields_si_json"])
    layout = {row["field_id"]: row for row in FIELDS if row["pgn"] == case["pgn"]}
    checked = 0
    for name, value in expected.items():
        row = layout[name]
        bit, bits = int(row["bit_offset"]), int(row["bit_length"])
        kind = row["type_or_lookup"]
        if kind.startswith("LOOKUP"):
            codes = dict(pair.split("=", 1) for pair in kind[7:].split("; "))
            raw = str(int(whole(message, bit, bits)[0]))
            assert codes.get(raw) == value or value is None or value == codes.get(raw, int(raw))
        elif kind in ("DATE", "TIME") or isinstance(value, str) or bits < 8:
            continue
        else:
            got = number(message, bit, bits, float(row["resolution"]), row["signed"] == "1")[0]
            if value is None:
                assert np.isnan(got) or "range" in str(value)
            else:
                assert got == approx(value, rel=1e-9, abs=float(row["resolution"]) * 0.51)
        checked += 1
    assert checked


CHANNEL = {
    ("127245", "position"): ("rudder_deg rudder2_deg", 180 / np.pi),
    ("127251", "rate"): ("rate_of_turn_deg_s", 180 / np.pi),
    ("127257", "pitch"): ("trim_deg", 180 / np.pi), ("127257", "roll"): ("heel_deg", 180 / np.pi),
    ("127258", "variation"): ("variation_deg", 180 / np.pi),
    ("127250", "variation"): ("variation_deg", 180 / np.pi),
    ("127250", "heading"): ("hdg_deg hdg_mag_deg", 180 / np.pi),
    ("127488", "speed"): ("engine_rpm", 1.0),
    ("128000", "leewayAngle"): ("leeway_logged_deg", 180 / np.pi),
    ("128259", "speedWaterReferenced"): ("stw_kn", 3600 / 1852),
    ("128275", "log"): ("log_nm", 1 / 1852),
    ("129025", "latitude"): ("lat", 1.0), ("129025", "longitude"): ("lon", 1.0),
    ("129029", "latitude"): ("lat", 1.0), ("129029", "longitude"): ("lon", 1.0),
    ("129026", "cog"): ("cog_deg cog_mag_deg", 180 / np.pi),
    ("129026", "sog"): ("sog_kn", 3600 / 1852),
    ("129291", "drift"): ("drift_logged_kn", 3600 / 1852),
    ("129291", "set"): ("set_logged_deg", 180 / np.pi),
    ("130306", "windSpeed"): ("aws_kn tws_logged_kn gws_logged_kn", 3600 / 1852),
    ("130306", "windAngle"): ("awa_deg twa_logged_deg gwd_logged_deg", 180 / np.pi),
    ("130577", "cog"): ("cog_deg cog_mag_deg", 180 / np.pi),
    ("130577", "heading"): ("hdg_deg hdg_mag_deg", 180 / np.pi),
    ("130577", "sog"): ("sog_kn", 3600 / 1852),
    ("130577", "speedThroughWater"): ("stw_kn", 3600 / 1852),
    ("130577", "drift"): ("drift_logged_kn", 3600 / 1852),
    ("130578", "longitudinalSpeedWaterReferenced"): ("stw_kn", 3600 / 1852),
    ("127505", "level"): ("tank", 0.01),
}


@pytest.mark.parametrize("form", FORMS)
def test_published_frames_give_the_published_values_in_every_form(form):
    used = 0
    for case in CASES:
        wanted = {field: value for (pgn, field), value in CHANNEL.items() if pgn == case["pgn"]}
        if not wanted:
            continue
        reading = read(capture(form, frames_of(case)))
        assert reading.rejected == {}
        expected = json.loads(case["expected_fields_si_json"])
        for field, (channels, factor) in wanted.items():
            found = [s for s in reading.streams
                     if s.channel in channels.split() or s.channel.split(":")[0] == channels]
            value = expected[field]
            if not isinstance(value, int | float):
                assert found == [], case["payload_hex"]
                continue
            if not found:  # a magnetic reference has no channel of its own here
                assert expected.get("reference", "").startswith("Magnetic (ground")
                continue
            got = found[0].value[0]
            difference = got - value * factor
            if found[0].channel.endswith("_deg"):
                difference = (difference + 180) % 360 - 180
            assert difference == approx(0, abs=6e-5 * max(1, factor)), (case["payload_hex"], field)
            # the position report carries its own day, which then puts the stamps right
            if form not in ("candump old", "candump bare") and case["pgn"] != "129029":
                assert found[0].time_s[0] == approx(T0 + 0.1, abs=1e-3)
            used += 1
    assert used > 60


def test_depth_reaches_to_the_surface_where_the_offset_is_known():
    # 128267: 10.00 m, offset +0.50 m to the water line, then -1.50 m to the keel (fields.csv)
    def data(offset_mm):
        return (b"\x01" + (1000).to_bytes(4, "little")
                + offset_mm.to_bytes(2, "little", signed=True) + b"\xff")

    identifier, _ = frame(128267, 7, b"")
    reading = read(capture("candump log", [(identifier, data(500)), (identifier, data(-1500)),
                                           (identifier, data(32767))]))
    assert stream(reading, "depth_m").value == approx([10.5, 10.0, 10.0])


def test_not_available_error_and_reserved_are_missing():
    # unsigned 16 bits: FFFF, FFFE, FFFD; signed: 7FFF, 7FFE, 7FFD (canboat's rule)
    speed, _ = frame(128259, 7, b"")
    rudder, _ = frame(127245, 7, b"")
    frames = [(speed, b"\0" + code + b"\xff" * 5) for code in
              (b"\xff\xff", b"\xfe\xff", b"\xfd\xff", b"\xfc\xff", b"\0\0")]
    frames += [(rudder, b"\0\xff\xff\x7f" + code + b"\xff\xff") for code in
               (b"\xff\x7f", b"\xfe\x7f", b"\xfd\x7f", b"\0\0")]
    reading = read(capture("gateway", frames))
    assert stream(reading, "stw_kn").value == approx([655.32 * 3600 / 1852, 0])
    assert stream(reading, "rudder_deg").value.tolist() == [0]


def test_two_rudders_by_instance_and_a_lone_second_one():
    rudder, _ = frame(127245, 7, b"")

    def data(instance, raw):
        return bytes([instance, 0xF8, 0xFF, 0x7F]) + raw.to_bytes(2, "little", signed=True) + b"\xff\xff"

    both = read(capture("candump log", [(rudder, data(0, 1000)), (rudder, data(1, -1000))]))
    assert stream(both, "rudder_deg").value == approx([np.degrees(0.1)])
    assert stream(both, "rudder2_deg").value == approx([-np.degrees(0.1)])
    lone = read(capture("candump log", [(rudder, data(1, -1000))]))
    assert stream(lone, "rudder_deg").value == approx([-np.degrees(0.1)])


def test_an_engaged_autopilot_steers_unless_overridden():
    def packet(first, second):
        return bytes([first, second]) + b"\xff" * 19

    # steering mode in bits 8-10: 0 main steering, 4 heading control; override in bits 6-7
    lines = [comma(T0 + k, frame(127237, 9, b"")[0], packet(a, b))
             for k, (a, b) in enumerate([(0x30, 0x38), (0x30, 0x3C), (0x70, 0x3C), (0x30, 0x3F)])]
    assert stream(read("\n".join(lines)), "autopilot").value.tolist() == [0, 1, 0]


def test_the_busiest_engine_of_two():
    identifier, _ = frame(127488, 3, b"")
    rows = [(identifier, bytes([engine]) + int(rpm * 4).to_bytes(2, "little") + b"\xff" * 5)
            for engine, rpm in ((0, 0), (1, 1500), (0, 0), (1, 1520))]
    text = "".join(FORMS["candump log"](T0 + k, *row) + "\n" for k, row in enumerate(rows))
    assert stream(read(text), "engine_rpm").value.tolist() == [0, 1500, 1500, 1520]


def test_tank_levels_are_named_by_kind_and_instance():
    identifier, _ = frame(127505, 3, b"")
    reading = read(capture("comma frames", [
        (identifier, bytes([0x00]) + (12500).to_bytes(2, "little") + b"\xff" * 5),
        (identifier, bytes([0x12]) + (25000).to_bytes(2, "little") + b"\xff" * 5)]))
    assert stream(reading, "tank:fuel 0").value == approx([0.5])
    assert stream(reading, "tank:water 2").value == approx([1.0])


# ---------------------------------------------------------------- fast packets
FAST_CASES = [case for case in CASES if case["packet"] == "Fast" and case["pgn"] in (
    "129029", "128275")]


def test_fast_packets_survive_interleaving_and_losses():
    first, second = (frames_of(c) for c in [c for c in FAST_CASES if c["pgn"] == "129029"][:2])
    other = [(i[:-2] + "77", d) for i, d in second]
    woven = [row for pair in zip(first, other, strict=True) for row in pair]
    both = read(capture("candump log", woven))
    assert sorted(s.source for s in both.streams if s.channel == "lat") == sorted(
        {f"n2k {int(i[-2:], 16)} 129029" for i, _ in woven})
    for lost in range(len(first)):
        broken = read(capture("candump log", first[:lost] + first[lost + 1:] + other))
        assert len([s for s in broken.streams if s.channel == "lat"]) == 1
        assert broken.rejected == {"incomplete fast packet": len(first) - 1}


def test_a_packet_counter_that_comes_round_starts_anew():
    (identifier, *_), *_ = frames_of(FAST_CASES[0])
    rows = frames_of(FAST_CASES[0])
    late = [FORMS["candump log"](T0, *rows[0]),
            *(FORMS["candump log"](T0 + 60, *row) for row in rows[1:])]
    assert read("\n".join(late)).rejected == {"incomplete fast packet": len(rows)}
    assert identifier


def test_whole_and_framed_packets_count_once():
    case = FAST_CASES[0]
    rows = frames_of(case)
    lines = [comma(T0 + 0.1, *row) for row in rows]
    lines.append(comma(T0 + 0.1, rows[0][0], bytes.fromhex(case["payload_hex"])))
    reading = read("\n".join(lines))
    assert codes(reading) == ["n2k-repeated-packets"]
    assert all(len(s.value) == 1 for s in reading.streams)


# ---------------------------------------------------------------- clocks
def speed_line(form, at, knots=6.0):
    raw = round(knots * 1852 / 3600 * 100).to_bytes(2, "little")
    return FORMS[form](at, frame(128259, 7, b"")[0], b"\0" + raw + b"\xff" * 5)


def time_line(form, at, told):
    days, rest = divmod(told, 86400)
    data = b"\x01\xf0" + int(days).to_bytes(2, "little") + round(rest * 1e4).to_bytes(4, "little")
    return FORMS[form](at, "0DF01001", data)


def test_a_loggers_clock_hours_wrong_is_put_right():
    lines = []
    for k in range(60):
        lines += [time_line("candump log", T0 - 7200 + k + 0.03, T0 + k),
                  speed_line("candump log", T0 - 7200 + k + 0.5)]
    reading = read("\n".join(lines))
    assert stream(reading, "stw_kn").time_s == approx(T0 + 0.47 + np.arange(60), abs=0.02)
    assert codes(reading) == ["logger-clock-offset"] and reading.clock == "gps"


def test_a_week_counter_rolled_over_is_put_right():
    lines = [time_line("candump log", T0 + k, T0 + k - 1024 * 7 * 86400) for k in range(9)]
    reading = read("\n".join([*lines, speed_line("candump log", T0 + 5)]))
    assert stream(reading, "stw_kn").time_s == approx([T0 + 5])
    assert codes(reading) == ["gps-week-rollover"]


def test_a_time_of_day_finds_its_date_and_passes_midnight():
    start = T0 + 13.9 * 3600  # 23:54
    lines = [time_line("gateway", start, start)]
    lines += [speed_line("gateway", start + 60 * k) for k in range(20)]
    by_log = read("\n".join(lines))
    assert stream(by_log, "stw_kn").time_s == approx(start + 60.0 * np.arange(20), abs=2e-3)
    by_option = read("\n".join(lines[1:]), date=date(2026, 7, 3))
    assert stream(by_option, "stw_kn").time_s == approx(start + 60.0 * np.arange(20), abs=2e-3)
    assert by_option.clock == "local"
    assert codes(read("\n".join(lines[1:]))) == ["no-date"]


def test_no_stamps_take_the_time_from_the_bus_by_arrival():
    lines = []
    for k in range(200):
        if k % 10 == 0:
            lines.append(time_line("candump old", T0, T0 + k / 10))
        lines.append(speed_line("candump old", T0))
    reading = read("\n".join(lines))
    assert codes(reading) == ["no-stamps"]
    assert stream(reading, "stw_kn").time_s == approx(T0 + 0.1 * np.arange(200), abs=0.15)


def test_no_time_at_all_counts_by_the_ten_hertz_messages():
    heading, _ = frame(127250, 4, b"")
    data = b"\0" + (10000).to_bytes(2, "little") + b"\xff\x7f\xff\x7f\xfd"
    reading = read("\n".join(FORMS["candump old"](0, heading, data) for _ in range(600)),
                   date=date(2026, 7, 3))
    time = stream(reading, "hdg_mag_deg").time_s
    assert codes(reading) == ["no-clock"] and reading.clock == "none"
    assert time[-1] - time[0] == approx(59.9, abs=0.2)


# ---------------------------------------------------------------- broken lines
def test_bad_lines_are_counted_by_reason():
    good = speed_line("candump log", T0)
    text = "\n".join([
        "# a remark", "", good, good + " extra", good[:-1], good.replace("#", "#Z"),
        "(1783072800.5) can0 09F50307", speed_line("candump spaced", T0).replace("[8]", "[7]"),
        speed_line("comma frames", T0).replace(",8,", ",9,"), "rubbish", "\x00\x01\x02",
        "(1783072800.5) can0 09F50307#"])
    reading = read(text)
    assert reading.rejected == {"not a frame": 4 + 1, "cut frame": 3, "frame without data": 1}
    assert len(stream(reading, "stw_kn").value) == 1 and reading.lines == 12


@pytest.mark.parametrize("text", [
    b"", b"\n", b"#\n", b"\0" * 1000, b"x" * 300_000, b"1\n" * 50_000, b"(" * 5000, b"[" * 5000,
    b"#" * 5000, b"can0 " + b"F" * 100_000, bytes(range(256)) * 50, b"2026-07-03T10:00:00.000Z,\n",
    b"99:99:99.999 R 09F80115 FF\n", b"(9999999999.999999) can0 09F50307#00FFFF00FFFFFFFF\n",
    b"9999-99-99T99:99:99.999Z,2,128259,115,255,8,00,4e,01,ff,ff,00,ff,ff\n",
])
def test_what_is_no_capture_is_counted(text):
    reading = read(text)
    assert reading.streams == [] or reading.streams[0].time_s.size <= 1


def test_years_1970_and_2106():
    for year_s in (5.0, 2**32 - 1.0):
        reading = read(speed_line("candump log", year_s).replace("(5.", "(0000000005."))
        assert stream(reading, "stw_kn").time_s == approx([year_s])


ODD = st.sampled_from(["", " ", "\r", "0", "#", "[8]", ",", ":", "Z", "R", "(", ")", "ff", "\x00"])


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(sorted(FORMS)), st.lists(st.tuples(
    st.integers(0, 2**29 - 1), st.binary(min_size=0, max_size=12), st.integers(0, 60), ODD),
    max_size=12))
def test_any_frames_are_read_or_counted(form, rows):
    lines = []
    for identifier, data, at, odd in rows:
        line = FORMS[form](T0, f"{identifier:08X}", data)
        lines.append(line[:at] + odd + line[at:] if odd else line)
    read("\n".join(lines))


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_counted(data):
    read(data)


PGNS = [127245, 127250, 127251, 127257, 127258, 128259, 128267, 129025, 129026, 130306]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(PGNS), st.integers(0, 251),
                          st.binary(min_size=8, max_size=8)), min_size=1, max_size=20))
def test_all_forms_and_both_paths_agree(rows):
    def values(text):
        return sorted((s.channel, s.source, tuple(s.value)) for s in read(text).streams)

    frames = [frame(pgn, source, data) for pgn, source, data in rows]
    same = {form: values(capture(form, frames)) for form in FORMS}
    # a second space sends every line through the plain path
    same["plain"] = values(capture("candump log", frames).replace(") can0", ")  can0"))
    same["lower"] = values(capture("gateway", frames).replace(" R ", "  R  "))
    assert all(value == same["candump log"] for value in same.values())


# ---------------------------------------------------------------- whole captures
CAPTURES = ["n2k-texts/candump-1.txt", "n2k-texts/candump-l.txt", "n2k-texts/gateway-text.raw",
            "n2k-texts/plain-mix-fast.raw", "gulf-reach-n2k/aava-n2k.data.gz"]
COUNTED = {127245: "position", 127251: "rate", 127257: "roll", 127258: "variation",
           128259: "speedWaterReferenced", 128267: "depth", 128275: "log", 129025: "latitude",
           129029: "latitude", 129026: "sog", 129291: "drift", 130306: "windSpeed",
           127250: "heading", 127252: "heave", 130311: "temperature", 130314: "pressure"}
GIVEN = {127245: ("rudder_deg", "rudder2_deg"), 127251: ("rate_of_turn_deg_s",),
         127257: ("heel_deg",), 127258: ("variation_deg",), 128259: ("stw_kn",),
         128267: ("depth_m",), 128275: ("log_nm",), 129025: ("lat",), 129029: ("lat",),
         129026: ("sog_kn",), 129291: ("drift_logged_kn",),
         130306: ("aws_kn", "tws_logged_kn", "gws_logged_kn"), 127250: ("hdg_deg", "hdg_mag_deg"),
         127252: ("heave_m",), 130311: ("water_temp_c", "air_temp_c"), 130314: ("pressure_hpa",)}
FACTOR = {127245: 180 / np.pi, 127251: 180 / np.pi, 127257: 180 / np.pi, 127258: 180 / np.pi,
          128259: 3600 / 1852, 128275: 1 / 1852, 129026: 3600 / 1852, 129291: 3600 / 1852,
          130306: 3600 / 1852, 127250: 180 / np.pi, 130314: 0.01}


def library_values(data, name):
    """Every value of the counted fields, by message and source, from the nmea2000 package."""
    from nmea2000.decoder import NMEA2000Decoder

    out = defaultdict(list)
    decoder = NMEA2000Decoder(include_pgns=list(COUNTED))
    whole_only = NMEA2000Decoder(include_pgns=list(COUNTED), already_combined=True)
    for line in data.decode("latin-1").splitlines():
        line = line.strip()
        if not line or line.startswith("#"):
            continue
        parts = line.split(",")
        chosen = whole_only if len(parts) > 5 and parts[2] in ("129029", "128275") and int(
            parts[5]) > 8 else decoder
        try:
            message = chosen.decode(line)
        except Exception:
            continue
        if message is None or message.PGN not in COUNTED:
            continue
        fields = {field.id: field.value for field in message.fields}
        value = fields.get(COUNTED[message.PGN])
        if message.PGN == 130306 and fields.get("reference") is None:
            value = None
        if message.PGN == 129029 and fields.get("method") == "no GNSS":
            value = None
        if message.PGN == 127250 and fields.get("reference") not in ("True", "Magnetic"):
            value = None
        if isinstance(value, int | float):
            out[message.PGN, message.source].append(float(value))
    return out


@pytest.mark.parametrize("name", CAPTURES)
def test_whole_captures_agree_with_an_independent_decoder(name):
    folder, file = name.split("/")
    data = (real_log(folder) / file).read_bytes()
    data = gzip.decompress(data) if file.endswith(".gz") else data
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = library_values(data, file)
    reading = read(data)
    ours = defaultdict(list)
    for s in reading.streams:
        _, source, pgn, *_ = s.source.split()
        if s.channel in GIVEN.get(int(pgn), ()):
            ours[int(pgn), int(source)] += s.value.tolist()
    assert len(theirs) >= 6
    for (pgn, source), values in theirs.items():
        got = Counter(np.round(ours[pgn, source], 4))
        if pgn == 130311:
            values = [v - 273.15 for v in values if v] if max(values) > 200 else values
            assert sum(got.values()) <= len(values)
            continue
        want = np.array(values) * FACTOR.get(pgn, 1.0)
        if pgn == 128267:
            assert len(want) == len(ours[pgn, source])
            continue
        assert len(ours[pgn, source]) == len(want), (pgn, source)
        assert np.sort(ours[pgn, source]) == approx(np.sort(want), abs=2e-4), (pgn, source)
