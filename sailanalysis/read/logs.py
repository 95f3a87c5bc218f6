"""All the logs of one day: find the files, read each by its format, merge them."""

from __future__ import annotations

import datetime
import logging
import math
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from pathlib import Path
from typing import BinaryIO, Final, Protocol
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from sailanalysis.core.errors import Finding, LogError
from sailanalysis.core.model import Boat, CrewEntry, InputReport, RawLog
from sailanalysis.read.clock.marks import DAY_S
from sailanalysis.read.days.zone import BY_POSITION
from sailanalysis.read.formats import HEAD_BYTES, formats
from sailanalysis.read.merge.merge import Source, join, put_on_one_day
from sailanalysis.read.open.files import Found, copies, files_under
from sailanalysis.read.open.limits import open_log, stopped_by
from sailanalysis.read.reading import ReadContext, Reading
from sailanalysis.read.recognise import describe, recognise
from sailanalysis.read.wording import span_words, time_words

_BESIDE: Final = {
    "crew log": "is a crew log, which goes beside the logs or with --crew-log",
    "boat file": "is a boat file, which goes beside the logs or with --boat",
    "empty": "is empty",
    "own table": "is a table that this program wrote",
}

_WRITTEN: Final = ("crew log", "boat file")
"""What people write lies beside the logs and is taken as what it is."""

log = logging.getLogger(__name__)


class Progress(Protocol):
    """Told the stage and, where known, the share done (0-1)."""

    def __call__(self, stage: str, share: float | None = None) -> None:
        """Take note."""


@dataclass
class DayOfLogs:
    """Readings before they are merged; what the inspection looks at.

    ``paths`` goes with ``inputs``; ``crew_logs`` are those that lie in the folders.
    """

    sources: list[Source] = field(default_factory=list)
    inputs: list[InputReport] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)
    paths: list[Path] = field(default_factory=list)
    crew_logs: list[Path] = field(default_factory=list)

    def note(self, path: Path, report: InputReport) -> None:
        """Write down what became of a file."""
        self.paths.append(path)
        self.inputs.append(report)


def read_logs(
    paths: Sequence[str | os.PathLike[str]],
    *,
    date: str | None = None,
    timezone: str = "UTC",
    boat: Boat | None = None,
    progress: Progress | None = None,
) -> RawLog:
    """Read all logs of a day.

    Parameters
    ----------
    paths : sequence of path
        Files or folders, in any order; formats are recognised by content, gzip is unpacked.
    date : str, optional
        ``YYYY-MM-DD``, the day of logs without a date.
    timezone : str
        Zone of local times without one.
    boat : Boat, optional
        For column names and tanks.
    progress : callable, optional
        Called with a stage and the share done, 0-1.

    Returns
    -------
    RawLog
        Streams sorted by channel and source; inputs in order of time.

    Raises
    ------
    LogError
        A path does not exist, no file gives any data, the logs are of several days (then
        :func:`~sailanalysis.read.days.card.read_days` gives each) or of two boats.
    """
    from sailanalysis.read.days.card import read_one_day

    return read_one_day(paths, date=date, timezone=timezone, boat=boat, progress=progress).raw


def _in_order_of_time(day: DayOfLogs) -> tuple[tuple[InputReport, ...], dict[int, int]]:
    """Reports with their spans, and each file's new place: how files were given must not show."""
    inputs = [_with_span(number, day) for number in range(len(day.inputs))]
    order = sorted(range(len(inputs)), key=lambda i: (
        math.isnan(inputs[i].start_s), inputs[i].start_s, inputs[i].file, inputs[i].bytes))
    return tuple(inputs[i] for i in order), {old: new for new, old in enumerate(order)}


