"""NMEA 2000 text captures: frames to channels, with one source a device and message."""

from __future__ import annotations

from typing import Any, BinaryIO, Final

import numpy as np

from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Floats, Stream
from sailanalysis.read.engines import busiest
from sailanalysis.read.nmea2000.clock import frame_times
from sailanalysis.read.nmea2000.fast import assemble, not_repeated
from sailanalysis.read.nmea2000.fields import FAST, LEAST_BYTES, Message, decode
from sailanalysis.read.nmea2000.lines import WIDTH, Frames, read_capture
from sailanalysis.read.reading import ReadContext, Reading

_FAST: Final = np.array(sorted(FAST), dtype=np.int32)


def read_nmea2000(handle: BinaryIO, context: ReadContext) -> Reading:
    """Read a text capture; see :func:`sailanalysis.read.nmea2000.read`."""
    capture = read_capture(handle)
    reading = Reading("NMEA 2000", lines=capture.lines, used=capture.used,
                      ignored=capture.ignored, rejected=capture.rejected)
    in_frames = np.isin(capture.singles.pgn, _FAST)
    assembled, lost = assemble(capture.singles.take(in_frames))
    if lost:
        reading.used -= lost
        reading.rejected["incomplete fast packet"] += lost
    fresh = not_repeated(assembled, capture.packets)
    if len(fresh) < len(assembled):
        reading.findings.append(Finding(
            "n2k-repeated-packets", f"{context.name}: {len(assembled) - len(fresh)} fast packets "
            "stand in the log whole and in frames; each counts once.", "note"))
    packets = _of_order(Frames.joined([fresh, capture.packets], WIDTH))
    singles = capture.singles.take(~in_frames)
    capture.singles = capture.packets = Frames.joined([], WIDTH)
    times, single_s, packet_s = frame_times(singles, packets, capture.size, context)
    reading.clock = times.clock
    reading.findings += times.findings
    found: list[tuple[str, str, Floats, Floats]] = []
    for frames, time_s in ((singles, single_s), (packets, packet_s)):
        for pgn, source, rows in _groups(frames):
            found += _channels(pgn, source, frames.take(rows), time_s[rows], reading)
    _streams(found, reading, context)
    reading.rejected = type(reading.rejected)({k: n for k, n in reading.rejected.items() if n})
    if not reading.streams and reading.lines:
        reading.findings.append(Finding(
            "n2k-nothing", f"{context.name}: holds none of the messages an analysis needs."))
    return reading


def _of_order(frames: Frames) -> Frames:
    order = np.argsort(frames.position, kind="stable")
    return frames.take(order)


def _groups(frames: Frames) -> list[tuple[int, int, Any]]:
    """Message, source and rows of each device's message, rows in order of arrival."""
    if not len(frames):
        return []
    key = frames.pgn.astype(np.int64) << 8 | frames.source
    order = np.argsort(key, kind="stable")
    cuts = np.flatnonzero(np.diff(key[order])) + 1
    return [(int(key[rows[0]] >> 8), int(key[rows[0]] & 255), rows)
            for rows in np.split(order, cuts)]


def _channels(pgn: int, source: int, frames: Frames, time_s: Floats,
              reading: Reading) -> list[tuple[str, str, Floats, Floats]]:
    """Channel, source name, time and value of everything one device's message gives."""
    short = frames.length < LEAST_BYTES.get(pgn, 1)
    if short.any():
        count = int(short.sum())
        reading.used -= count
        reading.rejected["message too short"] += count
        frames, time_s = frames.take(~short), time_s[~short]
    found = []
    for values in decode(pgn, Message(frames.payload, frames.length)):
        time = time_s if values.rows is None else time_s[values.rows]
        fine = np.isfinite(values.value) & np.isfinite(time)
        if not fine.any():
            continue
        time, value = time[fine], values.value[fine]
        if (np.diff(time) < 0).any():
            order = np.argsort(time, kind="stable")
            time, value = time[order], value[order]
        label = f"n2k {source} {pgn}" + (f" {values.label}" if values.label else "")
        found.append((values.channel, label, time, value))
    return found


def _streams(found: list[tuple[str, str, Floats, Floats]], reading: Reading,
             context: ReadContext) -> None:
    """Streams, with the engines of one device joined and a lone second rudder made the first."""
    if not any(channel == "rudder_deg" for channel, *_ in found):
        found = [("rudder_deg" if channel == "rudder2_deg" else channel, label, time, value)
                 for channel, label, time, value in found]
    engines: dict[str, list[tuple[Floats, Floats]]] = {}
    for channel, label, time, value in found:
        if channel == "engine_rpm":
            engines.setdefault(label.rpartition(" ")[0], []).append((time, value))
        else:
            reading.streams.append(Stream(channel, label, time, value, context.file))
    for label, each in engines.items():
        reading.streams.append(Stream("engine_rpm", label, *busiest(each), context.file))
