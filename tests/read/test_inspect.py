"""The inspection says what is in a log, to the line."""

import json
from datetime import timedelta

import pytest
from pytest import approx
from real_logs import real_log
from seas.nmea0183_logs import START, Bus, sentence

from sailanalysis.core.errors import LogError
from sailanalysis.read import inspect_logs, inspect_text
from sailanalysis.read.wording import count_words, span_words, time_words


def write(tmp_path, data, name="day.log"):
    path = tmp_path / name
    path.write_bytes(data)
    return path


def test_a_day_by_hand(tmp_path):
    data = (Bus(seconds=120).log() + b"$HCHDM,1.0,M*00\r\n" * 3 + b"rubbish\r\n"
            + sentence("!AIVDM,1,1,,A,0,0") * 5)
    found = inspect_logs([write(tmp_path, data)])
    file = found["files"][0]
    assert file["format"] == "NMEA 0183" and file["clock"] == "gps"
    assert file["lines"] == data.count(b"\n")
    assert file["rejected"] == {"checksum wrong": 3, "not a sentence": 1}
    assert file["ignored_kinds"] == {"GSV": 360, "!AIVDM": 5}
    assert file["lines"] == file["used"] + sum(file["rejected"].values())
    heading = next(c for c in found["channels"] if c["channel"] == "hdg_mag_deg")
    assert heading["source"] == "HC HDG" and heading["count"] == 1200 and heading["unit"] == "deg"
    assert heading["rate_hz"] == approx(10, rel=0.01)
    assert (heading["low"], heading["high"]) == (0.0, approx(119.9))
    assert heading["gaps"] == 0
    assert found["start"][:17] in ("2024-06-01T09:59:", "2024-06-01T10:00:")
    assert json.loads(json.dumps(found, allow_nan=False)) == found


def test_gaps_of_a_channel_and_of_the_whole_log(tmp_path):
    bus = Bus(seconds=900, silent=[(300.0, 600.0)])
    found = inspect_logs([write(tmp_path, bus.log())])
    assert [gap["seconds"] for gap in found["gaps"]] == [approx(300, abs=3)]
    heading = next(c for c in found["channels"] if c["channel"] == "hdg_mag_deg")
    assert heading["gaps"] == 1 and heading["longest_gap_s"] == approx(300, abs=2)
    assert heading["rate_hz"] == approx(10, rel=0.01)


def test_the_text_reads_calmly_and_says_it_all(tmp_path):
    data = Bus(seconds=60).log() + b"$HCHDM,1.0,M*00\r\n"
    write(tmp_path, data, "a.log")
    write(tmp_path, data, "b.log")
    write(tmp_path, b"", "c.log")
    write(tmp_path, b"time,item,value\n10:00,helm,Ida\n", "crew.csv")
    write(tmp_path, Bus(start=START + timedelta(seconds=300), seconds=60).log(), "d.log")
    text = inspect_text(inspect_logs([tmp_path]))
    for said in ("2024-06-01", "a.log: NMEA 0183, 1,021 lines, times from satellite time",
                 "840 read for their values", "180 good but not needed: GSV 180",
                 "1 rejected: checksum wrong", "b.log: same content as another file; read once",
                 "c.log: empty", "crew.csv: a crew log, no instrument log", "hdg_mag_deg", "10 Hz",
                 "HC HDG", "Nothing was recorded at all in 1 gap", "To know:"):
        assert said in text, said
    assert max(len(line) for line in text.splitlines() if not line.startswith("  ")) < 120
    assert "nan" not in text.lower().replace("cannot", "")


def test_unknown_columns_are_named(tmp_path):
    path = write(tmp_path, b"time,BSP,AWA,AWS,Mystery\n" + b"".join(
        b"2024-06-01T10:00:%02dZ,6.1,-30,12,7\n" % k for k in range(60)))
    assert "Mystery" in inspect_text(inspect_logs([path]))


@pytest.mark.parametrize("name", ["bay-six-tacks-0183", "gulf-reach-n2k", "lake-one-tack-0183",
                                  "moored-gps-0183", "moored-instruments-0183", "n2k-texts",
                                  "passage-gps-only-0183", "signalk-deltas"])
def test_every_recorded_log_is_accounted_for(name):
    found = inspect_logs([real_log(name)])
    for file in found["files"]:
        assert file["lines"] == file["used"] + sum(file["rejected"].values())
        assert file["ignored"] <= file["used"]
        if file["ignored_kinds"]:
            assert sum(file["ignored_kinds"].values()) == file["ignored"]
    assert found["channels"] and inspect_text(found)
    json.dumps(found, allow_nan=False)


def test_a_log_without_a_usable_value_is_still_described(tmp_path):
    void = sentence("GPRMC,100000.00,V,,,,,,,010624,,,N") * 100
    for data, said in ((void, "100 read for their values"), (sentence("HCHDM,1.0,M") * 9, "no time"),
                       (b"$HCHDM,1.0,M*00\r\n" * 9, "9 rejected: checksum wrong")):
        found = inspect_logs([write(tmp_path, data)])
        assert found["channels"] == [] and found["start"] is None
        text = inspect_text(found)
        assert said in text and "No value in these logs can be placed in time" in text


def test_nothing_there_is_one_line(tmp_path):
    with pytest.raises(LogError):
        inspect_logs([write(tmp_path, b"Dear diary\n")])


def test_words():
    assert span_words(4.21) == "4.2 s"
    assert span_words(125) == "2 min 5 s"
    assert span_words(3600 * 3 + 1200) == "3 h 20 min"
    assert span_words(10 * 86400) == "10.0 days"
    assert count_words(1, "line") == "1 line" and count_words(1204, "line") == "1,204 lines"
    assert time_words(START.timestamp()) == "2024-06-01 10:00:00"
    assert time_words(1e20) == "1970-01-01 00:00:00"
