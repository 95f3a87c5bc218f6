"""CSV logs: header names, separators and times as people write them; read once, in blocks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any, BinaryIO

import numpy as np

from sailanalysis.channels import CHANNELS
from sailanalysis.errors import Finding
from sailanalysis.model import Floats, Stream
from sailanalysis.read.csvlog_blocks import Gathered, drop_lines, take_block, whole_blocks
from sailanalysis.read.csvlog_header import Column
from sailanalysis.read.csvlog_layout import Layout, find_layout
from sailanalysis.read.csvlog_time import RowTimes, TimeParts, moments_to_times, row_times
from sailanalysis.read.engines import busiest
from sailanalysis.read.instants import spread_repeats
from sailanalysis.read.reading import ReadContext, Reading


def read_csv(handle: BinaryIO, context: ReadContext) -> Reading:
    """Read a CSV log.

    Parameters
    ----------
    handle : binary stream
        Read once, forwards.
    context : ReadContext
        ``boat.columns`` maps headers; ``zone`` and ``date`` fill what the times leave open.

    Returns
    -------
    Reading
        One stream a column, in house units, wind angles in (-180, 180]; texts in ``modes``.
        Lines are counted without the blank ones' content: a blank or header line is used and
        ignored.
    """
    reading = Reading("CSV")
    blocks = whole_blocks(handle, reading)
    first = next(blocks, b"")
    layout = find_layout(first, context, reading)
    if layout is None:
        _refuse(reading, first, blocks)
        return reading
    gathered = Gathered({at: [] for at in layout.wanted()}, {at: [] for at in layout.wanted()})
    column = layout.columns[layout.time_at]
    dated = layout.columns[layout.date_at] if layout.date_at >= 0 else None
    parts = TimeParts(layout.cells[layout.time_at], column.name if column else "",
                      bool(column and column.utc), bool(column and column.elapsed),
                      date_utc=bool(dated and dated.utc))
    body = drop_lines(first, layout.skip)
    reading.used += layout.skip
    reading.ignored += layout.skip
    reading.lines += layout.skip
    while True:
        take_block(body, layout, gathered, parts, reading)
        body = next(blocks, b"")
        if not body:
            break
    _finish(layout, gathered, parts, context, reading)
    return reading


def _refuse(reading: Reading, first: bytes, blocks: Iterator[bytes]) -> None:
    """Count every line of a file whose header says nothing."""
    count = first.count(b"\n")
    for block in blocks:
        count += block.count(b"\n")
    reading.lines += count
    if count:
        reading.rejected["no usable header"] += count


def _finish(layout: Layout, gathered: Gathered, parts: TimeParts, context: ReadContext,
            reading: Reading) -> None:
    times = _times(layout, gathered, parts, context)
    reading.findings += times.findings
    reading.clock = times.clock
    if times.clock == "local":
        zone = getattr(context.zone, "key", None) or str(context.zone)
        reading.findings.append(Finding(
            "zone-assumed", f"{context.name}: its times name no zone and were taken as {zone}; "
            "give --timezone if they are another's.", "note"))
    good = np.isfinite(times.time_s)
    used = int(good.sum())
    reading.used += used
    if gathered.rows > used:
        reading.rejected["no readable time"] += gathered.rows - used
    reading.rejected = Counter({key: n for key, n in reading.rejected.items() if n})
    if not used:
        return
    rows: Any = slice(None) if used == good.size else np.flatnonzero(good)
    time_s = times.time_s[rows]
    back = np.diff(time_s) < 0
    if back.any():
        order = np.argsort(time_s, kind="stable")
        time_s, rows = time_s[order], np.arange(good.size)[rows][order]
        reading.findings.append(Finding(
            "time-out-of-order", f"{context.name}: the time steps back {int(back.sum())} times; "
            "the rows were put in order of time.", "note", share=float(back.mean())))
    again = _written_twice(time_s, rows, layout, gathered)
    if again is not None:
        time_s, rows = time_s[~again], np.arange(good.size)[rows][~again]
        reading.ignored += int(again.sum())
        reading.findings.append(Finding(
            "csv-repeated-rows", f"{context.name}: {int(again.sum())} rows stand in the file twice "
            "and count once.", "note", share=float(again.mean())))
    time_s = spread_repeats(time_s)
    engines: list[tuple[Floats, Floats]] = []
    engine_names: list[str] = []
    for at in layout.wanted():
        column = layout.columns[at]
        assert column is not None
        if column.role == "text":
            _texts(gathered.texts.pop(at), column.name, rows, time_s, reading)
            continue
        value = _house(np.concatenate(gathered.values.pop(at)), column)[rows]
        fine = np.isfinite(value)
        _doubt_unit(value[fine], column, layout.cells[at], context, reading)
        time, value = (time_s, value) if fine.all() else (time_s[fine], value[fine])
        if not time.size:
            continue
        if column.name == "engine_rpm":
            engines.append((time, value))
            engine_names.append(layout.cells[at])
            continue
        name = f"csv {layout.cells[at]}".strip()
        if any(s.source == name and s.channel == column.name for s in reading.streams):
            name += f" (column {at + 1})"
        reading.streams.append(Stream(column.name, name, time, value, context.file))
    if engines:
        reading.streams.append(Stream("engine_rpm", f"csv {'+'.join(engine_names)}",
                                      *busiest(engines), context.file))
    _say_unreadable(layout, gathered, context, reading)


def _times(layout: Layout, gathered: Gathered, parts: TimeParts,
           context: ReadContext) -> RowTimes:
    if layout.time_kind in ("utc", "plain"):
        seconds = np.concatenate(gathered.times) if gathered.times else np.zeros(0)
        gathered.times.clear()
        return moments_to_times(seconds, layout.time_kind == "utc" or parts.utc, parts, context)
    return row_times(parts, context)


def _house(value: Floats, column: Column) -> Floats:
    """House unit, angles wrapped, infinities missing."""
    value = np.where(np.isfinite(value), value, np.nan)
    if column.shift or column.scale != 1.0:
        value = (value + column.shift) * column.scale
    channel = CHANNELS.get(column.name)
    if channel is None or channel.kind not in ("angle", "bearing"):
        return value
    # 0..360 becomes -180..180; a value no compass shows is left for the plausibility check.
    with np.errstate(invalid="ignore"):
        if channel.kind == "angle" and column.name != "lon":
            return np.where((value > 180.0) & (value <= 360.0), value - 360.0,
                            np.where((value <= -180.0) & (value >= -360.0), value + 360.0, value))
        if channel.kind == "bearing":
            return np.where((value < 0.0) & (value >= -360.0), value + 360.0,
                            np.where(value == 360.0, 0.0, value))
        return np.where((value > 180.0) & (value <= 360.0), value - 360.0, value)


def _doubt_unit(value: Floats, column: Column, cell: str, context: ReadContext,
                reading: Reading) -> None:
    """Say so when a bearing that names no unit looks like radians."""
    channel = CHANNELS.get(column.name)
    if channel is None or channel.kind != "bearing" or column.scale != 1.0 or value.size < 100:
        return
    if np.ptp(value) > 0.2 and value.max() <= 6.2832:
        reading.findings.append(Finding(
            "csv-doubtful-unit", f"{context.name}: {cell!r} never exceeds 6.283: radians? It was "
            f"read as degrees; write {cell + ' (rad)'!r} in the header if it is in radians.",
            channel=column.name))


def _written_twice(time_s: Floats, rows: Any, layout: Layout, gathered: Gathered) -> Any:
    """Rows that repeat the one before in all they say, or None where that explains no stamps.

    A sensor at rest repeats its values too: only where nearly no stamp is left twice without the
    repeated rows were they written twice.
    """
    same = np.concatenate([[False], np.diff(time_s) == 0])
    repeats = int(same.sum())
    if not repeats:
        return None
    for pieces in filter(None, gathered.values.values()):
        value = np.concatenate(pieces)[rows]
        same[1:] &= (value[1:] == value[:-1]) | (np.isnan(value[1:]) & np.isnan(value[:-1]))
    return same if same.any() and repeats - int(same.sum()) <= 0.01 * time_s.size else None


def _texts(pieces: list[Any], item: str, rows: Any, time_s: Floats, reading: Reading) -> None:
    """Changes of a text column, as events."""
    text = np.concatenate([piece.to_pandas().fillna("").to_numpy(dtype=object)
                           for piece in pieces])[rows]
    text = np.array([str(cell).strip() for cell in text], dtype=object)
    change = np.flatnonzero(np.concatenate([[True], text[1:] != text[:-1]]))
    reading.modes += [(float(time_s[at]), item, text[at]) for at in change if text[at]]


def _say_unreadable(layout: Layout, gathered: Gathered, context: ReadContext,
                    reading: Reading) -> None:
    for at, count in gathered.unreadable.items():
        reading.findings.append(Finding(
            "csv-unreadable-cell",
            f"{context.name}: {count} cell{'s' if count > 1 else ''} of {layout.cells[at]!r} "
            f"{'are' if count > 1 else 'is'} no number (such as {gathered.example[at]!r}) and "
            "count as missing.", share=count / max(gathered.rows, 1)))