def merge_day(day: DayOfLogs) -> RawLog:
    """Merge the readings of a day; without any stream where nothing could be read."""
    from sailanalysis.read.merge.align import align_clocks

    put_on_one_day(day.sources)
    offsets, findings = align_clocks([source.reading for source in day.sources])
    for source, offset in zip(day.sources, offsets, strict=True):
        source.shift(offset)
    streams, more = join(day.sources)
    more += _far_apart(day.sources)
    inputs, place = _in_order_of_time(day)
    readings = [s.reading for s in sorted(day.sources, key=lambda s: place[s.file])]
    breaks = set(chain.from_iterable(reading.breaks_s for reading in readings))
    written = set(chain.from_iterable(reading.modes for reading in readings))
    return RawLog(tuple(replace(s, file=place[s.file]) for s in streams), inputs,
                  (*sorted(day.findings, key=lambda f: f.message),
                   *chain.from_iterable(reading.findings for reading in readings),
                   *findings, *more),
                  tuple(sorted(breaks)),
                  tuple(CrewEntry(*mode, origin="the log") for mode in sorted(written)))


def read_each(
    paths: Sequence[str | os.PathLike[str]],
    *,
    date: str | None = None,
    timezone: str = "UTC",
    boat: Boat | Callable[[Path], Boat] | None = None,
    progress: Progress | None = None,
) -> DayOfLogs:
    """Read every file by its own format; nothing is merged yet.

    ``boat`` may depend on the file, where day folders have boat files of their own.
    """
    zone, given = zone_named(timezone), _date(date)
    files = files_under([paths] if isinstance(paths, str | os.PathLike) else paths)
    if not files:
        raise LogError("no files there; give the log files or the folder they are in.")
    repeats = copies(files)
    out = DayOfLogs()
    for number, file in enumerate(files):
        if progress is not None:
            progress("reading the logs", number / len(files))
        if file.path in repeats:
            out.note(file.path, InputReport(file.path.name, "copy", 0, 0, {}, bytes=file.size))
            out.findings.append(Finding(
                "same-content", f"{file.path.name} has the same content as "
                f"{repeats[file.path].name}; it was read once.", "note"))
            continue
        hers = boat(file.path) if callable(boat) else boat or Boat()
        local = zone_named(own_zone(timezone, hers)) if hers.zone else zone
        _read_safely(out, file, ReadContext(file.path.name, file.modified_s, given, local, hers,
                                            number))
    return out


def _read_safely(out: DayOfLogs, file: Found, context: ReadContext) -> None:
    """Read one file: whatever is in it, the other files make the evening's report."""
    try:
        _read_one(out, file, context)
    except OSError as fault:
        _left_out(out, file, "unreadable", f"cannot be read: {fault.strerror or fault}")
    except MemoryError:
        raise
    except Exception as fault:
        log.debug("%s: the reader broke", file.path, exc_info=True)
        _left_out(out, file, "unreadable", "could not be read ("
                  f"{type(fault).__name__}: {fault}; --debug shows where)")


def _read_one(out: DayOfLogs, file: Found, context: ReadContext) -> None:
    with open_log(file.path) as handle:
        kind, head = recognised(handle)
    form = formats().get(kind)
    if form is None:
        why = _BESIDE.get(kind) or f"is in no log format known here ({describe(head)})"
        _left_out(out, file, kind, why)
        return
    with open_log(file.path) as handle:
        reading = form.read(handle, context)
        stopped = stopped_by(handle)
    if stopped is not None:
        reading.findings.append(stopped)
    out.sources.append(Source(context.name, reading, context.file))
    out.note(file.path, InputReport(context.name, reading.format, reading.lines, reading.used,
                                    dict(reading.rejected), reading.ignored, file.size))
    if not reading.streams:
        out.reasons.append(_why_nothing(context.name, reading))


def recognised(handle: BinaryIO) -> tuple[str, bytes]:
    """Format of an open log, and its first bytes; leading NULs of a lost block are skipped."""
    head = b""
    for _ in range(64):
        block = handle.read(HEAD_BYTES)
        head = head or block
        kind = recognise(block)
        if kind not in ("empty", "unknown") or len(block) < HEAD_BYTES:
            if not block and head:
                kind = recognise(head)
            break
    return kind, head


