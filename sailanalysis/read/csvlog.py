"""CSV logs: header names, separators and times as people write them.

The file is read once, in blocks, through pyarrow's parser with the types that the first rows
show. A block in which a cell does not fit its type is parsed again as text and mended cell by
cell; that block alone pays for it.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, BinaryIO, Final

import numpy as np

from sailanalysis.channels import CHANNELS
from sailanalysis.errors import Finding
from sailanalysis.model import Floats, Stream
from sailanalysis.read.csvlog_header import Column, read_header
from sailanalysis.read.csvlog_time import RowTimes, TimeParts, row_times
from sailanalysis.read.engines import busiest
from sailanalysis.read.instants import spread_repeats
from sailanalysis.read.limits import MAX_LINE_BYTES
from sailanalysis.read.reading import ReadContext, Reading

BLOCK_BYTES: Final = 16 << 20
MAX_COLUMNS: Final = 2000
_HEAD_LINES: Final = 60
"""A header stands within the first lines; loggers put a few lines of remarks before it."""
_MISSING: Final = ("", "-", "--", "---", "NaN", "nan", "NAN", "N/A", "n/a", "NA", "na", "null",
                   "NULL", "None", "none", "nil", "#N/A", "?", "*")
_NUMBER: Final = r"^\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\s*$"
_POSITION: Final = re.compile(
    r"\s*([NSEWnsew])?\s*([+-]?\d+(?:\.\d+)?)\s*(?:[°d:\s]\s*(\d+(?:\.\d+)?))?\s*"
    r"(?:['m:\u2032\s]\s*(\d+(?:\.\d+)?))?\s*[\"s'\u2032\u2033°]*\s*([NSEWnsew])?\s*")
_SIDED: Final = re.compile(r"\s*([PSLRpslr])?\s*([+-]?\d+(?:\.\d+)?)\s*°?\s*([PSLRpslr])?\s*")
_SWITCH: Final = {"on": 1.0, "true": 1.0, "yes": 1.0, "auto": 1.0, "engaged": 1.0, "active": 1.0,
                  "wind": 1.0, "track": 1.0, "route": 1.0, "off": 0.0, "false": 0.0, "no": 0.0,
                  "standby": 0.0, "manual": 0.0, "disengaged": 0.0, "inactive": 0.0}


@dataclass
class _Layout:
    """Where the header is, what its columns are, and how cells are written."""

    skip: int
    delimiter: str
    decimal: str
    header_line: bytes
    cells: list[str]
    columns: list[Column | None]
    width: int
    time_at: int
    date_at: int
    time_kind: str
    """``utc``, ``plain`` (ISO with and without zone), ``number`` or ``text``."""

    def wanted(self) -> list[int]:
        """Columns that are channels or texts."""
        return [at for at, column in enumerate(self.columns)
                if column is not None and column.role in ("channel", "text")]


@dataclass
class _Gathered:
    """What the blocks gave so far, by column."""

    values: dict[int, list[Floats]] = field(default_factory=dict)
    texts: dict[int, list[Any]] = field(default_factory=dict)
    times: list[Floats] = field(default_factory=list)
    unreadable: Counter[int] = field(default_factory=Counter)
    example: dict[int, str] = field(default_factory=dict)
    rows: int = 0


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
    blocks = _blocks(handle, reading)
    first = next(blocks, b"")
    layout = _layout(first, context, reading)
    if layout is None:
        _refuse(reading, first, blocks)
        return reading
    gathered = _Gathered({at: [] for at in layout.wanted()}, {at: [] for at in layout.wanted()})
    column = layout.columns[layout.time_at]
    dated = layout.columns[layout.date_at] if layout.date_at >= 0 else None
    parts = TimeParts(layout.cells[layout.time_at], column.name if column else "",
                      bool(column and column.utc), bool(column and column.elapsed),
                      date_utc=bool(dated and dated.utc))
    body = _drop_lines(first, layout.skip)
    reading.used += layout.skip
    reading.ignored += layout.skip
    reading.lines += layout.skip
    while True:
        _take_block(body, layout, gathered, parts, reading)
        body = next(blocks, b"")
        if not body:
            break
    _finish(layout, gathered, parts, context, reading)
    return reading


# ------------------------------------------------------------------------------- bytes
def _blocks(handle: BinaryIO, reading: Reading) -> Iterator[bytes]:
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


def _drop_lines(block: bytes, count: int) -> bytes:
    at = 0
    for _ in range(count):
        at = block.find(b"\n", at) + 1
        if at == 0:
            return b""
    return block[at:]


def _refuse(reading: Reading, first: bytes, blocks: Iterator[bytes]) -> None:
    """Count every line of a file whose header says nothing."""
    count = first.count(b"\n")
    for block in blocks:
        count += block.count(b"\n")
    reading.lines += count
    if count:
        reading.rejected["no usable header"] += count


# ------------------------------------------------------------------------------- layout
def _layout(block: bytes, context: ReadContext, reading: Reading) -> _Layout | None:
    lines = block[: 1 << 20].split(b"\n", _HEAD_LINES + 400)[: _HEAD_LINES + 400]
    if len(lines) > 1:
        lines = lines[:-1]
    texts = [_decode(line) for line in lines if len(line) <= MAX_LINE_BYTES]
    best: tuple[int, int, str, list[Column | None]] | None = None
    for at, text in enumerate(texts[:_HEAD_LINES]):
        for delimiter in ",;\t|":
            if delimiter not in text:
                continue
            cells = _cells(text, delimiter)
            if len(cells) > MAX_COLUMNS:
                continue
            columns = read_header(cells, context.boat.columns)
            roles = [column.role for column in columns if column is not None]
            score = roles.count("channel") + roles.count("text")
            if score and ("time" in roles or "date" in roles) and (best is None or score > best[0]):
                best = (score, at, delimiter, columns)
        if best is not None and best[1] < at:
            break
    if best is None:
        reading.findings.append(Finding(
            "csv-no-header", f"{context.name}: no line names a time column and a channel; the "
            "first line should read like 'time,boat speed (kn),heading (T)', or the boat file's "
            "[columns] should map the names."))
        return None
    _, at, delimiter, columns = best
    cells = _cells(texts[at], delimiter)
    skip = at + 1
    below = [_cells(text, delimiter) for text in texts[skip:] if text.strip()]
    if below and _is_units(below[0], columns):
        columns = read_header(cells, context.boat.columns, below[0])
        skip = skip + 1 + next(k for k, text in enumerate(texts[skip:]) if text.strip())
        below = below[1:]
    width = Counter(len(row) for row in below).most_common(1)[0][0] if below else len(cells)
    cells = [*cells, *[""] * (width - len(cells))][:width]
    columns = [*columns, *[None] * (width - len(columns))][:width]
    rows = [row for row in below if len(row) == width][:200]
    decimal = _decimal(rows, delimiter, columns)
    found = _time_column(columns, rows)
    if found is None:
        reading.findings.append(Finding(
            "csv-no-time", f"{context.name}: no column holds readable times."))
        return None
    _say_columns(cells, columns, context, reading, rows)
    return _Layout(skip, delimiter, decimal, lines[at].strip(), cells, columns, width, *found)


def _decode(line: bytes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace")


def _cells(text: str, delimiter: str) -> list[str]:
    try:
        cells = next(csv.reader([text.lstrip("\ufeff")], delimiter=delimiter), [])
    except csv.Error:
        cells = text.split(delimiter)
    if cells:
        cells[0] = cells[0].lstrip("#% ")
    return [cell.strip() for cell in cells]


def _is_units(row: list[str], columns: list[Column | None]) -> bool:
    """Whether the line below the header holds units, not data."""
    filled = [cell for cell in row if cell]
    if not filled or len(row) < len(columns) or any(re.search(r"\d{2}", cell) for cell in filled):
        return False
    channels = [row[at] for at, column in enumerate(columns)
                if column is not None and column.role == "channel" and row[at]]
    return bool(channels) and not any(_looks_number(cell) or cell in _MISSING for cell in channels)


def _looks_number(cell: str) -> bool:
    return re.match(_NUMBER, cell.replace(",", ".", 1)) is not None


def _decimal(rows: list[list[str]], delimiter: str, columns: list[Column | None]) -> str:
    comma = point = 0
    for row in rows:
        for cell, column in zip(row, columns, strict=True):
            if column is not None and column.role == "channel":
                comma += re.match(r"^\s*[+-]?\d*,\d+\s*$", cell) is not None
                point += re.match(r"^\s*[+-]?\d*\.\d+\s*$", cell) is not None
    return "," if comma > point else "."


def _time_column(columns: list[Column | None], rows: list[list[str]],
                 ) -> tuple[int, int, str] | None:
    """The best time column, the date column that belongs to it (or -1), and its kind."""
    dates = [at for at, column in enumerate(columns) if column is not None
             and column.role == "date"]
    times = [at for at, column in enumerate(columns) if column is not None
             and column.role == "time"]
    ranked = []
    for at in [*times, *dates]:
        seen = [row[at] for row in rows if row[at] not in _MISSING][:200]
        kind = _time_kind(seen)
        if kind == "" or (at in dates and not any(":" in cell for cell in seen)
                          and kind != "number" and times):
            continue
        column = columns[at]
        utc = bool(column and column.utc)
        whole = sum(1 for cell in seen if re.search(r"\d[-/.]\w+[-/.]\d.*\d:\d|\d{8}T?\d{4}", cell))
        dated = kind in ("utc", "plain") or whole * 2 > len(seen)
        epoch = kind == "number" and _median(seen) > 1e8
        rank = (len(seen) > 0) * (8 * (kind == "utc" or epoch) + 6 * dated
                                  + 3 * (bool(dates) and not dated and at not in dates)
                                  + 2 * utc + 1 * (column is not None and not column.elapsed)
                                  - 4 * (at in dates and bool(times) and not dated))
        ranked.append((rank, -at, kind, dated or epoch))
    if not ranked:
        return None
    _, negative, kind, dated = max(ranked)
    at = -negative
    date_at = -1
    if not dated and at not in dates and dates:
        column = columns[at]
        if not (column is not None and column.elapsed):
            date_at = dates[0]
    return at, date_at, kind


def _median(seen: list[str]) -> float:
    values = sorted(float(cell.replace(",", ".", 1)) for cell in seen if _looks_number(cell))
    return values[len(values) // 2] if values else 0.0


def _time_kind(seen: list[str]) -> str:
    if not seen:
        return "text"
    numbers = sum(_looks_number(cell) for cell in seen)
    if numbers * 2 > len(seen):
        # Eight bare digits and more in one cell are a date or a compact moment, not a count.
        compact = sum(re.fullmatch(r"(19|20)\d{6}(\d{6})?(\.\d+)?", cell) is not None
                      for cell in seen)
        return "text" if compact * 2 > len(seen) else "number"
    iso = r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,9})?)?"
    if all(re.fullmatch(iso + r"(Z|[+-]\d\d:?\d\d)", cell) for cell in seen):
        return "utc"
    if all(re.fullmatch(iso, cell) for cell in seen):
        return "plain"
    return "text" if any(re.search(r"\d", cell) for cell in seen) else ""


def _say_columns(cells: list[str], columns: list[Column | None], context: ReadContext,
                 reading: Reading, rows: list[list[str]]) -> None:
    unknown = [cell for at, (cell, column) in enumerate(zip(cells, columns, strict=True))
               if column is None and (cell or any(row[at] for row in rows))]
    if unknown:
        shown = ", ".join(repr(cell[:40]) for cell in unknown[:20])
        more = f" and {len(unknown) - 20} more" if len(unknown) > 20 else ""
        reading.findings.append(Finding(
            "csv-unknown-column",
            f"{context.name}: column{'s' if len(unknown) > 1 else ''} not understood and not used: "
            f"{shown}{more}. Map what you need in the boat file's [columns]."))
    for column in columns:
        if column is not None and column.assumed:
            reading.findings.append(Finding(
                "csv-assumed-column", f"{context.name}: {column.assumed}.", "note",
                channel=column.name))
    present = {" ".join(cell.split()).casefold() for cell in cells}
    absent = [name for name in context.boat.columns
              if " ".join(name.split()).casefold() not in present]
    if absent and len(absent) < len(context.boat.columns):
        reading.findings.append(Finding(
            "csv-mapped-column-absent",
            f"{context.name}: has no column {', '.join(repr(name) for name in absent)}, which the "
            "boat file's [columns] maps.", "note"))


# ------------------------------------------------------------------------------- blocks
def _take_block(block: bytes, layout: _Layout, gathered: _Gathered, parts: TimeParts,
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
    quotes = np.flatnonzero(data == 34)
    each = np.diff(np.searchsorted(quotes, ends), prepend=0)
    odd = np.flatnonzero(each % 2)
    if not odd.size:
        return block, 0
    lines = block.split(b"\n")
    for at in odd[::-1]:
        del lines[at]
    return b"\n".join(lines), int(odd.size)


def _only_full_rows(block: bytes, layout: _Layout) -> tuple[bytes, int]:
    """Keep lines with the right number of separators and valid text; slow, for ruined blocks."""
    mark = layout.delimiter.encode()
    lines = [line for line in block.split(b"\n") if line.strip()]
    kept = [line.replace(b'"', b"") for line in lines
            if line.count(mark) == layout.width - 1 and len(line) <= MAX_LINE_BYTES]
    return b"\n".join(kept) + b"\n", len(lines) - len(kept)


def _parse(block: bytes, layout: _Layout, typed: bool) -> tuple[Any, int]:
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

    missing = [*_MISSING, *(f" {word}" for word in _MISSING if word)]
    table = pacsv.read_csv(
        io.BytesIO(block),
        read_options=pacsv.ReadOptions(column_names=names, block_size=max(len(block), 1 << 16)
                                       if len(block) < 1 << 20 else 1 << 20),
        parse_options=pacsv.ParseOptions(delimiter=layout.delimiter, invalid_row_handler=skip),
        convert_options=pacsv.ConvertOptions(
            column_types=types, include_columns=list(types), null_values=missing,
            strings_can_be_null=True, decimal_point=layout.decimal if typed else "."))
    return table, invalid


def _take_table(table: Any, layout: _Layout, gathered: _Gathered, parts: TimeParts) -> None:
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
        from sailanalysis.read.csvlog_time import iso_seconds

        gathered.times.append(iso_seconds(cells, layout.time_kind == "utc"))
    else:
        parts.text.extend(pc.utf8_trim_whitespace(cells).chunks)
    if layout.date_at >= 0:
        parts.date_text.extend(pc.utf8_trim_whitespace(table.column(str(layout.date_at))).chunks)


def _mend(cells: Any, at: int, column: Column | None, layout: _Layout,
          gathered: _Gathered) -> Floats:
    """Numbers of a text column; what is no number is read in its other spellings or counted."""
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pc.utf8_trim_whitespace(cells)
    if layout.decimal == ",":
        text = pc.replace_substring(text, ",", ".")
    text = pc.if_else(pc.is_in(text, pa.array(_MISSING)), pa.scalar(None, pa.string()), text)
    good = pc.match_substring_regex(text, _NUMBER)
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


# ------------------------------------------------------------------------------- the end
def _finish(layout: _Layout, gathered: _Gathered, parts: TimeParts, context: ReadContext,
            reading: Reading) -> None:
    times = _times(layout, gathered, parts, context)
    reading.findings += times.findings
    reading.clock = times.clock
    good = np.isfinite(times.time_s)
    used = int(good.sum())
    reading.used += used
    if gathered.rows > used:
        reading.rejected["no readable time"] += gathered.rows - used
    reading.rejected = Counter({key: n for key, n in reading.rejected.items() if n})
    if not used:
        return
    time_s = times.time_s[good]
    back = np.diff(time_s) < 0
    order: np.ndarray[Any, Any] | None = None
    if back.any():
        order = np.argsort(time_s, kind="stable")
        time_s = time_s[order]
        reading.findings.append(Finding(
            "time-out-of-order", f"{context.name}: the time steps back {int(back.sum())} times; "
            "the rows were put in order of time.", "note", share=float(back.mean())))
    time_s = spread_repeats(time_s)
    engines: list[tuple[Floats, Floats]] = []
    engine_names: list[str] = []
    seen: Counter[str] = Counter()
    for at in layout.wanted():
        column = layout.columns[at]
        assert column is not None
        if column.role == "text":
            _texts(gathered.texts.pop(at), column.name, good, order, time_s, reading)
            continue
        value = _house(np.concatenate(gathered.values.pop(at)), column)[good]
        if order is not None:
            value = value[order]
        fine = np.isfinite(value)
        _doubt_unit(value[fine], column, layout.cells[at], context, reading)
        stream = (time_s, value) if fine.all() else (time_s[fine], value[fine])
        if not stream[0].size:
            continue
        if column.name == "engine_rpm":
            engines.append(stream)
            engine_names.append(layout.cells[at])
            continue
        seen[column.name] += 1
        reading.streams.append(Stream(column.name, f"csv {layout.cells[at]}".strip(), *stream,
                                      file=context.file))
    if engines:
        reading.streams.append(Stream("engine_rpm", f"csv {'+'.join(engine_names)}",
                                      *busiest(engines), file=context.file))
    _say_unreadable(layout, gathered, context, reading)


def _times(layout: _Layout, gathered: _Gathered, parts: TimeParts,
           context: ReadContext) -> RowTimes:
    if layout.time_kind in ("utc", "plain"):
        from sailanalysis.read.csvlog_time import moments_to_times

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


def _texts(pieces: list[Any], item: str, good: Any, order: Any, time_s: Floats,
           reading: Reading) -> None:
    """Changes of a text column, as events."""
    text = np.concatenate([piece.to_pandas().fillna("").to_numpy(dtype=object)
                           for piece in pieces])[good]
    if order is not None:
        text = text[order]
    text = np.array([str(cell).strip() for cell in text], dtype=object)
    change = np.flatnonzero(np.concatenate([[True], text[1:] != text[:-1]]))
    reading.modes += [(float(time_s[at]), item, text[at]) for at in change if text[at]]


def _say_unreadable(layout: _Layout, gathered: _Gathered, context: ReadContext,
                    reading: Reading) -> None:
    for at, count in gathered.unreadable.items():
        reading.findings.append(Finding(
            "csv-unreadable-cell",
            f"{context.name}: {count} cell{'s' if count > 1 else ''} of {layout.cells[at]!r} "
            f"{'are' if count > 1 else 'is'} no number (such as {gathered.example[at]!r}) and "
            "count as missing.", share=count / max(gathered.rows, 1)))
