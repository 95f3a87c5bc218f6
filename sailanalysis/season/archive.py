"""The season archive: a folder with a small index and one sub-folder of Parquet files a day.

Why Parquet beside SQLite, and not one database: a season's samples are written once and read by
column, where Parquet is a tenth of SQLite's size and a file lost or damaged costs one day and not
the season; what must be consistent is only the list of days, and for that SQLite's transactions
are the best-tried embedded store there is, in the standard library. A day's folder is never
changed once it stands: filing writes a new folder aside, forces it to disk, renames it into
place, and only then a transaction makes the index point to it. Killed at any instant, the archive
shows the old state or the new one.

Nothing is deleted but what is provably the program's own: a day that was replaced or removed on
request, and folders with a marker that says their writing was never ended. The index can be lost,
emptied, damaged or older: the days' folders hold all that it holds.

Layout::

    index.sqlite          days, raw files, format version (PRAGMA user_version)
    days/NAME/            samples, blocks, legs, maneuvers, helm, trials, polar, targets .parquet
                          day.json: summary, calibration, findings, boat, crew log, settings
                          contents.json: the day as listed, and every file's digest
    aside/                what is being written, or taken away
    lost/                 what was found and is no day that stands; yours to look at and delete
    kept/                 the season's polar as last fitted; made again when it is not there

The folder can be copied, backed up and deleted like any other. Reading never writes.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import time
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, TypeVar

import pandas as pd

from sailanalysis.core.errors import SailAnalysisError
from sailanalysis.day import Day, Memory
from sailanalysis.season import folders, index
from sailanalysis.season.boats import APART_M, ELSEWHERE_M, boat_key, closest_m, metres_apart
from sailanalysis.season.catalogue import (
    Catalogue,
    free_id,
    overlap_s,
    owner,
    reconcile,
    same_logs,
    same_time,
)
from sailanalysis.season.drift import calibration_rows
from sailanalysis.season.folders import TABLES
from sailanalysis.season.memory import (
    Lent,
    advance,
    fit_key,
    fitted,
    kept_path,
    read_kept,
    renewed,
    write_kept,
)
from sailanalysis.season.migrations import FORMAT_VERSION
from sailanalysis.season.records import (
    ArchivedDay,
    ArchiveError,
    DamagedError,
    Entry,
    Fault,
    Filed,
    RawFile,
)
from sailanalysis.season.sensors import season_knows
from sailanalysis.season.store import file_digest, parse_table, sync_folder, to_json
from sailanalysis.season.wording import fault_findings
from sailanalysis.segment.steady import steady_averages

Value = TypeVar("Value")

_OWN_NAMES: Final = frozenset({index.NAME, *(index.NAME + end for end in index.BESIDE),
                               "days", "aside", "lost", "kept"})
_SYSTEM_NAMES: Final = frozenset({"desktop.ini", "thumbs.db"})
_COVERED_SHARE: Final = 0.8
"""A replaced day of whose time the new one holds less is kept under ``lost/``."""


class Archive:
    """A season of days in a folder.

    Parameters
    ----------
    path : path-like
    create : bool
        Make the archive where there is none: in a folder that is empty or not there yet.

    Raises
    ------
    ArchiveError
        Where there is no archive and none may be made.
    """

    def __init__(self, path: str | os.PathLike[str], *, create: bool = False) -> None:
        self.path = Path(path)
        self._days = self.path / "days"
        self._aside = self.path / "aside"
        self._lost = self.path / "lost"
        self._kept = self.path / "kept"
        self._index = self.path / index.NAME
        self._damaged: dict[str, Fault] = {}
        self._last: tuple[tuple[tuple[int, int, int], ...], Catalogue] | None = None
        if self.path.exists() and not self.path.is_dir():
            raise ArchiveError(f"{self.path}: is a file; a season archive is a folder.")
        if is_archive(self.path):
            index.read_index(self._index)  # refuses a newer format
            return
        if not create:
            raise ArchiveError(
                f"{self.path}: no season archive here. File a day first with "
                "'sailanalysis day LOG --out DIR --season SEASON_DIR'.")
        others = _others(self.path)
        if others:
            raise ArchiveError(
                f"{self.path}: is no season archive and not empty ({', '.join(others[:3])}"
                f"{' ...' if len(others) > 3 else ''}). Give an empty or a new folder; nothing "
                "was changed.")
        with self._clear():
            self._days.mkdir(parents=True, exist_ok=True)
            with self._writing():
                pass

    def __repr__(self) -> str:
        entries = self.catalogue().entries
        span = f", {entries[0].date} to {entries[-1].date}" if entries else ""
        boats = ", ".join(name or "unnamed" for name in self.boats())
        return f"Archive({str(self.path)!r}: {len(entries)} days{span}; {boats or 'no boat'})"

    # -------------------------------------------------------------- what there is
    def catalogue(self) -> Catalogue:
        """The days that stand, and what is not as it should be. Reads, never writes."""
        stamp = self._stamp()
        if self._last is not None and self._last[0] == stamp:
            return self._last[1]
        standing = _standing(self._days)
        found = reconcile(index.read_index(self._index), standing, self._days)
        settled = not found.faults and not found.adopted and stamp == self._stamp()
        self._last = (stamp, found) if settled else None
        return found

    def _stamp(self) -> tuple[tuple[int, int, int], ...]:
        """What changes whenever a day is filed, replaced or removed, by whichever process."""
        out = []
        for path in (self._index, self._days,
                     *(self._index.with_name(index.NAME + end) for end in index.BESIDE)):
            try:
                stat = path.stat()
                out.append((stat.st_mtime_ns, stat.st_size, stat.st_ino))
            except OSError:
                out.append((0, 0, 0))
        return tuple(out)

    def faults(self) -> tuple[Fault, ...]:
        """What is known to be wrong: of the index and folders, and of the files read so far."""
        return (*self.catalogue().faults, *self._damaged.values())

    def boats(self) -> list[str]:
        """Names of the boats whose days are filed, each as last written."""
        entries = self.catalogue().entries
        named: dict[str, str] = {}
        for entry in sorted(entries, key=lambda e: e.filed_s):
            key = owner(entry, entries)
            named[key] = entry.boat or named.get(key, "")
        return [named[key] for key in sorted(named)]

    def entries(self, from_: str | None = None, to: str | None = None,
                boat: str | None = None) -> list[Entry]:
        """Filed days of one boat in order of time.

        Parameters
        ----------
        from_, to : str, optional
            First and last date, ``YYYY-MM-DD``, both included.
        boat : str, optional
            The boat's name; needed only where the archive holds several boats.

        Raises
        ------
        ArchiveError
            If several boats' days are filed and none was named, or the one named has none.
        """
        every = self.catalogue().entries
        keys = {owner(e, every) for e in every}
        if len(keys) > 1:
            names = ", ".join(name or "an unnamed boat" for name in self.boats())
            key = boat_key(boat or "")
            if key not in keys:
                asked = f"none of {boat}" if boat else "the days of several boats"
                raise ArchiveError(f"{self.path}: holds {asked} (there are {names}); name one of "
                                   "them, on the command line by her boat file (--boat).")
            every = tuple(e for e in every if owner(e, every) == key)
        return [e for e in every if (from_ or "") <= e.date <= (to or "9999")]

    # -------------------------------------------------------------- filing
    def file_day(self, day: Day, raw_files: Sequence[str | os.PathLike[str]] = (), *,
                 settings: Mapping[str, Any] | None = None, part: str = "",
                 several_boats: bool = False) -> Filed:
        """File a day; the same day again replaces what was filed, never doubles it.

        A filed day gives way when it is of the same boat and the same time (half of the shorter's
        time is shared), or was made from the same logs. Two outings on one date stand side by
        side. A day that gives way though the new one holds less than four fifths of its time is
        kept under ``lost/``.

        Parameters
        ----------
        day : Day
        raw_files : sequence of path-like
            The logs it was made from, to know them again and to re-file. Of folders and files
            only those count that gave lines.
        settings : mapping, optional
            Options of the run, kept with the day.
        part : str
            Which sailing of its logs the day is (its date), where the logs hold several: days of
            the same logs and different parts stand side by side.
        several_boats : bool
            Let this archive hold days of more than one boat.

        Returns
        -------
        Filed
            When this returns, the day is on disk.

        Raises
        ------
        ArchiveError
            If it cannot be written, or is another boat's.
        """
        if len(day.samples) == 0:
            raise ArchiveError("The day holds no samples: there is nothing to file.")
        entry = self._new_entry(day, _raw_files(raw_files, day), part)
        aside = self._aside / entry.folder
        blocks = day.results.blocks
        if blocks is None:
            blocks = steady_averages(day.samples, day.legs, day.maneuvers, day=entry.day_id)
        tables = {"blocks": blocks.assign(day=entry.day_id), "legs": day.legs,
                  "maneuvers": day.maneuvers, "helm": day.helm, "trials": day.trials,
                  "polar": day.polar, "targets": day.targets}
        record = _record(day, dict(settings or {}))
        try:
            with self._clear():
                self._aside.mkdir(exist_ok=True)
                entry = folders.write_day(aside, day.samples, tables, record, entry,
                                          dict(settings or {}))
                return self._point_to(aside, entry, day.samples, several_boats)
        except BaseException:
            with contextlib.suppress(OSError, ArchiveError):
                self._withdraw(entry.folder)
            raise

    def _withdraw(self, name: str) -> None:
        """Delete a folder whose filing failed, unless the index lists it after all."""
        listing = index.read_index(self._index)
        if listing.fault or any(e.folder == name for e in listing.entries):
            return
        folders.take_away(self._days / name, self._aside, self._lost)
        if (self._aside / name).is_dir():
            folders.clear(self._aside / name, self._lost)

    def _new_entry(self, day: Day, raw: tuple[RawFile, ...], part: str) -> Entry:
        from sailanalysis import __version__

        start, end = day.samples.index[0], day.samples.index[-1]
        day_id = start.strftime("%Y-%m-%d-%H%M")
        name = " ".join(day.boat.name.split())
        return Entry(
            day_id=day_id, boat_key=boat_key(name), boat=name, start_s=start.timestamp(),
            end_s=end.timestamp(), part=part, folder=f"{day_id}.{uuid.uuid4().hex[:12]}",
            content="", seal="", filed_s=time.time(), software=__version__,
            summary=to_json(day.summary), calibration=to_json(day.calibration), raw_files=raw)

    def _point_to(self, aside: Path, entry: Entry, samples: pd.DataFrame,
                  several_boats: bool) -> Filed:
        with self._writing() as db:
            entries = self._adopt(db)
            old = self._replaced(entry, entries, samples, several_boats)
            if len(old) == 1 and self._same_content(entry, old[0]):
                folders.clear(aside, self._lost)
                return Filed(old[0].day_id, unchanged=True)
            entry = replace(entry, day_id=free_id(entry.day_id, [e for e in entries
                                                                 if e not in old]))
            os.replace(aside, self._days / entry.folder)
            sync_folder(self._days)
            short = [e for e in old if not _covers(entry, e)]
            for gone in old:
                index.drop_row(db, gone.day_id)
                if gone not in short:
                    db.execute("INSERT OR IGNORE INTO leaving VALUES (?)", (gone.folder,))
            index.put_row(db, entry)
        kept = tuple(self._keep(e.folder) for e in short)
        with contextlib.suppress(OSError):  # the day is filed, whatever follows
            folders.unmark(self._days / entry.folder)
        with contextlib.suppress(OSError, ArchiveError):
            self._tidy()
        return Filed(entry.day_id, tuple(old), kept)

    def _same_content(self, entry: Entry, old: Entry) -> bool:
        return (entry.content, entry.part, entry.boat) == (old.content, old.part, old.boat) and (
            not folders.damaged_files(self._days / old.folder, old))

    def _replaced(self, entry: Entry, entries: Sequence[Entry], samples: pd.DataFrame,
                  several_boats: bool) -> list[Entry]:
        """Days that the new one stands for.

        Raises
        ------
        ArchiveError
            If the new day is another boat's.
        """
        again = [e for e in entries if same_logs(entry, e)]
        rest = [e for e in entries if e not in again]
        keys = {e.boat_key for e in rest if e.boat_key}
        if entry.boat_key and keys and entry.boat_key not in keys and not several_boats:
            raise ArchiveError(
                f"{self.path}: holds the days of {self._name(rest)}; this day is of "
                f"{entry.boat}. Give {entry.boat} an archive of her own, or correct the name in "
                "the boat file; to keep several boats in one archive add --several-boats.")
        if not entry.boat_key and len(keys) > 1:
            raise ArchiveError(
                f"{self.path}: holds the days of {self._name(rest)}, and this day names no boat. "
                "Give her boat file, with a name under [boat].")
        unnamed = [e.day_id for e in rest if not e.boat_key]
        if entry.boat_key and keys and entry.boat_key not in keys and unnamed:
            raise ArchiveError(
                f"{self.path}: day {unnamed[0]} and {len(unnamed) - 1} more name no boat: they "
                f"count for {self._name(rest)}. Before another boat's days come in, file them "
                "again with her boat file.")
        key = entry.boat_key or owner(entry, [*rest, entry])
        hers = [e for e in rest if owner(e, [*rest, entry]) == key and same_time(entry, e)]
        for old in hers:
            self._must_be_there_too(entry, old, samples)
        return sorted({*again, *hers}, key=lambda e: e.day_id)

    def _must_be_there_too(self, entry: Entry, old: Entry, samples: pd.DataFrame) -> None:
        """Refuse a day that was sailed elsewhere than the filed one of the same time."""
        try:
            there = self._samples(old, ["time", "lat", "lon"])
        except (DamagedError, KeyError, ValueError):
            return
        if entry.boat_key and entry.boat_key == old.boat_key:  # clocks may differ by hours
            metres, most = closest_m(samples, there), ELSEWHERE_M
        else:
            metres, most = metres_apart(samples, there), APART_M
        if metres > most:
            raise ArchiveError(
                f"{self.path}: the filed day {old.day_id} was sailed {metres / 1852:.1f} NM away "
                f"at the same hours: this day is another boat's"
                f"{'' if entry.boat else ' (no boat file gives her name)'}. Give her an archive "
                "of her own, or name each boat in her boat file and add --several-boats. If it "
                f"is the same boat after all, remove {old.day_id} first.")

    def _name(self, entries: Sequence[Entry]) -> str:
        names = {e.boat_key: e.boat for e in sorted(entries, key=lambda e: e.filed_s) if e.boat}
        return " and ".join(sorted(names.values())) or "an unnamed boat"

    def _keep(self, name: str) -> str:
        with contextlib.suppress(OSError):
            return folders.move_to(self._days / name, self._lost)
        return name

    # -------------------------------------------------------------- reading
    def days(self, from_: str | None = None, to: str | None = None,
             boat: str | None = None) -> pd.DataFrame:
        """List the filed days in order.

        Parameters
        ----------
        from_, to, boat : str, optional
            As of :meth:`entries`.

        Returns
        -------
        DataFrame
            ``day`` (the id), ``date, start, end, folder, content, filed, software, boat``, the
            plain numbers and words of the day's summary, and ``calibration`` (dict).
        """
        return _days_table(self.entries(from_, to, boat), self._boat_words())

    def _boat_words(self) -> dict[str, str]:
        """Boat's name by day: a day without one is the archive's only boat's."""
        entries = self.catalogue().entries
        names = {e.boat_key: e.boat for e in sorted(entries, key=lambda e: e.filed_s)}
        return {e.day_id: names.get(owner(e, entries), e.boat) for e in entries}

    def match(self, name: str) -> list[str]:
        """Ids of the days that a date, or the start of an id, names."""
        return [e.day_id for e in self.catalogue().entries if name and e.day_id.startswith(name)]

    def load(self, day_id: str) -> ArchivedDay:
        """Read one day back.

        Raises
        ------
        ArchiveError
            Where there is no such day.
        DamagedError
            Where its files are not what was filed.
        """
        def read(entry: Entry) -> ArchivedDay:
            folder = self._days / entry.folder
            digests = folders.digests_of(folder, entry)
            record = json.loads(folders.checked_bytes(folder, "day.json", digests))
            tables = {name: _labelled(self._table(entry, name, digests), entry) for name in TABLES}
            return ArchivedDay(entry.day_id, entry.date, self._boat_words().get(entry.day_id, ""),
                               tables, record, entry.raw_files, folder,
                               lambda columns: self._steadily(
                                   day_id, lambda e: self._samples(e, columns)))

        return self._steadily(day_id, read)

    def _steadily(self, day_id: str, read: Callable[[Entry], Value]) -> Value:
        """Read of a day; again where another process replaced it between list and folder."""
        last: DamagedError | None = None
        for _ in range(3):
            entry = next((e for e in self.catalogue().entries if e.day_id == day_id), None)
            if entry is None:
                raise ArchiveError(f"{self.path}: holds no day '{day_id}'.")
            try:
                return read(entry)
            except DamagedError as error:
                if last is not None and last.args == error.args:
                    break
                last = error
        self._damaged[day_id] = Fault("day-damaged", day_id, str(last))
        raise DamagedError(f"{self.path}: day '{day_id}' is damaged: {last}. Mend it with "
                           f"'sailanalysis season {self.path} --refile {day_id}' while its logs "
                           "are there, or bring its folder back from a copy.") from last

    def _samples(self, entry: Entry, columns: list[str] | None = None) -> pd.DataFrame:
        folder = self._days / entry.folder
        digests = folders.digests_of(folder, entry)
        return parse_table(folders.checked_bytes(folder, "samples.parquet", digests), columns)

    def _table(self, entry: Entry, name: str, digests: dict[str, str]) -> pd.DataFrame:
        data = folders.checked_bytes(self._days / entry.folder, f"{name}.parquet", digests)
        return parse_table(data)

    def _record(self, entry: Entry, digests: dict[str, str]) -> dict[str, Any]:
        held: dict[str, Any] = json.loads(
            folders.checked_bytes(self._days / entry.folder, "day.json", digests))
        return held

    def rows(self, table: str, from_: str | None = None, to: str | None = None,
             boat: str | None = None) -> pd.DataFrame:
        """One table of all days together, with ``day_id, date, boat`` in front.

        A damaged day is left out, and named by :meth:`faults`.

        Parameters
        ----------
        table : str
            A name of ``TABLES``.
        from_, to, boat : str, optional
            As of :meth:`entries`.
        """
        names = self._boat_words()
        parts = []
        for day_id, part in self._of_each(
                self.entries(from_, to, boat), lambda e: _labelled(self._table(
                    e, table, folders.digests_of(self._days / e.folder, e)), e)):
            part = part.drop(columns=["day_id", "date", "boat"], errors="ignore")
            part.insert(0, "day_id", day_id)
            part.insert(1, "date", day_id[:10])
            part.insert(2, "boat", names.get(day_id, ""))
            parts.append(part)
        filled = [p for p in parts if len(p)]
        if filled:
            return pd.concat(filled, ignore_index=True)
        return parts[0] if parts else pd.DataFrame(columns=["day_id", "date", "boat"])

    def _of_each(self, entries: Sequence[Entry],
                 read: Callable[[Entry], Value]) -> Iterator[tuple[str, Value]]:
        """What is read of each day in order; damaged days are noted and left out."""
        for entry in entries:
            try:
                yield entry.day_id, read(entry)
            except DamagedError:
                with contextlib.suppress(ArchiveError):  # removed, or noted as damaged
                    yield entry.day_id, self._steadily(entry.day_id, read)

    def blocks(self, from_: str | None = None, to: str | None = None,
               boat: str | None = None) -> pd.DataFrame:
        """Steady blocks of all days in order, ``day`` being the day's id."""
        return self.rows("blocks", from_, to, boat)

    def helm_rows(self, from_: str | None = None, to: str | None = None,
                  boat: str | None = None) -> pd.DataFrame:
        """Helm stretches of all days."""
        return self.rows("helm", from_, to, boat)

    def maneuver_rows(self, from_: str | None = None, to: str | None = None,
                      boat: str | None = None) -> pd.DataFrame:
        """Maneuvers of all days."""
        return self.rows("maneuvers", from_, to, boat)

    def records(self, from_: str | None = None, to: str | None = None,
                boat: str | None = None) -> list[tuple[str, str, dict[str, Any]]]:
        """``(day, date, record)`` of all days in order; a record as :class:`ArchivedDay` has it."""
        def read(entry: Entry) -> dict[str, Any]:
            return self._record(entry, folders.digests_of(self._days / entry.folder, entry))

        return [(day, day[:10], record)
                for day, record in self._of_each(self.entries(from_, to, boat), read)]

    # -------------------------------------------------------------- keeping
    def remove(self, name: str) -> list[str]:
        """Take out the days that a date or an id names.

        Returns
        -------
        list of str
            Ids of the days taken out; empty where there was none.
        """
        with self._clear(), self._writing() as db:
            gone = [e for e in self._adopt(db) if name and e.day_id.startswith(name)]
            for entry in gone:
                index.drop_row(db, entry.day_id)
                db.execute("INSERT OR IGNORE INTO leaving VALUES (?)", (entry.folder,))
        with contextlib.suppress(OSError, ArchiveError):
            self._tidy()
        return [e.day_id for e in gone]

    def settings(self, names: Sequence[str] = ()) -> list[dict[str, Any]]:
        """Settings that days were filed with, to analyse them again; damaged days' too.

        Parameters
        ----------
        names : sequence of str
            Dates or ids; none means all days.
        """
        chosen = [e for e in self.catalogue().entries
                  if not names or any(n and e.day_id.startswith(n) for n in names)]
        return [s for e in chosen if (s := self._settings(e))]

    def _settings(self, entry: Entry) -> dict[str, Any]:
        folder = self._days / entry.folder
        with contextlib.suppress(OSError, DamagedError):
            return dict(folders.read_contents(folder, entry.seal).settings)
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            held = json.loads((folder / "day.json").read_bytes())["settings"]
            return dict(held or {})
        return {"logs": [r.path for r in entry.raw_files]} if entry.raw_files else {}

    def raw_files(self, day_id: str) -> tuple[RawFile, ...]:
        """Logs that a day was made from."""
        for entry in self.catalogue().entries:
            if entry.day_id == day_id:
                return entry.raw_files
        raise ArchiveError(f"{self.path}: holds no day '{day_id}'.")

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
        chosen = list(days) if days is not None else [e.day_id for e in self.catalogue().entries]
        for day_id in chosen:
            gone, raw = self.missing_raw(day_id), self.raw_files(day_id)
            if not raw or gone:
                yield day_id, ("raw logs not there: " + ", ".join(gone) if gone
                               else "no raw logs were kept with it")
                continue
            try:
                old = self.load(day_id)
                part = next(e.part for e in self.catalogue().entries if e.day_id == day_id)
                filed = self.file_day(analyse(old), [r.path for r in raw],
                                      settings=old.record.get("settings"), part=part,
                                      several_boats=len(self.boats()) > 1)
            except SailAnalysisError as error:
                yield day_id, str(error)
                continue
            yield filed.day_id, "filed"

    # -------------------------------------------------------------- what days lend to a new one
    def memory(self, without: tuple[float, float] | None = None, boat: str = "") -> Memory:
        """What earlier days lend to a new one: the season's polar and each helm's usual.

        Parameters
        ----------
        without : (float, float), optional
            Seconds since 1970 of a day that must not be compared with itself: days that overlap
            it are left out.
        boat : str
            The day's boat; another boat's days lend nothing.

        Returns
        -------
        Memory
            Fields are None where nothing is known. Nothing is written.
        """
        every = self.catalogue().entries
        key = _key_for(boat, every)
        use = [e for e in every if owner(e, every) == key]
        if without is not None:
            use = [e for e in use if e.start_s > without[1] or e.end_s < without[0]]
        kept = advance(read_kept(kept_path(self._kept, key)), use, self._sampled)
        when = (str(pd.Timestamp(without[0], unit="s").date()) if without is not None
                else max((e.date for e in use), default=""))
        sensors = season_knows(kept.sensors, when) if len(kept.sensors) else None
        return replace(fitted(kept), sensors=sensors,
                       findings=tuple(fault_findings(self.path, self.faults())))

    def renew(self) -> None:
        """Bring the kept polar and usual helming up to the days that are filed.

        Called once after filing; forgetting it costs time, not truth.
        """
        every = self.catalogue().entries
        with self._clear():
            for key in {owner(e, every) for e in every}:
                path = kept_path(self._kept, key)
                before = read_kept(path)
                after = advance(before, [e for e in every if owner(e, every) == key],
                                self._sampled)
                if not before.fits or before.fits[0][0] != fit_key(after.folders):
                    write_kept(path, renewed(after))

    def _sampled(self, entry: Entry) -> Lent | None:
        """What a day lends; None, and noted, where it is damaged."""
        try:
            digests = folders.digests_of(self._days / entry.folder, entry)
            record = self._record(entry, digests)
            return Lent(self._table(entry, "blocks", digests), self._table(entry, "helm", digests),
                        calibration_rows([(entry.day_id, entry.date, record)]))
        except DamagedError as error:
            self._damaged[entry.day_id] = Fault("day-damaged", entry.day_id, str(error))
            return None

    # -------------------------------------------------------------- checking and repairing
    def check(self) -> tuple[Fault, ...]:
        """Hold every file against its digest; all that is not as it should be. Reads only."""
        catalogue = self.catalogue()
        faults = [*catalogue.faults]
        gone = {e.day_id for e in catalogue.dropped}
        for entry in catalogue.entries:
            folder = self._days / entry.folder
            if entry.day_id in gone:
                continue
            wrong = folders.damaged_files(folder, entry)
            if wrong:
                faults.append(Fault("day-damaged", entry.day_id, "; ".join(wrong)))
            elif not entry.seal and not entry.content:
                faults.append(Fault("day-unproved", entry.day_id))
        return tuple(faults)

    def repair(self) -> tuple[Fault, ...]:
        """Make the index again from the folders, and clear up.

        A damaged index and folders of days that a later filing replaced are moved under
        ``lost/``; days whose folder is gone leave the list. Damaged days, and what is not the
        archive's, stay where they are.

        Returns
        -------
        tuple of Fault
            What was found, as :meth:`check` gives it.
        """
        found = self.check()
        with self._clear():
            self._days.mkdir(parents=True, exist_ok=True)
            with self._writing() as db:
                before = self._catalogue(db)
                for entry in self._adopt(db):
                    if not (self._days / entry.folder).is_dir():
                        index.drop_row(db, entry.day_id)
            for name in before.superseded:
                self._keep(name)
            self._tidy()
        return found

    # -------------------------------------------------------------- inside
    def _catalogue(self, db: sqlite3.Connection) -> Catalogue:
        """As :meth:`catalogue`, within a transaction."""
        standing = _standing(self._days)
        checked = db.execute("SELECT count(*) FROM days WHERE row_digest = ''").fetchone()[0] == 0
        listing = index.Listing(tuple(index.read_rows(db, checked=checked)),
                                index.read_leaving(db))
        return reconcile(listing, standing, self._days)

    def _adopt(self, db: sqlite3.Connection) -> tuple[Entry, ...]:
        """Take unlisted days into the index, complete older rows; the days that stand."""
        catalogue = self._catalogue(db)
        for entry in catalogue.dropped:
            if entry not in catalogue.entries:
                index.drop_row(db, entry.day_id)
        entries = []
        for entry in catalogue.entries:
            if not entry.seal:
                entry = self._seal(entry)
                index.put_row(db, entry)
            elif entry in catalogue.adopted:
                index.put_row(db, entry)
            entries.append(entry)
        return tuple(entries)

    def _seal(self, entry: Entry) -> Entry:
        """Give a day of an older format its list of files, if they are what was filed."""
        folder = self._days / entry.folder
        try:
            digests = folders.digests_of(folder, entry)
        except DamagedError:
            return entry
        seal = folders.write_contents(folder, entry, digests, self._settings(entry))
        return replace(entry, seal=seal)

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        self._days.mkdir(exist_ok=True)
        with index.writing(self._index, self._lost) as db:
            yield db

    def _tidy(self) -> None:
        """Delete days that were replaced or removed, and what killed writers left long ago."""
        for name in index.read_index(self._index).leaving:
            folders.take_away(self._days / name, self._aside, self._lost)
            with index.writing(self._index, self._lost) as db:
                db.execute("DELETE FROM leaving WHERE folder = ?", (name,))
        folders.sweep(self._aside, self._lost)

    @contextmanager
    def _clear(self) -> Iterator[None]:
        """Turn what the disk refuses (full, read-only) into one clear line."""
        try:
            yield
        except OSError as error:
            raise ArchiveError(f"{self.path}: cannot be written ({error.strerror or error}); "
                               "nothing that was filed before is lost.") from error


