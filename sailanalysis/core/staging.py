"""Outputs appear whole or not at all, and never in place of a file that is not the program's.

A folder of results carries ``MARK``, which lists the files the program wrote there and their
digests. New results are written into a folder beside it and the two change places in one step of
the system (``renameat2`` or ``renamex_np``; where neither is there, two renames). What else lies in
the folder, and what somebody changed, is linked into the new one first.
"""

from __future__ import annotations

import ctypes
import hashlib
import json
import os
import secrets
import shutil
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from glob import escape
from pathlib import Path
from typing import Final

from sailanalysis.core.errors import SailAnalysisError

MARK: Final = ".sailanalysis.json"
"""Names the files of a folder that the program wrote, by what they are (``day``, ``season``)."""
BESIDE: Final = "sailing-report"
"""Folder for results where the folder asked for holds somebody's files."""
_UNFINISHED: Final = ".unfinished-"
_SYSTEM_FILES: Final = (".DS_Store", "Thumbs.db", "desktop.ini")
_Written = dict[str, dict[str, str]]


def is_own_folder(folder: Path) -> bool:
    """Whether a folder holds results that this program wrote."""
    return (folder / MARK).is_file()


def place_for(out_dir: str | Path) -> Path:
    """Where results asked for in ``out_dir`` go: there, unless other files stand in the way.

    A folder that holds anything the program did not write is left alone, and the results go into
    ``sailing-report`` in it. A folder of earlier results is taken, with whatever was put there
    since, as long as none of it has the name of a result.
    """
    target = Path(os.path.realpath(out_dir))
    if not target.is_dir():
        return target
    entries = [p for p in target.iterdir()
               if not p.name.startswith(_UNFINISHED) and p.name not in _SYSTEM_FILES]
    if is_own_folder(target) or all(p.is_dir() and is_own_folder(p) for p in entries):
        return target
    return place_for(target / BESIDE)


@contextmanager
def staged(out_dir: str | Path, kind: str = "day") -> Iterator[Path]:
    """A folder to write into; it becomes ``out_dir`` when the block ends well.

    A block that ends badly (an error, Ctrl-C, a full disk, a kill) leaves ``out_dir`` as it was.
    Results of another ``kind`` in the same folder stay.

    Raises
    ------
    SailAnalysisError
        If the folder cannot be made or written to; the message names it.
    """
    target = Path(os.path.realpath(out_dir))
    made = [folder for folder in target.parents if not folder.exists()]
    aside: Path | None = None
    note: Path | None = None
    try:
        if target.exists() and not target.is_dir():
            raise NotADirectoryError(20, "there is a file of that name")
        target.parent.mkdir(parents=True, exist_ok=True)
        _sweep(target)
        home = target if _must_stay(target) else target.parent
        aside = home / f"{_UNFINISHED}{target.name}-{secrets.token_hex(4)}"
        note = aside.with_name(aside.name + ".pid")
        note.write_text(str(os.getpid()))
        aside.mkdir()
        yield aside
        _sign(aside, target, kind)
        if home == target:
            _in_place(aside, target)
        else:
            _keep_others(target, aside)
            _swap(aside, target)
            _keep_others(aside, target)
    except OSError as error:
        raise SailAnalysisError(f"cannot write to {target}: {error.strerror or error}; "
                                "choose another --out or free some space") from error
    finally:
        if aside is not None:
            shutil.rmtree(aside, ignore_errors=True)
        if note is not None:
            note.unlink(missing_ok=True)
        for folder in made:  # an --out made for nothing is taken away again
            with suppress(OSError):
                folder.rmdir()


def _must_stay(target: Path) -> bool:
    """Whether the folder cannot change places: somebody stands in it, or its parent is closed."""
    if not target.is_dir():
        return False
    with suppress(OSError):
        here = Path(os.path.realpath(os.getcwd()))
        if target == here or target in here.parents:
            return True
    return os.path.ismount(target) or not os.access(target.parent, os.W_OK)


