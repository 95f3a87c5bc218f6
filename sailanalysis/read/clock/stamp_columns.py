"""Receive times of thousands of lines at once, where their prefixes all look alike."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.read.clock.stamps import StampKind, epoch_seconds, stamp_match

Index = NDArray[np.int64]
Floats = NDArray[np.float64]

_DIGITS: Final = frozenset(b"0123456789")
HEX: Final = np.full(256, 255, dtype=np.uint8)
"""Value of each hexadecimal digit, 255 for any other byte."""
for _i, _c in enumerate(b"0123456789"):
    HEX[_c] = _i
for _i, _c in enumerate(b"ABCDEF"):
    HEX[_c] = HEX[_c + 32] = 10 + _i


def day_number(year: Floats, month: Floats, day: Floats) -> Floats:
    """Days since 1970 of calendar dates; NaN where there is no such day.

    Parameters
    ----------
    year, month, day : ndarray, shape (n,)
        Whole numbers or NaN.

    Returns
    -------
    ndarray, shape (n,)
    """
    out = np.full(np.shape(year), np.nan)
    ok = (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31) & (year >= 1) & (year < 10000)
    months = ((year[ok] - 1970) * 12 + month[ok] - 1).astype(np.int64)
    first = months.astype("datetime64[M]")
    start = first.astype("datetime64[D]").astype(float)
    length = (first + 1).astype("datetime64[D]").astype(float) - start
    out[ok] = np.where(day[ok] <= length, start + day[ok] - 1, np.nan)
    return out


def _integer(matrix: NDArray[np.uint8], span: tuple[int, int]) -> Floats:
    digits = matrix[:, span[0]:span[1]].astype(float) - 48.0
    return digits @ 10.0 ** np.arange(digits.shape[1] - 1, -1, -1)


def _alike(matrix: NDArray[np.uint8], match: re.Match[bytes] | None) -> NDArray[np.bool_]:
    """Rows with digits where the first has digits, and otherwise (its zone too) the same."""
    first = matrix[0]
    fixed = ~np.isin(first, list(_DIGITS))
    if match is not None and match.groupdict().get("z") is not None:
        fixed[match.start("z"):match.end("z")] = True
    rest = matrix[:, ~fixed]
    alike: NDArray[np.bool_] = np.all(matrix[:, fixed] == first[fixed], axis=1)
    alike &= np.all((rest >= 48) & (rest <= 57), axis=1)
    return alike


def _epoch_columns(matrix: NDArray[np.uint8], part: dict[str, tuple[int, int]]) -> Floats:
    """Seconds since 1970 of a count of seconds or of its parts."""
    whole = _integer(matrix, part["i"])
    if "f" in part:
        start, end = part["f"]
        whole = whole + _integer(matrix, (start + 1, end)) / 10.0 ** (end - start - 1)
    return whole / (1.0 / epoch_seconds(part["i"][1] - part["i"][0], 1.0))


def _behind_s(zone: bytes) -> float:
    """Seconds to add for UTC to a time in a zone."""
    if zone in (b"Z", b"UTC"):
        return 0.0
    sign = -1.0 if zone[:1] == b"+" else 1.0
    return sign * (3600.0 * int(zone[1:3]) + 60.0 * int(zone[-2:]))


def _clock_columns(matrix: NDArray[np.uint8], part: dict[str, tuple[int, int]],
                   zone: bytes | None) -> tuple[StampKind, Floats]:
    """What times of day with or without date say."""
    hour, minute, second = (_integer(matrix, part[name]) for name in "HMS")
    wrong = (hour > 23) | (minute > 59) | (second > 60)
    seconds = 3600.0 * hour + 60.0 * minute + second
    kind: StampKind = "time-of-day"
    if "y" in part:
        day = day_number(*(_integer(matrix, part[name]) for name in "ymd"))
        seconds = day * 86400.0 + seconds
        kind = "zoneless"
    if "f" in part:
        seconds = seconds + _integer(matrix, part["f"]) / 10.0 ** (part["f"][1] - part["f"][0])
    if zone is not None:
        seconds, kind = seconds + _behind_s(zone), "utc"
    return kind, np.where(wrong, np.nan, seconds)


def stamps_alike(
    matrix: NDArray[np.uint8],
) -> tuple[NDArray[np.bool_], StampKind | None, Floats]:
    """Receive times of prefixes of one length, as far as they are built like the first.

    Parameters
    ----------
    matrix : ndarray of uint8, shape (n, length)
        One prefix a row.

    Returns
    -------
    alike : ndarray of bool, shape (n,)
        Rows with digits where the first has digits, and otherwise the same characters.
    kind : str or None
        What the stamp says; None where there is no stamp.
    seconds : ndarray, shape (n,)
        As in :class:`stamps.Stamp`; NaN where the row is no time. Only valid where ``alike``.
    """
    match = stamp_match(matrix[0].tobytes())
    alike = _alike(matrix, match)
    if match is None:
        return alike, None, np.full(alike.shape, np.nan)
    texts = {name: text for name, text in match.groupdict().items() if text is not None}
    part = {name: match.span(name) for name in texts}
    with np.errstate(invalid="ignore"):
        if "i" in part:
            return alike, "utc", _epoch_columns(matrix, part)
        return alike, *_clock_columns(matrix, part, texts.get("z"))


_TAG: Final = re.compile(rb"\\([^\\*$!]{0,200})\*([0-9A-Fa-f]{2})\\")
_COUNT: Final = re.compile(rb"\d{9,10}|\d{12,13}|\d{15,16}")


@dataclass(frozen=True)
class TagColumns:
    """TAG blocks built like the first: times by row, and one source for all.

    ``good`` is False for rows whose block must be read by the plain way.
    """

    good: NDArray[np.bool_]
    seconds: Floats
    source: str = ""


def tags_alike(matrix: NDArray[np.uint8]) -> tuple[NDArray[np.bool_], TagColumns]:
    """TAG blocks of one length, as far as they differ in time, line count and checksum only.

    Parameters
    ----------
    matrix : ndarray of uint8, shape (n, length)
        One prefix a row.

    Returns
    -------
    alike : ndarray of bool, shape (n,)
        Rows built like the first.
    tag : TagColumns
    """
    first = matrix[0].tobytes()
    nothing = np.full(matrix.shape[0], np.nan)
    match = _TAG.fullmatch(first)
    if match is None:
        alike = np.all(matrix == matrix[0], axis=1)
        return alike, TagColumns(np.zeros(alike.shape, dtype=bool), nothing)
    fixed = np.ones(matrix.shape[1], dtype=bool)
    fixed[match.start(2):match.end(2)] = False
    digits = np.zeros(matrix.shape[1], dtype=bool)
    source, seconds, at = "", nothing, 1
    for part in match[1].split(b","):
        key, _, value = part.partition(b":")
        span = slice(at + len(part) - len(value), at + len(part))
        if key == b"s":
            source = value.decode("ascii", "replace").strip()
        elif key == b"n" and value.isdigit():
            digits[span] = True
        elif key == b"c":
            if _COUNT.fullmatch(value) is None:
                alike = np.all(matrix == matrix[0], axis=1)
                return alike, TagColumns(np.zeros(alike.shape, dtype=bool), nothing)
            digits[span] = True
            count = _integer(matrix, (span.start, span.stop))
            seconds = count / (1.0 / epoch_seconds(len(value), 1.0))
        at += len(part) + 1
    fixed &= ~digits
    alike = np.all(matrix[:, fixed] == matrix[0][fixed], axis=1)
    alike &= np.all((matrix[:, digits] >= 48) & (matrix[:, digits] <= 57), axis=1)
    total = np.bitwise_xor.reduce(matrix[:, 1 : match.end(1)], axis=1)
    high, low = HEX.take(matrix[:, match.start(2)]), HEX.take(matrix[:, match.start(2) + 1])
    given = (high << 4) | low
    # Both readings of the rule are in use: without and with the opening backslash.
    good = (high < 16) & (low < 16) & ((given == total) | (given == total ^ 0x5C))
    return alike, TagColumns(good, seconds, source)
