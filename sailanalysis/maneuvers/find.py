"""Maneuvers of the day: what she did, when the bow or stern passed the wind, angles and speeds."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, mean_angle, wrap180
from sailanalysis.core.model import Boat
from sailanalysis.core.points import is_upwind
from sailanalysis.core.series import epoch_s, step_s
from sailanalysis.core.stats import finite_mean
from sailanalysis.maneuvers.events import sailing_of, with_events
from sailanalysis.maneuvers.table import Found, found_table
from sailanalysis.maneuvers.turns import Turn, bounds, continuous_angle, find_turns, rate_of_turn
from sailanalysis.segment.grid import Grid, box_mean, make_grids
from sailanalysis.segment.steady_wind import (
    heading,
    is_from_track,
    is_turning,
    steady_wind_deg,
)
from sailanalysis.segment.use import is_under_way

Bools = NDArray[np.bool_]

GRID_COLUMNS: Final = ("hdg_deg", "cog_deg", "twd_deg", "twa_deg", "tws_kn", "stw_kn", "sog_kn")
BESIDE_S: Final = 30.0
"""Whether she sailed is asked from so long before a turn until so long after it."""
AROUND_S: Final = 60.0
"""Steady sailing up to this long on either side tells the wind's direction there."""
USUAL_CLOSE_HAULED_DEG: Final = 42.0
"""A cruising yacht's, until the day shows her own (common practice 38-50 deg)."""


@dataclass(frozen=True)
class Around:
    """Steady sailing just before and just after a turn, in bins, and its wind's direction."""

    before: slice
    after: slice
    wind_before_deg: float
    wind_after_deg: float


def find_maneuvers(samples: pd.DataFrame, boat: Boat) -> pd.DataFrame:
    """Tacks, gybes, luffs, bear-aways, head-ups and circles, under sail more likely than not.

    Parameters
    ----------
    samples : DataFrame, n rows
        UTC index; ``state`` and ``twd_deg``, with ``hdg_deg`` or else ``cog_deg`` and ``sog_kn``.
    boat : Boat

    Returns
    -------
    DataFrame, one row a maneuver in order of time
        What was found, of the published table. ``turn_deg`` and ``max_rate_of_turn_deg_s`` are
        signed, positive to starboard; ``start`` and ``end`` bound the turning; ``crossing`` is
        empty where neither bow nor stern passed the wind; ``what`` says what it was beyond its
        kind, ``twd_deg`` is the wind's direction at it. Costs are joined by ``rate_maneuvers``.

    Notes
    -----
    The wind's direction at the crossing is drawn through the turn from up to a minute of steady
    sailing on either side (:mod:`sailanalysis.segment.steady_wind`).
    """
    found: list[Found] = []
    if len(samples) and "state" in samples:
        time = epoch_s(samples.index)
        stretches = _sailing_stretches(samples, is_under_way(samples))
        close_hauled = _close_hauled_deg(stretches)
        for stretch in stretches:
            found += _stretch_maneuvers(samples, time, stretch, close_hauled)
        found = _under_sail(samples, time, found)
    return found_table(found)


def _under_sail(samples: pd.DataFrame, time: Floats, found: list[Found]) -> list[Found]:
    """Mark each turn with how probable it is that she sailed; an engine's are no maneuvers."""
    sailing = (samples["state"].to_numpy(dtype=object) == "sailing").astype(float)
    if "sailing_probability" in samples:
        sailing = samples["sailing_probability"].to_numpy(dtype=float)
    out = []
    for one in found:
        a, b = np.searchsorted(time, [one.start - BESIDE_S, one.end + BESIDE_S])
        probability = finite_mean(sailing[a:max(b, a + 1)])
        if probability > 0.5:
            out.append(replace(one, sailing_probability=probability))
    return out