def _key_for(boat: str, entries: Sequence[Entry]) -> str:
    """Key of the filed boat that a day of this boat's name belongs to."""
    keys = {owner(e, entries) for e in entries}
    key = boat_key(boat)
    only = next(iter(keys)) if len(keys) == 1 else None
    return only if only is not None and (not key or not only) else key


def is_archive(path: Path) -> bool:
    """Whether a folder is a season archive: it has an index, or folders of days."""
    if not path.is_dir():
        return False
    if any((p / folders.CONTENTS).is_file() or (
            (p / "day.json").is_file() and (p / "samples.parquet").is_file())
           for p in _standing(path / "days")):
        return True
    file = path / index.NAME
    if file.is_file() and file.stat().st_size == 0:  # made, and nothing written yet
        return not _others(path)
    return index.read_index(file).fault == ""


def _others(path: Path) -> list[str]:
    """What lies in a folder that is neither an archive's nor the system's."""
    if not path.is_dir():
        return []
    return sorted(p.name for p in path.iterdir() if not p.name.startswith(".")
                  and p.name.lower() not in _SYSTEM_NAMES
                  and not (p.name in _OWN_NAMES and _is_empty(p)))


def _is_empty(path: Path) -> bool:
    return not any(path.iterdir()) if path.is_dir() else path.stat().st_size == 0


