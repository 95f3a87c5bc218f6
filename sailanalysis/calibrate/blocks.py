"""Steady seconds and blocks: the raw material of the calibration."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, cosd, sind, wrap180
from sailanalysis.core.model import Boat, Conditioned
from sailanalysis.core.series import epoch_s, running_mean, runs
from sailanalysis.wind.direction import is_turning
from sailanalysis.wind.leeway import (
    CLOSE_HAULED_DEG,
    LEEWAY_WINDOW_S,
    MIN_SPEED_KN,
    STIFF_HEEL_DEG,
    heel_shape,
    keel_load,
    sail_lift,
    usual,
    wind_press,
    wind_shape,
)

BOARDS = ("leeway_board_1_deg", "leeway_board_2_deg", "leeway_board_3_deg")
"""Leeway with the boards in other positions, less that in the most sailed."""
MAX_BLOCKS = 300
"""Blocks of a day: each is then a minute or two of a long one, and the fit takes a second."""
MAX_SAMPLES = 8000
MIN_BLOCK_S = 15.0
MAX_BLOCK_S = 30.0
MIN_WIND_KN = 2.5
"""Lighter, a vane points where the mast swings."""
UPRIGHT_S = 120.0
"""Seconds motoring or lying from which heel upright is learnt."""
MAX_BOARDS = 4
"""Board positions with a leeway of their own: the most sailed."""


Number = TypeVar("Number", np.float64, np.complex128)


@dataclass(frozen=True)
class Seconds:
    """Steady samples about a second apart, corrected as the boat file says, and their blocks.

    Attributes
    ----------
    time_s, stw_kn, hdg_deg, awa_deg, aws_kn, heel_deg : ndarray, shape (n,)
        ``awa_deg`` and ``aws_kn`` in the sensor's own plane (not levelled); NaN where unknown.
    ground_kn : ndarray of complex, shape (n,)
        Velocity over ground, north + i east.
    slow_heel_deg, slow_stw_kn : ndarray, shape (n,)
        Means over ten seconds, for leeway.
    has_sails : ndarray of bool, shape (n,)
        False under engine: no side force from sails.
    doubtful : ndarray of bool, shape (n,)
        Taken for motoring with no engine heard: perhaps she sailed.
    board : ndarray of int, shape (n,)
        Position of the boards, an index into ``board_names``; 0 where nothing is written.
    board_names : tuple of str
        The most sailed first.
    upright_deg : float
        Heel shown motoring or lying; NaN where there was too little of it.
    start : ndarray of int, shape (m,)
        First sample of each block.
    middle_s, seconds : ndarray, shape (m,)
        Each block's middle and length.
    """

    time_s: Floats
    stw_kn: Floats
    hdg_deg: Floats
    awa_deg: Floats
    aws_kn: Floats
    heel_deg: Floats
    ground_kn: NDArray[np.complex128]
    slow_heel_deg: Floats
    slow_stw_kn: Floats
    has_sails: NDArray[np.bool_]
    doubtful: NDArray[np.bool_]
    board: NDArray[np.intp]
    board_names: tuple[str, ...]
    upright_deg: float
    start: NDArray[np.intp]
    middle_s: Floats
    seconds: Floats

    @cached_property
    def bow(self) -> NDArray[np.complex128]:
        """Unit vector of the heading, north + i east."""
        return np.asarray(np.exp(1j * np.radians(self.hdg_deg)), dtype=complex)

    @cached_property
    def shown_air(self) -> NDArray[np.complex128]:
        """Apparent wind as shown, ahead + i to starboard, where it comes from."""
        return np.asarray(self.aws_kn * np.exp(1j * np.radians(self.awa_deg)), dtype=complex)

    @cached_property
    def upwash_shape(self) -> Floats:
        """Bend of the wind ahead of the sails by apparent angle: at most 1, odd, none aft.

        It goes with the sails' lift: high from close-hauled to a close reach, falling to nil on
        a run. The shape is common practice, its size a nuisance of the fit.
        """
        return sail_lift(self.awa_deg)

    @cached_property
    def side_force(self) -> Floats:
        """Leeway's shape by the wind: about 1 close-hauled, from starboard positive."""
        shape = wind_shape(self.aws_kn, self.awa_deg, self.slow_stw_kn, self.press_reference)
        return np.asarray(np.nan_to_num(shape) * self.has_sails, dtype=float)

    @cached_property
    def press_reference(self) -> float:
        """Square of apparent wind over speed, usual close-hauled."""
        return usual(wind_press(self.aws_kn, self.slow_stw_kn), self.awa_deg, self.has_sails)

    @cached_property
    def load_reference(self) -> float:
        """Heel over the square of speed, usual close-hauled; NaN without a heel sensor."""
        load = keel_load(self.slow_heel_deg - np.nan_to_num(self.upright_deg), self.slow_stw_kn)
        return usual(load, self.awa_deg, self.has_sails) if np.isfinite(load).any() else np.nan

    @cached_property
    def by_heel(self) -> bool:
        """Whether heel shows the side force: she leans enough for its zero not to matter."""
        known = np.isfinite(self.slow_heel_deg) & self.has_sails
        if not known.any():
            return False
        lean = usual(self.slow_heel_deg, self.awa_deg, self.has_sails)
        return lean >= STIFF_HEEL_DEG or not np.isfinite(self.awa_deg).any()

    def leeway(self, theta: dict[str, float]) -> Floats:
        """Leeway sample by sample, set to starboard positive; not limited."""
        size = theta["leeway_deg"] + np.array(
            [0.0, *(theta[name] for name in BOARDS)])[self.board]
        reach = np.clip((np.abs(np.nan_to_num(self.awa_deg)) - CLOSE_HAULED_DEG) / 30.0, 0.0, 1.0)
        beside = (theta["leeway_side_deg"] + theta["leeway_reach_deg"] * reach) * self.side_force
        power = theta["leeway_power"]
        if not self.by_heel:
            shape = wind_shape(self.aws_kn, self.awa_deg, self.slow_stw_kn, self.press_reference,
                               power)
            drive = np.where(self.doubtful, theta["doubtful_sails"], self.has_sails)
            return np.asarray(-size * np.nan_to_num(shape) * drive - beside, dtype=float)
        heel = np.nan_to_num(self.slow_heel_deg - theta["heel_zero_deg"])
        return np.asarray(size * heel_shape(heel, self.slow_stw_kn, self.load_reference, power)
                          - beside, dtype=float)

    @cached_property
    def leaning(self) -> Floats:
        """The side she leans to, starboard 1: by heel, without a heel sensor away from the wind."""
        away = -np.nan_to_num(np.sign(self.awa_deg)) * self.has_sails
        return np.where(np.isfinite(self.slow_heel_deg), np.sign(self.slow_heel_deg), away)

    @cached_property
    def chosen_side(self) -> Floats:
        """The side a lift comes from, by how she is sailed: +-1 on a beat, the other on a run."""
        up = np.where(np.abs(self.awa_deg) < 60.0, 1.0, np.where(np.abs(self.awa_deg) > 90.0, -1.0,
                                                                 0.0))
        return np.asarray(np.nan_to_num(np.sign(self.awa_deg)) * up, dtype=float)

    @cached_property
    def cos_heel(self) -> Floats:
        """Cosine of the heel, 1 where it is not known."""
        return cosd(np.clip(np.nan_to_num(self.heel_deg), -60.0, 60.0))

    @property
    def blocks(self) -> int:
        """Number of blocks."""
        return int(self.start.size)

    def mean(self, value: NDArray[Number]) -> NDArray[Number]:
        """Mean of each block."""
        count = np.diff(np.append(self.start, self.time_s.size))
        return np.asarray(np.add.reduceat(value, self.start) / count, dtype=value.dtype)


