"""Sentences decode to published values; the fast and the plain way say the same."""

import base64
import gzip
import io
import json
import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from published_cases import published
from pytest import approx
from real_logs import real_log
from seas.nmea0183_logs import Bus, sentence

from sailanalysis.core.units import MS_TO_KN
from sailanalysis.read.nmea0183 import read as read_nmea0183
from sailanalysis.read.nmea0183.arrays import numbers
from sailanalysis.read.nmea0183.gather import Gathered, in_order
from sailanalysis.read.nmea0183.lines import checksum, number, read_line
from sailanalysis.read.nmea0183.scan import gather
from sailanalysis.read.nmea0183.sentences import TYPES
from sailanalysis.read.nmea0183.xdr import channel_of_name, layout

# Layouts: gpsd NMEA.adoc; values: published parser tests; each row names its source (tests/published).
CASES = published("nmea0183_cases.csv")
GOOD = [row for row in CASES if row["checksum_ok"] == "yes"]


def plain_gather(data: bytes) -> Gathered:
    """The whole log by the plain way, line by line."""
    out, position, records = Gathered(), 0, []
    for line in data.split(b"\n"):
        records += read_line(line, position, out.tally)
        position += len(line) + 1
    out.add_records(records)
    return out


def decode(line: str) -> dict[str, float]:
    """Channels of one sentence."""
    got = gather(io.BytesIO(line.encode()))
    out = {}
    for key in list(got.groups):
        decoded = TYPES[key[1]].decode(got.columns(key))
        out |= {name: float(value[0]) for name, value in decoded.channels.items()}
    for (_, channel), chunks in got.transducers.items():
        value = float(in_order(chunks)[1][0])
        out |= {channel: value} if np.isfinite(value) else {}
    return out


# ------------------------------------------------------------------ by hand
def test_headings_and_wind_by_hand():
    assert decode("$HCHDM,245.1,M*2B") == {"hdg_mag_deg": 245.1}
    # 5 E deviation on 180 reads 185 magnetic; 10 W variation.
    assert decode("$INHDG,180,5,E,10,W*7F") == {"hdg_mag_deg": 185.0, "variation_deg": -10.0}
    # 336 degrees is 24 on the port bow.
    assert decode("$IIMWV,336,R,13.41,N,A*22") == {"awa_deg": -24.0, "aws_kn": 13.41}
    # 36 km/h is 10 m/s.
    assert decode(sentence("IIMWV,30,R,36,K,A").decode())["aws_kn"] == approx(10 * MS_TO_KN)


def test_empty_is_missing_and_never_zero():
    assert decode(sentence("IIVHW,,T,,M,,N,,K").decode()) == {}
    assert decode(sentence("GPRMC,120000,V,,,,,,,010624,,,N").decode()) == {}
    assert decode(sentence("WIMWV,123.0,R,12.0,N,").decode()) == {}
    # Zeros in place of empty fields, as receivers without a fix print them.
    assert decode(sentence("GPRMC,120000,A,0000.000,N,00000.000,E,0.0,0.0,010624,,,A").decode()) == {}


def test_signs_of_a_doubly_signed_number():
    # Some loggers print the sign of both halves; dropping them would leave only one side's helm.
    assert number(b"-1.-3") == (-1.3, False)
    assert number(b"0.-6") == (-0.6, False)
    for text in (b"1e5", b"nan", b"inf", b"--1", b"1.2.3", b"$SDVLW", b"1,5", b"0x10", b"+"):
        value, malformed = number(text)
        assert malformed and np.isnan(value)


def test_transducers_by_name_wherever_they_stand():
    # Common practice: roll and pitch in degrees; a field too many before three of the values.
    misframed = "C,C,,C,AIRTEMP,A,13.4,D,HEEL,A,2.8,D,TRIM,P,,B,BARO,A,A,0.7,D,RUDDER"
    assert decode(sentence("IIXDR," + misframed).decode()) == {
        "heel_deg": 13.4, "trim_deg": 2.8, "rudder_deg": 0.7}
    assert decode("$IIXDR,P,1.01325,B,Barometer,C,18.5,C,AirTemp*47") == {
        "pressure_hpa": approx(1013.25), "air_temp_c": 18.5}
    assert layout(["A", "2.5", "D", "SOMETHING"]) == []
    assert channel_of_name("MAGX") is None


