"""What is new on a card, copied into the boat's folder: known by its content, never moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sailanalysis.app.boat_folder import BoatFolder
from sailanalysis.app.done import Done, files_in
from sailanalysis.core.progress import Progress
from sailanalysis.core.staging import copied
from sailanalysis.read.formats import formats
from sailanalysis.read.logs import recognised
from sailanalysis.read.open.files import content_digest, files_under
from sailanalysis.read.open.limits import open_log
from sailanalysis.read.wording import listed_names


@dataclass
class Taken:
    """What was found on a card.

    Attributes
    ----------
    logs, notes : list of Path
        Copies made of logs in ``logs/``; notes as they lie on the card.
    known : int
        Files whose content was here already.
    others : list of str
        Names of files that are neither logs nor notes.
    beside : dict of Path to set of str
        Each new note, and the digests of the new logs in its folder and below.
    """

    logs: list[Path] = field(default_factory=list)
    notes: list[Path] = field(default_factory=list)
    known: int = 0
    others: list[str] = field(default_factory=list)
    beside: dict[Path, set[str]] = field(default_factory=dict)

    def words(self, lying: int = 0) -> str:
        """What was taken, in a clause; ``lying`` new logs lay in the boat's folder already."""
        found = [_counted(len(self.logs), "log")] if self.logs else []
        found += [_counted(len(self.notes), "file") + " of notes"] if self.notes else []
        found += [_counted(lying, "log") + " put into logs/"] if lying else []
        known = [f"{_counted(self.known, 'file')} known already"] if self.known else []
        other = [f"left there: {listed_names(self.others)}"] if self.others else []
        return "; ".join([*([" and ".join(found)] if found else []), *known, *other])


def _counted(number: int, word: str) -> str:
    return f"{number} {word}{'s' if number != 1 else ''}"


def take_in(paths: Sequence[str], folder: BoatFolder, done: Done, progress: Progress) -> Taken:
    """Copy the logs that are new on cards or in folders into ``logs/``.

    Parameters
    ----------
    paths : sequence of str
        Cards, folders or files.
    folder : BoatFolder
    done : Done
    progress : Progress

    Returns
    -------
    Taken

    Raises
    ------
    LogError
        A path does not exist.
    SailAnalysisError
        A log cannot be copied.
    """
    here = folder.path.resolve()
    files = [found.path for found in files_under(paths)
             if here not in found.path.resolve().parents] if paths else []
    have = set(done.digests([*files_in(folder.logs), *files_in(folder.notes)]))
    out = Taken()
    sources: dict[Path, str] = {}
    for number, path in enumerate(files):
        progress("looking through the card", number / len(files))
        kind = _kind(path)
        if kind not in ("log", "notes"):
            out.others += [path.name] if kind == "other" else []
            continue
        digest = content_digest(path).hex()
        if digest in have:
            out.known += 1
            continue
        have.add(digest)
        if kind == "log":
            out.logs.append(copied(path, folder.logs, path.name))
            sources[path] = digest
        else:
            out.notes.append(path)
    out.beside = {note: _near(note, sources) for note in out.notes}
    return out


def _near(note: Path, logs: dict[Path, str]) -> set[str]:
    near = {digest for log, digest in logs.items()
            if note.resolve().parent in log.resolve().parents}
    return near or set(logs.values())


def _kind(path: Path) -> str:
    """``log``, ``notes``, ``boat file``, ``nothing`` or ``other``."""
    try:
        with open_log(path) as handle:
            name, _ = recognised(handle)
    except OSError:
        return "other"
    if name in formats():
        return "log"
    return {"crew log": "notes", "empty": "nothing", "own table": "nothing"}.get(name, "other")
