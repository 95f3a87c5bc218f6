"""The time of every CSV row: ISO, ordinary dates, date and time apart, epoch, elapsed.

A column is read as a whole before it is understood: whether ``03/07`` is the third of July or the
seventh of March shows in the other rows, in ``--date`` or in the file's name, not in one cell.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.errors import Finding
from sailanalysis.model import Floats
from sailanalysis.read.instants import day_of, local_to_utc, near_the_rest
from sailanalysis.read.reading import ClockKind, ReadContext

if TYPE_CHECKING:
    import pyarrow as pa

_DATE: Final = (r"(?P<d1>\d{1,4})\s?(?P<q>[-/. ])\s?(?P<d2>\d{1,2}|[A-Za-z]{3,9})\.?,?\s?[-/. ]\s?"
                r"(?P<d3>\d{1,4})")
_CLOCK: Final = (r"(?P<H>\d{1,2})[:h](?P<M>\d{1,2})"
                 r"(?:[:m](?P<S>\d{1,2})s?(?:[.,:](?P<f>\d{1,9}))?)?\s?(?P<p>[AaPp]\.?[Mm]\.?)?")
_ZONE: Final = r"(?P<z>Z|z|UTC|GMT|[+-]\d\d:?\d\d|[+-]\d\d)"
_MOMENT: Final = rf"^\s*(?:{_DATE})?(?:[T ,;_]*{_CLOCK})?\s*{_ZONE}?\s*$"
_COMPACT: Final = (r"^\s*(?P<d1>\d{4})(?P<d2>\d\d)(?P<d3>\d\d)(?:[T _-]?(?P<H>\d\d)(?P<M>\d\d)"
                   rf"(?P<S>\d\d)(?:[.,](?P<f>\d{{1,9}}))?(?P<p>))?(?P<q>){_ZONE}?\s*$")
_PARTS: Final = ("d1", "d2", "d3", "q", "H", "M", "S", "f", "p", "z")
_IN_NAME: Final = re.compile(
    r"(?<!\d)((?:19|20)\d\d)[-_.]?(\d\d)[-_.]?(\d\d)(?:[-_T .]+(\d\d)[-_.:h]?(\d\d)"
    r"(?:[-_.:]?(\d\d))?)?(?!\d)")
_MONTHS: Final = {name: number for number, name in enumerate(
    "jan feb mar apr may jun jul aug sep oct nov dec".split(), 1)}  # noqa: SIM905
_TO_S: Final = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0,
                "day": 86400.0}
EXCEL_EPOCH_S: Final = -2209161600.0
"""1899-12-30, day 0 of spreadsheets' serial dates."""
FAR_S: Final = 400 * 86400.0
"""A row this far from the others has a clock fault: no log lasts longer than a year."""

END_S: Final = 7258118400.0
"""The year 2200: a later clock is broken."""


@dataclass
class TimeParts:
    """What the rows of a log say about time, in file order, not yet understood.

    ``text``/``number`` hold one entry a row; ``zone`` the zone of texts that state none.
    """

    header: str
    unit: str = ""
    utc: bool = False
    elapsed: bool = False
    text: list[pa.Array] = field(default_factory=list)
    number: list[Floats] = field(default_factory=list)
    date_text: list[pa.Array] = field(default_factory=list)
    date_utc: bool = False


@dataclass
class RowTimes:
    """Seconds since 1970 UTC of each row (NaN where unreadable) and how they were found."""

    time_s: Floats
    clock: ClockKind
    findings: list[Finding]


@dataclass
class _Moments:
    """Parsed cells: a calendar part, a clock part, a zone part; NaN where absent."""

    d1: Floats
    d2: Floats
    d3: Floats
    year_first: NDArray[np.bool_]
    named_month: NDArray[np.bool_]
    dotted: NDArray[np.bool_]
    clock_s: Floats
    zone_s: Floats


