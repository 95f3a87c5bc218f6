"""Reading a season archive: what days there are, what they hold, what they lend to a new one.

Nothing here writes.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd

from sailanalysis.day import Memory
from sailanalysis.ledger import from_record
from sailanalysis.season import folders, index
from sailanalysis.season.boats import boat_key
from sailanalysis.season.catalogue import Catalogue, owner, reconcile
from sailanalysis.season.drift import calibration_rows
from sailanalysis.season.folders import TABLES
from sailanalysis.season.memory import Lent, advance, fitted, kept_path, read_kept
from sailanalysis.season.records import (
    ArchivedDay,
    ArchiveError,
    DamagedError,
    Entry,
    Fault,
    RawFile,
)
from sailanalysis.season.sensors import season_knows
from sailanalysis.season.standing import standing
from sailanalysis.season.store import file_digest, parse_table
from sailanalysis.season.wording import fault_findings

Value = TypeVar("Value")


class ArchiveReader:
    """The days of a season archive.

    Parameters
    ----------
    path : path-like
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        self._days = self.path / "days"
        self._kept = self.path / "kept"
        self._index = self.path / index.NAME
        self._damaged: dict[str, Fault] = {}
        self._last: tuple[tuple[tuple[int, int, int], ...], Catalogue] | None = None

    def __repr__(self) -> str:
        entries = self.catalogue().entries
        span = f", {entries[0].date} to {entries[-1].date}" if entries else ""
        boats = ", ".join(name or "unnamed" for name in self.boats())
        return (f"{type(self).__name__}({str(self.path)!r}: {len(entries)} days{span}; "
                f"{boats or 'no boat'})")

    def catalogue(self) -> Catalogue:
        """The days that stand, and what is not as it should be. Reads, never writes."""
        stamp = self._stamp()
        if self._last is not None and self._last[0] == stamp:
            return self._last[1]
        stands = standing(self._days)
        found = reconcile(index.read_index(self._index), stands, self._days)
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
        held = [json.loads(e.summary) for e in use]
        return replace(fitted(kept), sensors=sensors,
                       scores=tuple(s.get("scores") or {} for s in held),
                       practice=tuple(from_record(e.date, s.get("practice"))
                                      for e, s in zip(use, held, strict=True)),
                       findings=tuple(fault_findings(self.path, self.faults())))

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


def _key_for(boat: str, entries: Sequence[Entry]) -> str:
    """Key of the filed boat that a day of this boat's name belongs to."""
    keys = {owner(e, entries) for e in entries}
    key = boat_key(boat)
    only = next(iter(keys)) if len(keys) == 1 else None
    return only if only is not None and (not key or not only) else key


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