# ------------------------------------------------------------------ published
@pytest.mark.parametrize("row", CASES, ids=lambda row: row["line"][:40])
def test_checksums(row):
    line = row["line"].encode()
    start = max(line.rfind(b"$"), line.rfind(b"!"))
    body = line[start + 1 :].split(b"*")[0]
    assert f"{checksum(body):02X}" == row["checksum_recomputed"]
    tally = gather(io.BytesIO(line)).tally
    expect = {"yes": (1, {}), "NO": (0, {"checksum wrong": 1}), "none": (1, {})}[row["checksum_ok"]]
    assert (tally.used, dict(tally.rejected)) == expect
    assert tally.unchecked == (row["checksum_ok"] == "none")


def _expected(row) -> dict[str, float]:
    """The reference's SI values in this package's channels and units."""
    si, kind = json.loads(row["expected_si_json"]), row["type"]
    kn = lambda ms: ms * MS_TO_KN  # noqa: E731
    names = {
        "lat": ("lat", 1), "lon": ("lon", 1), "sog_mps": ("sog_kn", MS_TO_KN),
        "cog_deg": ("cog_deg", 1), "cog_true_deg": ("cog_deg", 1), "cog_mag_deg": ("cog_mag_deg", 1),
        "variation_deg": ("variation_deg", 1), "mag_var_deg": ("variation_deg", 1),
        "hdg_true_deg": ("hdg_deg", 1), "hdg_mag_deg": ("hdg_mag_deg", 1),
        "stw_mps": ("stw_kn", MS_TO_KN), "magnetic_deg": ("hdg_mag_deg", 1),
        "rudder_deg": ("rudder_deg", 1), "rot_deg_per_s": ("rate_of_turn_deg_s", 1),
        "depth_m": ("depth_m", 1), "temp_c": ("water_temp_c", 1), "rpm": ("engine_rpm", 1),
        "set_true_deg": ("set_logged_deg", 1), "drift_mps": ("drift_logged_kn", MS_TO_KN),
        "total_m": ("log_nm", 1 / 1852), "stw_long_mps": ("stw_kn", MS_TO_KN),
        "dir_true_deg": ("twd_logged_deg", 1), "dir_mag_deg": ("twd_mag_logged_deg", 1),
    }
    out = {names[k][0]: v * names[k][1] for k, v in si.items() if k in names and v is not None}
    if kind in ("HDM", "HDT"):
        out = {"hdg_deg" if si["ref"] == "T" else "hdg_mag_deg": si["heading_deg"]}
    if kind in ("MWV", "VWR", "VWT"):
        true = kind == "VWT" or si.get("ref") == "T"
        out = {"twa_logged_deg" if true else "awa_deg": si["angle_signed_deg"],
               "tws_logged_kn" if true else "aws_kn": kn(si["speed_mps"])}
    if kind == "MWD":
        out["tws_logged_kn"] = kn(si["speed_mps"])
    if kind == "DPT":
        above = si["below_surface_m"]
        out = {"depth_m": si["below_transducer_m"] if above is None else above}
    if kind == "VBW":
        out["sog_kn"] = kn(np.hypot(si["sog_long_mps"], si["sog_trans_mps"]))
        out["leeway_logged_deg"] = np.degrees(np.arctan2(si["stw_trans_mps"], si["stw_long_mps"]))
    if kind == "XDR":
        out = {}
        for _, value, _, name in si["groups"]:
            known = {"PITCH": "trim_deg", "ROLL": "heel_deg", "AirTemp": "air_temp_c"}.get(name)
            out |= {known: value} if known else {}
            out |= {"pressure_hpa": value * 1000} if name == "Barometer" else {}
    void = si.get("status") == "V" or (kind == "GGA" and si.get("quality") == 0)
    if void:
        out = {k: v for k, v in out.items() if k == "variation_deg"}
    if row["line"].startswith("$IIHDT,400") or kind in ("VPW", "ZDA", "VDM", "APA"):
        out = {}
    if kind == "RPM" and si["source"] == "S":
        out = {}
    return out


