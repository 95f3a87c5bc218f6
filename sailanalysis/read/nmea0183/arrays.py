"""The fast way to read NMEA 0183: whole pieces of a file as arrays of bytes.

One search finds every delimiter, and a sentence reaches from its ``$`` to its ``*``. Checksums are
differences of running XORs; fields become numbers in one conversion a piece. A line that is in any
way odd is left to the plain way (:mod:`sailanalysis.read.nmea0183.lines`), which decides.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from sailanalysis.read.clock.stamp_columns import HEX, stamps_alike, tags_alike
from sailanalysis.read.clock.stamps import MAX_PREFIX_BYTES, StampKind
from sailanalysis.read.nmea0183.gather import Gathered, Key
from sailanalysis.read.nmea0183.lines import (
    ADDRESS,
    BINARY,
    BLANK,
    CHECKSUM,
    MAX_NUMBER_BYTES,
    NO_SENTENCE,
    RUBBISH,
    UNCHECKED,
    kind_of,
    label_of,
    number,
    read_line,
)
from sailanalysis.read.nmea0183.sentences import TYPES, Sentence
from sailanalysis.read.nmea0183.xdr import Place, layout

Bytes = NDArray[np.uint8]
Bools = NDArray[np.bool_]
Index = NDArray[np.int64]
Floats = NDArray[np.float64]

MARGIN: Final = 16
"""Bytes that must stand in the buffer before the first line and after the last."""
MAX_TEMPLATES: Final = 8
"""So many shapes of prefix or transducer sentence are met fast in one piece; the rest plainly."""

_NEWLINE, _RETURN, _DOLLAR, _BANG, _STAR, _COMMA, _BACKSLASH = 10, 13, 36, 33, 42, 44, 92
_U = np.uint64
_IS_RUBBISH: Final = np.isin(np.arange(256), list(RUBBISH))
_IS_BLANK: Final = np.isin(np.arange(256), list(BLANK))
_FIRST: Final = np.array([(1 << (8 * n)) - 1 for n in range(9)], dtype=_U)
"""Masks of the first n of eight characters in a little-endian word."""


@dataclass(frozen=True)
class Sentences:
    """Sentences of a piece; every array has one element a sentence.

    Attributes
    ----------
    line : ndarray
        The line each stands in.
    first, last : ndarray
        Index, into the piece's delimiters, of its ``$`` and of its ``*`` or, where it has no
        checksum, of its end. The delimiter before field f is number ``first + f``.
    start, end : ndarray
        Positions of these two in the buffer.
    checked : ndarray of bool
        Whether it has a checksum.
    """

    line: Index
    first: Index
    last: Index
    start: Index
    end: Index
    checked: Bools

    def take(self, rows: NDArray[Any]) -> Sentences:
        """Some of them, by index or by flag."""
        return Sentences(*(getattr(self, f.name)[rows] for f in fields(self)))

    def before(self, number: int) -> Index:
        """Index of the delimiter before a field; of the last where there is no such field."""
        return np.minimum(self.first + number, self.last)

    @property
    def size(self) -> int:
        """How many."""
        return self.line.size


class Piece:
    """Whole lines of a file: their delimiters, what of them is settled, and their numbers."""

    def __init__(self, buffer: Bytes, size: int, position: int) -> None:
        self.buffer = buffer
        self.offset = position - MARGIN
        """What is added to a place in the buffer to give the place in the file."""
        view = buffer[MARGIN - 1 : MARGIN + size]
        is_delimiter = view == _COMMA
        for other in (_STAR, _DOLLAR, _BANG, _NEWLINE):
            is_delimiter |= view == other
        self.delimiter = np.flatnonzero(is_delimiter)
        self.delimiter += MARGIN - 1
        what = buffer.take(self.delimiter)
        self._mark = np.flatnonzero(what != _COMMA)
        self._what = what.take(self._mark)
        ends = np.flatnonzero(self._what == _NEWLINE)
        # The first is the line end put before the piece.
        self._before, self._end = ends[:-1], ends[1:]
        self.start = self.delimiter.take(self._mark.take(self._before)) + 1
        self.end = self.delimiter.take(self._mark.take(self._end))
        self.has_mark = self._end - self._before > 1
        self.is_settled = np.zeros(self.end.size, dtype=bool)
        self._is_wanted = np.zeros(self.delimiter.size, dtype=bool)

    def sentences(self) -> Sentences:
        """The lines that are, but for a prefix, one sentence with or without a checksum."""
        buffer, what, before, end = self.buffer, self._what, self._before, self._end
        count = end - before
        # A TAG block in front brings an asterisk of its own.
        tagged = (count == 4) & (buffer.take(self.start) == _BACKSLASH)
        tagged &= what.take(before + 1) == _STAR
        opening = before + 1 + tagged
        checked = ((count == 3) | tagged) & (what.take(end - 1) == _STAR)
        tail = self.end - self.delimiter.take(self._mark.take(end - 1))
        checked &= (tail == 3) | ((tail == 4) & (buffer.take(self.end - 1) == _RETURN))
        bare = (count == 2) & (self.delimiter.take(self._mark.take(before + 1)) == self.start)
        opens = what.take(opening)
        rows = np.flatnonzero((checked | bare) & ((opens == _DOLLAR) | (opens == _BANG))
                              & ~self._is_strange())
        checked = checked.take(rows)
        first = self._mark.take(opening.take(rows))
        last = self._mark.take(end.take(rows) - checked)
        start = self.delimiter.take(first)
        # Where there is no asterisk the end of the text stands for it.
        ends = last[~checked]
        place = self.delimiter.take(ends)
        place -= (buffer.take(place - 1) == _RETURN) & (place - 1 > start[~checked])
        self.delimiter[ends] = place
        return Sentences(rows, first, last, start, self.delimiter.take(last), checked)

    def _is_strange(self) -> Bools:
        """Lines with bytes other than printable ASCII: a NUL hides from the checksum."""
        out = np.zeros(self.end.shape, dtype=bool)
        view = self.buffer[MARGIN : int(self.end[-1]) + 1]
        strange = (view - np.uint8(32)) > np.uint8(94)
        returns = int(np.count_nonzero(self.buffer.take(self.end - 1) == _RETURN))
        if np.count_nonzero(strange) != self.end.size + returns:
            place = np.flatnonzero(strange) + MARGIN
            byte = self.buffer.take(place)
            place = place[(byte != _NEWLINE) & ~(
                (byte == _RETURN) & (self.buffer.take(place + 1) == _NEWLINE))]
            out[np.searchsorted(self.end, place)] = True
        return out

    def want(self, sentences: Sentences, number: int) -> None:
        """Ask for a field as a number."""
        place = sentences.first + number
        self._is_wanted[place[place < sentences.last]] = True

    def convert(self) -> None:
        """Turn all wanted fields into numbers at once."""
        wanted = np.flatnonzero(self._is_wanted)
        value, malformed = numbers(self.buffer, self.delimiter.take(wanted) + 1,
                                   self.delimiter.take(wanted + 1))
        self._value = np.full(self.delimiter.size, np.nan)
        self._value[wanted] = value
        self._malformed = np.zeros(self.delimiter.size, dtype=bool)
        self._malformed[wanted[malformed]] = True

    def numbers(self, sentences: Sentences, number: int, out: Gathered) -> Floats:
        """A field's numbers, NaN where missing; malformed ones are counted."""
        place = sentences.before(number)
        out.tally.malformed += int(np.count_nonzero(self._malformed.take(place)))
        return np.asarray(self._value.take(place), dtype=float)

    def letters(self, sentences: Sentences, number: int) -> Bytes:
        """A field's single letter, 0 where it is anything else."""
        place = sentences.before(number)
        single = (self._length(place) == 1) & (place < sentences.last)
        letter = self.buffer.take(self.delimiter.take(place) + 1)
        return np.asarray(letter * single.view(np.uint8), dtype=np.uint8)

    def _length(self, place: Index) -> Index:
        """Characters up to the next delimiter."""
        following = self.delimiter.take(place + 1, mode="clip")
        return np.asarray(following - self.delimiter.take(place) - 1, dtype=np.int64)

    def complete(self, sentences: Sentences, sentence: Sentence) -> Bools:
        """Whether each has all fields, the right letters, and numbers where those belong."""
        good = sentences.last - sentences.first - 1 >= sentence.complete
        for f, allowed in sentence.units.items():
            place = sentences.before(f)
            letters = [ord(letter) for letter in allowed if letter != "_"]
            empty = self._length(place) == 0
            good &= np.isin(self.letters(sentences, f), letters) | (empty & ("_" in allowed))
        for f in sentence.numbers:
            good &= ~self._malformed.take(sentences.before(f))
        return good

    def take(self, sentences: Sentences, out: Gathered) -> None:
        """Count sentences as used; their lines need nothing more."""
        out.tally.lines += sentences.size
        out.tally.used += sentences.size
        out.tally.unchecked += int(np.count_nonzero(~sentences.checked))
        self.is_settled[sentences.line] = True

    def reject(self, sentences: Sentences, reason: str, out: Gathered) -> None:
        """Count sentences as rejected; their lines need nothing more."""
        out.tally.reject(reason, sentences.size)
        self.is_settled[sentences.line] = True


