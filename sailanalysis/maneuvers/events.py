"""What a crew does besides plain turns, each as one event: work on board, broaches, detours.

A luff's mark is a fall of speed and the same course again within some minutes, whatever the angle:
lowering a board, a halyard, another headsail. A gybe that rounded up, a tack made instead of a
gybe, and a tack and a gybe that make one circle are joined with the turns they fell into.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, wrap180
from sailanalysis.core.points import is_downwind, is_upwind
from sailanalysis.core.stats import mad_sd
from sailanalysis.maneuvers.reasons import What
from sailanalysis.maneuvers.slow import BACK, SLOW, slow_stretches, speed_share
from sailanalysis.maneuvers.turns import Turn
from sailanalysis.segment.grid import Grid, box_mean

Bools = NDArray[np.bool_]

COURSES: Final = ("bear_away", "head_up")
LONGEST_WORK_S: Final = 300.0
"""What keeps her slow for longer is a state (hove-to, becalmed), not a luff."""
BESIDE_S: Final = 20.0
SAME_COURSE_DEG: Final = 15.0
"""A helm finds the course again to within this."""
BOW_UP_DEG: Final = 7.0
"""More than a helm's wandering, averaged over a fall of speed (sd 2-3 deg, memory ten seconds)."""
SPREADS: Final = 3.5
"""A fall by so many of the day's own standard deviations of her speed comes by chance once in 4300
looks (normal law); a day of eight hours holds some 3000, of ten seconds each, and the bow must go
up with it besides."""
FALLEN_S: Final = 3.0
STOPPING: Final = 0.65
STOPPED: Final = 0.5
STOPPING_S: Final = 10.0
"""Without the bow going up, no more than this share of her speed for so long tells work from a
lull or a bad wave."""
BUILDING_S: Final = 45.0
"""A fall that begins sooner after a turn is that turn's."""
DETOUR_S: Final = 60.0
"""From a run up to the tack, and from the tack back to a run."""
ROUND_S: Final = 120.0
ROUNDED_UP_DEG: Final = 40.0
"""Rounding up after a gybe: further than over-rotation or a wave takes her."""


@dataclass(frozen=True)
class Sailing:
    """One stretch of sailing as the finder sees it.

    Attributes
    ----------
    off_deg : ndarray, shape (n,)
        The wind's angle off the bow without sign, over some seconds.
    side : ndarray, shape (n,)
        Which multiple of 180 deg of the continuous angle she lies in.
    head_deg : ndarray, shape (n,)
        Continuous.
    share : ndarray, shape (n,)
        Speed over the usual, for the more forgiving of two laws of the wind.
    spread : float
        Robust standard deviation of the share.
    grid : Grid
    """

    off_deg: Floats
    side: Floats
    head_deg: Floats
    share: Floats
    spread: float
    grid: Grid


def sailing_of(angle_deg: Floats, head_deg: Floats, speed_kn: Floats, grid: Grid) -> Sailing:
    """The finder's view of a stretch.

    Parameters
    ----------
    angle_deg : ndarray, shape (n,)
        Continuous wind angle.
    head_deg, speed_kn : ndarray, shape (n,)
    grid : Grid
        With ``tws_kn``.
    """
    off = np.abs(wrap180(angle_deg))
    # Speed goes with the wind's square root in a breeze, with the wind itself in light air.
    share = np.fmax(*(speed_share(off, speed_kn, grid.column["tws_kn"], grid, power)
                      for power in (0.5, 1.0)))
    known = share[np.isfinite(share)]
    return Sailing(box_mean(off, grid.bins(3.0)), np.floor(angle_deg / 180.0), head_deg, share,
                   mad_sd(known) if known.size else float("nan"), grid)