@pytest.mark.parametrize("row", [r for r in CASES if r["checksum_ok"] != "NO"],
                         ids=lambda row: row["line"][:40])
def test_published_values(row):
    got = decode(row["line"])
    want = _expected(row)
    assert set(got) == set(want)
    for name, value in want.items():
        # The reference prints 8 decimals of a degree and of m/s; MWD's speed it takes from the
        # m/s field, which has one.
        loose = row["type"] == "MWD" and name == "tws_logged_kn"
        assert got[name] == approx(value, abs=0.05 * MS_TO_KN if loose else 2e-7), name


def test_heading_of_400_is_missing_and_counted():
    got = gather(io.BytesIO(b"$IIHDT,400.0,T*26"))
    decoded = TYPES["HDT"].decode(got.columns(("II", "HDT", "")))
    assert decoded.channels == {} and decoded.implausible == 1


# ------------------------------------------------------------------ whole captures
PYNMEA2 = {
    "RMC": {"sog_kn": "spd_over_grnd", "cog_deg": "true_course", "lat": "latitude",
            "lon": "longitude"},
    "GGA": {"lat": "latitude", "lon": "longitude"}, "GLL": {"lat": "latitude", "lon": "longitude"},
    "VTG": {"cog_deg": "true_track", "cog_mag_deg": "mag_track", "sog_kn": "spd_over_grnd_kts"},
    "VHW": {"hdg_mag_deg": "heading_magnetic", "hdg_deg": "heading_true",
            "stw_kn": "water_speed_knots"},
    "HDG": {"hdg_mag_deg": "heading"}, "HDM": {"hdg_mag_deg": "heading"},
    "VWR": {"aws_kn": "wind_speed_kn"}, "MTW": {"water_temp_c": "temperature"},
    "MWD": {"twd_logged_deg": "direction_true", "twd_mag_logged_deg": "direction_magnetic"},
    "DBT": {"depth_m": "depth_meters"},
}


@pytest.mark.parametrize("name, file", [
    ("bay-six-tacks-0183", "log.nmea.gz"), ("lake-one-tack-0183", "log.nmea.gz"),
    ("moored-gps-0183", "log.nmea"), ("moored-instruments-0183", "log.nmea")])
def test_whole_captures_equal_pynmea2(name, file):
    pynmea2 = pytest.importorskip("pynmea2")
    path = real_log(name) / file
    data = (gzip.open if file.endswith("gz") else open)(path, "rb").read()
    # The first 15,000 lines hold every sentence type of each capture.
    data = b"\n".join(data.split(b"\n")[:15000])
    want: dict[tuple[str, str], list[float]] = {}
    for line in data.decode("latin-1").splitlines():
        try:
            message = pynmea2.parse(line, check=True)
        except pynmea2.ParseError:
            continue
        kind = getattr(message, "sentence_type", None)
        if kind not in PYNMEA2 or getattr(message, "talker", "P") == "P":
            continue
        for channel, attribute in PYNMEA2[kind].items():
            value = getattr(message, attribute)
            want.setdefault((message.talker + kind, channel), []).append(
                np.nan if value in (None, "") else float(value))
    got = gather(io.BytesIO(data))
    compared = 0
    for key in list(got.groups):
        decoded = TYPES[key[1]].decode(got.columns(key)).channels
        for channel in PYNMEA2.get(key[1], {}):
            theirs = np.array(want[key[0] + key[1], channel])
            ours = decoded.get(channel, np.full(theirs.shape, np.nan))
            np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-9)
            compared += int(np.isfinite(theirs).sum())
    assert compared > 400


# ------------------------------------------------------------------ both ways agree
def same(a, b):
    return np.array_equal(a, b, equal_nan=True)


