"""The archives of many boats, to one page and tables."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from sailanalysis.app import pipeline
from sailanalysis.app.commands import Outcome, status_of
from sailanalysis.core.errors import Finding, LogError, SailAnalysisError
from sailanalysis.core.progress import Progress
from sailanalysis.season import Archive, Season


def fleet(options: argparse.Namespace, progress: Progress) -> Outcome:
    """``sailanalysis fleet``: an archive that cannot be read costs that boat only."""
    seasons: list[Season] = []
    findings: list[Finding] = []
    for folder in options.folders:
        try:
            seasons += _seasons(Path(folder), progress)
        except SailAnalysisError as error:
            findings.append(Finding("archive-unread", f"{folder}: {error}", missing=True))
    if not seasons:
        raise LogError(f"no boat's days could be read: {findings[0].message}")
    page = write_fleet(seasons, options.out)
    return Outcome(str(page), tuple(findings), status_of(findings))


def _seasons(folder: Path, progress: Progress) -> list[Season]:
    """The season of every boat in a boat's folder, or in an archive."""
    place = folder / "season" if (folder / "season").is_dir() else folder
    boats = Archive(place).boats()
    return [pipeline.analyse_season(place, progress=progress,
                                    boat=boat if len(boats) > 1 else None)
            for boat in (boats or [""])]


def write_fleet(seasons: Sequence[Season], out_dir: str | Path) -> Path:
    """Write ``fleet.html``, ``fleet.csv`` and the boats' joined tables; all of them or none.

    Parameters
    ----------
    seasons : sequence of Season
    out_dir : path

    Returns
    -------
    Path
        The page.
    """
    import pandas as pd

    from sailanalysis.app.tables import TableLabel, describe_columns, write_json, write_table
    from sailanalysis.core.staging import place_for, staged
    from sailanalysis.report.day.write import write_text
    from sailanalysis.report.fleet import fleet_page, fleet_table
    from sailanalysis.season import season_tables

    boats = fleet_table(seasons)
    tables = {"fleet": boats}
    every = [season_tables(season) for season in seasons]
    for name in ("days", "polar", "targets", "helm_trend"):
        parts = [each[name] for each in every if len(each[name])]
        tables[name] = pd.concat(parts, ignore_index=True) if parts else every[0][name]
    place = place_for(out_dir)
    label = TableLabel("", f"{boats['first_day'].min()}/{boats['last_day'].max()}")
    with staged(place, "fleet") as folder:
        for name, table in tables.items():
            write_table(name, table, folder, label)
        write_json(describe_columns(tables), folder / "columns.json")
        write_text(folder / "fleet.html", fleet_page(seasons, boats))
    return pipeline.shown_path(out_dir, place) / "fleet.html"
