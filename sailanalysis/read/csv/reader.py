"""CSV logs: header names, separators and times as people write them; read once, in blocks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Any, BinaryIO

import numpy as np

from sailanalysis.core.channels import CHANNELS
from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Floats, Stream
from sailanalysis.read.clock.instants import spread_repeats
from sailanalysis.read.csv.blocks import Block, BlockReader, read_blocks
from sailanalysis.read.csv.cells import Unreadable
from sailanalysis.read.csv.evidence import read_by_evidence
from sailanalysis.read.csv.header import Column
from sailanalysis.read.csv.layout import Layout, find_layout
from sailanalysis.read.csv.lines import drop_lines, plain_ends, whole_blocks
from sailanalysis.read.csv.time import RowTimes, TimeParts, moments_to_times, row_times
from sailanalysis.read.engines import busiest
from sailanalysis.read.reading import ReadContext, Reading


def read_csv(handle: BinaryIO, context: ReadContext) -> Reading:
    """Read a CSV log; see :func:`sailanalysis.read.csv.read`."""
    reading = Reading("CSV")
    blocks = whole_blocks(handle, reading)
    first = next(blocks, b"")
    layout = find_layout(first, context, reading)
    if layout is None:
        _refuse(reading, first, blocks)
        return reading
    column = layout.columns[layout.time_at]
    dated = layout.columns[layout.date_at] if layout.date_at >= 0 else None
    parts = TimeParts(layout.cells[layout.time_at], column.name if column else "",
                      bool(column and column.utc), bool(column and column.elapsed),
                      date_utc=bool(dated and dated.utc))
    gathered = Gathered(layout, parts)
    reading.used += layout.skip
    reading.ignored += layout.skip
    reading.lines += layout.skip
    body = chain([drop_lines(first, layout.skip)], blocks)
    del first
    for block in read_blocks(filter(None, body), BlockReader(layout)):
        gathered.add(block, reading)
    _finish(layout, gathered, context, reading)
    return reading


class Gathered:
    """What the blocks gave so far, by column; a text column as numbers of its words."""

    def __init__(self, layout: Layout, parts: TimeParts) -> None:
        wanted = layout.wanted()
        self.values: dict[int, list[Floats]] = {at: [] for at, _ in wanted}
        self.words: dict[int, dict[str, int]] = {
            at: {} for at, column in wanted if column.role == "text"}
        self.parts = parts
        self.unreadable = Unreadable()
        self.rows = 0

    def add(self, block: Block, reading: Reading) -> None:
        """Take over the next block, its lines counted."""
        reading.lines += block.lines
        reading.used += block.blank
        reading.ignored += block.blank
        reading.rejected.update(block.rejected)
        self.rows += block.rows
        self.unreadable.add(block.unreadable)
        for at, value in block.values.items():
            self.values[at].append(value)
        for at, cells in block.texts.items():
            self.values[at].append(_word_numbers(cells, self.words[at]))
        for mine, piece in ((self.parts.times, block.times), (self.parts.number, block.number),
                            (self.parts.moments, block.moments), (self.parts.dates, block.dates)):
            if piece is not None:
                mine.append(piece)  # type: ignore[arg-type]


def _word_numbers(cells: Any, known: dict[str, int]) -> Any:
    """Which of the known words each cell holds; new words are added."""
    coded = cells.dictionary_encode()
    words = [(word or "").strip() for word in coded.dictionary.to_pylist()]
    number = np.array([*(known.setdefault(word, len(known)) for word in words),
                       known.setdefault("", len(known))], dtype=np.int32)
    return number[coded.indices.fill_null(len(words)).to_numpy(zero_copy_only=False)]


def _refuse(reading: Reading, first: bytes, blocks: Iterator[bytes]) -> None:
    """Count every line of a file whose header says nothing."""
    count = sum(plain_ends(block).count(b"\n") for block in chain([first], blocks))
    reading.lines += count
    if count:
        reading.rejected["no usable header"] += count


@dataclass
class _Rows:
    """Which rows are used, and their times; ``rows`` is a slice where it is all of them."""

    time_s: Floats
    rows: Any
    count: int

    def take(self, keep: Any) -> None:
        """Keep some of the rows, or put them in another order."""
        self.time_s, self.rows = self.time_s[keep], np.arange(self.count)[self.rows][keep]


def _timed_rows(times: RowTimes, gathered: Gathered, context: ReadContext, reading: Reading
                ) -> _Rows | None:
    """The rows with a time, the others counted; None where no row has one."""
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
        return None
    rows: Any = slice(None) if used == good.size else np.flatnonzero(good)
    return _Rows(times.time_s[rows], rows, good.size)


def _put_in_order(rows: _Rows, gathered: Gathered, context: ReadContext,
                  reading: Reading) -> None:
    """Rows in order of time, each once."""
    back = rows.time_s[1:] < rows.time_s[:-1]
    if back.any():
        rows.take(np.argsort(rows.time_s, kind="stable"))
        reading.findings.append(Finding(
            "time-out-of-order", f"{context.name}: the time steps back {int(back.sum())} times; "
            "the rows were put in order of time.", "note", share=float(back.mean())))
    del back
    again = _written_twice(rows.time_s, rows.rows, gathered)
    if again is not None:
        rows.take(~again)
        reading.ignored += int(again.sum())
        reading.findings.append(Finding(
            "csv-repeated-rows", f"{context.name}: {int(again.sum())} rows stand in the file twice "
            "and count once.", "note", share=float(again.mean())))


def _streams(layout: Layout, gathered: Gathered, rows: _Rows, context: ReadContext,
             reading: Reading) -> set[str]:
    """Give every column as a stream; the names of those whose unit nobody states."""
    time_s = spread_repeats(rows.time_s)
    engines: list[tuple[str, tuple[Floats, Floats]]] = []
    unnamed: set[str] = set()
    for at, column in layout.wanted():
        value = np.concatenate(gathered.values.pop(at))[rows.rows]
        if column.role == "text":
            _texts(value, list(gathered.words[at]), column.name, time_s, reading)
            continue
        value, time = _finite(value, time_s)
        value, time = _finite(_house(value, column), time)
        if not time.size:
            continue
        if column.name == "engine_rpm":
            if not _switched(time, value, reading):
                engines.append((layout.cells[at], (time, value)))
            continue
        name = _name_of(layout, at, column, reading)
        if not column.unit_named:
            unnamed.add(name)
        reading.streams.append(Stream(column.name, name, time, value, context.file))
    if engines:
        names, several = zip(*engines, strict=True)
        reading.streams.append(Stream("engine_rpm", f"csv {'+'.join(names)}", *busiest(several),
                                      context.file))
    return unnamed


def _name_of(layout: Layout, at: int, column: Column, reading: Reading) -> str:
    """What a column's stream is called; of two alike the second is numbered."""
    name = f"csv {layout.cells[at]}".strip()
    taken = any(s.source == name and s.channel == column.name for s in reading.streams)
    return name + f" (column {at + 1})" * taken


