"""The plain way to read NMEA 0183: one line at a time, for lines that are in any way odd.

Prefixes, TAG blocks, several sentences glued together, missing checksums, NULs and rubbish all
come here. It defines what a line means; the fast way must agree with it on ordinary lines.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from functools import reduce
from itertools import pairwise
from operator import xor
from typing import Final

from sailanalysis.read.clock.stamps import Stamp, stamp_in
from sailanalysis.read.nmea0183.sentences import TYPES, Sentence
from sailanalysis.read.nmea0183.xdr import layout

CHECKSUM: Final = "checksum wrong"
CUT: Final = "cut short"
UNCHECKED: Final = "no checksum"
NO_SENTENCE: Final = "not a sentence"
BINARY: Final = "binary"
TOO_LONG: Final = "line too long"

MAX_SENTENCE_BYTES: Final = 1024
"""The standard allows 82 characters; TAG blocks and careless devices need more, none this much."""

MAX_NUMBER_BYTES: Final = 24
"""A longer run of digits is no reading."""

_START: Final = re.compile(rb"[$!](?:P[A-Z0-9]{1,15}|[A-Z0-9]{5})(?=,)")
ADDRESS: Final = re.compile(rb"[$!](?:P[A-Z0-9]{1,15}|[A-Z0-9]{5})$")
_CHECK: Final = re.compile(rb"\*([0-9A-Fa-f]{2})(?![0-9A-Fa-f])")
_NUMBER: Final = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)$")
_TWICE_SIGNED: Final = re.compile(rb"-?(\d+)\.-(\d+)$")
_TAG: Final = re.compile(rb"\\([^\\$!]{0,200})\\")
RUBBISH: Final = bytes(range(9)) + bytes(range(14, 32)) + bytes(range(127, 256))
"""Bytes that no text log holds."""
BLANK: Final = b" \t\n\v\f\r"


@dataclass(frozen=True)
class Record:
    """One good sentence: where it stood, what it said, when it was received if that is known."""

    position: int
    talker: str
    kind: str
    source: str
    fields: int
    numbers: tuple[float, ...]
    letters: tuple[int, ...]
    transducers: tuple[tuple[str, float], ...] = ()
    stamp: Stamp | None = None


@dataclass
class Tally:
    """What became of the lines: ``lines == used + sum(rejected.values())``."""

    lines: int = 0
    used: int = 0
    ignored: Counter[str] = field(default_factory=Counter)
    rejected: Counter[str] = field(default_factory=Counter)
    unchecked: int = 0
    malformed: int = 0
    bad_tags: int = 0

    def add(self, other: Tally) -> None:
        """Add the counts of another stretch of the file."""
        for name in ("lines", "used", "unchecked", "malformed", "bad_tags"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.ignored.update(other.ignored)
        self.rejected.update(other.rejected)

    def reject(self, reason: str, count: int = 1) -> None:
        """Count lines that give nothing."""
        if count:
            self.lines += count
            self.rejected[reason] += count


def checksum(body: bytes) -> int:
    """XOR of all characters between ``$`` or ``!`` and ``*``.

    Parameters
    ----------
    body : bytes

    Returns
    -------
    int
    """
    return reduce(xor, body, 0)


def number(text: bytes) -> tuple[float, bool]:
    """A field's number, and whether the text was malformed; empty is NaN and well formed.

    Parameters
    ----------
    text : bytes

    Returns
    -------
    value : float
    malformed : bool
    """
    text = text.strip()
    if not text:
        return float("nan"), False
    if _NUMBER.match(text) and len(text) <= MAX_NUMBER_BYTES:
        return float(text), False
    # Some loggers print the sign of both halves: -1.-3 and 0.-6 are -1.3 and -0.6.
    twice = _TWICE_SIGNED.match(text)
    if twice and len(text) <= MAX_NUMBER_BYTES:
        return -float(twice[1] + b"." + twice[2]), False
    return float("nan"), True


def kind_of(address: bytes) -> tuple[str, str]:
    """Talker and sentence type of an address: ``$GPRMC`` gives GP, RMC; ``!AIVDM`` AI, !VDM.

    Proprietary sentences (``$P...``) give P and their whole name: what follows is the maker's.

    Parameters
    ----------
    address : bytes
        With its ``$`` or ``!``.

    Returns
    -------
    talker, kind
    """
    text = address.decode("ascii", "replace")
    if text[0] == "$" and text[1] == "P":
        return "P", text[1:]
    return text[1:3], text[0].replace("$", "") + text[3:]


def label_of(talker: str, kind: str) -> str:
    """Name under which an ignored sentence is counted: ``GSV``, ``!AIVDM``, ``PXYZ``.

    Parameters
    ----------
    talker, kind : str
        As :func:`kind_of` gives them.

    Returns
    -------
    str
    """
    return f"!{talker}{kind[1:]}" if kind.startswith("!") else kind


def _tag_is_sound(body: bytes, check: bytes) -> bool:
    """Whether a TAG block's checksum fits."""
    # Both readings of the rule are in use: without and with the opening backslash.
    allowed = {checksum(body), checksum(body) ^ 0x5C}
    return re.fullmatch(rb"[0-9A-Fa-f]{2}", check) is not None and int(check, 16) in allowed


