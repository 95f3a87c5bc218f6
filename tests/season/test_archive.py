"""The archive on disk: replaces, never doubles; survives kills and crowds."""

import contextlib
import os
import sqlite3
import subprocess
import sys
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sailanalysis.core.model import Boat
from sailanalysis.season import Archive, ArchiveError, DamagedError
from sailanalysis.season.migrations import FORMAT_VERSION, STEPS, migrate

sys.path.insert(0, str(Path(__file__).parent))
from days import small_day

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


def test_a_day_comes_back_as_it_was_filed(tmp_path):
    log = tmp_path / "log.txt"
    log.write_text("raw")
    day = small_day()
    day_id = Archive(tmp_path / "season", create=True).file_day(day, [log], settings={"date": None}).day_id
    back = Archive(tmp_path / "season", create=True).load(day_id)
    samples = back.samples()
    assert samples.index.equals(day.samples.index)
    assert np.allclose(samples["stw_kn"], day.samples["stw_kn"], atol=1e-5)
    assert np.array_equal(samples["lat"], day.samples["lat"])
    assert list(samples["helm"]) == list(day.samples["helm"])
    assert back.tables["maneuvers"]["rated"].tolist() == [True]
    assert back.record["calibration"]["stw_factor"]["value"] == 1.02
    assert back.record["boat"]["name"] == "Skarv"
    assert back.record["software"]
    assert len(back.tables["blocks"]) > 10
    assert [Path(r.path).name for r in back.raw_files] == ["log.txt"]


def test_filing_again_replaces(tmp_path):
    archive = Archive(tmp_path, create=True)
    archive.file_day(small_day(speed=6))
    archive.file_day(small_day(speed=5))
    archive.file_day(small_day(speed=5))
    assert len(archive.days()) == 1
    assert archive.rows("legs")["stw_kn"].tolist() == [5]
    assert len(list((tmp_path / "days").iterdir())) == 1


def test_a_longer_log_of_the_same_day_replaces_the_shorter(tmp_path):
    archive = Archive(tmp_path, create=True)
    archive.file_day(small_day("2026-05-02 10:00", minutes=10))
    archive.file_day(small_day("2026-05-02 09:00", minutes=120))
    assert archive.days()["day"].tolist() == ["2026-05-02-0900"]


def test_two_outings_on_one_date_stand_side_by_side(tmp_path):
    archive = Archive(tmp_path, create=True)
    archive.file_day(small_day("2026-05-02 16:00"))
    archive.file_day(small_day("2026-05-02 10:00"))
    assert archive.days()["day"].tolist() == ["2026-05-02-1000", "2026-05-02-1600"]
    assert archive.match("2026-05-02") == ["2026-05-02-1000", "2026-05-02-1600"]


def test_same_raw_file_replaces_even_when_its_clock_was_mended(tmp_path):
    log = tmp_path / "log.txt"
    log.write_text("raw")
    archive = Archive(tmp_path / "season", create=True)
    archive.file_day(small_day("2006-09-16 10:00"), [log])
    archive.file_day(small_day("2026-05-02 10:00"), [log])
    assert archive.days()["date"].tolist() == ["2026-05-02"]


def test_days_from_and_to(tmp_path):
    archive = Archive(tmp_path, create=True)
    for day in (3, 1, 2):
        archive.file_day(small_day(f"2026-05-0{day} 10:00"))
    assert archive.days("2026-05-02", "2026-05-03")["date"].tolist() == ["2026-05-02", "2026-05-03"]
    assert archive.blocks("2026-05-02")["day"].unique().tolist() == [
        "2026-05-02-1000", "2026-05-03-1000"]


def test_removing_a_day(tmp_path):
    archive = Archive(tmp_path, create=True)
    day_id = archive.file_day(small_day()).day_id
    assert archive.remove("2026-05-02") == [day_id]
    assert len(archive.days()) == 0 and not list((tmp_path / "days").iterdir())
    assert archive.remove(day_id) == []


