"""The season archive: a folder with a small index and one sub-folder of Parquet files a day.

Why Parquet beside SQLite, and not one database: a season's samples are written once and read by
column, where Parquet is a tenth of SQLite's size and a file lost or damaged costs one day and not
the season; what must be consistent is only the list of days, and for that SQLite's transactions
are the best-tried embedded store there is, in the standard library. A day's folder is never
changed once it stands: filing writes a new folder aside, forces it to disk, renames it into
place, and only then a transaction makes the index point to it. Killed at any instant, the index
shows the old state or the new one; a folder that nothing points to is swept away later.

Layout::

    index.sqlite          days, raw files, format version (PRAGMA user_version)
    days/NAME/            samples, blocks, legs, maneuvers, helm, trials, polar, targets .parquet
                          day.json: summary, calibration, findings, boat, crew log, settings
    aside/                what is being written

The folder can be copied, backed up and deleted like any other.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pandas as pd

from sailanalysis.core.errors import SailAnalysisError
from sailanalysis.core.series import epoch_s
from sailanalysis.day import Day, Memory
from sailanalysis.season.migrations import FORMAT_VERSION, migrate
from sailanalysis.season.store import (
    file_digest,
    read_table,
    sync_folder,
    text_digest,
    to_json,
    write_table,
    write_text,
)
from sailanalysis.segment.steady import steady_averages

TABLES: Final = ("blocks", "legs", "maneuvers", "helm", "trials", "polar", "targets")
_BUSY_S: Final = 60.0
_STALE_S: Final = 24 * 3600.0


class ArchiveError(SailAnalysisError):
    """The season archive cannot be used as it stands: says which folder and what to do."""


@dataclass(frozen=True)
class RawFile:
    """A log that a day was made from."""

    path: str
    sha256: str
    bytes: int


@dataclass(frozen=True)
class ArchivedDay:
    """One filed day.

    Attributes
    ----------
    day_id : str
        ``YYYY-MM-DD-HHMM``, UTC, of the first sample.
    date : str
    tables : dict of str to DataFrame
        By the names of ``TABLES``.
    record : dict
        ``summary, calibration, findings, boat, crew, settings, inputs, rate_hz, wind_source``.
    raw_files : tuple of RawFile
    folder : Path
    """

    day_id: str
    date: str
    tables: dict[str, pd.DataFrame]
    record: dict[str, Any]
    raw_files: tuple[RawFile, ...]
    folder: Path

    def samples(self, columns: list[str] | None = None) -> pd.DataFrame:
        """Read the day's samples, indexed by time."""
        table = read_table(self.folder / "samples.parquet", columns)
        return table


