"""The time of every CSV row: ISO, ordinary dates, date and time apart, epoch, elapsed.

A column is read as a whole before it is understood: whether ``03/07`` is the third of July or the
seventh of March shows in the other rows, in ``--date`` or in the file's name, not in one cell.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Floats
from sailanalysis.read.clock.instants import day_of, local_to_utc, near_the_rest
from sailanalysis.read.csv.moments import Bools, Days, Moments, joined, joined_days, moments_of
from sailanalysis.read.reading import ClockKind, ReadContext

_IN_NAME: Final = re.compile(
    r"(?<!\d)((?:19|20)\d\d)[-_.]?(\d\d)[-_.]?(\d\d)(?:[-_T .]+(\d\d)[-_.:h]?(\d\d)"
    r"(?:[-_.:]?(\d\d))?)?(?!\d)")
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

    ``moments``, ``number`` and ``times`` (seconds, of an ISO column) hold one entry a row and one
    piece a block; only one of them is filled. ``dates`` is the column beside them, if any.
    """

    header: str
    unit: str = ""
    utc: bool = False
    elapsed: bool = False
    moments: list[Moments] = field(default_factory=list)
    number: list[Floats] = field(default_factory=list)
    times: list[Floats] = field(default_factory=list)
    dates: list[Days] = field(default_factory=list)
    date_utc: bool = False


@dataclass
class RowTimes:
    """Seconds since 1970 UTC of each row (NaN where unreadable) and how they were found."""

    time_s: Floats
    clock: ClockKind
    findings: list[Finding]


def _naive_from_moments(dates: Days | None, parts: TimeParts, context: ReadContext,
                        findings: list[Finding]) -> tuple[Floats, Floats | None]:
    """Times as their texts show them, and the offset of the zone each names."""
    moments = joined(parts.moments)
    parts.moments.clear()
    days = moments.days
    if np.isfinite(days.d1).any():
        naive = days.by_row(_day_s(days, parts, context, findings))
        naive = naive + np.nan_to_num(moments.clock_s)
    elif dates is not None:
        naive = dates.by_row(_day_s(dates, parts, context, findings)) + moments.clock_s
    else:
        naive = _midnights(moments.clock_s)
        last = float(np.nanmax(naive)) if np.isfinite(naive).any() else 0.0
        naive = naive + _seconds(day_of(context, findings, last))
    zoned = np.isfinite(days.zone_s).any()
    return naive, days.by_row(days.zone_s) if zoned else None


def _to_utc(naive: Floats, zones: Floats | None, is_utc: bool, context: ReadContext
            ) -> tuple[Floats, ClockKind]:
    """Seconds since 1970 of times in zones named by the row, by the header, or by nobody."""
    time_s = naive if zones is None else naive - np.nan_to_num(zones)
    if is_utc:
        return time_s, "stamped"
    open_ = np.isfinite(naive)
    if zones is not None:
        open_ &= ~np.isfinite(zones)
    if not open_.any():
        return time_s, "stamped"
    time_s[open_] = local_to_utc(naive[open_], context.zone)
    return time_s, "local"


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
    dates = joined_days(parts.dates) if parts.dates else None
    zones: Floats | None = None
    if parts.number:
        number = np.concatenate(parts.number)
        parts.number.clear()
        if dates is None:
            return _from_numbers(number, parts, context, findings)
        naive = dates.by_row(_day_s(dates, parts, context, findings))
        naive = naive + _clock_of_numbers(number, parts.unit)
    else:
        naive, zones = _naive_from_moments(dates, parts, context, findings)
    time_s, clock = _to_utc(naive, zones, parts.utc or parts.date_utc, context)
    if "gps" in parts.header.lower():
        clock = "gps"
    return RowTimes(near_the_rest(time_s, findings, context.name), clock, findings)


# ------------------------------------------------------------------------------- numbers
def _unit_of_epoch_s(finite: Floats) -> float | None:
    """Seconds of one unit of a count since 1970; None where it is none."""
    unit = _epoch_unit_s(float(finite.min()))
    if unit == _epoch_unit_s(float(finite.max())):
        return unit
    return _epoch_unit_s(float(np.median(finite)))


def _is_serial(finite: Floats, parts: TimeParts) -> bool:
    """Whether numbers are the days of a spreadsheet."""
    low, high = float(finite.min()), float(finite.max())
    return (low > 20_000 and high - low < 400 and high < 80_000 and not parts.elapsed
            and parts.unit in ("", "day"))


def _from_serials(number: Floats, parts: TimeParts, context: ReadContext,
                  findings: list[Finding]) -> RowTimes:
    """Times of a spreadsheet's days."""
    naive = np.round((number * 86400.0 + EXCEL_EPOCH_S) * 1e3) / 1e3
    good = np.isfinite(naive)
    if not parts.utc:
        naive[good] = local_to_utc(naive[good], context.zone)
    return RowTimes(near_the_rest(naive, findings, context.name),
                    "stamped" if parts.utc else "local", findings)


