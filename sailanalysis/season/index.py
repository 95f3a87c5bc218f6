"""The index: which days there are, in SQLite, each row with its digest.

The index is a list that can be made again: everything in it stands in the days' folders too.
Reading opens it read-only and never changes it, not even to bring an older format up to date or
to undo what a killed writer began; both are done on a copy.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sailanalysis.season.folders import move_to
from sailanalysis.season.migrations import FORMAT_VERSION, migrate
from sailanalysis.season.records import ArchiveError, DamagedError, Entry, RawFile
from sailanalysis.season.store import text_digest, to_json

NAME: Final = "index.sqlite"
BESIDE: Final = ("-journal", "-wal", "-shm")
_BUSY_S: Final = 60.0
_COLUMNS: Final = ("day_id", "boat_key", "boat", "start_s", "end_s", "part", "folder", "content",
                   "seal", "filed_s", "software", "summary", "calibration")
_REFUSED: Final = ("SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_CANTOPEN", "SQLITE_PERM",
                   "SQLITE_IOERR", "SQLITE_FULL", "SQLITE_NOMEM", "SQLITE_AUTH")


@dataclass(frozen=True)
class Listing:
    """What the index says.

    Attributes
    ----------
    entries : tuple of Entry
    leaving : frozenset of str
        Folders that no day needs any more.
    fault : str
        ``index-missing`` or ``index-damaged``; empty when it is sound.
    detail : str
    version : int
        Its format.
    """

    entries: tuple[Entry, ...] = ()
    leaving: frozenset[str] = frozenset()
    fault: str = ""
    detail: str = ""
    version: int = FORMAT_VERSION


# ------------------------------------------------------------------ reading
def read_index(path: Path) -> Listing:
    """Read an index without changing anything on disk.

    Raises
    ------
    ArchiveError
        If another program holds it, the system refuses it, or it is of a newer format.
    """
    if not path.is_file() or path.stat().st_size == 0:
        return Listing(fault="index-missing")
    try:
        with _reading(path) as db:
            if _is_anothers(db):
                return Listing(fault="index-damaged", detail="it is no index of an archive")
            had = migrate(db, str(path.parent))
            return Listing(tuple(read_rows(db, checked=had == FORMAT_VERSION)), read_leaving(db),
                           version=had)
    except DamagedError as error:
        return Listing(fault="index-damaged", detail=str(error))
    except (sqlite3.Error, ValueError, TypeError, OverflowError) as error:
        if str(getattr(error, "sqlite_errorname", "")).startswith(_REFUSED):
            raise _refused(path, error) from error
        return Listing(fault="index-damaged", detail=str(error))


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    """The index as it stands, in memory."""
    memory = sqlite3.connect(":memory:", isolation_level=None)
    try:
        try:
            _copy(path, memory, "ro")
        except sqlite3.OperationalError as error:
            # a killed writer's journal: SQLite would have to write to undo it
            if not str(getattr(error, "sqlite_errorname", "")).startswith("SQLITE_READONLY"):
                raise
            with tempfile.TemporaryDirectory() as folder:
                for end in ("", *BESIDE):
                    if path.with_name(NAME + end).is_file():
                        shutil.copyfile(path.with_name(NAME + end), Path(folder) / (NAME + end))
                _copy(Path(folder) / NAME, memory, "rw")
        yield memory
    finally:
        memory.close()


def _copy(path: Path, memory: sqlite3.Connection, mode: str) -> None:
    db = sqlite3.connect(f"{path.resolve().as_uri()}?mode={mode}", uri=True, timeout=_BUSY_S)
    try:
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        db.backup(memory)
    finally:
        db.close()


def _is_anothers(db: sqlite3.Connection) -> bool:
    version = int(db.execute("PRAGMA user_version").fetchone()[0])
    tables = int(db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    return version == 0 and tables > 0


def read_rows(db: sqlite3.Connection, *, checked: bool) -> list[Entry]:
    """All days in order of time.

    Parameters
    ----------
    checked : bool
        Compare each row with its digest.

    Raises
    ------
    DamagedError
    """
    raw: dict[str, list[RawFile]] = {}
    for day_id, *rest in db.execute("SELECT day_id, path, sha256, bytes FROM raw_files"
                                    " ORDER BY path, sha256"):
        raw.setdefault(day_id, []).append(RawFile(*rest))
    out = []
    for *values, digest in db.execute(f"SELECT {', '.join(_COLUMNS)}, row_digest FROM days"
                                      " ORDER BY start_s, day_id"):
        entry = Entry(**dict(zip(_COLUMNS, values, strict=True)),
                      raw_files=tuple(raw.get(values[0], ())))
        if checked and digest != _digest(entry):
            raise DamagedError(f"the row of day '{entry.day_id}' is not what was written")
        out.append(entry)
    return out


def read_leaving(db: sqlite3.Connection) -> frozenset[str]:
    """Folders that no day needs any more."""
    return frozenset(str(r[0]) for r in db.execute("SELECT folder FROM leaving"))


# ------------------------------------------------------------------ writing
@contextmanager
def writing(path: Path, lost: Path) -> Iterator[sqlite3.Connection]:
    """A transaction on the index, of which there is one at a time among all processes.

    A damaged index is first moved under ``lost/``; one of an older format gets the new one's
    tables (its rows the caller completes).

    Raises
    ------
    ArchiveError
    """
    if read_index(path).fault == "index-damaged":
        for end in ("", *BESIDE):
            damaged = path.with_name(NAME + end)
            if damaged.exists():
                move_to(damaged, lost)
    try:
        with contextlib.closing(sqlite3.connect(path, timeout=_BUSY_S,
                                                isolation_level=None)) as db:
            db.execute("PRAGMA synchronous = EXTRA")
            db.execute("PRAGMA foreign_keys = ON")
            db.execute("BEGIN IMMEDIATE")
            try:
                migrate(db, str(path.parent))
                yield db
                db.execute("COMMIT")
            except BaseException:
                if db.in_transaction:
                    db.execute("ROLLBACK")
                raise
    except sqlite3.Error as error:
        raise _refused(path, error) from error


def put_row(db: sqlite3.Connection, entry: Entry) -> None:
    """Write a day's row, in place of one of that name."""
    drop_row(db, entry.day_id)
    values = [getattr(entry, name) for name in _COLUMNS]
    marks = ",".join("?" * (len(_COLUMNS) + 2))
    db.execute(f"INSERT INTO days ({', '.join(_COLUMNS)}, date, row_digest) VALUES ({marks})",
               (*values, entry.date, _digest(entry)))
    db.executemany("INSERT INTO raw_files (day_id, path, sha256, bytes) VALUES (?,?,?,?)",
                   [(entry.day_id, r.path, r.sha256, r.bytes) for r in entry.raw_files])


def drop_row(db: sqlite3.Connection, day_id: str) -> None:
    """Take a day's row out."""
    db.execute("DELETE FROM raw_files WHERE day_id = ?", (day_id,))
    db.execute("DELETE FROM days WHERE day_id = ?", (day_id,))


def _digest(entry: Entry) -> str:
    raw = sorted((r.path, r.sha256, r.bytes) for r in entry.raw_files)
    return text_digest([to_json([getattr(entry, name) for name in _COLUMNS]), to_json(raw)])


def _refused(path: Path, error: Exception) -> ArchiveError:
    return ArchiveError(f"{path}: {error}; nothing that was filed before is lost. If another "
                        "program holds it, try again; if the disk is full, make room.")