def _texts(buffer: Bytes, start: Index, end: Index) -> pa.StringArray:
    """Stretches of a buffer that follow one another as an array of texts."""
    offsets = np.empty(2 * start.size + 1, dtype=np.int32)
    offsets[:-1:2], offsets[1::2], offsets[-1] = start, end, end[-1] if end.size else 0
    both = pa.Array.from_buffers(
        pa.string(), 2 * start.size, [None, pa.py_buffer(offsets), pa.py_buffer(buffer)])
    return both.take(_column(np.arange(0, 2 * start.size, 2)))


def _column(value: NDArray[Any]) -> pa.Array:
    """An array without a copy, and without pandas, which pyarrow's own conversions import."""
    return pa.Array.from_buffers(
        pa.from_numpy_dtype(value.dtype), value.size, [None, pa.py_buffer(value)])


def _values(column: pa.Array) -> NDArray[Any]:
    """The reverse; flags come as bytes."""
    column = column.cast(pa.uint8()) if pa.types.is_boolean(column.type) else column
    return np.frombuffer(column.buffers()[1], column.type.to_pandas_dtype())[: len(column)]


def numbers(buffer: Bytes, start: Index, end: Index) -> tuple[Floats, Bools]:
    """Decimal numbers of many fields at once.

    Parameters
    ----------
    buffer : ndarray of uint8
    start, end : ndarray of int, shape (n,)
        Field ``i`` is ``buffer[start[i]:end[i]]``, printable ASCII; in order, not overlapping.

    Returns
    -------
    value : ndarray, shape (n,)
        As ``float(text)`` gives it; NaN where a field is empty or no plain decimal number.
    malformed : ndarray of bool, shape (n,)
        Fields that hold something else than a number.
    """
    value, malformed = np.full(start.size, np.nan), np.zeros(start.size, dtype=bool)
    filled = np.flatnonzero(end > start)
    if not filled.size:
        return value, malformed
    start, end = start.take(filled), end.take(filled)
    texts = _texts(buffer, start, end)
    data = np.frombuffer(texts.buffers()[2], dtype=np.uint8)[: int((end - start).sum())]
    # Digits, dots and minus signs; the slash stands among them. Letters would allow 1e5 and nan.
    if data.max() <= 57 and data.min() >= 45 and int((end - start).max()) <= MAX_NUMBER_BYTES:
        try:
            value[filled] = _values(texts.cast(pa.float64()))
            return value, malformed
        except pa.ArrowInvalid:
            pass
    plain = _values(pc.match_substring_regex(texts, r"^[+-]?(\d+\.?\d*|\.\d+)$")) == 1
    plain &= end - start <= MAX_NUMBER_BYTES
    unsigned = pc.utf8_ltrim(texts.take(_column(np.flatnonzero(plain))), "+")
    value[filled[plain]] = _values(unsigned.cast(pa.float64()))
    for i in np.flatnonzero(~plain):
        value[filled[i]], malformed[filled[i]] = number(buffer[start[i] : end[i]].tobytes())
    return value, malformed


