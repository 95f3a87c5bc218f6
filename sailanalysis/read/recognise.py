"""Which format a file is in, told by its content and never by its name."""

from __future__ import annotations

import re
from typing import Final

HEAD_BYTES: Final = 1 << 18
"""How much of a file is looked at; further blocks only while all was empty or rubbish."""
LINES_LOOKED_AT: Final = 2000

_SENTENCE: Final = re.compile(rb"[$!](?:[A-Z0-9]{5}|P[A-Z0-9]{2,15}),[^\r\n]*")
_HEX_RUN: Final = re.compile(rb"[0-9A-Fa-f]{8}|,\d{4,6},")
_DELTA: Final = re.compile(rb"^[^{\r\n]{0,80}\{.*\"updates\"\s*:")
_TABLES: Final = re.compile(
    rb"^\s*\[(boat|rudder|sensors|columns|tanks(\.[^\]]+)?)\]\s*(#.*)?$", re.MULTILINE)
_XML_GPX: Final = re.compile(rb"<(?:\w+:)?gpx[\s>/]|<!DOCTYPE\s+(?:\w+:)?gpx", re.IGNORECASE)
_CREW_HEAD: Final = re.compile(rb"time[,;\t]item[,;\t]value")

_OWN_TABLES: Final = tuple(frozenset(names.split()) for names in (
    "kind crossing twa_before_deg loss_m",
    "kind count rated loss_m loss_s",
    "duration_s side stw_sd_kn polar_ratio",
    "sails tws_kn twa_deg stw_kn stw_best_kn basis",
    "sails tws_kn direction twa_deg vmg_kn vmg_low_kn",
    "helm point_of_sail rudder_rms_deg smoothness",
    "what stw_before_kn stw_after_kn gain_kn verdict",
    "best_sails next_best_sails confidence",
    "helm day smoothness smoothness_low",
    "helm days trend verdict",
    "helm kind day loss_m_median",
    "item minutes minutes_low of_hours",
    "subject change tries verdict",
    "sailing_s motoring_s stopped_s wind_source",
))
"""Columns by which the tables that the program writes are known again, in any order."""

_MAGIC: Final = (
    (b"\x89PNG", "a PNG picture"), (b"\xff\xd8\xff", "a JPEG picture"), (b"%PDF", "a PDF"),
    (b"PK\x03\x04", "a ZIP archive; unpack it first"), (b"\x7fELF", "a program"),
    (b"BZh", "bzip2 data; unpack it first"), (b"\xfd7zXZ", "xz data; unpack it first"),
    (b"7z\xbc\xaf", "a 7z archive; unpack it first"), (b"SQLite format 3", "an SQLite database"),
    (b"PAR1", "a Parquet table"), (b"\x1f\x8b", "gzip data inside gzip"),
)


def recognise(head: bytes) -> str:
    """Name the format of a file from its first bytes.

    Returns
    -------
    str
        ``"nmea0183"``, ``"nmea2000"``, ``"signalk"``, ``"gpx"``, ``"csv"``, ``"boat file"``,
        ``"crew log"``, ``"own table"``, ``"empty"`` or ``"unknown"``.
    """
    if not head.strip(b"\0\r\n\t "):
        return "empty"
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        head = head.decode("utf-16", "replace").encode("utf-8", "replace")
    text = head.removeprefix(b"\xef\xbb\xbf")
    start = text[:65536]
    opening = start.lstrip(b"\0 \t\r\n")
    if opening[:1] == b"<" and not opening.startswith(b"<0x"):  # candump writes <0x09f80115>
        return "gpx" if _XML_GPX.search(start) else "unknown"
    lines = [line for line in re.split(rb"[\r\n]+", text) if line.strip(b"\0 \t")]
    if len(head) >= HEAD_BYTES and len(lines) > 1:
        lines = lines[:-1]  # the block's end may have cut it
    lines = lines[:LINES_LOOKED_AT]
    remarks = sum(1 for line in lines if line.lstrip()[:1] == b"#")
    scores = {
        "nmea0183": sum(1 for line in lines if _SENTENCE.search(line[:4096])),
        "signalk": sum(1 for line in lines if _DELTA.match(line[:4096])),
        "nmea2000": sum(1 for line in lines if _is_frame(line)),
    }
    best = max(scores, key=lambda name: scores[name])
    if scores[best] and (scores[best] * 10 >= len(lines) - remarks or scores[best] >= 20):
        return best
    if _TABLES.search(start) and b"=" in start:
        return "boat file"
    first = next(iter(lines), b"").strip().lower().replace(b'"', b"").replace(b" ", b"")
    if _CREW_HEAD.match(first):
        return "crew log"
    columns = frozenset(first.decode("latin-1").split(","))
    if any(names <= columns for names in _OWN_TABLES):
        return "own table"
    sample = text[:4096]
    controls = sum(1 for byte in sample if byte < 32 and byte not in b"\t\r\n")
    if controls <= 0.01 * len(sample):
        from sailanalysis.read.csv.layout import names_a_log

        if names_a_log(start) or _looks_like_table(lines):
            return "csv"
    return "nmea0183" if scores["nmea0183"] else "unknown"


def _is_frame(line: bytes) -> bool:
    """Whether a line is a CAN frame or packet in any text form."""
    if len(line) > 2000 or not _HEX_RUN.search(line):
        return False
    from sailanalysis.read.nmea2000.plain import read_line

    return not isinstance(read_line(line), str)


def _looks_like_table(lines: list[bytes]) -> bool:
    """Two lines or more with the same number of the same separator, and digits below the head."""
    lines = lines[:50]
    for mark in (b",", b";", b"\t"):
        counts = [line.count(mark) for line in lines]
        wide = [count for count in counts if count > 0]
        if len(wide) < 2 or len(wide) * 10 < len(counts) * 7:
            continue
        usual = max(sorted(set(wide)), key=wide.count)
        if wide.count(usual) * 10 < len(wide) * 7:
            continue
        rows = [line for line, count in zip(lines, counts, strict=True) if count == usual]
        numeric = sum(1 for row in rows if re.search(rb"(?:^|[^A-Za-z])\d", row))
        if numeric * 2 >= len(rows) - 1:
            return True
    return False


def describe(head: bytes) -> str:
    """What an unknown file seems to be, for a message."""
    for magic, words in _MAGIC:
        if head.startswith(magic):
            return f"it looks like {words}"
    sample = head[:4096].lstrip()
    if sample[:1] == b"<":
        return "it looks like XML or HTML without a GPX track"
    if sample[:1] in (b"{", b"["):
        return "it looks like JSON without Signal K updates"
    odd = sum(1 for byte in sample if (byte < 32 and byte not in b"\t\r\n") or byte > 126)
    if odd > 0.1 * max(len(sample), 1):
        return "it looks like binary data"
    first = sample.splitlines()[0][:40].decode("latin-1") if sample else ""
    return f"its text begins {first!r}"