def assert_ways_agree(data: bytes, piece: int = 1 << 20) -> Gathered:
    fast, plain = gather(io.BytesIO(data), piece), plain_gather(data)
    assert fast.tally == plain.tally
    assert fast.tally.lines == fast.tally.used + sum(fast.tally.rejected.values())
    assert set(fast.groups) == set(plain.groups)
    for key in list(fast.groups):
        a, b = fast.columns(key), plain.columns(key)
        assert same(a.position, b.position) and same(a.fields, b.fields), key
        for one, two in ((a.number, b.number), (a.letter, b.letter)):
            assert all(same(one[f], two[f]) for f in one), key
    for one, two in ((fast.transducers, plain.transducers), (fast.stamps, plain.stamps)):
        assert set(one) == set(two)
        for key in one:
            (p, v), (q, w) = in_order(one[key]), in_order(two[key])
            assert same(p, q), key
            np.testing.assert_allclose(v, w, rtol=0, atol=1e-6)
    return fast


@pytest.mark.parametrize("name, file", [
    ("lake-one-tack-0183", "log.nmea.gz"), ("moored-instruments-0183", "log.nmea")])
@pytest.mark.parametrize("piece", [1 << 20, 5000])
def test_ways_agree_on_captures(name, file, piece):
    path = real_log(name) / file
    data = (gzip.open if file.endswith("gz") else open)(path, "rb").read()[:1_500_000]
    assert_ways_agree(data, piece)


@pytest.mark.parametrize("form", ["iso", "iso-z", "comma", "epoch", "ms", "time", "tag"])
def test_ways_agree_on_stamps(form):
    got = assert_ways_agree(Bus(seconds=30).stamped(form), 7000)
    assert sum(in_order(chunks)[0].size for chunks in got.stamps.values()) == got.tally.lines


ODD = [
    b"$GPRMC,120000,A,5918.0,N,01806.0,E,6.5,045.0,010624,,,A*41", b"$IIVWR,024,L,018,N,,,,*5e",
    b"\\s:compass,c:1438489697*13\\$IIDBT,035.53,f,010.83,M,005.85,F*23",
    b"\\c:1438489697*5F\\$IIDBT,035.53,f,010.83,M,005.85,F*23", b"\\s:x,n:1\\$HCHDM,245.1,M*2B",
    b"\\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\\!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n,0*13",
    b"$GPVTG,0.0,T,359.3,M,15.0,N,,K,A", b"$HCHDM,245.1,M", b"$HCHDM,245", b"$HCHDM,245.1,M*2",
    b"$HCHDM,245.1,M*2B$HCHDM,245.1,M*2B", b"$HCHDM,24$HCHDM,245.1,M*2B", b"$HCHDM,245.1,M*2Bxx",
    b"$HCHDM,245.1,M*2B  ", b"  $HCHDM,245.1,M*2B", b"$HCHDM,24\x005.1,M*2B", b"$HCHDM,245.1,M*2b",
    b"$PABC,1,2*00", b"$P,1*2C", b"$HCHDM*5E", b"$,*", b"*", b"$", b"!", b"\\", b"", b"\r", b"a",
    b"\x00\x00\x00", b"\xff\xfe\x01\x02", b"avnav 0.6", b"2024-06-01 10:00:00.5 $HCHDM,245.1,M*2B",
    b"2024-13-01 10:00:00.5 $HCHDM,245.1,M*2B", b"1717236000 $HCHDM,245.1,M*2B",
    b"1717236000123,$HCHDM,245.1,M*2B", b"10:00:00 $HCHDM,245.1,M*2B", b"99:00:00 $HCHDM,245.1,M*2B",
    b"2024-06-01T10:00:00+02:00 $HCHDM,245.1,M*2B", b"20240601 100000 $HCHDM,245.1,M*2B",
    b"01.06.2024 10:00:00 $HCHDM,245.1,M*2B", b"[COM3] $HCHDM,245.1,M*2B", b"x" * 300 + b"$HCHDM,245.1,M*2B",
    b"$YXXDR,A,-18.0,D,ROLL,A,2.5,D,PITCH*XX", b"$HCHDM,245.1,M*2B\r$HCHDM,245.1,M*2B",
    b"$GPXYZABCDE,1*00", b"$gphdm,245.1,M*2B", b"$HCHDM,+245.1,M*00", b"$HCHDM,2451111111111111.1,M*00",
]


