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
_TWO_DIGITS: Final = re.compile(r"\d{2}")
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

    def wanted(self) -> list[tuple[int, Column]]:
        """Places of the columns that are channels or texts, and what they are."""
        return [(at, column) for at, column in enumerate(self.columns)
                if column is not None and column.role in ("channel", "text")]


@dataclass
class _Head:
    """The header as far as it is known: its line, separator, cells and what they mean."""

    line: int
    delimiter: str
    cells: list[str]
    columns: list[Column | None]

    def score(self) -> int:
        """How many columns are read; 0 where no time is among them."""
        roles = [column.role for column in self.columns if column is not None]
        timed = "time" in roles or "date" in roles
        return timed * (roles.count("channel") + roles.count("text"))


def _width(head: _Head, below: list[list[str]]) -> int:
    """Cells of a row: the usual count, where that holds what the header names."""
    if not below:
        return len(head.cells)
    usual = Counter(len(row) for row in below).most_common(1)[0][0]
    needed = [k for k, column in enumerate(head.columns) if column is not None]
    # Rows too short to hold anything do not change the header's word.
    return max(usual, len(head.cells)) if usual <= max(needed[:2], default=0) else usual


def _header_shows(head: _Head, time_at: int, kind: str) -> bool:
    """Whether no row can be written as the header is: a number or time of it is none."""
    channels = [cell for cell, column in zip(head.cells, head.columns, strict=True)
                if column is not None and column.role == "channel"]
    return any(map(_no_number, channels)) or (kind != "text" and _no_number(head.cells[time_at]))


def _below(head: _Head, texts: list[str], mapping: Mapping[str, str]
           ) -> tuple[int, list[list[str]]]:
    """Lines to skip and the rows below; a line of units is taken into the header."""
    skip = head.line + 1
    filled = [(k, _cells(text, head.delimiter)) for k, text in enumerate(texts[skip:])
              if text.strip()]
    if filled and _is_units(filled[0][1], head.columns):
        (place, units), *filled = filled
        head.columns = read_header(head.cells, mapping, units)
        skip += 1 + place
    return skip, [cells for _, cells in filled]


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
    head = _find_header(texts, context.boat.columns)
    if head is None:
        reading.findings.append(Finding(
            "csv-no-header", f"{context.name}: no line names a time column and a channel; the "
            "first line should read like 'time,boat speed (kn),heading (T)', or the boat file's "
            "[columns] should map the names."))
        return None
    skip, below = _below(head, texts, context.boat.columns)
    named, width = len(head.cells), _width(head, below)
    head.cells = [*head.cells, *[""] * (width - named)][:width]
    head.columns = [*head.columns, *[None] * (width - len(head.columns))][:width]
    rows = [row for row in below if len(row) == width]
    times = _time_column(head.columns, rows)
    if times is None:
        reading.findings.append(Finding(
            "csv-no-time", f"{context.name}: no column holds readable times."))
        return None
    _say_columns(head.cells, head.columns, context, reading, rows)
    time_at, date_at, kind = times
    return Layout(skip, head.delimiter, _decimal(rows, head.columns), lines[head.line].strip(),
                  head.cells, head.columns, width, time_at, date_at, kind,
                  named == width and _header_shows(head, time_at, kind))


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


def _find_header(texts: list[str], mapping: Mapping[str, str]) -> _Head | None:
    """The line that names a time and most channels, its separator and columns."""
    best: _Head | None = None
    for number, text in enumerate(texts[:_HEAD_LINES]):
        for delimiter in filter(text.count, ",;\t|"):
            cells = _cells(text, delimiter)
            if len(cells) > MAX_COLUMNS:
                continue
            head = _Head(number, delimiter, cells, read_header(cells, mapping))
            if head.score() > (best.score() if best is not None else 0):
                best = head
        if best is not None and best.line < number:
            break
    return best


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
    if len(row) < len(columns) or any(map(_TWO_DIGITS.search, row)):
        return False
    channels = [cell for cell, column in zip(row, columns, strict=False)
                if cell and column is not None and column.role == "channel"]
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


@dataclass(frozen=True, order=True)
class _TimeGuess:
    """How good a time column is: the best is the greatest, of equals the first."""

    rank: int
    negative_place: int
    kind: str
    dated: bool
    """Whether its cells hold the day as well."""


def _holds_dates(kind: str, seen: list[str]) -> bool:
    """Whether most cells of a time column hold the day as well."""
    return kind in ("utc", "plain") or 2 * len(list(filter(_DATED.search, seen))) > len(seen)


