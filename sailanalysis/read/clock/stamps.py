"""Receive times that loggers write in front of a sentence: what they look like, what they say."""

from __future__ import annotations

import re
from calendar import timegm
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

StampKind = Literal["utc", "zoneless", "time-of-day"]

_DAY = rb"(?P<y>\d{4})[-/.](?P<m>\d\d)[-/.](?P<d>\d\d)"
_CLOCK = rb"(?P<H>\d\d):(?P<M>\d\d):(?P<S>\d\d)(?:[.,](?P<f>\d{1,9}))?"
_ZONE = rb"\s?(?P<z>Z|UTC|[+-]\d\d:?\d\d)?"
_ISO: Final = re.compile(rb"(?<!\d)" + _DAY + rb"[T _,;-]{1,2}" + _CLOCK + _ZONE)
_BASIC: Final = re.compile(
    rb"(?<!\d)(?P<y>\d{4})(?P<m>\d\d)(?P<d>\d\d)[T _-](?P<H>\d\d)(?P<M>\d\d)(?P<S>\d\d)"
    rb"(?:[.,](?P<f>\d{1,9}))?" + _ZONE)
_EUROPEAN: Final = re.compile(
    rb"(?<!\d)(?P<d>\d\d)\.(?P<m>\d\d)\.(?P<y>\d{4})[T _,;-]{1,2}" + _CLOCK + _ZONE)
_TIME: Final = re.compile(rb"(?<![\d:])" + _CLOCK + rb"(?!\d)")
_EPOCH: Final = re.compile(
    rb"(?<![\d.])(?P<i>\d{9,10}|\d{12,13}|\d{15,16})(?P<f>\.\d{1,9})?(?!\d)")

MIN_PREFIX_BYTES: Final = 8
MAX_PREFIX_BYTES: Final = 200


@dataclass(frozen=True)
class Stamp:
    """A receive time; ``seconds`` since 1970 (or since midnight for ``time-of-day``)."""

    seconds: float
    kind: StampKind


def _calendar(match: re.Match[bytes]) -> Stamp | None:
    part = match.groupdict()
    hour, minute, second = int(part["H"]), int(part["M"]), int(part["S"])
    if hour > 23 or minute > 59 or second > 60:
        return None
    fraction = float(b"0." + part["f"]) if part["f"] else 0.0
    if "y" not in part:
        return Stamp(3600.0 * hour + 60.0 * minute + second + fraction, "time-of-day")
    try:
        day = date(int(part["y"]), int(part["m"]), int(part["d"]))
    except ValueError:
        return None
    seconds = timegm((day.year, day.month, day.day, hour, minute, second)) + fraction
    zone = part["z"]
    if zone is None:
        return Stamp(seconds, "zoneless")
    if zone not in (b"Z", b"UTC"):
        sign = -1.0 if zone[:1] == b"+" else 1.0
        seconds += sign * (3600.0 * int(zone[1:3]) + 60.0 * int(zone[-2:]))
    return Stamp(seconds, "utc")


def epoch_seconds(digits: int, value: float) -> float:
    """Seconds since 1970 from a count whose length tells its unit: s, ms or us.

    Parameters
    ----------
    digits : int
        Length of the count.
    value : float

    Returns
    -------
    float
    """
    return value / (1.0 if digits <= 10 else 1e3 if digits <= 13 else 1e6)


def stamp_in(prefix: bytes) -> Stamp | None:
    """The receive time in the text before a sentence, or None.

    Parameters
    ----------
    prefix : bytes
        Everything between the start of the line and the sentence.

    Returns
    -------
    Stamp or None
    """
    match = stamp_match(prefix)
    if match is None:
        return None
    if match.re is not _EPOCH:
        return _calendar(match)
    value = float(match["i"] + (match["f"] or b""))
    return Stamp(epoch_seconds(len(match["i"]), value), "utc")


def stamp_match(prefix: bytes) -> re.Match[bytes] | None:
    """Where in the text before a sentence the receive time stands; its groups are the parts.

    Parameters
    ----------
    prefix : bytes

    Returns
    -------
    re.Match or None
    """
    if not MIN_PREFIX_BYTES <= len(prefix) <= MAX_PREFIX_BYTES:
        return None
    for pattern in (_ISO, _EUROPEAN, _BASIC, _TIME, _EPOCH):
        match = pattern.search(prefix)
        if match:
            return match
    return None
