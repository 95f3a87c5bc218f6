"""Which sailing days there are: from one night's rest to the next, a passage by local midnights.

The rule, in full:

1. She rests where she made no way (or nothing was recorded) for five hours and more that touch
   the night (22 to 6 o'clock local time); a rest parts two stretches. A lunch at anchor does not.
2. A stretch of up to 24 hours is one day, past midnight or not, and bears the date on which it
   began. A longer one is a passage and is cut at every local midnight.
3. What bears the same date is one day, unless it lasts longer than 24 hours: then it is cut as a
   passage is.
4. Nights of lying still before, between and after are cut off at midnight. Where the logs hold
   sailing, days on which she only lay still are left out, and named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from itertools import pairwise
from typing import Final

import numpy as np

from sailanalysis.read.days.activity import BLOCK_S, Activity, Blocks

REST_S: Final = 5 * 3600.0
NIGHT_FROM_H: Final = 22
NIGHT_TO_H: Final = 6
PASSAGE_S: Final = 24 * 3600.0
SLIVER_S: Final = 3600.0
"""A passage that begins or ends within an hour of midnight has no day of its own for that."""
FAR_APART_S: Final = 365 * 86400.0
"""No winter ashore lasts a year: logs further apart are a clock's mistake or another card's."""


@dataclass(frozen=True)
class Span:
    """One sailing day: its local date and its hours, seconds since 1970, the end not included.

    The spans of a card touch where nothing lies between; the first begins and the last ends with
    the records.
    """

    date: str
    start_s: float
    end_s: float


def local_zone(zone: tzinfo, longitude_deg: float) -> tzinfo:
    """The zone given; where that is UTC, the sea's own by longitude: an hour for 15 degrees."""
    named = getattr(zone, "key", "")
    if named not in ("UTC", "Etc/UTC", "") or not np.isfinite(longitude_deg):
        return zone
    return timezone(timedelta(hours=round(longitude_deg / 15.0)))


def _hours_by_day(active: Blocks, zone: tzinfo) -> list[tuple[float, float, str]]:
    """First and last instant under way of every day, and its date."""
    dated = sorted(_dated(_stretches(active, zone), zone).items())
    return [(min(a for a, _ in parts), max(b for _, b in parts), day.isoformat())
            for day, parts in dated]


def sailing_days(activity: Activity, zone: tzinfo) -> list[Span]:
    """The sailing days of some logs.

    Parameters
    ----------
    activity : Activity
    zone : tzinfo
        Local time, for nights and midnights.

    Returns
    -------
    list of Span
        In order of time; none where nothing was recorded.
    """
    active = _active(activity)
    if not active.size:
        return []
    hours = _hours_by_day(active, zone)
    first, last = (float(activity.recorded[k]) * BLOCK_S for k in (0, -1))
    cuts = [_cut(a[1], b[0], zone) for a, b in pairwise(hours)]
    begin, end = min(first, hours[0][0]), max(last + BLOCK_S, hours[-1][1])
    if hours[0][0] - begin >= REST_S:
        begin = max([begin, *_midnights(begin, hours[0][0], zone)])
    if end - hours[-1][1] >= REST_S:
        end = min([end, *_midnights(hours[-1][1], end, zone)])
    starts = [begin, *(after for _, after in cuts)]
    ends = [*(before for before, _ in cuts), end]
    return [Span(day, a, b) for (_, _, day), a, b in zip(hours, starts, ends, strict=True)]


def _active(activity: Activity) -> Blocks:
    """Blocks under way, and those of which nothing can be told; all, where she never moved.

    One lonely block under way beside hours lying is a receiver that woke up, no sailing.
    """
    silent = np.setdiff1d(activity.recorded, activity.known)
    moving = activity.under_way
    if moving.size and activity.recorded.size > 3:
        near = np.diff(moving) <= 3
        company = np.concatenate([[False], near]) | np.concatenate([near, [False]])
        alone = np.isin(moving - 1, activity.known) | np.isin(moving + 1, activity.known)
        moving = moving[company | ~alone]
    active = np.union1d(moving, silent)
    return active if active.size else activity.recorded


def _stretches(active: Blocks, zone: tzinfo) -> list[tuple[float, float]]:
    """From one night's rest to the next."""
    out = [[float(active[0]) * BLOCK_S, float(active[0] + 1) * BLOCK_S]]
    for block in active[1:].tolist():
        start = block * BLOCK_S
        if start - out[-1][1] >= REST_S and _touches_night(out[-1][1], start, zone):
            out.append([start, start])
        out[-1][1] = start + BLOCK_S
    return [(a, b) for a, b in out]