def _holds_clock(kind: str, seen: list[str]) -> bool:
    """Whether a column of dates may hold times of day as well."""
    return kind == "number" or any(":" in cell for cell in seen)


def _guess(place: int, column: Column, seen: list[str], dates: list[int], times: list[int]
           ) -> _TimeGuess | None:
    """What a column's cells make of it; None where they are no times."""
    kind = _time_kind(seen)
    is_date = place in dates
    # A column of dates is none of times where others hold the time of day.
    if kind == "" or (is_date and times and not _holds_clock(kind, seen)):
        return None
    dated = _holds_dates(kind, seen)
    epoch = kind == "number" and _median(seen) > 1e8
    rank = 8 * (kind == "utc" or epoch) + 2 * column.utc + (not column.elapsed) + 6 * dated
    if not dated:
        rank += -4 * bool(times) if is_date else 3 * bool(dates)
    return _TimeGuess(rank * bool(seen), -place, kind, dated or epoch)


def _places(columns: list[Column | None], role: str) -> list[int]:
    """Where the columns of one role stand."""
    return [place for place, column in enumerate(columns)
            if column is not None and column.role == role]


def _time_column(columns: list[Column | None], rows: list[list[str]],
                 ) -> tuple[int, int, str] | None:
    """The best time column, the date column that belongs to it (or -1), and its kind."""
    times, dates = _places(columns, "time"), _places(columns, "date")
    known = {place: column for place, column in enumerate(columns) if column is not None}
    guesses = (_guess(place, known[place], _filled(rows, place), dates, times)
               for place in [*times, *dates])
    best = max(filter(None, guesses), default=None)
    if best is None:
        return None
    place = -best.negative_place
    alone = best.dated or place in dates or known[place].elapsed
    return place, -1 if alone or not dates else dates[0], best.kind


def _median(seen: list[str]) -> float:
    values = sorted(float(cell.replace(",", ".", 1)) for cell in seen if _looks_number(cell))
    return values[len(values) // 2] if values else 0.0


def _filled(rows: list[list[str]], place: int) -> list[str]:
    """The first cells of a column that are not empty."""
    return [row[place][:64] for row in rows if row[place] not in _ABSENT][:200]


def _time_kind(seen: list[str]) -> str:
    if not seen:
        return "text"
    for kind, pattern in (("utc", _ZONED), ("plain", _PLAIN)):
        if all(map(pattern.fullmatch, seen)):
            return kind
    numbers = sum(map(_looks_number, seen))
    if numbers * 2 > len(seen):
        # Eight bare digits and more in one cell are a date or a compact moment, not a count.
        compact = len(list(filter(_IS_COMPACT.fullmatch, seen)))
        return "text" if compact * 2 > len(seen) else "number"
    return "text" if any(re.search(r"\d", cell) for cell in seen) else ""


def _say_unknown(cells: list[str], columns: list[Column | None], context: ReadContext,
                 reading: Reading, rows: list[list[str]]) -> None:
    """Say which columns are not read."""
    unknown = [cell for at, (cell, column) in enumerate(zip(cells, columns, strict=True))
               if column is None and (cell or any(row[at] for row in rows))]
    if unknown:
        shown = ", ".join(repr(cell[:40]) for cell in unknown[:20])
        more = f" and {len(unknown) - 20} more" if len(unknown) > 20 else ""
        reading.findings.append(Finding(
            "csv-unknown-column",
            f"{context.name}: column{'s' if len(unknown) > 1 else ''} not understood and not used: "
            f"{shown}{more}. Map what you need in the boat file's [columns]."))


def _say_columns(cells: list[str], columns: list[Column | None], context: ReadContext,
                 reading: Reading, rows: list[list[str]]) -> None:
    """Say which columns are not read, which are by an assumption, and which are missing."""
    _say_unknown(cells, columns, context, reading, rows)
    reading.findings += [
        Finding("csv-assumed-column", f"{context.name}: {column.assumed}.", "note",
                channel=column.name)
        for column in filter(None, columns) if column.assumed]
    _say_absent(cells, context, reading)


def _say_absent(cells: list[str], context: ReadContext, reading: Reading) -> None:
    """Say which columns the boat file maps and the log has not."""
    present = {" ".join(cell.split()).casefold() for cell in cells}
    absent = [name for name in context.boat.columns
              if " ".join(name.split()).casefold() not in present]
    if absent and len(absent) < len(context.boat.columns):
        reading.findings.append(Finding(
            "csv-mapped-column-absent",
            f"{context.name}: has no column {', '.join(repr(name) for name in absent)}, which the "
            "boat file's [columns] maps.", "note"))