def _left_out(out: DayOfLogs, file: Found, kind: str, why: str) -> None:
    name = file.path.name
    lines = 0
    if kind == "unknown":
        with open_log(file.path) as handle:
            lines = _count_lines(handle)
    rejected = {"format not recognised": lines} if lines else {}
    out.note(file.path, InputReport(name, kind, lines, 0, rejected, bytes=file.size))
    out.reasons.append(f"{name} {why}")
    if kind in _WRITTEN:
        if kind == "crew log":
            out.crew_logs.append(file.path)
        return
    # A folder holds all sorts of things; only what a person named is worth a warning.
    warn = kind == "unreadable" or (file.named and kind != "own table")
    out.findings.append(Finding("unreadable" if kind == "unreadable" else "not-a-log",
                                f"{name} {why}; it was left out.", "warning" if warn else "note"))


def _count_lines(handle: BinaryIO) -> int:
    total, last = 0, b"\n"
    while piece := handle.read(1 << 20):
        total += piece.count(b"\n")
        last = piece[-1:]
    return total + (last != b"\n")


def _why_nothing(name: str, reading: Reading) -> str:
    warned = [f.message for f in reading.findings if f.code == "no-time"]
    if warned:
        return warned[0].rstrip(".")
    if reading.lines and not reading.used:
        worst = max(reading.rejected.items(), key=lambda item: item[1], default=("unreadable", 0))
        return f"{name}: all of its {reading.lines:,} lines were rejected ({worst[0]})"
    return (f"{name}: {reading.format} with {reading.used:,} good lines, but none with a value "
            "that is read here")


def nothing_readable(day: DayOfLogs) -> str:
    """One line that says why no file gave anything, and what to give instead."""
    shown = "; ".join(day.reasons[:3])
    more = f"; and {len(day.reasons) - 3} more files" if len(day.reasons) > 3 else ""
    return (f"no readable data: {shown}{more}. Give NMEA 0183, NMEA 2000 text, Signal K, GPX or "
            "CSV logs with times")


def _far_apart(sources: list[Source]) -> list[Finding]:
    """A warning where logs lie a day or more apart: this is no one day's sailing."""
    spans = sorted((float(s.time_s[0]), float(s.time_s[-1])) for source in sources
                   for s in source.reading.streams if s.time_s.size)
    reached, silence, at = float("inf"), 0.0, 0.0
    for start, end in spans:
        if start - reached > silence:
            silence, at = start - reached, reached
        reached = max(reached, end) if np.isfinite(reached) else end
    if silence < DAY_S:
        return []
    return [Finding(
        "days-apart", "The logs are not of one day: nothing was recorded for "
        f"{span_words(silence)} after {time_words(at)}. Give the logs of one day at a time, or "
        "look at their dates with `sailanalysis inspect`.", start_s=at, end_s=at + silence)]


def _with_span(number: int, day: DayOfLogs) -> InputReport:
    """A file's report with the first and last time read from it."""
    report = day.inputs[number]
    times = [s.time_s for source in day.sources if source.file == number
             for s in source.reading.streams if s.time_s.size]
    if not times:
        return report
    return replace(report, start_s=min(float(t[0]) for t in times),
                   end_s=max(float(t[-1]) for t in times))


def own_zone(timezone: str, boat: Boat) -> str:
    """The zone asked for; where that is UTC or by position, the boat file's own, if named."""
    return boat.zone if boat.zone and timezone in ("UTC", BY_POSITION) else timezone


def zone_named(timezone: str) -> ZoneInfo:
    """The zone of a name; a :class:`LogError` says which one is not known."""
    try:
        # Before any position is read, times in the logs themselves are UTC.
        return ZoneInfo("UTC" if timezone == BY_POSITION else timezone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise LogError(f"time zone {timezone!r} is not known; give a name such as "
                       "Europe/Stockholm, or UTC.") from None


def _date(date: str | None) -> datetime.date | None:
    try:
        return datetime.date.fromisoformat(date) if date else None
    except ValueError:
        raise LogError(f"date {date!r} is not of the form YYYY-MM-DD.") from None
