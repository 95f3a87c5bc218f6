"""Several readings of one day become one: joined in time, nothing counted twice.

A logger's rotation gives files that follow each other; two loggers on one bus record the same
sentences. What is the same is taken once, whatever the order of the files; what only shares its
name (two receivers that call themselves the same) is kept apart.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Stream
from sailanalysis.read.clock.marks import DAY_S, WEEKS_1024_S, WRITTEN
from sailanalysis.read.reading import Reading
from sailanalysis.read.wording import day_words, span_words

Floats = NDArray[np.float64]

SAME_SHARE: Final = 0.5
"""Two records of one sentence agree in nearly every value; two sensors of one kind, in the last
digit too, seldom do."""
SEAM_S: Final = 2.0
"""The first and last samples of a file are timed from one side only, to about a second."""
COMPARED_S: Final = 5.0
"""Shorter overlaps do not tell two sensors from one: such pieces may be timed a second off."""
CANDIDATES: Final = 200
"""Places at which one recording may continue another that are compared in full."""
TESTED: Final = 2000
"""Samples compared per stream are enough to tell."""


@dataclass
class Source:
    """One file's reading, with its name for messages."""

    name: str
    reading: Reading
    file: int

    def middle_s(self) -> float:
        """Middle of the times read; NaN of none."""
        times = [s.time_s for s in self.reading.streams if s.time_s.size]
        if not times:
            return float("nan")
        return 0.5 * (min(float(t[0]) for t in times) + max(float(t[-1]) for t in times))

    def shift(self, seconds: float) -> None:
        """Move everything in time."""
        if not seconds:
            return
        shared: dict[int, Floats] = {}
        moved = []
        for s in self.reading.streams:
            if id(s.time_s) not in shared:
                shared[id(s.time_s)] = s.time_s + seconds
            moved.append(replace(s, time_s=shared[id(s.time_s)]))
        self.reading.streams = moved
        self.reading.breaks_s = [t + seconds for t in self.reading.breaks_s]
        self.reading.modes = [(t + seconds, *rest) for t, *rest in self.reading.modes]  # type: ignore[misc]
        self.reading.findings = [
            replace(f, start_s=None if f.start_s is None else f.start_s + seconds,
                    end_s=None if f.end_s is None else f.end_s + seconds)
            for f in self.reading.findings]


def _out_of_overflow(sure: list[Source]) -> None:
    """Put logs that lie 1024 (or 2048) weeks before the newest beside it."""
    newest = max(s.middle_s() for s in sure)
    for source in sure:
        turns = round((newest - source.middle_s()) / WEEKS_1024_S)
        away = abs(newest - source.middle_s() - turns * WEEKS_1024_S)
        if turns >= 1 and away < 3 * DAY_S and source.reading.clock in ("gps", "stamped"):
            source.shift(turns * WEEKS_1024_S)
            source.reading.findings.append(Finding(
                "gps-week-rollover", f"{source.name}: its date is {1024 * turns} weeks before the "
                "other logs', an overflow of the receiver's week counter; it was put on "
                f"{day_words(source.middle_s())}."))


def _put_on_day(source: Source, middle_s: float) -> None:
    """Move a log whose day was guessed by whole days, to the day of the others."""
    source.shift(round((middle_s - source.middle_s()) / DAY_S) * DAY_S)
    source.reading.findings = [f for f in source.reading.findings if f.code != "no-date"]
    source.reading.findings.append(Finding(
        "no-date", f"{source.name}: the log has no date; {day_words(source.middle_s())} was "
        "taken from the other logs. Give the day with --date YYYY-MM-DD if that is wrong."))


def put_on_one_day(sources: list[Source]) -> None:
    """Give logs whose day was guessed, or whose weeks overflowed, the day of the others.

    A day taken from the time a file was written yields to logs that know theirs; a log exactly
    1024 (or 2048) weeks before the others has a receiver with an overflown week counter.
    """
    # A log without a single timed value (recorded before the fix) has no place to be put.
    placed = [s for s in sources if np.isfinite(s.middle_s())]
    guessed = [s for s in placed if _guessed(s)]
    sure = [s for s in placed if not _guessed(s)]
    if not sure:
        return
    _out_of_overflow(sure)
    middle = float(np.median([s.middle_s() for s in sure]))
    for source in guessed:
        _put_on_day(source, middle)


def _guessed(source: Source) -> bool:
    return any(f.code == "no-date" and WRITTEN in f.message for f in source.reading.findings)


