"""Logs of several days through the commands: one report and one filed day of each."""

import json

import pandas as pd
import pytest
from seas.cards import at, days_on, log, put

from sailanalysis.app import days, pipeline
from sailanalysis.app.cli import main
from sailanalysis.app.days import DayJob

DATES = ["2026-05-02", "2026-05-03", "2026-05-04"]


def ran(capsys, *words):
    status = main([*map(str, words)])
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    return status, said.out.splitlines(), said.err.splitlines()


def test_a_report_a_filed_day_and_a_line_for_each_day(tmp_path, capsys):
    days_on(tmp_path / "card", minutes=30)
    put(tmp_path / "card", "crew.csv", b"time,item,value\n" + b"".join(
        f"10:{k:02d},helm,{name}\n".encode() for k, name in ((19, "Marit"), (11, "Jonas"), (3, "Ada"))))
    out, archive = tmp_path / "out", tmp_path / "season"
    status, lines, errors = ran(capsys, "day", tmp_path / "card", "--out", out, "--season", archive, "--quiet")
    assert status == 0 and not errors
    assert [line[:10] for line in lines] == DATES
    assert sorted(p.name for p in out.iterdir()) == DATES
    for number, (date, helm, line) in enumerate(zip(DATES, ("Marit", "Jonas", "Ada"), lines, strict=True)):
        summary = json.loads((out / date / "summary.json").read_text())
        assert [i["file"] for i in summary["inputs"]] == [f"{number + 2}.nmea"]
        assert summary["distance_over_ground_nm"] == pytest.approx(3.0, rel=0.01)
        helms = pd.read_parquet(out / date / "samples.parquet")["helm"].astype(str)
        assert set(helms) - {""} == {helm}
        assert str(out / date / "report.html") in line and f"filed {date}" in line
    _, listing, _ = ran(capsys, "season", archive, "--list")
    assert [line[:10] for line in listing[1:]] == DATES

    status, _, errors = ran(capsys, "calibrate", tmp_path / "card")
    assert status == 1 and len(errors) == 1 and "3 days" in errors[0]


def test_a_warning_of_several_days_is_one_line_with_its_days(tmp_path, capsys):
    days_on(tmp_path / "card", minutes=20)
    _, _, errors = ran(capsys, "day", tmp_path / "card", "--out", tmp_path / "out")
    lines = [line for line in errors if "no usable wind" in line]
    assert len(lines) == 1 and lines[0].startswith("warning: 2026-05-02 and 2 more days: The log has no usable wind")


def test_a_single_day_writes_into_the_folder_itself(tmp_path, capsys):
    days_on(tmp_path / "card", days=[2], minutes=30)
    status, lines, _ = ran(capsys, "day", tmp_path / "card", "--out", tmp_path / "out", "--quiet")
    assert status == 0 and len(lines) == 2 and (tmp_path / "out" / "report.html").exists()


def test_a_parent_of_twelve_day_folders_files_twelve_days(tmp_path, capsys):
    for day in range(1, 13):
        put(tmp_path / "card" / f"day{day}", "log.nmea", log(at(day, 10), 20, step_s=4))
        put(tmp_path / "card" / f"day{day}", "crew.csv", f"time,item,value\n10:05,helm,Ada{day}\n".encode())
        put(tmp_path / "card" / f"day{day}", "boat.toml", b"[boat]\nloa_m = 10\n")
    archive = tmp_path / "season"
    status, lines, _ = ran(capsys, "season", archive, "--add", tmp_path / "card", "--list", "--quiet")
    assert status == 0
    assert [line.split()[1][:10] for line in lines[:12]] == [f"2026-05-{day:02d}" for day in range(1, 13)]
    assert len(lines) == 12 + 13
    # What was filed can be analysed again by itself.
    status, lines, _ = ran(capsys, "season", archive, "--refile", "--list", "--quiet")
    assert status == 0 and len(lines) == 12 + 13


def test_one_file_of_three_days_files_three_days_and_again_no_more(tmp_path, capsys):
    put(tmp_path, "all.nmea", b"".join(log(at(day, 10), 20, step_s=4) for day in (2, 3, 4)))
    archive = tmp_path / "season"
    for _ in range(2):
        assert ran(capsys, "day", tmp_path / "all.nmea", "--out", tmp_path / "out", "--season", archive, "--quiet")[0] == 0
        _, listing, _ = ran(capsys, "season", archive, "--list")
        assert [line[:10] for line in listing[1:]] == DATES


def test_a_folder_that_cannot_be_filed_shows_in_the_status(tmp_path, capsys):
    put(tmp_path / "good", "log.nmea", log(at(2, 10), 20, step_s=4))
    put(tmp_path / "bad", "letter.txt", b"Dear all,\nwe sailed.\n")
    status, lines, errors = ran(capsys, "season", tmp_path / "season", "--add", tmp_path / "good", tmp_path / "bad")
    assert status == 1 and [line[:16] for line in lines] == ["filed 2026-05-02"]
    assert any("letter.txt" in line for line in errors)


def test_a_day_that_fails_costs_that_day_and_shows_in_the_status(tmp_path, capsys, monkeypatch):
    days_on(tmp_path / "card", minutes=20)
    analyse = pipeline.analyse

    def broken(day, **options):
        if day.date == DATES[1]:
            raise ZeroDivisionError("by hand")
        return analyse(day, **options)

    monkeypatch.setattr(days.pipeline, "analyse", broken)
    status, lines, errors = ran(capsys, "day", tmp_path / "card", "--out", tmp_path / "out")
    assert status == 1
    assert [line[:10] for line in lines] == DATES and "no report" in lines[1]
    assert any(DATES[1] in line and "ZeroDivisionError: by hand" in line for line in errors)
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [DATES[0], DATES[2]]


def test_settings_travel_and_old_ones_are_understood():
    job = DayJob(("/a", "/b"), "/boat.toml", ("/crew.csv",), None, "UTC", False, (1.0, 2.0), ((1.0, 2.0), (3.0, 4.0)))
    assert DayJob.from_settings(json.loads(json.dumps(job.settings()))) == job
    old = {"logs": ["/a"], "boat": None, "crew_log": "/crew.csv", "date": None, "timezone": "UTC",
           "apply_calibration": False, "something": 1}
    assert DayJob.from_settings(old) == DayJob(("/a",), crew_logs=("/crew.csv",))
