"""Read an NMEA 0183 log: gather its sentences, find their times, give channels."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Stream
from sailanalysis.read.clock.build import build_clock
from sailanalysis.read.clock.marks import DAY_S, time_of_day
from sailanalysis.read.clock.repair import Clock, even_out
from sailanalysis.read.clock.rounded import stamped_times
from sailanalysis.read.engines import busiest
from sailanalysis.read.nmea0183.gather import Gathered, Key, in_order
from sailanalysis.read.nmea0183.lines import Tally
from sailanalysis.read.nmea0183.scan import gather
from sailanalysis.read.nmea0183.sentences import (
    TIME_FIELD,
    TIMED,
    TYPES,
    Columns,
    fix_is_valid,
)
from sailanalysis.read.reading import ReadContext, Reading
from sailanalysis.read.wording import count_words, span_words

Floats = NDArray[np.float64]

MOST_PARTS: Final = 50
"""So many recordings joined out of order are looked at one by one."""


def read_nmea0183(handle: BinaryIO, context: ReadContext) -> Reading:
    """Read a log; see :func:`sailanalysis.read.nmea0183.read`."""
    gathered = gather(handle)
    tally = gathered.tally
    out = Reading("NMEA 0183", lines=tally.lines, used=tally.used,
                  ignored=sum(tally.ignored.values()), rejected=tally.rejected,
                  ignored_kinds=tally.ignored)
    timed = {key: gathered.columns(key) for key in sorted(gathered.groups) if key[1] in TIMED}
    others = {key: gathered.positions(key) for key in sorted(gathered.groups)}
    stamps = {kind: in_order(chunks) for kind, chunks in sorted(gathered.stamps.items())}
    clock, _ = build_clock(timed, others, stamped_times(stamps, tally.lines), gathered.size,
                           context)
    del others, stamps
    out.clock = clock.kind
    out.findings += _about_lines(tally, context.name)
    if clock.kind == "none":
        if not tally.used:
            return out
        out.findings.append(Finding(
            "no-time", f"{context.name}: no sentence and no line carries a time (RMC, ZDA, GGA, "
            "GLL or a receive time), so nothing in it can be placed in the day; it was left out."))
        return out
    out.findings += clock.findings
    _give_streams(out, gathered, timed, clock, context)
    out.findings += _about_start(out, clock, context.name)
    return out


def _give_engines(out: Reading, engines: dict[Key, list[tuple[Floats, Floats]]],
                  shafts: set[Key], context: ReadContext) -> None:
    """Turns of the engine, the busiest of several; a shaft's are none of the engine's."""
    for _ in shafts - engines.keys():
        out.findings.append(Finding(
            "shaft-rpm", f"{context.name}: only the propeller shaft's turns are logged; a "
            "shaft may turn under sail, so they were not taken for the engine.", "note"))
    for key, several in engines.items():
        time_s, rpm = several[0] if len(several) == 1 else busiest(several)
        _add(out, key, time_s, {"engine_rpm": rpm}, context.file)


def _give_transducers(out: Reading, gathered: Gathered, clock: Clock,
                      context: ReadContext) -> None:
    """Values of XDR sentences, by channel."""
    for key, channel in sorted(gathered.transducers):
        position, value = in_order(gathered.transducers.pop((key, channel)))
        time_s = clock.at(position)
        use = np.isfinite(value) & np.isfinite(time_s)
        if use.any():
            _add(out, key, even_out(time_s[use], clock), {channel: value[use]}, context.file)


def _placed(columns: Columns, clock: Clock) -> Columns:
    """The sentences that the clock gives a time."""
    placed = np.isfinite(clock.at(columns.position))
    return columns if placed.all() else columns.take(placed)


def _give_streams(out: Reading, gathered: Gathered, timed: dict[Key, Columns], clock: Clock,
                  context: ReadContext) -> None:
    fixes = {key: (c.position, fix_is_valid("RMC", c)) for key, c in timed.items()
             if key[1] == "RMC"}
    implausible = 0
    engines: dict[Key, list[tuple[Floats, Floats]]] = {}
    # One group after the other, so that the raw columns of one make room for the next.
    keys = sorted([*timed, *gathered.groups])
    for key in keys:
        kind = key[1]
        whole = timed.pop(key) if key in timed else gathered.columns(key)
        for several in _sensors(kind, whole):
            columns = _placed(several, clock)
            decoded = TYPES[kind].decode(columns)
            implausible += decoded.implausible
            if not decoded.channels:
                continue
            time_s = _fix_time(kind, columns, clock)
            if time_s is None:
                time_s = even_out(clock.at(columns.position), clock)
            if kind == "RPM":
                rpm = decoded.channels["engine_rpm"]
                known = np.isfinite(rpm)
                engines.setdefault(key, []).append((time_s[known], rpm[known]))
                continue
            if kind == "VTG":
                _drop_without_fix(decoded.channels, columns, fixes.get((key[0], "RMC", key[2])))
            _add(out, key, time_s, decoded.channels, context.file)
    _give_engines(out, engines, {key for key in keys if key[1] == "RPM"}, context)
    _give_transducers(out, gathered, clock, context)
    if implausible:
        out.findings.append(Finding(
            "out-of-range", f"{context.name}: {count_words(implausible, 'value')} outside what "
            "the field can hold (such as a heading of 400) were taken as missing.", "note"))


def _sensors(kind: str, columns: Columns) -> Iterator[Columns]:
    """Sentences of one type that come from different sensors, each sampled at its own beat."""
    if kind == "MWV":
        label = columns.letter[2].astype(float)
    elif kind == "RPM":
        label = columns.number[2]
        label = np.where(np.isnan(label), -1.0, label)
    else:
        yield columns
        return
    for value in np.unique(label):
        mine = label == value
        yield columns if mine.all() else columns.take(mine)


def _add(out: Reading, key: Key, time_s: Floats, channels: dict[str, Floats], file: int) -> None:
    talker, kind, tag = key
    source = f"{talker} {kind}" + (f" {tag}" if tag else "")
    parts = list(_rising_parts(time_s))
    if len(parts) > MOST_PARTS:
        # No row of recordings but a disordered clock: put in order, sample by sample.
        order = np.argsort(time_s, kind="stable")
        time_s = time_s[order]
        channels = {channel: value[order] for channel, value in channels.items()}
        parts = [slice(0, time_s.size)]
    for part in parts:
        time_part = np.maximum.accumulate(time_s[part])
        for channel, value in channels.items():
            known = np.isfinite(value[part])
            if known.all():
                out.streams.append(Stream(channel, source, time_part, value[part], file))
            elif known.any():
                out.streams.append(
                    Stream(channel, source, time_part[known], value[part][known], file))


def _rising_parts(time_s: Floats) -> Iterator[slice]:
    """Stretches within which the time does not go back by more than a second."""
    back = np.flatnonzero(np.diff(time_s) < -1.0) + 1
    edges = [0, *back.tolist(), time_s.size]
    for a, b in pairwise(edges):
        if b > a:
            yield slice(a, b)


def _fix_time(kind: str, columns: Columns, clock: Clock) -> Floats | None:
    """The fix's own time, exact where the receiver prints a new one each time; else None."""
    if kind not in ("RMC", "GGA", "GLL") or clock.kind != "gps":
        return None
    second = time_of_day(columns.number[TIME_FIELD[kind]])
    told = second[np.isfinite(second)]
    if told.size < max(2.0, 0.9 * second.size) or float(np.mean(np.diff(told) != 0)) < 0.95:
        return None
    arrival = clock.at(columns.position)
    late = np.mod(arrival - second + DAY_S / 2, DAY_S) - DAY_S / 2
    # A fix reaches the logger within seconds; anything else is a glitch, told by its arrival.
    near = np.abs(late - np.nanmedian(late)) < 3.0
    if abs(float(np.nanmedian(late))) > 5.0:
        return None
    return np.where(near, arrival - late, arrival)


