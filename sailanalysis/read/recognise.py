"""Which format a file is in, told by its content and never by its name."""

from __future__ import annotations

import re
from typing import Final

from sailanalysis.read.formats import Head, formats
from sailanalysis.read.written.plain import is_plain

_TABLES: Final = re.compile(
    rb"^\s*\[(boat|rudder|sensors|columns|names|tanks(\.[^\]]+)?)\]\s*(#.*)?$", re.MULTILINE)
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
    "date sensor value low high",
    "proposed measure then since verdict",
    "days first_day last_day sailing_s",
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
_OPENS: Final = {b"<": "XML or HTML without a GPX track", b"{": "JSON without Signal K updates",
                 b"[": "JSON without Signal K updates"}
_IS_ODD: Final = bytes(byte for byte in range(256)
                       if (byte < 32 and byte not in b"\t\r\n") or byte > 126)


def _written_by_hand(head: Head, is_claimed: bool) -> str:
    """Boat file, crew log or own table, told from the first lines; else empty."""
    if _TABLES.search(head.start) and b"=" in head.start:
        return "boat file"
    first = next(iter(head.lines), b"").strip().lower().replace(b'"', b"").replace(b" ", b"")
    if _CREW_HEAD.match(first):
        return "crew log"
    columns = frozenset(first.decode("latin-1").split(","))
    if any(names <= columns for names in _OWN_TABLES):
        return "own table"
    plain = not is_claimed and is_plain([line.decode("utf-8", "replace") for line in head.lines])
    return "crew log" if plain else ""


def recognise(data: bytes) -> str:
    """Name the format of a file from its first bytes.

    Parameters
    ----------
    data : bytes
        At most :data:`~sailanalysis.read.formats.HEAD_BYTES`.

    Returns
    -------
    str
        A format of :func:`~sailanalysis.read.formats.formats`, ``"boat file"``, ``"crew log"``,
        ``"own table"``, ``"empty"`` or ``"unknown"``.
    """
    if not data.strip(b"\0\r\n\t "):
        return "empty"
    head = Head.of(data)
    claims = {name: form.recognise(head) for name, form in formats().items()}
    best = max(claims, key=lambda name: claims[name])
    if head.is_enough(claims[best]):
        return best
    written = "" if head.is_markup else _written_by_hand(head, claims[best] >= 1)
    return written or (best if claims[best] else "unknown")


def describe(head: bytes) -> str:
    """What an unknown file seems to be, for a message.

    Parameters
    ----------
    head : bytes
        The first bytes of the file.

    Returns
    -------
    str
        A clause that follows the file's name.
    """
    words = next((words for magic, words in _MAGIC if head.startswith(magic)), "")
    sample = head[:4096].lstrip()
    words = words or _OPENS.get(sample[:1], "")
    odd = len(sample) - len(sample.translate(None, _IS_ODD))
    if not words and odd > 0.1 * max(len(sample), 1):
        words = "binary data"
    if words:
        return f"it looks like {words}"
    first = sample.splitlines()[0][:40].decode("latin-1") if sample else ""
    return f"its text begins {first!r}"