def _tag_block(prefix: bytes, tally: Tally) -> tuple[str, Stamp | None]:
    """Source and time in the TAG blocks before a sentence; a bad checksum costs only the block."""
    source, stamp = "", None
    for match in _TAG.finditer(prefix):
        body, star, check = match[1].partition(b"*")
        if star and not _tag_is_sound(body, check):
            tally.bad_tags += 1
            continue
        for part in body.split(b","):
            key, _, value = part.partition(b":")
            if key == b"s":
                source = value.decode("ascii", "replace").strip()
            elif key == b"c":
                stamp = stamp_in(b" " * 8 + value) or stamp
    return source, stamp


def _has_units(sentence: Sentence, fields: list[bytes]) -> bool:
    """Whether every unit's field holds one of its letters."""
    texts = {i: fields[i - 1].decode("latin-1") or "_" for i in sentence.units}
    return all(len(texts[i]) == 1 and texts[i] in allowed
               for i, allowed in sentence.units.items())


def _complete_without_checksum(kind: str, fields: list[bytes]) -> bool:
    if kind == "XDR":
        # A transducer's name follows its value: what is cut off is not found by name.
        return bool(layout([f.decode("latin-1") for f in fields]))
    sentence = TYPES.get(kind)
    if sentence is None or len(fields) < sentence.complete or not _has_units(sentence, fields):
        return False
    return not any(number(fields[i - 1])[1] for i in sentence.numbers if i <= len(fields))


def _transducers(fields: list[bytes], tally: Tally) -> tuple[tuple[str, float], ...]:
    """Channels and values of an XDR sentence."""
    values = []
    for place in layout([f.decode("latin-1") for f in fields]):
        value, bad = number(fields[place.index])
        tally.malformed += bad
        values.append((place.channel, place.factor * value + place.offset))
    return tuple(values)


def _columns(sentence: Sentence, fields: list[bytes], tally: Tally
             ) -> tuple[tuple[float, ...], tuple[int, ...]]:
    """Numbers and letters of a sentence; NaN and 0 where it is too short."""
    numbers = []
    for index in sentence.numbers:
        value, bad = number(fields[index - 1] if index <= len(fields) else b"")
        tally.malformed += bad
        numbers.append(value)
    cells = [fields[i - 1] if i <= len(fields) else b"" for i in sentence.letters]
    return tuple(numbers), tuple(cell[0] if len(cell) == 1 else 0 for cell in cells)


def _take(body: bytes, position: int, source: str, stamp: Stamp | None, checked: bool,
          tally: Tally) -> list[Record]:
    """A record of ``$AACCC,...`` (no checksum); none, and a count, where it gives nothing."""
    address, *fields = body.split(b",")
    if not ADDRESS.match(address):
        tally.reject(NO_SENTENCE)
        return []
    talker, kind = kind_of(address)
    if not checked and not _complete_without_checksum(kind, fields):
        tally.reject(UNCHECKED if len(fields) > 1 else CUT)
        return []
    tally.unchecked += not checked
    tally.lines += 1
    tally.used += 1
    count = len(fields)
    numbers: tuple[float, ...] = ()
    letters: tuple[int, ...] = ()
    transducers: tuple[tuple[str, float], ...] = ()
    sentence = TYPES.get(kind)
    if kind == "XDR":
        transducers = _transducers(fields, tally)
    elif sentence is None:
        tally.ignored[label_of(talker, kind)] += 1
    else:
        count = min(count, 255)
        numbers, letters = _columns(sentence, fields, tally)
    return [Record(position, talker, kind, source, count, numbers, letters, transducers, stamp)]


