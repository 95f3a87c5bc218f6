"""Where everything stands in a piece of an NMEA 0183 log: lines, sentences, fields, addresses."""

from __future__ import annotations

from copy import copy
from threading import Lock
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.read.nmea0183.decimals import MARGIN, Bytes, Index, Words
from sailanalysis.read.nmea0183.lines import ADDRESS, kind_of

_U = np.uint64
_NEWLINE, _DOLLAR, _BANG, _STAR, _COMMA = 10, 36, 33, 42, 44
RETURN: Final = 13
BACKSLASH: Final = 92


class Kinds:
    """Addresses met so far, found again by a multiplicative hash of their first eight bytes.

    Number 0 stands for every address that is none, or one too many.
    """

    SLOTS: Final = 1 << 12
    MOST: Final = 1000

    def __init__(self) -> None:
        self.keys: list[tuple[str, str]] = [("", "")]
        self._key = np.zeros(self.SLOTS, dtype=_U)
        self._id = np.zeros(self.SLOTS, dtype=np.uint16)
        self._by_word: dict[int, int] = {}
        self._lock = Lock()

    def find(self, word: Words) -> NDArray[np.uint16]:
        """Number of each address; new ones are learned in order of appearance."""
        slot = self._slot(word)
        if not self._by_word and word.size:
            for first in np.unique(word[:2000]):
                self._learn(int(first))
        out = self._id.take(slot)
        for i in np.flatnonzero(self._key.take(slot) != word):
            out[i] = self._learn(int(word[i]))
        return out

    @staticmethod
    def _slot(word: Words) -> NDArray[np.intp]:
        return ((word * _U(0x9E3779B97F4A7C15)) >> _U(52)).astype(np.intp)

    def _learn(self, word: int) -> int:
        with self._lock:
            if word in self._by_word:
                return self._by_word[word]
            if len(self._by_word) >= self.MOST:
                return 0
            text = word.to_bytes(8, "little").rstrip(b"\0")
            number = 0
            if ADDRESS.match(text):
                number = len(self.keys)
                self.keys.append(kind_of(text))
            self._by_word[word] = number
            slot = int(self._slot(np.array([word], dtype=_U))[0])
            if self._key[slot] == 0:
                # The number first: another thread may look as soon as the key is there.
                self._id[slot] = number
                self._key[slot] = word
            return number


class Ordinary:
    """Ordinary lines of a piece; all arrays have one element a line, ``delimiter`` apart."""

    def __init__(self, buffer: Bytes, size: int) -> None:
        view = buffer[MARGIN - 1 : MARGIN + size]
        found = view == _COMMA
        for other in (_STAR, _DOLLAR, _BANG, _NEWLINE):
            found |= view == other
        self.delimiter = np.flatnonzero(found)
        self.delimiter += MARGIN - 1
        what = buffer.take(self.delimiter)
        marks = np.flatnonzero(what != _COMMA)
        what = what.take(marks)
        ends = np.flatnonzero(what == _NEWLINE)
        # Position 0 is the line end put before the piece.
        end = ends[1:]
        before = ends[:-1]
        self.all_start = self.delimiter.take(marks.take(before)) + 1
        self.all_end = self.delimiter.take(marks.take(end))
        count = end - before
        plain = count == 3
        opens = before + 1
        if (count == 4).any():
            # A TAG block in front brings an asterisk of its own.
            tagged = (count == 4) & (buffer.take(self.all_start) == BACKSLASH)
            tagged &= what.take(before + 1) == _STAR
            plain |= tagged
            opens += tagged
        opening = what.take(opens)
        plain &= (opening == _DOLLAR) | (opening == _BANG)
        plain &= what.take(end - 1) == _STAR
        self.has_mark = count > 1
        star = self.delimiter.take(marks.take(end - 1))
        tail = self.all_end - star
        plain &= (tail == 3) | ((tail == 4) & (buffer.take(star + 3, mode="clip") == RETURN))
        self.plain = plain
        rows = np.flatnonzero(plain)
        self.line = rows
        self.first = marks.take(opens.take(rows))
        self.last = marks.take(end.take(rows) - 1)
        self.start = self.delimiter.take(self.first)
        self.star = star.take(rows)
        # Lines without a checksum: the sentence begins the line and ends with it.
        single = np.flatnonzero(count == 2)
        at = before.take(single) + 1
        single = single[(self.delimiter.take(marks.take(at)) == self.all_start.take(single))
                        & ((what.take(at) == _DOLLAR) | (what.take(at) == _BANG))]
        self.bare = single
        self._marks, self._before, self._end = marks, before, end

    def keep(self, rows: Index) -> None:
        """Keep some of the ordinary lines only."""
        for name in ("line", "first", "last", "start", "star"):
            setattr(self, name, getattr(self, name).take(rows))

    def without_checksum(self, buffer: Bytes, strange: NDArray[np.bool_]) -> Ordinary:
        """The lines that are ordinary but for a missing checksum."""
        other = copy(self)
        rows = self.bare[~strange.take(self.bare)]
        other.line = rows
        other.first = self._marks.take(self._before.take(rows) + 1)
        other.last = self._marks.take(self._end.take(rows))
        other.start = self.delimiter.take(other.first)
        end = self.all_end.take(rows)
        other.star = end - ((buffer.take(end - 1) == RETURN) & (end - 1 > other.start))
        # The line's end stands for the asterisk.
        other.delimiter = self.delimiter.copy()
        other.delimiter[other.last] = other.star
        return other


class Edges:
    """Positions of the delimiters of some sentences; 0 is the ``$``, field f ends at f + 1."""

    def __init__(self, o: Ordinary, rows: Index, wanted: int) -> None:
        first, last = o.first.take(rows), o.last.take(rows)
        fields = last - first
        self.fields = np.minimum(fields - 1, 255).astype(np.uint8)
        # One row a sentence: its delimiters stand side by side, also in memory.
        at = first[:, None] + np.arange(wanted + 2)
        if int(fields.min()) < wanted + 1:
            # Beyond the last field the asterisk stands for all that is missing.
            np.minimum(at, last[:, None], out=at)
        self._place = np.ascontiguousarray(o.delimiter.take(at).T)

    def __getitem__(self, number: int) -> Index:
        """The delimiter before field ``number``."""
        return np.asarray(self._place[number], dtype=np.int64)
