"""CSV blocks to columns of numbers, every line counted.

A block is parsed with the types that the first rows showed. Where a cell does not fit its type the
block is parsed again as text and mended cell by cell; that block alone pays for it.
"""

from __future__ import annotations

import codecs
import io
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, BinaryIO, Final

import numpy as np

from sailanalysis.channels import CHANNELS
from sailanalysis.model import Floats
from sailanalysis.read.csvlog_header import Column
from sailanalysis.read.csvlog_layout import MISSING, NUMBER, Layout
from sailanalysis.read.csvlog_time import TimeParts, iso_seconds
from sailanalysis.read.limits import MAX_LINE_BYTES
from sailanalysis.read.reading import Reading

BLOCK_BYTES: Final = 8 << 20
_POSITION: Final = re.compile(
    r"\s*([NSEWnsew])?\s*([+-]?\d+(?:\.\d+)?)\s*(?:[°d:\s]\s*(\d+(?:\.\d+)?))?\s*"
    r"(?:['m:\u2032\s]\s*(\d+(?:\.\d+)?))?\s*[\"s'\u2032\u2033°]*\s*([NSEWnsew])?\s*")
_SIDED: Final = re.compile(r"\s*([PSLRpslr])?\s*([+-]?\d+(?:\.\d+)?)\s*°?\s*([PSLRpslr])?\s*")
_SWITCH: Final = {"on": 1.0, "true": 1.0, "yes": 1.0, "auto": 1.0, "engaged": 1.0, "active": 1.0,
                  "wind": 1.0, "track": 1.0, "route": 1.0, "off": 0.0, "false": 0.0, "no": 0.0,
                  "standby": 0.0, "manual": 0.0, "disengaged": 0.0, "inactive": 0.0}


@dataclass
class Gathered:
    """What the blocks gave so far, by column."""

    values: dict[int, list[Floats]] = field(default_factory=dict)
    texts: dict[int, list[Any]] = field(default_factory=dict)
    times: list[Floats] = field(default_factory=list)
    unreadable: Counter[int] = field(default_factory=Counter)
    example: dict[int, str] = field(default_factory=dict)
    rows: int = 0


def whole_blocks(handle: BinaryIO, reading: Reading) -> Iterator[bytes]:
    """Whole lines, some megabytes at a time, as UTF-8; lines without end are cut out."""
    start = handle.read(4)
    decoder: codecs.IncrementalDecoder | None = None
    if start[:2] in (b"\xff\xfe", b"\xfe\xff"):
        decoder = codecs.getincrementaldecoder("utf-16")(errors="replace")
    rest = start.removeprefix(b"\xef\xbb\xbf") if decoder is None else b""
    pending = start if decoder is not None else b""
    cutting = False
    while True:
        raw = handle.read(BLOCK_BYTES)
        data = pending + raw
        pending = b""
        if decoder is not None:
            data = decoder.decode(data, final=not raw).encode("utf-8", "replace")
        if b"\r" in data:
            if data.endswith(b"\r") and raw:
                data, pending = data[:-1], b"\r"
                if decoder is not None:
                    pending = b""
            data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        data = rest + data
        if cutting:
            end = data.find(b"\n")
            if end < 0:
                rest = b""
                if not raw:
                    break
                continue
            data, cutting = data[end + 1:], False
        cut = data.rfind(b"\n") + 1
        block, rest = data[:cut], data[cut:]
        if not raw:
            block, rest = (data if not data or data.endswith(b"\n") else data + b"\n"), b""
        elif len(rest) > MAX_LINE_BYTES:
            reading.lines += 1
            reading.rejected["line too long"] += 1
            rest, cutting = b"", True
        if block:
            yield block
        if not raw:
            break


def drop_lines(block: bytes, count: int) -> bytes:
    """The block without its first lines."""
    at = 0
    for _ in range(count):
        at = block.find(b"\n", at) + 1
        if at == 0:
            return b""
    return block[at:]


