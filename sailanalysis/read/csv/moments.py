"""Cells that hold a date, a time or both, as numbers; what they mean is settled later.

Most columns are written alike from row to row. The first cell then shows where its digits stand
and what they are, and whole columns of digits become numbers at once; cells built otherwise are
matched one by one. Both ways use the same patterns and give the same numbers.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.model import Floats

if TYPE_CHECKING:
    import pyarrow as pa

Bools = NDArray[np.bool_]

_DATE: Final = (r"(?P<d1>\d{1,4})\s?(?P<q>[-/. ])\s?(?P<d2>\d{1,2}|[A-Za-z]{3,9})\.?,?\s?[-/. ]\s?"
                r"(?P<d3>\d{1,4})")
_CLOCK: Final = (r"(?P<H>\d{1,2})[:h](?P<M>\d{1,2})"
                 r"(?:[:m](?P<S>\d{1,2})s?(?:[.,:](?P<f>\d{1,9}))?)?\s?(?P<p>[AaPp]\.?[Mm]\.?)?")
_ZONE: Final = r"(?P<z>Z|z|UTC|GMT|[+-]\d\d:?\d\d|[+-]\d\d)"
_MOMENT: Final = rf"^\s*(?:{_DATE})?(?:[T ,;_]*{_CLOCK})?\s*{_ZONE}?\s*$"
_COMPACT: Final = (r"^\s*(?P<d1>\d{4})(?P<d2>\d\d)(?P<d3>\d\d)(?:[T _-]?(?P<H>\d\d)(?P<M>\d\d)"
                   rf"(?P<S>\d\d)(?:[.,](?P<f>\d{{1,9}}))?(?P<p>))?(?P<q>){_ZONE}?\s*$")
_PATTERNS: Final = tuple(re.compile(pattern.encode()) for pattern in (_MOMENT, _COMPACT))
_PARTS: Final = ("d1", "d2", "d3", "q", "H", "M", "S", "f", "p", "z")
_MONTHS: Final = {name: number for number, name in enumerate(
    "jan feb mar apr may jun jul aug sep oct nov dec".split(), 1)}  # noqa: SIM905
_LONGEST: Final = 40
"""Longer cells than any moment written out; they are matched one by one."""
_KINDS: Final = 4
"""Ways of writing tried for cells of one length before they are matched one by one."""


@dataclass(frozen=True)
class Days:
    """The calendar parts of rows, one entry for each run of rows that share them.

    ``d1``, ``d2``, ``d3`` are the three numbers of a date in the order written, ``zone_s`` the
    stated zone east of UTC; NaN where absent.
    """

    d1: Floats
    d2: Floats
    d3: Floats
    year_first: Bools
    named_month: Bools
    dotted: Bools
    zone_s: Floats
    rows: NDArray[np.int64]

    def by_row(self, values: Floats) -> Floats:
        """One value a run, repeated for its rows."""
        return values if self.rows.size == self.rows.sum() else np.repeat(values, self.rows)


@dataclass(frozen=True)
class Moments:
    """Parsed cells: ``clock_s``, seconds of the day or NaN, a row; the calendar a run of rows."""

    clock_s: Floats
    days: Days


def joined(parts: Sequence[Moments]) -> Moments:
    """Moments of consecutive parts of a file.

    Parameters
    ----------
    parts : sequence of Moments

    Returns
    -------
    Moments
    """
    if len(parts) == 1:
        return parts[0]
    clock_s = np.concatenate([part.clock_s for part in parts]) if parts else np.zeros(0)
    return Moments(clock_s, joined_days([part.days for part in parts] or [_Cells(0).days()]))


def joined_days(parts: Sequence[Days]) -> Days:
    """Calendar parts of consecutive parts of a file.

    Parameters
    ----------
    parts : sequence of Days

    Returns
    -------
    Days
    """
    return Days(*(np.concatenate([getattr(part, item.name) for part in parts])
                  for item in fields(Days)))


def moments_of(cells: Any) -> Moments:
    """Parse a column of texts.

    Parameters
    ----------
    cells : pyarrow Array of string

    Returns
    -------
    Moments
        NaN throughout for cells that are missing or no moment.
    """
    import pyarrow as pa

    out = _Cells(len(cells))
    left = _by_columns(cells, out)
    if left.size:
        _one_by_one(cells.take(pa.array(left)), left, out)
    return Moments(out.clock_s, out.days())


class _Cells:
    """Every part of every row; NaN or False until it is found."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.clock_s = np.full(size, np.nan)
        self.dates: dict[str, Any] = {}

    def date(self, name: str) -> Any:
        """A calendar part by row, made when the first row has it."""
        if name not in self.dates:
            flag = name in ("year_first", "named_month", "dotted")
            self.dates[name] = (np.zeros(self.size, dtype=bool) if flag else
                                np.full(self.size, np.nan))
        return self.dates[name]

    def days(self) -> Days:
        """The calendar parts, a run of rows at a time."""
        change = np.zeros(self.size, dtype=bool)
        change[:1] = True
        for part in self.dates.values():
            # By their bits: NaN equals NaN here.
            bits = part.view(np.uint8 if part.dtype == bool else np.int64)
            change[1:] |= bits[1:] != bits[:-1]
        first = np.flatnonzero(change)
        none = _Cells(first.size)
        parts = {item.name: self.dates[item.name][first] if item.name in self.dates
                 else none.date(item.name) for item in fields(Days) if item.name != "rows"}
        return Days(**parts, rows=np.diff(np.append(first, self.size)))


