"""Instants of rows and messages: zones, days that a log does not name, broken clocks, repeats."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Final

import numpy as np

from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Floats
from sailanalysis.read.clock.marks import day_of_file, no_date
from sailanalysis.read.reading import ReadContext

FAR_S: Final = 400 * 86400.0
"""A row this far from the others has a clock fault: no log lasts longer than a year."""
END_S: Final = 7258118400.0
"""The year 2200: a later clock is broken."""


def local_to_utc(naive_s: Floats, zone: tzinfo) -> Floats:
    """Seconds since 1970 UTC of local clock readings, in the order they were logged.

    In the hour that comes twice in autumn the clock is taken as summer time until it steps back.

    Parameters
    ----------
    naive_s : ndarray, shape (n,)
        Clock readings as if they were UTC.
    zone : tzinfo
        Of the clock.

    Returns
    -------
    ndarray, shape (n,)
    """
    if zone is UTC or getattr(zone, "key", "") == "UTC":
        return naive_s
    import pandas as pd

    with np.errstate(invalid="ignore"):
        usable = np.isfinite(naive_s) & (naive_s > -2e9) & (naive_s < 7e9)
    out = np.full(naive_s.shape, np.nan)
    local = pd.DatetimeIndex(np.round(naive_s[usable] * 1e6).astype("datetime64[us]"))
    if not len(local):
        return out
    back = np.concatenate([[False], np.diff(naive_s[usable]) < -1800.0])
    summer = np.cumsum(back) == 0
    placed = local.tz_localize(zone, ambiguous=summer, nonexistent="shift_forward")
    out[usable] = placed.as_unit("us").asi8 / 1e6
    return out


def day_of(context: ReadContext, findings: list[Finding], end_s: float = 0.0) -> date:
    """The day of a log that names none: ``--date``, else its file name, else its file time.

    Parameters
    ----------
    context : ReadContext
    findings : list of Finding
        Told where the day was taken from, unless it was given.
    end_s : float
        Last time of the log, seconds since its first midnight.
    """
    if context.date is not None:
        return context.date
    day, how = day_of_file(context, end_s)
    if not -2e5 < day < 8e4:
        day = 0.0
    findings.append(no_date(context.name, day, how))
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=day)).date()


def near_the_rest(time_s: Floats, findings: list[Finding], name: str) -> Floats:
    """NaN for rows whose clock is years from the others', or beyond any logger's reach.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Seconds since 1970; NaN where unknown.
    findings : list of Finding
        Told how many were left out.
    name : str
        File name for the message.
    """
    # One log's span and no broken clock in it: whatever their middle is, no row lies far from it.
    if time_s.size:
        low, high = np.fmin.reduce(time_s), np.fmax.reduce(time_s)
        if low >= 0.0 and high < END_S and high - low <= FAR_S:
            return time_s
    finite = np.isfinite(time_s)
    if not finite.any():
        return time_s
    with np.errstate(invalid="ignore"):
        usable = (time_s >= 0.0) & (time_s < END_S)
        far = finite & ~usable
        if usable.any():
            # A time that is there: between two equal halves years apart the median is of neither.
            middle = np.partition(time_s[usable], usable.sum() // 2)[usable.sum() // 2]
            far |= np.abs(time_s - middle) > FAR_S
    if far.any():
        findings.append(Finding(
            "time-far-off", f"{name}: {int(far.sum())} rows carry a time more than a year from "
            "the others or from any log's; they were left out.", share=float(far.mean())))
        time_s = np.where(far, np.nan, time_s)
    return time_s


def spread_repeats(time_s: Floats) -> Floats:
    """Rows that share a stamp, spread evenly until the next stamp.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Not decreasing. A logger that writes whole seconds at 5 Hz repeats each stamp five times;
        nothing is spread where fewer than half the rows repeat.

    Returns
    -------
    ndarray, shape (n,)
    """
    if time_s.size < 4:
        return time_s
    new = np.empty(time_s.size, dtype=bool)
    new[0] = True
    np.greater(time_s[1:], time_s[:-1], out=new[1:])
    if new.sum() > 0.5 * time_s.size or new.sum() < 3:
        return time_s
    start = np.flatnonzero(new)
    count = np.diff(np.append(start, time_s.size))
    stamps = time_s[start]
    step = np.diff(stamps)
    usual = float(np.median(step))
    step = np.append(np.minimum(step, 1.5 * usual), usual)
    # A group cut short at a gap or at the ends keeps the rows' own spacing.
    full = np.maximum(count, np.median(count))
    place = np.arange(time_s.size) - np.repeat(start, count)
    return np.asarray(time_s + place * np.repeat(step / full, count), dtype=float)