def _from_numbers(number: Floats, parts: TimeParts, context: ReadContext,
                  findings: list[Finding]) -> RowTimes:
    finite = number[np.isfinite(number)]
    if not finite.size:
        return RowTimes(number, "none", findings)
    unit = _unit_of_epoch_s(finite)
    if unit is not None and parts.unit != "day":
        return RowTimes(near_the_rest(number * unit, findings, context.name), "stamped", findings)
    if _is_serial(finite, parts):
        return _from_serials(number, parts, context, findings)
    scale = _TO_S.get(parts.unit or "s", 1.0)
    start_s, named = _start_of(context, findings, float(finite.max()) * scale)
    findings.append(Finding(
        "elapsed-time",
        f"{context.name}: {parts.header!r} counts from a start that the file does not name; "
        f"taken from {datetime.fromtimestamp(start_s, UTC):%Y-%m-%d %H:%M:%S} UTC"
        f"{'' if named else ', the start of that day'}.", "note" if named else "warning"))
    time_s = near_the_rest(start_s + number * scale, findings, context.name)
    return RowTimes(time_s, "local" if context.date or named else "none", findings)


def _epoch_unit_s(count: float) -> float | None:
    """The unit of a count since 1970 by its size, or None; seconds reach 1e11 in the year 5138."""
    if not count > 1e8:
        return None
    return 1.0 if count < 1e11 else 1e-3 if count < 1e14 else 1e-6 if count < 1e17 else 1e-9


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


# ------------------------------------------------------------------------------- dates
def _day_s(days: Days, parts: TimeParts, context: ReadContext,
           findings: list[Finding]) -> Floats:
    """Midnight of each run's date, seconds since 1970 in the date's own zone."""
    first = days.year_first
    day_first = True
    open_ = ~first & ~days.named_month & np.isfinite(days.d1)
    if open_.any():
        day_first = _day_first(days, open_, context, findings, parts.header)
    lead_day = day_first | days.named_month
    year = np.where(first, days.d1, days.d3)
    month = np.where(first, days.d2, np.where(lead_day, days.d2, days.d1))
    day = np.where(first, days.d3, np.where(lead_day, days.d1, days.d2))
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


def _day_first_by_numbers(first: Floats, second: Floats, rows: NDArray[np.int64],
                          dotted: Bools) -> bool | None:
    """Whether the first number is the day, where the numbers alone settle it."""
    if (first > 12).any() or (second > 12).any():
        return bool(rows[first > 12].sum() >= rows[second > 12].sum())
    if (first == second).all() or dotted.all():
        return True  # dates with dots are written day first wherever they are written
    return None


def _wanted_day_s(context: ReadContext) -> float | None:
    """The day that was given, or that the file's name shows."""
    if context.date:
        return _seconds(context.date)
    named = _IN_NAME.search(context.name)
    return _named_day_s(named) if named else None


def _day_first(days: Days, open_: Bools, context: ReadContext, findings: list[Finding],
               header: str) -> bool:
    """Whether the first number of an all-number date is the day, from the whole column."""
    first, second, year = (part[open_] for part in (days.d1, days.d2, days.d3))
    settled = _day_first_by_numbers(first, second, days.rows[open_], days.dotted[open_])
    if settled is not None:
        return settled
    year = np.where(year < 100, year + 2000, year)
    as_dmy, as_mdy = _civil_s(year, second, first), _civil_s(year, first, second)
    span_dmy, span_mdy = np.ptp(as_dmy), np.ptp(as_mdy)
    if span_dmy != span_mdy:
        # A log that runs past midnight: days follow one another, months do not.
        return bool(span_dmy < span_mdy)
    wanted = _wanted_day_s(context)
    if wanted is not None and wanted in (as_dmy[0], as_mdy[0]):
        return bool(wanted == as_dmy[0])
    findings.append(Finding(
        "ambiguous-date",
        f"{context.name}: {header!r} reads {int(first[0]):02d}/{int(second[0]):02d}, day first or "
        "month first; taken as day first, "
        f"{np.datetime64(int(as_dmy[0]), 's').astype('datetime64[D]')}. Give --date to settle it."))
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
    """Seconds of ISO cells, where some may not parse; NaN for those.

    Parameters
    ----------
    cells : pyarrow Array of string
    zoned : bool
        Whether the column states a zone; a cell without one is then unreadable.
    """
    moments = moments_of(cells)
    days = moments.days
    day_s = _civil_s(np.where(days.year_first, days.d1, np.nan), days.d2, days.d3)
    seconds = days.by_row(day_s) + moments.clock_s
    zone_s = days.by_row(days.zone_s)
    return seconds - zone_s if zoned else seconds - np.nan_to_num(zone_s)


def moments_to_times(utc: bool, parts: TimeParts, context: ReadContext) -> RowTimes:
    """Row times of an ISO column: already UTC, or in the zone that has to be assumed."""
    findings: list[Finding] = []
    seconds = np.concatenate(parts.times) if parts.times else np.zeros(0)
    parts.times.clear()
    clock: ClockKind = "stamped" if utc else "local"
    time_s = seconds if utc else local_to_utc(seconds, context.zone)
    if "gps" in parts.header.lower():
        clock = "gps"
    return RowTimes(near_the_rest(time_s, findings, context.name), clock, findings)
