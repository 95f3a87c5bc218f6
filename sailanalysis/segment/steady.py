"""Steady averages: the half-minute blocks that a polar is built from and the archive keeps.

The rules, in order:

1. Only what was surely sailed and not slowed on purpose, inside a steady leg.
2. Time near a maneuver is left out: from 5 s before its start until the speed has had
   four response times (at least 20 s, or its own measured recovery) after its end. Four
   response times leave 2 % of the speed lost in the turn still missing.
3. The wind is passed through the boat's own response (a first-order lag found on the day)
   before it is averaged, so that the speed in a gust's first seconds is not set against wind
   that the boat has not answered yet.
4. Surfing bursts (abaft the beam, a fifth above the minute's median speed) are left out and
   their share is kept.
5. A block is about half a minute: long against waves (2-10 s) and against masthead turbulence
   that the sails do not feel, short against wind shifts (minutes).

Each block keeps the spread of the wind within it, because the mean of a curved polar over a block
is not the polar at the mean wind.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind, wrap180
from sailanalysis.core.points import DOWNWIND_TWA_DEG, UPWIND_TWA_DEG
from sailanalysis.core.series import (
    epoch_s,
    running_mean,
    running_mean_angle,
    running_median,
    runs,
    step_s,
    utc_index,
)
from sailanalysis.segment.use import is_sailed

BLOCK_S: Final = 30.0
"""Length of a block in seconds (rule 5)."""
LAG_UNKNOWN_S: Final = 8.0
"""Response time where a day cannot show it: common practice for small keelboats, 5-15 s."""
_LAGS_S: Final = np.array([1.0, 2.0, 3.0, 4.5, 6.5, 9.0, 12.0, 16.0, 21.0, 28.0, 37.0, 50.0])
LEAST_ROWS: Final = 3
"""Rows of a log that a block averages at the least: with two one odd row is half of it."""
QUICK_S: Final = 5.0
"""Window that takes out waves (2-10 s) and vane flutter and leaves steering in."""
_SURF_RATIO: Final = 1.2
_MIN_SHARE: Final = 0.8

BLOCK_COLUMNS: Final = (
    "time", "day", "leg", "side", "seconds", "sails", "helm", "boards", "load_kg",
    "tws_kn", "twa_deg", "stw_kn", "stw_sd_kn", "tws_sd_kn", "twa_sd_deg", "tws_twa_cov",
    "vmg_kn", "leeway_deg", "heel_deg", "aws_kn", "awa_deg", "surf_share", "lag_s",
)
"""Columns of a table of steady blocks, in order."""


def empty_blocks() -> pd.DataFrame:
    """Return a table of steady blocks without rows."""
    text = {"day", "side", "sails", "helm", "boards"}
    data: dict[str, Any] = {
        name: pd.Series(dtype=object if name in text else float) for name in BLOCK_COLUMNS
    }
    data["time"] = pd.Series(dtype="datetime64[us, UTC]")
    data["leg"] = pd.Series(dtype="int64")
    return pd.DataFrame(data)


def steady_averages(
    samples: pd.DataFrame,
    legs: pd.DataFrame,
    maneuvers: pd.DataFrame,
    *,
    day: str | None = None,
    block_s: float = BLOCK_S,
) -> pd.DataFrame:
    """Average steady sailing into blocks of about half a minute.

    Parameters
    ----------
    samples : DataFrame, shape (n, ...)
        Corrected samples on the common clock; needs ``stw_kn, tws_kn, twa_deg``.
    legs, maneuvers : DataFrame
        With ``start`` and ``end``; maneuvers may have ``recovery_s``.
    day : str, optional
        Label of the day; by default the UTC date of the first sample.
    block_s : float
        Wanted length; a leg is cut into equal pieces near it. A log with a row every ten seconds
        or more gets blocks of at least three of its rows.

    Returns
    -------
    DataFrame
        ``BLOCK_COLUMNS``. ``twa_deg`` is signed and, like ``tws_kn``, lagged by the boat's
        response ``lag_s``; the spreads ``tws_sd_kn, twa_sd_deg`` and ``tws_twa_cov`` (of wind
        speed and the angle off the bow, its absolute value, in kn deg) are those of the wind
        before the boat's answer, waves taken out; ``leeway_deg`` is positive to leeward.
    """
    needed = {"stw_kn", "tws_kn", "twa_deg"}
    if len(samples) == 0 or not needed <= set(samples.columns) or len(legs) == 0:
        return empty_blocks()
    label = day if day is not None else str(samples.index[0].date())
    coarse = _seconds(samples)
    time, block_s = coarse["time_s"], max(block_s, (LEAST_ROWS + 1) * coarse["bin_s"])
    leg_of = _leg_numbers(time, legs)
    good = (leg_of >= 0) & coarse["sailing"]
    for name in needed:
        good &= np.isfinite(coarse[name])
    if not good.any():
        return empty_blocks()
    lag_s, _ = response_lag(coarse, np.where(good, leg_of, -1))
    tws, twa = lagged_wind(coarse, lag_s)
    good &= ~_near_maneuver(time, maneuvers, lag_s) & np.isfinite(tws) & np.isfinite(twa)
    surf = _is_surf(coarse)
    return _cut(coarse, (tws, twa), quick_wind(coarse), good, surf, leg_of, label, block_s, lag_s)


# ------------------------------------------------------------------ the clock of whole seconds
def _seconds(samples: pd.DataFrame) -> dict[str, Any]:
    """Average the samples to whole seconds (a polar needs none faster)."""
    time = epoch_s(samples.index)
    step = step_s(time)
    bin_s = max(1.0, step) if np.isfinite(step) else 1.0
    key = np.floor((time - time[0]) / bin_s + 1e-6).astype(np.int64)
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    count = first.size

    def mean(value: Floats) -> Floats:
        ok = np.isfinite(value)
        total = np.bincount(inverse[ok], value[ok], count)
        seen = np.bincount(inverse[ok], minlength=count)
        return np.asarray(np.divide(total, seen, out=np.full(count, np.nan), where=seen > 0),
                          dtype=float)

    def column(name: str) -> Floats:
        if name not in samples.columns:
            return np.full(len(samples), np.nan)
        return np.asarray(samples[name], dtype=float)

    def text(name: str) -> np.ndarray:
        if name not in samples.columns:
            return np.full(count, "", dtype=object)
        return np.asarray(samples[name], dtype=object)[first]

    out: dict[str, Any] = {"time_s": mean(time), "bin_s": bin_s}
    for name in ("stw_kn", "tws_kn", "vmg_kn", "leeway_deg", "heel_deg", "aws_kn", "load_kg"):
        out[name] = mean(column(name))
    for name in ("twa_deg", "awa_deg"):
        angle = column(name)
        out[name] = arctan2d(mean(sind(angle)), mean(cosd(angle)))
    twd, speed = column("twd_deg"), column("tws_kn")
    if not np.isfinite(twd).any():
        twd = column("twa_deg")  # no heading: the wind as seen from the bow has to do
    out["wind_east"], out["wind_north"] = mean(speed * sind(twd)), mean(speed * cosd(twd))
    for name in ("sails", "helm", "boards"):
        out[name] = text(name)
    out["sailing"] = is_sailed(samples)[first]
    return out


def _leg_numbers(time: Floats, legs: pd.DataFrame) -> np.ndarray:
    """Row of the leg that each instant lies in, -1 outside."""
    start, end = epoch_s(legs["start"]), epoch_s(legs["end"])
    out = np.full(time.shape, -1, dtype=np.int64)
    for number, (a, b) in enumerate(zip(start, end, strict=True)):
        out[np.searchsorted(time, a) : np.searchsorted(time, b)] = number
    return out


def _near_maneuver(time: Floats, maneuvers: pd.DataFrame, lag_s: float) -> np.ndarray:
    near = np.zeros(time.shape, dtype=bool)
    if len(maneuvers) == 0:
        return near
    start, end = epoch_s(maneuvers["start"]), epoch_s(maneuvers["end"])
    recovery = np.zeros(start.shape)
    if "recovery_s" in maneuvers.columns:
        recovery = np.nan_to_num(maneuvers["recovery_s"].to_numpy(dtype=float))
    settle = np.minimum(np.maximum(np.maximum(20.0, 4.0 * lag_s), recovery), 120.0)
    for a, b, s in zip(start, end, settle, strict=True):
        near[np.searchsorted(time, a - 5.0) : np.searchsorted(time, b + s)] = True
    return near


# ------------------------------------------------------------------ the boat's response
def quick_wind(coarse: dict[str, Any]) -> tuple[Floats, Floats]:
    """True wind without waves and vane flutter, but before the boat has answered it.

    The sails' force follows the wind at once and inertia only smooths what comes of it: so the
    mean of a curved polar needs the spread of this wind, not of the lagged one.
    """
    time = coarse["time_s"]
    east = running_mean(time, coarse["wind_east"], QUICK_S)
    north = running_mean(time, coarse["wind_north"], QUICK_S)
    return np.hypot(east, north), running_mean_angle(time, coarse["twa_deg"], QUICK_S)


def _exponential(time: Floats, value: Floats, lag_s: float, bin_s: float) -> Floats:
    """First-order lag, restarted after every gap; NaN samples are stepped over."""
    out = np.full(value.shape, np.nan)
    alpha = 1.0 - np.exp(-bin_s / max(lag_s, 1e-3))
    for run in runs(time, max_gap_s=max(5.0, 2.5 * bin_s)):
        out[run] = pd.Series(value[run]).ewm(alpha=alpha, adjust=True).mean().to_numpy()
    return np.where(np.isfinite(value), out, np.nan)


def lagged_wind(coarse: dict[str, Any], lag_s: float) -> tuple[Floats, Floats]:
    """True wind as the boat has answered it: speed over the earth's axes, angle off the bow."""
    time, bin_s = coarse["time_s"], coarse["bin_s"]
    east = _exponential(time, coarse["wind_east"], lag_s, bin_s)
    north = _exponential(time, coarse["wind_north"], lag_s, bin_s)
    x = _exponential(time, cosd(coarse["twa_deg"]), lag_s, bin_s)
    y = _exponential(time, sind(coarse["twa_deg"]), lag_s, bin_s)
    return np.hypot(east, north), arctan2d(y, x)