@dataclass(frozen=True)
class _Stretch:
    """Unbroken sailing: heading, where it comes from, whether she turns, the steady wind.

    ``angle`` is the wind's off the bow, continuous.
    """

    grid: Grid
    head: Floats
    basis: str
    turning: Bools
    wind: Floats
    angle: Floats
    speed: Floats


def _sailing_stretches(samples: pd.DataFrame, sailing: Bools) -> list[_Stretch]:
    """Stretches of sailing with a heading; what lies outside is not seen at all."""
    out = []
    for grid in make_grids(samples, GRID_COLUMNS, use=sailing):
        head, basis = heading(grid)
        if len(grid) >= 10 and basis != "none":
            turning = is_turning(head, grid)
            wind, stw = steady_wind_deg(grid, turning), grid.column["stw_kn"]
            speed = np.where(np.isfinite(stw), stw, grid.column["sog_kn"])
            out.append(_Stretch(grid, head, basis, turning, wind, continuous_angle(wind, head),
                                speed))
    return out


def _close_hauled_deg(stretches: list[_Stretch]) -> float:
    """The angle she lies at upwind: the lower quarter of what was sailed upwind."""
    seen = []
    for one in stretches:
        off = np.abs(wrap180(one.wind - one.head))
        seen.append(off[~one.turning & (off > 25.0) & is_upwind(off)])
    angles = np.concatenate(seen) if seen else np.empty(0)
    return float(np.percentile(angles, 25)) if angles.size >= 120 else USUAL_CLOSE_HAULED_DEG


def _stretch_maneuvers(samples: pd.DataFrame, time: Floats, stretch: _Stretch,
                       close_hauled: float) -> list[Found]:
    grid, head, turning = stretch.grid, stretch.head, stretch.turning
    if not np.isfinite(grid.column["twd_deg"]).any():
        return []
    turns = find_turns(box_mean(stretch.angle, grid.bins(3.0)), head, stretch.wind, stretch.speed,
                       grid, close_hauled)
    turns = with_events(turns, sailing_of(stretch.angle, head, stretch.speed, grid))
    rates = rate_of_turn(head, grid, 5.0), rate_of_turn(head, grid, 3.0)
    limits = _apart(turns, [bounds(turn, head, rates, grid) for turn in turns])
    out = []
    for k, (turn, (start, end, rate)) in enumerate(zip(turns, limits, strict=True)):
        floor = limits[k - 1][1] if k else 0
        ceiling = limits[k + 1][0] if k + 1 < len(turns) else len(grid)
        around = _around(grid, turning, start, end, floor, ceiling)
        crossing = _crossing_s(samples, time, stretch, turn, around)
        out.append(_found(samples, time, stretch, _Limits(turn, start, end, rate, crossing,
                                                          around)))
    return out


def _apart(turns: list[Turn],
           limits: list[tuple[int, int, float]]) -> list[tuple[int, int, float]]:
    """The same, each maneuver ending before the next begins."""
    out = list(limits)
    for k in range(len(out) - 1):
        (start, end, rate), (second, last, other) = out[k], out[k + 1]
        if end > second:
            cut = max(start, min(end, max(turns[k].reached, turns[k + 1].left)))
            out[k], out[k + 1] = (start, cut, rate), (max(second, cut), max(last, cut), other)
    return out


@dataclass(frozen=True)
class _Limits:
    """A turn between its bins, its greatest rate, the instant of crossing, the sailing around."""

    turn: Turn
    start: int
    end: int
    rate_deg_s: float
    crossing_s: float
    around: Around


def _around(grid: Grid, turning: Bools, start: int, end: int, floor: int,
            ceiling: int) -> Around:
    reach = grid.bins(AROUND_S)
    before = slice(max(floor, start - reach), max(floor, start) + 1)
    after = slice(min(ceiling, end), max(min(ceiling, end + reach), end + 1))
    return Around(before, after, _mean_wind(grid, turning, before),
                  _mean_wind(grid, turning, after))


