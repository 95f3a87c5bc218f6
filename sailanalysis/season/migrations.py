"""The index's format, step by step from the first to the present one.

``PRAGMA user_version`` holds the format's number. Writing to an older archive runs the missing
steps in one transaction; reading one runs them on a copy in memory. An archive of a newer program
is refused, not guessed at.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Final

from sailanalysis.season.records import ArchiveError

Step = Callable[[sqlite3.Connection], None]


def _first(db: sqlite3.Connection) -> None:
    db.execute(
        "CREATE TABLE days (day_id TEXT PRIMARY KEY, date TEXT NOT NULL, start_s REAL NOT NULL,"
        " end_s REAL NOT NULL, folder TEXT NOT NULL UNIQUE, content TEXT NOT NULL,"
        " filed_s REAL NOT NULL, software TEXT NOT NULL, summary TEXT NOT NULL,"
        " calibration TEXT NOT NULL)")
    db.execute(
        "CREATE TABLE raw_files (day_id TEXT NOT NULL REFERENCES days(day_id), path TEXT NOT NULL,"
        " sha256 TEXT NOT NULL, bytes INTEGER NOT NULL)")


def _find_by_content(db: sqlite3.Connection) -> None:
    db.execute("CREATE INDEX raw_by_content ON raw_files (sha256)")
    db.execute("CREATE INDEX days_by_time ON days (start_s, end_s)")


def _know_the_boat(db: sqlite3.Connection) -> None:
    """Boat, part of the logs, digests of the row and of the folder; what is being taken away.

    The boat's name of days filed before stands in their folders, not in the index: the archive
    fills it in, with the digests, in the same transaction.
    """
    for name in ("boat_key", "boat", "part", "seal", "row_digest"):
        db.execute(f"ALTER TABLE days ADD COLUMN {name} TEXT NOT NULL DEFAULT ''")
    db.execute("CREATE TABLE leaving (folder TEXT PRIMARY KEY)")


STEPS: Final[list[Step]] = [_first, _find_by_content, _know_the_boat]
FORMAT_VERSION: Final = len(STEPS)


def migrate(db: sqlite3.Connection, where: str, steps: list[Step] | None = None) -> int:
    """Bring an index to the present format, inside the caller's transaction.

    Parameters
    ----------
    db : Connection
    where : str
        The archive, for the message.
    steps : list of callable, optional
        For tests.

    Returns
    -------
    int
        The format it had.

    Raises
    ------
    ArchiveError
        Where the archive is newer than this program.
    """
    steps = STEPS if steps is None else steps
    had = int(db.execute("PRAGMA user_version").fetchone()[0])
    if had > len(steps):
        raise ArchiveError(
            f"{where}: was written by a newer version of the program (archive format {had}, this "
            f"program knows {len(steps)}). Update the program to read it.")
    for number in range(had, len(steps)):
        steps[number](db)
        db.execute(f"PRAGMA user_version = {number + 1}")
    return had
