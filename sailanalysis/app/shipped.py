"""Where the shipped example day and notebooks lie: in the installed package or in a checkout."""

from __future__ import annotations

import os
from pathlib import Path

from sailanalysis.core.errors import SailAnalysisError


def example_folder() -> Path:
    """Folder with the example's logs, crew log and boat file.

    Raises
    ------
    SailAnalysisError
        If the installation came without it.
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "example", package.parent / "data"):
        if (folder / "boat.toml").is_file():
            return folder
    raise SailAnalysisError("the example data are not part of this installation; "
                            "install the package again")


def copy_notebooks(folder: str | os.PathLike[str]) -> tuple[list[Path], list[Path]]:
    """Copy the shipped notebooks into a folder; one that stands there already is left alone.

    Parameters
    ----------
    folder : path
        Made where it is missing.

    Returns
    -------
    copied, left : list of Path

    Raises
    ------
    SailAnalysisError
        If the installation came without them, or the folder cannot be written to.
    """
    from sailanalysis.core.staging import copied

    package = Path(__file__).resolve().parents[1]
    places = (package / "notebooks", package.parent / "notebooks")
    source = next((place for place in places if any(place.glob("*.ipynb"))), None)
    if source is None:
        raise SailAnalysisError("the notebooks are not part of this installation; "
                                "install the package again")
    goal, made, left = Path(folder), [], []
    for notebook in sorted(source.glob("*.ipynb")):
        if (goal / notebook.name).exists():
            left.append(goal / notebook.name)
        else:
            made.append(copied(notebook, goal, notebook.name))
    return made, left
