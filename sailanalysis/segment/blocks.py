"""The day in blocks of ten seconds, each with what is known of the minute or minutes around it.

Wind, sea and helm change over tens of seconds to minutes, so that neighbouring seconds say much the
same twice. Evidence is therefore taken from means over windows, block by block, and each block
counts as the share of independent time that it is (:mod:`sailanalysis.segment.evidence`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind, unwrap, wrap180
from sailanalysis.core.geo import local_xy_m
from sailanalysis.core.units import KN_TO_MS
from sailanalysis.segment.grid import Grid, box_mean, make_grids

BLOCK_S: Final = 10.0
MINUTE_S: Final = 60.0
PLACE_S: Final = 120.0
"""Over this the receiver's wander is small against a drift of half a knot (31 m)."""
KEPT_S: Final = 600.0
WANDER_M: Final = 12.0
"""Slow wander of a single-frequency receiver in two minutes (common practice)."""
GUST_S: Final = 300.0
"""Holds a dozen gusts of 20-30 s, and is short against a change of plan."""
GUST_ROWS: Final = 15
COARSE_S: Final = 12.0
"""Rows further apart than this see no single gust."""
FOULED_KN: Final = 3.5
"""Few streams carry a drifting boat faster, and then hardly bow first."""
STEER_S: Final = 30.0
"""Longer than yaw in waves and a helm's own wander, shorter than the wind's shifts."""
ANSWER_S: Final = 12.0
"""A boat answers a gust in 5-25 s (common practice for dinghy to cruising yacht)."""
TURN_LEGS_S: Final = 80.0
_COLUMNS = ("lat", "lon", "sog_kn", "cog_deg", "stw_kn", "hdg_deg", "awa_deg", "twa_deg", "tws_kn",
            "aws_kn", "heel_deg", "twd_deg")


@dataclass(frozen=True)
class Blocks:
    """A row a block of the whole day; every array has shape (n,), NaN where the log is silent.

    Attributes
    ----------
    time_s, block_s : ndarray
        Middle and length of each block.
    stw_kn, sog_kn : ndarray
        Mean speed over half a minute, through the water and over ground.
    made_kn : ndarray
        Size of the patch she covered in two minutes, as a speed; the receiver's wander taken off.
    kept_kn : ndarray
        The same over ten minutes: at anchor she keeps her place, however she swings.
    off_deg, apparent_deg : ndarray
        Angle of the true and of the apparent wind off the bow, without its side.
    far_deg, near_deg : ndarray
        Largest and smallest ``off_deg`` within a minute about the block: a luff or a tack is soon
        over, and she carries her way through it.
    side : ndarray
        1 where the wind comes over starboard, -1 over port.
    tws_kn, aws_kn : ndarray
    lee_deg : ndarray
        Heel to leeward, a minute's mean.
    crab_deg : ndarray
        Angle between heading and course over ground.
    answer, answer_sd : ndarray
        Share by which her speed follows the wind's (1 is in proportion), over five minutes.
    uneven : ndarray
        Standard deviation of her speed over five minutes as a share of it.
    follows, follows_sd : ndarray
        Slope of her heading on the wind's direction over ten minutes on one course (1: steered by
        the wind, 0: by a compass), and its error.
    lee_way_deg : ndarray
        Angle between the course over ground and straight down the wind.
    tacked : ndarray
        1 in the two legs beside a turn of the bow (-1: of the stern) through the wind between
        mirrored angles, as tacks (gybes) are; 0.5 beside one of the bow between others.
    fading : ndarray
        1 where she loses a fifth of her speed within a minute.
    """

    time_s: Floats
    block_s: Floats
    stw_kn: Floats
    sog_kn: Floats
    made_kn: Floats
    kept_kn: Floats
    off_deg: Floats
    far_deg: Floats
    near_deg: Floats
    apparent_deg: Floats
    side: Floats
    tws_kn: Floats
    aws_kn: Floats
    lee_deg: Floats
    crab_deg: Floats
    answer: Floats
    answer_sd: Floats
    uneven: Floats
    follows: Floats
    follows_sd: Floats
    lee_way_deg: Floats
    tacked: Floats
    fading: Floats

    @property
    def speed_kn(self) -> Floats:
        """Through the water where it is logged, else over ground."""
        return np.where(np.isfinite(self.stw_kn), self.stw_kn, self.sog_kn)

    def __len__(self) -> int:
        return int(self.time_s.size)


