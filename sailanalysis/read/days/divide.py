"""Readings of many days cut into readings of one day each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Floats, Stream
from sailanalysis.read.merge.merge import Source
from sailanalysis.read.reading import Reading


def cut_source(source: Source, start_s: float, end_s: float, file: int) -> Source | None:
    """What one file holds of a day; None where it holds nothing.

    Parameters
    ----------
    source : Source
    start_s, end_s : float
        Seconds since 1970, the end not included.
    file : int
        The file's number among the day's inputs.
    """
    reading = source.reading
    shared: dict[int, tuple[slice, Floats]] = {}
    parts = [_cut_stream(stream, start_s, end_s, file, shared) for stream in reading.streams]
    streams = list(filter(None, parts))
    modes = [mode for mode in reading.modes if start_s <= mode[0] < end_s]
    if not streams and not modes:
        return None
    cut: Reading = replace(
        reading, streams=streams, modes=modes,
        breaks_s=[t for t in reading.breaks_s if start_s <= t < end_s],
        findings=[f for f in reading.findings if _concerns(f, start_s, end_s)])
    return Source(source.name, cut, file)


def _cut_stream(stream: Stream, start_s: float, end_s: float, file: int,
                shared: dict[int, tuple[slice, Floats]]) -> Stream | None:
    """A view of the samples inside; streams that share their times go on sharing them."""
    key = id(stream.time_s)
    if key not in shared:
        a, b = np.searchsorted(stream.time_s, [start_s, end_s])
        part = slice(int(a), int(b))
        shared[key] = part, stream.time_s[part]
    part, time_s = shared[key]
    if not time_s.size:
        return None
    return replace(stream, time_s=time_s, value=stream.value[part], file=file)


def _concerns(finding: Finding, start_s: float, end_s: float) -> bool:
    """Whether a finding is about these hours: it names no time, or one of them."""
    begin = finding.start_s
    if begin is None:
        return True
    end = begin if finding.end_s is None else finding.end_s
    return begin < end_s and end >= start_s