def _unions(name: str, channels: dict[str, list[Stream]], groups: list[set[tuple[int, float]]]
            ) -> Iterator[tuple[Stream, float]]:
    """A stream for every channel of every sensor of one name, and the seconds recorded twice."""
    for number, members in enumerate(groups):
        label = name if number == 0 else f"{name} #{number + 1}"
        for _, parts in sorted(channels.items()):
            mine = [part for part in parts if _origin(part) in members]
            if mine:
                yield _union(mine, label)


def join(sources: list[Source]) -> tuple[list[Stream], list[Finding]]:
    """One stream of each channel and source, in order of time.

    Parameters
    ----------
    sources : list of Source
        In an order that does not depend on how the files were given.

    Returns
    -------
    streams : list of Stream
        Sorted by channel and source; a second, different sensor of the same name gets ``#2``.
    findings : list of Finding
        How long recordings overlapped, and which names stood for two sensors.
    """
    parts: dict[str, dict[str, list[Stream]]] = {}
    for source in sources:
        for stream in source.reading.streams:
            if stream.time_s.size:
                parts.setdefault(stream.source, {}).setdefault(stream.channel, []).append(stream)
    streams: list[Stream] = []
    findings: list[Finding] = []
    overlap_s = 0.0
    for name, channels in sorted(parts.items()):
        groups = _tell_apart(channels)
        for stream, shared_s in _unions(name, channels, groups):
            overlap_s = max(overlap_s, shared_s)
            streams.append(stream)
        if len(groups) > 1:
            findings.append(Finding(
                "two-sensors-one-name", f"{name}: {len(groups)} recordings overlap in time but "
                "differ, so they were kept apart as different sensors.", "note"))
    if overlap_s > 1.0:
        findings.append(Finding(
            "overlapping-logs", f"Logs overlap for {span_words(overlap_s)}; what more than one of "
            "them recorded was taken once.", "note"))
    streams.sort(key=lambda s: (s.channel, s.source))
    return streams, findings


def _origin(part: Stream) -> tuple[int, float]:
    """A recording: its file and where in time it begins (one file may hold several)."""
    return part.file, float(part.time_s[0])


def _recordings(channels: dict[str, list[Stream]]) -> list[dict[str, Stream]]:
    """Recordings across their channels, in order of time."""
    whole: dict[tuple[int, int], dict[str, Stream]] = {}
    for channel, parts in channels.items():
        counter: dict[int, int] = {}
        for part in sorted(parts, key=lambda p: float(p.time_s[0])):
            # The n-th part of a file is one recording across its channels.
            n = counter[part.file] = counter.get(part.file, -1) + 1
            whole.setdefault((part.file, n), {})[channel] = part
    return sorted(whole.values(), key=lambda r: min(float(p.time_s[0]) for p in r.values()))


def _tell_apart(channels: dict[str, list[Stream]]) -> list[set[tuple[int, float]]]:
    """Group recordings of one name: those that overlap and differ are different sensors."""
    groups: list[list[dict[str, Stream]]] = []
    for recording in _recordings(channels):
        for group in groups:
            if all(_agree(recording, other) for other in group):
                group.append(recording)
                break
        else:
            groups.append([recording])
    return [{_origin(p) for r in group for p in r.values()} for group in groups]


