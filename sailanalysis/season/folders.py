"""A day's folder: written once, sealed, checked whenever it is read, never deleted on suspicion.

A folder holds the day's tables, ``day.json``, and ``contents.json``: two lines, the first an
object with all that the index needs and every file's digest, the second the digest of the first.
While a folder is being written, or taken away, it holds a file ``unfinished``: written before the
work, removed after the index's commit. Nothing without that file is ever deleted unasked.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

import pandas as pd

from sailanalysis.season.records import DamagedError, Entry, RawFile
from sailanalysis.season.store import (
    bytes_digest,
    parse_table,
    sync_folder,
    text_digest,
    to_json,
    write_table,
    write_text,
)

TABLES: Final = ("blocks", "legs", "maneuvers", "helm", "trials", "polar", "targets")
FILES: Final = ("day.json", "samples.parquet", *(f"{name}.parquet" for name in TABLES))
CONTENTS: Final = "contents.json"
MARKER: Final = "unfinished"
_OURS: Final = frozenset({*FILES, CONTENTS, MARKER})
_STALE_S: Final = 24 * 3600.0


@dataclass(frozen=True)
class Contents:
    """``contents.json``: the day as the index lists it, its files' digests, the run's settings."""

    entry: Entry
    files: dict[str, str]
    settings: dict[str, Any]


# ------------------------------------------------------------------ writing
def mark(folder: Path) -> None:
    """Say that work on this folder is under way."""
    write_text(folder / MARKER, to_json({"host": platform.node(), "pid": os.getpid(),
                                         "began_s": time.time()}))


def unmark(folder: Path) -> None:
    """Say that the work is done."""
    (folder / MARKER).unlink(missing_ok=True)
    sync_folder(folder)


def write_day(folder: Path, samples: pd.DataFrame, tables: dict[str, pd.DataFrame],
              record: dict[str, Any], entry: Entry, settings: dict[str, Any]) -> Entry:
    """Write a day's files into a new folder and force them to disk.

    Returns
    -------
    Entry
        The given one with ``content`` and ``seal``.
    """
    folder.mkdir()
    mark(folder)
    text = to_json(record)
    write_table(folder / "samples.parquet", samples, small=True)
    for name in TABLES:
        write_table(folder / f"{name}.parquet", tables[name])
    write_text(folder / "day.json", text)
    digests = {name: bytes_digest((folder / name).read_bytes()) for name in FILES}
    entry = replace(entry, content=legacy_content(text, entry.raw_files, digests))
    seal = write_contents(folder, entry, digests, settings)
    sync_folder(folder)
    return replace(entry, seal=seal)


def legacy_content(record: str, raw: Iterable[RawFile], digests: dict[str, str]) -> str:
    """Digest of a day's content, as formats 1 and 2 have it in the index."""
    return text_digest([record, *(r.sha256 for r in raw),
                        *(digests[f"{name}.parquet"] for name in TABLES),
                        digests["samples.parquet"]])


def write_contents(folder: Path, entry: Entry, digests: dict[str, str],
                   settings: dict[str, Any]) -> str:
    """Write ``contents.json`` (whole or not at all); returns its seal."""
    kept = {k: v for k, v in asdict(entry).items() if k not in ("folder", "seal", "summary",
                                                               "calibration")}
    line = to_json({"day": kept, "files": digests, "settings": settings})
    seal = bytes_digest(line.encode())
    aside = folder / f"{CONTENTS}.{os.getpid()}"
    write_text(aside, f"{line}\n{seal}\n")
    os.replace(aside, folder / CONTENTS)
    return seal


# ------------------------------------------------------------------ reading
def read_contents(folder: Path, seal: str = "") -> Contents:
    """Read and check ``contents.json``; the summary and calibration come from ``day.json``.

    Parameters
    ----------
    seal : str
        As the index has it; empty: the file's own is taken.

    Raises
    ------
    DamagedError
    FileNotFoundError
        If the folder has none (a day of an older format, or no day).
    """
    data = (folder / CONTENTS).read_bytes()
    line, _, rest = data.partition(b"\n")
    own = bytes_digest(line)
    if rest != own.encode() + b"\n" or (seal and own != seal):
        raise DamagedError(f"{CONTENTS} is not what was written")
    held = json.loads(line)
    day = held["day"]
    day["raw_files"] = tuple(RawFile(**r) for r in day["raw_files"])
    entry = Entry(**day, folder=folder.name, seal=own, summary="", calibration="")
    return Contents(entry, held["files"], held["settings"])


def read_entry(folder: Path) -> Entry:
    """All that the index needs, from the folder alone.

    Raises
    ------
    DamagedError
    FileNotFoundError
        If this is no day's folder.
    """
    try:
        contents = read_contents(folder)
    except FileNotFoundError:
        return _older_entry(folder)
    record = json.loads(checked_bytes(folder, "day.json", contents.files))
    return replace(contents.entry, summary=to_json(record["summary"]),
                   calibration=to_json(record["calibration"]))


