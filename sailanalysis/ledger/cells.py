"""The day cut into cells, each of one kind, none counted twice.

Every second between the first and the last sure sailing belongs to just one cell: of half a minute
on a straight course, or of the part of a turn that lies in it. A cell knows what counted there as
way made: on a beat the speed made good to windward, on a run that to leeward, else the speed along
the course. A beat is told by its tacks and a run by its gybes: a course that no such turn bounds
is taken as the course she wanted.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.points import is_downwind, is_upwind
from sailanalysis.core.series import epoch_s
from sailanalysis.segment.totals import spent_seconds
from sailanalysis.segment.use import is_sailed

Bools = NDArray[np.bool_]
Ints = NDArray[np.int_]

CELL_S: Final = 30.0
"""As long as the polar's own blocks: long against waves, short against the wind's shifts."""
TURN_CELL_S: Final = 5.0
"""In a turn the angle changes within seconds."""
LEAD_S: Final = 8.0
"""The helm's preparation lies before the turn, as its loss is counted."""
SETTLED_S: Final = 20.0
"""After the turn at least so long (as the polar leaves out)."""
RECOVERIES: Final = 2.0
"""Speed that comes back exponentially lacks 5 % after its recovery and 0.25 % after two."""
LONGEST_S: Final = 240.0
"""After four minutes something else goes on."""
OTHER_COURSE_DEG: Final = 9.0
"""A lasting change of the angle by more is another course, though no turn marks it: three times
what the means of two minutes scatter by on one (a helm's wander and shifts, some 4 deg a cell)."""
LEAST_CELLS: Final = 4
"""Cells a course has at least on either side of such a change."""


class Kind(IntEnum):
    """What a cell is."""

    STRAIGHT = 0
    TURN = 1  # a tack or gybe, and until its speed is back
    WORK = 2  # a luff, a circle
    NEW_COURSE = 3  # bearing away, heading up
    SLOWED = 4  # on purpose: reefing, hove-to, head to wind
    WAITING = 5  # stopped or under engine
    DOUBTFUL = 6  # not surely sailed


_OF_TURN: Final = {"tack": Kind.TURN, "gybe": Kind.TURN, "luff": Kind.WORK, "circle": Kind.WORK,
                   "bear_away": Kind.NEW_COURSE, "head_up": Kind.NEW_COURSE}


@dataclass(frozen=True, eq=False)
class Cells:
    """Arrays of shape (n,), a value a cell, in order of time.

    Attributes
    ----------
    start_s : ndarray
        Seconds since 1970.
    seconds : ndarray
    kind : ndarray of int
        A :class:`Kind`.
    window : ndarray of int
        Row of the maneuver in whose time it lies; -1 outside.
    aim : ndarray of int
        1 on a beat, -1 on a run, 0 where the course itself counts.
    tws_kn, twa_deg, stw_kn : ndarray
        Means; the angle off the bow without its side.
    way_kn : ndarray
        Way made: along the wind on a beat or run, else along the course.
    sails : ndarray of object
    """

    start_s: Floats
    seconds: Floats
    kind: Ints
    window: Ints
    aim: Ints
    tws_kn: Floats
    twa_deg: Floats
    stw_kn: Floats
    way_kn: Floats
    sails: NDArray[np.object_]

    def __len__(self) -> int:
        return int(self.seconds.size)


