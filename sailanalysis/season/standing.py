"""Whether a folder is a season archive, and what else lies in it."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from sailanalysis.season import folders, index

_OWN_NAMES: Final = frozenset({index.NAME, *(index.NAME + end for end in index.BESIDE),
                               "days", "aside", "lost", "kept"})
_JOURNALS: Final = frozenset(index.NAME + end for end in index.BESIDE)
"""Beside an index that another process is making just now."""
_SYSTEM_NAMES: Final = frozenset({"desktop.ini", "thumbs.db"})


def is_archive(path: Path) -> bool:
    """Whether a folder is a season archive: it has an index, or folders of days."""
    if not path.is_dir():
        return False
    if any((p / folders.CONTENTS).is_file() or (
            (p / "day.json").is_file() and (p / "samples.parquet").is_file())
           for p in standing(path / "days")):
        return True
    file = path / index.NAME
    if file.is_file() and file.stat().st_size == 0:  # made, and nothing written yet
        return not others(path)
    return index.read_index(file).fault == ""


def others(path: Path) -> list[str]:
    """What lies in a folder that is neither an archive's nor the system's."""
    if not path.is_dir():
        return []
    return sorted(p.name for p in path.iterdir() if not p.name.startswith(".")
                  and p.name.lower() not in _SYSTEM_NAMES
                  and p.name not in _JOURNALS
                  and not (p.name in _OWN_NAMES and _is_empty(p)))


def standing(days: Path) -> list[Path]:
    """What stands in the folder of days, in order."""
    try:
        return sorted(days.iterdir())
    except (FileNotFoundError, NotADirectoryError):
        return []


def _is_empty(path: Path) -> bool:
    return not any(path.iterdir()) if path.is_dir() else path.stat().st_size == 0
