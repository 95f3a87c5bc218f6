"""What a scan of an NMEA 0183 file gathers, piece by piece, before any time is known."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.read.clock.stamps import StampKind
from sailanalysis.read.nmea0183.lines import Record, Tally
from sailanalysis.read.nmea0183.sentences import TYPES, Columns

Key = tuple[str, str, str]
"""Talker, sentence type, TAG block source ("" where there is none)."""
Chunk = tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.float64], NDArray[np.uint8]]
"""Positions (n,), field counts (n,), numbers (k, n), letters (m, n)."""


LARGE_ROWS: Final = 60_000
"""Rows of an array that the system gives and takes back as a whole."""


@dataclass
class Gathered:
    """Raw columns by group, transducer values by channel, receive stamps, and the tally.

    ``stamps[kind]`` holds (position, seconds) arrays of lines with a receive time.
    """

    groups: dict[Key, list[Chunk]] = field(default_factory=dict)
    transducers: dict[tuple[Key, str], list[tuple[NDArray[np.int64], NDArray[np.float64]]]] = (
        field(default_factory=dict))
    stamps: dict[StampKind, list[tuple[NDArray[np.int64], NDArray[np.float64]]]] = (
        field(default_factory=dict))
    tally: Tally = field(default_factory=Tally)
    size: int = 0

    def add(self, other: Gathered) -> None:
        """Append what a later piece of the file gave."""
        for key, chunks in other.groups.items():
            _extend(self.groups.setdefault(key, []), chunks)
        for place, pairs in other.transducers.items():
            _extend(self.transducers.setdefault(place, []), pairs)
        for kind, stamps in other.stamps.items():
            _extend(self.stamps.setdefault(kind, []), stamps)
        self.tally.add(other.tally)
        self.size = max(self.size, other.size)

    def add_records(self, records: Iterable[Record]) -> None:
        """Append sentences that the plain way has read."""
        by_key: defaultdict[Key, list[Record]] = defaultdict(list)
        transducers: defaultdict[tuple[Key, str], list[tuple[int, float]]] = defaultdict(list)
        stamps: defaultdict[StampKind, list[tuple[int, float]]] = defaultdict(list)
        for record in records:
            key = (record.talker, record.kind, record.source)
            if record.stamp is not None:
                stamps[record.stamp.kind].append((record.position, record.stamp.seconds))
            if record.kind in TYPES:
                by_key[key].append(record)
            for channel, value in record.transducers:
                transducers[key, channel].append((record.position, value))
        for key, rows in by_key.items():
            self.groups.setdefault(key, []).append(_chunk(rows))
        for place, pairs in transducers.items():
            self.transducers.setdefault(place, []).append(_pair(pairs))
        for kind, pairs in stamps.items():
            self.stamps.setdefault(kind, []).append(_pair(pairs))

    def positions(self, key: Key) -> NDArray[np.float64]:
        """Where the sentences of one group stand, in order of arrival."""
        position = np.concatenate([c[0] for c in self.groups[key]]).astype(float)
        return position if _rising(position) else np.sort(position)

    def columns(self, key: Key) -> Columns:
        """One group as columns in order of arrival; its chunks are let go."""
        chunks = self.groups.pop(key)
        position = np.concatenate([c[0] for c in chunks])
        sentence = TYPES[key[1]]
        order = None if _rising(position) else np.argsort(position, kind="stable")

        def joined(parts: list[Any]) -> Any:
            whole = np.concatenate(parts)
            return whole if order is None else whole[order]

        return Columns(
            position if order is None else position[order],
            joined([c[1] for c in chunks]),
            {f: joined([c[2][i] for c in chunks]) for i, f in enumerate(sentence.numbers)},
            {f: joined([c[3][i] for c in chunks]) for i, f in enumerate(sentence.letters)},
        )


def _chunk(rows: list[Record]) -> Chunk:
    """Sentences of one group as columns."""
    return (np.array([r.position for r in rows], dtype=np.int64),
            np.array([r.fields for r in rows], dtype=np.uint8),
            np.array([r.numbers for r in rows], dtype=float).T,
            np.array([r.letters for r in rows], dtype=np.uint8).T)


def _extend(chunks: list[Any], more: list[Any]) -> None:
    """Append chunks; many small ones become a large one.

    Thousands of small arrays of different lives would keep the memory between them from being
    used again.
    """
    chunks.extend(more)
    small = 0
    while small < len(chunks) and chunks[-1 - small][0].size < LARGE_ROWS:
        small += 1
    if sum(chunk[0].size for chunk in chunks[len(chunks) - small :]) >= LARGE_ROWS:
        tail = chunks[len(chunks) - small :]
        del chunks[len(chunks) - small :]
        chunks.append(tuple(np.concatenate(parts, axis=-1) for parts in zip(*tail, strict=True)))


def _pair(pairs: list[tuple[int, float]]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    return (np.array([p for p, _ in pairs], dtype=np.int64),
            np.array([v for _, v in pairs], dtype=float))


def _rising(position: NDArray[Any]) -> bool:
    return bool(np.all(np.diff(position) > 0))


def in_order(
    chunks: list[tuple[NDArray[np.int64], NDArray[np.float64]]],
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Join (position, value) chunks in order of arrival.

    Parameters
    ----------
    chunks : list of (ndarray, ndarray)
        Positions and values, in any order.

    Returns
    -------
    position, value
        In order of position.
    """
    position = np.concatenate([c[0] for c in chunks])
    value = np.concatenate([c[1] for c in chunks])
    if _rising(position):
        return position, value
    order = np.argsort(position, kind="stable")
    return position[order], value[order]
