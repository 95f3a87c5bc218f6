"""When anything was recorded, and when the boat made way: ten minutes at a time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.geo import local_xy_m
from sailanalysis.core.model import Floats, Stream
from sailanalysis.read.reading import Reading

Blocks = NDArray[np.int64]

BLOCK_S: Final = 600.0
SAILING_KN: Final = 1.0
"""Speed from which a block counts as under way; at anchor receivers show less (common practice)."""
SWING_M: Final = 40.0
"""A boat swings at her anchor by about this much either way."""
DRIFT_MS: Final = 0.25
"""Half a knot over ten minutes leads beyond any swing."""


@dataclass(frozen=True)
class Activity:
    """Blocks of ten minutes since 1970, each list increasing.

    Attributes
    ----------
    recorded : ndarray of int, shape (n,)
        Any value was logged.
    under_way : ndarray of int, shape (m,)
        She made way by position or speed.
    known : ndarray of int, shape (k,)
        A position or a speed was logged, so that making way can be told.
    """

    recorded: Blocks
    under_way: Blocks
    known: Blocks

    def within(self, first: int, last: int) -> Activity:
        """The blocks from ``first`` to ``last``, both included."""
        return Activity(*((b[(b >= first) & (b <= last)])
                          for b in (self.recorded, self.under_way, self.known)))


def activity_of(readings: Iterable[Reading]) -> Activity:
    """Blocks in which anything was recorded and in which the boat made way.

    Parameters
    ----------
    readings : iterable of Reading
        On clocks that agree to some minutes.
    """
    none: Blocks = np.zeros(0, dtype=np.int64)
    recorded, under_way, known = [none], [none], [none]
    for reading in readings:
        seen: set[int] = set()
        for stream in reading.streams:
            if stream.time_s.size and id(stream.time_s) not in seen:
                seen.add(id(stream.time_s))
                recorded.append(np.unique(_blocks(stream.time_s)))
        for block, moves in _ways(reading):
            known.append(block)
            under_way.append(block[moves])
    return Activity(*(np.unique(np.concatenate(part)) for part in (recorded, under_way, known)))


def _blocks(time_s: Floats) -> Blocks:
    return np.floor(time_s / BLOCK_S).astype(np.int64)


def _ways(reading: Reading) -> Iterator[tuple[Blocks, NDArray[np.bool_]]]:
    """Blocks and whether she made way in each, by each source of position and speed.

    Speed through the water counts only where nothing tells the speed over ground.
    """
    by_name = {(s.channel, s.source): s for s in reading.streams if s.time_s.size}
    over_ground = list(_ways_over_ground(by_name))
    yield from over_ground or (_by_speed(stream) for (channel, _), stream in by_name.items()
                               if channel == "stw_kn")


def _ways_over_ground(by_name: dict[tuple[str, str], Stream]
                      ) -> Iterator[tuple[Blocks, NDArray[np.bool_]]]:
    for (channel, source), stream in by_name.items():
        lon = by_name.get(("lon", source))
        if channel == "lat" and lon is not None and lon.time_s.size == stream.time_s.size:
            yield _by_position(stream, lon)
        elif channel == "sog_kn":
            yield _by_speed(stream)


def _by_speed(stream: Stream) -> tuple[Blocks, NDArray[np.bool_]]:
    block, first, count = np.unique(_blocks(stream.time_s), return_index=True, return_counts=True)
    middle = np.array([np.median(stream.value[a:a + n]) for a, n in
                       zip(first.tolist(), count.tolist(), strict=True)])
    return block, middle >= SAILING_KN


def _by_position(lat: Stream, lon: Stream) -> tuple[Blocks, NDArray[np.bool_]]:
    """Made way: her places at both ends of the block are further apart than a swing."""
    block, first, count = np.unique(_blocks(lat.time_s), return_index=True, return_counts=True)
    moves = np.zeros(block.size, dtype=bool)
    for k, (a, n) in enumerate(zip(first.tolist(), count.tolist(), strict=True)):
        part = max(1, min(n // 4, 30))  # a median of up to 30 fixes at each end
        head, tail = slice(a, a + part), slice(a + n - part, a + n)
        east, north = local_xy_m(np.median(lat.value[tail]), np.median(lon.value[tail]),
                                 float(np.median(lat.value[head])),
                                 float(np.median(lon.value[head])))
        seconds = float(np.median(lat.time_s[tail]) - np.median(lat.time_s[head]))
        moves[k] = float(np.hypot(east, north)) > max(SWING_M, DRIFT_MS * seconds)
    return block, moves
