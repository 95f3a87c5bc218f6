"""Which format a file is in, told by its content and never by its name."""

from __future__ import annotations

import re
from typing import Final

HEAD_BYTES: Final = 1 << 18
"""How much of a file is looked at first."""

_SENTENCE: Final = re.compile(rb"[$!](?:[A-Z0-9]{5}|P[A-Z0-9]{2,15}),[^\r\n]*")
_CANDUMP: Final = re.compile(
    rb"^\s*(?:\(\d+\.\d+\)\s+)?\w+\s+[0-9A-Fa-f]{8}(?:#[0-9A-Fa-f]*|\s+\[\d\](?:\s[0-9A-Fa-f]{2})*)\s*$")
_COMMA_N2K: Final = re.compile(
    rb"^\d{4}-\d\d-\d\d[T Z-]\d\d:\d\d:\d\d[.,]?\d*Z?,\d,\d{4,6},\d{1,3},\d{1,3},\d+(?:,[0-9A-Fa-f]{2})+\s*$")
_GATEWAY: Final = re.compile(
    rb"^\s*\d\d:\d\d:\d\d\.\d+\s+[RT]\s+[0-9A-Fa-f]{8}(?:\s+[0-9A-Fa-f]{2})+\s*$")
_DELTA: Final = re.compile(rb"^[^{\r\n]{0,80}\{.*\"updates\"\s*:")
_TABLES: Final = re.compile(rb"^\s*\[(boat|rudder|sensors|columns|tanks(\.[^\]]+)?)\]\s*(#.*)?$", re.M)


def _looks_like_table(lines: list[bytes]) -> bool:
    for mark in (b",", b";", b"\t", b"|"):
        counts = [line.count(mark) for line in lines[:50]]
        wide = [c for c in counts if c > 0]
        if len(wide) >= 2 and len(wide) * 10 >= len(counts) * 8:
            usual = max(set(wide), key=wide.count)
            if wide.count(usual) * 10 >= len(wide) * 7:
                return True
    return False


def recognise(head: bytes) -> str:
    """Name the format of a file from its first bytes.

    Returns
    -------
    str
        ``"nmea0183"``, ``"nmea2000"``, ``"signalk"``, ``"gpx"``, ``"csv"``, ``"boat file"``,
        ``"crew log"``, ``"empty"`` or ``"unknown"``.
    """
    if not head.strip(b"\0\r\n\t "):
        return "empty"
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        head = head.decode("utf-16", "replace").encode("utf-8")
    text = head.removeprefix(b"\xef\xbb\xbf")
    if re.search(rb"<gpx[\s>]", text[:65536]) or (
            text.lstrip()[:1] == b"<" and re.search(rb"<!DOCTYPE\s+gpx|<\w+:gpx[\s>]", text[:65536])):
        return "gpx"
    lines = [line for line in re.split(rb"[\r\n]+", text) if line.strip()][:2000]
    scores = {
        "nmea0183": sum(1 for line in lines if _SENTENCE.search(line)),
        "nmea2000": sum(1 for line in lines if _CANDUMP.match(line) or _COMMA_N2K.match(line)
                        or _GATEWAY.match(line)),
        "signalk": sum(1 for line in lines if _DELTA.match(line)),
    }
    best = max(scores, key=lambda name: scores[name])
    if scores[best] and (scores[best] * 10 >= len(lines) or scores[best] >= 20):
        return best
    if _TABLES.search(text[:65536]) and b"=" in text:
        return "boat file"
    first = next(iter(lines), b"").strip().lower().replace(b'"', b"").replace(b" ", b"")
    if re.match(rb"time[,;\t]item[,;\t]value", first):
        return "crew log"
    printable = sum(1 for byte in text[:4096] if byte >= 32 or byte in b"\t\r\n")
    if printable >= 0.97 * len(text[:4096]) and _looks_like_table(lines):
        return "csv"
    return "nmea0183" if scores["nmea0183"] else "unknown"
