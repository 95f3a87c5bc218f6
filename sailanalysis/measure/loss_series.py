"""The series that a maneuver's cost is measured on: speed made good along the wind as it was."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.angles import Floats, arctan2d, cosd, sind, unwrap, wrap180
from sailanalysis.segment.grid import Grid, box_mean, fill_short, make_grids
from sailanalysis.segment.steady_wind import heading, is_turning
from sailanalysis.units import KN_TO_MS

Bools = NDArray[np.bool_]

COLUMNS: Final = ("hdg_deg", "cog_deg", "twd_deg", "tws_kn", "stw_kn", "sog_kn", "leeway_deg",
                  "rudder_deg", "heel_deg", "rate_of_turn_deg_s")
WIND_WINDOW_S: Final = 11.0
"""Puffs and shifts of ten seconds and more belong to the wind; quicker ones to vane and waves."""


@dataclass(frozen=True)
class Series:
    """One stretch of sailing in bins of about a second.

    Attributes
    ----------
    grid : Grid
    heading_deg, course_deg, wind_deg : ndarray, shape (n,)
        Unwrapped; course through the water, leeway included.
    twa_deg : ndarray, shape (n,)
        Wind angle off the bow by the heading.
    speed_ms : ndarray, shape (n,)
        Through the water where logged, else over ground.
    tws_kn : ndarray, shape (n,)
        Bridged through turns, where motion and lag spoil it.
    turning : ndarray of bool, shape (n,)
    over_ground : bool
    """

    grid: Grid
    heading_deg: Floats
    course_deg: Floats
    wind_deg: Floats
    twa_deg: Floats
    speed_ms: Floats
    tws_kn: Floats
    turning: Bools
    over_ground: bool

    @property
    def time_s(self) -> Floats:
        """Seconds since 1970."""
        return self.grid.time_s

    @property
    def vmg_ms(self) -> Floats:
        """Speed made good towards the wind, downwind negative."""
        return np.asarray(self.speed_ms * cosd(self.wind_deg - self.course_deg), dtype=float)

    def index(self, time_s: float) -> int:
        """Bin nearest an instant."""
        k = round((time_s - self.grid.time_s[0]) / self.grid.step_s)
        return int(np.clip(k, 0, len(self.grid) - 1))


def sailing_series(samples: pd.DataFrame, axis_offset_deg: float = 0.0) -> list[Series]:
    """Series of every stretch under sail that has speed, heading (or track) and wind.

    Parameters
    ----------
    samples : DataFrame, n rows
    axis_offset_deg : float
        Added to the wind's direction: what the day's own symmetry says the vane is off.
    """
    if not len(samples) or "state" not in samples:
        return []
    use = samples["state"].to_numpy() == "sailing"
    if not use.any():
        return []
    out = []
    for grid in make_grids(samples[use], COLUMNS):
        series = _series(grid, axis_offset_deg) if len(grid) >= 30 else None
        if series is not None:
            out.append(series)
    return out


def _series(grid: Grid, axis_offset_deg: float) -> Series | None:
    head, basis = heading(grid)
    if basis == "none" or not np.isfinite(grid.column["twd_deg"]).any():
        return None
    stw, sog = grid.column["stw_kn"], grid.column["sog_kn"]
    over_ground = np.isfinite(stw).mean() < 0.5
    speed = fill_short(sog if over_ground else stw, grid.bins(10.0)) * KN_TO_MS
    if not np.isfinite(speed).any():
        return None
    # Along the track, leeway is in the course already.
    leeway = np.zeros(len(grid)) if basis == "track" else np.nan_to_num(grid.column["leeway_deg"])
    turning = is_turning(head, grid)
    wind = bridged_wind_deg(grid.column["twd_deg"], turning, grid) + axis_offset_deg
    return Series(grid, head, head + leeway, wind, np.asarray(wrap180(wind - head), dtype=float),
                  speed, _bridged(grid.column["tws_kn"], turning, grid), turning, over_ground)


def bridged_wind_deg(twd: Floats, turning: Bools, grid: Grid) -> Floats:
    """Direction of the wind over some seconds, drawn straight through turns; unwrapped."""
    weight = np.where(turning, 0.0, 1.0)
    bins = grid.bins(WIND_WINDOW_S)
    direction = arctan2d(box_mean(sind(twd), bins, weight), box_mean(cosd(twd), bins, weight))
    direction[turning] = np.nan
    return _joined(unwrap(direction))


def _bridged(value: Floats, turning: Bools, grid: Grid) -> Floats:
    smooth = box_mean(value, grid.bins(5.0), np.where(turning, 0.0, 1.0))
    smooth[turning] = np.nan
    return _joined(smooth)


def _joined(value: Floats) -> Floats:
    good = np.isfinite(value)
    if not good.any():
        return value
    index = np.arange(value.size)
    return np.asarray(np.interp(index, index[good], value[good]), dtype=float)
