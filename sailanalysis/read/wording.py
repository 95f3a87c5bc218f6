"""Spans, days and counts in the words that findings and the inspection use."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def moment(time_s: float) -> datetime:
    """A datetime, also beyond what the system's own clock functions accept.

    Parameters
    ----------
    time_s : float
        Seconds since 1970.

    Returns
    -------
    datetime
    """
    try:
        return _EPOCH + timedelta(seconds=time_s)
    except (OverflowError, ValueError):
        return _EPOCH


def day_words(time_s: float) -> str:
    """A day as ``2024-06-01``.

    Parameters
    ----------
    time_s : float
        Seconds since 1970.

    Returns
    -------
    str
    """
    return moment(time_s).strftime("%Y-%m-%d")


def time_words(time_s: float) -> str:
    """A time as ``2024-06-01 10:00:00``.

    Parameters
    ----------
    time_s : float
        Seconds since 1970.

    Returns
    -------
    str
    """
    return moment(time_s).strftime("%Y-%m-%d %H:%M:%S")


def span_words(seconds: float) -> str:
    """A span as ``3 h 20 min``, ``12 min 5 s`` or ``4.2 s``.

    Parameters
    ----------
    seconds : float

    Returns
    -------
    str
    """
    if seconds < 60:
        return f"{seconds:.1f} s"
    if seconds < 3600:
        whole = round(seconds)
        return f"{whole // 60} min {whole % 60} s"
    minutes = round(seconds / 60)
    if minutes < 2880:
        return f"{minutes // 60} h {minutes % 60} min"
    return f"{seconds / 86400:.1f} days"


def count_words(count: int, noun: str) -> str:
    """A count with its noun: ``1 line``, ``1,204 lines``.

    Parameters
    ----------
    count : int
    noun : str
        In the singular.

    Returns
    -------
    str
    """
    return f"{count:,} {noun}" + ("" if count == 1 else "s")


def listed_names(names: list[str], most: int = 3) -> str:
    """Some names, and how many more there are.

    Parameters
    ----------
    names : list of str
    most : int
        Named at most.

    Returns
    -------
    str
    """
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