def _sweep(target: Path) -> None:
    """Take away what a killed run left beside a folder; a folder it had moved off is put back."""
    for home in (target.parent, target):
        if not home.is_dir():
            continue
        for note in home.glob(f"{_UNFINISHED}{escape(target.name)}-????????.pid"):
            with suppress(OSError, ValueError):
                if not _alive(int(note.read_text() or 0)):
                    _mend(note.with_suffix(""), target)
                    note.unlink()


def _mend(aside: Path, target: Path) -> None:
    """End what a killed run began: keep what is somebody's, drop what is its own."""
    before = aside.with_name(aside.name + ".before")
    if before.is_dir() and not target.exists():
        os.rename(before, target)
    for left in (before, aside):
        if left.is_dir():
            # Without a mark it is unfinished work; with one, it may be the folder swapped out.
            if target.is_dir() and is_own_folder(left):
                _keep_others(left, target)
            shutil.rmtree(left)


def _alive(pid: int) -> bool:
    if pid <= 0 or pid == os.getpid():
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _digest(path: Path) -> str:
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def written_files(folder: Path) -> _Written:
    """The files of a folder that the program wrote, by kind, with their digests."""
    try:
        found = json.loads((folder / MARK).read_text(encoding="utf-8"))["written"]
        return {str(kind): {str(name): str(digest) for name, digest in files.items()}
                for kind, files in found.items()}
    except (OSError, ValueError, KeyError, AttributeError):
        return {}


def _to_disk(folder: Path) -> None:
    """Wait until a folder and all in it are written out."""
    for path in (*folder.rglob("*"), folder):
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _sign(aside: Path, target: Path, kind: str) -> None:
    """Write the mark of the new folder, and bring along what other kinds left in the old one."""
    new = {str(p.relative_to(aside)): _digest(p) for p in sorted(aside.rglob("*")) if p.is_file()}
    others = {name: files for name, files in written_files(target).items() if name != kind}
    for name, files in others.items():
        others[name] = {f: d for f, d in files.items() if f not in new and (target / f).is_file()}
        for file in others[name]:
            _link(target / file, aside / file)
    mark = {"program": "sailanalysis", "written": {**others, kind: new}}
    part = aside / f"{MARK}.part"  # half a mark would make strangers of the folder's own files
    part.write_text(json.dumps(mark, indent=1) + "\n", encoding="utf-8")
    os.replace(part, aside / MARK)
    _to_disk(aside)


def _is_left_alone(path: Path, name: str, written: Mapping[str, str]) -> bool:
    """Whether a file is the program's: the mark, something unfinished, or a result unchanged."""
    if name == MARK or name.startswith(_UNFINISHED):
        return True
    return name in written and (path.is_symlink() or _digest(path) == written[name])


def _digests(folder: Path) -> dict[str, str]:
    """Every file that the program wrote into a folder, with its digest then."""
    return {name: digest for files in written_files(folder).values()
            for name, digest in files.items()}


def _keep_others(old: Path, new: Path) -> None:
    """Link into ``new`` what is in ``old`` and is nobody's result: other files, changed results."""
    if not old.is_dir():
        return
    written = _digests(old)
    for path in sorted(old.rglob("*")):
        name = str(path.relative_to(old))
        if path.is_dir() and not path.is_symlink():
            if not name.startswith(_UNFINISHED):
                (new / name).mkdir(parents=True, exist_ok=True)
        elif not _is_left_alone(path, name, written):
            _link(path, _free(new / name, path))


def _free(goal: Path, path: Path) -> Path:
    """A name that no other file has: ``legs.csv``, else ``legs.kept-1.csv``, ..."""
    number, tried = 0, goal
    while tried.is_symlink() or tried.exists():
        if not tried.is_dir() and os.path.samestat(os.lstat(tried), os.lstat(path)):
            return tried
        number += 1
        tried = goal.with_name(f"{goal.stem}.kept-{number}{goal.suffix}")
    return tried