def test_refile_calls_back_with_the_logs_and_says_what_it_could_not(tmp_path):
    logs = [tmp_path / "a.txt", tmp_path / "b.txt"]
    for log in logs:
        log.write_text(log.name)
    archive = Archive(tmp_path / "season", create=True)
    first = archive.file_day(small_day("2026-05-01 10:00"), logs[:1], settings={"timezone": "UTC"}).day_id
    second = archive.file_day(small_day("2026-05-02 10:00"), logs[1:]).day_id
    third = archive.file_day(small_day("2026-05-03 10:00")).day_id
    logs[1].write_text("changed since")
    seen = []

    def analyse(old):
        seen.append((old.day_id, old.record["settings"]["timezone"]))
        return small_day("2026-05-01 10:00", speed=7)

    outcome = dict(archive.refile(analyse))
    assert seen == [(first, "UTC")]
    assert outcome[first] == "filed"
    assert "b.txt" in outcome[second] and "no raw logs" in outcome[third]
    assert archive.load(first).tables["legs"]["stw_kn"].tolist() == [7]


def test_no_archive_is_one_clear_line(tmp_path):
    with pytest.raises(ArchiveError, match="no season archive here"):
        Archive(tmp_path / "none", create=False)
    assert not (tmp_path / "none").exists()
    file = tmp_path / "file"
    file.write_text("")
    with pytest.raises(ArchiveError, match="is a file"):
        Archive(file)


def test_lost_files_of_a_day_are_named(tmp_path):
    archive = Archive(tmp_path, create=True)
    day_id = archive.file_day(small_day()).day_id
    for path in (tmp_path / "days").rglob("*.parquet"):
        path.unlink()
    with pytest.raises(DamagedError, match=rf"--refile {day_id}"):
        archive.load(day_id)


@pytest.fixture
def older(tmp_path):
    """Two days filed by the program that wrote format 2."""
    with zipfile.ZipFile(HERE / "archive_format_2.zip") as held:
        held.extractall(tmp_path / "older")
    return tmp_path / "older"


def everything(folder):
    return {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_an_older_format_is_read_without_writing(older):
    before = everything(older)
    archive = Archive(older)
    assert archive.days()["boat"].tolist() == ["Skarv", "Skarv"]
    assert archive.rows("legs")["stw_kn"].tolist() == [5, 6]
    assert archive.faults() == () == archive.check()
    assert [Path(r.path).name for r in archive.raw_files("2026-05-02-1000")] == ["monday.nmea"]
    assert everything(older) == before


def test_an_older_format_is_brought_up_to_date_by_the_next_filing(older):
    archive = Archive(older)
    archive.file_day(small_day("2026-05-04 10:00", minutes=3, speed=7))
    with contextlib.closing(sqlite3.connect(older / "index.sqlite")) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (FORMAT_VERSION,)
        assert db.execute("SELECT DISTINCT boat_key FROM days").fetchall() == [("skarv",)]
    assert Archive(older).rows("legs")["stw_kn"].tolist() == [5, 6, 7]
    assert Archive(older).check() == ()
    assert Archive(older).settings(["2026-05-02"])[0]["timezone"] == "UTC"
    with pytest.raises(ArchiveError, match="holds the days of Skarv"):
        archive.file_day(replace(small_day("2026-05-09 10:00"), boat=Boat(name="Tern")))


def test_a_damaged_day_of_an_older_format_is_seen(older):
    file = next((older / "days").glob("2026-05-02*/legs.parquet"))
    file.write_bytes(file.read_bytes()[:-9] + b"123456789")
    for _ in range(2):  # as it is, and after the move to the new format
        archive = Archive(older)
        assert archive.rows("legs")["stw_kn"].tolist()[:1] == [6]
        assert [f.code for f in archive.faults()] == ["day-damaged"]
        archive.file_day(small_day("2026-05-04 10:00", minutes=3, speed=7))


def test_an_older_format_without_its_index(older):
    (older / "index.sqlite").unlink()
    archive = Archive(older)
    assert archive.rows("legs")["stw_kn"].tolist() == [5, 6]
    assert archive.days()["boat"].tolist() == ["Skarv", "Skarv"]
    archive.repair()
    assert Archive(older).faults() == ()


def test_a_migration_that_fails_changes_nothing(tmp_path):
    db = sqlite3.connect(tmp_path / "x.sqlite", isolation_level=None)

    def bad(db):
        db.execute("CREATE TABLE half (x)")
        raise sqlite3.OperationalError("disk full")

    db.execute("BEGIN IMMEDIATE")
    with pytest.raises(sqlite3.OperationalError):
        migrate(db, "x", [*STEPS, bad])
    db.execute("ROLLBACK")
    assert db.execute("PRAGMA user_version").fetchone() == (0,)
    assert db.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,)
    db.close()


