"""NMEA 2000 text captures as arrays: one row a CAN frame or whole packet, in the file's order.

Forms of a line, told apart line by line:

- ``(1690000000.123456) can0 09F80115#0102030405060708`` and the same with spaces and a length,
- ``can0  09F80115   [8]  01 02 ...`` and ``<0x09f80115> [8] 01 02 ...`` without any stamp,
- ``2014-08-15T19:00:00.042Z,2,128259,115,255,8,00,4e,...``: priority, PGN, source, destination,
  length, bytes, either a frame or a whole fast packet,
- ``00:29:58.617 R 09F80115 01 02 ...``: time of day, direction, identifier, bytes.

The ordinary spelling of each form is decoded for all lines of a piece at once; a line that differs
in anything goes through a plain pattern instead, with the same result.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.model import Floats
from sailanalysis.read.nmea2000.fields import WANTED
from sailanalysis.read.nmea2000.plain import MAX_PACKET, pgn_of, read_line
from sailanalysis.read.open.limits import MAX_LINE_BYTES

Bytes = NDArray[np.uint8]
Index = NDArray[np.intp]

PIECE_BYTES: Final = 1 << 20
WIDTH: Final = 48
"""Bytes kept of a packet; the last one needed is byte 43 of a satellite position (129029)."""
SHORTEST: Final = 11
"""No form of a line is shorter: an identifier of eight digits, a mark and a byte."""
_PAD: Final = 4 * MAX_PACKET

_HEX: Final = np.full(1 << 16, -1, dtype=np.int16)
_DEC: Final = np.full(1 << 16, -1, dtype=np.int16)
for _a in b"0123456789abcdefABCDEF":
    for _b in b"0123456789abcdefABCDEF":
        _HEX[_a | _b << 8] = int(bytes((_a, _b)), 16)
for _a in b"0123456789":
    for _b in b"0123456789":
        _DEC[_a | _b << 8] = (_a - 48) * 10 + _b - 48
_IS_WANTED: Final = np.zeros(1 << 18, dtype=bool)
_IS_WANTED[list(WANTED)] = True


@dataclass
class Frames:
    """Rows of the PGNs that are needed, arrays of equal length.

    ``stamp_s`` is seconds since 1970, or since midnight where ``of_day``; NaN without a stamp.
    ``position`` is the byte at which the line starts. ``payload`` has ``WIDTH`` columns for whole
    packets and 8 for frames; bytes beyond ``length`` are 0xFF.
    """

    pgn: NDArray[np.int32]
    source: Bytes
    length: NDArray[np.uint8]
    payload: Bytes
    stamp_s: Floats
    position: Floats
    of_day: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.pgn)

    def take(self, rows: Any) -> Frames:
        """Some rows, in the given order."""
        return Frames(self.pgn[rows], self.source[rows], self.length[rows], self.payload[rows],
                      self.stamp_s[rows], self.position[rows], self.of_day[rows])

    @staticmethod
    def joined(parts: list[Frames], width: int) -> Frames:
        """All parts in order."""
        if not parts:
            return Frames(np.zeros(0, np.int32), np.zeros(0, np.uint8), np.zeros(0, np.uint8),
                          np.zeros((0, width), np.uint8), np.zeros(0), np.zeros(0),
                          np.zeros(0, bool))
        return Frames(*(np.concatenate([getattr(part, name) for part in parts])
                        for name in ("pgn", "source", "length", "payload", "stamp_s", "position",
                                     "of_day")))


@dataclass
class Capture:
    """Everything needed of one capture."""

    singles: Frames
    packets: Frames
    lines: int = 0
    used: int = 0
    ignored: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    size: int = 0


@dataclass
class _Parts:
    singles: list[Frames] = field(default_factory=list)
    packets: list[Frames] = field(default_factory=list)


def read_capture(handle: BinaryIO) -> Capture:
    """Read a capture in pieces.

    Parameters
    ----------
    handle : binary stream

    Returns
    -------
    Capture
        Every line counted: comment and blank lines and lines of PGNs that are not needed are used
        and ignored.
    """
    capture = Capture(Frames.joined([], 8), Frames.joined([], WIDTH))
    parts = _Parts()
    for block, position, cut in _pieces(handle):
        if cut:
            capture.lines += 1
            capture.rejected["line too long"] += 1
        _Piece(block, position).read(capture, parts)
        capture.size = position + len(block)
    capture.singles = Frames.joined(parts.singles, 8)
    capture.packets = Frames.joined(parts.packets, WIDTH)
    return capture


class _Cutter:
    """Cuts a stream into whole lines; a line without end is dropped."""

    def __init__(self) -> None:
        self.rest = b""
        self.position = 0
        self.cutting = False
        self.dropped = False

    def _after_the_cut(self, data: bytes, is_last: bool) -> bytes | None:
        """What follows the end of a dropped line; None while there is none yet."""
        end = data.find(b"\n")
        if end < 0 and not is_last:
            self.position += len(data)
            self.rest = b""
            return None
        self.cutting = False
        self.position += end + 1 if end >= 0 else len(data)
        return data[end + 1:] if end >= 0 else b""

    def take(self, raw: bytes) -> Iterator[tuple[bytes, int, bool]]:
        """Whole lines with their place, and whether one was dropped; no bytes end the file."""
        data: bytes | None = self.rest + raw
        if self.cutting:
            data = self._after_the_cut(self.rest + raw, not raw)
        if data is None:
            return
        cut = _last_line_end(data) if raw else len(data)
        block, self.rest = data[:cut], data[cut:]
        if block or self.dropped:
            yield block, self.position, self.dropped
            self.dropped = False
        self.position += len(block)
        if len(self.rest) > MAX_LINE_BYTES:
            self.position += len(self.rest)
            self.rest, self.cutting, self.dropped = b"", True, True


def _last_line_end(data: bytes) -> int:
    """Where the last whole line ends."""
    cut = data.rfind(b"\n") + 1
    if not cut and b"\r" in data:
        cut = data.rfind(b"\r", 0, -1) + 1  # bare returns end the lines of an old file
    return cut


def _pieces(handle: BinaryIO) -> Iterator[tuple[bytes, int, bool]]:
    """Whole lines with their place in the file; a line without end is dropped and reported."""
    cutter = _Cutter()
    raw = b"\n"
    while raw:
        raw = handle.read(PIECE_BYTES)
        yield from cutter.take(raw)


class _Piece:
    """One piece of whole lines."""

    def __init__(self, block: bytes, position: int) -> None:
        if b"\r" in block and b"\n" not in block:
            block = block.replace(b"\r", b"\n")
        if block and not block.endswith(b"\n"):
            block += b"\n"
        self.block = block
        self.position = position
        self.buffer = np.frombuffer(block + b"\0" * _PAD, dtype=np.uint8)
        self.pairs = np.ndarray((len(self.buffer) - 1,), dtype="<u2", buffer=self.buffer,
                                strides=(1,))
        body = self.buffer[: len(block)]
        self.end = np.flatnonzero(body == 10)
        self.start = np.concatenate([[0], self.end[:-1] + 1]).astype(np.intp) if (
            self.end.size) else self.end
        for _ in range(3):  # candump indents its lines
            self.start = self.start + ((self.buffer[self.start] == 32) & (self.start < self.end))
        for _ in range(2):  # a carriage return, a space or a comma before the line's end
            last = self.buffer[np.maximum(self.end - 1, 0)]
            blank = ((last == 13) | (last == 32) | (last == 44)) & (self.end > self.start)
            self.end = self.end - blank

    def read(self, capture: Capture, parts: _Parts) -> None:
        """Count and decode every line."""
        capture.lines += self.start.size
        first = self.buffer[self.start]
        empty = (self.end <= self.start) | (first == 35)
        count = int(empty.sum())
        capture.used += count
        capture.ignored += count
        short = ~empty & (self.end - self.start < SHORTEST)
        capture.rejected["not a frame"] += int(short.sum())
        rows = np.flatnonzero(~empty & ~short)
        for fast in (self._gateway, self._comma, self._candump):
            if rows.size:
                rows = fast(rows, capture, parts)
        self._plain(rows, capture, parts)

    # ---------------------------------------------------------------- the three usual spellings
    def _gateway(self, rows: Index, capture: Capture, parts: _Parts) -> Index:
        """``hh:mm:ss.mmm R 09F80115 01 02 ...``; gives back the rows that are not so."""
        at = self.start[rows]
        b = self.buffer
        mine = ((b[at + 2] == 58) & (b[at + 5] == 58) & (b[at + 8] == 46) & (b[at + 12] == 32)
                & (b[at + 14] == 32) & (b[at + 23] == 32) & (self.end[rows] >= at + 25)
                & ((b[at + 13] == 82) | (b[at + 13] == 84)))
        if not mine.any():
            return rows
        mine_rows, at = rows[mine], at[mine]
        identifier, good = self._identifier(at + 15)
        hour, minute = self._dec(at), self._dec(at + 3)
        second, tens = self._dec(at + 6), self._dec(at + 9)
        unit = b[at + 11].astype(np.int64) - 48
        good &= (hour >= 0) & (hour < 24) & (minute >= 0) & (minute < 60) & (second >= 0)
        good &= (tens >= 0) & (unit >= 0) & (unit < 10)
        stamp = hour * 3600.0 + minute * 60.0 + second + (tens * 10 + unit) / 1e3
        good &= self._store(mine_rows, good, identifier, at + 24, 3, stamp, True, capture, parts)
        return np.concatenate([rows[~mine], mine_rows[~good]])

    def _comma(self, rows: Index, capture: Capture, parts: _Parts) -> Index:
        """ISO time, priority, PGN, source, destination, length, bytes, between commas."""
        at = self.start[rows]
        b = self.buffer
        mine = ((b[at + 4] == 45) & (b[at + 7] == 45) & (b[at + 13] == 58) & (b[at + 16] == 58)
                & (self.end[rows] >= at + 34))
        if not mine.any():
            return rows
        commas = np.flatnonzero(b[: len(self.block)] == 44)
        mine_rows = rows[mine]
        at = at[mine]
        place = np.searchsorted(commas, at)
        enough = place + 5 < commas.size
        place = np.where(enough, place, 0)
        if not commas.size:
            return rows
        comma = [commas[np.minimum(place + k, commas.size - 1)] for k in range(6)]
        good = enough & (comma[5] < self.end[mine_rows])
        stamp, fine = self._iso(at, comma[0])
        good &= fine
        pgn, ok = self._digits(comma[1] + 1, comma[2], 6)
        good &= ok
        source, ok = self._digits(comma[2] + 1, comma[3], 3)
        good &= ok & (source < 256)
        told, ok = self._digits(comma[4] + 1, comma[5], 3)
        good &= ok & (told > 0) & (told <= MAX_PACKET) & (pgn < 1 << 18)
        data = comma[5] + 1
        good &= self.end[mine_rows] - data == 3 * told - 1
        identifier = _identifier_of(np.where(good, pgn, 0), np.where(good, source, 0))
        good &= self._store(mine_rows, good, identifier, data, 3, stamp, False, capture, parts)
        return np.concatenate([rows[~mine], mine_rows[~good]])

    def _candump(self, rows: Index, capture: Capture, parts: _Parts) -> Index:
        """``... 09F80115#0102...`` and ``... 09F80115   [8]  01 02 ...``, stamped or not."""
        b = self.buffer
        for mark, step in ((35, 2), (91, 3)):
            places = np.flatnonzero(b[: len(self.block)] == mark)
            if not places.size or not rows.size:
                continue
            place = np.searchsorted(places, self.start[rows])
            hit = places[np.minimum(place, places.size - 1)]
            mine = ((place < places.size) & (hit < self.end[rows])
                    & (hit >= self.start[rows] + 9))
            if not mine.any():
                continue
            mine_rows, hit = rows[mine], hit[mine]
            if step == 2:
                id_end, data = hit, hit + 1
                good = np.ones(hit.size, dtype=bool)
            else:
                id_end = hit.copy()
                for _ in range(4):
                    before = b[id_end - 1]
                    id_end = id_end - ((before == 32) | (before == 62))
                good = b[hit + 2] == 93
                data = hit + 3
                for _ in range(3):
                    data = data + (b[data] == 32)
                told = b[hit + 1].astype(np.intp) - 48
                good &= self.end[mine_rows] - data == np.maximum(3 * told - 1, -1)
            identifier, fine = self._identifier(np.maximum(id_end - 8, 0))
            good &= fine & (id_end - 8 >= self.start[mine_rows])
            stamp, fine = self._epoch(self.start[mine_rows])
            good &= fine
            good &= self._store(mine_rows, good, identifier, data, step, stamp, False, capture,
                                parts)
            rows = np.concatenate([rows[~mine], mine_rows[~good]])
        return rows

    # ---------------------------------------------------------------- fields of many lines
    def _dec(self, at: Index) -> NDArray[np.int64]:
        """Two digits at each place, -1 where there are none."""
        return np.asarray(_DEC[self.pairs[at]], dtype=np.int64)

    def _identifier(self, at: Index) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Eight hex digits at each place."""
        value = np.zeros(at.size, dtype=np.int64)
        good = np.ones(at.size, dtype=bool)
        for k in range(4):
            pair = _HEX[self.pairs[at + 2 * k]]
            good &= pair >= 0
            value = value << 8 | pair
        return np.where(good, value, 0), good

    def _digits(self, start: Index, end: Index, most: int) -> tuple[Any, NDArray[np.bool_]]:
        """A whole number of up to ``most`` digits between two places."""
        width = end - start
        good = (width > 0) & (width <= most)
        value = np.zeros(start.size, dtype=np.int64)
        for k in range(most):
            digit = self.buffer[np.maximum(end - 1 - k, 0)].astype(np.int64) - 48
            here = k < width
            good &= ~here | ((digit >= 0) & (digit <= 9))
            value += np.where(here, digit * 10**k, 0)
        return np.where(good, value, 0), good

    def _iso(self, at: Index, end: Index) -> tuple[Floats, NDArray[np.bool_]]:
        """``YYYY-MM-DDThh:mm:ss.mmm`` with or without Z, as seconds since 1970."""
        high, low, month, day = (self._dec(at + k) for k in (0, 2, 5, 8))
        hour, minute, second = (self._dec(at + k) for k in (11, 14, 17))
        good = ((high >= 19) & (low >= 0) & (month > 0) & (month <= 12) & (day > 0) & (day <= 31)
                & (hour >= 0) & (hour < 24) & (minute >= 0) & (minute < 60) & (second >= 0)
                & (second <= 60))
        zed = self.buffer[end - 1] == 90
        stop = end - zed
        places = stop - at - 20
        point = self.buffer[at + 19]
        whole = stop == at + 19
        good &= whole | (((point == 46) | (point == 44)) & (places > 0) & (places <= 6))
        fraction, scale = np.zeros(at.size), 0.1
        for k in range(6):
            here = ~whole & (k < places)
            digit = self.buffer[at + 20 + k].astype(np.int64) - 48
            good &= ~here | ((digit >= 0) & (digit <= 9))
            fraction += np.where(here, digit * scale, 0.0)
            scale *= 0.1
        months = np.where(good, (high * 100 + low - 1970) * 12 + month - 1, 0)
        days = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) + day - 1
        seconds = days * 86400.0 + hour * 3600.0 + minute * 60.0 + second
        return seconds + np.round(fraction, 6), good

    def _epoch(self, at: Index) -> tuple[Floats, NDArray[np.bool_]]:
        """``(1690000000.123456)`` at a line's start; NaN and good where no bracket opens."""
        b = self.buffer
        open_ = b[at] == 40
        stamp = np.full(at.size, np.nan)
        good = ~open_
        if open_.any():
            p = at[open_]
            fine = (b[p + 11] == 46) & (b[p + 18] == 41)
            value, micro = np.zeros(p.size, dtype=np.int64), np.zeros(p.size, dtype=np.int64)
            for k in (1, 3, 5, 7, 9):
                pair = self._dec(p + k)
                fine &= pair >= 0
                value = value * 100 + pair
            for k in (12, 14, 16):
                pair = self._dec(p + k)
                fine &= pair >= 0
                micro = micro * 100 + pair
            stamp[open_] = np.where(fine, value + micro / 1e6, np.nan)
            good = good.copy()
            good[open_] = fine
        return stamp, good

    def _store(self, rows: Index, good: NDArray[np.bool_], identifier: NDArray[np.int64],
               data: Index, step: int, stamp: Floats, of_day: bool, capture: Capture,
               parts: _Parts) -> NDArray[np.bool_]:
        """Decode the bytes of wanted lines; True where a line is done with."""
        pgn, source = pgn_of(identifier)
        wanted = good & _IS_WANTED[pgn]
        skipped = good & ~wanted
        count = int(skipped.sum())
        capture.used += count
        capture.ignored += count
        chosen = np.flatnonzero(wanted)
        if not chosen.size:
            return good
        span = self.end[rows[chosen]] - data[chosen]
        length = (span + 1) // 3 if step == 3 else span // 2
        regular = (span == 3 * length - 1) if step == 3 else (span == 2 * length)
        regular &= (length > 0) & (length <= MAX_PACKET)
        done = np.ones(chosen.size, dtype=bool)
        for whole in (False, True):
            part = np.flatnonzero(regular & ((length > 8) == whole))
            if not part.size:
                continue
            width = WIDTH if whole else 8
            most = min(int(length[part].max()), MAX_PACKET)
            payload = np.full((part.size, width), 255, dtype=np.uint8)
            start, size = data[chosen[part]], length[part]
            fine = np.ones(part.size, dtype=bool)
            for k in range(most):
                value = _HEX[self.pairs[start + step * k]]
                here = k < size
                fine &= ~here | (value >= 0)
                if k < width:
                    payload[:, k] = np.where(here, value, 255)
            done[part] = fine
            keep = chosen[part[fine]]
            frames = Frames(
                pgn[keep].astype(np.int32), source[keep].astype(np.uint8),
                size[fine].astype(np.uint8), payload[fine], stamp[keep],
                (self.start[rows[keep]] + self.position).astype(float),
                np.full(keep.size, of_day))
            (parts.packets if whole else parts.singles).append(frames)
        done &= regular
        capture.used += int(done.sum())
        result = good.copy()
        result[chosen[~done]] = False
        return result

    # ---------------------------------------------------------------- all other spellings
    def _plain(self, rows: Index, capture: Capture, parts: _Parts) -> None:
        """Lines that differ in anything from the usual spelling, one by one."""
        singles: list[tuple[Any, ...]] = []
        packets: list[tuple[Any, ...]] = []
        for row in np.sort(rows).tolist():
            start = int(self.start[row])
            line = self.block[start:int(self.end[row])]
            found = read_line(line)
            if isinstance(found, str):
                if found:
                    capture.rejected[found] += 1
                else:
                    capture.used += 1
                    capture.ignored += 1
                continue
            capture.used += 1
            pgn, source, payload, stamp, of_day = found
            if not (0 <= pgn < 1 << 18 and _IS_WANTED[pgn]):
                capture.ignored += 1
                continue
            record = (pgn, source, len(payload), payload, stamp, start + self.position, of_day)
            (packets if len(payload) > 8 else singles).append(record)
        if singles:
            parts.singles.append(_frames(singles, 8))
        if packets:
            parts.packets.append(_frames(packets, WIDTH))


def _frames(records: list[tuple[Any, ...]], width: int) -> Frames:
    pgn, source, length, payload, stamp, position, of_day = zip(*records, strict=True)
    table = np.frombuffer(b"".join(p[:width].ljust(width, b"\xff") for p in payload),
                          dtype=np.uint8).reshape(-1, width)
    return Frames(np.array(pgn, np.int32), np.array(source, np.uint8), np.array(length, np.uint8),
                  table, np.array(stamp, float), np.array(position, float), np.array(of_day, bool))


def _identifier_of(pgn: NDArray[np.int64], source: NDArray[np.int64]) -> NDArray[np.int64]:
    return pgn << 8 | source
