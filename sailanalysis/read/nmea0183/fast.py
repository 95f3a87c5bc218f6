"""The fast way to read NMEA 0183: whole pieces of a file as arrays of bytes.

One search finds every delimiter; a line is ordinary where they read: line end, ``$`` or ``!``,
``*``, line end. Checksums are differences of running XORs, addresses are 64-bit words, numbers
are converted from words. Every line that is not ordinary goes to the plain way, which decides.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.read.clock.stamp_columns import HEX, stamps_alike, tags_alike
from sailanalysis.read.clock.stamps import MAX_PREFIX_BYTES, StampKind
from sailanalysis.read.nmea0183.decimals import MARGIN, Bytes, Index, Words, decimals, words_of
from sailanalysis.read.nmea0183.gather import Gathered, Key
from sailanalysis.read.nmea0183.layout import BACKSLASH, RETURN, Edges, Kinds, Ordinary
from sailanalysis.read.nmea0183.lines import (
    BINARY,
    BLANK,
    CHECKSUM,
    NO_SENTENCE,
    RUBBISH,
    UNCHECKED,
    label_of,
    number,
    read_line,
)
from sailanalysis.read.nmea0183.sentences import TYPES
from sailanalysis.read.nmea0183.xdr import layout

_U = np.uint64
MAX_TEMPLATES: Final = 8
"""So many shapes of prefix or transducer sentence are met fast in one piece; the rest plainly."""

_IS_RUBBISH: Final = np.zeros(256, dtype=bool)
_IS_RUBBISH[list(RUBBISH)] = True
_IS_BLANK: Final = np.zeros(256, dtype=bool)
_IS_BLANK[list(BLANK)] = True
# Masks of the first L of eight characters, L from 0 to 8.
_FIRST: Final = np.array([(1 << (8 * n)) - 1 for n in range(9)], dtype=_U)


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


def scan_piece(buffer: Bytes, size: int, position: int, kinds: Kinds) -> Gathered:
    """Gather the sentences of one piece of whole lines.

    Parameters
    ----------
    buffer : ndarray of uint8
        ``buffer[MARGIN:MARGIN + size]`` is the piece, its last byte a line end, the byte before
        it a line end too; :data:`MARGIN` bytes follow.
    size, position : int
        Bytes of the piece, and its place in the file.
    kinds : Kinds
        Addresses met so far.
    """
    out = Gathered()
    o = Ordinary(buffer, size)
    odd = ~o.plain
    strange = _strange_lines(buffer, size, o)
    odd |= strange
    comma = o.delimiter.take(np.minimum(o.first + 1, o.last))
    length = comma - o.start
    words = words_of(buffer)
    good = (length <= 8) & (comma < o.star) & ~odd.take(o.line)
    number_of = kinds.find(words[o.start] & _FIRST.take(np.minimum(length, 8)))
    high, low = HEX.take(buffer.take(o.star + 1)), HEX.take(buffer.take(o.star + 2))
    good &= (number_of > 0) & (high < 16) & (low < 16)
    right = _checksums(buffer, o.start + 1, o.star) == ((high << 4) | low)
    wrong = good & ~right
    # What stands before a spoilt sentence may be spoilt too: the plain way counts both.
    alone = o.start == o.all_start.take(o.line)
    out.tally.reject(CHECKSUM, int((wrong & alone).sum()))
    odd[o.line[~good | (wrong & ~alone)]] = True
    good &= right
    rows = np.flatnonzero(good)
    number_of = number_of.take(rows)
    o.keep(rows)
    prefixed = np.flatnonzero(o.start != o.all_start.take(o.line))
    sources = [""]
    group = number_of.astype(np.int64)
    if prefixed.size:
        left = _read_prefixes(buffer, position, o, prefixed, group, sources, out)
        if left.size:
            odd[o.line[left]] = True
            stay = np.ones(o.line.size, dtype=bool)
            stay[left] = False
            o.keep(np.flatnonzero(stay))
            group = group[stay]
    left = _read_sentences(buffer, words, position, o, group, kinds, sources, out)
    if left.size:
        odd[o.line[left]] = True
    taken = o.line.size - left.size
    if o.bare.size:
        taken += _read_unchecked(buffer, words, position, o, strange, kinds, odd, out)
    out.tally.lines += taken
    out.tally.used += taken
    _read_odd(buffer, position, o, odd, out)
    return out


def _strange_lines(buffer: Bytes, size: int, o: Ordinary) -> NDArray[np.bool_]:
    """Lines with bytes other than printable ASCII: a NUL hides from the checksum."""
    out = np.zeros(o.all_end.shape, dtype=bool)
    view = buffer[MARGIN : MARGIN + size]
    strange = (view - np.uint8(32)) > np.uint8(94)
    returns = int(np.count_nonzero(buffer.take(o.all_end - 1) == RETURN))
    if np.count_nonzero(strange) != o.all_end.size + returns:
        where = np.flatnonzero(strange) + MARGIN
        byte = buffer.take(where)
        where = where[(byte != 10) & ~((byte == RETURN) & (buffer.take(where + 1) == 10))]
        out[np.searchsorted(o.all_end, where)] = True
    return out


def _read_unchecked(buffer: Bytes, words: Words, position: int, o: Ordinary,
                    strange: NDArray[np.bool_], kinds: Kinds, odd: NDArray[np.bool_],
                    out: Gathered) -> int:
    """Sentences without a checksum that are complete and well formed; returns how many.

    All others are left to the plain way, which says why they are not taken.
    """
    o = o.without_checksum(buffer, strange)
    comma = o.delimiter.take(np.minimum(o.first + 1, o.last))
    length = comma - o.start
    good = (length <= 8) & (comma < o.star)
    number_of = kinds.find(words[o.start] & _FIRST.take(np.minimum(length, 8)))
    taken = 0
    for kind in np.unique(number_of[good & (number_of > 0)]):
        talker, name = kinds.keys[kind]
        rows = np.flatnonzero(good & (number_of == kind))
        key = (talker, name, "")
        if name == "XDR":
            left = _read_transducers(buffer, words, position, o, rows, key, out, True)
            rows = rows[~np.isin(rows, left)]
        elif name in TYPES and talker != "P":
            rows = _complete(buffer, words, o, rows, name)
            if rows.size:
                _read_sentences(buffer, words, position, o, number_of, kinds, [""], out, rows)
        else:
            many = rows[o.last.take(rows) - o.first.take(rows) > 2]
            out.tally.reject(UNCHECKED, many.size)
            odd[o.line[many]] = False
            continue
        odd[o.line[rows]] = False
        out.tally.unchecked += rows.size
        taken += rows.size
    return taken


def _complete(buffer: Bytes, words: Words, o: Ordinary, rows: Index, name: str) -> Index:
    """Rows with all fields, the right letters, and nothing but numbers where those belong."""
    sentence = TYPES[name]
    rows = rows[o.last.take(rows) - o.first.take(rows) - 1 >= sentence.complete]
    if not rows.size:
        return rows
    edge = Edges(o, rows, max(sentence.complete, *sentence.numbers))
    good = np.ones(rows.size, dtype=bool)
    for f, allowed in sentence.units.items():
        length = edge[f + 1] - edge[f] - 1
        letter = buffer.take(edge[f] + 1)
        single = (length == 1) & np.isin(letter, [ord(c) for c in allowed if c != "_"])
        good &= single | ((length == 0) & ("_" in allowed))
    for f in sentence.numbers:
        value, _ = decimals(buffer, words, edge[f] + 1, edge[f + 1], number)
        good &= ~np.isnan(value) | (edge[f + 1] - edge[f] <= 1)
    return rows[good]


def _read_prefixes(buffer: Bytes, position: int, o: Ordinary, rows: Index, number_of: Index,
                   sources: list[str], out: Gathered) -> Index:
    """Receive times and TAG blocks before sentences; returns the rows for the plain way.

    A TAG block's source is added to ``sources`` and its number, times ``Kinds.SLOTS``, to the
    sentence's ``number_of``.
    """
    start = o.all_start.take(o.line.take(rows))
    length = o.start.take(rows) - start
    left = [rows[length > MAX_PREFIX_BYTES]]
    for size in np.unique(length[length <= MAX_PREFIX_BYTES]):
        todo = np.flatnonzero(length == size)
        matrix = buffer[start[todo][:, None] + np.arange(size)]
        for _ in range(MAX_TEMPLATES):
            kind: StampKind | None
            if (matrix[0] == BACKSLASH).any():
                alike, tag = tags_alike(matrix)
                kind, seconds, good = "utc", tag.seconds, alike & tag.good
                left.append(rows[todo[alike & ~good]])
                if tag.source not in sources:
                    sources.append(tag.source)
                number_of[rows[todo[good]]] += Kinds.SLOTS * sources.index(tag.source)
                seconds = np.where(good, seconds, np.nan)
            else:
                alike, kind, seconds = stamps_alike(matrix)
            known = alike & np.isfinite(seconds)
            if kind is not None and known.any():
                at = o.start.take(rows[todo[known]]) - MARGIN + position
                out.stamps.setdefault(kind, []).append((at, seconds[known]))
            todo, matrix = todo[~alike], matrix[~alike]
            if not todo.size:
                break
        left.append(rows[todo])
    return np.sort(np.concatenate(left))


def _read_sentences(buffer: Bytes, words: Words, position: int, o: Ordinary,
                    number_of: NDArray[Any], kinds: Kinds, sources: list[str],
                    out: Gathered, only: Index | None = None) -> Index:
    """Group the good sentences and convert their fields; returns rows for the plain way."""
    if only is not None:
        number_of = number_of[only]
    # Sixteen bits are sorted by radix, many times faster than more.
    small = number_of.size and int(number_of.max()) < 1 << 16
    order = np.argsort(number_of.astype(np.uint16) if small else number_of, kind="stable")
    counts = np.bincount(number_of)
    order = order if only is None else only[order]
    stops = np.cumsum(counts)
    starts: list[Index] = []
    ends: list[Index] = []
    wanted: list[tuple[Key, Index]] = []
    edges: list[Edges] = []
    left = [np.zeros(0, dtype=np.int64)]
    for kind in np.flatnonzero(counts):
        talker, name = kinds.keys[kind % Kinds.SLOTS]
        source = sources[kind // Kinds.SLOTS]
        rows = order[stops[kind] - counts[kind] : stops[kind]]
        if name == "XDR":
            left.append(_read_transducers(buffer, words, position, o, rows,
                                          (talker, name, source), out))
            continue
        sentence = TYPES.get(name)
        if sentence is None or talker == "P":
            out.tally.ignored[label_of(talker, name)] += rows.size
            continue
        wanted.append(((talker, name, source), rows))
        edge = Edges(o, rows, max((0, *sentence.numbers, *sentence.letters)))
        edges.append(edge)
        for f in sentence.numbers:
            starts.append(edge[f] + 1)
            ends.append(edge[f + 1])
    if not wanted:
        return np.concatenate(left)
    value = np.zeros(0)
    if starts:
        value, malformed = decimals(buffer, words, np.concatenate(starts), np.concatenate(ends),
                                    number)
        out.tally.malformed += malformed
    at = 0
    for (key, rows), edge in zip(wanted, edges, strict=True):
        sentence = TYPES[key[1]]
        many = len(sentence.numbers) * rows.size
        letters = np.zeros((len(sentence.letters), rows.size), dtype=np.uint8)
        for i, f in enumerate(sentence.letters):
            single = edge[f + 1] - edge[f] == 2
            np.multiply(buffer.take(edge[f] + 1), single, out=letters[i])
        out.groups.setdefault(key, []).append((
            o.start.take(rows) + (position - MARGIN),
            edge.fields,
            # A copy, so that each group can be let go alone.
            value[at : at + many].reshape(len(sentence.numbers), rows.size).copy(), letters))
        at += many
    return np.concatenate(left)


def _read_transducers(buffer: Bytes, words: Words, position: int, o: Ordinary, rows: Index,
                      key: Key, out: Gathered, named: bool = False) -> Index:
    """Sentences whose names and units equal the first one's share its layout.

    With ``named`` only sentences with a known name are read. Returns rows for the plain way.
    """
    for _ in range(MAX_TEMPLATES):
        if not rows.size:
            break
        fields = o.last.take(rows) - o.first.take(rows) - 1
        count = int(fields[0])
        same = fields == count
        at = o.first[rows[0]]
        text = buffer[o.start[rows[0]] : o.star[rows[0]]].tobytes().decode("latin-1")
        places = layout(text.split(",")[1:])
        if named and not places:
            break
        values = {index + 1 for _, index, _, _ in places}
        mine = rows[same]
        alike = np.ones(mine.size, dtype=bool)
        for f in range(1, count + 1):
            if f in values:
                continue
            size = int(o.delimiter[at + f + 1] - o.delimiter[at + f] - 1)
            begin = o.delimiter.take(o.first.take(mine) + f) + 1
            length = o.delimiter.take(o.first.take(mine) + f + 1) - begin
            if _is_value(buffer, o, at, f):
                # A number that is not wanted: it must stay one, or it might name something.
                alike &= length <= 16
                byte = buffer.take(begin)
                alike &= (length == 0) | ((byte >= 43) & (byte <= 57))
                continue
            alike &= length == size
            # Only these: a long name laid over a short one would reach beyond the piece.
            equal = np.flatnonzero(alike)
            for step in range(0, size, 8):
                mask = _FIRST[min(8, size - step)]
                word = words[begin.take(equal) + step] & mask
                alike[equal] &= word == (words[o.delimiter[at + f] + 1 + step] & mask)
        good = mine[alike]
        for channel, index, factor, offset in places:
            first = o.first.take(good) + index + 1
            value, malformed = decimals(buffer, words, o.delimiter.take(first) + 1,
                                        o.delimiter.take(first + 1), number)
            out.tally.malformed += malformed
            out.transducers.setdefault((key, channel), []).append(
                (o.start.take(good) + (position - MARGIN), factor * value + offset))
        keep = np.ones(rows.size, dtype=bool)
        keep[np.flatnonzero(same)[alike]] = False
        rows = rows[keep]
    return rows


def _is_value(buffer: Bytes, o: Ordinary, at: int, f: int) -> bool:
    begin, end = o.delimiter[at + f] + 1, o.delimiter[at + f + 1]
    text = buffer[begin:end].tobytes()
    return bool(text) and text[:1] in b"+-.0123456789" and not any(c >= 65 for c in text)


def _read_odd(buffer: Bytes, position: int, o: Ordinary, odd: NDArray[np.bool_],
              out: Gathered) -> None:
    """Count odd lines that hold no sentence; hand the others to the plain way."""
    rows = np.flatnonzero(odd)
    if not rows.size:
        return
    start, end = o.all_start.take(rows), o.all_end.take(rows)
    bare = ~o.has_mark.take(rows)
    inner = np.zeros(rows.size, dtype=bool)
    if bare.any():
        end = np.where(bare & (end > start) & (buffer.take(end - 1) == RETURN), end - 1, end)
        # Running counts are taken over the piece once, so a million short lines cost no loop.
        def count(flag: NDArray[np.bool_]) -> Index:
            total = np.concatenate([[0], np.cumsum(flag, dtype=np.int32)])
            return np.asarray(total.take(end) - total.take(start), dtype=np.int64)

        size = end - start
        rubbish, blank = count(_IS_RUBBISH.take(buffer)), count(_IS_BLANK.take(buffer))
        inner = count(buffer == RETURN) > 0
        text = bare & ~inner & (blank < size)
        binary = text & (rubbish * 10 >= size)
        out.tally.reject(BINARY, int(binary.sum()))
        out.tally.reject(NO_SENTENCE, int((text & ~binary).sum()))
    records = []
    for i in np.flatnonzero(~bare | inner):
        line = buffer[start[i] : end[i]].tobytes()
        records += read_line(line, int(start[i]) - MARGIN + position, out.tally)
    out.add_records(records)