def _mean_wind(grid: Grid, turning: Bools, part: slice) -> float:
    steady = ~turning[part]
    twd = grid.column["twd_deg"][part]
    use = steady if np.isfinite(twd[steady]).sum() >= 5 else np.zeros(twd.size, dtype=bool)
    return mean_angle(twd[use]) if use.any() else float("nan")


def _wind_line(grid: Grid, wind: Floats, around: Around, at_s: Floats) -> Floats:
    """Wind direction through the turn, unwrapped near the smooth one, at some instants."""
    part = slice(around.before.start, max(around.after.stop, around.before.start + 1))
    good = np.isfinite(wind[part])
    clock, wind = grid.time_s[part][good], wind[part][good]
    if not clock.size:
        return np.full(at_s.shape, np.nan)
    middle = np.interp(at_s, clock, wind)
    sides = []
    for part, direction in ((around.before, around.wind_before_deg),
                            (around.after, around.wind_after_deg)):
        centre = grid.time_s[part].mean() if grid.time_s[part].size else np.nan
        near = np.interp(centre, clock, wind)
        sides.append((centre, near + float(wrap180(direction - near))))
    (t0, w0), (t1, w1) = sides
    if not (np.isfinite(w0) and np.isfinite(w1) and t1 > t0):
        return np.asarray(middle, dtype=float)
    # Sensors that disagree between the tacks by an equal amount each way cancel half-way.
    return np.asarray(np.interp(at_s, [t0, t1], [w0, w1]), dtype=float)


def _crossing_s(samples: pd.DataFrame, time: Floats, stretch: _Stretch, turn: Turn,
                around: Around) -> float:
    """Instant the heading passes the wind (or its reverse), from the samples themselves."""
    if not np.isfinite(turn.boundary_deg):
        return float("nan")
    grid, wind = stretch.grid, stretch.wind
    t0, t1 = grid.time_s[turn.left] - 2.0, grid.time_s[turn.reached] + 2.0
    near = slice(max(0, turn.left - grid.bins(10.0)), turn.reached + grid.bins(10.0))
    clock, head, bearing = grid.time_s[near], stretch.head[near], wind[near]
    # The wind drawn through this very turn, against the one that was smoothed for the whole day.
    line = _wind_line(grid, wind, around, clock)
    rough = stretch.angle[near] - turn.boundary_deg + line - bearing
    known = np.isfinite(rough)
    a, b = np.searchsorted(time, [t0, t1])
    raw = _bow(samples, grid, stretch.basis)[a:b]
    good = np.isfinite(raw)
    at = time[a:b][good]
    if at.size >= 4:
        smooth = np.interp(at, clock[known], head[known])
        fine = smooth + wrap180(raw[good] - smooth)
        fine = _smooth(fine, max(1, round(1.0 / max(step_s(at), 0.05))))
        past = np.interp(at, clock[known], rough[known]) - (fine - smooth)
    else:
        inside = known & (clock >= grid.time_s[turn.left]) & (clock <= grid.time_s[turn.reached])
        if inside.sum() < 2:  # a long hole, drawn straight through
            inside = known & (clock >= t0) & (clock <= t1)
        at, past = clock[inside], rough[inside]
    change = np.flatnonzero(past[:-1] * past[1:] <= 0)
    change = change[past[change + 1] != past[change]]
    if change.size == 0:
        return float(at[int(np.argmin(np.abs(past)))]) if at.size else float("nan")
    k = int(change[-1])
    share = past[k] / (past[k] - past[k + 1])
    return float(at[k] + share * (at[k + 1] - at[k]))


def _bow(samples: pd.DataFrame, grid: Grid, basis: str) -> Floats:
    """The samples' own direction of the bow, by what :func:`heading` went by."""
    if basis == "track" and is_from_track(grid):
        return np.asarray(samples["twd_deg"] - samples["twa_deg"], dtype=float)
    return np.asarray(samples["hdg_deg" if basis == "heading" else "cog_deg"], dtype=float)


def _smooth(value: Floats, width: int) -> Floats:
    return value if width < 2 else box_mean(value, width | 1)


