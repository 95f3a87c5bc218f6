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
import os
import sqlite3
import time
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import pandas as pd

from sailanalysis.core.errors import SailAnalysisError
from sailanalysis.day import Day
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
from sailanalysis.season.memory import (
    advance,
    fit_key,
    kept_path,
    read_kept,
    renewed,
    write_kept,
)
from sailanalysis.season.migrations import FORMAT_VERSION
from sailanalysis.season.reading import ArchiveReader
from sailanalysis.season.records import (
    ArchivedDay,
    ArchiveError,
    DamagedError,
    Entry,
    Fault,
    Filed,
    RawFile,
)
from sailanalysis.season.standing import is_archive, others, standing
from sailanalysis.season.store import file_digest, sync_folder, to_json
from sailanalysis.segment.steady import steady_averages

_COVERED_SHARE: Final = 0.8
"""A replaced day of whose time the new one holds less is kept under ``lost/``."""


class Archive(ArchiveReader):
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
        super().__init__(path)
        self._aside = self.path / "aside"
        self._lost = self.path / "lost"
        if self.path.exists() and not self.path.is_dir():
            raise ArchiveError(f"{self.path}: is a file; a season archive is a folder.")
        if is_archive(self.path):
            index.read_index(self._index)  # refuses a newer format
            return
        if not create:
            raise ArchiveError(
                f"{self.path}: no season archive here. File a day first with "
                "'sailanalysis day LOG --out DIR --season SEASON_DIR'.")
        foreign = others(self.path)
        if foreign:
            raise ArchiveError(
                f"{self.path}: is no season archive and not empty ({', '.join(foreign[:3])}"
                f"{' ...' if len(foreign) > 3 else ''}). Give an empty or a new folder; nothing "
                "was changed.")
        with self._clear():
            self._days.mkdir(parents=True, exist_ok=True)
            with self._writing():
                pass

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

    def _must_be_hers(self, entry: Entry, rest: Sequence[Entry], several_boats: bool) -> None:
        """Refuse a day of another boat, unless the archive may hold several."""
        keys = {e.boat_key for e in rest if e.boat_key}
        if not entry.boat_key:
            if len(keys) > 1:
                raise ArchiveError(
                    f"{self.path}: holds the days of {self._name(rest)}, and this day names no "
                    "boat. Give her boat file, with a name under [boat].")
            return
        if not keys or entry.boat_key in keys:
            return
        if not several_boats:
            raise ArchiveError(
                f"{self.path}: holds the days of {self._name(rest)}; this day is of "
                f"{entry.boat}. Give {entry.boat} an archive of her own, or correct the name in "
                "the boat file; to keep several boats in one archive add --several-boats.")
        unnamed = [e.day_id for e in rest if not e.boat_key]
        if unnamed:
            raise ArchiveError(
                f"{self.path}: day {unnamed[0]} and {len(unnamed) - 1} more name no boat: they "
                f"count for {self._name(rest)}. Before another boat's days come in, file them "
                "again with her boat file.")

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
        self._must_be_hers(entry, rest, several_boats)
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
        stands = standing(self._days)
        checked = db.execute("SELECT count(*) FROM days WHERE row_digest = ''").fetchone()[0] == 0
        listing = index.Listing(tuple(index.read_rows(db, checked=checked)),
                                index.read_leaving(db))
        return reconcile(listing, stands, self._days)

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


def _covers(entry: Entry, old: Entry) -> bool:
    long = old.end_s - old.start_s
    moved = same_logs(entry, old) and not same_time(entry, old)  # the clock was mended
    return moved or overlap_s(entry, old) >= _COVERED_SHARE * long


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