def _fix(line: bytes) -> bytes:
    """Give a line that ends in *XX or *00 its right checksum."""
    if line.endswith((b"*00", b"*XX")) and line.count(b"$") == 1:
        body = line[line.index(b"$") + 1 : -3]
        return line[:-2] + f"{checksum(body):02X}".encode()
    return line


ODD = [_fix(line) for line in ODD]
FIELD = st.one_of(st.sampled_from(["", "N", "E", "W", "S", "A", "V", "R", "T", "M", "K", "L", "F", "D",
                                   "C", "HEEL", "ROLL", "PITCH", "RUDDER", "0", "000", "-", "."]),
                  st.decimals(-1e6, 1e9, allow_nan=False, places=3).map(str),
                  st.text("0123456789.+-eE", max_size=17), st.text("$!*,\\ab7", max_size=4))
KINDS = st.sampled_from([*TYPES, "XDR", "GSV", "XYZ"])


@st.composite
def made_lines(draw):
    body = f"{draw(st.sampled_from(['GP', 'II', '04', 'P']))}{draw(KINDS)}," + ",".join(
        draw(st.lists(FIELD, max_size=14)))
    line = sentence(body).strip()
    if draw(st.integers(0, 3)) == 0:
        line = line[:-3]
    if draw(st.booleans()):
        line = draw(st.sampled_from([b"2024-06-01 10:00:00.123 ", b"1717236000.5 ", b"\\s:a\\",
                                     b"\\s:a,c:1717236000*12\\", b"\\c:1717236000123,s:b1*2F\\", b"\\n:7*63\\",
                                     b"10:00:00.1,", b"junk "])) + line
    if draw(st.integers(0, 4)) == 0:
        at = draw(st.integers(0, len(line)))
        line = line[:at] + draw(st.binary(max_size=3)) + line[at + draw(st.integers(0, 3)) :]
    return line


@settings(max_examples=150, deadline=None)
@given(lines=st.lists(st.one_of(made_lines(), st.sampled_from(ODD), st.binary(max_size=40)), max_size=12),
       end=st.sampled_from([b"\n", b"\r\n"]), piece=st.sampled_from([64, 200, 1 << 16]))
@example(lines=ODD, end=b"\n", piece=1 << 16)
@example(lines=ODD, end=b"\r\n", piece=1 << 16)
def test_ways_agree_on_anything(lines, end, piece):
    # A piece shorter than a line cuts it, which the plain way does not do; so keep pieces longer.
    longest = max([len(line) for line in lines], default=0) + 4
    assert_ways_agree(end.join(lines) + end, max(piece, longest))


@settings(max_examples=200, deadline=None)
@given(st.lists(st.text("0123456789.+-", max_size=18), min_size=1, max_size=40))
def test_numbers_equal_float(texts):
    line = sentence("IIVWR," + "0,R,0,N,0,M,0,K")
    rows = [sentence(f"IIVWR,{t},R,,N,,M,,K") for t in texts]
    got = gather(io.BytesIO(line + b"".join(rows))).columns(("II", "VWR", "")).number[1][1:]
    for text, value in zip(texts, got, strict=True):
        want = number(text.encode())[0]
        assert value == want or (np.isnan(value) and np.isnan(want)), text


# ------------------------------------------------------------------ line forms
@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_ways_agree_without_checksums(end):
    lines = [line[:-3] for line in Bus(seconds=30).log().split(b"\r\n") if line]
    lines += [sentence(body).strip()[:-3] for body in (
        "IIXDR,A,2.5,D,PITCH,A,-18.0,D,ROLL", "IIXDR,A,2.5,D,PITCH,A,-18.0,D,RO", "IIXDR,A,2.5,D,X",
        "GPRMC,100000,A,5918.0,N,01806.0,E,6.5,045.0,010624,,", "GPRMC,100000,A,5918.0,N",
        "IIVHW,,T,,M,6.x,N,,K", "!AIVDM,1,1,,A,0,0", "PABC,1", "PABC,1,2", "IIHDM,3 0,M", "IIHDM, ,M")]
    got = assert_ways_agree(end.join(lines) + end, 4000)
    assert got.tally.unchecked > 300 and got.tally.rejected["no checksum"] > 80


