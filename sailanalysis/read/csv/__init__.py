"""CSV and other tables of text with a time column."""

from __future__ import annotations

import re
from typing import BinaryIO

from sailanalysis.read.formats import Head
from sailanalysis.read.reading import ReadContext, Reading

__all__ = ["read", "recognise"]


def recognise(head: Head) -> float:
    """A guess (a half): a header that names a time and a channel, or rows like a table's.

    Parameters
    ----------
    head : Head

    Returns
    -------
    float
    """
    sample = head.start[:4096]
    controls = sum(1 for byte in sample if byte < 32 and byte not in b"\t\r\n")
    if head.is_markup or controls > 0.01 * len(sample):
        return 0.0
    from sailanalysis.read.csv.layout import names_a_log

    return 0.5 if names_a_log(head.start) or _is_like_a_table(head.lines[:50]) else 0.0


def _are_rows(lines: tuple[bytes, ...], mark: bytes) -> bool:
    """Two lines or more with the same number of a separator, and digits below the head."""
    counts = [line.count(mark) for line in lines]
    wide = [count for count in counts if count > 0]
    if len(wide) < 2 or len(wide) * 10 < len(counts) * 7:
        return False
    usual = max(sorted(set(wide)), key=wide.count)
    if wide.count(usual) * 10 < len(wide) * 7:
        return False
    rows = [line for line, count in zip(lines, counts, strict=True) if count == usual]
    numeric = list(filter(re.compile(rb"(?:^|[^A-Za-z])\d").search, rows))
    return len(numeric) * 2 >= len(rows) - 1


def _is_like_a_table(lines: tuple[bytes, ...]) -> bool:
    """Whether some separator makes rows of the lines."""
    return any(_are_rows(lines, mark) for mark in (b",", b";", b"\t"))


def read(handle: BinaryIO, context: ReadContext) -> Reading:
    """Read a CSV log.

    Parameters
    ----------
    handle : BinaryIO
        Read once, forwards.
    context : ReadContext
        ``boat.columns`` maps headers; ``zone`` and ``date`` fill what the times leave open.

    Returns
    -------
    Reading
        One stream a column, in house units, wind angles in (-180, 180]; texts in ``modes``.
        Lines are counted without the blank ones' content: a blank or header line is used and
        ignored.
    """
    from sailanalysis.read.csv.reader import read_csv

    return read_csv(handle, context)
