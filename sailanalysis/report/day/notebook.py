"""The same sections as a runnable notebook on the day's saved tables."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sailanalysis.core.errors import Finding, SailAnalysisError
from sailanalysis.core.model import Boat, CrewEntry, CrewLog, InputReport
from sailanalysis.core.series import epoch_s, step_s
from sailanalysis.day import Day
from sailanalysis.report.day.head import Head
from sailanalysis.report.page.sections import Section

TABLES = ("maneuvers", "legs", "polar", "targets", "helm", "trials")


def report_notebook(sections: Sequence[Section], head: Head, private: bool = False) -> str:
    """Notebook (format 4.5) with one heading, the findings and one code cell a section.

    The cells read the tables that lie beside the notebook; nothing of the day is inside it.

    Parameters
    ----------
    sections : sequence of Section
    head : Head
    private : bool
        The cells then leave positions out as the report does.
    """
    from sailanalysis.report.page.safe import escape

    shown = "" if not private else ", private=True"
    cells: list[dict[str, Any]] = []

    def add(kind: str, text: str) -> None:
        cell: dict[str, Any] = {"cell_type": kind, "id": f"cell-{len(cells):02d}", "metadata": {},
                                "source": text.splitlines(keepends=True)}
        cells.append(cell if kind == "markdown" else {**cell, "execution_count": None,
                                                      "outputs": []})

    add("markdown", f"# {escape(head.title)}\n\n{escape(head.subtitle)}\n\n" + "\n".join(
        f"{n}. {escape(text)}" for n, (text, _) in enumerate(head.findings, start=1)))
    add("markdown", "The cells below read the tables saved beside this notebook. Run them from the "
                    "top; change what you like, the tables stay as they are.")
    add("code", "import pandas as pd\n"
                "from sailanalysis.report import day_sections, open_day, studied\n\n"
                'day = studied(open_day("."))\n'
                f"part = {{section.key: section for section in day_sections(day{shown})}}\n"
                "list(part)")
    for section in sections:
        add("markdown", f"## {escape(section.title)}\n\n{escape(section.verdict)}")
        for line in section.code.splitlines():
            if line.strip():
                add("code", line)
    book = {"cells": cells, "nbformat": 4, "nbformat_minor": 5, "metadata": {
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
        "language_info": {"name": "python"}}}
    return json.dumps(book, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def open_day(folder: str | Path) -> Day:
    """A day from the tables that ``sailanalysis day`` wrote.

    Parameters
    ----------
    folder : path
        Holds ``samples.parquet``, the CSV tables, ``summary.json`` and ``calibration.json``.

    Returns
    -------
    Day
        Without the richer results that only the logs carry (sources, sensor health); sections
        that need those say so.

    Raises
    ------
    SailAnalysisError
        If the folder does not hold a day's tables.
    """
    folder = Path(folder)
    try:
        samples = pd.read_parquet(folder / "samples.parquet")
        summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
        calibration = json.loads((folder / "calibration.json").read_text(encoding="utf-8"))
        tables = {name: pd.read_csv(folder / f"{name}.csv") for name in TABLES}
    except (OSError, ValueError) as error:
        raise SailAnalysisError(f"{folder}: not the tables of a day: {error}") from error
    if "time" in samples.columns:
        samples = samples.set_index(pd.DatetimeIndex(pd.to_datetime(samples.pop("time"), utc=True),
                                                     name="time"))
    for name in ("helm", "sails", "boards", "state"):
        if name in samples:
            samples[name] = samples[name].astype(object).where(samples[name].notna(), "")
    rate = summary.get("rate_hz")
    if not rate:
        step = step_s(epoch_s(samples.index))
        rate = 1.0 / max(step, 1e-3) if np.isfinite(step) else 1000.0
    inputs = tuple(InputReport(
        item["file"], item["format"], int(item["lines"]), int(item.get("used", 0)),
        _reasons(item.get("rejected")), int(item.get("ignored", 0)))
        for item in summary.get("inputs", []))
    findings = (*(Finding(f["code"], f["message"], "warning") for f in summary.get("warnings", [])),
                *(Finding(f["code"], f["message"], "note") for f in summary.get("notes", [])))
    return Day(samples=samples, rate_hz=float(rate), calibration=calibration,
               wind_source=summary.get("wind_source", "none"), boat=Boat(),
               crew=_crew(samples), inputs=inputs, findings=findings, summary=summary, **tables)


def studied(day: Day) -> Day:
    """A saved day with its polar, maneuvers and helming studied anew from the samples.

    What only the logs carry (sources, sensor health, the calibration's curves) stays unknown, and
    so does what the boat file said of rudder and length.

    Parameters
    ----------
    day : Day
        As :func:`open_day` gives it.
    """
    from dataclasses import replace

    from sailanalysis.helm.rate import rate_helming
    from sailanalysis.maneuvers.rate import rate_maneuvers
    from sailanalysis.polar.fit import fit_polar
    from sailanalysis.segment.steady import steady_averages

    maneuvers, legs = _timed(day.maneuvers), _timed(day.legs)
    polar = fit_polar(steady_averages(day.samples, legs, maneuvers))
    _, maneuver_study = rate_maneuvers(
        day.samples, maneuvers, legs, polar.speed_kn, day.boat)
    _, helm = rate_helming(day.samples, legs, maneuvers, day.boat, day.rate_hz)
    results = replace(day.results, polar=polar, maneuvers=maneuver_study, helm=helm)
    return replace(day, maneuvers=maneuvers, legs=legs, results=results)


def _timed(table: pd.DataFrame) -> pd.DataFrame:
    """Times of a saved table as timestamps, texts without holes."""
    out = table.copy()
    for name in ("start", "end", "crossing"):
        if name in out:
            out[name] = pd.to_datetime(out[name], utc=True, format="ISO8601")
    for name in ("kind", "from_side", "to_side", "side", "helm", "sails", "why_not", "what"):
        if name in out:
            out[name] = out[name].astype(object).where(out[name].notna(), "")
    return out


def _reasons(rejected: Any) -> dict[str, int]:
    if isinstance(rejected, dict):
        return {str(k): int(v) for k, v in rejected.items()}
    return {"rejected": int(rejected)} if rejected else {}


def _crew(samples: pd.DataFrame) -> CrewLog:
    """Changes of helm and sails as the samples hold them; the rest of the crew log is not saved."""
    time = epoch_s(samples.index)
    entries = []
    for item in ("helm", "sails"):
        if item not in samples:
            continue
        text = samples[item].to_numpy(dtype=object)
        for at in np.flatnonzero(np.append([True], text[1:] != text[:-1])):
            if text[at]:
                entries.append(CrewEntry(float(time[at]), item, str(text[at])))
    return CrewLog(tuple(sorted(entries, key=lambda e: e.time_s)))
