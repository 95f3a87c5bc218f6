"""All the logs of a card, told apart into sailing days, each with its boat and its crew log."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from sailanalysis.core.errors import Finding, LogError
from sailanalysis.core.model import Boat, CrewLog, RawLog
from sailanalysis.read.days.activity import BLOCK_S, Activity, Blocks, activity_of
from sailanalysis.read.days.boats import refuse_two_boats
from sailanalysis.read.days.divide import cut_source
from sailanalysis.read.days.rule import Span, local_zone, near_in_time, sailing_days
from sailanalysis.read.days.zone import BY_POSITION, zone_by_position
from sailanalysis.read.logs import (
    DayOfLogs,
    Progress,
    merge_day,
    nothing_readable,
    own_zone,
    read_each,
    zone_named,
)
from sailanalysis.read.merge.align import align_clocks
from sailanalysis.read.merge.merge import Source, put_on_one_day
from sailanalysis.read.wording import day_words, span_words
from sailanalysis.read.written.beside import Beside, boat_files_in
from sailanalysis.read.written.crewdays import carried_over, read_crew_logs

EVER: Final = (float("-inf"), float("inf"))
ON_PASSAGE_S: Final = 3600.0
"""Days parted by less than this are one passage: who steered before midnight steers after it."""


@dataclass(frozen=True)
class SailingDay:
    """The logs of one sailing day with its boat and its crew log, ready to be analysed.

    Attributes
    ----------
    date : str
        ``YYYY-MM-DD``, local, on which the day began.
    raw : RawLog
    boat : Boat
    crew : CrewLog
        Crew log and the logs' own entries.
    findings : tuple of Finding
        On boat file, crew log and how the day was told from others; not those of ``raw``.
    files : tuple of Path
        The logs that gave it values.
    window : (float, float)
        Hours it was cut to, seconds since 1970; infinite where nothing was cut.
    """

    date: str
    raw: RawLog
    boat: Boat
    crew: CrewLog
    findings: tuple[Finding, ...]
    files: tuple[Path, ...]
    window: tuple[float, float] = EVER
    boat_file: Path | None = None
    crew_logs: tuple[Path, ...] = ()
    crew_hours: tuple[tuple[float, float], ...] = ()
    """Hours of all days that the crew logs are about, this one among them."""
    zone: str = ""
    """Of times of day in the crew log."""


@dataclass(frozen=True)
class DayFound:
    """A day found in the logs, before its crew log is looked for."""

    date: str
    hours: tuple[float, float]
    files: tuple[Path, ...]


@dataclass(frozen=True)
class CrewLogs:
    """The crew logs of one day, and the hours of all the days that they are about."""

    paths: tuple[Path, ...] = ()
    hours: tuple[tuple[float, float], ...] = ()


CrewLogsFor = Callable[[Sequence[DayFound]], Sequence[CrewLogs]]
"""Says which crew logs each of the days found has."""


@dataclass(frozen=True)
class Card:
    """The sailing days of some logs, and what was found on the way that belongs to none."""

    days: tuple[SailingDay, ...]
    findings: tuple[Finding, ...] = ()


def read_days(
    paths: Sequence[str | os.PathLike[str]] | str | os.PathLike[str],
    *,
    date: str | None = None,
    timezone: str = "UTC",
    boat: Boat | str | os.PathLike[str] | None = None,
    crew_logs: Sequence[str | os.PathLike[str]] | CrewLogsFor = (),
    window: tuple[float, float] | None = None,
    other_days: Sequence[tuple[float, float]] = (),
    progress: Progress | None = None,
) -> Card:
    """Read logs of one or many days.

    Parameters
    ----------
    paths : path or sequence of path
        Files or folders, in any order; formats are recognised by content, gzip is unpacked.
    date : str, optional
        ``YYYY-MM-DD``, the day of logs without a date.
    timezone : str
        Zone of local times without one; ``position``: that of the waters sailed. Nights and
        midnights are local too; where this is UTC, by the longitude sailed at.
    boat : Boat or path, optional
        Default: the boat file that lies in the folder of the logs, or above it in a folder given.
    crew_logs : sequence of path, or callable
        Default: those that lie in the folders given. A function is asked which each of the days
        found has; it gives a :class:`CrewLogs` for each :class:`DayFound`.
    window : (float, float), optional
        Take these hours as one day, seconds since 1970; no days are told apart then.
    other_days : sequence of (float, float)
        Hours of all the days which the crew log is about, where ``window`` is one of them.
    progress : callable, optional
        Called with a stage and the share done, 0-1.

    Raises
    ------
    LogError
        A path does not exist, no file gives any data, or the logs are of two boats.
    BoatFileError
        The boat file or a crew log cannot be read.
    """
    given: list[str | os.PathLike[str]] = (
        [paths] if isinstance(paths, str | os.PathLike) else list(paths))
    beside = Beside(boat) if boat is not None else boat_files_in(given)
    logs = read_each(given, date=date, timezone=timezone, boat=beside.boat_of, progress=progress)
    if not any(source.reading.streams for source in logs.sources):
        raise LogError(nothing_readable(logs) + "; `sailanalysis inspect` shows what is in them.")
    crews: CrewLogsFor
    if callable(crew_logs):
        crews = crew_logs
    else:
        written = [Path(path) for path in crew_logs] or logs.crew_logs
        logs.findings += _crew_left_out(logs, written)
        crews = _Beside(written, tuple(other_days))
    _on_one_clock(logs)
    notes: list[Finding] = []
    if window is not None:
        spans = [Span(day_words(window[0]), *window)]
    else:
        logs, spans, notes = _spans(logs, timezone)
    if np.isinf(spans[0].start_s):
        parts = [(logs, list(logs.paths))]
    else:
        parts = [_cut(logs, span) for span in spans]
        notes += logs.findings
    days = _days(parts, spans, beside, crews, timezone)
    return Card(tuple(days), tuple(notes))


def read_one_day(
    paths: Sequence[str | os.PathLike[str]] | str | os.PathLike[str],
    *,
    date: str | None = None,
    timezone: str = "UTC",
    boat: Boat | str | os.PathLike[str] | None = None,
    crew_logs: Sequence[str | os.PathLike[str]] = (),
    window: tuple[float, float] | None = None,
    other_days: Sequence[tuple[float, float]] = (),
    progress: Progress | None = None,
) -> SailingDay:
    """Read logs that must be of one day; parameters as of :func:`read_days`.

    Raises
    ------
    LogError
        As there, and where the logs are of several days.
    """
    card = read_days(paths, date=date, timezone=timezone, boat=boat, crew_logs=crew_logs,
                     window=window, other_days=other_days, progress=progress)
    if len(card.days) > 1:
        raise LogError(f"these are logs of {len(card.days)} days ({_dates(card.days)}), and this "
                       "takes one at a time; `sailanalysis day` gives a report of each.")
    day = card.days[0]
    return replace(day, findings=(*day.findings, *card.findings))


def _dates(days: Sequence[SailingDay]) -> str:
    dates = [day.date for day in days]
    return ", ".join(dates) if len(dates) <= 4 else f"{dates[0]} to {dates[-1]}"


def _crew_left_out(logs: DayOfLogs, used: Sequence[Path]) -> list[Finding]:
    mine = {path.resolve() for path in used}
    return [Finding("crew-log-not-used", f"{path.name} lies in the folder, but another crew log "
                    "was given; it was left out.", "note")
            for path in logs.crew_logs if path.resolve() not in mine]


# ------------------------------------------------------------------------------- which days
def _spans(logs: DayOfLogs, timezone: str) -> tuple[DayOfLogs, list[Span], list[Finding]]:
    """The sailing days of the logs; what lies years apart is left out, and named."""
    notes: list[Finding] = []
    activity = activity_of(source.reading for source in logs.sources)
    (first, last), rest = near_in_time(activity, time.time())
    if rest:
        activity = activity.within(first, last)
        hours = first * BLOCK_S, (last + 1) * BLOCK_S
        notes.append(_years_apart(logs, hours, rest))
        logs = replace(logs, sources=[
            cut for source in logs.sources
            if (cut := cut_source(source, *hours, source.file)) is not None])
    spans = sailing_days(activity, local_zone(zone_named(timezone), _longitude(logs.sources)))
    recorded = activity.recorded[0] * BLOCK_S, (activity.recorded[-1] + 1) * BLOCK_S
    if len(spans) == 1 and (spans[0].start_s, spans[0].end_s) == recorded:
        return logs, [Span(spans[0].date, *EVER)], notes
    spans, left = _worth_a_report(spans, activity)
    return logs, spans, notes + left


def _meets_any(source: Source, others: list[tuple[float, float]]) -> bool:
    """Whether a source's hours meet some of the others'."""
    start, end = _hours_of(source)
    return any(a < end and start < b for a, b in others)


def _is_astray(sources: list[Source]) -> bool:
    """Whether a log without satellite time shares no hour with those that have it."""
    sure = [_hours_of(s) for s in sources if s.reading.clock == "gps"]
    others = [s for s in sources if s.reading.clock != "gps"]
    return bool(sure) and not all(_meets_any(s, sure) for s in others)


def _on_one_clock(logs: DayOfLogs) -> None:
    """Dates and offsets put right between files that would otherwise seem of different days."""
    put_on_one_day(logs.sources)
    if not _is_astray([s for s in logs.sources if s.reading.streams]):
        return
    offsets, findings = align_clocks([source.reading for source in logs.sources])
    if any(offsets):
        logs.findings += [f for f in findings if f.code == "clock-aligned"]
    for source, offset in zip(logs.sources, offsets, strict=True):
        source.shift(offset)


def _hours_of(source: Source) -> tuple[float, float]:
    times = [s.time_s for s in source.reading.streams if s.time_s.size]
    return min(float(t[0]) for t in times), max(float(t[-1]) for t in times)


def _years_apart(logs: DayOfLogs, hours: tuple[float, float],
                 rest: Sequence[Activity]) -> Finding:
    parts = []
    for other in rest:
        start, end = other.recorded[0] * BLOCK_S, (other.recorded[-1] + 1) * BLOCK_S
        files = sorted({source.name for source in logs.sources if any(
            s.time_s.size and s.time_s[0] < end and s.time_s[-1] >= start
            for s in source.reading.streams)})
        more = f" and {len(files) - 3} more" if len(files) > 3 else ""
        parts.append(f"{day_words(start)} ({', '.join(files[:3])}{more})")
    first, last = day_words(hours[0]), day_words(hours[1] - BLOCK_S)
    taken = first if first == last else f"{first} to {last}"
    more = f"; and {len(parts) - 6} more" if len(parts) > 6 else ""
    return Finding(
        "years-apart", f"The logs lie more than a year apart: those of {taken} were taken; left "
        f"out: {'; '.join(parts[:6])}{more}. For a report of those, give their files alone.")


def _longitude(sources: Sequence[Source]) -> float:
    lon = [np.exp(1j * np.radians(s.value[:: max(1, s.value.size // 100)]))
           for source in sources for s in source.reading.streams if s.channel == "lon"]
    return float(np.degrees(np.angle(np.concatenate(lon).mean()))) if lon else float("nan")


def _lay_still(span: Span, activity: Activity) -> bool:
    """Whether every block recorded on a day is known, and in none of them she made way."""
    start, end = span.start_s / BLOCK_S, span.end_s / BLOCK_S
    return not _any_in(activity.under_way, start, end) and not np.setdiff1d(
        _inside(activity.recorded, start, end), activity.known).size


def _between(spans: list[Span]) -> list[tuple[float, float]]:
    """Hours before, between and after some days."""
    starts = [*(span.start_s for span in spans), float("inf")]
    ends = [float("-inf"), *(span.end_s for span in spans)]
    return list(zip(ends, starts, strict=True))


def _worth_a_report(spans: list[Span], activity: Activity) -> tuple[list[Span], list[Finding]]:
    """Days she lay still all along are named where there is sailing on others."""
    if not activity.under_way.size:
        return spans, []
    still = [span for span in spans if _lay_still(span, activity)]
    notes = [_lying(span.date, span.start_s, span.end_s, activity) for span in still]
    notes += [_lying("", a, b, activity) for a, b in _between(spans)
              if _any_in(activity.recorded, a / BLOCK_S, b / BLOCK_S)]
    return [span for span in spans if span not in still], notes


def _lying(date: str, start_s: float, end_s: float, activity: Activity) -> Finding:
    """The note on records of lying still that no report is made of."""
    mine = _inside(activity.recorded, start_s / BLOCK_S, end_s / BLOCK_S)
    first, last = (day_words(float(mine[k]) * BLOCK_S) for k in (0, -1))
    when = date or (first if first == last else f"{first} to {last}")
    return Finding("day-lying-still", f"{when}: she lay still for the "
                   f"{span_words(mine.size * BLOCK_S)} recorded; there is no report of it.", "note")


def _inside(blocks: Blocks, first: float, end: float) -> Blocks:
    return blocks[(blocks >= first) & (blocks < end)]


def _any_in(blocks: Blocks, first: float, end: float) -> bool:
    return bool(_inside(blocks, first, end).size)


# ------------------------------------------------------------------------------- the days
@dataclass(frozen=True)
class _Beside:
    """Crew logs that lie with the logs, or were named: a day's own, else all of them."""

    paths: Sequence[Path]
    other_days: tuple[tuple[float, float], ...]

    def __call__(self, days: Sequence[DayFound]) -> list[CrewLogs]:
        """Those of each day; one that several days share is about all of them."""
        own = [self._of(day.files) for day in days]
        return [CrewLogs(paths, self.other_days or tuple(
            day.hours for day, others in zip(days, own, strict=True) if others == paths))
            for paths in own]

    def _of(self, files: Sequence[Path]) -> tuple[Path, ...]:
        """Those about logs in these files: of their own folder or one above; else all."""
        folders = {folder for file in files for folder in file.resolve().parents}
        near = tuple(path for path in self.paths if path.resolve().parent in folders)
        return near or tuple(self.paths)