def _found(samples: pd.DataFrame, time: Floats, stretch: _Stretch, limits: _Limits) -> Found:
    grid, speed, around = stretch.grid, stretch.speed, limits.around
    start, end, crossing = limits.start, limits.end, limits.crossing_s
    first = min(around.before.start, end)  # the turning before may end later than this one
    local = slice(first, max(around.after.stop, end + 1))
    line = _wind_line(grid, stretch.wind, around, grid.time_s[local])
    twa = wrap180(line - stretch.head[local])
    settle = grid.bins(20.0)
    before, after = around.before, around.after
    near_before = slice(max(before.start, before.stop - grid.bins(30.0)), before.stop)
    late_after = slice(min(after.start + settle, max(after.start, after.stop - settle)), after.stop)
    twa_before, twa_after = (_angle_mean(twa[part.start - first:part.stop - first])
                             for part in (near_before, late_after))
    through = slice(start, min(len(grid), end + grid.bins(10.0) + 1))
    middle = crossing if np.isfinite(crossing) else float(
        0.5 * (grid.time_s[start] + grid.time_s[end]))
    return Found(
        kind=limits.turn.kind, start=float(grid.time_s[start]), end=float(grid.time_s[end]),
        crossing=crossing, from_side=_side(twa_before), to_side=_side(twa_after),
        twa_before_deg=twa_before, twa_after_deg=twa_after,
        tws_kn=finite_mean(grid.column["tws_kn"][slice(before.start, after.stop)]),
        turn_deg=float(stretch.head[end] - stretch.head[start]),
        max_rate_of_turn_deg_s=limits.rate_deg_s, stw_before_kn=finite_mean(speed[near_before]),
        stw_min_kn=_least(speed[through]), stw_after_kn=finite_mean(speed[late_after]),
        helm=_text(samples, "helm", time, middle), sails=_text(samples, "sails", time, middle),
        what=limits.turn.what,
        twd_deg=float(np.mod(np.interp(middle, grid.time_s[local], line), 360.0)))


def _side(twa_deg: float) -> str:
    if not np.isfinite(twa_deg):
        return ""
    return "starboard" if twa_deg > 0 else "port"


def _angle_mean(angle: Floats) -> float:
    return float(wrap180(mean_angle(angle))) if np.isfinite(angle).any() else float("nan")


def _least(value: Floats) -> float:
    value = value[np.isfinite(value)]
    return float(value.min()) if value.size else float("nan")


def _text(samples: pd.DataFrame, name: str, time: Floats, at_s: float) -> str:
    if name not in samples:
        return ""
    value = samples[name].iloc[min(int(np.searchsorted(time, at_s)), time.size - 1)]
    return value if isinstance(value, str) else ""


def maneuver_mask(time_s: Floats, maneuvers: pd.DataFrame, before_s: float = 5.0,
                  after_s: float = 30.0, kinds: tuple[str, ...] | None = None) -> Bools:
    """Whether an instant lies in or near a maneuver.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    maneuvers : DataFrame
    before_s, after_s : float
        Margins before the start and after the end (or the recovery, where it is known).
    kinds : tuple of str, optional
    """
    near = np.zeros(time_s.size, dtype=bool)
    if not len(maneuvers):
        return near
    start, end = epoch_s(maneuvers["start"]), epoch_s(maneuvers["end"])
    crossing = maneuvers["crossing"]
    last = end + after_s
    if "recovery_s" in maneuvers:
        recovered = np.where(crossing.notna(), epoch_s(crossing.fillna(maneuvers["end"])), end) \
            + maneuvers["recovery_s"].to_numpy(dtype=float)
        last = np.fmax(last, recovered)
    for k, kind in enumerate(maneuvers["kind"]):
        if kinds is None or kind in kinds:
            a, b = np.searchsorted(time_s, [start[k] - before_s, last[k]])
            near[a:b] = True
    return near