def _drop_without_fix(channels: dict[str, Floats], columns: Columns,
                      fixes: tuple[NDArray[np.int64], NDArray[np.bool_]] | None) -> None:
    """VTG says nothing of the fix: while the receiver's RMC is void, its zeros are no speed."""
    if fixes is None or fixes[1].all():
        return
    position, valid = fixes
    at = np.maximum(np.searchsorted(position, columns.position) - 1, 0)
    for name, value in channels.items():
        channels[name] = np.where(valid[at], value, np.nan)


def _about_lines(tally: Tally, name: str) -> list[Finding]:
    found = []
    if tally.unchecked:
        found.append(Finding(
            "no-checksum", f"{name}: {count_words(tally.unchecked, 'sentence')} had no checksum "
            "and were taken because they were complete and well formed.", "note"))
    if tally.malformed:
        found.append(Finding(
            "malformed-number", f"{name}: {count_words(tally.malformed, 'field')} held something "
            "other than a number and were taken as missing.", "note"))
    if tally.bad_tags:
        found.append(Finding(
            "tag-block", f"{name}: {count_words(tally.bad_tags, 'TAG block')} had a wrong "
            "checksum; the sentences behind them were kept.", "note"))
    return found


def _about_start(out: Reading, clock: Clock, name: str) -> list[Finding]:
    """Say it when the log began long before its first time."""
    if clock.arrived.size < 2 or not out.streams:
        return []
    first = min(float(s.time_s[0]) for s in out.streams)
    lead = float(clock.time_s[1]) - first
    if lead < 120.0:
        return []
    return [Finding(
        "time-before-fix", f"{name}: the first {span_words(lead)} were recorded before any time "
        "was known; they were placed by the pace of the sentences, so their times are rough.",
        "note", start_s=first, end_s=first + lead)]
