"""Passages of the bow or stern through the steady wind, and turns that stay on one side.

The measure is the wind's angle off the bow by the heading: steady wind direction less heading,
made continuous. Each 180 degrees of it is a side; a multiple of 360 is the bow's passage, an odd
multiple of 180 the stern's. A side counts once she lies on it clearly and stays.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind, wrap180
from sailanalysis.core.series import true_stretches
from sailanalysis.maneuvers.reasons import What
from sailanalysis.segment.grid import Grid, box_mean, side_mean
from sailanalysis.segment.steady_wind import is_from_track

Bools = NDArray[np.bool_]

BOW_CLEAR_DEG: Final = 22.0
"""Clear of the wind ahead: no boat sails closer, head to wind she wanders by as much."""
STERN_CLEAR_DEG: Final = 8.0
"""Clear of dead downwind: yaw in a following sea, averaged over a few seconds, stays below."""
BOW_STAY_S: Final = 6.0
STERN_STAY_S: Final = 10.0
TACK_TURN_DEG: Final = 40.0
"""Least turn of the bow for a tack: no boat lies closer than 2 x 25 deg, less sensor error."""
GYBE_TURN_DEG: Final = 18.0
LONGEST_PASSAGE_S: Final = 180.0
STEADY_TURN_DEG: Final = 28.0
"""Least lasting change of angle for a bear-away or head-up; wandering on a reach is less."""
LUFF_S: Final = 4.0
LUFF_TURN_DEG: Final = 12.0
"""A helm's wandering close-hauled is less."""


@dataclass(frozen=True)
class Turn:
    """One maneuver in bins of its grid.

    Attributes
    ----------
    kind : str
    left, reached : int
        Last bin clearly on the old side, first one clearly on the new.
    boundary_deg : float
        The continuous wind angle that was passed; NaN if none was.
    what : What
    """

    kind: str
    left: int
    reached: int
    boundary_deg: float
    what: What = What.PLAIN


@dataclass(frozen=True)
class _Stay:
    side: int
    first: int
    last: int


def continuous_angle(wind_deg: Floats, heading_deg: Floats) -> Floats:
    """Wind angle off the bow by the heading, continuous; even multiples of 180 start starboard."""
    angle = wind_deg - heading_deg
    good = np.isfinite(angle)
    if good.any():
        angle = angle - 360.0 * np.round(angle[good][0] / 360.0)
    return angle


def stays(angle: Floats) -> list[_Stay]:
    """Times clearly on one side, in order; consecutive ones are on different sides."""
    side = np.floor(angle / 180.0)
    to_bow = np.abs(wrap180(angle))
    to_stern = 180.0 - to_bow
    with np.errstate(invalid="ignore"):
        solid = (to_bow > BOW_CLEAR_DEG) & (to_stern > STERN_CLEAR_DEG)
    index = np.flatnonzero(solid)
    if index.size == 0:
        return []
    sides = side[index].astype(int)
    cut = np.flatnonzero(np.diff(sides) != 0) + 1
    edges = np.concatenate([[0], cut, [index.size]])
    return [_Stay(int(sides[a]), int(index[a]), int(index[b - 1]))
            for a, b in itertools.pairwise(edges)]


def find_turns(angle: Floats, heading_deg: Floats, wind_deg: Floats, speed_kn: Floats,
               grid: Grid, close_hauled_deg: float) -> list[Turn]:
    """All maneuvers of one stretch of sailing, in order of time.

    Parameters
    ----------
    angle : ndarray, shape (n,)
        Continuous wind angle, smoothed over a few seconds.
    heading_deg, wind_deg, speed_kn : ndarray, shape (n,)
    grid : Grid
    close_hauled_deg : float
        The angle she usually lies at upwind.
    """
    kept, failed = _lasting(stays(angle), angle, speed_kn, grid)
    turns: list[Turn] = list(failed)
    i = 0
    while i + 1 < len(kept):
        j = i + 1
        # Sides run through without settling belong to one turn: a circle.
        way = kept[j].side - kept[i].side
        while j + 1 < len(kept) and _passing(kept[j], heading_deg, grid) \
                and (kept[j + 1].side - kept[j].side) * way > 0:
            j += 1
        if j - i >= 2:
            turns.append(Turn("circle", kept[i].last, kept[j].first,
                              180.0 * max(kept[i].side, kept[i + 1].side)))
        else:
            turn = _passage(kept[i], kept[j], heading_deg, wind_deg, grid)
            if turn is not None:
                turns.append(turn)
        i = j
    turns += _luffs(angle, heading_deg, grid, close_hauled_deg, turns)
    turns += _same_side_turns(angle, heading_deg, grid, turns)
    return sorted(turns, key=lambda turn: turn.left)


