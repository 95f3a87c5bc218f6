"""Read an NMEA 0183 log: gather its sentences, find their times, give channels."""

from __future__ import annotations

from typing import BinaryIO

import numpy as np

from sailanalysis.model import Stream
from sailanalysis.read.clock import DAY_S, Marks, arrival_clock, attach_days
from sailanalysis.read.nmea0183_gather import Key, in_order
from sailanalysis.read.nmea0183_scan import gather
from sailanalysis.read.nmea0183_sentences import (
    TIME_FIELD,
    TIMED,
    TYPES,
    Columns,
    fix_is_valid,
)
from sailanalysis.read.reading import ReadContext, Reading


def _day_number(year: np.ndarray, month: np.ndarray, day: np.ndarray) -> np.ndarray:
    out = np.full(year.shape, np.nan)
    ok = (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31) & (year >= 1970) & (year < 2200)
    months = (year[ok] - 1970).astype(int) * 12 + month[ok].astype(int) - 1
    start = months.astype("datetime64[M]").astype("datetime64[D]").astype(float)
    out[ok] = start + day[ok] - 1
    return out


def marks_of(groups: dict[Key, Columns]) -> Marks | None:
    """All time marks of the sentences that carry one."""
    parts = []
    for (_, kind, _), c in groups.items():
        if kind not in TIMED:
            continue
        hhmmss = c.number[TIME_FIELD[kind]]
        hour, minute = np.floor(hhmmss / 1e4), np.floor(np.mod(hhmmss, 1e4) / 100)
        second = np.mod(hhmmss, 100)
        tod = np.where((hour < 24) & (minute < 60) & (second < 61),
                       3600 * hour + 60 * minute + second, np.nan)
        day = np.full(tod.shape, np.nan)
        if kind == "RMC":
            date = c.number[9]
            year = np.mod(date, 100)
            day = _day_number(np.where(year >= 80, 1900, 2000) + year,
                              np.floor(np.mod(date, 1e4) / 100), np.floor(date / 1e4))
        elif kind == "ZDA":
            day = _day_number(c.number[4], c.number[3], c.number[2])
        parts.append((c.position.astype(float), tod, day, fix_is_valid(kind, c)))
    if not parts:
        return None
    position, tod, day, valid = (np.concatenate(x) for x in zip(*parts, strict=True))
    order = np.argsort(position, kind="stable")
    order = order[np.isfinite(tod[order])]
    return Marks(position[order], tod[order], day[order], valid[order])


def read_nmea0183(handle: BinaryIO, context: ReadContext) -> Reading:
    """Channels of an NMEA 0183 log on the clock found from its time sentences."""
    gathered = gather(handle)
    tally = gathered.tally
    out = Reading("NMEA 0183", lines=tally.lines, used=tally.used,
                  ignored=sum(tally.ignored.values()), rejected=tally.rejected)
    groups = {key: gathered.columns(key) for key in list(gathered.groups)}
    marks = marks_of(groups)
    if marks is None:
        return out
    first = None if context.date is None else (context.date.toordinal() - 719163.0)
    if first is None:
        first = np.floor(context.modified_s / DAY_S)
    clock = arrival_clock(marks, attach_days(marks, first), gathered.size)
    out.clock = clock.kind
    if clock.kind == "none":
        return out
    for (talker, kind, tag), columns in groups.items():
        source = f"{talker} {kind}" + (f" {tag}" if tag else "")
        time = clock.at(columns.position.astype(float))
        for channel, value in TYPES[kind].decode(columns).channels.items():
            known = np.isfinite(value)
            out.streams.append(Stream(channel, source, time[known], value[known], context.file))
    for ((talker, kind, tag), channel), chunks in gathered.transducers.items():
        position, value = in_order(chunks)
        known = np.isfinite(value)
        if not known.any():
            continue
        source = f"{talker} {kind}" + (f" {tag}" if tag else "")
        out.streams.append(Stream(channel, source, clock.at(position[known].astype(float)),
                                  value[known], context.file))
    return out
