"""Which of the crew's notes in the boat's folder are about which day."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final

from sailanalysis.app.boat_folder import BoatFolder
from sailanalysis.app.done import Done, files_in
from sailanalysis.app.taking import Taken
from sailanalysis.core.errors import BoatFileError
from sailanalysis.core.staging import copied
from sailanalysis.read.days.card import CrewLogs, DayFound
from sailanalysis.read.written.crewlog import dates_written

_DATE: Final = re.compile(r"(?<!\d)(\d{4})-?(\d{2})-?(\d{2})(?!\d)")
_TO: Final = re.compile(r"\d\s*(?:to|bis|\.\.|–)\s*\d")


class Notes:
    """The notes of a boat's folder, asked which of them are about the days found.

    Notes are about the dates that stand in them; else those in their name (two dates with ``to``
    between them are a span); else the newest day that is not younger than the file. Notes that
    came on a card with logs, and bear no date, get the dates of those logs in front of their name.

    Parameters
    ----------
    folder : BoatFolder
    done : Done
    taken : Taken
        Its notes are copied into ``notes/`` once the days are known.
    """

    def __init__(self, folder: BoatFolder, done: Done, taken: Taken) -> None:
        self._folder, self._done, self._taken = folder, done, taken
        self._dates: dict[Path, frozenset[str]] = {}

    def __call__(self, days: Sequence[DayFound]) -> list[CrewLogs]:
        """Copy the card's notes in, now that the days they came with are known; then `of`."""
        self.keep(days)
        return self.of(days)

    def of(self, days: Sequence[DayFound]) -> list[CrewLogs]:
        """The crew logs of each day, and the hours of all days that those are about."""
        hours = {day.date: day.hours for day in self._done.days.values()}
        hours |= {day.date: day.hours for day in days}
        about = {path: self._about(path, hours) for path in files_in(self._folder.notes)}
        linked = _linked([dates for path, dates in about.items() if not self._written(path)])
        out = []
        for day in days:
            near = _dates_of(day)
            group = set().union(near, *(g for g in linked if g & near))
            paths = tuple(path for path, dates in about.items()
                          if dates & (near if self._written(path) else group))
            out.append(CrewLogs(paths, tuple(sorted(
                hours[d] for d in {day.date, *group} if d in hours))))
        return out

    def keep(self, days: Sequence[DayFound]) -> None:
        """Copy the card's notes, with the dates of the logs they came with in their names."""
        by_digest = {digest: day.date for day in days
                     for digest in self._done.digests(day.files)}
        for note in self._taken.notes:
            dates = sorted({by_digest[digest] for digest in self._taken.beside.get(note, ())
                            if digest in by_digest})
            name = note.name
            if dates and not self._written(note) and not _in_name(note.name):
                name = f"{dates[0]} {name}" if len(dates) == 1 else (
                    f"{dates[0]} to {dates[-1]} {name}")
            copied(note, self._folder.notes, name)
        self._taken.notes.clear()

    def _written(self, path: Path) -> frozenset[str]:
        """Dates that stand in the notes themselves."""
        if path not in self._dates:
            try:
                self._dates[path] = dates_written(path)
            except (BoatFileError, ValueError):
                self._dates[path] = frozenset()
        return self._dates[path]

    def _about(self, path: Path, known: Iterable[str]) -> frozenset[str]:
        """Dates of the days that notes are about."""
        found = self._written(path) or _in_name(str(path.relative_to(self._folder.notes)))
        if found:
            return found
        last = datetime.fromtimestamp(path.stat().st_mtime, UTC).date().isoformat()
        days = sorted(known)
        before = [day for day in days if day <= last]
        return frozenset(before[-1:] or days[:1])


def _dates_of(day: DayFound) -> set[str]:
    """The day's date, and those on which it began and ended by UTC."""
    return {day.date, *(datetime.fromtimestamp(t, UTC).date().isoformat() for t in day.hours)}


def _in_name(name: str) -> frozenset[str]:
    """Dates in a file's name: a span where `to` stands between two."""
    found = []
    for year, month, day in _DATE.findall(name):
        try:
            found.append(date(int(year), int(month), int(day)))
        except ValueError:
            continue
    if len(found) == 2 and _TO.search(name) and found[0] < found[1]:
        days = min((found[1] - found[0]).days, 366)
        found = [found[0] + timedelta(days=k) for k in range(days + 1)]
    return frozenset(day.isoformat() for day in found)


def _linked(sets: Iterable[frozenset[str]]) -> list[set[str]]:
    """Sets that share a date, joined: times of day are dealt out to all of them together."""
    out: list[set[str]] = []
    for new in sets:
        joined = set(new)
        apart = []
        for group in out:
            if group & joined:
                joined |= group
            else:
                apart.append(group)
        out = [*apart, joined]
    return out
