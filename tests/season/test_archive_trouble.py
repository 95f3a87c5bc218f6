"""What befalls an archive between two evenings: nothing filed is lost, nothing wrong is silent."""

import contextlib
import errno
import json
import os
import random
import resource
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sailanalysis.core.model import Boat, InputReport
from sailanalysis.season import Archive, ArchiveError
from sailanalysis.season.folders import FILES, TABLES

sys.path.insert(0, str(Path(__file__).parent))
from days import small_day

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
SPEEDS = [5, 6, 7]


def everything(folder):
    return {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def speeds(folder):
    return Archive(folder).rows("legs")["stw_kn"].tolist()


def codes(folder):
    return [f.code for f in Archive(folder).faults()]


def file_some(folder, speeds=SPEEDS):
    archive = Archive(folder, create=True)
    for number, speed in enumerate(speeds, start=1):
        archive.file_day(small_day(f"2026-05-0{number} 10:00", minutes=2, speed=speed))
    return archive


@pytest.fixture(scope="module")
def filed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("filed") / "season"
    file_some(folder)
    return folder


@pytest.fixture
def season(filed, tmp_path):
    return Path(shutil.copytree(filed, tmp_path / "season"))


# ------------------------------------------------------------------ the index
def lose(index):
    index.unlink()


def empty(index):
    index.write_bytes(b"")


def rubbish(index):
    index.write_bytes(b"rubbish" * 1000)


def half(index):
    index.write_bytes(index.read_bytes()[:9000])


@pytest.mark.parametrize("harm", [lose, empty, rubbish, half])
def test_the_index_can_be_lost(season, harm):
    harm(season / "index.sqlite")
    before = everything(season)
    assert speeds(season) == SPEEDS
    assert codes(season)[0] in ("index-missing", "index-damaged")
    assert everything(season) == before, "reading wrote"
    found = Archive(season).repair()
    assert found[0].code in ("index-missing", "index-damaged")
    assert speeds(season) == SPEEDS and codes(season) == []
    if harm in (rubbish, half):
        assert list((season / "lost").iterdir()), "the damaged index is kept to be looked at"


@pytest.mark.parametrize("harm", [lose, empty, rubbish, half])
def test_filing_on_a_lost_index_loses_no_day(season, harm):
    harm(season / "index.sqlite")
    Archive(season).file_day(small_day("2026-05-04 10:00", minutes=2, speed=8))
    assert speeds(season) == [*SPEEDS, 8] and codes(season) == []


def test_an_index_from_an_older_copy(season, tmp_path):
    shutil.copy(season / "index.sqlite", tmp_path / "copy.sqlite")
    archive = Archive(season)
    archive.file_day(small_day("2026-05-04 10:00", minutes=2, speed=8))
    archive.file_day(small_day("2026-05-02 10:00", minutes=2, speed=6.5))  # filed again since
    archive.remove("2026-05-03")
    shutil.copy(tmp_path / "copy.sqlite", season / "index.sqlite")
    before = everything(season)
    assert speeds(season) == [5, 6.5, 8]
    assert everything(season) == before
    assert "day-not-listed" in codes(season)
    Archive(season).repair()
    assert speeds(season) == [5, 6.5, 8] and codes(season) == []


def test_an_archive_copied_while_a_day_was_filed(season, tmp_path):
    """The index was copied first, the days after."""
    copy = tmp_path / "copy"
    copy.mkdir()
    shutil.copy(season / "index.sqlite", copy)
    Archive(season).file_day(small_day("2026-05-04 10:00", minutes=2, speed=8))
    shutil.copytree(season / "days", copy / "days")
    assert speeds(copy) == [*SPEEDS, 8]
    Archive(copy).file_day(small_day("2026-05-05 10:00", minutes=2, speed=9))
    assert speeds(copy) == [*SPEEDS, 8, 9] and codes(copy) == []


def test_a_replaced_day_whose_folder_came_back_stays_replaced(season, tmp_path):
    old = next((season / "days").glob("2026-05-02*"))
    shutil.copytree(old, tmp_path / old.name)
    Archive(season).file_day(small_day("2026-05-02 10:00", minutes=2, speed=9))
    shutil.copytree(tmp_path / old.name, season / "days" / old.name)  # a sync tool brings it back
    assert speeds(season) == [5, 9, 7]
    assert codes(season) == ["day-superseded"]
    (season / "index.sqlite").unlink()
    assert speeds(season) == [5, 9, 7]
    Archive(season).repair()
    assert speeds(season) == [5, 9, 7] and codes(season) == []
    assert (season / "lost" / old.name / "day.json").exists()


def test_another_programs_database_is_no_archive(tmp_path):
    with contextlib.closing(sqlite3.connect(tmp_path / "index.sqlite")) as db:
        db.execute("CREATE TABLE wine (year)")
    before = everything(tmp_path)
    for create in (False, True):
        with pytest.raises(ArchiveError):
            Archive(tmp_path, create=create)
    assert everything(tmp_path) == before


def test_a_killed_writers_journal_is_undone_on_a_copy(season, tmp_path):
    code = f"""
import os, sqlite3
db = sqlite3.connect({str(season / "index.sqlite")!r}, isolation_level=None)
db.execute("PRAGMA cache_size = 1"); db.execute("BEGIN IMMEDIATE")
db.execute("DELETE FROM raw_files"); db.execute("DELETE FROM days")
db.execute("CREATE TABLE fill (x)")
db.executemany("INSERT INTO fill VALUES (?)", [("x" * 3000,)] * 200)
os._exit(0)
"""
    subprocess.run([sys.executable, "-c", code], check=True)
    assert (season / "index.sqlite-journal").stat().st_size > 0
    before = everything(season)
    assert speeds(season) == SPEEDS
    assert everything(season) == before, "reading wrote"
    Archive(season).file_day(small_day("2026-05-04 10:00", minutes=2, speed=8))
    assert speeds(season) == [*SPEEDS, 8] and codes(season) == []


# ------------------------------------------------------------------ foreign things
def test_a_sailors_own_folder_named_days_is_left_alone(tmp_path):
    own = tmp_path / "season" / "days" / "2026-05-02"
    own.mkdir(parents=True)
    (own / "log.nmea").write_text("$GPRMC\n")
    before = everything(tmp_path)
    for create in (False, True):
        with pytest.raises(ArchiveError):
            Archive(tmp_path / "season", create=create)
    assert everything(tmp_path) == before


def test_a_new_archive_is_refused_in_a_folder_with_other_files(tmp_path):
    (tmp_path / "letter.txt").write_text("dear")
    with pytest.raises(ArchiveError, match=r"not empty \(letter.txt\)"):
        Archive(tmp_path, create=True)
    assert [p.name for p in tmp_path.iterdir()] == ["letter.txt"]
    (tmp_path / "letter.txt").rename(tmp_path / ".hidden")
    assert len(Archive(tmp_path, create=True).days()) == 0


def test_reading_makes_no_folder(tmp_path):
    with pytest.raises(ArchiveError, match="no season archive here"):
        Archive(tmp_path / "typo")
    assert not (tmp_path / "typo").exists()


def test_foreign_folders_inside_stay_through_every_verb(season):
    own = season / "days" / "my logs"
    own.mkdir()
    (own / "raw.nmea").write_text("$GPRMC\n")
    (season / "days" / "readme.txt").write_text("mine")
    inside = next((season / "days").glob("2026-05-02*"))
    (inside / "photo.jpg").write_bytes(b"jpg")
    archive = Archive(season)
    archive.file_day(small_day("2026-05-02 10:00", minutes=2, speed=9))
    archive.remove("2026-05-01")
    archive.repair()
    assert speeds(season) == [9, 7]
    assert (own / "raw.nmea").read_text() == "$GPRMC\n"
    assert (season / "days" / "readme.txt").read_text() == "mine"
    assert sorted(codes(season)) == ["foreign", "foreign"]
    assert (season / "lost" / inside.name / "photo.jpg").read_bytes() == b"jpg"


def test_a_link_among_the_days_is_never_followed_to_delete(season, tmp_path):
    real = next((season / "days").glob("2026-05-02*"))
    shutil.move(real, tmp_path / "elsewhere")
    real.symlink_to(tmp_path / "elsewhere")
    assert speeds(season) == SPEEDS
    Archive(season).remove("2026-05-02")
    assert speeds(season) == [5, 7]
    assert sorted(p.name for p in (tmp_path / "elsewhere").iterdir()) == sorted(
        [*FILES, "contents.json"])


def test_empty_folders_dropped_by_a_sync_tool(season):
    for path in sorted(season.rglob("*"), reverse=True):
        if path.is_dir() and not any(path.iterdir()):
            path.rmdir()
    assert speeds(season) == SPEEDS and codes(season) == []
    Archive(season).file_day(small_day("2026-05-04 10:00", minutes=2, speed=8))
    assert speeds(season) == [*SPEEDS, 8]


def test_an_empty_archive_whose_folders_were_dropped(tmp_path):
    Archive(tmp_path, create=True)
    shutil.rmtree(tmp_path / "days")
    assert len(Archive(tmp_path).days()) == 0
    Archive(tmp_path).file_day(small_day())
    assert len(Archive(tmp_path).days()) == 1


# ------------------------------------------------------------------ damage
@pytest.mark.parametrize("name", [*FILES, "contents.json"])
@pytest.mark.parametrize("harm", ["gone", "flipped", "cut", "empty"])
def test_each_file_damaged_in_turn_costs_that_day_only(season, name, harm):
    file = next((season / "days").glob("2026-05-02*")) / name
    data = bytearray(file.read_bytes())
    if harm == "gone":
        file.unlink()
    else:
        data[len(data) // 2] ^= 4
        file.write_bytes({"flipped": data, "cut": data[:-7], "empty": b""}[harm])
    found = Archive(season).check()
    assert [(f.code, f.where) for f in found] == [("day-damaged", "2026-05-02-1000")]
    archive = Archive(season)
    assert archive.days()["day"].tolist()[::2] == ["2026-05-01-1000", "2026-05-03-1000"]
    read = {name: archive.rows(name) for name in TABLES}
    archive.records()
    for day in ("2026-05-01-1000", "2026-05-03-1000"):
        assert len(archive.load(day).samples()) == 120
    assert read["legs"]["stw_kn"].tolist() in ([5, 6, 7], [5, 7])
    archive.file_day(small_day("2026-05-02 10:00", minutes=2, speed=6.5))
    assert Archive(season).check() == () and speeds(season) == [5, 6.5, 7]


def test_a_day_whose_folder_is_gone_costs_that_day_only(season):
    shutil.rmtree(next((season / "days").glob("2026-05-02*")))
    assert speeds(season) == [5, 7]
    assert "day-gone" in codes(season)
    Archive(season).repair()
    assert codes(season) == [] and len(Archive(season).days()) == 2


def read_all(folder):
    """All that an archive says, as text."""
    archive = Archive(folder)
    parts = [archive.days().drop(columns="folder").to_csv(), str(archive.boats())]
    parts += [archive.rows(name).to_csv() for name in TABLES]
    parts += [json.dumps(archive.records(), sort_keys=True)]
    for entry in archive.entries():
        with contextlib.suppress(ArchiveError):
            parts.append(archive.load(entry.day_id).samples().to_csv())
        parts.append(str(archive.raw_files(entry.day_id)))
    return "\n".join(parts), archive.faults()


def flip(folder, count, seed):
    """Bits flipped one at a time in any of the archive's files: how many said nothing."""
    rng = random.Random(seed)
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    sizes = [p.stat().st_size for p in files]
    right, faults = read_all(folder)
    assert faults == ()
    silent, seen = [], 0
    for _ in range(count):
        file = rng.choices(files, sizes)[0]
        data = bytearray(file.read_bytes())
        whole = bytes(data)
        place, bit = rng.randrange(len(data)), rng.randrange(8)
        data[place] ^= 1 << bit
        file.write_bytes(data)
        try:
            text, faults = read_all(folder)
            seen += bool(faults)
            if text != right and not faults:
                silent.append((file.name, place, bit))
        except ArchiveError:
            seen += 1
        file.write_bytes(whole)
    return silent, seen


def test_forty_flipped_bits(season):
    silent, seen = flip(season, 40, 1)
    assert silent == [] and seen > 20


def test_a_hundred_bits_flipped_in_the_index(season, tmp_path):
    """In the index alone: its rows carry digests of their own."""
    index = season / "index.sqlite"
    whole, (right, _) = index.read_bytes(), read_all(season)
    rng = random.Random(2)
    used = [i for i, byte in enumerate(whole) if byte]
    for _ in range(100):
        data = bytearray(whole)
        data[rng.choice(used)] ^= 1 << rng.randrange(8)
        index.write_bytes(data)
        with contextlib.suppress(ArchiveError):
            text, _ = read_all(season)
            assert text == right


@pytest.mark.slow
def test_a_thousand_flipped_bits(season):
    silent, seen = flip(season, 1000, 3)
    print(f"1000 bits flipped: {seen} named, {len(silent)} silent")
    assert silent == []


# ------------------------------------------------------------------ the disk
FULL = """
import resource, signal, sys
sys.path.insert(0, {here!r})
from days import small_day
from sailanalysis.season import Archive, ArchiveError
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
day = small_day("2026-05-02 10:00", minutes=2, speed=9)
archive = Archive({folder!r})
resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, resource.RLIM_INFINITY))
try:
    archive.file_day(day)
except ArchiveError as error:
    print(error)
    sys.exit(3)
"""


def test_files_that_may_not_grow_lose_nothing(season):
    """The system refuses each file beyond a size, from the first byte up."""
    outcomes = []
    for limit in (0, 100, 700, 4000, 6000, 12000, 20000, 40000, 10**7):
        code = FULL.format(here=str(HERE), folder=str(season), limit=limit)
        run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True,
                             cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, timeout=120)
        outcomes.append(run.returncode)
        assert run.returncode in (0, 3), run.stderr
        assert speeds(season) == ([5, 9, 7] if run.returncode == 0 else SPEEDS)
        assert run.returncode == 0 or "nothing that was filed before is lost" in run.stdout
        assert codes(season) == []
        assert len(list((season / "days").iterdir())) == 3
        aside = season / "aside"
        assert not aside.exists() or not list(aside.iterdir())
    assert outcomes[0] == 3 and outcomes[-1] == 0


@pytest.mark.parametrize("number", range(16))
def test_a_disk_full_at_any_write(season, monkeypatch, number):
    calls = 0
    real = os.fsync

    def full(handle):
        nonlocal calls
        calls += 1
        if calls > number:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(handle)

    monkeypatch.setattr("sailanalysis.season.store.os.fsync", full)
    try:
        Archive(season).file_day(small_day("2026-05-02 10:00", minutes=2, speed=9))
        expected = [5, 9, 7]
    except ArchiveError as error:
        assert "No space left on device" in str(error)
        expected = SPEEDS
    monkeypatch.undo()
    assert speeds(season) == expected and Archive(season).check() == ()
    assert len(list((season / "days").iterdir())) == 3


def test_days_can_be_removed_from_a_full_disk(season, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("sailanalysis.season.folders.write_text", full)
    assert Archive(season).remove("2026-05-02") == ["2026-05-02-1000"]
    assert len(list((season / "days").iterdir())) == 2
    assert not list((season / "aside").iterdir())


# ------------------------------------------------------------------ replacing
def with_input(day, log, kind="nmea0183"):
    return replace(day, inputs=(InputReport(log.name, kind, 9, 9, {}, bytes=log.stat().st_size),))


def test_three_day_folders_with_the_same_boat_file_and_an_empty_file(tmp_path):
    archive = Archive(tmp_path / "season", create=True)
    for number in (1, 2, 3):
        folder = tmp_path / f"day{number}"
        folder.mkdir()
        (folder / "boat.toml").write_text('[boat]\nname = "Skarv"\n')
        (folder / "crew.csv").write_text("time,item,value\n")
        (folder / "empty.nmea").write_bytes(b"")
        log = folder / "log.nmea"
        log.write_text(f"log of day {number}")
        archive.file_day(with_input(small_day(f"2026-05-0{number} 10:00", minutes=2), log), [folder])
    assert len(archive.days()) == 3
    assert [Path(r.path).name for d in archive.days()["day"] for r in archive.raw_files(d)] == [
        "log.nmea"] * 3


def test_a_small_log_that_lies_in_every_folder_makes_no_two_days_one(tmp_path):
    marks = tmp_path / "marks.gpx"
    marks.write_text("<gpx/>")
    archive = Archive(tmp_path / "season", create=True)
    for number in (1, 2):
        log = tmp_path / f"log{number}.nmea"
        log.write_text(f"log of day {number} " * 100)
        archive.file_day(small_day(f"2026-05-0{number} 10:00", minutes=2), [log, marks])
    assert len(archive.days()) == 2


def test_days_split_from_the_same_logs_stand_side_by_side(tmp_path):
    log = tmp_path / "card.nmea"
    log.write_text("two days")
    archive = Archive(tmp_path / "season", create=True)
    for _ in range(2):
        for date in ("2026-05-01", "2026-05-02"):
            archive.file_day(small_day(f"{date} 10:00", minutes=2), [log], part=date)
    assert archive.days()["date"].tolist() == ["2026-05-01", "2026-05-02"]


def test_replacing_says_what_gave_way(tmp_path):
    archive = Archive(tmp_path, create=True)
    assert archive.file_day(small_day(speed=5)).replaced == ()
    filed = archive.file_day(small_day(speed=6))
    assert [e.day_id for e in filed.replaced] == ["2026-05-02-1000"] and filed.kept == ()
    assert archive.file_day(small_day(speed=6)).unchanged


def test_a_shorter_log_keeps_the_longer_day_that_it_replaces(tmp_path):
    archive = Archive(tmp_path, create=True)
    archive.file_day(small_day("2026-05-02 10:00", minutes=20, speed=5))
    filed = archive.file_day(small_day("2026-05-02 10:02", minutes=5, speed=6))
    assert len(filed.kept) == 1 and speeds(tmp_path) == [6] and codes(tmp_path) == []
    assert (tmp_path / "lost" / filed.kept[0] / "samples.parquet").exists()


def test_outings_whose_logs_overlap_by_a_minute_stand_side_by_side(tmp_path):
    archive = Archive(tmp_path, create=True)
    archive.file_day(small_day("2026-05-02 10:00", minutes=10))
    archive.file_day(small_day("2026-05-02 10:09", minutes=10))
    assert archive.days()["day"].tolist() == ["2026-05-02-1000", "2026-05-02-1009"]


# ------------------------------------------------------------------ boats
def of_boat(name, date, lat=54.0, speed=6.0, minutes=6):
    day = small_day(date, minutes=minutes, speed=speed)
    return replace(day, boat=Boat(name=name), samples=day.samples.assign(
        lat=lat + np.arange(len(day.samples)) * 1e-5))


def test_another_boats_day_is_refused_in_a_line_that_says_what_to_do(tmp_path):
    archive = Archive(tmp_path, create=True)
    archive.file_day(of_boat("Skarv", "2026-05-02 10:00"))
    with pytest.raises(ArchiveError, match=r"holds the days of Skarv; this day is of Tern. Give "
                                           r"Tern an archive of her own.*--several-boats"):
        archive.file_day(of_boat("Tern", "2026-05-09 10:00"))
    archive.file_day(of_boat(" SKARV ", "2026-05-03 10:00"))
    archive.file_day(of_boat("", "2026-05-04 10:00"))  # no boat file: the archive's boat
    assert archive.days()["boat"].tolist() == ["SKARV"] * 3
    assert archive.boats() == ["SKARV"]
    assert archive.rows("legs")["boat"].unique().tolist() == ["SKARV"]


def test_two_boats_at_the_same_hours_without_names_are_told_apart_by_place(tmp_path):
    archive = Archive(tmp_path, create=True)
    archive.file_day(of_boat("", "2026-05-02 10:00", lat=54.0, speed=5))
    with pytest.raises(ArchiveError, match=r"another boat's.*boat file"):
        archive.file_day(of_boat("", "2026-05-02 10:00", lat=54.01, speed=6))
    archive.file_day(of_boat("", "2026-05-02 10:00", lat=54.0001, speed=7))
    assert speeds(tmp_path) == [7]


def test_one_name_at_two_ends_of_the_world_is_refused(tmp_path):
    archive = Archive(tmp_path, create=True)
    archive.file_day(of_boat("Skarv", "2026-05-02 10:00", lat=54.0))
    with pytest.raises(ArchiveError, match=r"54\d\d\.\d NM away"):
        archive.file_day(of_boat("Skarv", "2026-05-02 10:00", lat=-37.0))


def test_a_corrected_name_replaces_by_the_logs(tmp_path):
    log = tmp_path / "log.nmea"
    log.write_text("log")
    archive = Archive(tmp_path / "season", create=True)
    archive.file_day(of_boat("Skrav", "2026-05-02 10:00"), [log])
    archive.file_day(of_boat("Skarv", "2026-05-02 10:00"), [log])
    assert archive.days()["boat"].tolist() == ["Skarv"]


def test_unnamed_days_are_named_before_a_second_boat_comes_in(tmp_path):
    archive = Archive(tmp_path, create=True)
    archive.file_day(of_boat("", "2026-05-01 10:00"))
    archive.file_day(of_boat("Skarv", "2026-05-02 10:00"))
    with pytest.raises(ArchiveError, match="2026-05-01-1000"):
        archive.file_day(of_boat("Tern", "2026-05-02 10:00"), several_boats=True)


FLEET = 20


def test_twenty_archives_of_two_boats_each_nothing_crossed(tmp_path):
    """Mixed filings: same hours, same minutes, filed again, in another order each."""
    truth = {}
    for number in range(FLEET):
        rng = random.Random(number)
        folder = tmp_path / f"season{number}"
        archive = Archive(folder, create=True)
        boats = (f"Tern {number}", f"Skarv {number}")
        jobs = [(boat, f"2026-05-0{day} {hour}:00") for boat in boats for day in (1, 2)
                for hour in (10, 14)]
        jobs += rng.sample(jobs, 4)  # some are filed twice
        rng.shuffle(jobs)
        for step, (boat, when) in enumerate(jobs):
            lat = 54.0 if boat == boats[0] else 54.3
            mark = number * 100 + step + (0.25 if boat == boats[0] else 0.75)
            with pytest.raises(ArchiveError) if step and not truth.get((number, boat)) else (
                    contextlib.nullcontext()):
                archive.file_day(of_boat(boat, when, lat, mark, minutes=2))
            archive.file_day(of_boat(boat, when, lat, mark, minutes=2), several_boats=True)
            truth.setdefault((number, boat), {})[when] = mark
        with contextlib.suppress(FileNotFoundError):
            if number % 4 == 0:
                (folder / "index.sqlite").unlink()
        with pytest.raises(ArchiveError, match="several boats"):
            archive.days()
    for (number, boat), days in truth.items():
        archive = Archive(tmp_path / f"season{number}")
        legs = archive.rows("legs", boat=boat.upper())
        assert legs["stw_kn"].tolist() == [days[when] for when in sorted(days)]
        assert set(legs["boat"]) == {boat}
        assert set(archive.blocks(boat=boat)["boat"]) == {boat}
        memory = archive.memory(boat=boat)
        assert memory.polar is None or memory.polar.days == 4
        wanted = 54.0 if boat.startswith("Tern") else 54.3
        for entry in archive.entries(boat=boat):
            assert archive.load(entry.day_id).samples()["lat"].iloc[0] == wanted
    assert archive.memory(boat="Eider").polar is None


def test_limits_are_back():
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] != 0


def test_an_archive_that_another_process_is_making_is_joined(tmp_path):
    """Killed or still at work between the empty index and its first page: a journal lies there."""
    season = tmp_path / "season"
    (season / "days").mkdir(parents=True)
    (season / "index.sqlite").touch()
    (season / "index.sqlite-journal").write_bytes(b"x" * 512)
    assert Archive(season, create=True).catalogue().entries == ()