def _lasting(all_stays: list[_Stay], angle: Floats, speed: Floats,
             grid: Grid) -> tuple[list[_Stay], list[Turn]]:
    """Join what fell back to its old side; tell failed tacks."""
    kept = list(all_stays)
    failed: list[Turn] = []
    # A side that the log hardly touches before it begins or ends is not proven.
    while len(kept) > 1 and (kept[-1].last - kept[-1].first + 1) * grid.step_s < BOW_STAY_S:
        kept.pop()
    while len(kept) > 1 and (kept[0].last - kept[0].first + 1) * grid.step_s < BOW_STAY_S:
        kept.pop(0)
    changed = True
    while changed:
        changed = False
        for k in range(1, len(kept) - 1):
            before, here, after = kept[k - 1], kept[k], kept[k + 1]
            if before.side != after.side:
                continue
            bow = max(before.side, here.side) % 2 == 0
            lasted = (here.last - here.first + 1) * grid.step_s
            if bow and not _fell_back(here, before, lasted, speed, grid):
                continue
            if not bow and lasted >= STERN_STAY_S:
                continue
            if bow:
                failed.append(Turn("luff", before.last, after.first, np.nan,
                                   What.FAILED_TACK))
            kept[k - 1:k + 2] = [_Stay(before.side, before.first, after.last)]
            changed = True
            break
    return kept, failed


def _fell_back(here: _Stay, before: _Stay, lasted_s: float, speed: Floats, grid: Grid) -> bool:
    if lasted_s < BOW_STAY_S:
        return True
    if lasted_s > 40.0:
        return False
    # Drifting in irons she may lie on the wrong side a while, but she never sails there.
    way = np.nanmax(speed[here.first:here.last + 1], initial=-np.inf)
    entry = speed[max(0, before.last - grid.bins(20.0)):before.last + 1]
    entry = entry[np.isfinite(entry)]
    return bool(entry.size and way < 0.3 * float(np.max(entry)))


def _passing(stay: _Stay, heading_deg: Floats, grid: Grid) -> bool:
    """Whether she only turned through this side, without ever steadying on it."""
    if (stay.last - stay.first) * grid.step_s > 60.0:
        return False
    # With little way on, the track follows the bow late and unevenly.
    span_s, steady_deg_s = (10.0, 1.0) if is_from_track(grid) else (3.0, 2.0)
    span = grid.bins(span_s)
    part = heading_deg[stay.first:stay.last + 1]
    if part.size <= 2 * span:
        return True
    rate = np.abs(part[span:] - part[:-span]) / (span * grid.step_s)
    rate = rate[np.isfinite(rate)]
    return bool(rate.size and rate.min() > steady_deg_s)


def _passage(a: _Stay, b: _Stay, heading_deg: Floats, wind_deg: Floats,
             grid: Grid) -> Turn | None:
    """A tack or gybe, unless it was the wind that turned."""
    boundary = 180.0 * max(a.side, b.side)
    bow = round(boundary / 180.0) % 2 == 0
    if (b.first - a.last) * grid.step_s > LONGEST_PASSAGE_S:
        return None
    span = grid.bins(12.0)
    before = slice(max(a.first, a.last - span), a.last + 1)
    after = slice(b.first, min(b.last, b.first + span) + 1)
    turned = _median(heading_deg[after]) - _median(heading_deg[before])
    shifted = _median(wind_deg[after]) - _median(wind_deg[before])
    least = TACK_TURN_DEG if bow else GYBE_TURN_DEG
    change = shifted - turned
    if not (abs(turned) >= least and np.sign(-turned) == np.sign(change)
            and abs(turned) >= 0.5 * abs(change)):
        return None
    reach = grid.bins(30.0)
    early = slice(max(a.first, a.last - reach), a.last + 1)
    late = slice(min(b.last, b.first + grid.bins(5.0)), min(b.last, b.first + reach) + 1)
    if _vane_denies(a.side, heading_deg, grid, early) \
            or _vane_denies(b.side, heading_deg, grid, late):
        return None
    return Turn("tack" if bow else "gybe", a.last, b.first, boundary)