def response_lag(coarse: dict[str, Any], leg_of: np.ndarray) -> tuple[float, float]:
    """Seconds that the boat's speed lags the wind, from the day's own gusts.

    The speed within each leg is regressed on the lagged wind speed and angle for a ladder of
    lags, with slopes of their own upwind, reaching and downwind; the lag that explains most of
    the speed's variance is taken.

    Returns
    -------
    lag_s : float
        ``LAG_UNKNOWN_S`` where the wind explains less than 5 % of the variance within legs.
    share : float
        Share of the variance explained, 0-1.
    """
    use = leg_of >= 0
    if use.sum() < 300 or coarse["bin_s"] > LAG_UNKNOWN_S:
        return LAG_UNKNOWN_S, 0.0  # too few rows, or too far apart to see a boat answer
    _, leg = np.unique(leg_of[use], return_inverse=True)
    count = np.bincount(leg)

    def about_leg(value: Floats) -> Floats:
        return value - (np.bincount(leg, value) / count)[leg]

    speed = about_leg(coarse["stw_kn"][use])
    total = float(speed @ speed)
    off = np.abs(coarse["twa_deg"][use])
    sector = np.digitize(off, [UPWIND_TWA_DEG, DOWNWIND_TWA_DEG])
    explained = []
    for lag_s in _LAGS_S:
        tws, twa = lagged_wind(coarse, float(lag_s))
        columns = []
        for part in range(3):
            inside = sector == part
            if inside.any():
                columns.append(about_leg(np.where(inside, tws[use], 0.0)))
                columns.append(about_leg(np.where(inside, np.abs(twa[use]), 0.0)))
        design = np.column_stack(columns)
        gram = design.T @ design
        gram[np.diag_indices_from(gram)] *= 1.0 + 1e-9
        gram[np.diag_indices_from(gram)] += 1e-9
        side = design.T @ speed
        explained.append(float(side @ np.linalg.solve(gram, side)) / max(total, 1e-12))
    best = int(np.argmax(explained))
    if explained[best] < 0.05:
        return LAG_UNKNOWN_S, explained[best]
    return float(_LAGS_S[best]), explained[best]


