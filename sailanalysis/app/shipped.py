"""Where the shipped example day lies: in the installed package or in a checkout."""

from __future__ import annotations

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
