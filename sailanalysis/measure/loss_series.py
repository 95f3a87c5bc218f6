"""The series that a maneuver's cost is measured on: speed made good along the wind as it was."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.angles import Floats, arctan2d, cosd, sind, unwrap, wrap180
from sailanalysis.segment.grid import Grid, box_mean, fill_short, make_grids
from sailanalysis.segment.steady_wind import SETTLE_S, heading
from sailanalysis.series import epoch_s, true_stretches
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
        As measured also in turns: near the bow and dead aft a lagging vane spoils the direction,
        but hardly the speed, and a gust in a gybe matters.
    turning : ndarray of bool, shape (n,)
        In a maneuver, or the vane not settled after one.
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


def sailing_series(samples: pd.DataFrame, maneuvers: pd.DataFrame,
                   axis_offset_deg: float = 0.0) -> list[Series]:
    """Series of every stretch under sail that has speed, heading (or track) and wind.

    Parameters
    ----------
    samples : DataFrame, n rows
    maneuvers : DataFrame
        Through these, and until the vane has settled, the wind is drawn straight.
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
        series = _series(grid, maneuvers, axis_offset_deg) if len(grid) >= 30 else None
        if series is not None:
            out.append(series)
    lag = log_lag_s(out)
    return [_sharpened(one, lag) for one in out] if lag > 0.0 else out


def log_lag_s(series: list[Series]) -> float:
    """Seconds that the speed log lags behind the speed over ground, in the maneuvers.

    A damped log shows a tack's loss of speed late, when she points elsewhere, and so makes the
    tack look cheaper. Both speeds fall and rise together in every maneuver, whatever the current
    (it adds as much on the one tack as it takes on the other); the shift at which their changes
    agree best is the lag. A receiver that lags more than the log gives nothing to correct.

    Returns
    -------
    float
        0 with fewer than four maneuvers or without agreement.
    """
    shifts = np.arange(-4, 9)
    score, count, power = np.zeros(shifts.size), 0, np.zeros(2)
    step = 1.0
    for one in series:
        sog = one.grid.column["sog_kn"] * KN_TO_MS
        step = one.grid.step_s
        if one.over_ground or step > 1.5 or np.isfinite(sog).mean() < 0.9:
            continue
        log, ground = (np.nan_to_num(np.gradient(box_mean(v, 3))) for v in (one.speed_ms, sog))
        for part in true_stretches(one.turning):
            a, b = part.start - 12, part.stop + 20
            if a < 8 or b > log.size - 8:
                continue
            piece = log[a:b] - log[a:b].mean()
            count += 1
            power += (np.dot(piece, piece), np.dot(ground[a:b], ground[a:b]))
            score += [np.dot(piece, ground[a - k:b - k]) for k in shifts]
    if count < 4 or np.max(score) < 0.5 * np.sqrt(power[0] * power[1]):
        return 0.0
    k = int(np.clip(np.argmax(score), 1, shifts.size - 2))
    left, top, right = score[k - 1:k + 2]
    bend = left - 2.0 * top + right
    peak = shifts[k] + (0.5 * (left - right) / bend if bend < 0 else 0.0)
    return float(np.clip(peak * step, 0.0, 6.0))


def _sharpened(one: Series, lag_s: float) -> Series:
    """Speed with a first-order lag taken off: value plus lag times rate of change."""
    smooth = box_mean(one.speed_ms, one.grid.bins(3.0))
    rate = np.gradient(smooth) / one.grid.step_s
    return replace(one, speed_ms=np.maximum(one.speed_ms + lag_s * np.nan_to_num(rate), 0.0))


def _series(grid: Grid, maneuvers: pd.DataFrame, axis_offset_deg: float) -> Series | None:
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
    wind = bridged_wind_deg(grid.column["twd_deg"], turning, grid) + axis_offset_deg
    return Series(grid, head, head + leeway, wind, np.asarray(wrap180(wind - head), dtype=float),
                  speed,
                  _joined(box_mean(grid.column["tws_kn"], grid.bins(5.0))), turning, over_ground)


def bridged_wind_deg(twd: Floats, turning: Bools, grid: Grid) -> Floats:
    """Direction of the wind over some seconds, drawn straight through turns; unwrapped."""
    weight = np.where(turning, 0.0, 1.0)
    bins = grid.bins(WIND_WINDOW_S)
    direction = arctan2d(box_mean(sind(twd), bins, weight), box_mean(cosd(twd), bins, weight))
    direction[turning] = np.nan
    return _joined(unwrap(direction))


def _joined(value: Floats) -> Floats:
    good = np.isfinite(value)
    if not good.any():
        return value
    index = np.arange(value.size)
    return np.asarray(np.interp(index, index[good], value[good]), dtype=float)