def scan_piece(buffer: Bytes, size: int, position: int) -> Gathered:
    """Gather the sentences of one piece of whole lines.

    Parameters
    ----------
    buffer : ndarray of uint8
        ``buffer[MARGIN:MARGIN + size]`` is the piece, its last byte a line end, the byte before
        it a line end too; :data:`MARGIN` bytes follow.
    size, position : int
        Bytes of the piece, and its place in the file.

    Returns
    -------
    Gathered
    """
    out = Gathered()
    piece = Piece(buffer, size, position)
    sentences = piece.sentences()
    kinds, kind = _kinds(piece, sentences)
    good = kind >= 0
    high, low = HEX.take(buffer.take(sentences.end + 1)), HEX.take(buffer.take(sentences.end + 2))
    readable = (high < 16) & (low < 16)
    right = _checksums(buffer, sentences.start + 1, sentences.end) == ((high << 4) | low)
    # What stands before a spoilt sentence may be spoilt too: the plain way counts both.
    alone = sentences.start == piece.start.take(sentences.line)
    piece.reject(sentences.take(good & sentences.checked & readable & ~right & alone),
                 CHECKSUM, out)
    good &= ~sentences.checked | (readable & right)
    sentences, kind, alone = sentences.take(good), kind[good], alone[good]
    sources = [""]
    source = np.zeros(sentences.size, dtype=np.int64)
    if not alone.all():
        _read_prefixes(piece, sentences, np.flatnonzero(~alone), source, sources, out)
        sentences, kind, source = (
            sentences.take(source >= 0), kind[source >= 0], source[source >= 0])
    _read_groups(piece, sentences, kinds, kind, sources, source, out)
    _read_odd(piece, out)
    return out


