"""The series that a maneuver's cost is measured on: speed made good along the wind as it was."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind, unwrap, wrap180
from sailanalysis.core.series import epoch_s, true_stretches
from sailanalysis.core.units import KN_TO_MS
from sailanalysis.maneuvers.slow import slow_stretches, speed_share
from sailanalysis.segment.grid import Grid, box_mean, fill_short, make_grids
from sailanalysis.segment.steady_wind import SETTLE_S, heading
from sailanalysis.segment.use import is_sailed

Bools = NDArray[np.bool_]

COLUMNS: Final = ("hdg_deg", "cog_deg", "twd_deg", "tws_kn", "stw_kn", "sog_kn", "leeway_deg",
                  "rudder_deg", "heel_deg", "rate_of_turn_deg_s")
READ: Final = {"stw_read": "stw_kn", "sog_read": "sog_kn", "hdg_read": "hdg_deg",
               "cog_read": "cog_deg"}
CURRENT_S: Final = 600.0
"""A tidal stream changes little in ten minutes (common practice: hourly tables)."""
WIND_WINDOW_S: Final = 11.0
"""Puffs and shifts of ten seconds and more belong to the wind; quicker ones to vane and waves."""
BESIDE_S: Final = 60.0
"""Time so near a maneuver belongs to it, slowed or not: a minute in irons is part of the tack."""


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
        As the log shows it (over ground without one).
    east_ms, north_ms : ndarray, shape (n,)
        Velocity through the water: the track's less the current where the receiver is good enough,
        else the log's along the course. A log damps, reads nought when she gathers sternway, and
        knows nothing of the slide sideways; in a maneuver all three matter.
    tws_kn : ndarray, shape (n,)
        See :func:`wind_speed_kn`.
    turning : ndarray of bool, shape (n,)
        In a maneuver, or the vane not settled after one.
    over_ground : bool
    speed_read, heading_read : ndarray of bool, shape (n,)
        Bins with a reading of their own; elsewhere the value is drawn between two of them.
    slow : tuple of slice
        Stretches far slower than she is at that angle in that wind.
    """

    grid: Grid
    heading_deg: Floats
    course_deg: Floats
    wind_deg: Floats
    twa_deg: Floats
    speed_ms: Floats
    east_ms: Floats
    north_ms: Floats
    tws_kn: Floats
    turning: Bools
    over_ground: bool
    speed_read: Bools
    heading_read: Bools
    slow: tuple[slice, ...] = ()

    @property
    def time_s(self) -> Floats:
        """Seconds since 1970."""
        return self.grid.time_s

    @cached_property
    def vmg_ms(self) -> Floats:
        """Speed made good towards the wind, downwind negative."""
        return self.made_good_ms(self.wind_deg)

    def made_good_ms(self, direction_deg: Floats) -> Floats:
        """Speed made good in a direction."""
        return np.asarray(self.east_ms * sind(direction_deg)
                          + self.north_ms * cosd(direction_deg), dtype=float)

    def cut(self, first: int, last: int) -> Series:
        """The bins from ``first`` up to, not including, ``last``."""
        part = slice(first, last)
        grid = Grid(self.grid.time_s[part], self.grid.step_s,
                    {name: value[part] for name, value in self.grid.column.items()})
        return Series(grid, self.heading_deg[part], self.course_deg[part], self.wind_deg[part],
                      self.twa_deg[part], self.speed_ms[part], self.east_ms[part],
                      self.north_ms[part], self.tws_kn[part], self.turning[part],
                      self.over_ground, self.speed_read[part], self.heading_read[part])

    def readings(self, first: int, last: int) -> int:
        """Readings of speed or of heading, whichever are fewer, in the bins up to ``last``."""
        part = slice(max(0, first), last + 1)
        return int(min(self.speed_read[part].sum(), self.heading_read[part].sum()))

    def index(self, time_s: float) -> int:
        """Bin nearest an instant."""
        k = round((time_s - self.grid.time_s[0]) / self.grid.step_s)
        return int(np.clip(k, 0, len(self.grid) - 1))


def sailing_series(samples: pd.DataFrame, maneuvers: pd.DataFrame,
                   is_reading: pd.DataFrame | None = None) -> list[Series]:
    """Series of every stretch under sail that has speed, heading (or track) and wind.

    Parameters
    ----------
    samples : DataFrame, n rows
    maneuvers : DataFrame
        Through these, and until the vane has settled, the wind is drawn straight.
    is_reading : DataFrame of bool, n rows, optional
        Which samples are readings and not drawn between two; all that are known by default.
    """
    if not len(samples) or "state" not in samples:
        return []
    use = is_sailed(samples) | (_is_beside(epoch_s(samples.index), maneuvers)
                                & is_sailed(samples, slowed=True))
    if not use.any():
        return []
    out = []
    columns = samples[[name for name in COLUMNS if name in samples]].assign(
        **{name: _is_read(samples, channel, is_reading) for name, channel in READ.items()})
    for grid in make_grids(columns, (*COLUMNS, *READ), use=use):
        series = _series(grid, maneuvers) if len(grid) >= 30 else None
        if series is not None:
            out.append(series)
    tracked = [_by_track(one) for one in out]
    return tracked if _track_is_steady(out, tracked) else out