def _touches_night(start_s: float, end_s: float, zone: tzinfo) -> bool:
    begin, end = _local(start_s, zone), _local(end_s, zone)
    return (begin.date() != end.date() or begin.hour >= NIGHT_FROM_H or begin.hour < NIGHT_TO_H
            or end.hour >= NIGHT_FROM_H or end.hour < NIGHT_TO_H)


Piece = tuple[date, float, float]
"""Date that it bears, begin and end."""


def _dated(stretches: Sequence[tuple[float, float]],
           zone: tzinfo) -> dict[date, list[tuple[float, float]]]:
    """Stretches and parts of passages by their dates.

    What bears one date and yet lasts longer than a day is cut at midnights as a passage is.
    """
    pieces: list[Piece] = []
    for a, b in stretches:
        pieces += (_at_midnights(a, b, zone) if b - a > PASSAGE_S
                   else [(_local(a, zone).date(), a, b)])
    while True:
        dated: dict[date, list[tuple[float, float]]] = {}
        for day, a, b in sorted(pieces):
            dated.setdefault(day, []).append((a, b))
        shorter = [piece for day, parts in dated.items() for piece in _shortened(day, parts, zone)]
        if len(shorter) == len(pieces):
            return dated
        pieces = shorter


def _shortened(day: date, parts: list[tuple[float, float]], zone: tzinfo) -> list[Piece]:
    if len(parts) == 1 or parts[-1][1] - parts[0][0] <= PASSAGE_S:
        return [(day, a, b) for a, b in parts]
    out: list[Piece] = []
    for a, b in parts:
        cut = _at_midnights(a, b, zone, sliver_s=0.0)
        out += cut if len(cut) > 1 else [(day, a, b)]
    return out


def _at_midnights(start_s: float, end_s: float, zone: tzinfo,
                  sliver_s: float = SLIVER_S) -> list[Piece]:
    inner = [m for m in _midnights(start_s, end_s, zone)
             if m - start_s > sliver_s and end_s - m > sliver_s]
    return [(_local(a + sliver_s, zone).date(), a, b)
            for a, b in pairwise([start_s, *inner, end_s])]


def _midnights(start_s: float, end_s: float, zone: tzinfo) -> list[float]:
    """Local midnights between two instants."""
    day: date = _local(start_s, zone).date()
    out = []
    for _ in range(int((end_s - start_s) // 86400.0) + 2):
        day += timedelta(days=1)
        instant = datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()
        if start_s < instant < end_s:
            out.append(instant)
    return out


def _cut(end_s: float, start_s: float, zone: tzinfo) -> tuple[float, float]:
    """Where one day ends and the next begins, between the hours under way of the two."""
    nights = _midnights(end_s, start_s, zone)
    if nights:
        return nights[0], nights[-1]
    middle = 0.5 * (end_s + start_s)
    return middle, middle


def _local(time_s: float, zone: tzinfo) -> datetime:
    return datetime.fromtimestamp(time_s, UTC).astimezone(zone)


def near_in_time(activity: Activity, now_s: float) -> tuple[tuple[int, int], list[Activity]]:
    """The newest sailing among logs that lie more than a year apart.

    Parameters
    ----------
    activity : Activity
        At least one recorded block.
    now_s : float
        Today; what is dated later was dated by a clock that is wrong.

    Returns
    -------
    (first, last) : int
        Blocks of the sailing taken.
    rest : list of Activity
        What else there is.
    """
    recorded = activity.recorded
    edges = np.flatnonzero(np.diff(recorded) * BLOCK_S > FAR_APART_S)
    bounds = list(zip([0, *(edges + 1).tolist()], [*edges.tolist(), recorded.size - 1],
                      strict=True))
    groups = [activity.within(int(recorded[a]), int(recorded[b])) for a, b in bounds]

    def worth(group: Activity) -> tuple[bool, bool, int]:
        return (float(group.recorded[0]) * BLOCK_S < now_s + 2 * 86400.0,
                bool(_active(group).size and group.under_way.size), int(group.recorded[-1]))

    best = max(groups, key=worth)
    rest: Sequence[Activity] = [group for group in groups if group is not best]
    return (int(best.recorded[0]), int(best.recorded[-1])), list(rest)
