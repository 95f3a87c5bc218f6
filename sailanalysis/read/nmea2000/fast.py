"""Fast packets: messages of up to 223 bytes put together from the frames they came in."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.read.nmea2000.lines import WIDTH, Frames
from sailanalysis.read.nmea2000.plain import MAX_PACKET

TIMEOUT_S: Final = 5.0
"""Frames of one packet follow within milliseconds; after this a counter has gone round."""


def assemble(frames: Frames) -> tuple[Frames, int]:
    """Put fast packets together.

    Parameters
    ----------
    frames : Frames
        Frames of fast-packet messages, in order of arrival, of any sources, interleaved as they
        came. The first byte holds a three-bit packet counter and a five-bit frame counter; the
        first frame's second byte the length.

    Returns
    -------
    packets : Frames
        Complete packets in order of their first frames.
    lost : int
        Frames that belong to no complete packet.
    """
    if not len(frames):
        return Frames.joined([], WIDTH), 0
    counter = frames.payload[:, 0]
    key = (frames.pgn.astype(np.int64) << 11 | frames.source.astype(np.int64) << 3 | counter >> 5)
    order = np.argsort(key, kind="stable")
    key, place = key[order], (counter & 31)[order]
    payload, stamp = frames.payload[order], frames.stamp_s[order]
    start = np.flatnonzero((place == 0) & (frames.length[order] >= 2))
    length = payload[start, 1].astype(np.int64)
    # Six bytes in the first frame, seven in each that follows.
    count = 1 + np.maximum(length - 6 + 6, 0) // 7
    good = (length > 0) & (length <= MAX_PACKET)
    end = key.size
    for step in range(1, int(count.max(initial=1))):
        more = good & (count > step)
        at = np.minimum(start + step, end - 1)
        late = np.abs(stamp[at] - stamp[start]) > TIMEOUT_S  # False where there is no stamp
        good &= ~more | ((start + step < end) & (key[at] == key[start]) & (place[at] == step)
                         & ~late)
    start, length, count = start[good], length[good], count[good]
    packet = np.full((start.size, WIDTH), 255, dtype=np.uint8)
    packet[:, :6] = payload[start, 2:8]
    for step in range(1, (WIDTH - 6) // 7 + 1):
        rows = np.flatnonzero(count > step)
        packet[rows, 6 + 7 * (step - 1): 13 + 7 * (step - 1)] = payload[start[rows] + step, 1:8]
    packet[np.arange(WIDTH) >= length[:, None]] = 255
    first = order[start]
    out = Frames(frames.pgn[first], frames.source[first], length.astype(np.uint8), packet,
                 frames.stamp_s[first], frames.position[first], frames.of_day[first])
    return out.take(np.argsort(first, kind="stable")), int(end - count.sum())


def not_repeated(assembled: Frames, packets: Frames) -> Frames:
    """Assembled packets that the log does not hold as whole packets too.

    Some programs write every fast packet twice, once whole and once in frames.

    Parameters
    ----------
    assembled : Frames
        Packets put together from frames.
    packets : Frames
        Packets that stand in the log whole.

    Returns
    -------
    Frames
        Those of ``assembled`` that are in the log only once.
    """
    if not len(assembled) or not len(packets):
        return assembled
    return assembled.take(~np.isin(_rows(assembled), _rows(packets)))


def _rows(frames: Frames) -> NDArray[np.void]:
    """Message, source and bytes of each row as one comparable item."""
    table = np.concatenate([
        np.ascontiguousarray(frames.pgn, dtype="<i4").view(np.uint8).reshape(-1, 4),
        frames.source[:, None], frames.length[:, None], frames.payload], axis=1)
    table = np.ascontiguousarray(table)
    return table.view(np.dtype((np.void, table.shape[1]))).ravel()