def _standing(days: Path) -> list[Path]:
    try:
        return sorted(days.iterdir())
    except (FileNotFoundError, NotADirectoryError):
        return []


def _covers(entry: Entry, old: Entry) -> bool:
    long = old.end_s - old.start_s
    moved = same_logs(entry, old) and not same_time(entry, old)  # the clock was mended
    return moved or overlap_s(entry, old) >= _COVERED_SHARE * long


def _labelled(table: pd.DataFrame, entry: Entry) -> pd.DataFrame:
    """A day's table under the id it is filed by: another day may have had that minute already."""
    return table.assign(day=entry.day_id) if "day" in table.columns else table


def _days_table(entries: Sequence[Entry], names: Mapping[str, str]) -> pd.DataFrame:
    head = ["day", "date", "start", "end", "folder", "content", "filed", "software", "boat"]
    table = pd.DataFrame(
        [(e.day_id, e.date, e.start_s, e.end_s, e.folder, e.content, e.filed_s, e.software,
          names.get(e.day_id, e.boat)) for e in entries], columns=head)
    for name in ("start", "end", "filed"):
        table[name] = pd.to_datetime(table[name].astype(float), unit="s", utc=True)
    summaries = [json.loads(e.summary) for e in entries]
    for name in dict.fromkeys(k for s in summaries for k in s):
        values = [s.get(name) for s in summaries]
        if name not in head and not any(isinstance(v, (list, dict)) for v in values):
            table[name] = values
    table["warnings"] = [len(s.get("warnings") or []) for s in summaries]
    table["calibration"] = pd.Series([json.loads(e.calibration) for e in entries], dtype=object)
    return table


def _raw_files(paths: Sequence[str | os.PathLike[str]], day: Day) -> tuple[RawFile, ...]:
    """The logs among files and folders: those that gave lines, by name and size.

    A day made without a reader has no inputs: then every file named that is not empty counts.
    """
    files: list[Path] = []
    for path in map(Path, paths):
        files += sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
    gave = {(i.file, i.bytes) for i in day.inputs if i.used > 0}
    logs = [p for p in sorted(set(files)) if p.is_file() and p.stat().st_size > 0
            and (not day.inputs or (p.name, p.stat().st_size) in gave)]
    return tuple(RawFile(str(p.resolve()), file_digest(p), p.stat().st_size) for p in logs)


def _record(day: Day, settings: dict[str, Any]) -> dict[str, Any]:
    from sailanalysis import __version__

    return {
        "summary": day.summary, "calibration": day.calibration, "findings": day.findings,
        "boat": day.boat, "crew": day.crew, "settings": settings, "inputs": day.inputs,
        "rate_hz": day.rate_hz, "wind_source": day.wind_source, "software": __version__,
        "format": FORMAT_VERSION,
    }
