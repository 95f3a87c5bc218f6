"""Logs of one or many days through the whole job: a report, and a filed day, of each."""

from __future__ import annotations

import argparse
import logging
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sailanalysis.app import pipeline
from sailanalysis.core.errors import Finding, LogError, SailAnalysisError
from sailanalysis.core.progress import Progress

if TYPE_CHECKING:
    from sailanalysis.day import Day
    from sailanalysis.read.days.card import Card, SailingDay
    from sailanalysis.season import Filed

log = logging.getLogger(__name__)

Hours = tuple[float, float]


@dataclass(frozen=True)
class DayJob:
    """One day to analyse: everything a worker elsewhere, or a later re-filing, needs.

    Attributes
    ----------
    logs : tuple of str
        Files or folders, as absolute paths where they are kept.
    boat : str or None
        Boat file; None for the one in the logs' folder.
    crew_logs : tuple of str
        Empty for those in the logs' folder.
    window : (float, float) or None
        Hours taken of the logs, where they hold more than this day; seconds since 1970.
    crew_hours : tuple of (float, float)
        Hours of all days that the crew logs are about.
    """

    logs: tuple[str, ...]
    boat: str | None = None
    crew_logs: tuple[str, ...] = ()
    date: str | None = None
    timezone: str = "UTC"
    as_logged: bool = False
    window: Hours | None = None
    crew_hours: tuple[Hours, ...] = ()

    @classmethod
    def from_settings(cls, settings: dict[str, Any]) -> DayJob:
        """The job that a day was filed with; settings of earlier versions are understood."""
        known = {field.name for field in fields(cls)}
        values = {key: value for key, value in settings.items() if key in known}
        if settings.get("crew_log"):
            values.setdefault("crew_logs", [settings["crew_log"]])
        for name in ("logs", "crew_logs", "crew_hours"):
            if name in values:
                values[name] = tuple(tuple(v) if isinstance(v, list) else v for v in values[name])
        if values.get("window"):
            values["window"] = tuple(values["window"])
        return cls(**values)

    @property
    def part(self) -> str:
        """Which sailing of its logs the day is; empty where they hold no other."""
        if self.window is None:
            return ""
        return datetime.fromtimestamp(self.window[0], UTC).strftime("%Y-%m-%dT%H:%M")

    def settings(self) -> dict[str, Any]:
        """What a later re-filing needs to repeat the analysis, with absolute paths."""
        return {
            "logs": [_absolute(path) for path in self.logs],
            "boat": _absolute(self.boat) if self.boat else None,
            "crew_logs": [_absolute(path) for path in self.crew_logs],
            "date": self.date, "timezone": self.timezone,
            "as_logged": self.as_logged,
            "window": list(self.window) if self.window else None,
            "crew_hours": [list(hours) for hours in self.crew_hours]}

    def analyse(self) -> Day:
        """Read the logs anew and analyse the day."""
        from sailanalysis.read.days.card import read_one_day

        day = read_one_day(self.logs, boat=self.boat, crew_logs=self.crew_logs, date=self.date,
                           timezone=self.timezone, window=self.window, other_days=self.crew_hours)
        return pipeline.analyse(day, timezone=self.timezone, as_logged=self.as_logged)


def _absolute(path: str | os.PathLike[str]) -> str:
    return str(Path(path).resolve())


def job_of(day: SailingDay, asked: DayJob, alone: bool) -> DayJob:
    """The job that repeats one of the days found in the logs that were asked for."""
    if alone:
        return asked
    return DayJob(
        tuple(map(_absolute, day.files)),
        asked.boat or (_absolute(day.boat_file) if day.boat_file else None),
        tuple(map(_absolute, day.crew_logs)), asked.date, asked.timezone,
        asked.as_logged, day.window if all(map(math.isfinite, day.window)) else None,
        day.crew_hours if day.crew_logs else ())


def read_card(asked: DayJob, progress: Progress | None = None) -> Card:
    """The sailing days in the logs that were asked for."""
    from sailanalysis.read.days.card import read_days

    return read_days(asked.logs, boat=asked.boat, crew_logs=asked.crew_logs, date=asked.date,
                     timezone=asked.timezone, progress=progress)


def plan_or_reason(asked: DayJob) -> list[DayJob] | str:
    """The jobs of the sailing days in some logs, or why there are none.

    A module-level function, so that it can travel to a worker.
    """
    try:
        card = read_card(asked)
    except SailAnalysisError as error:
        return str(error)
    return [job_of(day, asked, len(card.days) == 1) for day in card.days]


@dataclass(frozen=True)
class Written:
    """What became of one day: the words printed, its findings, whether all of it was done."""

    words: str
    findings: tuple[Finding, ...] = ()
    done: bool = True
    date: str = ""
    """The day, where there are several."""
    sailed: str = ""
    """The day's sailing in a line."""
    page: Path | None = None
    """Its report."""


def findings_once(written: Sequence[Written]) -> list[Finding]:
    """Findings of all days, each message once, with the days it is about before it."""
    dates: dict[Finding, list[str]] = {}
    for one in written:
        for finding in one.findings:
            dates.setdefault(finding, []).append(one.date)
    by_message: dict[str, tuple[Finding, list[str]]] = {}
    for finding, days in dates.items():
        known = by_message.setdefault(finding.message, (finding, []))
        known[1].extend(day for day in days if day and day not in known[1])
    return [replace(f, message=_dated(days) + f.message) for f, days in by_message.values()]