def _days(parts: Sequence[tuple[DayOfLogs, list[Path]]], spans: Sequence[Span], beside: Beside,
          crews: CrewLogsFor, timezone: str) -> list[SailingDay]:
    raws = []
    for part, _ in parts:
        raw = merge_day(part)
        refuse_two_boats(part.sources)
        raws.append(raw)
    found = [DayFound(span.date, _hours(raw), tuple(files))
             for span, raw, (_, files) in zip(spans, raws, parts, strict=True)]
    days: list[SailingDay] = []
    for span, raw, day, logs in zip(spans, raws, found, crews(found), strict=True):
        about = logs.hours or (day.hours,)
        mine = min(range(len(about)), key=lambda n: abs(about[n][0] - day.hours[0]))
        boat, boat_file, more = beside.boat_of_day(day.files)
        zone = own_zone(timezone, boat)
        if zone == BY_POSITION:
            zone, told = zone_by_position(raw)
            more += [told] if logs.paths else []
        crew, findings = read_crew_logs(logs.paths, about, zone, boat.names)[mine]
        crew = _with_written(crew, raw)
        if days and day.hours[0] - found[len(days) - 1].hours[1] < ON_PASSAGE_S:
            crew = carried_over(days[-1].crew, crew, day.hours[0])
        days.append(SailingDay(
            span.date, raw, boat, crew, (*more, *findings), day.files,
            (span.start_s, span.end_s), boat_file, logs.paths, about, zone))
    return days


def _cut(logs: DayOfLogs, span: Span) -> tuple[DayOfLogs, list[Path]]:
    """The logs of one day: its files, renumbered, and what is to be known of them."""
    out = DayOfLogs()
    for source in logs.sources:
        part = cut_source(source, span.start_s, span.end_s, len(out.inputs))
        if part is not None:
            out.sources.append(part)
            out.note(logs.paths[source.file], logs.inputs[source.file])
    return out, list(out.paths)


def _hours(raw: RawLog) -> tuple[float, float]:
    times = [s.time_s for s in raw.streams]
    return min(float(t[0]) for t in times), max(float(t[-1]) for t in times)


def _with_written(crew: CrewLog, raw: RawLog) -> CrewLog:
    """The crew log; text columns of the logs speak where it is silent on an item, notes always."""
    items = {entry.item for entry in crew.entries}
    entries = [*crew.entries, *(e for e in raw.written if e.item == "note" or e.item not in items)]
    return CrewLog(tuple(sorted(entries, key=lambda entry: entry.time_s)))

