"""Steady legs: sailing on one side between maneuvers, at one angle and one speed."""

from __future__ import annotations

import itertools
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, mean_angle, wrap180
from sailanalysis.core.model import Boat
from sailanalysis.core.series import epoch_s, true_stretches, utc_index
from sailanalysis.maneuvers.find import maneuver_mask
from sailanalysis.segment.grid import Grid, box_mean, make_grids, side_mean
from sailanalysis.segment.guard import NO_SAIL_DEG
from sailanalysis.segment.steady_wind import heading, is_turning, steady_wind_deg
from sailanalysis.segment.use import is_sailed

Bools = NDArray[np.bool_]

COLUMNS: Final = (
    "start", "end", "duration_s", "side", "twa_deg", "tws_kn", "twd_deg", "stw_kn", "stw_sd_kn",
    "sog_kn", "vmg_kn", "heel_deg", "leeway_deg", "rudder_mean_deg", "helm", "sails",
    "polar_ratio",
)
_MEANS: Final = ("tws_kn", "stw_kn", "sog_kn", "vmg_kn", "heel_deg", "leeway_deg", "rudder_deg")
_GRID: Final = ("hdg_deg", "cog_deg", "twd_deg", "twa_deg", *_MEANS)

SHORTEST_S: Final = 45.0
"""Shorter than this the mean speed says more of one puff than of the boat."""
ANGLE_STEP_DEG: Final = 15.0
"""Mean angle of fifteen seconds against the fifteen before: more is a change of course."""
SPEED_STEP: Final = 0.25
"""The same for speed, as a share (half a knot at least): more is acceleration."""
SPREAD_DEG: Final = 25.0
"""A leg that drifts through more than this is two."""


def find_legs(samples: pd.DataFrame, maneuvers: pd.DataFrame, boat: Boat) -> pd.DataFrame:
    """Steady stretches of sailing.

    A leg lies on one side of the wind, outside maneuvers (from five seconds before the turn until
    the speed is back, half a minute after it where that is not known). In it the mean of fifteen
    seconds changes from one to the next by no more than 15 deg of wind angle and a quarter of the
    speed; helm and sails stay the same; it lasts 45 s; its angle does not drift through more than
    25 deg.

    Parameters
    ----------
    samples : DataFrame, n rows
    maneuvers : DataFrame
    boat : Boat

    Returns
    -------
    DataFrame, one row a leg in order of time
        Columns of the published table; ``polar_ratio`` is NaN until a polar is known.
    """
    rows: list[dict[str, object]] = []
    if len(samples) and "state" in samples:
        time = epoch_s(samples.index)
        use = is_sailed(samples)
        if use.any():
            for grid in make_grids(samples, _GRID, 10.0, use):
                rows += _grid_legs(samples, time, grid, maneuvers)
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    for name in ("start", "end"):
        seconds = table[name].to_numpy(dtype=float)
        table[name] = pd.Series(utc_index(seconds), index=table.index)
    for name in table.columns.difference(["start", "end", "side", "helm", "sails"]):
        table[name] = table[name].astype(float)
    return table


def _grid_legs(samples: pd.DataFrame, time: Floats, grid: Grid,
               maneuvers: pd.DataFrame) -> list[dict[str, object]]:
    head, basis = heading(grid)
    if basis == "none":
        return []
    turning = is_turning(head, grid)
    wind = steady_wind_deg(grid, turning)
    twa = np.asarray(wrap180(wind - head), dtype=float)
    stw = grid.column["stw_kn"]
    speed = np.where(np.isfinite(stw), stw, grid.column["sog_kn"])
    steady = is_steady(np.abs(twa), speed, grid) & ~maneuver_mask(grid.time_s, maneuvers)
    with np.errstate(invalid="ignore"):
        steady &= np.abs(twa) >= NO_SAIL_DEG
    helm, sails = _texts(samples, time, grid)
    rows = []
    for part in _alike(steady, np.sign(twa), helm, sails):
        for piece in _split(np.abs(twa), part, grid):
            if (piece.stop - piece.start) * grid.step_s >= SHORTEST_S:
                rows.append(_row(grid, piece, twa, wind, helm, sails))
    return rows