def _vane_denies(side: int, heading_deg: Floats, grid: Grid, part: slice) -> bool:
    """Whether the vane, over half a minute, clearly shows the wind on the other side.

    The smooth wind follows a quick shift late; a boat that turns with such a shift may seem to
    pass it.
    """
    off = grid.column["twd_deg"][part] - heading_deg[part]
    off = off[np.isfinite(off)]
    if off.size < 3:
        return False
    mean = float(arctan2d(np.mean(sind(off)), np.mean(cosd(off))))
    clear = min(abs(mean), 180.0 - abs(mean)) > 5.0
    return clear and (mean > 0) != (side % 2 == 0)


def _luffs(angle: Floats, heading_deg: Floats, grid: Grid, close_hauled_deg: float,
           others: list[Turn]) -> list[Turn]:
    """Shot towards the wind and back to the same side."""
    inside = min(25.0, 0.6 * close_hauled_deg)
    to_bow = np.abs(wrap180(angle))
    side = np.floor(angle / 180.0)
    vane = _vane_off_bow(heading_deg, grid)
    with np.errstate(invalid="ignore"):
        close = to_bow < inside
    found = []
    for part in _joined(close, grid.bins(4.0)):
        if (part.stop - part.start) * grid.step_s < LUFF_S or _touches(part, others, grid):
            continue
        span = grid.bins(20.0)
        sides = (slice(max(0, part.start - span), part.start),
                 slice(part.stop, part.stop + span))
        went = side[max(0, part.start - 1)], side[min(side.size - 1, part.stop)]
        if part.start > 0 and part.stop < side.size and went[0] == went[1] \
                and all(_turned_up(angle, heading_deg, part, outside) for outside in sides) \
                and _vane_came_nearer(vane, to_bow, part, sides, grid):
            beyond = float(np.nanmin(wrap180(angle[part]) * (1.0 if went[0] % 2 == 0 else -1.0)))
            found.append(Turn("luff", part.start, part.stop, np.nan,
                              What.THROUGH_THE_WIND if beyond < -8.0 else What.PLAIN))
    return found


def _vane_off_bow(heading_deg: Floats, grid: Grid) -> Floats:
    """Measured angle off the bow, over five seconds."""
    off = grid.column["twd_deg"] - heading_deg
    bins = grid.bins(5.0)
    return np.abs(arctan2d(box_mean(sind(off), bins), box_mean(cosd(off), bins)))


def _vane_came_nearer(vane: Floats, to_bow: Floats, part: slice, sides: tuple[slice, slice],
                      grid: Grid) -> bool:
    """Whether the vane, late as it may be, saw some of the luff: else the wind turned with her."""
    inside = vane[part.start + grid.bins(3.0):part.stop + grid.bins(5.0)]
    outside = min(_median(vane[s]) for s in sides)
    nearer = min(_median(to_bow[s]) for s in sides) - _median(to_bow[part])
    if not (np.isfinite(inside).any() and np.isfinite(outside)):
        return True
    return bool(outside - _median(inside) > 0.4 * nearer)


def _turned_up(angle: Floats, heading_deg: Floats, part: slice, outside: slice) -> bool:
    """Whether the bow turned to the wind, against the sailing outside, and not the wind to it."""
    nearer = _median(np.abs(wrap180(angle[outside]))) - _median(np.abs(wrap180(angle[part])))
    way = -np.sign(_median(wrap180(angle[outside])))
    turned = way * (_median(heading_deg[outside]) - _median(heading_deg[part]))
    return bool(nearer > 10.0 and turned > max(LUFF_TURN_DEG, 0.6 * nearer))