def _kinds(piece: Piece, sentences: Sentences) -> tuple[list[tuple[str, str]], Index]:
    """Talkers and types that occur, and the number of each sentence's; -1 where it has none."""
    comma = piece.delimiter.take(sentences.before(1))
    length = comma - sentences.start
    words = np.ndarray((piece.buffer.size - 7,), "<u8", piece.buffer, strides=(1,))
    words = words[sentences.start] & _FIRST.take(np.minimum(length, 8))
    coded = _column(words).dictionary_encode()
    addresses = [word.to_bytes(8, "little").rstrip(b"\0") for word in coded.dictionary.to_pylist()]
    known = np.array([ADDRESS.match(text) is not None for text in addresses], dtype=bool)
    kind = _values(coded.indices).astype(np.int64)
    good = (length <= 8) & (comma < sentences.end) & known.take(kind)
    return [kind_of(text) if fits else ("", "")
            for text, fits in zip(addresses, known, strict=True)], np.where(good, kind, -1)


def _checksums(buffer: Bytes, start: Index, end: Index) -> Bytes:
    """XOR of ``buffer[start:end]`` for many stretches, from the running XOR of whole words."""
    words = buffer[: buffer.size & ~7].view("<u8")
    running = np.empty(words.size + 1, dtype=_U)
    running[0] = 0
    np.bitwise_xor.accumulate(words, out=running[1:])
    first, last = start >> 3, end >> 3
    total = running.take(last) ^ running.take(first)
    total ^= words.take(first) & _FIRST.take(start & 7)
    total ^= words.take(last) & _FIRST.take(end & 7)
    for shift in (32, 16, 8):
        total ^= total >> _U(shift)
    return total.astype(np.uint8)