def _lines_within(line: bytes, position: int, tally: Tally) -> list[Record]:
    """Sentences of a line that bare carriage returns divide."""
    records = []
    for piece in line.split(b"\r"):
        records += read_line(piece, position, tally)
        position += len(piece) + 1
    return records


def _reject_whole(line: bytes, tally: Tally) -> None:
    """Count a line in which no sentence starts."""
    text = line.strip(BLANK)
    rubbish = len(line) - len(line.translate(None, RUBBISH))
    if text and rubbish * 10 >= len(line):
        tally.reject(BINARY)
    elif text:
        tally.reject(CUT if text[:1] in (b"$", b"!") else NO_SENTENCE)


def _piece_at(clean: bytes, start: int, end: int
              ) -> tuple[bytes, re.Match[bytes] | None, bool, int]:
    """The sentence from ``start``: text, checksum's place, whether it fits, and the text's end."""
    piece, match, good = _checked(clean[start:end])
    if not good and len(clean) - start <= MAX_SENTENCE_BYTES:
        # A garbled field may hold a '$': a checksum that fits the whole rest decides.
        whole = _checked(clean[start:])
        if whole[2]:
            return *whole, len(clean)
    return piece, match, good, end


def _take_piece(clean: bytes, start: int, end: int, position: int, source: str,
                stamp: Stamp | None, tally: Tally) -> tuple[list[Record], int, bytes]:
    """The sentence from ``start``: its record if it is good, its end, and what trails it."""
    piece, match, good, end = _piece_at(clean, start, end)
    records: list[Record] = []
    if match is not None and not good:
        tally.reject(CHECKSUM)
    elif match is None and (b"*" in piece or end != len(clean)):
        tally.reject(CUT)
    else:
        body = piece[: match.start()] if match is not None else piece
        records = _take(body, position + start, source, stamp, good, tally)
    inner = _TAG.search(piece, match.end() if match else 0)
    return records, end, inner[0] if inner else b""


def read_line(line: bytes, position: int, tally: Tally) -> list[Record]:
    """Every good sentence of one line, with all that was wrong counted in ``tally``.

    Parameters
    ----------
    line : bytes
        Without its line end; anything may stand in it.
    position : int
        Byte position of the line.
    tally : Tally
        Each sentence, good or bad, counts as one line; a line without any counts once.

    Returns
    -------
    list of Record
        In order; lines that give none are only counted.
    """
    if b"\r" in line:
        return _lines_within(line, position, tally)
    clean = line.replace(b"\0", b"").strip()
    position += len(line) - len(line.lstrip(b"\0" + BLANK))
    starts = [match.start() for match in _START.finditer(clean)]
    if not starts:
        _reject_whole(line, tally)
        return []
    prefix = clean[: starts[0]]
    source, stamp = _tag_block(prefix, tally)
    stamp = stamp or stamp_in(_TAG.sub(b"", prefix))
    records: list[Record] = []
    taken_to = 0
    for start, end in pairwise([*starts, len(clean)]):
        if start < taken_to:
            continue
        more, taken_to, tag = _take_piece(clean, start, end, position, source, stamp, tally)
        records += more
        if tag:
            source, tagged = _tag_block(tag, tally)
            stamp = tagged or stamp
    return records


def _checked(piece: bytes) -> tuple[bytes, re.Match[bytes] | None, bool]:
    """A stretch of text, its checksum's place, and whether the checksum fits."""
    match = _CHECK.search(piece)
    good = match is not None and match.start() <= MAX_SENTENCE_BYTES and (
        checksum(piece[1 : match.start()]) == int(match[1], 16))
    return piece, match, good