def _finish(layout: Layout, gathered: Gathered, context: ReadContext, reading: Reading) -> None:
    rows = _timed_rows(_times(layout, gathered.parts, context), gathered, context, reading)
    if rows is None:
        return
    _put_in_order(rows, gathered, context, reading)
    unnamed = _streams(layout, gathered, rows, context, reading)
    read_by_evidence(reading, unnamed, context.name)
    _say_unreadable(layout, gathered, context, reading)


def _times(layout: Layout, parts: TimeParts, context: ReadContext) -> RowTimes:
    if layout.time_kind in ("utc", "plain"):
        return moments_to_times(layout.time_kind == "utc" or parts.utc, parts, context)
    return row_times(parts, context)


def _finite(value: Floats, time_s: Floats) -> tuple[Floats, Floats]:
    """The finite values with their times; the arrays themselves where all are finite."""
    if not value.size or (np.isfinite(value.min()) and np.isfinite(value.max())):
        return value, time_s
    fine = np.isfinite(value)
    return value[fine], time_s[fine]


def _wrap_to_180(value: Floats, keep_west: bool) -> None:
    """0..360 becomes -180..180 in place; a value no compass shows stays."""
    if value.min() > -180.0 and value.max() <= 180.0:
        return
    value[(value > 180.0) & (value <= 360.0)] -= 360.0
    if not keep_west:
        value[(value <= -180.0) & (value >= -360.0)] += 360.0


def _house(value: Floats, column: Column) -> Floats:
    """House unit, angles wrapped; ``value`` is finite and may be overwritten."""
    if column.shift or column.scale != 1.0:
        value += column.shift
        value *= column.scale
    channel = CHANNELS.get(column.name)
    if channel is None or not value.size:
        return value
    # A value no compass shows is left for the plausibility check.
    if channel.kind == "angle":
        _wrap_to_180(value, column.name == "lon")
    elif channel.kind == "bearing" and not (value.min() >= 0.0 and value.max() < 360.0):
        value[value == 360.0] = 0.0
        value[(value < 0.0) & (value >= -360.0)] += 360.0
    return value


def _switched(time_s: Floats, value: Floats, reading: Reading) -> bool:
    """A column of an engine that holds 0 and 1 only is a switch: its changes become events."""
    if not value.size or not np.isin(value, (0.0, 1.0)).all() or not value.any():
        return False
    change = np.flatnonzero(np.concatenate([[True], value[1:] != value[:-1]]))
    reading.modes += [(float(time_s[at]), "engine", "on" if value[at] else "off") for at in change]
    return True


def _written_twice(time_s: Floats, rows: Any, gathered: Gathered) -> Any:
    """Rows that repeat the one before in all they say, or None where that explains no stamps.

    A sensor at rest repeats its values too: only where nearly no stamp is left twice without the
    repeated rows were they written twice.
    """
    same = np.zeros(time_s.size, dtype=bool)
    np.equal(time_s[1:], time_s[:-1], out=same[1:])
    repeats = int(same.sum())
    if not repeats:
        return None
    numbers = (pieces for at, pieces in gathered.values.items() if at not in gathered.words)
    for pieces in filter(None, numbers):
        value = np.concatenate(pieces)[rows]
        same[1:] &= (value[1:] == value[:-1]) | (np.isnan(value[1:]) & np.isnan(value[:-1]))
    return same if same.any() and repeats - int(same.sum()) <= 0.01 * time_s.size else None


def _texts(number: Any, words: list[str], item: str, time_s: Floats, reading: Reading) -> None:
    """Changes of a text column, as events."""
    change = np.flatnonzero(np.concatenate([[True], number[1:] != number[:-1]]))
    reading.modes += [(float(time_s[at]), item, words[number[at]]) for at in change
                      if words[number[at]]]


def _say_unreadable(layout: Layout, gathered: Gathered, context: ReadContext,
                    reading: Reading) -> None:
    unreadable = gathered.unreadable
    for at, count in unreadable.count.items():
        reading.findings.append(Finding(
            "csv-unreadable-cell",
            f"{context.name}: {count} cell{'s' if count > 1 else ''} of {layout.cells[at]!r} "
            f"{'are' if count > 1 else 'is'} no number (such as {unreadable.example[at]!r}) and "
            "count as missing.", share=count / max(gathered.rows, 1)))