class Archive:
    """A season of days in a folder.

    Parameters
    ----------
    path : path-like
        Made when it is not there.
    create : bool
        False: an :class:`ArchiveError` where there is no archive.
    """

    def __init__(self, path: str | os.PathLike[str], *, create: bool = True) -> None:
        self.path = Path(path)
        self._index = self.path / "index.sqlite"
        if not self._index.exists():
            if not create:
                raise ArchiveError(
                    f"{self.path}: no season archive here. File a day first with "
                    "'sailanalysis day LOG --out DIR --season SEASON_DIR'.")
            if self.path.exists() and not self.path.is_dir():
                raise ArchiveError(f"{self.path}: is a file; a season archive is a folder.")
        if self._format() != FORMAT_VERSION:
            with _clear(self.path):
                (self.path / "days").mkdir(parents=True, exist_ok=True)
                (self.path / "aside").mkdir(exist_ok=True)
            with self._write() as db:
                migrate(db, str(self.path))
        if os.access(self.path, os.W_OK):  # a copy on read-only media can still be read
            self._sweep()

    def _format(self) -> int:
        if not self._index.exists():
            return 0
        with self._read() as db:
            return int(db.execute("PRAGMA user_version").fetchone()[0])

    # -------------------------------------------------------------- filing
    def file_day(self, day: Day, raw_files: Sequence[str | os.PathLike[str]] = (), *,
                 settings: dict[str, Any] | None = None) -> str:
        """File a day; the same day again replaces what was filed, never doubles it.

        An archived day gives way when it overlaps the new one in time or shares a raw file with
        it; two outings on one date stand side by side.

        Parameters
        ----------
        day : Day
        raw_files : sequence of path-like
            The logs it was made from, to know them again and to re-file.
        settings : dict, optional
            Options of the run, kept with the day.

        Returns
        -------
        str
            The day's id. When this returns, the day is on disk.
        """
        if len(day.samples) == 0:
            raise ArchiveError("The day holds no samples: there is nothing to file.")
        start, end = day.samples.index[0], day.samples.index[-1]
        day_id = start.strftime("%Y-%m-%d-%H%M")
        raw = _raw_files(raw_files)
        record = _record(day, settings or {})
        blocks = day.results.blocks
        if blocks is None:
            blocks = steady_averages(day.samples, day.legs, day.maneuvers, day=day_id)
        blocks = blocks.assign(day=day_id)
        name = f"{day_id}.{uuid.uuid4().hex[:12]}"
        aside = self.path / "aside" / name
        tables = {"blocks": blocks, "legs": day.legs, "maneuvers": day.maneuvers,
                  "helm": day.helm, "trials": day.trials, "polar": day.polar,
                  "targets": day.targets}
        try:
            with _clear(self.path):
                content = _write_aside(aside, day, tables, record, raw)
                return self._point_to(aside, name, day_id, start.timestamp(), end.timestamp(),
                                      content, record, raw)
        except BaseException:
            shutil.rmtree(aside, ignore_errors=True)
            raise

    def _point_to(self, aside: Path, name: str, day_id: str, start_s: float, end_s: float,
                  content: str, record: dict[str, Any], raw: tuple[RawFile, ...]) -> str:
        with self._write() as db:
            old = self._replaced(db, start_s, end_s, raw)
            if len(old) == 1 and old[0][1] == content and (self.path / "days" / old[0][2]).is_dir():
                shutil.rmtree(aside, ignore_errors=True)
                return str(old[0][0])
            os.replace(aside, self.path / "days" / name)
            sync_folder(self.path / "days")
            for gone, _, _ in old:
                db.execute("DELETE FROM raw_files WHERE day_id = ?", (gone,))
                db.execute("DELETE FROM days WHERE day_id = ?", (gone,))
            # another outing that began in the same minute: not replaced, so it has another id
            taken = {r[0] for r in db.execute("SELECT day_id FROM days")}
            number = 2
            unique = day_id
            while unique in taken:
                unique, number = f"{day_id}-{number}", number + 1
            db.execute(
                "INSERT INTO days (day_id, date, start_s, end_s, folder, content, filed_s,"
                " software, summary, calibration) VALUES (?,?,?,?,?,?,?,?,?,?)",
                (unique, unique[:10], start_s, end_s, name, content, time.time(),
                 record["software"], to_json(record["summary"]), to_json(record["calibration"])))
            db.executemany("INSERT INTO raw_files (day_id, path, sha256, bytes) VALUES (?,?,?,?)",
                           [(unique, r.path, r.sha256, r.bytes) for r in raw])
        for _, _, folder in old:
            shutil.rmtree(self.path / "days" / folder, ignore_errors=True)
        return unique

    @staticmethod
    def _replaced(db: sqlite3.Connection, start_s: float, end_s: float,
                  raw: tuple[RawFile, ...]) -> list[tuple[str, str, str]]:
        """Days that the new one stands for: overlapping in time or made from a same file."""
        rows = db.execute("SELECT day_id, content, folder FROM days WHERE start_s <= ? AND"
                          " end_s >= ?", (end_s, start_s)).fetchall()
        for one in raw:
            rows += db.execute(
                "SELECT d.day_id, d.content, d.folder FROM days d JOIN raw_files r USING (day_id)"
                " WHERE r.sha256 = ?", (one.sha256,)).fetchall()
        return sorted(set(rows))

    # -------------------------------------------------------------- reading
    def days(self, from_: str | None = None, to: str | None = None) -> pd.DataFrame:
        """List the filed days in order.

        Parameters
        ----------
        from_, to : str, optional
            First and last date, ``YYYY-MM-DD``, both included.

        Returns
        -------
        DataFrame
            ``day`` (the id), ``date, start, end, folder, content, filed, software``, the plain
            numbers and words of the day's summary, and ``calibration`` (dict).
        """
        with self._read() as db:
            rows = db.execute(
                "SELECT day_id, date, start_s, end_s, folder, content, filed_s, software, summary,"
                " calibration FROM days WHERE date >= ? AND date <= ? ORDER BY start_s, day_id",
                (from_ or "", to or "9999")).fetchall()
        head = ["day", "date", "start", "end", "folder", "content", "filed", "software"]
        table = pd.DataFrame([r[:8] for r in rows], columns=head)
        for name in ("start", "end", "filed"):
            table[name] = pd.to_datetime(table[name].astype(float), unit="s", utc=True)
        summaries = [json.loads(r[8]) for r in rows]
        for name in dict.fromkeys(k for s in summaries for k in s):
            values = [s.get(name) for s in summaries]
            if name not in head and not any(isinstance(v, (list, dict)) for v in values):
                table[name] = values
        table["warnings"] = [len(s.get("warnings") or []) for s in summaries]
        table["calibration"] = pd.Series([json.loads(r[9]) for r in rows], dtype=object)
        return table

    def match(self, name: str) -> list[str]:
        """Ids of the days that a date, or the start of an id, names."""
        return [d for d in self.days()["day"] if d.startswith(name)] if name else []

    def load(self, day_id: str) -> ArchivedDay:
        """Read one day back.

        Raises
        ------
        ArchiveError
            Where there is no such day, or its folder is gone.
        """
        for attempt in range(3):
            with self._read() as db:
                row = db.execute("SELECT date, folder FROM days WHERE day_id = ?",
                                 (day_id,)).fetchone()
                raw = db.execute("SELECT path, sha256, bytes FROM raw_files WHERE day_id = ?"
                                 " ORDER BY path", (day_id,)).fetchall()
            if row is None:
                raise ArchiveError(f"{self.path}: holds no day '{day_id}'.")
            folder = self.path / "days" / row[1]
            try:
                record = json.loads((folder / "day.json").read_text(encoding="utf-8"))
                tables = {key: read_table(folder / f"{key}.parquet") for key in TABLES}
            except FileNotFoundError:
                # replaced by another process between the index and the folder: look again
                if attempt < 2:
                    continue
                raise ArchiveError(f"{self.path}: the files of day '{day_id}' are gone. "
                                   "File the day again, or remove it.") from None
            return ArchivedDay(day_id, row[0], tables, record, tuple(RawFile(*r) for r in raw),
                               folder)
        raise AssertionError("unreachable")

    def rows(self, table: str, from_: str | None = None, to: str | None = None) -> pd.DataFrame:
        """One table of all days together, with ``day_id`` and ``date`` in front.

        Parameters
        ----------
        table : str
            A name of ``TABLES``.
        """
        for attempt in range(3):
            parts = []
            try:
                for row in self.days(from_, to).itertuples():
                    part = read_table(self.path / "days" / row.folder / f"{table}.parquet")
                    part.insert(0, "day_id", row.day)
                    part.insert(1, "date", row.date)
                    parts.append(part)
            except FileNotFoundError as gone:
                if attempt < 2:
                    continue
                raise ArchiveError(f"{self.path}: files of a filed day are gone ({gone.filename}). "
                                   "File that day again, or remove it.") from None
            filled = [p for p in parts if len(p)]
            if filled:
                return pd.concat(filled, ignore_index=True)
            return parts[0] if parts else pd.DataFrame(columns=["day_id", "date"])
        raise AssertionError("unreachable")

    def blocks(self, from_: str | None = None, to: str | None = None) -> pd.DataFrame:
        """Steady blocks of all days in order, ``day`` being the day's id."""
        table = self.rows("blocks", from_, to)
        if "day" in table.columns:
            table["day"] = table["day_id"]
        return table

    def helm_rows(self, from_: str | None = None, to: str | None = None) -> pd.DataFrame:
        """Helm stretches of all days."""
        return self.rows("helm", from_, to)

    def maneuver_rows(self, from_: str | None = None, to: str | None = None) -> pd.DataFrame:
        """Maneuvers of all days."""
        return self.rows("maneuvers", from_, to)

    def records(self, from_: str | None = None,
                to: str | None = None) -> list[tuple[str, str, dict[str, Any]]]:
        """``(day, date, record)`` of all days in order; a record as :class:`ArchivedDay` has it."""
        out = []
        for row in self.days(from_, to).itertuples():
            path = self.path / "days" / row.folder / "day.json"
            try:
                out.append((row.day, row.date, json.loads(path.read_text(encoding="utf-8"))))
            except FileNotFoundError:
                out.append((row.day, row.date, self.load(row.day).record))
        return out

    # -------------------------------------------------------------- keeping
    def remove(self, name: str) -> list[str]:
        """Take out the days that a date or an id names.

        Returns
        -------
        list of str
            Ids of the days taken out; empty where there was none.
        """
        gone = self.match(name)
        folders = []
        with self._write() as db:
            for day_id in gone:
                folders += db.execute("SELECT folder FROM days WHERE day_id = ?", (day_id,))
                db.execute("DELETE FROM raw_files WHERE day_id = ?", (day_id,))
                db.execute("DELETE FROM days WHERE day_id = ?", (day_id,))
        for (folder,) in folders:
            shutil.rmtree(self.path / "days" / folder, ignore_errors=True)
        return gone

    def settings(self, names: Sequence[str] = ()) -> list[dict[str, Any]]:
        """Settings that days were filed with, to analyse them again.

        Parameters
        ----------
        names : sequence of str
            Dates or ids; none means all days.
        """
        chosen = [d for n in names for d in self.match(n)] if names else list(self.days()["day"])
        out = []
        for day_id in dict.fromkeys(chosen):
            out.append(dict(self.load(day_id).record.get("settings") or {}))
        return [s for s in out if s]

    def memory(self, without: tuple[float, float] | None = None) -> Memory:
        """What earlier days lend to a new one: the season's polar and each helm's usual.

        Parameters
        ----------
        without : (float, float), optional
            Seconds since 1970 of a day that must not be compared with itself: days that overlap
            it are left out.

        Returns
        -------
        Memory
        """
        from sailanalysis.helm.usual import fit_usual
        from sailanalysis.polar.fit import fit_polar

        blocks, helm = self.blocks(), self.helm_rows()
        if without is not None:
            days = self.days()
            start, end = epoch_s(days["start"]), epoch_s(days["end"])
            same = set(days["day"][(start <= without[1]) & (end >= without[0])])
            blocks = blocks[~blocks["day_id"].isin(same)]
            helm = helm[~helm["day_id"].isin(same)]
        model = fit_polar(blocks, replicates=2) if len(blocks) else None
        return Memory(model if model is not None and model.known else None,
                      fit_usual(helm) if len(helm) else None)

    def raw_files(self, day_id: str) -> tuple[RawFile, ...]:
        """Logs that a day was made from."""
        return self.load(day_id).raw_files

    def missing_raw(self, day_id: str) -> list[str]:
        """Raw logs of a day that are no longer there, or no longer the same."""
        out = []
        for raw in self.raw_files(day_id):
            path = Path(raw.path)
            if not path.is_file() or path.stat().st_size != raw.bytes or (
                    file_digest(path) != raw.sha256):
                out.append(raw.path)
        return out

    def refile(self, analyse: Callable[[ArchivedDay], Day],
               days: Sequence[str] | None = None) -> Iterator[tuple[str, str]]:
        """Analyse days again from their raw logs and file them again, one after the other.

        Parameters
        ----------
        analyse : callable
            Makes a Day of an archived one (its ``raw_files`` and ``record["settings"]``).
        days : sequence of str, optional
            Ids; default all.

        Yields
        ------
        day_id, outcome : str
            ``filed``, or why not. A day that cannot be made again stays as it is.
        """
        for day_id in list(days if days is not None else self.days()["day"]):
            old = self.load(day_id)
            gone = self.missing_raw(day_id)
            if not old.raw_files or gone:
                yield day_id, ("raw logs not there: " + ", ".join(gone) if gone
                               else "no raw logs were kept with it")
                continue
            try:
                fresh = analyse(old)
            except SailAnalysisError as error:
                yield day_id, str(error)
                continue
            yield self.file_day(fresh, [r.path for r in old.raw_files],
                                settings=old.record.get("settings")), "filed"

    # -------------------------------------------------------------- the index
    @contextmanager
    def _connect(self) -> Iterator[sqlite3.Connection]:
        db = sqlite3.connect(self._index, timeout=_BUSY_S, isolation_level=None)
        try:
            db.execute("PRAGMA synchronous = EXTRA")
            db.execute("PRAGMA foreign_keys = ON")
            yield db
        except sqlite3.DatabaseError as error:
            raise ArchiveError(f"{self._index}: {error}. If another program holds it, try again; "
                               "if it is damaged, bring it back from a copy.") from error
        finally:
            db.close()

    @contextmanager
    def _write(self) -> Iterator[sqlite3.Connection]:
        with self._connect() as db:
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
                db.execute("COMMIT")
            except BaseException:
                if db.in_transaction:
                    db.execute("ROLLBACK")
                raise

    @contextmanager
    def _read(self) -> Iterator[sqlite3.Connection]:
        with self._connect() as db:
            db.execute("BEGIN")
            yield db
            db.execute("COMMIT")

    def _sweep(self) -> None:
        """Remove folders that nothing points to (left by a process that was killed)."""
        old = time.time() - _STALE_S
        for folder in (self.path / "aside").iterdir():
            try:
                if folder.stat().st_mtime < old:
                    shutil.rmtree(folder, ignore_errors=True)
            except FileNotFoundError:  # its writer has just finished
                continue
        standing = {p.name for p in (self.path / "days").iterdir()}
        with self._read() as db:
            known = {r[0] for r in db.execute("SELECT folder FROM days")}
        if standing - known:
            # Again under the writer's lock: a folder may have been put in place just now.
            with self._write() as db:
                known = {r[0] for r in db.execute("SELECT folder FROM days")}
                standing = {p.name for p in (self.path / "days").iterdir()}
                for name in standing - known:
                    shutil.rmtree(self.path / "days" / name, ignore_errors=True)


