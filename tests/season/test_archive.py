"""The archive on disk: replaces, never doubles; survives kills and crowds."""

import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sailanalysis.season import Archive, ArchiveError
from sailanalysis.season.migrations import FORMAT_VERSION, STEPS, migrate

sys.path.insert(0, str(Path(__file__).parent))
from days import small_day

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


def test_a_day_comes_back_as_it_was_filed(tmp_path):
    log = tmp_path / "log.txt"
    log.write_text("raw")
    day = small_day()
    day_id = Archive(tmp_path / "season").file_day(day, [log], settings={"date": None})
    back = Archive(tmp_path / "season").load(day_id)
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
    archive = Archive(tmp_path)
    archive.file_day(small_day(speed=6))
    archive.file_day(small_day(speed=5))
    archive.file_day(small_day(speed=5))
    assert len(archive.days()) == 1
    assert archive.rows("legs")["stw_kn"].tolist() == [5]
    assert len(list((tmp_path / "days").iterdir())) == 1


def test_a_longer_log_of_the_same_day_replaces_the_shorter(tmp_path):
    archive = Archive(tmp_path)
    archive.file_day(small_day("2026-05-02 10:00", minutes=10))
    archive.file_day(small_day("2026-05-02 09:00", minutes=120))
    assert archive.days()["day"].tolist() == ["2026-05-02-0900"]


def test_two_outings_on_one_date_stand_side_by_side(tmp_path):
    archive = Archive(tmp_path)
    archive.file_day(small_day("2026-05-02 16:00"))
    archive.file_day(small_day("2026-05-02 10:00"))
    assert archive.days()["day"].tolist() == ["2026-05-02-1000", "2026-05-02-1600"]
    assert archive.match("2026-05-02") == ["2026-05-02-1000", "2026-05-02-1600"]


def test_same_raw_file_replaces_even_when_its_clock_was_mended(tmp_path):
    log = tmp_path / "log.txt"
    log.write_text("raw")
    archive = Archive(tmp_path / "season")
    archive.file_day(small_day("2006-09-16 10:00"), [log])
    archive.file_day(small_day("2026-05-02 10:00"), [log])
    assert archive.days()["date"].tolist() == ["2026-05-02"]


def test_days_from_and_to(tmp_path):
    archive = Archive(tmp_path)
    for day in (3, 1, 2):
        archive.file_day(small_day(f"2026-05-0{day} 10:00"))
    assert archive.days("2026-05-02", "2026-05-03")["date"].tolist() == ["2026-05-02", "2026-05-03"]
    assert archive.blocks("2026-05-02")["day"].unique().tolist() == [
        "2026-05-02-1000", "2026-05-03-1000"]


def test_removing_a_day(tmp_path):
    archive = Archive(tmp_path)
    day_id = archive.file_day(small_day())
    assert archive.remove("2026-05-02") == [day_id]
    assert len(archive.days()) == 0 and not list((tmp_path / "days").iterdir())
    assert archive.remove(day_id) == []


def test_refile_calls_back_with_the_logs_and_says_what_it_could_not(tmp_path):
    logs = [tmp_path / "a.txt", tmp_path / "b.txt"]
    for log in logs:
        log.write_text(log.name)
    archive = Archive(tmp_path / "season")
    first = archive.file_day(small_day("2026-05-01 10:00"), logs[:1], settings={"timezone": "UTC"})
    second = archive.file_day(small_day("2026-05-02 10:00"), logs[1:])
    third = archive.file_day(small_day("2026-05-03 10:00"))
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


def test_a_damaged_index_is_one_clear_line(tmp_path):
    Archive(tmp_path).file_day(small_day())
    (tmp_path / "index.sqlite").write_bytes(b"rubbish" * 1000)
    with pytest.raises(ArchiveError, match=r"index\.sqlite"):
        Archive(tmp_path)


def test_lost_files_of_a_day_are_named(tmp_path):
    archive = Archive(tmp_path)
    day_id = archive.file_day(small_day())
    for path in (tmp_path / "days").rglob("*.parquet"):
        path.unlink()
    with pytest.raises(ArchiveError, match="are gone"):
        archive.load(day_id)