def cut_cells(samples: pd.DataFrame, maneuvers: pd.DataFrame) -> Cells | None:
    """Cut a day into cells; None where nothing was surely sailed.

    Parameters
    ----------
    samples : DataFrame
        Corrected samples with ``state``; what is missing of wind and speed is unknown.
    maneuvers : DataFrame
        As published.
    """
    sure = is_sailed(samples, slowed=True)
    rows = np.flatnonzero(sure)
    if not rows.size:
        return None
    span = slice(int(rows[0]), int(rows[-1]) + 1)
    time = epoch_s(samples.index)[span]
    seconds = spent_seconds(time)
    part = samples.iloc[span]
    kind = _states(part, sure[span])
    window = _windows(time, kind, maneuvers)
    cell = _numbers(time, seconds, kind, window, _texts(part, "sails"))
    count = int(cell[-1]) + 1
    first = np.unique(cell, return_index=True)[1]

    def mean(value: Floats) -> Floats:
        good = np.isfinite(value)
        weight = np.bincount(cell[good], seconds[good], count)
        total = np.bincount(cell[good], seconds[good] * value[good], count)
        # a cell is known where most of it is
        enough = weight > 0.5 * np.bincount(cell, seconds, count)
        return np.asarray(np.divide(total, weight, out=np.full(count, np.nan),
                                    where=enough & (weight > 0)), dtype=float)

    twa = np.abs(_numbers_of(part, "twa_deg"))
    stw = _numbers_of(part, "stw_kn")
    vmg = _numbers_of(part, "vmg_kn")
    vmg = np.where(np.isfinite(vmg), vmg, stw * np.cos(np.radians(twa)))
    spent = np.asarray(np.bincount(cell, seconds, count), dtype=float)
    off, speed, good_way = mean(twa), mean(stw), mean(vmg)
    aim = _aims(kind[first], window[first], time[first], spent, off, maneuvers)
    way = np.where(aim == 0, speed, aim * good_way)
    return Cells(time[first], spent, kind[first], window[first], aim, mean(_numbers_of(
        part, "tws_kn")), off, speed, way, _texts(part, "sails")[first])


def _numbers_of(table: pd.DataFrame, name: str) -> Floats:
    if name not in table:
        return np.full(len(table), np.nan)
    return np.asarray(table[name].to_numpy(dtype=float), dtype=float)


def _texts(table: pd.DataFrame, name: str) -> NDArray[np.object_]:
    if name not in table:
        return np.full(len(table), "", dtype=object)
    return np.asarray(table[name].fillna("").to_numpy(dtype=object))


def _states(samples: pd.DataFrame, sure: Bools) -> Ints:
    """Kind of each sample before any turn is looked at."""
    out = np.where(sure, int(Kind.STRAIGHT), int(Kind.DOUBTFUL))
    if "doing" in samples:
        out[sure & (samples["doing"].to_numpy(dtype=object) != "sailing")] = Kind.SLOWED
    if "state" in samples:
        state = samples["state"].to_numpy(dtype=object)
        out[(state == "motoring") | (state == "stopped")] = Kind.WAITING
    return out


def _windows(time: Floats, kind: Ints, maneuvers: pd.DataFrame) -> Ints:
    """Row of the maneuver in whose time each sample lies; writes the kind of those samples."""
    window = np.full(time.size, -1)
    if not len(maneuvers):
        return window
    start, end = epoch_s(maneuvers["start"]), epoch_s(maneuvers["end"])
    crossing = epoch_s(maneuvers["crossing"]) if "crossing" in maneuvers else end
    crossing = np.where(np.isfinite(crossing) & (crossing > 0), crossing, end)
    back = crossing + RECOVERIES * np.nan_to_num(_numbers_of(maneuvers, "recovery_s"))
    until = np.minimum(np.maximum(end + SETTLED_S, back), end + LONGEST_S)
    kinds = maneuvers["kind"].astype(str).to_numpy()
    order = np.argsort(start, kind="stable")
    for k, row in enumerate(order):
        stop = until[row]
        if k + 1 < order.size:
            stop = min(stop, max(start[order[k + 1]] - LEAD_S, end[row]))
        a = np.searchsorted(time, start[row] - LEAD_S)
        b = np.searchsorted(time, stop)
        mine = np.arange(a, b)[kind[a:b] == Kind.STRAIGHT]
        mine = mine[window[mine] < 0]
        window[mine] = row
        kind[mine] = _OF_TURN.get(kinds[row], Kind.NEW_COURSE)
    return window


def _numbers(time: Floats, seconds: Floats, kind: Ints, window: Ints,
             sails: NDArray[np.object_]) -> Ints:
    """Number of the cell of each sample."""
    hole = np.diff(time) > seconds[:-1] + 1e-6
    code = pd.factorize(sails)[0]
    new = np.append(True, (np.diff(kind) != 0) | (np.diff(window) != 0) | (np.diff(code) != 0)
                    | hole)
    edges = np.append(np.flatnonzero(new), time.size)
    out = np.empty(time.size, dtype=int)
    number = 0
    for a, b in pairwise(edges):
        length = float(seconds[a:b].sum())
        size = CELL_S if window[a] < 0 else TURN_CELL_S
        parts = max(1, round(length / size))
        done = (np.cumsum(seconds[a:b]) - seconds[a:b]) / max(length, 1e-9)
        piece = np.minimum((done * parts).astype(int), parts - 1)
        piece = np.unique(piece, return_inverse=True)[1]
        out[a:b] = number + piece
        number = int(out[b - 1]) + 1
    return out