def _read_prefixes(piece: Piece, sentences: Sentences, rows: Index, source: Index,
                   sources: list[str], out: Gathered) -> None:
    """Receive times and TAG blocks before some sentences.

    ``source`` gets the number of each one's TAG block source, which is added to ``sources``, and
    -1 where the plain way must read it.
    """
    start = piece.start.take(sentences.line.take(rows))
    length = sentences.start.take(rows) - start
    source[rows] = -1
    for size in np.unique(length[length <= MAX_PREFIX_BYTES]):
        todo = np.flatnonzero(length == size)
        matrix = piece.buffer[start[todo][:, None] + np.arange(size)]
        for _ in range(MAX_TEMPLATES):
            kind: StampKind | None
            name = ""
            if (matrix[0] == _BACKSLASH).any():
                alike, tag = tags_alike(matrix)
                kind, seconds, good, name = "utc", tag.seconds, alike & tag.good, tag.source
            else:
                alike, kind, seconds = stamps_alike(matrix)
                good = alike
            if name not in sources:
                sources.append(name)
            source[rows[todo[good]]] = sources.index(name)
            known = good & np.isfinite(seconds)
            if kind is not None and known.any():
                place = sentences.start.take(rows[todo[known]]) + piece.offset
                out.stamps.setdefault(kind, []).append((place, seconds[known]))
            todo, matrix = todo[~alike], matrix[~alike]
            if not todo.size:
                break


