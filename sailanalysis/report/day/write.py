"""Reports onto the disk: written aside, then renamed, so that no half-written file is left."""

from __future__ import annotations

import os
import re
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sailanalysis.core.errors import Finding, SailAnalysisError
from sailanalysis.core.isolation import attempt
from sailanalysis.core.ship_time import keeping, ship_time_of
from sailanalysis.day import Day
from sailanalysis.report.page.sections import Section
from sailanalysis.report.page.words import date_words


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


@dataclass(frozen=True)
class DayReport:
    """A day's report, ready to be written.

    Attributes
    ----------
    page, notebook : str
        ``report.html`` and ``report.ipynb``.
    findings : tuple of Finding
        What of it could not be made.
    """

    page: str
    notebook: str
    findings: tuple[Finding, ...] = ()


def make_day_report(day: Day, private: bool = False, plotly_beside: bool = False, *,
                    turned_deg: float = 0.0, coastline: Any = None) -> DayReport:
    """The report of a day as texts; nothing touches the disk.

    Parameters
    ----------
    day : Day
    private : bool
        Leave out positions, file names, free notes and the boat's name.
    plotly_beside : bool
        Ask for ``plotly.min.js`` beside the report instead of carrying it inside.
    turned_deg : float
        Turn a private track.
    coastline : path or dict, optional
        GeoJSON to draw behind the track.
    """
    zone = "" if private else day.summary.get("zone", "")
    ship = ship_time_of(zone, float(day.samples.index[0].timestamp()))
    with keeping(ship):
        return _made(day, private, plotly_beside, turned_deg, coastline)


def _made(day: Day, private: bool, plotly_beside: bool, turned_deg: float,
          coastline: Any) -> DayReport:
    from sailanalysis.report.day.head import Head, day_head
    from sailanalysis.report.day.notebook import report_notebook
    from sailanalysis.report.day.sections import facts_of, told_sections
    from sailanalysis.report.page.render import render

    facts = facts_of(day, private, turned_deg, coastline)
    sections, findings = told_sections(facts)
    sections, more = shown_sections(sections)

    def headless(why: str) -> Head:
        why = facts.scrub(why)
        findings.append(Finding("section-failed", f"The report's first screen could not be made: "
                                f"{why}. --debug shows where it failed.", missing=True))
        return Head(date_words(facts.t0), f"The first screen could not be made: {why}.", (), ())

    head = attempt(lambda: day_head(facts, sections), headless)
    page = render(sections, head, plotly_beside=plotly_beside)
    if private:
        page = from_the_start(page)
    return DayReport(page, report_notebook(sections, head, private=private), (*findings, *more))


def from_the_start(page: str) -> str:
    """A page whose clock counts from the start."""
    page = page.replace("(UTC)", "(from the start)")
    page = page.replace("Times are UTC.", "Times count from the start.")
    return re.sub(r"(\d\d:\d\d) UTC", r"\1", page)


def write_day_report(day: Day, out_dir: str | Path, private: bool = False,
                     plotly_beside: bool = False, *, turned_deg: float = 0.0,
                     coastline: Any = None) -> tuple[Finding, ...]:
    """Write ``report.html`` and ``report.ipynb`` of a day.

    Parameters
    ----------
    day : Day
    out_dir : str or Path
        Folder of the two files; it exists.
    private : bool, default False
        Whether the day is one that `private_day` gave.
    plotly_beside : bool, default False
        Write the plotting library beside the page instead of into it.
    turned_deg : float, default 0
        How far a private day's track was turned, deg clockwise.
    coastline : object, optional
        Lines drawn under the track, as `make_day_report` takes them.

    Returns
    -------
    tuple of Finding
        What of it could not be made.

    Raises
    ------
    SailAnalysisError
        If a file cannot be written; none is left half-written.
    """
    report = make_day_report(day, private, plotly_beside, turned_deg=turned_deg,
                             coastline=coastline)
    write_made(report, Path(out_dir), plotly_beside)
    return report.findings


def write_made(report: DayReport, out: Path, plotly_beside: bool = False) -> None:
    """Write a report that was made."""
    from sailanalysis.report.page.render import plotly_script

    if plotly_beside:
        write_text(out / "plotly.min.js", plotly_script())
    write_text(out / "report.ipynb", report.notebook)
    write_text(out / "report.html", report.page)


def shown_sections(sections: list[Section]) -> tuple[list[Section], list[Finding]]:
    """Sections that can be put on a page; one that cannot leaves its place saying so."""
    from sailanalysis.report.day.sections import missing_section
    from sailanalysis.report.page.sections import section_html

    out, findings = [], []
    for section in sections:
        def fallen(why: str, section: Section = section) -> Section:
            findings.append(Finding(
                "section-failed", f"The report's part \u201c{section.title}\u201d could not be put "
                f"on the page: {why}. --debug shows where it failed.", missing=True))
            return missing_section(section.key, section.title, why)

        def tried(section: Section = section) -> Section:
            section_html(section)
            return section

        out.append(attempt(tried, fallen))
    return out, findings
