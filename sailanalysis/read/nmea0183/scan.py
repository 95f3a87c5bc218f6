"""Cut a log into pieces of whole lines and gather their sentences, in order."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import chain, islice
from typing import BinaryIO, Final

import numpy as np

from sailanalysis.read.nmea0183.arrays import MARGIN, Bytes, scan_piece
from sailanalysis.read.nmea0183.gather import Gathered
from sailanalysis.read.nmea0183.lines import TOO_LONG, Tally
from sailanalysis.read.open.limits import MAX_LINE_BYTES, PIECE_BYTES

MAX_THREADS: Final = 2
"""More gain little: what stays in the interpreter is one at a time."""
FIRST_PIECES: Final = 3
"""A log of fewer pieces is read before threads have started."""


def pieces(
    handle: BinaryIO, piece_bytes: int = PIECE_BYTES,
) -> Iterator[tuple[Bytes, int, int, bool]]:
    """Pieces of whole lines, with margins as ``scan_piece`` wants them.

    A line that fills more than a piece is cut where a sentence begins, or anywhere.

    Yields
    ------
    buffer : ndarray of uint8
    size, position : int
        The piece's bytes and its place in the file.
    endless : bool
        Whether the piece lies within such a line.
    """
    read_into = handle.readinto  # type: ignore[attr-defined]
    carry = b""
    position = 0
    while True:
        room = len(carry) + piece_bytes
        buffer = np.empty(room + 2 * MARGIN + 8, dtype=np.uint8)
        view = memoryview(buffer)  # type: ignore[arg-type]
        view[MARGIN : MARGIN + len(carry)] = carry
        filled, more = len(carry), 1
        while filled < room and more:
            more = read_into(view[MARGIN + filled : MARGIN + room])
            filled += more
        if not filled:
            return
        last = not more
        text = buffer[MARGIN : MARGIN + filled]
        if not (text == 10).any():
            # Bare returns end the lines of this file, if any do.
            text[text == 13] = 10
        size, endless = (filled, False) if last else _whole_lines(text)
        carry = text[size:].tobytes()
        # The end of the file, or of a part of an endless line, needs a line end of our own.
        buffer[:MARGIN] = 10
        buffer[MARGIN + size :] = 0
        whole = size
        if text[size - 1] != 10:
            buffer[MARGIN + size] = 10
            whole += 1
        yield buffer[: (MARGIN + whole + MARGIN + 7) & ~7], whole, position, endless
        position += size
        if last:
            return


def _whole_lines(text: Bytes) -> tuple[int, bool]:
    """Bytes up to and with the last line end; of an endless line, up to its last sentence."""
    for part in (text[-MAX_LINE_BYTES:], text):
        where = np.flatnonzero(part == 10)
        if where.size:
            return int(text.size - part.size + where[-1] + 1), False
    where = np.flatnonzero((text == 36) | (text == 33))
    where = where[(where > 0) & (where > text.size - MAX_LINE_BYTES)]
    return (int(where[-1]) if where.size else text.size), True


def gather(handle: BinaryIO, piece_bytes: int = PIECE_BYTES) -> Gathered:
    """Gather every sentence of a log.

    Parameters
    ----------
    handle : BinaryIO
        Read once, from where it stands.

    Returns
    -------
    Gathered
    """
    out = Gathered()
    counted = False
    for found, endless in _scanned(pieces(handle, piece_bytes)):
        if endless and not found.tally.used:
            # However long it is, a line without a sentence is one line.
            found.tally = Tally()
            if not counted:
                found.tally.reject(TOO_LONG)
        counted = endless
        out.add(found)
    return out


def _scanned(work: Iterator[tuple[Bytes, int, int, bool]]) -> Iterator[tuple[Gathered, bool]]:
    """Scan pieces in order, several at once: the array operations let go of the interpreter."""
    threads = min(MAX_THREADS, os.cpu_count() or 1)

    def scan(piece: tuple[Bytes, int, int, bool]) -> tuple[Gathered, bool]:
        buffer, size, position, endless = piece
        found = scan_piece(buffer, size, position)
        found.size = position + size
        return found, endless

    first = list(islice(work, FIRST_PIECES))
    if threads == 1 or len(first) < FIRST_PIECES:
        yield from map(scan, chain(first, work))
        return
    with ThreadPoolExecutor(threads) as pool:
        ahead: deque[Future[tuple[Gathered, bool]]] = deque()
        for piece in chain(first, work):
            ahead.append(pool.submit(scan, piece))
            if len(ahead) > threads:
                yield ahead.popleft().result()
        while ahead:
            yield ahead.popleft().result()