def is_steady(off_deg: Floats, speed_kn: Floats, grid: Grid) -> Bools:
    """Whether angle and speed hold by the rules of :func:`find_legs`; bins without wind do not."""
    before, after = side_mean(off_deg, grid.bins(15.0))
    slow, fast = side_mean(speed_kn, grid.bins(15.0))
    level = box_mean(speed_kn, grid.bins(30.0))
    # At the ends of the log one of the sides is empty and nothing speaks against it.
    turn = np.nan_to_num(np.abs(after - before))
    gain = np.nan_to_num(np.abs(fast - slow))
    with np.errstate(invalid="ignore"):
        return np.asarray(np.isfinite(off_deg) & np.isfinite(speed_kn) & (turn <= ANGLE_STEP_DEG)
                          & (gain <= np.maximum(SPEED_STEP * level, 0.5)), dtype=bool)


def _alike(steady: Bools, side: Floats, helm: NDArray[np.object_],
           sails: NDArray[np.object_]) -> list[slice]:
    change = np.zeros(steady.size, dtype=bool)
    for value in (side, helm, sails):
        change[1:] |= value[1:] != value[:-1]
    parts = []
    for part in true_stretches(steady):
        cuts = [part.start, *(part.start + 1 + np.flatnonzero(change[part.start + 1:part.stop])),
                part.stop]
        parts += [slice(int(a), int(b)) for a, b in itertools.pairwise(cuts)]
    return parts


def _split(off: Floats, part: slice, grid: Grid) -> list[slice]:
    """Halve a drifting leg where its two parts are most alike in themselves."""
    smooth = box_mean(off[part], grid.bins(30.0))
    least = grid.bins(SHORTEST_S)
    n = smooth.size
    if n < 2 * least or np.nanmax(smooth) - np.nanmin(smooth) <= SPREAD_DEG:
        return [part]
    value = off[part]
    count = np.arange(1, n + 1)
    total, square = np.cumsum(value), np.cumsum(value**2)
    left = square - total**2 / count
    rest = np.maximum(n - count, 1)
    right = (square[-1] - square) - (total[-1] - total) ** 2 / rest
    cut = least + int(np.argmin((left + right)[least - 1:n - least]))
    a, b = slice(part.start, part.start + cut), slice(part.start + cut, part.stop)
    return [*_split(off, a, grid), *_split(off, b, grid)]


def _texts(samples: pd.DataFrame, time: Floats,
           grid: Grid) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    at = np.clip(np.searchsorted(time, grid.time_s), 0, time.size - 1)
    out = []
    for name in ("helm", "sails"):
        if name in samples:
            out.append(samples[name].to_numpy(dtype=object)[at])
        else:
            out.append(np.full(len(grid), "", dtype=object))
    return out[0], out[1]


def _row(grid: Grid, part: slice, twa: Floats, wind: Floats, helm: NDArray[np.object_],
         sails: NDArray[np.object_]) -> dict[str, object]:
    mean = {name: _mean(grid.column[name][part]) for name in _MEANS}
    angle = float(wrap180(mean_angle(twa[part])))
    stw = grid.column["stw_kn"][part]
    sd = float(np.nanstd(stw)) if np.isfinite(stw).any() else float("nan")
    half = 0.5 * grid.step_s
    start, end = float(grid.time_s[part][0]) - half, float(grid.time_s[part][-1]) + half
    return {
        "start": start, "end": end, "duration_s": end - start,
        "side": "starboard" if angle > 0 else "port", "twa_deg": angle,
        "tws_kn": mean["tws_kn"], "twd_deg": mean_angle(wind[part]), "stw_kn": mean["stw_kn"],
        "stw_sd_kn": sd, "sog_kn": mean["sog_kn"], "vmg_kn": mean["vmg_kn"],
        "heel_deg": mean["heel_deg"], "leeway_deg": mean["leeway_deg"],
        "rudder_mean_deg": mean["rudder_deg"], "helm": helm[part][0], "sails": sails[part][0],
        "polar_ratio": np.nan,
    }


def _mean(value: Floats) -> float:
    value = value[np.isfinite(value)]
    return float(value.mean()) if value.size else float("nan")
