"""A folder as it really is: one bad file costs that file, and the program's own output is no log."""

import logging

import pytest
from seas.nmea0183_logs import Bus, sentence

from sailanalysis.app.tables import COLUMNS
from sailanalysis.core.errors import LogError
from sailanalysis.read import csv as csv_reading
from sailanalysis.read import read_logs
from sailanalysis.read.recognise import recognise


def one(raw, channel):
    found = raw.of(channel)
    assert len(found) == 1
    return found[0]


OWN = [name for name, columns in COLUMNS.items() if columns]


@pytest.mark.parametrize("name", OWN)
@pytest.mark.parametrize("before", ["", "boat,day,"])
def test_every_table_of_the_program_is_known_again(name, before):
    assert recognise((before + ",".join(COLUMNS[name]) + "\n").encode()) == "own table"


def test_a_report_inside_the_log_folder_is_left_out(tmp_path):
    (tmp_path / "day.nmea").write_bytes(Bus(seconds=60).log())
    report = tmp_path / "report"
    report.mkdir()
    for name in OWN:
        (report / f"{name}.csv").write_text(",".join(COLUMNS[name]) + "\n")
    (report / "report.html").write_text("<html><body></body></html>")
    raw = read_logs([tmp_path])
    assert one(raw, "hdg_mag_deg").value.size == 600
    assert {r.format for r in raw.inputs} == {"NMEA 0183", "own table", "unknown"}


def test_a_log_from_before_the_fix_beside_a_good_one(tmp_path):
    (tmp_path / "a.nmea").write_bytes(Bus(seconds=60).log())
    (tmp_path / "b.nmea").write_bytes(b"".join(
        sentence("GPRMC,,V,,,,,,,,,,N") + sentence("IIVHW,,T,045.0,M,5.1,N,,K") for _ in range(60)))
    raw = read_logs([tmp_path])
    assert one(raw, "hdg_mag_deg").value.size == 600


def test_a_reader_that_breaks_costs_one_file(tmp_path, monkeypatch, caplog):
    def broken(handle, context):
        raise IndexError("index 3 is out of bounds")

    monkeypatch.setattr(csv_reading, "read", broken)
    (tmp_path / "a.nmea").write_bytes(Bus(seconds=60).log())
    (tmp_path / "b.csv").write_bytes(b"time,BSP\n2024-06-01T10:00:00Z,6.1\n2024-06-01T10:00:01Z,6.2\n")
    with caplog.at_level(logging.DEBUG, "sailanalysis"):
        raw = read_logs([tmp_path])
    assert one(raw, "hdg_mag_deg").value.size == 600
    said = next(f for f in raw.findings if f.code == "unreadable")
    assert said.level == "warning"
    assert said.message.startswith("b.csv could not be read (IndexError: index 3 is out of bounds")
    assert "left out" in said.message
    assert "in broken" in caplog.text  # --debug shows the line
    with pytest.raises(LogError, match=r"b\.csv could not be read"):
        read_logs([tmp_path / "b.csv"])