def take_block(block: bytes, layout: Layout, gathered: Gathered, parts: TimeParts,
                reading: Reading) -> None:
    """Parse one block of whole lines into columns, counting every line."""
    import pyarrow as pa

    total = block.count(b"\n")
    reading.lines += total
    if not total:
        return
    if layout.header_line and block.find(b"\n" + layout.header_line) >= 0:
        block, same = _without_header(block, layout.header_line)
        reading.used += same
        reading.ignored += same
        total -= same
    if not block.isascii():
        block = _valid_text(block)
    if b'"' in block:
        block, bad = _without_open_quotes(block)
        reading.rejected["quote not closed"] += bad
        total -= bad
    try:
        table, invalid = _parse(block, layout, typed=True)
    except pa.ArrowInvalid:
        try:
            table, invalid = _parse(block, layout, typed=False)
        except pa.ArrowInvalid:
            block, invalid = _only_full_rows(block, layout)
            table, more = _parse(block, layout, typed=False)
            invalid += more
    reading.rejected["wrong number of columns"] += invalid
    blank = max(total - invalid - table.num_rows, 0)
    reading.used += blank
    reading.ignored += blank
    if table.num_rows:
        _take_table(table, layout, gathered, parts)


def _valid_text(block: bytes) -> bytes:
    """The block as UTF-8; an older western encoding or rubbish is turned into it."""
    try:
        block.decode("utf-8")
        return block
    except UnicodeDecodeError:
        return block.decode("cp1252", "replace").encode()


def _without_header(block: bytes, header: bytes) -> tuple[bytes, int]:
    lines = block.split(b"\n")
    kept = [line for line in lines if line.strip() != header]
    return b"\n".join(kept), len(lines) - len(kept)


def _without_open_quotes(block: bytes) -> tuple[bytes, int]:
    """Drop lines with an odd number of quotes: no record of a log spans lines."""
    data = np.frombuffer(block, dtype=np.uint8)
    ends = np.flatnonzero(data == 10)
    odd = _count_by_line(data, ends, 34) % 2 == 1
    return (_kept(data, ends, ~odd), int(odd.sum())) if odd.any() else (block, 0)


def _only_full_rows(block: bytes, layout: Layout) -> tuple[bytes, int]:
    """Keep lines with the right number of separators; for blocks in which many have not."""
    data = np.frombuffer(block.replace(b'"', b" "), dtype=np.uint8)
    ends = np.flatnonzero(data == 10)
    marks = _count_by_line(data, ends, ord(layout.delimiter))
    length = np.diff(ends, prepend=-1)
    full = (marks == layout.width - 1) & (length <= MAX_LINE_BYTES)
    return _kept(data, ends, full), int((~full & (length > 1)).sum())


def _count_by_line(data: Any, ends: Any, byte: int) -> Any:
    return np.diff(np.searchsorted(np.flatnonzero(data == byte), ends), prepend=0)


def _kept(data: Any, ends: Any, keep: Any) -> bytes:
    """The bytes of some of the lines."""
    return bytes(data[: ends[-1] + 1][np.repeat(keep, np.diff(ends, prepend=-1))].tobytes())


def _parse(block: bytes, layout: Layout, typed: bool) -> tuple[Any, int]:
    import pyarrow as pa
    import pyarrow.csv as pacsv

    if block.isspace() or not block:
        return pa.table({}), 0
    if not typed:
        block = block.replace(b"\0", b" ")
    names = [str(at) for at in range(layout.width)]
    types = {}
    for at in layout.wanted():
        column = layout.columns[at]
        number = column is not None and column.role == "channel" and typed
        types[names[at]] = pa.float64() if number else pa.string()
    kinds = {"utc": pa.timestamp("ns", "UTC"), "plain": pa.timestamp("ns"),
             "number": pa.float64(), "text": pa.string()}
    types[names[layout.time_at]] = kinds[layout.time_kind] if typed else pa.string()
    if layout.date_at >= 0:
        types[names[layout.date_at]] = pa.string()
    invalid = 0

    def skip(_row: object) -> str:
        nonlocal invalid
        invalid += 1
        # A ruined block is sorted out by counting separators, not one call a line.
        return "skip" if invalid <= 5000 else "error"

    missing = [*MISSING, *(f" {word}" for word in MISSING if word)]
    table = pacsv.read_csv(
        io.BytesIO(block),
        read_options=pacsv.ReadOptions(column_names=names, block_size=max(len(block), 1 << 16)
                                       if len(block) < 1 << 20 else 1 << 20),
        parse_options=pacsv.ParseOptions(delimiter=layout.delimiter, invalid_row_handler=skip),
        convert_options=pacsv.ConvertOptions(
            column_types=types, include_columns=list(types), null_values=missing,
            strings_can_be_null=True, decimal_point=layout.decimal if typed else "."))
    return table, invalid