def _write_aside(aside: Path, day: Day, tables: dict[str, pd.DataFrame], record: dict[str, Any],
                 raw: tuple[RawFile, ...]) -> str:
    """Write a day's files into a new folder and force them to disk; digest of the content."""
    aside.mkdir()
    write_table(aside / "samples.parquet", day.samples, small=True)
    for key in TABLES:
        write_table(aside / f"{key}.parquet", tables[key])
    write_text(aside / "day.json", to_json(record))
    sync_folder(aside)
    return text_digest([to_json(record), *(r.sha256 for r in raw),
                        *(file_digest(aside / f"{key}.parquet") for key in TABLES),
                        file_digest(aside / "samples.parquet")])


@contextmanager
def _clear(path: Path) -> Iterator[None]:
    """Turn what the disk refuses (full, read-only) into one clear line."""
    try:
        yield
    except OSError as error:
        raise ArchiveError(f"{path}: cannot be written ({error.strerror or error}); nothing that "
                           "was filed before is lost.") from error


def _raw_files(paths: Sequence[str | os.PathLike[str]]) -> tuple[RawFile, ...]:
    files: list[Path] = []
    for path in map(Path, paths):
        files += sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
    return tuple(RawFile(str(p.resolve()), file_digest(p), p.stat().st_size)
                 for p in sorted(set(files)))


def _record(day: Day, settings: dict[str, Any]) -> dict[str, Any]:
    from sailanalysis import __version__

    return {
        "summary": day.summary, "calibration": day.calibration, "findings": day.findings,
        "boat": day.boat, "crew": day.crew, "settings": settings, "inputs": day.inputs,
        "rate_hz": day.rate_hz, "wind_source": day.wind_source, "software": __version__,
        "format": FORMAT_VERSION,
    }
