"""All the logs of one day: find the files, read each by its format, merge them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from datetime import date as Date
from importlib import import_module
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sailanalysis.errors import Finding, LogError
from sailanalysis.model import Boat, InputReport, RawLog
from sailanalysis.read.limits import open_log, stopped_by
from sailanalysis.read.reading import ReadContext, Reading
from sailanalysis.read.recognise import HEAD_BYTES, recognise

READERS: Final = {
    "nmea0183": ("nmea0183", "read_nmea0183"),
    "nmea2000": ("nmea2000", "read_nmea2000"),
    "signalk": ("signalk", "read_signalk"),
    "csv": ("csvlog", "read_csv"),
    "gpx": ("gpx", "read_gpx"),
}
"""Format to its module and function. A new format needs one line here and one in recognise."""

Progress = Callable[[str, float], None]


def files_under(paths: Iterable[str | os.PathLike[str]]) -> list[Path]:
    """Files named, and those in named folders: recursive, sorted, hidden ones skipped."""
    found: list[Path] = []
    for path in map(Path, paths):
        if path.is_dir():
            found += sorted(
                p for p in path.rglob("*")
                if p.is_file() and not any(s.startswith(".") for s in p.relative_to(path).parts))
        elif path.exists():
            found.append(path)
        else:
            raise LogError(f"{path}: no such file or folder.")
    unique: dict[str, Path] = {}
    for path in found:
        unique.setdefault(os.path.realpath(path), path)
    return list(unique.values())


def _zone(timezone: str) -> ZoneInfo:
    try:
        return ZoneInfo(timezone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise LogError(f"time zone {timezone!r} is not known; give a name such as "
                       "Europe/Stockholm, or UTC.") from None


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
        Files or folders; formats are recognised by content, gzip is unpacked.
    date : str, optional
        ``YYYY-MM-DD``, the day of logs without a date.
    timezone : str
        Zone of local times without one.
    boat : Boat, optional
        For column names and tanks.
    progress : callable, optional
        Called with a file name and the share done, 0-1.

    Raises
    ------
    LogError
        A path does not exist, or no file gives any data.
    """
    zone = _zone(timezone)
    try:
        day = Date.fromisoformat(date) if date else None
    except ValueError:
        raise LogError(f"date {date!r} is not of the form YYYY-MM-DD.") from None
    files = files_under(paths)
    readings: list[Reading] = []
    inputs: list[InputReport] = []
    findings: list[Finding] = []
    streams = []
    for number, path in enumerate(files):
        with open_log(path) as handle:
            kind = recognise(handle.read(HEAD_BYTES))
        if kind not in READERS:
            continue
        module, function = READERS[kind]
        context = ReadContext(path.name, path.stat().st_mtime, day, zone, boat or Boat(), number)
        with open_log(path) as handle:
            reading = getattr(import_module(f"sailanalysis.read.{module}"), function)(
                handle, context)
            stopped = stopped_by(handle)
        readings.append(reading)
        findings += reading.findings + ([stopped] if stopped else [])
        streams += reading.streams
        times = [s.time_s for s in reading.streams if s.time_s.size]
        inputs.append(InputReport(
            path.name, reading.format, reading.lines, reading.used, dict(reading.rejected),
            reading.ignored, path.stat().st_size,
            min((float(t.min()) for t in times), default=float("nan")),
            max((float(t.max()) for t in times), default=float("nan"))))
    if not streams:
        raise LogError("no readable data in the given files.")
    return RawLog(tuple(streams), tuple(inputs), tuple(findings))
