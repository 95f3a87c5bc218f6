"""Outputs appear whole or not at all: written aside, then renamed into place."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sailanalysis.core.errors import SailAnalysisError


@contextmanager
def staged(out_dir: str | Path) -> Iterator[Path]:
    """A folder to write into; its files move to ``out_dir`` when the block ends well.

    A block that ends badly (an error, Ctrl-C, a full disk) leaves ``out_dir`` as it was. Files of
    an earlier run that are not written again stay.

    Raises
    ------
    SailAnalysisError
        If the folder cannot be made or written to; the message names it.
    """
    target = Path(out_dir)
    aside: Path | None = None
    made = [folder for folder in (target, *target.parents) if not folder.exists()]
    try:
        target.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=".unfinished-", dir=target))
        yield aside
        for path in sorted(aside.rglob("*")):
            if path.is_file():
                goal = target / path.relative_to(aside)
                goal.parent.mkdir(parents=True, exist_ok=True)
                os.replace(path, goal)
    except OSError as error:
        raise SailAnalysisError(f"cannot write to {target}: {error.strerror or error}; "
                                "choose another --out or free some space") from error
    finally:
        if aside is not None:
            shutil.rmtree(aside, ignore_errors=True)
        for folder in made:  # an --out made for nothing is taken away again
            try:
                folder.rmdir()
            except OSError:
                break
