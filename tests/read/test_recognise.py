"""Formats are told by content, whatever the file is called."""

import gzip
from importlib.metadata import EntryPoint

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from real_logs import real_log
from seas.nmea0183_logs import Bus, sentence

import sailanalysis.read.formats as formats_module
from sailanalysis.core.errors import LogError
from sailanalysis.read import read_logs
from sailanalysis.read.formats import Head
from sailanalysis.read.logs import recognised
from sailanalysis.read.recognise import describe, recognise

EXAMPLES = {
    "nmea0183": [sentence("HCHDM,245.1,M"), b"2024-06-01 10:00:00.1 " + sentence("HCHDM,245.1,M") * 3,
                 b"\\s:x*00\\" + sentence("HCHDM,245.1,M"), b"server 0.6\r\n" + sentence("GPRMC,1") * 2,
                 b"\xff\x00\x01junk\n" * 3 + sentence("HCHDM,245.1,M") * 5],
    "nmea2000": [b"(1690000000.123456) can0 09F80115#0102030405060708\n" * 2,
                 b" can0  09F80115   [8]  01 02 03 04 05 06 07 08\n" * 2,
                 b"# a remark\n" * 30 + b"<0x18eeff01> [8] 05 a0 be 1c 00 a0 a0 c0 \n" * 3,
                 b"2014-08-15T19:00:00.042Z,2,128259,115,255,8,00,4e,01,ff,ff,00,ff,ff\n" * 2,
                 b"00:29:58.617 R 0DFF180D A2 8C 50 C0 FF FF FF FF\n" * 2],
    "signalk": [b'{"updates":[{"values":[]}],"context":"vessels.self"}\n' * 2],
    "gpx": [b'<?xml version="1.0"?><gpx version="1.1"><trk/></gpx>', b"\xef\xbb\xbf<gpx>\n</gpx>",
            b'<?xml version="1.0"?>\n<!DOCTYPE gpx [<!ENTITY a "b">]>\n<gpx/>'],
    "csv": [b"time,BSP,AWA\n2024-06-01T10:00:00Z,6.1,-30\n2024-06-01T10:00:01Z,6.2,-31\n",
            b"Date;Time;Bt Spd\n01.06.2024;10:00:00;6,1\n01.06.2024;10:00:01;6,2\n",
            "\ufefftime\tstw\n1\t6\n2\t6\n".encode("utf-16")],
    "boat file": [b'[boat]\nname = "x"\n', b"# mine\n[tanks.fuel]\ncapacity_l = 80\n"],
    "crew log": [b"time,item,value,note\n10:00,helm,Ida,\n", b'"time";"item";"value"\n10:00;helm;Ida\n'],
    "empty": [b"", b"\0" * 5000, b"\r\n \n"],
    "own table": [b"kind,start,end,crossing,twa_before_deg,loss_m\n"],
    "unknown": [b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4, b"<html><body>1,2</body></html>",
                b"Dear diary,\nwe sailed.\n", b'{"type": "FeatureCollection"}\n', b"| a | b |\n| - | - |\n"],
}


@pytest.mark.parametrize("kind, head", [(k, h) for k, heads in EXAMPLES.items() for h in heads])
def test_examples(kind, head):
    assert recognise(head) == kind


def test_recorded_logs():
    for name, kind in (("bay-six-tacks-0183", "nmea0183"), ("gulf-reach-n2k", "nmea2000"),
                       ("n2k-texts", "nmea2000"), ("signalk-deltas", "signalk")):
        for path in real_log(name).iterdir():
            if path.suffix not in (".txt", ".json") or path.name.startswith("candump"):
                with (gzip.open if path.suffix == ".gz" else open)(path, "rb") as handle:
                    assert recognised(handle)[0] == kind, path


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=400))
def test_anything_is_recognised_or_unknown(head):
    assert recognise(head) in EXAMPLES
    assert describe(head)


def test_a_log_that_begins_with_a_lost_block(tmp_path):
    path = tmp_path / "a.bin"
    path.write_bytes(b"\0" * 300_000 + Bus(seconds=30).log())
    assert read_logs([path]).inputs[0].format == "NMEA 0183"


def test_the_name_means_nothing(tmp_path):
    path = tmp_path / "photo.gpx"
    path.write_bytes(gzip.compress(Bus(seconds=30).log()))
    assert read_logs([path]).inputs[0].format == "NMEA 0183"