def row_times(parts: TimeParts, context: ReadContext) -> RowTimes:
    """Understand the time columns of a whole file.

    Parameters
    ----------
    parts : TimeParts
    context : ReadContext
        ``date``, ``zone``, file name and modification time fill what the rows leave open.

    Returns
    -------
    RowTimes
        ``time_s`` has the rows' order; it may step back.
    """
    findings: list[Finding] = []
    utc = parts.utc or parts.date_utc
    if parts.number:
        count = sum(len(piece) for piece in parts.number)
        number = np.concatenate(parts.number) if count else np.zeros(0)
        parts.number.clear()
        if parts.date_text:
            naive = _day_s(_moments(parts.date_text), parts, context, findings)
            naive += _clock_of_numbers(number, parts.unit)
        else:
            return _from_numbers(number, parts, context, findings)
        zone_s = np.full(naive.shape, np.nan)
    else:
        moments = _moments(parts.text)
        parts.text.clear()
        if np.isfinite(moments.d1).any():
            naive = _day_s(moments, parts, context, findings)
            naive = naive + np.nan_to_num(moments.clock_s)
        elif parts.date_text:
            naive = _day_s(_moments(parts.date_text), parts, context, findings) + moments.clock_s
        else:
            naive = _midnights(moments.clock_s)
            last = float(np.nanmax(naive)) if np.isfinite(naive).any() else 0.0
            naive = naive + _seconds(day_of(context, findings, last))
        zone_s = moments.zone_s
    stated = np.isfinite(zone_s)
    if utc:
        zone_s = np.where(stated, zone_s, 0.0)
        stated = np.isfinite(naive)
    time_s = naive - np.nan_to_num(zone_s)
    clock: ClockKind = "stamped"
    open_ = np.isfinite(naive) & ~stated
    if open_.any():
        clock = "local"
        time_s[open_] = local_to_utc(naive[open_], context.zone)
    if "gps" in parts.header.lower():
        clock = "gps"
    return RowTimes(near_the_rest(time_s, findings, context.name), clock, findings)


# ------------------------------------------------------------------------------- numbers
def _from_numbers(number: Floats, parts: TimeParts, context: ReadContext,
                  findings: list[Finding]) -> RowTimes:
    finite = number[np.isfinite(number)]
    if not finite.size:
        return RowTimes(number, "none", findings)
    middle, low, high = float(np.median(finite)), float(finite.min()), float(finite.max())
    if middle > 1e8 and parts.unit != "day":
        # An epoch: its unit shows in its size; seconds reach 1e11 in the year 5138.
        scale = 1.0 if middle < 1e11 else 1e-3 if middle < 1e14 else 1e-6 if middle < 1e17 else 1e-9
        return RowTimes(near_the_rest(number * scale, findings, context.name), "stamped", findings)
    serial = low > 20_000 and high - low < 400 and high < 80_000 and not parts.elapsed
    if serial and parts.unit in ("", "day"):
        naive = np.round((number * 86400.0 + EXCEL_EPOCH_S) * 1e3) / 1e3
        clock: ClockKind = "stamped" if parts.utc else "local"
        good = np.isfinite(naive)
        if not parts.utc:
            naive[good] = local_to_utc(naive[good], context.zone)
        return RowTimes(near_the_rest(naive, findings, context.name), clock, findings)
    scale = _TO_S.get(parts.unit or "s", 1.0)
    start_s, named = _start_of(context, findings, high * scale)
    findings.append(Finding(
        "elapsed-time",
        f"{context.name}: {parts.header!r} counts from a start that the file does not name; "
        f"taken from {datetime.fromtimestamp(start_s, UTC):%Y-%m-%d %H:%M:%S} UTC"
        f"{'' if named else ', the start of that day'}.", "note" if named else "warning"))
    time_s = near_the_rest(start_s + number * scale, findings, context.name)
    return RowTimes(time_s, "local" if context.date or named else "none", findings)