def _dated(days: Sequence[str]) -> str:
    if not days:
        return ""
    more = len(days) - 1
    return f"{days[0]}" + (f" and {more} more day{'s' if more > 1 else ''}" if more else "") + ": "


def report_days(options: argparse.Namespace, asked: DayJob, progress: Progress) -> list[Written]:
    """Analyse, write and file every sailing day in the logs; a day that fails costs that day."""
    card = read_card(asked, progress)
    out = Path(options.out)
    if len(card.days) == 1:
        only = _report(card.days[0], options, out, asked, progress)
        return [Written(only.words, (*card.findings, *only.findings), only.done)]
    written = [Written("", card.findings)]
    for number, day in enumerate(card.days, start=1):
        progress(f"day {number} of {len(card.days)}, {day.date}")
        written.append(report_one(day, options, out / day.date, job_of(day, asked, alone=False),
                                  progress))
    if not any(one.done for one in written[1:]):
        raise LogError(f"none of {len(card.days)} days gave a report; the first: "
                       f"{written[1].findings[0].message}")
    return written


def report_one(day: SailingDay, options: argparse.Namespace, out: Path, job: DayJob,
               progress: Progress) -> Written:
    """Analyse, write and file one of several days; one that fails says so and costs no other."""
    try:
        return replace(_report(day, options, out, job, progress), date=day.date)
    except SailAnalysisError as error:
        return _failed(day, str(error))
    except MemoryError:
        raise
    except Exception as error:
        log.debug("%s failed", day.date, exc_info=True)
        return _failed(day, f"an unexpected fault ({type(error).__name__}: {error}); "
                            "run again with --debug to see where")


def _failed(day: SailingDay, why: str) -> Written:
    return Written(f"{day.date}: no report", (Finding("day-failed", f"{day.date}: {why}"),), False)


def _report(day: SailingDay, options: argparse.Namespace, out: Path, job: DayJob,
            progress: Progress) -> Written:
    result = pipeline.analyse(day, season=options.season, timezone=job.timezone,
                              as_logged=job.as_logged, progress=progress)
    progress("writing the report")
    written = pipeline.write_day(result, out, private=options.private,
                                 plotly_beside=options.plotly_beside)
    filed = ""
    not_filed: tuple[Finding, ...] = ()
    if options.season:
        progress("filing the day")
        filed, not_filed = _file(result, raw_files(day, job), options, job)
    date = day.date if job.window is not None else ""
    return Written(_words(result, date, written.folder, filed),
                   (*not_filed, *written.findings, *result.findings), sailed=day_words(result),
                   page=written.folder / "report.html")


def _file(result: Day, logs: Sequence[str], options: argparse.Namespace,
          job: DayJob) -> tuple[str, tuple[Finding, ...]]:
    """File the day in the season; a failure is told, and costs the report nothing."""
    from sailanalysis.season import Archive

    try:
        filed = Archive(options.season, create=True).file_day(
            result, raw_files=logs, settings=job.settings(), part=job.part,
            several_boats=options.several_boats)
    except (SailAnalysisError, OSError) as error:
        return "", (Finding("day-not-filed", f"the day was not filed: {error} Its report was "
                            "written.", missing=True),)
    return f"{filed_words(filed)} in {options.season}", ()


def filed_words(filed: Filed) -> str:
    """What became of a day that was filed, and of the days that gave way to it."""
    if filed.unchanged:
        return f"filed {filed.day_id} (it stood there already, unchanged)"
    words = f"filed {filed.day_id}"
    if filed.replaced:
        old = ", ".join(f"{'the one' if e.day_id == filed.day_id else e.day_id} filed on "
                        f"{e.filed_on}" for e in filed.replaced)
        words += f" (in place of {old})"
    if filed.kept:
        words += (f"; the earlier filing held time that this one lacks, and is kept in "
                  f"{', '.join(f'lost/{name}' for name in filed.kept)}")
    return words


def raw_files(day: SailingDay, job: DayJob) -> Sequence[str]:
    """The logs by which a filed day is known again: those that gave it values."""
    return job.logs if job.window is None else [str(path) for path in day.files]


def _words(result: Day, date: str, out: Path, filed: str) -> str:
    """What is printed of a day: two lines, or one where there are several days."""
    text, page = day_words(result), str(out / "report.html")
    if date:
        return f"{date}: {text}; {page}" + (f"; {filed}" if filed else "")
    return f"{text}\n{page}" + (f"\n{filed}" if filed else "")


def day_words(result: Day) -> str:
    """One day's sailing in a line."""
    s = result.summary
    hours = [f"{spent / 3600:.1f} h {word}" for spent, word in
             ((s["sailing_s"], "sailed"), (s["motoring_s"], "motored"),
              (s["stopped_s"], "stopped")) if spent > 0]
    miles = s["distance_over_ground_nm"]
    if miles == miles:
        hours.append(f"{miles:.1f} NM over ground")
    turns = ", ".join(f"{n} {word}{'' if n == 1 else 's'}" for n, word in
                      ((s["tacks"], "tack"), (s["gybes"], "gybe")))
    wind = {"instruments": "", "track": " (wind direction estimated from the track)",
            "none": " (no wind known, so no maneuver by the wind)"}[s["wind_source"]]
    return f"{', '.join(hours)}; {turns}{wind}"