def _same_side_turns(angle: Floats, heading_deg: Floats, grid: Grid,
                     others: list[Turn]) -> list[Turn]:
    """Lasting turns towards or away from the wind."""
    off = np.abs(wrap180(angle))
    before, after = side_mean(off, grid.bins(20.0), grid.bins(4.0))
    turned_before, turned_after = side_mean(heading_deg, grid.bins(20.0), grid.bins(4.0))
    change = after - before
    side = np.floor(angle / 180.0)
    turned = (turned_after - turned_before) * np.where(side % 2 == 0, -1.0, 1.0)
    # Bearing away turns the bow to port on starboard tack, to starboard on port tack.
    vane = _vane_off_bow(heading_deg, grid)
    seen = np.subtract(*side_mean(vane, grid.bins(20.0), grid.bins(4.0))[::-1])
    seen = np.where(np.isfinite(seen), seen, change)
    with np.errstate(invalid="ignore"):
        strong = (np.abs(change) > STEADY_TURN_DEG) & (turned * change > 0) \
            & (np.abs(turned) > 0.7 * np.abs(change)) & (seen * np.sign(change) > 0.5
                                                         * np.abs(change))
    found: list[Turn] = []
    reach = grid.bins(20.0)
    for part in true_stretches(strong):
        peak = part.start + int(np.nanargmax(np.abs(change[part])))
        window = slice(max(0, peak - reach), min(off.size, peak + reach))
        if _touches(window, others, grid, 0.0) or len(np.unique(side[window])) > 1:
            continue
        kind = "bear_away" if change[peak] > 0 else "head_up"
        found.append(Turn(kind, max(0, peak - 2), min(off.size - 1, peak + 2), np.nan))
    return found


def bounds(turn: Turn, heading_deg: Floats, rates: tuple[Floats, Floats],
           grid: Grid) -> tuple[int, int, float]:
    """First and last bin of the turning itself, and its greatest rate.

    The first of ``rates``, over five seconds so that yaw counts little, is followed outwards until
    it stays below a sixth of its greatest (or 0.8 deg/s) for three seconds.

    Returns
    -------
    start, end : int
    rate_deg_s : float
        Greatest of the second of ``rates``, over three seconds.
    """
    n = heading_deg.size
    rate, sharper = rates
    reach = grid.bins(6.0)
    core = slice(max(0, turn.left - reach), min(n, turn.reached + reach + 1))
    if not np.isfinite(rate[core]).any():
        return turn.left, turn.reached, np.nan
    sharp = sharper[core]
    net = heading_deg[core][-1] - heading_deg[core][0]
    way = np.sign(net) if turn.kind in ("tack", "gybe", "circle") and np.isfinite(net) else 0.0
    aim = sharp * way if way else np.abs(sharp)
    rate_max = float(sharp[int(np.nanargmax(aim))]) if np.isfinite(aim).any() else np.nan
    pace = rate * way if way else np.abs(rate)
    floor = max(0.8, float(np.nanmax(pace[core])) / 6.0)
    quiet = ~(pace > floor)
    hold = max(1, grid.bins(3.0))
    limit = grid.bins(40.0)
    start = turn.left
    while start > 0 and turn.left - start < limit and not quiet[max(0, start - hold):start].all():
        start -= 1
    end = turn.reached
    while end < n - 1 and end - turn.reached < limit \
            and not quiet[end + 1:min(n, end + 1 + hold)].all():
        end += 1
    return start, end, rate_max


def rate_of_turn(heading_deg: Floats, grid: Grid, window_s: float) -> Floats:
    """Rate of turn over a window, degrees a second, positive to starboard."""
    smooth = box_mean(heading_deg, grid.bins(window_s))
    half = max(1, grid.bins(window_s) // 2)
    index = np.arange(smooth.size)
    ahead, behind = np.minimum(index + half, smooth.size - 1), np.maximum(index - half, 0)
    span = np.maximum(ahead - behind, 1) * grid.step_s
    return np.asarray((smooth[ahead] - smooth[behind]) / span, dtype=float)


def _joined(mask: Bools, bins: int) -> list[slice]:
    parts: list[slice] = []
    for part in true_stretches(mask):
        if parts and part.start - parts[-1].stop <= bins:
            parts[-1] = slice(parts[-1].start, part.stop)
        else:
            parts.append(part)
    return parts


def _touches(part: slice, others: list[Turn], grid: Grid, margin_s: float = 6.0) -> bool:
    margin = grid.bins(margin_s) if margin_s else 0
    return any(part.start <= t.reached + margin and t.left - margin <= part.stop for t in others)


def _median(value: Floats) -> float:
    value = value[np.isfinite(value)]
    return float(np.median(value)) if value.size else float("nan")