def copied(source: Path, folder: Path, name: str) -> Path:
    """Copy a file into a folder, whole or not at all, under a name that no file there has.

    Parameters
    ----------
    source : Path
        It is read and never changed; its time goes with the copy.
    folder : Path
        Made where it is missing.
    name : str
        Name wanted: ``log.nmea``, else ``log-2.nmea``, ...

    Returns
    -------
    Path
        The copy.

    Raises
    ------
    SailAnalysisError
        If it cannot be read or written; the message names it.
    """
    aside = folder / f"{_UNFINISHED}{os.getpid()}-{secrets.token_hex(4)}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _sweep_copies(folder)
        shutil.copyfile(source, aside)
        with aside.open("rb") as handle:
            os.fsync(handle.fileno())
        if _digest(aside) != _digest(source):
            raise OSError(5, "the copy differs from the original; the card may be failing")
        shutil.copystat(source, aside)
        number, goal = 1, folder / name
        while not _named(aside, goal):
            number += 1
            goal = folder / f"{Path(name).stem}-{number}{Path(name).suffix}"
        return goal
    except OSError as error:
        raise SailAnalysisError(f"cannot copy {source} into {folder}: "
                                f"{error.strerror or error}") from error
    finally:
        aside.unlink(missing_ok=True)


def _named(aside: Path, goal: Path) -> bool:
    """Give a finished file its name; False where another file has it."""
    if goal.is_symlink() or goal.exists():
        return False
    try:
        os.link(aside, goal)
    except FileExistsError:
        return False
    except OSError:  # a card's file system has no links
        try:
            os.close(os.open(goal, os.O_CREAT | os.O_EXCL))
        except FileExistsError:
            return False
        os.replace(aside, goal)
    return True


def _sweep_copies(folder: Path) -> None:
    """Take away what copies that were killed left in a folder."""
    for left in folder.glob(f"{_UNFINISHED}*-????????"):
        pid = left.name.removeprefix(_UNFINISHED).partition("-")[0]
        if left.is_file() and pid.isdigit() and not _alive(int(pid)) and int(pid) != os.getpid():
            left.unlink(missing_ok=True)


def _link(path: Path, goal: Path) -> None:
    if goal.is_symlink() or goal.exists():
        return
    goal.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(path, goal, follow_symlinks=False)
    except (OSError, NotImplementedError):
        shutil.copy2(path, goal, follow_symlinks=False)


def _swap(aside: Path, target: Path) -> None:
    """Put ``aside`` where ``target`` is; what was there is then in ``aside``."""
    if not target.exists():
        os.rename(aside, target)
    elif not _exchange(aside, target):
        before = aside.with_name(aside.name + ".before")
        os.rename(target, before)
        os.rename(aside, target)
        os.rename(before, aside)


def _exchange(one: Path, other: Path) -> bool:
    """Let two folders change places in one step; False where the system has no such call."""
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "darwin":
            return bool(libc.renamex_np(os.fsencode(one), os.fsencode(other), 2) == 0)
        here = -100  # AT_FDCWD
        return bool(libc.renameat2(here, os.fsencode(one), here, os.fsencode(other), 2) == 0)
    except (OSError, AttributeError, TypeError):
        return False


def _in_place(aside: Path, target: Path) -> None:
    """Move file by file where the folder itself must stay; the page last, then the mark."""
    for name, digest in _digests(target).items():
        path = target / name
        if not path.is_file():
            continue
        again, unchanged = (aside / name).exists(), _digest(path) == digest
        if unchanged and not again:
            path.unlink()
        elif again and not unchanged:
            os.rename(path, _free(path, path.parent))
    files = [p for p in aside.rglob("*") if p.is_file()]
    for path in sorted(files, key=lambda p: (p.name == MARK, p.suffix == ".html", p.name)):
        goal = target / path.relative_to(aside)
        goal.parent.mkdir(parents=True, exist_ok=True)
        os.replace(path, goal)