def test_line_ends_and_missing_last_end():
    line = b"$HCHDM,245.1,M*2B"
    for end in (b"\n", b"\r\n", b"\r"):
        for last in (b"", end):
            tally = gather(io.BytesIO(end.join([line] * 5) + last)).tally
            assert (tally.lines, tally.used) == (5, 5)


def test_glued_lines_count_each_sentence():
    tally = gather(io.BytesIO(b"$HCHDM,245.1,M*2B" * 4 + b"\n")).tally
    assert (tally.lines, tally.used) == (4, 4)


def test_ais_and_proprietary_are_used_but_ignored():
    data = (sentence("PABCD,1,2") + sentence("!AIVDM,1,1,,B,15N4cJ`005,0") + sentence("GPGSV,1")
            + sentence("IIVPW,4.5,N,6.7,M") + sentence("PGRMC,120000,A"))
    tally = gather(io.BytesIO(data)).tally
    assert tally.used == 5
    assert dict(tally.ignored) == {"PABCD": 1, "!AIVDM": 1, "GSV": 1, "VPW": 1, "PGRMC": 1}


def test_random_damage_is_counted_to_the_line():
    rng = random.Random(5)
    data = bytearray(Bus(seconds=60).log())
    lines = data.count(b"\n")
    for at in rng.sample(range(len(data)), 60):
        if data[at] not in b"\r\n":
            data[at] = rng.randrange(33, 126)
    tally = gather(io.BytesIO(bytes(data))).tally
    assert tally.lines >= lines - 1
    assert tally.lines == tally.used + sum(tally.rejected.values())
    assert 30 <= sum(tally.rejected.values()) <= 70


# ------------------------------------------------------------------ what fuzzing has reached
CORPUS = Path(__file__).parents[1] / "fuzz" / "nmea0183_corpus.json"


def test_the_fuzzing_corpus_keeps_the_invariants(monkeypatch):
    # Inputs that coverage-guided fuzzing kept because each reached new code (fuzz_nmea0183.py).
    monkeypatch.syspath_prepend(str(CORPUS.parent))
    import invariants

    inputs = [base64.b64decode(text) for text in json.loads(CORPUS.read_text())]
    assert len(inputs) > 100
    for data in inputs:
        assert_ways_agree(data + b"\n", max(len(data) + 2, 64))
        invariants.check(read_nmea0183, data)



def test_transducer_names_of_very_different_length_at_the_end_of_a_piece():
    # The longer name, laid over the shorter one, would be looked up beyond the piece's end.
    long = sentence("IIXDR,A,1.0,D," + "N" * 120 + ",A,2.5,D,PITCH")
    short = sentence("IIXDR,A,3.0,D,X,A,4.5,D,PITCH")
    for text in (long + short, short + long):
        assert_ways_agree(text)


# ------------------------------------------------------------------ numbers by array
NUMBERS = st.one_of(
    st.from_regex(r"[+-]?[0-9]{0,20}\.?[0-9]{0,20}", fullmatch=True),
    st.sampled_from(["", "-", ".", "1e5", "nan", "inf", "-inf", "-1.-3", "+5", " 7 ", "5.", "-.5",
                     "1,2"[:1], "--1", "1.2.3", "0x1", "1_0", "-0.0", "1" * 24, "1" * 25, "/", "9/5"]),
    st.floats(allow_nan=False, allow_infinity=False).map(lambda x: f"{x:.6f}"[:24]))


@given(st.lists(NUMBERS, max_size=40))
def test_numbers_by_array_equal_numbers_one_by_one(texts):
    text = "$" + ",".join(texts) + ","
    edges = np.flatnonzero(np.frombuffer(text.encode(), np.uint8) == ord(","))
    start, end = np.append(1, edges[:-1] + 1)[:len(texts)], edges[:len(texts)]
    value, malformed = numbers(np.frombuffer(text.encode(), np.uint8), start, end)
    for got, bad, text in zip(value, malformed, texts, strict=True):
        assert repr((float(got), bool(bad))) == repr(number(text.encode())), text