def with_events(turns: list[Turn], one: Sailing) -> list[Turn]:
    """The turns with what belongs together joined, and the work on board between them."""
    joined = [_detour(turn, one) if turn.kind == "tack" else turn for turn in turns]
    joined = [_broach(turn, one) if turn.kind == "gybe" else turn
              for turn in _circles(joined, one)]
    whole = [turn for turn in joined if turn.what is not What.PLAIN]
    beside = one.grid.bins(BESIDE_S)
    joined = [turn for turn in joined if turn in whole or not any(
        other.left <= turn.reached
        and turn.left <= other.reached + (beside if turn.kind in COURSES else 0)
        for other in whole)]
    return sorted(_with_work(joined, one), key=lambda turn: turn.left)


def _circles(turns: list[Turn], one: Sailing) -> list[Turn]:
    """A tack and a gybe that go the same way round, one soon after the other, are one circle."""
    out: list[Turn] = []
    for turn in turns:
        last = next((other for other in reversed(out) if other.kind in ("tack", "gybe", "circle")),
                    None)
        back = None if last is None else _one_circle(last, turn, one)
        if last is None or back is None:
            out.append(turn)
            continue
        out = [other for other in out if other.left < last.left]
        out.append(Turn("circle", last.left, back, last.boundary_deg))
    return [replace(turn, what=_circle_word(turn, one)) if turn.kind == "circle" else turn
            for turn in out]


def _one_circle(first: Turn, second: Turn, one: Sailing) -> int | None:
    """Bin at which she is back on the course before both turns, if they go once round."""
    plain = first.what is What.PLAIN and second.what is What.PLAIN
    soon = (second.left - first.reached) * one.grid.step_s <= ROUND_S
    if {first.kind, second.kind} != {"tack", "gybe"} or not (plain and soon):
        return None
    before = one.head_deg[max(0, first.left - one.grid.bins(BESIDE_S)):first.left + 1]
    after = one.head_deg[second.reached:second.reached + one.grid.bins(DETOUR_S) + 1]
    turned = np.abs(after - _quantile(before)) - 360.0
    back = np.flatnonzero(np.abs(turned) < SAME_COURSE_DEG)
    return second.reached + int(back[0]) if back.size else None


def _circle_word(turn: Turn, one: Sailing) -> What:
    inside = one.share[turn.left:turn.reached + 1]
    still = np.nansum(inside < STOPPED) * one.grid.step_s
    return What.ROUND_WITH_A_STOP if still > STOPPING_S else What.ONCE_ROUND


def _detour(tack: Turn, one: Sailing) -> Turn:
    """A tack that leads from a run to a run, with all that lies between the two."""
    reach = one.grid.bins(DETOUR_S)
    with np.errstate(invalid="ignore"):
        run = box_mean(is_downwind(one.off_deg).astype(float), one.grid.bins(5.0)) > 0.9
    before = np.flatnonzero(run[max(0, tack.left - reach):tack.left + 1])
    after = np.flatnonzero(run[tack.reached:tack.reached + reach + 1])
    if not (before.size and after.size):
        return tack
    return replace(tack, left=max(0, tack.left - reach) + int(before[-1]),
                   reached=tack.reached + int(after[0]), what=What.INSTEAD_OF_A_GYBE)


def _broach(gybe: Turn, one: Sailing) -> Turn:
    """A gybe after which she rounded up, until she runs again."""
    grid = one.grid
    early = one.off_deg[max(0, gybe.left - grid.bins(BESIDE_S)):gybe.left + 1]
    late = slice(gybe.reached, gybe.reached + grid.bins(DETOUR_S) + 1)
    off, share = one.off_deg[late], one.share[late]
    if not (np.isfinite(early).any() and np.isfinite(off).any()):
        return gybe
    course = _quantile(early)
    up = int(np.nanargmin(off))
    if off[up] > course - ROUNDED_UP_DEG or not (share[up:] < BACK).any():
        return gybe
    back = np.flatnonzero(one.off_deg[gybe.reached + up:gybe.reached + up + grid.bins(ROUND_S)]
                          > course - SAME_COURSE_DEG)
    if not back.size:
        return gybe
    return replace(gybe, reached=gybe.reached + up + int(back[0]), what=What.BROACH)


