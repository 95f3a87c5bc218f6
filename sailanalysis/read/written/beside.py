"""Boat files that lie beside the logs: each log has that of its own folder, or of one above."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from sailanalysis.core.errors import BoatFileError, Finding, LogError
from sailanalysis.core.model import Boat
from sailanalysis.read.open.files import files_under
from sailanalysis.read.recognise import recognise
from sailanalysis.read.written.boatfile import MAX_BYTES, read_boat_file_with_findings


class Beside:
    """Which boat a log is of.

    Parameters
    ----------
    boat : Boat, path or None
        Of all logs; its file is read once.
    by_folder : dict of Path to Path, optional
        Where ``boat`` is None: the boat file in each (resolved) folder that has one.
    """

    def __init__(self, boat: Boat | str | os.PathLike[str] | None = None,
                 by_folder: dict[Path, Path] | None = None) -> None:
        self._given = boat if isinstance(boat, Boat) else None
        self._file = None if boat is None or isinstance(boat, Boat) else Path(boat)
        self._by_folder = by_folder or {}
        self._read: dict[Path, tuple[Boat, list[Finding]]] = {}

    def file_of(self, log: Path) -> Path | None:
        """The boat file that a log goes with, or None."""
        if self._file is not None:
            return self._file
        folders = log.resolve().parents
        return next((self._by_folder[f] for f in folders if f in self._by_folder), None)

    def boat_of(self, log: Path) -> Boat:
        """The boat that a log is of; an unknown one where no boat file lies there."""
        return self._boat(self.file_of(log))[0]

    def boat_of_day(self, logs: Sequence[Path]) -> tuple[Boat, Path | None, list[Finding]]:
        """The boat of all logs of a day, its file, and what is to be known of that.

        Raises
        ------
        LogError
            If the logs lie with boat files of different names.
        """
        files = list(dict.fromkeys(f for log in logs if (f := self.file_of(log)) is not None))
        boats = [self._boat(file) for file in files]
        if not boats:
            return self._boat(None)[0], None, []
        named = {boat.name.casefold(): file for (boat, _), file in zip(boats, files, strict=True)
                 if boat.name}
        if len(named) > 1:
            one, other = list(named.values())[:2]
            raise LogError(f"the logs of one day lie with the boat files of two boats, {one} and "
                           f"{other}; give the logs of one boat, or say which with --boat.")
        return boats[0][0], files[0], list(boats[0][1])

    def _boat(self, file: Path | None) -> tuple[Boat, list[Finding]]:
        if file is None:
            return self._given or Boat(), []
        if file not in self._read:
            self._read[file] = read_boat_file_with_findings(file)
        return self._read[file]


def boat_files_in(paths: Sequence[str | os.PathLike[str]]) -> Beside:
    """The boat files in the folders among some paths, or named there, known by their content.

    Raises
    ------
    BoatFileError
        Two that differ lie in one folder.
    LogError
        A path does not exist.
    """
    by_folder: dict[Path, Path] = {}
    for found in files_under(paths):
        path = found.path
        if path.suffix.lower() != ".toml" or found.size > MAX_BYTES:
            continue
        content = _content(path)
        if recognise(content) != "boat file":
            continue
        if found.named:
            return Beside(path)
        other = by_folder.setdefault(path.resolve().parent, path)
        if other is not path and _content(other) != content:
            raise BoatFileError(f"two boat files lie in {path.parent}: {other.name} and "
                                f"{path.name}; say which with --boat")
    return Beside(by_folder=by_folder)


def _content(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""
