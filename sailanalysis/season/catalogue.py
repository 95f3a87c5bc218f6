"""What an archive holds: the index and the folders, held against each other.

A folder that is a whole day and that the index does not list is a filed day all the same (the
index was lost, emptied or brought back from an older copy): it is taken in. Two days of one boat
at one time cannot both be right: the one filed later stands.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from sailanalysis.season.boats import boat_key
from sailanalysis.season.folders import MARKER, is_marked, read_entry
from sailanalysis.season.index import Listing
from sailanalysis.season.records import DamagedError, Entry, Fault

_SAME_SHARE = 0.5


@dataclass(frozen=True)
class Catalogue:
    """The days that stand, and what is not as it should be.

    Attributes
    ----------
    entries : tuple of Entry
        In order of time.
    adopted : tuple of Entry
        Those of them that the index does not list.
    dropped : tuple of Entry
        Listed days whose folder is gone, or that a later filing replaced.
    superseded : tuple of str
        Folders of whole days that a later filing of the same day replaced.
    faults : tuple of Fault
    """

    entries: tuple[Entry, ...] = ()
    adopted: tuple[Entry, ...] = ()
    dropped: tuple[Entry, ...] = ()
    superseded: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = ()


# ------------------------------------------------------------------ which days are the same
def owner(entry: Entry, entries: Sequence[Entry]) -> str:
    """Key of the boat a day counts for: its own, or the archive's only one."""
    keys = {e.boat_key for e in entries if e.boat_key}
    if not entry.boat_key and len(keys) == 1:
        return next(iter(keys))
    return entry.boat_key


def overlap_s(one: Entry, other: Entry) -> float:
    """Seconds that two days share; negative where they lie apart."""
    return min(one.end_s, other.end_s) - max(one.start_s, other.start_s)


def same_time(one: Entry, other: Entry) -> bool:
    """Whether two days share half of the shorter's time or more.

    Loggers that overlap at their edges leave two outings of one date side by side.
    """
    shorter = min(one.end_s - one.start_s, other.end_s - other.start_s)
    shared = overlap_s(one, other)
    return shared >= 0.0 and shared >= _SAME_SHARE * shorter


def same_logs(one: Entry, other: Entry) -> bool:
    """Whether two days were made from the same logs, and the same part of them.

    At least half of the bytes of the one with less must be shared: a small file that lies in
    every folder does not make two days one.
    """
    mine = {r.sha256: r.bytes for r in one.raw_files}
    theirs = {r.sha256: r.bytes for r in other.raw_files}
    shared = sum(mine[key] for key in mine.keys() & theirs.keys())
    if shared == 0 or (one.part and other.part and one.part != other.part):
        return False
    return shared >= _SAME_SHARE * min(sum(mine.values()), sum(theirs.values()))


def free_id(day_id: str, entries: Sequence[Entry]) -> str:
    """The day's id, or with a number where another day has it."""
    taken = {e.day_id for e in entries}
    number, free = 2, day_id
    while free in taken:
        free, number = f"{day_id}-{number}", number + 1
    return free


# ------------------------------------------------------------------ index against folders
@dataclass
class _Held:
    """The index held against the folders, as far as it has come."""

    entries: list[Entry]
    listed: tuple[Entry, ...]
    dropped: list[Entry] = field(default_factory=list)
    adopted: list[Entry] = field(default_factory=list)
    superseded: list[str] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)

    def rivals(self, entry: Entry) -> list[Entry]:
        """Days of the same boat, or of any where it names none, at the same time."""
        return [e for e in self.entries if same_time(entry, e) and (
            not entry.boat_key or owner(e, self.entries) == entry.boat_key)]

    def adopt(self, entry: Entry, rivals: list[Entry], there: set[str]) -> Entry:
        """Take an unlisted day in, in the place of others of the same time."""
        for old in rivals:
            self.entries.remove(old)
            if old in self.listed:
                self.dropped.append(old)
            else:
                self.adopted = [e for e in self.adopted if e.folder != old.folder]
            if old.folder in there:
                self.superseded.append(old.folder)
        entry = replace(entry, day_id=free_id(entry.day_id, self.entries))
        self.entries.append(entry)
        self.adopted.append(entry)
        return entry


def _newer(entry: Entry, rivals: list[Entry], there: set[str], days: Path) -> list[Entry]:
    """Days that stand and were filed after an unlisted one of the same time."""
    return [e for e in rivals if e.folder in there
            and (is_marked(days / entry.folder) or e.filed_s >= entry.filed_s)]


def reconcile(listing: Listing, standing: Sequence[Path], days: Path) -> Catalogue:
    """Hold the index against the folders.

    Parameters
    ----------
    listing : Listing
        Read after ``standing``: a day filed in between is listed, not taken for unlisted.
    standing : sequence of Path
        What lies under ``days/``.
    days : Path
    """
    there = {p.name for p in standing}
    listed = tuple(_with_boat(e, days) for e in listing.entries)
    known = {e.folder for e in listed} | listing.leaving
    held = _Held(list(listed), listed)
    if listing.fault:
        held.faults.append(Fault(listing.fault, "index.sqlite", listing.detail))
    unlisted, faults = _unlisted([p for p in standing if p.name not in known])
    held.faults += faults
    for entry in unlisted:
        rivals = held.rivals(entry)
        newer = _newer(entry, rivals, there, days)
        if newer:
            held.superseded.append(entry.folder)
            held.faults.append(Fault("day-superseded", entry.folder, newer[0].day_id))
            continue
        entry = held.adopt(entry, rivals, there)
        if not listing.fault:
            held.faults.append(Fault("day-not-listed", entry.day_id))
    gone = [e for e in held.entries if e.folder not in there and not (days / e.folder).is_dir()]
    held.faults += [Fault("day-gone", e.day_id) for e in gone]
    held.entries.sort(key=lambda e: (e.start_s, e.day_id))
    return Catalogue(tuple(held.entries), tuple(held.adopted), (*held.dropped, *gone),
                     tuple(held.superseded), tuple(held.faults))


def _unlisted(folders: Sequence[Path]) -> tuple[list[Entry], list[Fault]]:
    """Days among folders that the index does not list, in the order of their filing."""
    found, faults = [], []
    for path in folders:
        if not path.exists() or path.is_symlink():  # just replaced, or somebody's own
            faults += [Fault("foreign", path.name)] if path.is_symlink() else []
            continue
        try:
            entry = read_entry(path)
        except (FileNotFoundError, NotADirectoryError):
            if path.exists():
                faults.append(Fault("unfinished" if (path / MARKER).exists() else "foreign",
                                    path.name))
        except DamagedError as error:
            faults.append(Fault("day-damaged", path.name, str(error)))
        else:
            found.append(_with_boat(entry, path.parent))
    return sorted(found, key=lambda e: (e.filed_s, e.folder)), faults


def _with_boat(entry: Entry, days: Path) -> Entry:
    """A day of an older format with the boat's name that its folder holds."""
    boat = entry.boat
    if not entry.seal and not boat:
        try:
            record = json.loads((days / entry.folder / "day.json").read_bytes())
            boat = str((record.get("boat") or {}).get("name") or "")
        except (OSError, ValueError, AttributeError):
            return entry
    return replace(entry, boat=boat, boat_key=boat_key(boat))