def make_blocks(samples: pd.DataFrame) -> Blocks:
    """Cut a day into blocks.

    Parameters
    ----------
    samples : DataFrame, n rows
        With true wind, as from ``wind.wind_and_water``; columns may be missing.
    """
    parts = [_grid_blocks(grid) for grid in make_grids(samples, _COLUMNS)]
    return Blocks(**{name: np.concatenate([p[name] for p in parts]) for name in parts[0]})


def _grid_blocks(grid: Grid) -> dict[str, Floats]:
    col, n = grid.column | {"stw_kn": _log_running(grid)}, len(grid)
    width = grid.bins(BLOCK_S)
    starts = np.arange(0, n, width)
    middle = np.minimum(starts + width // 2, n - 1)
    length = (np.minimum(starts + width, n) - starts) * grid.step_s
    mean = {name: box_mean(col[name], grid.bins(30.0)) for name in
            ("stw_kn", "sog_kn", "tws_kn", "aws_kn")}
    head = np.where(np.isfinite(col["hdg_deg"]), col["hdg_deg"], col["cog_deg"])
    east, north = (box_mean(col["sog_kn"] * f(col["cog_deg"]), grid.bins(30.0))
                   for f in (sind, cosd))
    going = arctan2d(east, north)
    crab = np.abs(wrap180(going - _mean_angle(col["hdg_deg"], grid.bins(30.0))))
    twa = _mean_angle(col["twa_deg"], grid.bins(BLOCK_S))
    far, near = _range_of(np.abs(twa), max(3, grid.bins(MINUTE_S)))
    out = {
        "time_s": grid.time_s[middle], "block_s": length,
        "made_kn": _made_kn(grid, PLACE_S)[middle],
        "kept_kn": _made_kn(grid, KEPT_S)[middle],
        "off_deg": np.abs(twa)[middle], "far_deg": far[middle], "near_deg": near[middle],
        "apparent_deg": np.abs(_mean_angle(col["awa_deg"], grid.bins(BLOCK_S)))[middle],
        "side": np.sign(twa)[middle],
        "lee_deg": box_mean(-col["heel_deg"] * np.sign(col["twa_deg"]), grid.bins(40.0))[middle],
        "crab_deg": crab[middle]}
    out |= {name: value[middle] for name, value in mean.items()}
    speed = np.where(np.isfinite(col["stw_kn"]), col["stw_kn"], col["sog_kn"])
    out["fading"] = _fading(speed, grid)[middle]
    turning = _turning(head, grid)
    twd = _mean_angle(col["twd_deg"], grid.bins(30.0))
    out["lee_way_deg"] = np.abs(wrap180(going - twd - 180.0))[middle]
    out["follows"], out["follows_sd"] = (v[middle] for v in _follows(col, turning, grid))
    out["answer"], out["answer_sd"], out["uneven"] = (
        v[middle] for v in _answer(speed, mean["tws_kn"], turning, grid))
    out["tacked"] = _tacked(_mean_angle(col["twa_deg"], grid.bins(5.0)), grid)[middle]
    return out


def _log_running(grid: Grid) -> Floats:
    """Speed through the water, NaN where its wheel stands still for a minute while she makes way
    that no stream makes: fouled, or the sensor is dead.
    """
    stw = grid.column["stw_kn"]
    most, _ = _range_of(stw, max(3, grid.bins(MINUTE_S)))
    going = box_mean(grid.column["sog_kn"], grid.bins(MINUTE_S))
    head = box_mean(cosd(grid.column["cog_deg"] - grid.column["hdg_deg"]), grid.bins(MINUTE_S))
    with np.errstate(invalid="ignore"):
        fouled = (most < 0.2) & (going > FOULED_KN) & ~(head < 0.9)
    return np.where(fouled, np.nan, stw)


def _range_of(value: Floats, bins: int) -> tuple[Floats, Floats]:
    """Largest and smallest value within a window; NaN where it holds none."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    known = np.isfinite(value)
    high = maximum_filter1d(np.where(known, value, -np.inf), bins, mode="nearest")
    low = minimum_filter1d(np.where(known, value, np.inf), bins, mode="nearest")
    some = np.isfinite(high)
    return np.where(some, high, np.nan), np.where(some, low, np.nan)


def _mean_angle(angle: Floats, bins: int) -> Floats:
    return arctan2d(box_mean(sind(angle), bins), box_mean(cosd(angle), bins))


def _made_kn(grid: Grid, window_s: float) -> Floats:
    """Diagonal of the patch of some minutes over their time; by the speed where no position is."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    lat, lon = grid.column["lat"], grid.column["lon"]
    known = np.isfinite(lat) & np.isfinite(lon)
    by_speed = box_mean(grid.column["sog_kn"], grid.bins(window_s))
    if known.sum() < 0.5 * len(grid):
        return by_speed
    k = int(np.argmax(known))
    bins = max(3, grid.bins(window_s) + 1)
    sides = []
    for value in local_xy_m(lat, lon, float(lat[k]), float(lon[k])):
        low = minimum_filter1d(np.where(known, value, np.inf), bins, mode="nearest")
        high = maximum_filter1d(np.where(known, value, -np.inf), bins, mode="nearest")
        sides.append(high - low)
    span_s = min(bins - 1, len(grid) - 1) * grid.step_s
    patch = np.hypot(*sides)
    if span_s < 0.5 * window_s:
        return by_speed
    made = np.maximum(patch - WANDER_M, 0.0) / (span_s * KN_TO_MS)
    return np.asarray(np.where(np.isfinite(made), made, by_speed), dtype=float)


def _fading(speed: Floats, grid: Grid) -> Floats:
    smooth, half = box_mean(speed, grid.bins(15.0)), grid.bins(30.0)
    index = np.arange(len(grid))
    before = smooth[np.clip(index - half, 0, None)]
    after = smooth[np.clip(index + half, None, len(grid) - 1)]
    with np.errstate(invalid="ignore"):
        return np.asarray(after < 0.8 * before, dtype=float)


def _turning(head: Floats, grid: Grid) -> Floats:
    """Whether the bow moves more than 20 deg within 20 s, or has within the next or last 30."""
    smooth = unwrap(head)
    half = grid.bins(10.0)
    index = np.arange(len(grid))
    change = np.abs(smooth[np.clip(index + half, None, len(grid) - 1)]
                    - smooth[np.clip(index - half, 0, None)])
    with np.errstate(invalid="ignore"):
        return np.asarray(box_mean((change > 20.0).astype(float), grid.bins(60.0)) > 0.0,
                          dtype=float)


def _answer(speed: Floats, tws: Floats, turning: Floats,
            grid: Grid) -> tuple[Floats, Floats, Floats]:
    """Slope of log speed on log wind within five minutes, its error, and the speed's unevenness.

    Both are smoothed over ten seconds, the wind is passed through a lag, turns are left out. Gusts
    of some 20 s leave a fit as many independent points as the window has gusts.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        wind = np.log(np.maximum(box_mean(tws, grid.bins(10.0)), 0.5))
        way = np.log(np.maximum(box_mean(speed, grid.bins(10.0)), 0.3))
    wind = np.roll(box_mean(wind, grid.bins(2.0 * ANSWER_S)), min(grid.bins(ANSWER_S),
                                                                  len(grid) - 1))
    good = np.isfinite(way) & (turning == 0.0)
    both = good & np.isfinite(wind)
    bins = max(GUST_ROWS, grid.bins(GUST_S))
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = both.astype(float)
        x, y = (np.where(both, v, 0.0) for v in (wind, way))
        share = np.maximum(box_mean(weight, bins), 1e-9)
        mx, my = box_mean(x * weight, bins) / share, box_mean(y * weight, bins) / share
        xx = np.maximum(box_mean(x * x, bins) / share - mx**2, 0.0)
        yy = np.maximum(box_mean(y * y, bins) / share - my**2, 0.0)
        xy = box_mean(x * y, bins) / share - mx * my
        slope = xy / np.maximum(xx, 1e-6)
        rest = np.maximum(yy - slope * xy, 1e-5)
        seconds = share * np.minimum(bins, len(grid)) * grid.step_s
        count = np.maximum(seconds / max(40.0, grid.step_s) - 1.0, 0.5)
        sd = np.sqrt(rest / np.maximum(xx, 1e-6) / count)
        alone = np.maximum(box_mean(good.astype(float), bins), 1e-9)
        z = np.where(good, way, 0.0)
        level = box_mean(z, bins) / alone
        uneven = np.sqrt(np.maximum(box_mean(z * z, bins) / alone - level**2, 1e-6))
    enough = seconds > 120.0
    uneven = np.where(alone * bins * grid.step_s > 120.0, uneven, np.nan)
    return (np.where(enough, slope, np.nan), np.where(enough, sd, np.nan), uneven)


def _follows(col: dict[str, Floats], turning: Floats, grid: Grid) -> tuple[Floats, Floats]:
    """Slope of heading on wind direction, half-minute means, within ten minutes; its error.

    Courses change by more than the wind does, so windows in which she turned are left out.
    """
    heading, wind = (_mean_angle(col[name], grid.bins(STEER_S)) for name in ("hdg_deg", "twd_deg"))
    good = np.isfinite(heading) & np.isfinite(wind) & (turning == 0.0)
    bins = max(GUST_ROWS, grid.bins(KEPT_S))
    level = [_mean_angle(np.where(good, value, np.nan), bins) for value in (wind, heading)]
    x, y = (np.where(good, wrap180(value - mean), 0.0)
            for value, mean in zip((wind, heading), level, strict=True))
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.maximum(box_mean(good.astype(float), bins), 1e-9)
        mx, my = box_mean(x, bins) / share, box_mean(y, bins) / share
        xx = np.maximum(box_mean(x * x, bins) / share - mx**2, 0.0)
        yy = np.maximum(box_mean(y * y, bins) / share - my**2, 0.0)
        slope = (box_mean(x * y, bins) / share - mx * my) / np.maximum(xx, 0.25)
        rest = np.maximum(yy - slope**2 * xx, 1.0)
        seconds = share * np.minimum(bins, len(grid)) * grid.step_s
        count = np.maximum(seconds / max(2.0 * STEER_S, 2.0 * grid.step_s) - 1.0, 0.5)
        sd = np.sqrt(rest / np.maximum(xx, 0.25) / count)
    enough = (seconds > 0.5 * KEPT_S) & (yy < 15.0**2)
    return np.where(enough, slope, np.nan), np.where(enough, sd, np.nan)


def _tacked(twa: Floats, grid: Grid) -> Floats:
    """Mark the legs beside each passage of the wind through bow or stern between like angles."""
    out = np.zeros(len(grid))
    good = np.flatnonzero(np.isfinite(twa))
    change = good[:-1][np.sign(twa[good[:-1]]) * np.sign(twa[good[1:]]) < 0]
    legs, lead = grid.bins(TURN_LEGS_S), grid.bins(15.0)
    for k in change:
        before, after = twa[max(0, k - lead - legs):max(0, k - lead)], twa[k + lead:k + lead + legs]
        kind = _mirrored(before, after, abs(float(twa[k])) < 90.0)
        if kind:
            part = slice(max(0, k - legs), k + legs)
            out[part] = np.where(out[part] == 1.0, 1.0, kind)
    return out


def _mirrored(before: Floats, after: Floats, bow: bool) -> float:
    """1 for a tack's legs, -1 for a gybe's, 0.5 where the bow went through from some way off."""
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    if before.size < 1 or after.size < 1:
        return 0.0
    a, b = float(np.median(before)), float(np.median(after))
    sided = all((np.sign(leg) == np.sign(middle)).mean() > 0.9
                for leg, middle in ((before, a), (after, b)))
    if a * b >= 0 or not sided:
        return 0.0
    low, high = sorted((abs(a), abs(b)))
    alike = high - low < 18.0
    if low > 22.0 and high < 70.0 and alike:
        return 1.0
    if low > 120.0 and high < 172.0 and alike:
        return -1.0
    through_bow = low > 26.0 and high < 140.0 and bow
    return 0.5 if through_bow else 0.0
