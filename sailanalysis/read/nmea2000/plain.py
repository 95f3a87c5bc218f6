"""One line of an NMEA 2000 text capture in any spelling, by plain patterns.

The slow and patient twin of the array decoding: what differs in anything from the usual spelling
of a form comes here, and both give the same.
"""

from __future__ import annotations

import calendar
import re
from typing import Final

import numpy as np
from numpy.typing import NDArray

MAX_PACKET: Final = 223
"""6 + 31 * 7 bytes, the most a fast packet can hold."""

MAX_TEXT: Final = 2048
"""A whole packet of 223 bytes takes 720 characters."""

# Each pattern meets a line stripped of blanks and leaves no two neighbours to share a run of them,
# so that no line takes longer than its length.
_CAN_LINE: Final = re.compile(
    rb"(?:\((?P<stamp>[^)]{1,40})\)\s*)?(?:[\w.:-]{1,40}\s+)?(?:<0x)?(?P<id>[0-9A-Fa-f]{8})>?"
    rb"(?:#(?P<tight>[0-9A-Fa-f]*)(?:\s[RT])?|\s*\[(?P<count>\d{1,2})\]"
    rb"(?P<loose>(?:\s+[0-9A-Fa-f]{2})*))(?:\s+'.{0,16})?")
_COMMA_LINE: Final = re.compile(
    rb"(?P<stamp>[^,]{1,40}),\s*\d{1,3}\s*,\s*(?P<pgn>\d{4,6})\s*,\s*(?P<src>\d{1,3})\s*,"
    rb"\s*\d{1,3}\s*,\s*(?P<count>\d{1,3})\s*,(?P<loose>\s*[0-9A-Fa-f]{1,2}"
    rb"(?:\s*,\s*[0-9A-Fa-f]{1,2})*)(?:\s*,)?")
_GATEWAY_LINE: Final = re.compile(
    rb"(?P<stamp>\d{1,2}:\d\d:\d\d(?:[.,]\d{1,9})?)\s+[RT]\s+(?P<id>[0-9A-Fa-f]{8})"
    rb"(?P<loose>(?:\s+[0-9A-Fa-f]{2})*)")
_CLOCK: Final = re.compile(rb"(?P<H>\d{1,2}):(?P<M>\d\d):(?P<S>\d\d)(?:[.,](?P<f>\d{1,9}))?")
_STAMP: Final = re.compile(
    rb"(?P<y>\d{4})-(?P<m>\d\d)-(?P<d>\d\d)[T Z_-](?P<H>\d\d):(?P<M>\d\d):(?P<S>\d\d)"
    rb"(?:[.,](?P<f>\d{1,9}))?\s*(?P<z>Z|[+-]\d\d:?\d\d)?")


def _payload(part: dict[str, bytes]) -> bytes | str:
    """The bytes of a matched line, or why it has none that fit."""
    text = part.get("tight")
    if text is not None:
        if len(text) % 2:
            return "cut frame"
        payload = bytes.fromhex(text.decode())
    else:
        words = part["loose"].replace(b",", b" ").split()
        payload = bytes(int(word, 16) for word in words)
    if part.get("count") is not None and int(part["count"]) != len(payload):
        return "cut frame"
    if not payload:
        return "frame without data"
    return payload if len(payload) <= (MAX_PACKET if "pgn" in part else 8) else "not a frame"


def _address(part: dict[str, bytes]) -> tuple[int, int]:
    """PGN and source of a matched line."""
    if "pgn" in part:
        return int(part["pgn"]), int(part["src"])
    identifier = int(part["id"], 16)
    pgn = identifier >> 8 & 0x3FFFF
    return (pgn & 0x3FF00 if identifier >> 16 & 0xFF < 240 else pgn), identifier & 0xFF


def read_line(line: bytes) -> tuple[int, int, bytes, float, bool] | str:
    """Decode one line in any spelling of any form.

    Parameters
    ----------
    line : bytes

    Returns
    -------
    tuple
        PGN, source address, bytes, stamp in seconds (NaN without), whether it is a time of day.
    str
        Why there is none; empty for a line that is a remark and no frame.
    """
    line = line.strip(b" \t\r\n\0\v\f")
    if not line or line.startswith(b"#"):
        return ""
    if len(line) > MAX_TEXT:
        return "line too long"
    match = _GATEWAY_LINE.fullmatch(line) or _COMMA_LINE.fullmatch(line) or (
        _CAN_LINE.fullmatch(line))
    if match is None:
        return "not a frame"
    part = match.groupdict()
    payload = _payload(part)
    if isinstance(payload, str):
        return payload
    pgn, source = _address(part)
    if source > 255:
        return "not a frame"
    return pgn, source, payload, *_stamp(part["stamp"])


def _clock_s(match: re.Match[bytes]) -> int | None:
    """Whole seconds since midnight; None where no clock shows that."""
    hour, minute, second = (int(match[k]) for k in "HMS")
    if hour > 23 or minute > 59 or second > 60:
        return None
    return hour * 3600 + minute * 60 + second


def _since(midnight_s: int | None, match: re.Match[bytes]) -> float:
    """Seconds of the time of day in a match, counted from where the midnight is counted from."""
    clock_s = _clock_s(match)
    if midnight_s is None or clock_s is None:
        return float("nan")
    return midnight_s + clock_s + float(b"0." + (match["f"] or b"0"))


def _midnight_s(match: re.Match[bytes]) -> int | None:
    """Seconds from 1970 to the midnight before; None where there is no such day."""
    year, month, day = (int(match[k]) for k in "ymd")
    if not (1 <= month <= 12 and 1 <= day <= calendar.monthrange(max(year, 1), month)[1]):
        return None
    return calendar.timegm((year, month, day, 0, 0, 0))


def _east_s(zone: bytes | None) -> int:
    """Seconds by which a zone is ahead of UTC."""
    if zone in (None, b"Z"):
        return 0
    shift = 3600 * int(zone[1:3]) + 60 * int(zone[-2:])
    return -shift if zone[:1] == b"-" else shift


def _stamp(text: bytes | None) -> tuple[float, bool]:
    """Seconds since 1970, or of the day; NaN where a stamp is missing or unreadable."""
    if text is None:
        return float("nan"), False
    text = text.strip()
    if re.fullmatch(rb"\d{1,11}(\.\d{1,9})?", text):
        return float(text), False
    clock = _CLOCK.fullmatch(text)
    if clock:
        return _since(0, clock), True
    moment = _STAMP.fullmatch(text)
    if not moment:
        return float("nan"), False
    return _since(_midnight_s(moment), moment) - _east_s(moment["z"]), False


def pgn_of(identifier: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """PGN and source address of a 29-bit identifier (ISO 11783-3).

    Parameters
    ----------
    identifier : ndarray of int, shape (n,)

    Returns
    -------
    pgn, source
        ndarray of int64, shape (n,)
    """
    form = identifier >> 16 & 0xFF
    pgn = (identifier >> 8 & 0x3FFFF)
    # Below 240 the next byte is a destination address, no part of the number.
    return np.where(form < 240, pgn & 0x3FF00, pgn), identifier & 0xFF