@pytest.mark.parametrize("content, said", [
    (b"", "is empty"), (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), "a PNG picture"),
    (b"PK\x03\x04" + bytes(99), "unpack it first"), (b"Dear diary,\nwe sailed.\n", "Dear diary"),
    (b"time,item,value\n10:00,helm,Ida\n", "--crew-log"), (b"[boat]\nloa_m = 11\n", "--boat"),
    (sentence("HCHDM,1.0,M") * 9, "no sentence and no line carries a time"),
    (b"$HCHDM,1.0,M*00\n" * 9, "checksum wrong"),
    (sentence("GPGSV,1") * 9, "none with a value|carries a time"),
])
def test_a_file_that_gives_nothing_is_one_clear_line(tmp_path, content, said):
    path = tmp_path / "the.file"
    path.write_bytes(content)
    with pytest.raises(LogError, match=said) as caught:
        read_logs([path])
    assert "\n" not in str(caught.value) and "the.file" in str(caught.value)


def test_missing_paths_are_all_named(tmp_path):
    with pytest.raises(LogError, match=r"(?s)one.*no such file.*two"):
        read_logs([tmp_path / "one", tmp_path / "two"])
    with pytest.raises(LogError, match="no files"):
        read_logs([tmp_path])
    with pytest.raises(LogError, match="YYYY-MM-DD"):
        read_logs([tmp_path], date="1.6.2024")
    with pytest.raises(LogError, match="time zone"):
        read_logs([tmp_path], timezone="Atlantis")


def test_a_header_that_names_a_log_makes_a_table_of_any_length_and_separator():
    assert recognise(b"time;STW (kn);AWA\n2026-06-01T10:00:00Z;5,1;40\n") == "csv"
    assert recognise(b"time|STW (kn)|AWA\n2026-06-01T10:00:00Z|5.1|40\n") == "csv"
    assert recognise(b"Boat log\n\ntime;STW (kn);AWA\n2026-06-01T10:00:00Z;5,1;40\n") == "csv"
    assert recognise(b"some|words|here\nand|more|words\n") == "unknown"


def test_a_capture_may_open_with_a_bracket():
    frame = b"<0x18eeff01> [8] 05 a0 be 1c 00 a0 a0 c0\n"
    assert recognise(frame * 5) == "nmea2000"
    assert recognise(b"<html><body>no log</body></html>") == "unknown"


# ------------------------------------------------------------------ the registry
def test_an_installed_package_adds_a_format(tmp_path, monkeypatch):
    """A stranger's format is one entry point: a module with ``recognise`` and ``read``."""
    (tmp_path / "strange.py").write_text(
        "from sailanalysis.core.model import Stream\n"
        "from sailanalysis.read.reading import Reading\n"
        "import numpy as np\n"
        "def recognise(head):\n"
        "    return sum(line.startswith(b'~~') for line in head.lines)\n"
        "def read(handle, context):\n"
        "    count = len(handle.read().splitlines())\n"
        "    time_s = 1.78e9 + np.arange(float(count))\n"
        "    stream = Stream('stw_kn', 'strange', time_s, np.full(count, 5.0), context.file)\n"
        "    return Reading('Strange', [stream], count, count, clock='gps')\n")
    monkeypatch.syspath_prepend(tmp_path)
    entry = EntryPoint("strange", "strange", "sailanalysis.formats")
    monkeypatch.setattr(formats_module, "entry_points", lambda group: [entry])
    formats_module.formats.cache_clear()
    try:
        path = tmp_path / "day.xyz"
        path.write_bytes(b"~~1\n~~2\n~~3\n")
        raw = read_logs([path])
        assert raw.inputs[0].format == "Strange" and raw.of("stw_kn")[0].value.tolist() == [5.0] * 3
        assert recognise(sentence("HCHDM,245.1,M")) == "nmea0183"
    finally:
        formats_module.formats.cache_clear()


def test_a_format_is_told_by_a_tenth_of_the_lines_or_by_twenty():
    line, other = sentence("HCHDM,245.1,M"), b"nothing at all here\r\n"
    for good, all_lines, enough in ((1, 10, True), (1, 11, False), (19, 200, False), (20, 2000, True)):
        head = Head.of(line * good + other * (all_lines - good))
        assert head.is_enough(good) is enough, (good, all_lines)
    assert Head.of(b"# remark\n" * 90 + line + other * 9).is_enough(1)