def _with_work(turns: list[Turn], one: Sailing) -> list[Turn]:
    """Falls of speed after which she took up her course again; course changes inside are theirs."""
    passing = [t for t in turns if t.kind not in COURSES]
    found = []
    for part in slow_stretches(one.share, one.grid):
        work = _work(part, one)
        if work is not None and not any(_near(work, other, one.grid) for other in passing):
            found.append(work)
    rest = [t for t in turns if t in passing or not any(
        work.left - one.grid.bins(BESIDE_S) <= t.reached
        and t.left <= work.reached + one.grid.bins(2 * BESIDE_S) for work in found)]
    return [*rest, *found]


def _near(work: Turn, other: Turn, grid: Grid) -> bool:
    return work.left <= other.reached + grid.bins(BUILDING_S) \
        and other.left <= work.reached + grid.bins(BESIDE_S)


def _work(part: slice, one: Sailing) -> Turn | None:
    """The luff of a slow stretch, if she came back to her course and the wind did not do it."""
    grid = one.grid
    beside = grid.bins(BESIDE_S)
    before, after = slice(part.start - beside, part.start), slice(part.stop, part.stop + beside)
    if (part.stop - part.start) * grid.step_s > LONGEST_WORK_S or before.start < 0 \
            or after.stop > one.share.size:
        return None
    off = [_quantile(one.off_deg[s]) for s in (before, after)]
    turned = _quantile(one.head_deg[after]) - _quantile(one.head_deg[before])
    same_side = np.unique(one.side[slice(before.start, after.stop)]).size == 1
    if not (abs(off[0] - off[1]) < SAME_COURSE_DEG and abs(turned) < 1.5 * SAME_COURSE_DEG
            and same_side):
        return None
    low = part.start + _last_low(one.share[part])
    up = _bow_up_deg(part.start, low, (before, after), one)
    if not _fell(one.share[part], up, one):
        return None
    rounded = off[0] > 110.0 and is_upwind(off[0] - up)
    word = What.BROACH if rounded else What.PLAIN if up >= BOW_UP_DEG else What.SLOWED
    return Turn("luff", part.start, low, float("nan"), word)


def _fell(share: Floats, up_deg: float, one: Sailing) -> bool:
    """Whether a fall of speed is more than the day's unsteadiness."""
    below, seconds = (min(SLOW, 1.0 - SPREADS * one.spread), FALLEN_S) if up_deg >= BOW_UP_DEG \
        else (min(STOPPING, 1.0 - 1.5 * SPREADS * one.spread), STOPPING_S)
    return bool(np.nansum(share < below) * one.grid.step_s >= seconds)


def _last_low(share: Floats) -> int:
    """Where the speed begins to come back: the last bin near its lowest."""
    least = float(np.nanmin(share))
    return int(np.flatnonzero(share <= least + 0.1 * (BACK - least))[-1])


def _bow_up_deg(start: int, low: int, beside: tuple[slice, slice], one: Sailing) -> float:
    """How far the bow, not the wind, went up in a fall of speed, from the course on both sides."""
    fall = slice(max(0, start - one.grid.bins(8.0)), max(low, start + one.grid.bins(4.0)) + 1)
    off, head = (0.5 * sum(_quantile(value[part]) for part in beside)
                 for value in (one.off_deg, one.head_deg))
    nearer = off - _quantile(one.off_deg[fall], 0.25)
    way = 1.0 if one.side[start] % 2 == 0 else -1.0  # on starboard tack the wind is to the right
    return min(nearer, 1.5 * _quantile(way * (one.head_deg[fall] - head), 0.75))


def _quantile(value: Floats, share: float = 0.5) -> float:
    """Quantile of what is known; NaN of nothing."""
    known = value[np.isfinite(value)]
    return float(np.quantile(known, share)) if known.size else float("nan")
