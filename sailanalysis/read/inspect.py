"""What is in the logs: formats, channels, rates, gaps, and every line that was not used."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from sailanalysis.core.channels import CHANNELS
from sailanalysis.core.errors import LogError
from sailanalysis.core.model import Boat, InputReport, Stream
from sailanalysis.read.logs import (
    DayOfLogs,
    Progress,
    merge_day,
    nothing_readable,
    read_each,
)
from sailanalysis.read.reading import Reading
from sailanalysis.read.wording import count_words, span_words, time_words

GAP_STEPS: Final = 5.0
"""A silence of this many usual steps, and of three seconds at least, is a gap."""
GAPS_LISTED: Final = 20

LEFT_OUT: Final = {
    "unknown": "no log format known here; left out", "empty": "empty",
    "copy": "same content as another file; read once", "unreadable": "cannot be read; left out",
    "crew log": "a crew log, no instrument log", "boat file": "a boat file, no log",
    "own table": "a table this program wrote, no log",
}
_CLOCKS: Final = {
    "gps": "satellite time", "stamped": "the logger's own clock",
    "local": "local times in the zone given", "none": "no time",
}


def inspect_logs(
    paths: Sequence[str | os.PathLike[str]],
    *,
    date: str | None = None,
    timezone: str = "UTC",
    boat: Boat | None = None,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Look into logs without analysing them.

    Parameters
    ----------
    paths, date, timezone, boat, progress
        As in :func:`sailanalysis.read.read_logs`.

    Returns
    -------
    dict
        ``start``, ``end`` (ISO, or None), ``files`` (a dict each: ``file, format, clock, lines,
        used, ignored, rejected, ignored_kinds, bytes, start, end``), ``channels`` (``channel,
        unit, label, source, count, rate_hz, low, high, start, end, gaps, longest_gap_s``),
        ``gaps`` (silences of the whole log: ``start, end, seconds``) and ``findings`` (``code,
        level, message``).

    Raises
    ------
    LogError
        A path does not exist, or no file is a log.
    """
    day = read_each(paths, date=date, timezone=timezone, boat=boat, progress=progress)
    kinds = {source.file: source.reading for source in day.sources}
    numbers = _numbers_by_report(day)
    raw = merge_day(day)
    if not any(reading.lines for reading in kinds.values()):
        raise LogError(nothing_readable(day) + ".")
    start_s, end_s = _span_of(raw.streams)
    return {
        "start": _iso(start_s), "end": _iso(end_s),
        "files": [_file(report, kinds.get(numbers[report.file, report.bytes, report.lines]))
                  for report in raw.inputs],
        "channels": [_channel(stream) for stream in raw.streams],
        "gaps": [{"start": _iso(a), "end": _iso(b), "seconds": round(b - a, 1)}
                 for a, b in _silences(list(raw.streams))],
        "findings": [{"code": f.code, "level": f.level, "message": f.message}
                     for f in raw.findings],
    }


def _span_of(streams: Sequence[Stream]) -> tuple[float, float]:
    """First and last instant of some streams; NaN where there is none."""
    nothing = float("nan")
    return (min((float(s.time_s[0]) for s in streams), default=nothing),
            max((float(s.time_s[-1]) for s in streams), default=nothing))


def _file(report: InputReport, reading: Reading | None) -> dict[str, Any]:
    """What became of one file; ``reading`` is None where it was no log."""
    return {
        "file": report.file, "format": report.format,
        "clock": reading.clock if reading is not None else "none",
        "lines": report.lines, "used": report.used, "ignored": report.ignored,
        "rejected": dict(sorted(report.rejected.items())),
        "ignored_kinds": dict(reading.ignored_kinds.most_common()) if reading else {},
        "bytes": report.bytes,
        "start": _iso(report.start_s), "end": _iso(report.end_s),
    }


def _numbers_by_report(day: DayOfLogs) -> dict[tuple[str, int, int], int]:
    return {(r.file, r.bytes, r.lines): number for number, r in enumerate(day.inputs)}


def _iso(time_s: float) -> str | None:
    if not np.isfinite(time_s):
        return None
    return time_words(time_s).replace(" ", "T") + f".{round(time_s * 10) % 10}Z"