def _agree(one: dict[str, Stream], other: dict[str, Stream]) -> bool:
    """Whether two recordings of one name can be of one sensor: apart in time, or equal."""
    for channel in one.keys() & other.keys():
        a, b = one[channel], other[channel]
        if a.time_s[-1] < b.time_s[0] or b.time_s[-1] < a.time_s[0]:
            continue
        if a.time_s.size > b.time_s.size:
            a, b = b, a
        inside = np.flatnonzero((a.time_s >= b.time_s[0]) & (a.time_s <= b.time_s[-1]))
        if inside.size < 3:
            continue
        inside = inside[:: max(1, inside.size // TESTED)]
        reach = max(1.0, 1.5 * _step(b.time_s))
        lo = np.searchsorted(b.time_s, a.time_s[inside] - reach)
        hi = np.searchsorted(b.time_s, a.time_s[inside] + reach, side="right")
        covered = hi > lo
        match = np.zeros(inside.size, dtype=bool)
        for k in range(int((hi - lo).max(initial=0))):
            at = np.minimum(lo + k, b.value.size - 1)
            match |= (lo + k < hi) & (b.value[at] == a.value[inside])
        tested = int(covered.sum())
        # The last seconds of one file and the first of the next may seem to overlap a little, and
        # what lasts only some seconds is timed too roughly to be compared.
        lasts = float(np.ptp(a.time_s[inside])) >= COMPARED_S
        if tested >= 10 and lasts and int((match & covered).sum()) < SAME_SHARE * tested:
            return False
    return True


def _step(time_s: Floats) -> float:
    """Usual step: the mean, gaps left out, since arrival times come in bursts."""
    if time_s.size < 2:
        return 1.0
    step = np.diff(time_s)
    return float(np.mean(step[step <= max(10.0 * float(np.median(step)), 1e-3)]))


def _lag(one: Stream, other: Stream) -> int | None:
    """Where one recording lies against another by its values: ``one[i + lag] == other[i]``.

    The times of short files may be a second off, so the lag by time is only where the search
    begins.

    Returns
    -------
    int or None
        Negative where the other begins first; None where no lag makes all that overlaps equal.
    """
    a, b = one.value, other.value
    if other.time_s[0] >= one.time_s[0]:
        likely = int(np.searchsorted(one.time_s, other.time_s[0]))
    else:
        likely = -int(np.searchsorted(other.time_s, one.time_s[0]))
    reach = max(50, min(a.size, b.size) // 10)
    lag = np.arange(max(likely - reach, 1 - b.size), min(likely + reach, a.size - 1) + 1)
    first, last = np.maximum(0, -lag), np.minimum(b.size, a.size - lag) - 1
    # Both ends of what overlaps must fit before the whole of it is compared.
    fit = (a[first + lag] == b[first]) & (a[last + lag] == b[last])
    for k in sorted(lag[fit].tolist(), key=lambda k: abs(k - likely))[:CANDIDATES]:
        i, j = max(0, -k), min(b.size, a.size - k)
        if np.array_equal(a[i + k : j + k], b[i:j]):
            return int(k)
    return None


def _union(parts: list[Stream], source: str) -> tuple[Stream, float]:
    """Join recordings of one sensor; a later one only fills what the earlier ones lack.

    Returns
    -------
    stream : Stream
    overlap_s : float
        Time covered more than once.
    """
    parts = sorted(parts, key=lambda p: (float(p.time_s[0]), -p.time_s.size, p.file))
    whole = replace(parts[0], source=source)
    overlap_s = 0.0
    for part in parts[1:]:
        shared_s = min(float(part.time_s[-1]), float(whole.time_s[-1])) - float(part.time_s[0])
        if shared_s < 0:
            whole = _with(whole, np.concatenate([whole.time_s, part.time_s]),
                          np.concatenate([whole.value, part.value]))
            continue
        lag = _lag(whole, part)
        if lag is not None:
            head, tail = max(0, -lag), max(0, whole.value.size - lag)
            whole = _with(whole, np.concatenate([
                np.minimum(part.time_s[:head], whole.time_s[0]), whole.time_s,
                np.maximum(part.time_s[tail:], whole.time_s[-1])]),
                np.concatenate([part.value[:head], whole.value, part.value[tail:]]))
        elif shared_s < SEAM_S and part.time_s[-1] > whole.time_s[-1]:
            # Nothing repeats: the ends of two files that follow each other, timed a bit roughly.
            shared_s = 0.0
            whole = _with(whole, np.concatenate([
                whole.time_s, np.maximum(part.time_s, whole.time_s[-1])]),
                np.concatenate([whole.value, part.value]))
        else:
            whole = _filled(whole, part)
        overlap_s += shared_s
    return whole, overlap_s


def _with(stream: Stream, time_s: Floats, value: Floats) -> Stream:
    return replace(stream, time_s=time_s, value=value)


def _filled(whole: Stream, part: Stream) -> Stream:
    """Add the samples that lie where the other recording has none."""
    # On one regular beat a sample lies within half a step of another; a little more is a sample
    # of its own.
    limit = 0.6 * min(_step(whole.time_s), _step(part.time_s))
    at = np.searchsorted(whole.time_s, part.time_s)
    before = part.time_s - whole.time_s[np.maximum(at - 1, 0)]
    after = whole.time_s[np.minimum(at, whole.time_s.size - 1)] - part.time_s
    lonely = np.minimum(np.abs(before), np.abs(after)) > limit
    time_s = np.concatenate([whole.time_s, part.time_s[lonely]])
    value = np.concatenate([whole.value, part.value[lonely]])
    order = np.argsort(time_s, kind="stable")
    return _with(whole, time_s[order], value[order])
