"""Cut a log into pieces of whole lines and gather their sentences, in order."""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO

import numpy as np

from sailanalysis.read.decimals import MARGIN, Bytes
from sailanalysis.read.limits import MAX_LINE_BYTES, PIECE_BYTES
from sailanalysis.read.nmea0183_fast import Kinds, scan_piece
from sailanalysis.read.nmea0183_gather import Gathered


def pieces(handle: BinaryIO, piece_bytes: int = PIECE_BYTES) -> Iterator[tuple[Bytes, int, int]]:
    """Pieces of whole lines, with margins as ``scan_piece`` wants them.

    A line that fills more than a piece is cut where a sentence begins, or anywhere.

    Yields
    ------
    buffer : ndarray of uint8
    size, position : int
        The piece's bytes and its place in the file.
    """
    carry = b""
    position = 0
    while True:
        buffer = np.empty(len(carry) + piece_bytes + 2 * MARGIN + 8 & ~7, dtype=np.uint8)
        buffer[:MARGIN] = 10
        view = memoryview(buffer)  # type: ignore[arg-type]
        view[MARGIN : MARGIN + len(carry)] = carry
        filled = len(carry)
        more = 1
        while filled < len(carry) + piece_bytes and more:
            more = handle.readinto(view[MARGIN + filled : MARGIN + len(carry) + piece_bytes])
            filled += more
        if not filled:
            return
        last = not more
        text = buffer[MARGIN : MARGIN + filled]
        if not (text == 10).any():
            # Bare returns end the lines of this file, if any do.
            text[text == 13] = 10
        size, joint = filled, 0
        if not last:
            size = _whole_lines(text)
        if text[size - 1] != 10:
            joint = 1
        carry = text[size:].tobytes()
        if joint:
            # A line end of our own: at the end of the file, after a CR, or in an endless line.
            if carry:
                buffer = np.concatenate([buffer[: MARGIN + size], np.zeros(MARGIN + 8, np.uint8)])
            buffer[MARGIN + size] = 10
        buffer[MARGIN + size + joint : MARGIN + size + joint + MARGIN] = 0
        end = (MARGIN + size + joint + MARGIN + 7) & ~7
        yield buffer[:end], size + joint, position
        position += size
        if last:
            return


def _whole_lines(text: Bytes) -> int:
    """Bytes up to and with the last line end; of an endless line, up to its last sentence."""
    tail = text[-MAX_LINE_BYTES:] if text.size > MAX_LINE_BYTES else text
    for part in (tail, text):
        for byte in (10, 13):
            where = np.flatnonzero(part == byte)
            if where.size and not (byte == 13 and where[-1] == part.size - 1 and where.size == 1):
                at = where[-1] if byte == 10 or where[-1] < part.size - 1 else where[-2]
                return int(text.size - part.size + at + 1)
    where = np.flatnonzero(tail == 36)
    where = where[text.size - tail.size + where > 0]
    return int(text.size - tail.size + where[-1]) if where.size else text.size


def gather(handle: BinaryIO, piece_bytes: int = PIECE_BYTES) -> Gathered:
    """Gather every sentence of a log.

    Parameters
    ----------
    handle : BinaryIO
        Read once, from where it stands.
    """
    out = Gathered()
    kinds = Kinds()
    for buffer, size, position in pieces(handle, piece_bytes):
        out.add(scan_piece(buffer, size, position, kinds))
        out.size = position + size
    return out
