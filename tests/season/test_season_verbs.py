"""The archive through the command line: refusals, repairs, and an evening that always reports."""

import contextlib
import shutil
import sqlite3
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from sailanalysis.app import days, pipeline
from sailanalysis.app.cli import main
from sailanalysis.core.model import Boat
from sailanalysis.season import Archive

sys.path.insert(0, str(Path(__file__).parent))
from days import small_day


@pytest.fixture
def season(tmp_path):
    archive = Archive(tmp_path / "season", create=True)
    for number in (1, 2, 3):
        archive.file_day(small_day(f"2026-05-0{number} 10:00", minutes=2, speed=4 + number))
    return tmp_path / "season"


@pytest.fixture
def evening(tmp_path, monkeypatch):
    """``day --season`` with the analysis and the report replaced by quick ones."""
    log = tmp_path / "log.nmea"
    log.write_text("a log")
    memories = []

    def analyse(logs, *, season=None, **_):
        made = evening.day
        memories.append(pipeline._memory(season, SimpleNamespace(samples=made.samples), made.boat))
        return replace(made, findings=memories[-1].findings)

    def write_day(day, out, **_):
        Path(out).mkdir(parents=True, exist_ok=True)
        (Path(out) / "report.html").write_text("report")
        return pipeline.Written(Path(out))

    card = SimpleNamespace(days=[SimpleNamespace(date="2026-05-02")], findings=())
    monkeypatch.setattr(days, "read_card", lambda *_: card)

    monkeypatch.setattr(pipeline, "analyse", analyse)
    monkeypatch.setattr(pipeline, "write_day", write_day)
    monkeypatch.setattr(days, "day_words", lambda result: "sailed")
    evening = SimpleNamespace(day=small_day("2026-05-02 10:00", minutes=2, speed=9),
                              memories=memories)

    def run(season):
        out = tmp_path / "out"
        shutil.rmtree(out, ignore_errors=True)
        status = main(["day", str(log), "--out", str(out), "--season", str(season)])
        assert (out / "report.html").read_text() == "report"
        return status

    evening.run = run
    return evening


def test_the_line_says_what_gave_way(season, evening, capsys):
    assert evening.run(season) == 0
    out, _ = capsys.readouterr()
    assert "filed 2026-05-02-1000 (in place of the one filed on 2" in out
    evening.run(season)
    assert "unchanged" in capsys.readouterr().out


def test_another_boats_day_gets_its_report_and_is_not_filed(season, evening, capsys):
    evening.day = replace(evening.day, boat=Boat(name="Tern"))
    assert evening.run(season) == 1
    out, err = capsys.readouterr()
    assert "this day is of Tern" in err and "--several-boats" in err and "Traceback" not in err
    assert "filed" not in out
    assert evening.memories[-1].polar is None, "another boat's polar lends nothing"
    assert len(Archive(season).days()) == 3


def harm_newer(season):
    with contextlib.closing(sqlite3.connect(season / "index.sqlite")) as db:
        db.execute("PRAGMA user_version = 99")


def harm_to_a_file(season):
    shutil.rmtree(season)
    season.write_text("not a folder")


def harm_to_foreign(season):
    shutil.rmtree(season)
    season.mkdir()
    (season / "letter.txt").write_text("dear")


@pytest.mark.parametrize("harm", [harm_newer, harm_to_a_file, harm_to_foreign])
def test_an_archive_that_cannot_be_used_costs_no_report(season, evening, capsys, harm):
    harm(season)
    assert evening.run(season) == 1
    assert "the day was not filed" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["index.sqlite", "blocks.parquet", "day.json", "contents.json"])
def test_a_damaged_archive_takes_the_day_in_all_the_same(season, evening, capsys, name):
    file = season / name if name == "index.sqlite" else next(season.glob(f"days/2026-05-01*/{name}"))
    file.write_bytes(b"rubbish" * 300)
    assert evening.run(season) == 0
    out, err = capsys.readouterr()
    assert "filed 2026-05-02-1000" in out
    assert name == "day.json" or "damaged" in err  # day.json lends nothing to the new day
    assert len(Archive(season).days()) == 3


def test_check_says_what_is_wrong_and_what_mends_it(season, capsys):
    assert main(["season", str(season), "--check"]) == 0
    assert "3 days, every file as it was filed" in capsys.readouterr().out
    file = next(season.glob("days/2026-05-02*/samples.parquet"))
    data = bytearray(file.read_bytes())
    data[1000] ^= 1
    file.write_bytes(data)
    before = {p: p.read_bytes() for p in season.rglob("*") if p.is_file()}
    assert main(["season", str(season), "--check"]) == 1
    out = capsys.readouterr().out
    assert "day 2026-05-02-1000 is damaged: samples.parquet" in out
    assert f"sailanalysis season {season} --refile 2026-05-02-1000" in out
    assert {p: p.read_bytes() for p in season.rglob("*") if p.is_file()} == before


def test_list_tells_of_days_that_the_index_lacks_and_repair_writes_them(season, capsys):
    (season / "index.sqlite").write_bytes(b"")
    assert main(["season", str(season), "--list"]) == 0
    out, err = capsys.readouterr()
    assert len(out.splitlines()) == 4 and "--repair" in err
    assert (season / "index.sqlite").read_bytes() == b""
    assert main(["season", str(season), "--repair"]) == 0
    assert "3 days listed" in capsys.readouterr().out
    assert main(["season", str(season), "--list"]) == 0
    assert capsys.readouterr().err == ""


def test_a_wrong_name_to_refile_is_one_line(season, capsys):
    assert main(["season", str(season), "--refile", "2027-01-01"]) == 1
    assert "no filed day '2027-01-01'" in capsys.readouterr().err


def test_a_mistyped_season_makes_no_folder(tmp_path, capsys):
    for verb in (["--list"], ["--check"], ["--repair"], ["--out", str(tmp_path / "out")]):
        assert main(["season", str(tmp_path / "typo"), *verb]) == 1
        assert not (tmp_path / "typo").exists()
    assert "Traceback" not in capsys.readouterr().err


def test_a_folder_with_files_is_refused_by_add(tmp_path, capsys):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("dear")
    (tmp_path / "day").mkdir()
    assert main(["season", str(tmp_path / "mine"), "--add", str(tmp_path / "day")]) == 1
    assert "not empty (letter.txt)" in capsys.readouterr().err
