"""Where a CSV file's header is, what its columns are, and how its cells are written."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from sailanalysis.core.errors import Finding
from sailanalysis.read.csv.header import Column, read_header
from sailanalysis.read.csv.lines import first_lines
from sailanalysis.read.open.limits import MAX_LINE_BYTES
from sailanalysis.read.reading import ReadContext, Reading

MAX_COLUMNS: Final = 500
_HEAD_LINES: Final = 60
"""A header stands within the first lines; loggers put a few lines of remarks before it."""
_LOOKED_AT: Final = 200
"""Lines from which separators, decimals and the kind of time are told."""
MISSING: Final = ("", "-", "--", "---", "NaN", "nan", "NAN", "N/A", "n/a", "NA", "na", "null",
                   "NULL", "None", "none", "nil", "#N/A", "?", "*")
"""Cells that say there is no value."""
NUMBER: Final = r"^\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\s*$"
_ABSENT: Final = frozenset(MISSING)
_COMMA: Final = re.compile(r"\s*[+-]?\d*,\d+\s*$")
_POINT: Final = re.compile(r"\s*[+-]?\d*\.\d+\s*$")
_IS_NUMBER: Final = re.compile(NUMBER)
_IS_COMPACT: Final = re.compile(r"(19|20)\d{6}(\d{6})?(\.\d+)?")
_PLAIN: Final = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,9})?)?")
_ZONED: Final = re.compile(_PLAIN.pattern + r"(Z|[+-]\d\d:?\d\d)")
_DATED: Final = re.compile(r"\d[-/.]\w+[-/.]\d.*\d:\d|\d{8}T?\d{4}")


@dataclass
class Layout:
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
    header_shows: bool
    """Whether the header, met again, cannot be taken for a row: a number or time of it is none."""

    def wanted(self) -> list[int]:
        """Columns that are channels or texts."""
        return [at for at, column in enumerate(self.columns)
                if column is not None and column.role in ("channel", "text")]


def find_layout(block: bytes, context: ReadContext, reading: Reading) -> Layout | None:
    """Find the header and decide how the file is written.

    Parameters
    ----------
    block : bytes
        The first whole lines of the file.
    context : ReadContext
    reading : Reading
        Gets the findings: unknown columns, assumptions, or why there is no layout.

    Returns
    -------
    Layout or None
        None where no line names a time and a channel.
    """
    lines = first_lines(block, _LOOKED_AT - 1, 1 << 20) or [block[: 1 << 20]]
    texts = [_decode(line) if len(line) <= MAX_LINE_BYTES else "" for line in lines]
    best = _find_header(texts, context.boat.columns)
    if best is None:
        reading.findings.append(Finding(
            "csv-no-header", f"{context.name}: no line names a time column and a channel; the "
            "first line should read like 'time,boat speed (kn),heading (T)', or the boat file's "
            "[columns] should map the names."))
        return None
    at, delimiter, columns = best
    cells = _cells(texts[at], delimiter)
    skip = at + 1
    below = [_cells(text, delimiter) for text in texts[skip:] if text.strip()]
    if below and _is_units(below[0], columns):
        columns = read_header(cells, context.boat.columns, below[0])
        skip = skip + 1 + next(k for k, text in enumerate(texts[skip:]) if text.strip())
        below = below[1:]
    named = len(cells)
    width = Counter(len(row) for row in below).most_common(1)[0][0] if below else len(cells)
    needed = [k for k, column in enumerate(columns) if column is not None]
    if width < len(cells) and width <= max(needed[:2], default=0):
        width = len(cells)  # rows too short to hold anything do not change the header's word
    cells = [*cells, *[""] * (width - len(cells))][:width]
    columns = [*columns, *[None] * (width - len(columns))][:width]
    rows = [row for row in below if len(row) == width]
    decimal = _decimal(rows, columns)
    found = _time_column(columns, rows)
    if found is None:
        reading.findings.append(Finding(
            "csv-no-time", f"{context.name}: no column holds readable times."))
        return None
    _say_columns(cells, columns, context, reading, rows)
    time_at, date_at, kind = found
    shows = named == width and (
        any(_no_number(cell) for cell, column in zip(cells, columns, strict=True)
            if column is not None and column.role == "channel")
        or (kind != "text" and _no_number(cells[time_at])))
    return Layout(skip, delimiter, decimal, lines[at].strip(), cells, columns, width, time_at,
                  date_at, kind, shows)


def names_a_log(head: bytes) -> bool:
    """Whether the first bytes of a file hold a header with a time and a channel.

    Parameters
    ----------
    head : bytes
        UTF-8 or an older western encoding.
    """
    lines = head[: 1 << 16].replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
    texts = [_decode(line) for line in lines[:_HEAD_LINES] if len(line) <= MAX_LINE_BYTES]
    return _find_header(texts, {}) is not None


def _find_header(texts: list[str], mapping: Mapping[str, str]
                 ) -> tuple[int, str, list[Column | None]] | None:
    """The line that names a time and most channels, its separator and columns."""
    best: tuple[int, int, str, list[Column | None]] | None = None
    for at, text in enumerate(texts[:_HEAD_LINES]):
        for delimiter in ",;\t|":
            if delimiter not in text:
                continue
            cells = _cells(text, delimiter)
            if len(cells) > MAX_COLUMNS:
                continue
            columns = read_header(cells, mapping)
            roles = [column.role for column in columns if column is not None]
            score = roles.count("channel") + roles.count("text")
            if score and ("time" in roles or "date" in roles) and (best is None or score > best[0]):
                best = (score, at, delimiter, columns)
        if best is not None and best[1] < at:
            break
    return None if best is None else best[1:]


def _decode(line: bytes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace")


def _cells(text: str, delimiter: str) -> list[str]:
    text = text.lstrip("\ufeff")
    if '"' in text:
        try:
            cells = next(csv.reader([text], delimiter=delimiter), [])
        except csv.Error:
            cells = text.split(delimiter)
    else:
        cells = text.split(delimiter) if text else []
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
    return bool(channels) and not any(_looks_number(cell) or cell in MISSING for cell in channels)


def _no_number(cell: str) -> bool:
    """Whether a cell can be neither a number nor an ISO time nor a missing one."""
    return not re.search(r"\d|nan|inf", cell.lower()) and cell not in MISSING


def _looks_number(cell: str) -> bool:
    return len(cell) < 40 and _IS_NUMBER.match(cell.replace(",", ".", 1)) is not None


def _decimal(rows: list[list[str]], columns: list[Column | None]) -> str:
    if not any("," in "".join(row) for row in rows):
        return "."
    comma = point = 0
    for row in rows:
        for cell, column in zip(row, columns, strict=True):
            if column is not None and column.role == "channel":
                comma += _COMMA.match(cell) is not None
                point += _POINT.match(cell) is not None
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
        seen = [row[at][:64] for row in rows if row[at] not in _ABSENT][:200]
        kind = _time_kind(seen)
        if kind == "" or (at in dates and not any(":" in cell for cell in seen)
                          and kind != "number" and times):
            continue
        column = columns[at]
        utc = bool(column and column.utc)
        dated = kind in ("utc", "plain") or 2 * sum(
            _DATED.search(cell) is not None for cell in seen) > len(seen)
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
    for kind, pattern in (("utc", _ZONED), ("plain", _PLAIN)):
        if all(pattern.fullmatch(cell) for cell in seen):
            return kind
    numbers = sum(_looks_number(cell) for cell in seen)
    if numbers * 2 > len(seen):
        # Eight bare digits and more in one cell are a date or a compact moment, not a count.
        compact = sum(_IS_COMPACT.fullmatch(cell) is not None for cell in seen)
        return "text" if compact * 2 > len(seen) else "number"
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
