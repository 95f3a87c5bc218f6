"""What earlier evenings did in a boat's folder: which contents were read, which days were made.

The record is a convenience: without it everything is read and made once more, with the same result.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from sailanalysis.core.errors import SailAnalysisError
from sailanalysis.read.open.files import content_digest, files_under

NAME: Final = ".evening.json"
_EDITION: Final = 1


@dataclass(frozen=True)
class DoneDay:
    """A day that was analysed, by the contents it was made from.

    Attributes
    ----------
    date : str
    hours : (float, float)
        First and last instant logged, seconds since 1970.
    logs, notes : frozenset of str
        Digests.
    """

    date: str
    hours: tuple[float, float]
    logs: frozenset[str]
    notes: frozenset[str]


@dataclass
class Done:
    """The record of a boat's folder.

    Attributes
    ----------
    days : dict of str to DoneDay
        By date.
    read : set of str
        Digests of the logs that were read, whether they gave a day or not.
    """

    path: Path
    days: dict[str, DoneDay] = field(default_factory=dict)
    read: set[str] = field(default_factory=set)
    _seen: dict[str, tuple[int, int, str]] = field(default_factory=dict)

    @classmethod
    def of(cls, folder: Path) -> Done:
        """The record in a folder; an empty one where there is none, or none that can be used."""
        done = cls(folder / NAME)
        try:
            held = json.loads(done.path.read_text(encoding="utf-8"))
            if held["edition"] == _EDITION:
                done.days = {day: _day(day, value) for day, value in held["days"].items()}
                done.read = {str(digest) for digest in held["read"]}
                done._seen = {name: (int(size), int(changed), str(digest))
                              for name, (size, changed, digest) in held["seen"].items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return cls(folder / NAME)
        return done

    def save(self) -> None:
        """Write the record in one step."""
        value = {
            "edition": _EDITION, "read": sorted(self.read), "seen": self._seen,
            "days": {day.date: {"hours": day.hours, "logs": sorted(day.logs),
                                "notes": sorted(day.notes)} for day in self.days.values()}}
        aside = self.path.with_name(f"{NAME}.{os.getpid()}")
        try:
            aside.write_text(json.dumps(value, indent=1) + "\n", encoding="utf-8")
            os.replace(aside, self.path)
        except OSError as error:
            aside.unlink(missing_ok=True)
            raise SailAnalysisError(f"cannot write to {self.path.parent}: "
                                    f"{error.strerror or error}") from error

    def digests(self, paths: Iterable[Path]) -> dict[str, Path]:
        """Files by the digest of their content; of equal ones the first.

        Files that cannot be read are left out. A file of the same size and time as last evening
        is taken for unchanged.
        """
        out: dict[str, Path] = {}
        for path in paths:
            try:
                status = path.stat()
                name, mark = str(path.resolve()), (status.st_size, status.st_mtime_ns)
                if self._seen.get(name, ())[:2] != mark:
                    self._seen[name] = (*mark, content_digest(path).hex())
                out.setdefault(self._seen[name][2], path)
            except OSError:
                continue
        return out


def _day(date: str, value: dict[str, Any]) -> DoneDay:
    start, end = value["hours"]
    return DoneDay(date, (float(start), float(end)), frozenset(map(str, value["logs"])),
                   frozenset(map(str, value["notes"])))


def files_in(folder: Path) -> list[Path]:
    """The files in and below a folder; none where it is missing."""
    return [found.path for found in files_under([folder])] if folder.is_dir() else []
