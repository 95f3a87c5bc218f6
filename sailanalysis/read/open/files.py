"""Which files a day's logs are: folders walked, copies of one log found, nothing opened twice."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from sailanalysis.core.errors import LogError
from sailanalysis.core.staging import MARK, written_files
from sailanalysis.read.open.limits import PIECE_BYTES, is_gzip, open_log


@dataclass(frozen=True)
class Found:
    """One file to be read; ``named`` where a person named it, not a folder it lies in."""

    path: Path
    named: bool
    size: int
    modified_s: float


def files_under(paths: Iterable[str | os.PathLike[str]]) -> list[Found]:
    """Files named, and those in named folders: recursive, sorted, hidden ones skipped.

    Raises
    ------
    LogError
        A path does not exist or cannot be looked at; all of them are listed.
    """
    found: dict[str, Found] = {}
    missing: list[str] = []
    for path in map(Path, paths):
        try:
            if path.is_dir():
                for inner in _walk(path):
                    _note(found, inner, named=False)
            elif path.is_file():
                _note(found, path, named=True)
            elif path.exists():
                missing.append(f"{path}: not a file or folder")
            else:
                missing.append(f"{path}: no such file or folder")
        except (OSError, ValueError) as fault:
            missing.append(f"{path}: {getattr(fault, 'strerror', None) or fault}")
    if missing:
        raise LogError("; ".join(missing) + ".")
    return list(found.values())


def _walk(folder: Path) -> Iterable[Path]:
    for here, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        written = written_files(Path(here)).values() if MARK in names else ()
        own = {name for files in written for name in files}
        for name in sorted(set(names) - own):
            path = Path(here) / name
            if not name.startswith(".") and path.is_file():
                yield path


def _note(found: dict[str, Found], path: Path, *, named: bool) -> None:
    real = os.path.realpath(path)
    if real not in found or (named and not found[real].named):
        status = path.stat()
        found[real] = Found(path, named, status.st_size, status.st_mtime)


def copies(files: list[Found]) -> dict[Path, Path]:
    """Files whose (unpacked) content equals an earlier file's.

    Returns
    -------
    dict of Path to Path
        Copy to the file it repeats. Only files of equal length are compared.
    """
    by_length: dict[int, list[Found]] = {}
    for file in files:
        if file.size:
            try:
                by_length.setdefault(_unpacked_length(file), []).append(file)
            except OSError:
                continue
    out: dict[Path, Path] = {}
    for alike in by_length.values():
        if len(alike) < 2:
            continue
        seen: dict[bytes, Path] = {}
        for file in alike:
            try:
                digest = content_digest(file.path)
            except OSError:
                continue
            if digest in seen:
                out[file.path] = seen[digest]
            seen.setdefault(digest, file.path)
    return out


def _unpacked_length(file: Found) -> int:
    """Length modulo 2**32; a gzip file ends with it."""
    if not is_gzip(file.path) or file.size < 18:
        return file.size % (1 << 32)
    with open(file.path, "rb") as handle:
        handle.seek(-4, os.SEEK_END)
        return int.from_bytes(handle.read(4), "little")


def content_digest(path: Path) -> bytes:
    """Digest of a file's (unpacked) content, by which a copy of it is known again."""
    total = hashlib.blake2b(digest_size=16)
    with open_log(path) as handle:
        while piece := handle.read(PIECE_BYTES):
            total.update(piece)
    return total.digest()