def steady_seconds(
    samples: pd.DataFrame,
    cond: Conditioned | None,
    boat: Boat,
    maneuvers: pd.DataFrame | None = None,
    engine_told: bool = False,
) -> Seconds | None:
    """Samples in steady sailing or motoring, cut into blocks; None where there are too few.

    Left out: turns and half a minute about them, found maneuvers with 20 s after, time stopped,
    time without heading, and speeds at which nothing can be learnt.
    """
    time = epoch_s(samples.index)
    if time.size < 60:
        return None
    hdg = samples["hdg_deg"].to_numpy(dtype=float)
    if not np.isfinite(hdg).any():
        return None
    stw = samples["stw_kn"].to_numpy(dtype=float)
    sog = samples["sog_kn"].to_numpy(dtype=float)
    cog = samples["cog_deg"].to_numpy(dtype=float)
    heel = samples["heel_deg"].to_numpy(dtype=float)
    awa, aws = _shown_wind(samples, cond, boat)
    state = samples["state"].to_numpy() if "state" in samples else np.full(time.size, "")
    slow_heel = running_mean(time, heel, LEEWAY_WINDOW_S)
    slow_stw = running_mean(time, stw, LEEWAY_WINDOW_S)
    speed = slow_stw if np.isfinite(stw).any() else running_mean(time, sog, LEEWAY_WINDOW_S)
    board, names = _boards(samples, use := np.isfinite(hdg) & (state != "stopped"))
    use &= ~is_turning(time, hdg)
    use &= np.nan_to_num(speed) > MIN_SPEED_KN
    known_way = np.isfinite(stw) if np.isfinite(stw).any() else np.ones(time.size, dtype=bool)
    known_track = (np.isfinite(sog) & np.isfinite(cog) if np.isfinite(sog).any()
                   else np.ones(time.size, dtype=bool))
    use &= known_way & known_track
    if maneuvers is not None and len(maneuvers):
        for a, b in zip(epoch_s(maneuvers["start"]),
                        epoch_s(maneuvers["end"]), strict=True):
            lo, hi = np.searchsorted(time, [a, b + 20.0])
            use[lo:hi] = False
    rate = 1.0 / float(np.median(np.diff(time)))
    width = max(1, round(rate))
    # Means over a few seconds serve a long day as well: within them the bow yaws by a degree or
    # two, and the vectors shrink by less than a thousandth.
    width = max(width, int(np.ceil(use.sum() / MAX_SAMPLES)))
    group, first = _groups(time, use, width)
    if first.size < 60:
        return None

    def mean(value: Floats) -> Floats:
        return np.asarray(np.bincount(group[use], value[use], first.size)
                          / np.bincount(group[use], minlength=first.size), dtype=float)

    def mean_angle(angle: Floats, weight: Floats | None = None) -> Floats:
        w = np.ones(angle.size) if weight is None else weight
        return np.asarray(np.degrees(np.arctan2(mean(w * sind(angle)), mean(w * cosd(angle)))),
                          dtype=float)

    at = mean(time)
    wind_east, wind_north = mean(aws * sind(awa)), mean(aws * cosd(awa))
    ground = mean(sog * cosd(cog)) + 1j * mean(sog * sind(cog))
    start = _block_starts(at, width / rate)
    count = np.diff(np.append(start, at.size))
    seconds = count * width / rate
    keep = seconds >= min(MIN_BLOCK_S, 0.5 * float(np.max(seconds)))
    inside = np.repeat(keep, count)
    start = np.concatenate([[0], np.cumsum(count[keep])[:-1]]).astype(np.intp)
    if keep.sum() < 6:
        return None
    sails = mean((state != "motoring").astype(float))[inside] > 0.5
    rpm = samples["engine_rpm"].to_numpy(dtype=float) if "engine_rpm" in samples else np.nan
    heard = mean((np.nan_to_num(rpm) > 0) * np.ones(time.size))[inside] > 0.5
    block_sum = np.add.reduceat(at[inside], start)
    return Seconds(
        time_s=at[inside], stw_kn=mean(stw)[inside], hdg_deg=mean_angle(hdg)[inside],
        awa_deg=np.degrees(np.arctan2(wind_east, wind_north))[inside],
        aws_kn=np.hypot(wind_east, wind_north)[inside], heel_deg=mean(heel)[inside],
        ground_kn=ground[inside], slow_heel_deg=mean(slow_heel)[inside],
        slow_stw_kn=mean(slow_stw)[inside], has_sails=sails,
        doubtful=~sails & ~heard & (not engine_told),
        board=board[_first_of(group, use, first.size)][inside], board_names=names,
        upright_deg=_upright(time, heel, (state == "stopped") | (
            (state == "motoring") & ((np.nan_to_num(rpm) > 0) | engine_told))), start=start,
        middle_s=block_sum / count[keep], seconds=seconds[keep],
    )