def test_an_older_format_is_brought_up_to_date(tmp_path):
    archive = Archive(tmp_path)
    day_id = archive.file_day(small_day())
    with sqlite3.connect(tmp_path / "index.sqlite") as db:  # back to the first format
        db.execute("DROP INDEX raw_by_content")
        db.execute("DROP INDEX days_by_time")
        db.execute("PRAGMA user_version = 1")
    db.close()
    assert len(Archive(tmp_path).load(day_id).samples()) == 600
    with sqlite3.connect(tmp_path / "index.sqlite") as db:
        assert db.execute("PRAGMA user_version").fetchone() == (FORMAT_VERSION,)
    db.close()


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
    Archive(tmp_path)
    with sqlite3.connect(tmp_path / "index.sqlite") as db:
        db.execute(f"PRAGMA user_version = {FORMAT_VERSION + 1}")
    db.close()
    with pytest.raises(Exception, match="newer version"):
        Archive(tmp_path)


def test_what_a_killed_process_left_is_swept(tmp_path):
    archive = Archive(tmp_path)
    archive.file_day(small_day())
    (tmp_path / "days" / "2026-05-09-1000.dead").mkdir()
    stale = tmp_path / "aside" / "stale"
    stale.mkdir()
    os.utime(stale, (0, 0))
    (tmp_path / "aside" / "alive").mkdir()
    Archive(tmp_path)
    assert len(list((tmp_path / "days").iterdir())) == 1
    assert [p.name for p in (tmp_path / "aside").iterdir()] == ["alive"]


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
    Archive({folder!r}).file_day(small_day(f"2026-05-{{k % 6 + 1:02d}} 10:00", minutes=3, speed=float(sys.argv[1])))
"""


def test_two_writers_at_once(tmp_path):
    code = WRITER.format(here=str(HERE), folder=str(tmp_path))
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    writers = [subprocess.Popen([sys.executable, "-c", code, mark], env=env, cwd=ROOT,
                                stderr=subprocess.PIPE, text=True) for mark in ("5", "7")]
    for writer in writers:
        _, errors = writer.communicate(timeout=120)
        assert writer.returncode == 0, errors
    archive = Archive(tmp_path)
    assert archive.days()["date"].tolist() == [f"2026-05-0{k}" for k in range(1, 7)]
    assert set(archive.rows("legs")["stw_kn"]) <= {5.0, 7.0}
    assert len(list((tmp_path / "days").iterdir())) == 6


def test_rows_of_days_with_different_columns_join(tmp_path):
    archive = Archive(tmp_path)
    archive.file_day(small_day("2026-05-01 10:00"))
    archive.file_day(small_day("2026-05-02 10:00"))
    rows = archive.maneuver_rows()
    assert rows["date"].tolist() == ["2026-05-01", "2026-05-02"]
    assert isinstance(archive.helm_rows(), pd.DataFrame)


def test_reading_while_another_process_replaces(tmp_path):
    archive = Archive(tmp_path)
    day_id = archive.file_day(small_day("2026-05-01 10:00", minutes=3, speed=5.0))
    code = WRITER.format(here=str(HERE), folder=str(tmp_path))
    writer = subprocess.Popen([sys.executable, "-c", code, "7"], cwd=ROOT,
                              env={**os.environ, "PYTHONPATH": str(ROOT)})
    reads = 0
    while writer.poll() is None:
        assert archive.load(day_id).tables["legs"]["stw_kn"].iloc[0] in (5.0, 7.0)
        assert len(archive.blocks()) > 0
        reads += 1
    assert writer.returncode == 0 and reads > 0


def test_a_full_disk_loses_nothing_and_says_so(tmp_path, monkeypatch):
    archive = Archive(tmp_path)
    archive.file_day(small_day(speed=5.0))

    def full(path, text):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("sailanalysis.season.archive.write_text", full)
    with pytest.raises(ArchiveError, match="No space left on device"):
        archive.file_day(small_day(speed=7.0))
    assert archive.rows("legs")["stw_kn"].tolist() == [5.0]
    assert not list((tmp_path / "aside").iterdir())


def test_a_write_protected_copy_can_be_read(tmp_path):
    Archive(tmp_path / "a").file_day(small_day())
    folder = tmp_path / "a"
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        assert len(Archive(folder).days()) == 1
    finally:
        for path in [folder, *folder.rglob("*")]:
            path.chmod(0o755 if path.is_dir() else 0o644)