def _is_read(samples: pd.DataFrame, channel: str, is_reading: pd.DataFrame | None) -> Floats:
    """1 where a channel was read, 0 where it is missing or drawn between two readings."""
    if channel not in samples:
        return np.zeros(len(samples))
    known = samples[channel].notna().to_numpy()
    if is_reading is not None and channel in is_reading:
        known = known & is_reading[channel].reindex(samples.index, fill_value=False).to_numpy()
    return np.asarray(known, dtype=float)


def _is_beside(time: Floats, maneuvers: pd.DataFrame) -> Bools:
    """Whether an instant lies within a minute of a maneuver."""
    out = np.zeros(time.size, dtype=bool)
    for start, end in zip(epoch_s(maneuvers["start"]), epoch_s(maneuvers["end"]), strict=True):
        a, b = np.searchsorted(time, [start - BESIDE_S, end + BESIDE_S])
        out[a:b] = True
    return out


def _by_track(one: Series) -> Series:
    """Velocity over ground less the current, which is what both differ by over ten minutes.

    Whatever the log's scale is off goes into that current and out of the loss again, since the
    reference and what she did are both reckoned with it.
    """
    sog, cog = one.grid.column["sog_kn"] * KN_TO_MS, one.grid.column["cog_deg"]
    ground = (sog * sind(cog), sog * cosd(cog))
    steady = np.where(one.turning, 0.001, 1.0)
    out = []
    for over_ground, by_log in zip(ground, (one.east_ms, one.north_ms), strict=True):
        current = box_mean(over_ground - by_log, one.grid.bins(CURRENT_S), steady)
        water = over_ground - current
        out.append(np.where(np.isfinite(water), water, by_log))
    read = np.where(np.isfinite(out[0]), one.grid.column["sog_read"] > 0, one.speed_read)
    return replace(one, east_ms=out[0], north_ms=out[1], speed_read=read)


def _track_is_steady(logged: list[Series], tracked: list[Series]) -> bool:
    """Whether the receiver is there, and hardly noisier than the log over five seconds."""
    noise = np.zeros(2)
    seen = bins = 0
    for a, b in zip(logged, tracked, strict=True):
        column = a.grid.column
        seen += int((np.isfinite(column["sog_kn"]) & np.isfinite(column["cog_deg"])).sum())
        bins += len(a.grid)
        if a.over_ground:
            continue
        size = a.grid.bins(5.0)
        for k, one in enumerate((a, b)):
            jump = np.diff(box_mean(one.vmg_ms, size)[::size])
            noise[k] += float(np.nansum(np.clip(jump, -1.0, 1.0) ** 2))
    return bins > 0 and seen > 0.95 * bins and noise[1] <= 1.5**2 * noise[0]


def _series(grid: Grid, maneuvers: pd.DataFrame) -> Series | None:
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
    turning = np.zeros(len(grid), dtype=bool)
    for start, end in zip(epoch_s(maneuvers["start"]), epoch_s(maneuvers["end"]), strict=True):
        a, b = np.searchsorted(grid.time_s, [start - 3.0, end + SETTLE_S])
        turning[a:b] = True
    wind = bridged_wind_deg(grid.column["twd_deg"], turning, grid)
    course = head + leeway
    twa, tws = np.asarray(wrap180(wind - head), dtype=float), wind_speed_kn(grid, turning)
    slow = slow_stretches(speed_share(np.abs(twa), speed, tws, grid), grid)
    return Series(grid, head, course, wind, twa, speed, speed * sind(course),
                  speed * cosd(course), tws, turning, over_ground,
                  grid.column["sog_read" if over_ground else "stw_read"] > 0,
                  grid.column["hdg_read" if basis == "heading" else "cog_read"] > 0, tuple(slow))


def bridged_wind_deg(twd: Floats, turning: Bools, grid: Grid) -> Floats:
    """Direction of the wind over some seconds, drawn straight through turns; unwrapped."""
    weight = np.where(turning, 0.0, 1.0)
    bins = grid.bins(WIND_WINDOW_S)
    direction = arctan2d(box_mean(sind(twd), bins, weight), box_mean(cosd(twd), bins, weight))
    direction[turning] = np.nan
    return _joined(unwrap(direction))


def wind_speed_kn(grid: Grid, turning: Bools) -> Floats:
    """True wind speed over five seconds; in a turn the mean of measured and drawn straight.

    Damped sensors and the swinging masthead spoil it by some per cent while she turns and slows
    down, but a gust in a gybe matters as much: neither alone is to be believed.
    """
    measured = _joined(box_mean(grid.column["tws_kn"], grid.bins(5.0)))
    inside = turning.copy()
    for part in true_stretches(turning):  # the vane's direction settles later than the speed
        inside[max(part.start, part.stop - grid.bins(SETTLE_S - 5.0)):part.stop] = False
    drawn = measured.copy()
    drawn[inside] = np.nan
    return 0.5 * (measured + _joined(drawn))


def _joined(value: Floats) -> Floats:
    good = np.isfinite(value)
    if not good.any():
        return value
    index = np.arange(value.size)
    return np.asarray(np.interp(index, index[good], value[good]), dtype=float)