def _clock_of_numbers(number: Floats, unit: str) -> Floats:
    """Seconds of the day from a numeric time column beside a date column."""
    if unit:
        return number * _TO_S[unit]
    finite = number[np.isfinite(number)]
    if finite.size and finite.max() <= 1.0:
        return number * 86400.0
    tail = finite % 100
    if finite.size and (tail.max() >= 61 or (finite // 100 % 100).max() >= 60):
        return number  # seconds of the day: no clock has a 73rd second
    return (number // 10000) * 3600.0 + (number // 100 % 100) * 60.0 + number % 100


# ------------------------------------------------------------------------------- texts
def _moments(pieces: list[pa.Array]) -> _Moments:
    """Parse cells; a long column of few dates is parsed once for each date."""
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pa.chunked_array(pieces, type=pa.string()).combine_chunks()
    if isinstance(text, pa.ChunkedArray):
        text = pa.concat_arrays(text.chunks)
    coded = pc.dictionary_encode(text) if len(text) else None
    if coded is not None and len(coded.dictionary) < len(text) // 4:
        few = _parse(coded.dictionary)
        index = coded.indices.to_numpy(zero_copy_only=False)
        missing = ~np.isfinite(index.astype(float))
        at = np.where(missing, 0, index).astype(np.int64)
        spread: dict[str, Any] = {}
        for name, values in vars(few).items():
            taken = values[at] if len(values) else np.zeros(len(text), values.dtype)
            if taken.dtype == float:
                taken[missing] = np.nan
            spread[name] = taken
        return _Moments(**spread)
    return _parse(text)


def _parse(text: pa.Array) -> _Moments:
    import pyarrow.compute as pc

    found = pc.extract_regex(text, pattern=_MOMENT)
    odd = found.null_count - text.null_count
    if odd:
        compact = pc.extract_regex(text, pattern=_COMPACT)
        part = {name: pc.coalesce(pc.struct_field(found, name), pc.struct_field(compact, name))
                for name in _PARTS}
    else:
        part = {name: pc.struct_field(found, name)
                for name in _PARTS}
    d2 = part["d2"]
    named = np.asarray(pc.fill_null(pc.match_substring_regex(d2, "^[A-Za-z]"), False))
    if named.any():
        names = d2.to_pandas().str[:3].str.lower().map(_MONTHS)
        middle = np.where(named, names.to_numpy(dtype=float), _whole(d2, ~named))
    else:
        middle = _whole(d2)
    hour = _whole(part["H"])
    suffix = part["p"]
    afternoon = np.asarray(pc.fill_null(pc.match_substring_regex(suffix, "^[Pp]"), False))
    twelve = afternoon | np.asarray(pc.fill_null(pc.match_substring_regex(suffix, "^[Aa]"), False))
    hour = np.where(twelve, np.where((hour >= 1) & (hour <= 12), hour % 12, np.nan), hour)
    hour = np.where(afternoon, hour + 12, hour)
    minute, second = _whole(part["M"]), np.nan_to_num(_whole(part["S"]))
    padded = pc.utf8_rpad(pc.fill_null(part["f"], ""), width=9, padding="0")
    fraction = np.nan_to_num(_whole(padded)) / 1e9
    clock = hour * 3600.0 + minute * 60.0 + second + fraction
    clock[~((hour <= 23) & (minute <= 59) & (second <= 60))] = np.nan
    # A clock that cannot be (25:61) makes the whole cell unreadable, not a midnight.
    impossible = np.isfinite(_whole(part["H"])) & ~np.isfinite(clock)
    first = np.where(impossible, np.nan, _whole(part["d1"]))
    length = pc.utf8_length(pc.fill_null(part["d1"], ""))
    return _Moments(first, middle, _whole(part["d3"]), np.asarray(length) == 4, named,
                    np.asarray(pc.equal(pc.fill_null(part["q"], ""), ".")), clock,
                    _zone_offsets(part["z"]))


def _whole(text: pa.Array, where: NDArray[np.bool_] | None = None) -> Floats:
    """Digits as floats, NaN for nothing."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if where is not None:
        text = pc.if_else(pa.array(where), text, pa.scalar(None, pa.string()))
    text = pc.if_else(pc.equal(pc.utf8_length(text), 0), pa.scalar(None, pa.string()), text)
    return np.array(pc.cast(text, pa.float64()).to_numpy(zero_copy_only=False), dtype=float)


def _zone_offsets(text: pa.Array) -> Floats:
    import pyarrow.compute as pc

    coded = pc.dictionary_encode(pc.fill_null(text, ""))
    if isinstance(coded.type, object) and hasattr(coded, "chunks"):
        coded = coded.combine_chunks()
    offsets = []
    for zone in coded.dictionary.to_pylist():
        if not zone:
            offsets.append(np.nan)
        elif zone in ("Z", "z", "UTC", "GMT"):
            offsets.append(0.0)
        else:
            digits = zone[1:].replace(":", "").ljust(4, "0")
            size = int(digits[:2]) * 3600.0 + int(digits[2:]) * 60.0
            offsets.append(-size if zone[0] == "-" else size)
    table = np.array(offsets or [np.nan])
    return np.asarray(table[coded.indices.to_numpy(zero_copy_only=False)], dtype=float)


def _day_s(moments: _Moments, parts: TimeParts, context: ReadContext,
           findings: list[Finding]) -> Floats:
    """Midnight of each row's date, seconds since 1970 in the date's own zone."""
    first = moments.year_first
    day_first = True
    open_ = ~first & ~moments.named_month & np.isfinite(moments.d1)
    if open_.any():
        day_first = _day_first(moments, open_, context, findings, parts.header)
    lead_day = day_first | moments.named_month
    year = np.where(first, moments.d1, moments.d3)
    month = np.where(first, moments.d2, np.where(lead_day, moments.d2, moments.d1))
    day = np.where(first, moments.d3, np.where(lead_day, moments.d1, moments.d2))
    year = np.where(year < 70, year + 2000, np.where(year < 100, year + 1900, year))
    return _civil_s(year, month, day)


def _civil_s(year: Floats, month: Floats, day: Floats) -> Floats:
    """Seconds since 1970 at midnight; NaN for dates that do not exist."""
    with np.errstate(invalid="ignore"):
        good = ((year >= 1900) & (year < 2200) & (month >= 1) & (month <= 12) & (day >= 1)
                & (day <= 31))
    count = np.where(good, (year - 1970) * 12 + month - 1, 0).astype(np.int64)
    months = count.astype("datetime64[M]")
    days = months.astype("datetime64[D]") + np.where(good, day - 1, 0).astype("timedelta64[D]")
    good &= days.astype("datetime64[M]") == months
    return np.where(good, days.astype(np.int64) * 86400.0, np.nan)


def _day_first(moments: _Moments, open_: NDArray[np.bool_], context: ReadContext,
               findings: list[Finding], header: str) -> bool:
    """Whether the first number of an all-number date is the day, from the whole column."""
    one, two, year = moments.d1[open_], moments.d2[open_], moments.d3[open_]
    if (one > 12).any() or (two > 12).any():
        return bool((one > 12).sum() >= (two > 12).sum())
    if (one == two).all() or moments.dotted[open_].all():
        return True  # dates with dots are written day first wherever they are written
    year = np.where(year < 100, year + 2000, year)
    as_dmy, as_mdy = _civil_s(year, two, one), _civil_s(year, one, two)
    span_dmy, span_mdy = np.ptp(as_dmy), np.ptp(as_mdy)
    if span_dmy != span_mdy:
        # A log that runs past midnight: days follow one another, months do not.
        return bool(span_dmy < span_mdy)
    wanted = _seconds(context.date) if context.date else None
    if wanted is None:
        named = _IN_NAME.search(context.name)
        wanted = _named_day_s(named) if named else None
    if wanted is not None and wanted in (as_dmy[0], as_mdy[0]):
        return bool(wanted == as_dmy[0])
    findings.append(Finding(
        "ambiguous-date",
        f"{context.name}: {header!r} reads {int(one[0]):02d}/{int(two[0]):02d}, day first or month "
        f"first; taken as day first, {np.datetime64(int(as_dmy[0]), 's').astype('datetime64[D]')}. "
        "Give --date to settle it."))
    return True


def _named_day_s(found: re.Match[str]) -> float | None:
    try:
        return _seconds(date(int(found[1]), int(found[2]), int(found[3])))
    except ValueError:
        return None


# ------------------------------------------------------------------------------- clocks
def _midnights(clock_s: Floats) -> Floats:
    """Make a time of day continuous through midnight: a fall of more than 12 h is a new day."""
    out = clock_s.copy()
    good = np.isfinite(out)
    fall = np.diff(out[good])
    out[good] += np.concatenate([[0.0], np.cumsum(
        np.where(fall < -43200, 86400.0, np.where(fall > 43200, -86400.0, 0.0)))])[:good.sum()]
    return out


def _start_of(context: ReadContext, findings: list[Finding],
              last_s: float) -> tuple[float, bool]:
    """Instant from which elapsed time counts, and whether it is more than a midnight."""
    found = _IN_NAME.search(context.name)
    clock = time(0)
    if found and found[4] and (context.date is None or
                               _named_day_s(found) == _seconds(context.date)):
        try:
            clock = time(int(found[4]), int(found[5]), int(found[6] or 0))
        except ValueError:
            clock = time(0)
    day = day_of(context, findings, last_s)
    moment = datetime.combine(day, clock, tzinfo=context.zone)
    return moment.timestamp(), clock != time(0)


def _seconds(day: date) -> float:
    return (day - date(1970, 1, 1)).days * 86400.0


def iso_seconds(cells: Any, zoned: bool) -> Floats:
    """Seconds of ISO cells in a block where some do not parse; NaN for those.

    Parameters
    ----------
    cells : pyarrow.ChunkedArray of string
    zoned : bool
        Whether the column states a zone; a cell without one is then unreadable.
    """
    moments = _moments(list(cells.chunks))
    seconds = _civil_s(np.where(moments.year_first, moments.d1, np.nan), moments.d2, moments.d3)
    seconds = seconds + moments.clock_s
    return seconds - moments.zone_s if zoned else seconds - np.nan_to_num(moments.zone_s)


def moments_to_times(seconds: Floats, utc: bool, parts: TimeParts,
                     context: ReadContext) -> RowTimes:
    """Row times of an ISO column: already UTC, or in the zone that has to be assumed."""
    findings: list[Finding] = []
    clock: ClockKind = "stamped" if utc else "local"
    time_s = seconds if utc else local_to_utc(seconds, context.zone)
    if "gps" in parts.header.lower():
        clock = "gps"
    return RowTimes(near_the_rest(time_s, findings, context.name), clock, findings)