def _aims(kind: Ints, window: Ints, start_s: Floats, seconds: Floats, twa: Floats,
          maneuvers: pd.DataFrame) -> Ints:
    """What counts in each cell, by the course it lies on and the turns that bound that course."""
    kinds = maneuvers["kind"].astype(str).to_numpy() if len(maneuvers) else np.array([])
    along = (maneuvers["loss_along"].astype(str).to_numpy() if "loss_along" in maneuvers
             else np.full(len(maneuvers), "wind"))
    course = _courses(kind, twa)
    count = int(course.max()) + 1 if course.size else 0
    straight = (course >= 0) & (kind == Kind.STRAIGHT) & np.isfinite(twa)
    weight = np.bincount(course[straight], seconds[straight], count)
    angle = np.divide(np.bincount(course[straight], (seconds * np.nan_to_num(twa))[straight],
                                  count), weight, out=np.full(count, np.nan), where=weight > 0)
    bounds = _bounds(course, window, kinds, count)
    beat = is_upwind(angle) & np.array(["tack" in b for b in bounds], dtype=bool)
    run = is_downwind(angle) & np.array(["gybe" in b for b in bounds], dtype=bool)
    of_course = np.where(beat, 1, np.where(run, -1, 0))
    aim = np.where(course >= 0, of_course[np.maximum(course, 0)] if count else 0, 0)
    for row in np.unique(window[window >= 0]):
        if kinds[row] in ("tack", "gybe"):
            by_wind = along[row] in ("wind", "")
            aim[window == row] = (1 if kinds[row] == "tack" else -1) if by_wind else 0
    # A wait or a slowing is on the way that the sailing before it was on.
    last = 0
    for i in np.flatnonzero(np.isin(kind, (Kind.STRAIGHT, Kind.SLOWED, Kind.WAITING))):
        if kind[i] == Kind.STRAIGHT:
            last = int(aim[i])
        else:
            aim[i] = last
    return np.asarray(aim, dtype=int)


def _courses(kind: Ints, twa: Floats) -> Ints:
    """Number of the course each cell lies on; -1 in tacks, gybes, new courses and waits."""
    parting = np.isin(kind, (Kind.TURN, Kind.NEW_COURSE, Kind.WAITING))
    out = np.full(kind.size, -1)
    number, before = -1, True
    for i in range(kind.size):
        if not parting[i]:
            number += int(before)
            out[i] = number
        before = bool(parting[i])
    cuts = np.zeros(kind.size, dtype=int)
    for k in range(number + 1):
        rows = np.flatnonzero((out == k) & (kind == Kind.STRAIGHT) & np.isfinite(twa))
        cuts[[rows[i] for i in _changes(twa[rows])]] = 1
    return np.where(out >= 0, out + np.cumsum(cuts), -1)


def _changes(twa: Floats) -> list[int]:
    """Where a course's angle changes for good, by halving it at the greatest difference."""
    size = twa.size
    if size < 2 * LEAST_CELLS:
        return []
    cuts = range(LEAST_CELLS, size - LEAST_CELLS + 1)
    # the difference in units of its scatter: a change near an end must not hide in a long side
    apart = [abs(float(np.mean(twa[:c]) - np.mean(twa[c:]))) * np.sqrt(c * (size - c) / size)
             for c in cuts]
    cut = cuts[int(np.argmax(apart))]
    if abs(float(np.median(twa[:cut]) - np.median(twa[cut:]))) < OTHER_COURSE_DEG:
        return []
    return [*_changes(twa[:cut]), cut, *(cut + c for c in _changes(twa[cut:]))]


def _bounds(course: Ints, window: Ints, kinds: NDArray[Any], count: int) -> list[set[str]]:
    """Kinds of the turns at both ends of each course."""
    out: list[set[str]] = [set() for _ in range(count)]
    for i in range(1, course.size):
        for inside, outside in ((i, i - 1), (i - 1, i)):
            if course[inside] >= 0 and course[outside] < 0 and window[outside] >= 0:
                out[course[inside]].add(str(kinds[window[outside]]))
    return out
