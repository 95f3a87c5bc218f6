"""CSV bytes to blocks of whole lines, whatever ends the lines and whatever the encoding."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from typing import BinaryIO, Final

from sailanalysis.read.open.limits import MAX_LINE_BYTES, PIECE_BYTES
from sailanalysis.read.reading import Reading

_LINE_END: Final = re.compile(rb"\r\n?|\n")
_FIRST_PIECE_BYTES: Final = 1 << 17
"""Pieces grow from here to ``PIECE_BYTES``, so that a short log is in several of them too."""


def whole_blocks(handle: BinaryIO, reading: Reading) -> Iterator[bytes]:
    """Whole lines, about a megabyte at a time, as UTF-8; lines without end are cut out.

    Lines may end with a line feed, a carriage return or both. A carriage return at the end of a
    piece waits for the line feed that may follow it.

    Parameters
    ----------
    handle : BinaryIO
        Read once, forwards.
    reading : Reading
        Gets the count of lines that are too long.
    """
    size = _FIRST_PIECE_BYTES
    raw = handle.read(size)
    decoder: codecs.IncrementalDecoder | None = None
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        decoder = codecs.getincrementaldecoder("utf-16")(errors="replace")
    raw = raw.removeprefix(b"\xef\xbb\xbf")
    rest = b""
    cutting = False
    while True:
        last = not raw
        if decoder is not None:
            raw = decoder.decode(raw, final=last).encode("utf-8", "replace")
        if cutting:
            rest += raw
            found = _LINE_END.search(rest)
            if found is not None and (last or found.group() != b"\r" or found.end() < len(rest)):
                raw, rest, cutting = rest[found.end():], b"", False
            else:
                raw, rest = b"", b"\r" if found else b""
        elif rest.endswith(b"\r") and raw and not raw.startswith(b"\n"):
            yield rest
            rest = b""
        if last:
            rest += raw
            if rest and not cutting:
                yield rest if rest.endswith((b"\n", b"\r")) else rest + b"\n"
            break
        cut = raw.rfind(b"\n") + 1
        cut = max(cut, raw.rfind(b"\r", cut, len(raw) - 1) + 1)
        if cut:
            yield b"".join((rest, memoryview(raw)[:cut]))
            rest = raw[cut:]
        else:
            rest += raw
        if len(rest) - rest.endswith(b"\r") > MAX_LINE_BYTES:
            reading.lines += 1
            reading.rejected["line too long"] += 1
            rest, cutting = b"\r" if rest.endswith(b"\r") else b"", True
        size = min(2 * size, PIECE_BYTES)
        raw = handle.read(size)


def plain_ends(block: bytes) -> bytes:
    """The block with a line feed after every line."""
    if b"\r" in block:
        return block.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return block


def drop_lines(block: bytes, count: int) -> bytes:
    """The block without its first lines."""
    at = 0
    for _ in range(count):
        found = _LINE_END.search(block, at)
        if found is None:
            return b""
        at = found.end()
    return block[at:]


def first_lines(block: bytes, count: int, most_bytes: int) -> list[bytes]:
    """The first lines of a block without their ends; what follows the last end is left out."""
    for size in (min(1 << 16, most_bytes), most_bytes):
        lines = block[:size].splitlines(keepends=True)
        if lines and not lines[-1].endswith((b"\n", b"\r")):
            lines.pop()
        if len(lines) >= count or len(block) <= size:
            break
    return [line.rstrip(b"\r\n") for line in lines[:count]]