# ------------------------------------------------------------------------- columns of digits
def _by_columns(cells: pa.Array, out: _Cells) -> NDArray[np.int64]:
    """Fill in the rows that are written alike; returns the others."""
    _, offsets, text = cells.buffers()
    if text is None or not len(cells):
        return np.zeros(0, dtype=np.int64)
    at = np.frombuffer(offsets, dtype=np.int32)[cells.offset:cells.offset + len(cells) + 1]
    data = np.frombuffer(text, dtype=np.uint8)
    size = np.diff(at)
    if cells.null_count:
        size[np.asarray(cells.is_null())] = 0
    left = [np.flatnonzero(size > _LONGEST)]
    for length in np.flatnonzero(np.bincount(np.minimum(size, _LONGEST + 1))).tolist():
        if not 0 < length <= _LONGEST:
            continue  # an empty cell has no part
        rows = np.flatnonzero(size == length)
        if rows.size == at.size - 1:
            matrix = data[at[0]:at[-1]].reshape(-1, length)
        else:
            matrix = data[at[rows][:, None] + np.arange(length)]
        for _ in range(_KINDS):
            alike = _take_alike(matrix, rows, out)
            rows, matrix = rows[~alike], matrix[~alike]
            if not rows.size or not alike.any():
                break
        left.append(rows)
    return np.sort(np.concatenate(left))


def _rows_alike(matrix: NDArray[np.uint8], zone: tuple[int, int]) -> Bools:
    """Rows with digits where the first has them (but in its zone) and otherwise equal to it."""
    first = matrix[0]
    same = matrix == first
    alike = np.ones(matrix.shape[0], dtype=bool)
    for column in np.flatnonzero(~same.all(axis=0)):
        digit = 0x30 <= first[column] <= 0x39 and not zone[0] <= column < zone[1]
        alike &= matrix[:, column] - 0x30 < 10 if digit else same[:, column]
    return alike


def _take_alike(matrix: NDArray[np.uint8], rows: NDArray[np.int64], out: _Cells) -> Bools:
    """Fill in the rows that have digits where the first has them and are otherwise equal to it."""
    first = matrix[0]
    if ((first < 0x20) | (first > 0x7E)).any():
        return np.zeros(rows.size, dtype=bool)
    cell = first.tobytes()
    match = next(filter(None, (pattern.match(cell) for pattern in _PATTERNS)), None)
    alike = _rows_alike(matrix, match.span("z") if match is not None else (-1, -1))
    if match is not None:
        all_alike = bool(alike.all())
        _read(matrix if all_alike else matrix[alike], match, out,
              slice(None) if all_alike and rows.size == out.size else rows[alike])
    return alike


def _digits(matrix: NDArray[np.uint8], span: tuple[int, int]) -> Any:
    """The number that digits between two columns make; NaN where there are none."""
    value: Any = np.nan
    for column in range(*span):
        digit = matrix[:, column] - 48.0
        value = digit if column == span[0] else value * 10.0 + digit
    return value


def _clock_of(matrix: NDArray[np.uint8], match: re.Match[bytes]) -> Floats:
    """Seconds since midnight; NaN where no clock shows that."""
    hour, minute, second, fraction = (_digits(matrix, match.span(name)) for name in "HMSf")
    if match["p"]:
        hour = np.where((hour >= 1) & (hour <= 12), hour % 12, np.nan)
        hour = hour + 12 * (match["p"][:1] in b"Pp")
    second = second if match["S"] else 0.0
    fraction = fraction * 10.0 ** (9 - len(match["f"])) / 1e9 if match["f"] else 0.0
    clock_s: Floats = hour * 3600.0 + minute * 60.0 + second + fraction
    clock_s[~((hour <= 23) & (minute <= 59) & (second <= 60))] = np.nan
    return clock_s


