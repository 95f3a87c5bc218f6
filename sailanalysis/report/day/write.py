"""Reports onto the disk: written aside, then renamed, so that no half-written file is left."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Any

from sailanalysis.core.errors import SailAnalysisError
from sailanalysis.day import Day


def write_text(path: Path, text: str) -> None:
    """Write a whole file or none of it.

    Raises
    ------
    SailAnalysisError
        If the folder cannot be written to or the disk is full.
    """
    aside = ""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, aside = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        os.chmod(aside, 0o666 & ~_umask())
        os.replace(aside, path)
        aside = ""
    except OSError as error:
        raise SailAnalysisError(f"cannot write {path.name} into {path.parent}: "
                                f"{error.strerror or error}") from error
    finally:
        if aside:
            Path(aside).unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def write_day_report(day: Day, out_dir: str | Path, private: bool = False,
                     plotly_beside: bool = False, *, turned_deg: float = 0.0,
                     coastline: Any = None) -> None:
    """Write ``report.html`` and ``report.ipynb`` of a day.

    Parameters
    ----------
    day : Day
    out_dir : path
    private : bool
        Leave out positions, file names, free notes and the boat's name.
    plotly_beside : bool
        Put ``plotly.min.js`` once beside the report instead of inside it.
    turned_deg : float
        Turn a private track.
    coastline : path or dict, optional
        GeoJSON to draw behind the track.

    Raises
    ------
    SailAnalysisError
        If a file cannot be written; none is left half-written.
    """
    from sailanalysis.report.day.head import day_head
    from sailanalysis.report.day.notebook import report_notebook
    from sailanalysis.report.day.sections import facts_of, sections_of
    from sailanalysis.report.page.render import plotly_script, render

    facts = facts_of(day, private, turned_deg, coastline)
    sections = sections_of(facts)
    head = day_head(facts, sections)
    page = render(sections, head, plotly_beside=plotly_beside)
    out = Path(out_dir)
    if plotly_beside:
        write_text(out / "plotly.min.js", plotly_script())
    write_text(out / "report.ipynb", report_notebook(sections, head, private=private))
    write_text(out / "report.html", page)