def _shown_wind(
    samples: pd.DataFrame, cond: Conditioned | None, boat: Boat
) -> tuple[Floats, Floats]:
    """Apparent wind as the sensor shows it, less what the boat file already corrects."""
    if cond is not None and len(cond.samples) == len(samples) and {
        "awa_deg", "aws_kn"
    } <= set(cond.samples.columns):
        awa = cond.samples["awa_deg"].to_numpy(dtype=float) + boat.sensors.awa_offset_deg
        return wrap180(awa), cond.samples["aws_kn"].to_numpy(dtype=float) * boat.sensors.aws_factor
    nothing = np.full(len(samples), np.nan)
    return nothing, nothing


def _boards(samples: pd.DataFrame, use: NDArray[np.bool_]) -> tuple[NDArray[np.intp],
                                                                    tuple[str, ...]]:
    """Position of the boards of every sample, the most sailed being 0, and the positions' names."""
    nothing = np.zeros(len(samples), dtype=np.intp)
    if "boards" not in samples:
        return nothing, ()
    text = samples["boards"].to_numpy(dtype=object)
    names, code, count = np.unique(text[use].astype(str), return_inverse=True, return_counts=True)
    order = [i for i in np.argsort(-count, kind="stable") if names[i]][:MAX_BOARDS]
    if len(order) < 2:
        return nothing, tuple(str(names[i]) for i in order)
    for number, i in enumerate(order):
        nothing[np.flatnonzero(use)[code == i]] = number
    return nothing, tuple(str(names[i]) for i in order)


