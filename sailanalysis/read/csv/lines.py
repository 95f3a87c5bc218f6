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


class _Cutter:
    """Cuts a stream into whole lines; lines without end are dropped and counted."""

    def __init__(self, reading: Reading) -> None:
        self.reading = reading
        self.rest = b""
        self.cutting = False

    def _after_the_cut(self, raw: bytes, is_last: bool) -> bytes:
        """What follows the end of a dropped line; empty while there is none yet."""
        rest = self.rest + raw
        end = _LINE_END.search(rest)
        if end is not None and (is_last or end.group() != b"\r" or end.end() < len(rest)):
            self.rest, self.cutting = b"", False
            return rest[end.end():]
        self.rest = b"\r" if end else b""
        return b""

    def take(self, raw: bytes) -> Iterator[bytes]:
        """Whole lines of another piece."""
        if self.cutting:
            raw = self._after_the_cut(raw, False)
        elif self.rest.endswith(b"\r") and raw and not raw.startswith(b"\n"):
            yield self.rest
            self.rest = b""
        cut = raw.rfind(b"\n") + 1
        cut = max(cut, raw.rfind(b"\r", cut, len(raw) - 1) + 1)
        if cut:
            yield b"".join((self.rest, memoryview(raw)[:cut]))
            self.rest = raw[cut:]
        else:
            self.rest += raw
        if len(self.rest) - self.rest.endswith(b"\r") > MAX_LINE_BYTES:
            self.reading.lines += 1
            self.reading.rejected["line too long"] += 1
            self.rest, self.cutting = b"\r" if self.rest.endswith(b"\r") else b"", True

    def end(self, raw: bytes) -> Iterator[bytes]:
        """The last line, its end made good."""
        if self.cutting:
            raw = self._after_the_cut(raw, True)
        elif self.rest.endswith(b"\r") and raw and not raw.startswith(b"\n"):
            yield self.rest
            self.rest = b""
        rest = self.rest + raw
        if rest and not self.cutting:
            yield rest if rest.endswith((b"\n", b"\r")) else rest + b"\n"


def _decoder_of(head: bytes) -> codecs.IncrementalDecoder | None:
    """A decoder where the first two bytes say that the text is UTF-16."""
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return codecs.getincrementaldecoder("utf-16")(errors="replace")
    return None


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
    decoder = _decoder_of(raw)
    raw = raw.removeprefix(b"\xef\xbb\xbf")
    cutter = _Cutter(reading)
    while raw:
        if decoder is not None:
            raw = decoder.decode(raw).encode("utf-8", "replace")
        yield from cutter.take(raw)
        size = min(2 * size, PIECE_BYTES)
        raw = handle.read(size)
    yield from cutter.end(decoder.decode(b"", final=True).encode("utf-8", "replace")
                          if decoder else b"")


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