def _take_table(table: Any, layout: Layout, gathered: Gathered, parts: TimeParts) -> None:
    import pyarrow as pa
    import pyarrow.compute as pc

    gathered.rows += table.num_rows
    for at in layout.wanted():
        column = layout.columns[at]
        assert column is not None
        cells = table.column(str(at))
        if column.role == "text":
            gathered.texts[at].append(cells)
        elif pa.types.is_floating(cells.type):
            gathered.values[at].append(cells.to_numpy())
        else:
            gathered.values[at].append(_mend(cells, at, column, layout, gathered))
    cells = table.column(str(layout.time_at))
    if pa.types.is_timestamp(cells.type):
        nanos = cells.cast(pa.int64()).to_numpy() if not cells.null_count else pc.fill_null(
            cells.cast(pa.int64()), np.iinfo(np.int64).min).to_numpy()
        seconds = nanos // 1_000_000_000 + (nanos % 1_000_000_000) / 1e9
        gathered.times.append(np.where(nanos == np.iinfo(np.int64).min, np.nan, seconds))
    elif layout.time_kind == "number":
        number = (cells.to_numpy() if pa.types.is_floating(cells.type) else
                  _mend(cells, layout.time_at, None, layout, gathered))
        parts.number.append(number)
    elif layout.time_kind in ("utc", "plain"):
        gathered.times.append(iso_seconds(cells, layout.time_kind == "utc"))
    else:
        parts.text.extend(pc.utf8_trim_whitespace(cells).chunks)
    if layout.date_at >= 0:
        parts.date_text.extend(pc.utf8_trim_whitespace(table.column(str(layout.date_at))).chunks)


def _mend(cells: Any, at: int, column: Column | None, layout: Layout,
          gathered: Gathered) -> Floats:
    """Numbers of a text column; what is no number is read in its other spellings or counted."""
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pc.utf8_trim_whitespace(cells)
    if layout.decimal == ",":
        text = pc.replace_substring(text, ",", ".")
    text = pc.if_else(pc.is_in(text, pa.array(MISSING)), pa.scalar(None, pa.string()), text)
    good = pc.match_substring_regex(text, NUMBER)
    plain = pc.if_else(good, text, pa.scalar(None, pa.string()))
    values = np.array(pc.cast(plain, pa.float64()).to_numpy(), dtype=float)
    odd = np.flatnonzero(np.asarray(pc.fill_null(pc.invert(good), False)))
    if odd.size:
        name = column.name if column is not None else ""
        for row, cell in zip(odd.tolist(), text.take(pa.array(odd)).to_pylist(), strict=True):
            value = _other_spelling(cell, name)
            if value is None:
                gathered.unreadable[at] += 1
                gathered.example.setdefault(at, cell[:30])
            else:
                values[row] = value
    return values


def _other_spelling(cell: str, channel: str) -> float | None:
    if len(cell) > 40:
        return None
    if channel in ("lat", "lon"):
        return _position(cell)
    if channel == "autopilot":
        return _SWITCH.get(cell.lower())
    if channel in CHANNELS and CHANNELS[channel].kind == "angle":
        found = _SIDED.fullmatch(cell)
        if found and (found[1] or found[3]):
            side = (found[1] or found[3]).upper()
            return float(found[2]) * (-1.0 if side in "PL" else 1.0)
    if channel in CHANNELS:
        # A unit repeated in every cell, as in '6.2 kn'.
        unit = re.fullmatch(r"([+-]?\d+(?:\.\d+)?)\s*(°|deg|kn|kts|m|rpm|°C|C|hPa|%)", cell)
        if unit:
            return float(unit[1])
    return None


def _position(cell: str) -> float | None:
    found = _POSITION.fullmatch(cell)
    if not found:
        return None
    degrees, minutes, seconds = float(found[2]), float(found[3] or 0), float(found[4] or 0)
    if minutes >= 60 or seconds >= 60:
        return None
    size = abs(degrees) + minutes / 60.0 + seconds / 3600.0
    letter = (found[1] or found[5] or "").upper()
    return -size if degrees < 0 or letter in ("S", "W") else size