def _first_of(group: NDArray[np.intp], use: NDArray[np.bool_], size: int) -> NDArray[np.intp]:
    """A used sample of each group."""
    out = np.zeros(size, dtype=np.intp)
    out[group[use]] = np.flatnonzero(use)
    return out


def _upright(time: Floats, heel: Floats, at_rest: NDArray[np.bool_]) -> float:
    """Heel shown with no sail set: the median lying or with the engine heard."""
    flat = np.isfinite(heel) & at_rest
    if time.size < 2 or flat.sum() * np.median(np.diff(time)) < UPRIGHT_S:
        return float("nan")
    return float(np.median(heel[flat]))


def _groups(time: Floats, use: NDArray[np.bool_], width: int
            ) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """Number of the group of ``width`` samples each used sample belongs to, and first members."""
    ticks = np.floor(time / (np.median(np.diff(time)) * width) + 1e-6).astype(np.int64)
    numbers, group_of_used = np.unique(ticks[use], return_inverse=True)
    group = np.zeros(time.size, dtype=np.intp)
    group[use] = group_of_used
    return group, numbers


def _block_starts(at: Floats, step: float) -> NDArray[np.intp]:
    """First sample of each block: equal pieces of every unbroken stretch."""
    stretches = runs(at, max_gap_s=max(2.5 * step, 3.0))
    total = sum(at[s.stop - 1] - at[s.start] + step for s in stretches)
    length = max(MAX_BLOCK_S, total / MAX_BLOCKS)
    starts: list[int] = []
    for s in stretches:
        n = s.stop - s.start
        pieces = max(1, round(n * step / length))
        starts += [s.start + int(i * n / pieces) for i in range(pieces)]
    return np.asarray(starts, dtype=np.intp)