def _channel(stream: Stream) -> dict[str, Any]:
    time_s, value = stream.time_s, stream.value
    step = np.diff(time_s)
    usual = float(np.median(step)) if step.size else float("nan")
    gap = step[step > max(3.0, GAP_STEPS * usual)] if step.size else step
    active = float(time_s[-1] - time_s[0] - gap.sum()) if step.size else 0.0
    channel = CHANNELS.get(stream.channel)
    return {
        "channel": stream.channel,
        "unit": channel.unit if channel else "",
        "label": channel.label if channel else stream.channel.replace("tank:", "tank "),
        "source": stream.source,
        "count": int(time_s.size),
        "rate_hz": round((time_s.size - 1 - gap.size) / active, 3) if active > 0 else None,
        "low": float(np.min(value)), "high": float(np.max(value)),
        "start": _iso(float(time_s[0])), "end": _iso(float(time_s[-1])),
        "gaps": int(gap.size), "longest_gap_s": round(float(gap.max()), 1) if gap.size else 0.0,
    }


def _silences(streams: list[Stream]) -> list[tuple[float, float]]:
    """Stretches of more than ten seconds in which no channel has a sample."""
    seconds = [np.unique(np.floor(s.time_s)) for s in streams]
    if not seconds:
        return []
    all_seconds = np.unique(np.concatenate(seconds))
    wide = np.flatnonzero(np.diff(all_seconds) > 10.0)
    return [(float(all_seconds[i]) + 1.0, float(all_seconds[i + 1])) for i in wide]


def inspect_text(found: dict[str, Any]) -> str:
    """The inspection as text for a terminal.

    Parameters
    ----------
    found : dict
        From :func:`inspect_logs`.
    """
    lines = [f"{_short(found['start'])} to {_short(found['end'])} UTC", ""]
    if not found["channels"]:
        lines = ["No value in these logs can be placed in time.", ""]
    for file in found["files"]:
        lines += _file_lines(file)
    if found["channels"]:
        lines += ["", *_channel_lines(found["channels"])]
    if found["gaps"]:
        lines += ["", f"Nothing was recorded at all in {count_words(len(found['gaps']), 'gap')}:"]
        for gap in found["gaps"][:GAPS_LISTED]:
            lines.append(f"  {_short(gap['start'])} to {_short(gap['end'])}  "
                         f"({span_words(gap['seconds'])})")
        if len(found["gaps"]) > GAPS_LISTED:
            lines.append(f"  and {len(found['gaps']) - GAPS_LISTED} more")
    if found["findings"]:
        lines += ["", "To know:"]
        lines += [f"  {f['message']}" for f in found["findings"]]
    return "\n".join(lines)


def _file_lines(file: dict[str, Any]) -> list[str]:
    if not file["used"] and file["format"] in LEFT_OUT:
        return [f"{file['file']}: {LEFT_OUT[file['format']]}"]
    out = [f"{file['file']}: {file['format']}, {count_words(file['lines'], 'line')}, "
           f"times from {_CLOCKS[file['clock']]}"]
    wanted = file["used"] - file["ignored"]
    out.append(f"  {wanted:,} read for their values")
    if file["ignored"]:
        kinds = file["ignored_kinds"]
        named = ", ".join(f"{kind} {count:,}" for kind, count in list(kinds.items())[:12])
        more = f", and {len(kinds) - 12} more kinds" if len(kinds) > 12 else ""
        out.append(f"  {file['ignored']:,} good but not needed"
                   + (f": {named}{more}" if named else ""))
    for reason, count in file["rejected"].items():
        out.append(f"  {count:,} rejected: {reason}")
    return out


def _channel_lines(channels: list[dict[str, Any]]) -> list[str]:
    rows = [("channel", "source", "samples", "rate", "from", "to", "unit", "gaps")]
    for c in channels:
        rate = "" if c["rate_hz"] is None else f"{c['rate_hz']:.3g} Hz"
        gaps = "" if not c["gaps"] else f"{c['gaps']}, up to {span_words(c['longest_gap_s'])}"
        rows.append((c["channel"], c["source"], f"{c['count']:,}", rate, _number(c["low"]),
                     _number(c["high"]), c["unit"], gaps))
    width = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    right = {2, 3, 4, 5}
    return ["  ".join(cell.rjust(width[i]) if i in right else cell.ljust(width[i])
                      for i, cell in enumerate(row)).rstrip() for row in rows]


def _number(value: float) -> str:
    return f"{value:.5g}" if abs(value) < 1e6 else f"{value:.4e}"


def _short(iso: str | None) -> str:
    return "unknown" if iso is None else iso[:19].replace("T", " ")