def test_a_newer_format_is_refused(tmp_path):
    Archive(tmp_path, create=True)
    with sqlite3.connect(tmp_path / "index.sqlite") as db:
        db.execute(f"PRAGMA user_version = {FORMAT_VERSION + 1}")
    db.close()
    with pytest.raises(Exception, match="newer version"):
        Archive(tmp_path, create=True)


def test_only_marked_and_stale_leftovers_are_swept(tmp_path):
    archive = Archive(tmp_path, create=True)
    archive.file_day(small_day())
    for name, marked, stale in (("old", True, True), ("alive", True, False), ("mine", False, True)):
        folder = tmp_path / "aside" / name
        folder.mkdir(parents=True)
        (folder / "samples.parquet").write_text("half")
        if marked:
            (folder / "unfinished").write_text("{}")
            if stale:
                os.utime(folder / "unfinished", (0, 0))
    (tmp_path / "aside" / "old" / "notes.txt").write_text("a sailor's own")
    archive.file_day(small_day("2026-05-03 10:00"))
    assert sorted(p.name for p in (tmp_path / "aside").iterdir()) == ["alive", "mine"]
    assert (tmp_path / "lost" / "old" / "notes.txt").read_text() == "a sailor's own"


def _kill(folder, kills, seed):
    run = subprocess.run([sys.executable, str(HERE / "kill_archive.py"), str(folder), str(kills),
                          str(seed)], capture_output=True, text=True, cwd=ROOT,
                         env={**os.environ, "PYTHONPATH": str(ROOT)}, timeout=900)
    assert run.returncode == 0, run.stdout + run.stderr
    kills_done, reported = (int(w) for w in run.stdout.split() if w.isdigit())
    assert kills_done == kills
    return reported


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_twenty_kills_at_random_instants(tmp_path):
    assert _kill(tmp_path, 20, 1) > 0


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_two_hundred_kills_at_random_instants(tmp_path):
    assert _kill(tmp_path, 200, 2) > 100


WRITER = """
import sys; sys.path.insert(0, {here!r})
from days import small_day
from sailanalysis.season import Archive
for k in range(12):
    Archive({folder!r}, create=True).file_day(small_day(f"2026-05-{{k % 6 + 1:02d}} 10:00", minutes=3, speed=float(sys.argv[1])))
"""


def test_two_writers_at_once(tmp_path):
    code = WRITER.format(here=str(HERE), folder=str(tmp_path))
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    writers = [subprocess.Popen([sys.executable, "-c", code, mark], env=env, cwd=ROOT,
                                stderr=subprocess.PIPE, text=True) for mark in ("5", "7")]
    for writer in writers:
        _, errors = writer.communicate(timeout=120)
        assert writer.returncode == 0, errors
    archive = Archive(tmp_path, create=True)
    assert archive.days()["date"].tolist() == [f"2026-05-0{k}" for k in range(1, 7)]
    assert set(archive.rows("legs")["stw_kn"]) <= {5.0, 7.0}
    assert len(list((tmp_path / "days").iterdir())) == 6


def test_rows_of_days_with_different_columns_join(tmp_path):
    archive = Archive(tmp_path, create=True)
    archive.file_day(small_day("2026-05-01 10:00"))
    archive.file_day(small_day("2026-05-02 10:00"))
    rows = archive.maneuver_rows()
    assert rows["date"].tolist() == ["2026-05-01", "2026-05-02"]
    assert isinstance(archive.helm_rows(), pd.DataFrame)


def test_reading_while_another_process_replaces(tmp_path):
    archive = Archive(tmp_path, create=True)
    day_id = archive.file_day(small_day("2026-05-01 10:00", minutes=3, speed=5.0)).day_id
    code = WRITER.format(here=str(HERE), folder=str(tmp_path))
    writer = subprocess.Popen([sys.executable, "-c", code, "7"], cwd=ROOT,
                              env={**os.environ, "PYTHONPATH": str(ROOT)})
    reads = 0
    while writer.poll() is None:
        assert archive.load(day_id).tables["legs"]["stw_kn"].iloc[0] in (5.0, 7.0)
        assert len(archive.blocks()) > 0
        reads += 1
    assert writer.returncode == 0 and reads > 0


def test_a_write_protected_copy_can_be_read(tmp_path):
    Archive(tmp_path / "a", create=True).file_day(small_day())
    folder = tmp_path / "a"
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        assert len(Archive(folder, create=True).days()) == 1
    finally:
        for path in [folder, *folder.rglob("*")]:
            path.chmod(0o755 if path.is_dir() else 0o644)