def _sorted_out(piece: Piece, sentences: Sentences, kinds: Sequence[tuple[str, str]], kind: Index,
                sources: Sequence[str], source: Index, out: Gathered,
                ) -> tuple[list[tuple[Key, Sentences]], list[tuple[Key, list[Place], Sentences]]]:
    """Sentences to be read, by talker, type and source; what is none of them is counted."""
    columns: list[tuple[Key, Sentences]] = []
    transducers: list[tuple[Key, list[Place], Sentences]] = []
    for group, rows in _grouped((source * len(kinds) + kind) * 2 + sentences.checked):
        part = sentences.take(rows)
        talker, name = kinds[group // 2 % len(kinds)]
        key = (talker, name, sources[group // 2 // len(kinds)])
        if name == "XDR":
            transducers += [(key, *alike) for alike in _by_layout(piece, part)]
        elif name in TYPES:
            columns.append((key, part))
        elif group % 2:
            out.tally.ignored[label_of(talker, name)] += part.size
            piece.take(part, out)
        else:
            piece.reject(part.take(part.last - part.first > 2), UNCHECKED, out)
    return columns, transducers


def _read_groups(piece: Piece, sentences: Sentences, kinds: Sequence[tuple[str, str]], kind: Index,
                 sources: Sequence[str], source: Index, out: Gathered) -> None:
    """Sort the sentences by talker, type and source; then their fields into columns."""
    columns, transducers = _sorted_out(piece, sentences, kinds, kind, sources, source, out)
    for key, part in columns:
        for f in TYPES[key[1]].numbers:
            piece.want(part, f)
    for _, places, part in transducers:
        for place in places:
            piece.want(part, place.index + 1)
    piece.convert()
    for key, part in columns:
        _add_columns(piece, key, part, out)
    for key, places, part in transducers:
        piece.take(part, out)
        for place in places:
            value = piece.numbers(part, place.index + 1, out)
            out.transducers.setdefault((key, place.channel), []).append(
                (part.start + piece.offset, place.factor * value + place.offset))


def _add_columns(piece: Piece, key: Key, part: Sentences, out: Gathered) -> None:
    """Hand on the wanted fields of sentences of one type; without checksum only whole ones."""
    sentence = TYPES[key[1]]
    if not part.checked[0]:
        part = part.take(piece.complete(part, sentence))
    if not part.size:
        return
    piece.take(part, out)
    out.groups.setdefault(key, []).append((
        part.start + piece.offset,
        np.minimum(part.last - part.first - 1, 255).astype(np.uint8),
        np.array([piece.numbers(part, f, out) for f in sentence.numbers]),
        np.array([piece.letters(part, f) for f in sentence.letters],
                 dtype=np.uint8).reshape(-1, part.size)))


def _grouped(group: Index) -> Iterator[tuple[int, Index]]:
    """Each group's number and rows."""
    if not group.size:
        return
    # Sixteen bits are sorted by radix, many times faster than more.
    small = int(group.max()) < 1 << 16
    order = np.argsort(group.astype(np.uint16) if small else group, kind="stable")
    counts = np.bincount(group)
    stops = np.cumsum(counts)
    for i in np.flatnonzero(counts):
        yield int(i), order[stops[i] - counts[i] : stops[i]]


def _by_layout(piece: Piece, sentences: Sentences) -> Iterator[tuple[list[Place], Sentences]]:
    """Transducer sentences whose names and units equal those of the first one left.

    Without a checksum only those with a known name are taken.
    """
    for _ in range(MAX_TEMPLATES):
        if not sentences.size:
            return
        text = piece.buffer[sentences.start[0] : sentences.end[0]].tobytes()
        words = text.split(b",")[1:]
        places = layout([word.decode("latin-1") for word in words])
        if not sentences.checked[0] and not places:
            return
        values = {place.index for place in places}
        alike = sentences.last - sentences.first - 1 == len(words)
        for index, word in enumerate(words):
            if index in values:
                continue
            rows = np.flatnonzero(alike)
            place = sentences.first.take(rows) + index + 1
            start, end = piece.delimiter.take(place) + 1, piece.delimiter.take(place + 1)
            if _is_number_like(word):
                # A number that is not wanted: it must stay one, or it might name something.
                byte = piece.buffer.take(start)
                alike[rows] = (end - start <= 16) & (
                    (start == end) | ((byte >= 43) & (byte <= 57)))
            else:
                alike[rows] = _values(pc.equal(_texts(piece.buffer, start, end), word.decode()))
        yield places, sentences.take(alike)
        sentences = sentences.take(~alike)


def _is_number_like(word: bytes) -> bool:
    return bool(word) and word[:1] in b"+-.0123456789" and max(word) < 65


def _read_odd(piece: Piece, out: Gathered) -> None:
    """Count the lines left that hold no sentence; hand the others to the plain way."""
    buffer = piece.buffer
    rows = np.flatnonzero(~piece.is_settled)
    if not rows.size:
        return
    start, end = piece.start.take(rows), piece.end.take(rows)
    bare = ~piece.has_mark.take(rows)
    inner = np.zeros(rows.size, dtype=bool)
    if bare.any():
        end = np.where(bare & (end > start) & (buffer.take(end - 1) == _RETURN), end - 1, end)

        # Running counts are taken over the piece once, so a million short lines cost no loop.
        def count(flag: Bools) -> Index:
            total = np.concatenate([[0], np.cumsum(flag, dtype=np.int32)])
            return np.asarray(total.take(end) - total.take(start), dtype=np.int64)

        size = end - start
        rubbish, blank = count(_IS_RUBBISH.take(buffer)), count(_IS_BLANK.take(buffer))
        inner = count(buffer == _RETURN) > 0
        text = bare & ~inner & (blank < size)
        binary = text & (rubbish * 10 >= size)
        out.tally.reject(BINARY, int(binary.sum()))
        out.tally.reject(NO_SENTENCE, int((text & ~binary).sum()))
    records = []
    for i in np.flatnonzero(~bare | inner):
        line = buffer[start[i] : end[i]].tobytes()
        records += read_line(line, int(start[i]) + piece.offset, out.tally)
    out.add_records(records)