def _read(matrix: NDArray[np.uint8], match: re.Match[bytes], out: _Cells, rows: Any) -> None:
    """The parts of rows that are all written like the one that was matched."""
    possible: Any = True
    if match["H"]:
        clock_s = _clock_of(matrix, match)
        # A clock that cannot be (25:61) makes the whole cell unreadable, not a midnight.
        possible = np.isfinite(clock_s)
        out.clock_s[rows] = clock_s
    if match["z"]:
        out.date("zone_s")[rows] = zone_offset_s(match["z"].decode())
    if match["d1"]:
        named = match["d2"][:1].isalpha()
        out.date("d1")[rows] = np.where(possible, _digits(matrix, match.span("d1")), np.nan)
        out.date("d2")[rows] = (_MONTHS.get(match["d2"][:3].decode().lower(), np.nan) if named
                                else _digits(matrix, match.span("d2")))
        out.date("d3")[rows] = _digits(matrix, match.span("d3"))
        for name, value in (("year_first", len(match["d1"]) == 4), ("named_month", named),
                            ("dotted", match["q"] == b".")):
            if value:
                out.date(name)[rows] = True


def zone_offset_s(zone: str) -> float:
    """Seconds east of UTC of a zone as written: ``Z``, ``UTC``, ``+0200``, ``-03:30``.

    Parameters
    ----------
    zone : str
        ``Z``, ``UTC`` or an offset such as ``+02:00``.

    Returns
    -------
    float
        Seconds east of UTC.
    """
    if zone in ("Z", "z", "UTC", "GMT"):
        return 0.0
    digits = zone[1:].replace(":", "").ljust(4, "0")
    size = int(digits[:2]) * 3600.0 + int(digits[2:]) * 60.0
    return -size if zone[0] == "-" else size


# ------------------------------------------------------------------------- one by one
def _one_by_one(text: pa.Array, rows: NDArray[np.int64], out: _Cells) -> None:
    """Fill in rows by matching each cell."""
    import pyarrow.compute as pc

    text = pc.utf8_trim_whitespace(text)
    found = pc.extract_regex(text, pattern=_MOMENT)
    compact = pc.extract_regex(text, pattern=_COMPACT)
    part = {name: pc.coalesce(pc.struct_field(found, name), pc.struct_field(compact, name))
            for name in _PARTS}
    d2 = part["d2"]
    named = np.asarray(pc.fill_null(pc.match_substring_regex(d2, "^[A-Za-z]"), False))
    middle = _whole(d2, ~named)
    for row in np.flatnonzero(named).tolist():
        middle[row] = _MONTHS.get(d2[row].as_py()[:3].lower(), np.nan)
    written = hour = _whole(part["H"])
    suffix = part["p"]
    afternoon = np.asarray(pc.fill_null(pc.match_substring_regex(suffix, "^[Pp]"), False))
    twelve = afternoon | np.asarray(pc.fill_null(pc.match_substring_regex(suffix, "^[Aa]"), False))
    hour = np.where(twelve, np.where((hour >= 1) & (hour <= 12), hour % 12, np.nan), hour)
    hour = np.where(afternoon, hour + 12, hour)
    minute, second = _whole(part["M"]), np.nan_to_num(_whole(part["S"]))
    padded = pc.utf8_rpad(pc.fill_null(part["f"], ""), width=9, padding="0")
    fraction = np.nan_to_num(_whole(padded)) / 1e9
    clock_s = hour * 3600.0 + minute * 60.0 + second + fraction
    clock_s[~((hour <= 23) & (minute <= 59) & (second <= 60))] = np.nan
    impossible = np.isfinite(written) & ~np.isfinite(clock_s)
    out.clock_s[rows] = clock_s
    out.date("d1")[rows] = np.where(impossible, np.nan, _whole(part["d1"]))
    out.date("d2")[rows] = middle
    out.date("d3")[rows] = _whole(part["d3"])
    length = pc.utf8_length(pc.fill_null(part["d1"], ""))
    out.date("year_first")[rows] = np.asarray(length) == 4
    out.date("named_month")[rows] = named
    out.date("dotted")[rows] = np.asarray(pc.equal(pc.fill_null(part["q"], ""), "."))
    out.date("zone_s")[rows] = [zone_offset_s(zone) if zone else np.nan
                                for zone in part["z"].to_pylist()]


def _whole(text: pa.Array, where: Bools | None = None) -> Floats:
    """Digits as floats, NaN for nothing."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if where is not None:
        text = pc.if_else(pa.array(where), text, pa.scalar(None, pa.string()))
    text = pc.if_else(pc.equal(pc.utf8_length(text), 0), pa.scalar(None, pa.string()), text)
    return np.array(pc.cast(text, pa.float64()).to_numpy(zero_copy_only=False), dtype=float)