def _is_surf(coarse: dict[str, Any]) -> np.ndarray:
    speed = coarse["stw_kn"]
    usual = running_median(coarse["time_s"], speed, 60.0)
    aft = np.abs(coarse["twa_deg"]) > 90.0
    return np.asarray((speed > _SURF_RATIO * usual) & aft & (usual > 1.0))


# ------------------------------------------------------------------ the blocks
def _cut(coarse: dict[str, Any], lagged: tuple[Floats, Floats], quick: tuple[Floats, Floats],
         good: np.ndarray, surf: np.ndarray, leg_of: np.ndarray, label: str, block_s: float,
         lag_s: float) -> pd.DataFrame:
    time = coarse["time_s"]
    tws, twa = lagged
    state = np.char.add(np.char.add(coarse["sails"].astype(str), "\n"), coarse["helm"].astype(str))
    code = pd.factorize(np.char.add(np.char.add(state, "\n"), coarse["boards"].astype(str)))[0]
    block = np.full(time.shape, -1, dtype=np.int64)
    index = np.flatnonzero(good)
    if index.size == 0:
        return empty_blocks()
    # A piece ends with the leg, at a hole of more than 3 s, and where sails, helm or boards change.
    new = np.ones(index.size, dtype=bool)
    new[1:] = ((np.diff(leg_of[index]) != 0) | (np.diff(time[index]) > 3.0 + coarse["bin_s"])
               | (np.diff(code[index]) != 0))
    number = 0
    edges = np.append(np.flatnonzero(new), index.size)
    for a, b in pairwise(edges):
        piece = index[a:b]
        length = time[piece[-1]] - time[piece[0]] + coarse["bin_s"]
        if length < max(0.5 * block_s, (LEAST_ROWS - 0.5) * coarse["bin_s"]):
            continue
        parts = max(1, round(length / block_s))
        share = np.minimum((time[piece] - time[piece[0]]) / length * parts, parts - 1e-9)
        block[piece] = number + share.astype(np.int64)
        number += parts
    if number == 0:
        return empty_blocks()
    inside = np.flatnonzero(block >= 0)
    every = np.bincount(block[inside], minlength=number)
    surf_share = np.bincount(block[inside], surf[inside], number) / np.maximum(every, 1)
    inside = inside[~surf[inside]]
    ids = block[inside]
    seen = np.bincount(ids, minlength=number)

    def mean(value: Floats) -> Floats:
        v = value[inside]
        ok = np.isfinite(v)
        n = np.bincount(ids[ok], minlength=number)
        return np.asarray(np.divide(np.bincount(ids[ok], v[ok], number), n,
                                    out=np.full(number, np.nan), where=n > 0), dtype=float)

    def spread(value: Floats, centre: Floats, other: Floats | None = None) -> Floats:
        v = value[inside] - centre[ids]
        w = v if other is None else other[inside]
        return np.asarray(np.divide(np.bincount(ids, v * w, number), seen,
                                    out=np.full(number, np.nan), where=seen > 0), dtype=float)

    angle = arctan2d(mean(sind(twa)), mean(cosd(twa)))
    swing = np.zeros(time.shape)
    quick_angle = arctan2d(mean(sind(quick[1])), mean(cosd(quick[1])))
    quick_tws = mean(quick[0])
    swing[inside] = wrap180(quick[1][inside] - quick_angle[ids])
    off_swing = np.zeros(time.shape)
    off_swing[inside] = swing[inside] * np.where(angle[ids] < 0, -1.0, 1.0)
    tws_mean, stw_mean = mean(tws), mean(coarse["stw_kn"])
    first = np.full(number, -1, dtype=np.int64)
    first[ids[::-1]] = inside[::-1]
    least = max(_MIN_SHARE * 0.5 * block_s / coarse["bin_s"], LEAST_ROWS)
    keep = (seen >= least) & (first >= 0)
    leeway = coarse["leeway_deg"] * np.where(coarse["twa_deg"] > 0, -1.0, 1.0)
    anchor = first[keep]
    table = pd.DataFrame({
        "time": utc_index(time[anchor]),
        "day": np.full(anchor.size, label, dtype=object),
        "leg": leg_of[anchor],
        "side": np.where(angle[keep] >= 0, "starboard", "port").astype(object),
        "seconds": seen[keep] * coarse["bin_s"],
        "sails": coarse["sails"][anchor],
        "helm": coarse["helm"][anchor],
        "boards": coarse["boards"][anchor],
        "load_kg": mean(coarse["load_kg"])[keep],
        "tws_kn": tws_mean[keep],
        "twa_deg": angle[keep],
        "stw_kn": stw_mean[keep],
        "stw_sd_kn": np.sqrt(spread(coarse["stw_kn"], stw_mean))[keep],
        "tws_sd_kn": np.sqrt(spread(quick[0], quick_tws))[keep],
        "twa_sd_deg": np.sqrt(spread(swing, np.zeros(number)))[keep],
        "tws_twa_cov": spread(quick[0], quick_tws, off_swing)[keep],
        "vmg_kn": mean(coarse["vmg_kn"])[keep],
        "leeway_deg": mean(leeway)[keep],
        "heel_deg": mean(coarse["heel_deg"])[keep],
        "aws_kn": mean(coarse["aws_kn"])[keep],
        "awa_deg": arctan2d(mean(sind(coarse["awa_deg"])), mean(cosd(coarse["awa_deg"])))[keep],
        "surf_share": surf_share[keep],
        "lag_s": np.full(anchor.size, lag_s),
    })
    return table[list(BLOCK_COLUMNS)]