def _older_entry(folder: Path) -> Entry:
    """A day of format 1 or 2, which kept its digests in the index alone."""
    try:
        record = json.loads((folder / "day.json").read_bytes())
        index = parse_table((folder / "samples.parquet").read_bytes(), ["time"]).index
        start, end = index[0], index[-1]
        return Entry(
            day_id=start.strftime("%Y-%m-%d-%H%M"), boat_key="",
            boat=str((record.get("boat") or {}).get("name") or ""), start_s=start.timestamp(),
            end_s=end.timestamp(), part="", folder=folder.name, content="", seal="",
            filed_s=(folder / "day.json").stat().st_mtime, software=str(record["software"]),
            summary=to_json(record["summary"]), calibration=to_json(record["calibration"]))
    except FileNotFoundError:
        raise
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, OSError) as error:
        raise DamagedError(f"day.json or samples.parquet cannot be read ({error})") from error


def checked_bytes(folder: Path, name: str, digests: dict[str, str]) -> bytes:
    """A file's bytes, if they are the ones that were filed.

    Raises
    ------
    DamagedError
    """
    try:
        data = (folder / name).read_bytes()
    except FileNotFoundError:
        raise DamagedError(f"{name} is gone") from None
    except OSError as error:
        raise DamagedError(f"{name} cannot be read ({error.strerror})") from error
    if name not in digests or bytes_digest(data) != digests[name]:
        raise DamagedError(f"{name} is not what was filed")
    return data


def digests_of(folder: Path, entry: Entry) -> dict[str, str]:
    """The digests that a day's files must have.

    For a day of an older format they are taken from the files themselves, once the digest of the
    whole, kept in the index, is seen to agree.

    Raises
    ------
    DamagedError
    """
    if entry.seal:
        try:
            return read_contents(folder, entry.seal).files
        except FileNotFoundError:
            raise DamagedError(f"{CONTENTS} is gone") from None
    try:
        digests = {name: bytes_digest((folder / name).read_bytes()) for name in FILES}
        record = (folder / "day.json").read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise DamagedError(f"{Path(error.filename).name} is gone") from None
    except (OSError, UnicodeDecodeError) as error:
        raise DamagedError(f"a file cannot be read ({error})") from error
    if entry.content and legacy_content(record, entry.raw_files, digests) != entry.content:
        raise DamagedError("a file is not what was filed")
    return digests


def damaged_files(folder: Path, entry: Entry) -> list[str]:
    """What is wrong with a day's files, one reason each; empty when all are as filed."""
    try:
        digests = digests_of(folder, entry)
    except DamagedError as error:
        return [str(error)]
    out = []
    for name in FILES:
        try:
            checked_bytes(folder, name, digests)
        except DamagedError as error:
            out.append(str(error))
    return out


# ------------------------------------------------------------------ taking away
def is_marked(folder: Path) -> bool:
    """Whether work on this folder was begun and not ended."""
    return (folder / MARKER).is_file()


def is_stale(folder: Path) -> bool:
    """Whether nobody can be working on a marked folder any more."""
    try:
        return (folder / MARKER).stat().st_mtime < time.time() - _STALE_S
    except OSError:
        return False


def take_away(folder: Path, aside: Path, lost: Path) -> None:
    """Delete the day's own files; whatever else lies in the folder is moved under ``lost/``.

    The folder leaves ``days/`` in one rename before anything in it is deleted.
    """
    if not folder.exists():
        return
    if folder.is_symlink():
        move_to(folder, lost)
        return
    if not is_marked(folder):
        try:  # a rename needs no room: days can be removed from a full disk
            os.replace(folder / "day.json", folder / MARKER)
        except FileNotFoundError:
            mark(folder)
    goal = aside / folder.name
    if folder != goal:
        aside.mkdir(exist_ok=True)
        os.replace(folder, goal)
    clear(goal, lost)


def clear(folder: Path, lost: Path) -> None:
    """Delete a marked folder's own files, the marker last."""
    for path in list(folder.iterdir()):
        temporary = path.name.startswith(f"{CONTENTS}.")
        if (path.name in _OURS - {MARKER} or temporary) and path.is_file():
            path.unlink()
    if any(p.name != MARKER for p in folder.iterdir()):
        (folder / MARKER).unlink(missing_ok=True)
        move_to(folder, lost)
        return
    (folder / MARKER).unlink(missing_ok=True)
    folder.rmdir()


def move_to(path: Path, lost: Path) -> str:
    """Move a folder or file under ``lost/``, never over another; returns its new name."""
    lost.mkdir(exist_ok=True)
    name, number = path.name, 2
    while (lost / name).exists() or (lost / name).is_symlink():
        name, number = f"{path.name}-{number}", number + 1
    os.replace(path, lost / name)
    return name


def sweep(aside: Path, lost: Path) -> None:
    """Clear what killed writers left aside a day ago or more; what carries no marker stays."""
    if not aside.is_dir():
        return
    for folder in aside.iterdir():
        if folder.is_dir() and not folder.is_symlink() and is_marked(folder) and is_stale(folder):
            with contextlib.suppress(OSError):
                clear(folder, lost)
