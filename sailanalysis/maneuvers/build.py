"""How speed comes back after a maneuver, and so where the maneuver ends."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, mean_angle, wrap180
from sailanalysis.core.stats import mad_sd
from sailanalysis.maneuvers.case import (
    AROUND_S,
    LEAD_S,
    LEAST_S,
    NEW_COURSE,
    TWO_SIDED,
    Place,
    Sides,
    edge_reason,
)
from sailanalysis.maneuvers.reasons import Reason
from sailanalysis.maneuvers.reference import BLOCK_S, Response, expected_vmg
from sailanalysis.segment.grid import box_mean

Bools = NDArray[np.bool_]

LEAST_READINGS: Final = 6
"""A fall of speed and its return are a curve of three parameters (depth, moment, length): twice
as many readings show one."""
WIND_TURN_DEG: Final = 35.0
WIND_RATIO: Final = 1.6
"""More turn than the angle she lies at, or more than two and a half times the pressure: the two
sides are not the same sailing any more."""
BACK: Final = 0.95
"""Share of the reference at which she counts as recovered."""
USUAL_BUILD_S: Final = 10.0
BUILD_SPREAD: Final = 0.7
"""A ten-metre yacht's in a breeze, and the spread of its logarithm from dinghy (3 s) to
sixty-footer or light air (30 s and more): speed over twice the deceleration of her own drag."""
TIMES_S: Final = np.geomspace(2.0, 120.0, 21)
DEPTH_SD: Final = 0.3
"""Share of her speed that may be missing when her sails draw again: a little, or most of it."""
ALIKE_DEG: Final = 10.0
"""Angles before and after within this are the same sailing on the other tack."""
LACK: Final = 0.01
"""A maneuver is over when no more than this share of her speed should still be missing."""
LATEST_S: Final = 240.0
"""A heavy boat in light air may take two minutes to rebuild; after four, something else goes on."""
FOLLOWED_S: Final = 120.0
DRIFT_SD: Final = 0.04
"""Speed after a turn is followed for two minutes; what the wind does meanwhile beyond the expected
is a slow drift of some per cent, not a build."""
DRAW_S: Final = 6.0
"""After the turning her sails draw fully again some seconds later: the build counts from then."""


def square_law(since_s: Floats | float, time_s: Floats, depth: float) -> Floats:
    """Share of the first lack that is left, with a drag that goes with the square of speed.

    Where the thrust is steady, ``du/dt = (V**2 - u**2) / (2 V T)``: the lack of speed ``d`` falls
    from ``depth`` as ``d E / (1 - depth / 2 + depth E / 2)``, ``E = exp(-t / T)``, slower at first
    than it ends.

    Parameters
    ----------
    since_s : float or ndarray
        Seconds from when her sails draw; nought before.
    time_s : ndarray
        Time constant at the end.
    depth : float
        Share of her speed missing at first.
    """
    left = np.exp(-np.maximum(since_s, 0.0) / time_s)
    return np.asarray(left / (1.0 - 0.5 * depth * (1.0 - left)), dtype=float)


@dataclass(frozen=True)
class BuildTime:
    """How speed comes back after one kind of turn, once her sails draw, as far as the day tells.

    Attributes
    ----------
    times_s : ndarray, shape (k,)
        Trial time constants.
    share : ndarray, shape (k,)
        How probable each is; they sum to one.
    depth, depth_sd : ndarray, shape (k,)
        Share of her speed missing when her sails draw, for a usual turn of the day, by each.
    usual : float
        The same depth, by which the curve bends.
    """

    times_s: Floats
    share: Floats
    depth: Floats
    depth_sd: Floats
    usual: float

    @property
    def middle_s(self) -> float:
        """Median time constant."""
        return float(np.exp(np.interp(0.5, np.cumsum(self.share), np.log(self.times_s))))

    def lacking(self, since_s: float) -> tuple[float, float, float]:
        """What is missing some seconds after her sails draw.

        Returns
        -------
        share, share_sd : float
            Of her speed.
        tail_s : float
            Seconds over which that share is lost yet.
        """
        left = square_law(since_s, self.times_s, self.usual)
        mean = float(self.share @ (self.depth * left))
        square = float(self.share @ ((self.depth**2 + self.depth_sd**2) * left**2))
        tail_s = left * self.times_s
        tail = float(self.share @ (self.depth * tail_s))
        spread = float(np.sqrt(max(square - mean**2, 0.0)))
        # With nothing missing on average, what may yet be decays with the usual constant.
        usual = float(self.share @ (self.depth_sd * tail_s)) \
            / max(float(self.share @ (self.depth_sd * left)), 1e-9)
        return mean, spread, tail / mean if mean > 1e-6 else usual


@dataclass(frozen=True)
class Build:
    """How speed comes back in one turn: the day's build, scaled by her own depth in the turn.

    Attributes
    ----------
    draws : int
        Bin from which her sails draw.
    scale : float
        How deep her speed fell, over the usual of the day.
    time : BuildTime
    """

    draws: int
    scale: float
    time: BuildTime

    def lacking(self, bin_: int, step_s: float) -> tuple[float, float, float]:
        """Share missing at a bin, its standard error, and seconds over which it is lost yet."""
        share, spread, tail_s = self.time.lacking((bin_ - self.draws) * step_s)
        return self.scale * share, self.scale * spread, tail_s

    def done(self, last: int, step_s: float) -> int:
        """First bin at which no more than ``LACK`` is missing."""
        for bin_ in range(self.draws, last):
            if self.lacking(bin_, step_s)[0] <= LACK:
                return bin_
        return last


@dataclass(frozen=True)
class Bounded:
    """A maneuver from entry to recovery, and the sailing beside it that is steady.

    Attributes
    ----------
    sides : Sides
        With ``after`` settled.
    lacking, lacking_sd : float
        Share of the speed expected to be missing at ``stop``, and its standard error.
    tail_s : float
        Seconds over which that share is lost yet.
    stop : int
        Last bin over which the loss is counted.
    back : int or None
        Bin from which what she makes good stays back.
    settled_twa_deg : float
    reason : Reason
        Why she cannot be costed.
    """

    sides: Sides
    lacking: float
    lacking_sd: float
    tail_s: float
    stop: int
    back: int | None
    settled_twa_deg: float = float("nan")
    reason: Reason = Reason.NONE

    @property
    def place(self) -> Place:
        """Where she lies."""
        return self.sides.place

    @property
    def along(self) -> str:
        """The direction that counts: ``wind`` or ``course``."""
        return self.sides.along

    @property
    def window(self) -> slice:
        """Bins over which the loss is counted."""
        return slice(self.place.begin, self.stop + 1)


def bound_all(sides: list[Sides], responses: dict[float, Response]) -> list[Bounded]:
    """Where every maneuver ends: what is settled sets the build, and the build what is settled."""
    times = build_times(sides, responses)
    usual = _usual_depths(sides)
    bounded: list[Bounded] = []
    for _ in range(2):
        bounded = [bound(one, _build(one, times[one.place.kind], usual[one.place.kind]))
                   for one in sides]
        sides = [one.sides for one in bounded]
    return [_checked(one) for one in bounded]


def build_times(sides: list[Sides], responses: dict[float, Response],
                bends: dict[str, BuildTime] | None = None) -> dict[str, BuildTime]:
    """How speed comes back by kind, from all the day's turns stacked.

    Drag that goes with the square of speed makes speed come back exponentially over a length that
    is the boat's own (her mass over her drag), so that the time constant goes inversely with her
    speed. It is common to all; what is missing when her sails draw is common to a kind's turns,
    in proportion to how deep the speed of each fell. Every turn has its own level. Both are found
    together by restricted likelihood, with the noise correlated as the day's steady sailing is
    and the lag of speed behind the wind, which is the same inertia, as prior; then again with the
    curve that the depth found bends (:func:`square_law`).
    """
    turns = [one for one in sides if one.place.two_sided] or sides
    if not turns:
        return {}
    pace = {id(one): _pace_ms(one) for one in sides}
    middle = float(np.median([pace[id(one)] for one in turns]))
    log = -0.5 * (np.log(TIMES_S / _usual_time_s(turns, responses)) / BUILD_SPREAD) ** 2
    depths, found = _usual_depths(sides), {}
    for kind in sorted({one.place.kind for one in sides}):
        mine = [one for one in sides if one.place.kind == kind]
        weight, pull = np.full(TIMES_S.size, DEPTH_SD**-2), np.zeros(TIMES_S.size)
        usual_depth = 0.0 if bends is None else bends[kind].lacking(0.0)[0]
        for one in mine:
            # A turn at twice the usual pace builds in half the time.
            more = _build_evidence(one, responses[one.sign], TIMES_S * middle / pace[id(one)],
                                   _scale(one, depths[kind]), usual_depth)
            weight, pull = weight + more[0], pull + more[1]
        found[kind] = pull / weight, weight**-0.5, usual_depth
        if kind in TWO_SIDED or len(turns) == len(sides):
            log = log + 0.5 * pull**2 / weight - 0.5 * np.log(weight)
    share = np.exp(log - log.max())
    share /= share.sum()
    out = {}
    for kind, (depth, spread, usual_depth) in found.items():
        ratio = middle / float(np.median([pace[id(one)] for one in sides
                                          if one.place.kind == kind]))
        out[kind] = BuildTime(TIMES_S * ratio, share, np.maximum(depth, 0.0), spread,
                              usual_depth)
    return out if bends is not None else build_times(sides, responses, out)


def _usual_time_s(turns: list[Sides], responses: dict[float, Response]) -> float:
    """What is expected of the build: the lag of speed behind the wind is the same inertia."""
    lags = [responses[one.sign].lag_s for one in turns if responses[one.sign].blocks]
    if not lags:
        return USUAL_BUILD_S
    return float(np.sqrt(USUAL_BUILD_S * max(float(np.median(lags)), 3.0)))


def _pace_ms(case: Sides) -> float:
    one = case.place.series
    way = np.hypot(one.east_ms, one.north_ms)[case.before]
    return max(float(np.nanmedian(way)), 0.2) if np.isfinite(way).any() else 0.2


def _build_evidence(case: Sides, response: Response, times_s: Floats,
                    scale: float, depth: float) -> tuple[Floats, Floats]:
    """What one turn says of the share missing when her sails draw: weights, weights times it.

    The speed before the turn stands for the level as much as the speed after it, as far as the
    two tacks are alike: a slow build seen for two minutes could otherwise be any drift.
    """
    place = case.place
    way = np.hypot(place.series.east_ms, place.series.north_ms)
    first = place.end + place.bins(DRAW_S)
    last = min(place.ceiling - place.bins(LEAD_S), place.end + place.bins(FOLLOWED_S), way.size)
    wind = expected_vmg(place.series, None, 0.0, response.lag_s)
    way = way / (1.0 + response.gain * (wind / max(float(np.nanmean(wind)), 1e-6) - 1.0))
    after = _block_means(place, way, first, last)
    if after.shape[1] < 5:
        return np.zeros(times_s.size), np.zeros(times_s.size)
    before = np.empty((2, 0))
    if case.before.any() and abs(abs(case.twa_before_deg) - abs(case.twa_after_deg)) < ALIKE_DEG:
        index = np.flatnonzero(case.before)
        before = _block_means(place, way, int(index[0]), int(index[-1]) + 1)
    t, speed = np.hstack([before, after])
    since = np.arange(t.size) - before.shape[1]
    side = np.where(since < 0, -0.5, 0.5)
    level = float(np.median(speed[since >= after.shape[1] // 2]))
    lag = np.abs(t[:, None] - t[None, :])
    noise: Floats = response.covariance(t, t) + response.nugget * np.eye(t.size) \
        + DRIFT_SD**2 * np.exp(-lag / 60.0) + response.side_sd**2 * np.outer(side, side)
    root = np.linalg.cholesky(noise)
    draws = place.series.time_s[first]
    missing = np.where(since >= 0,
                       -scale * square_law(t - draws, times_s[:, None], depth), 0.0)
    white = np.linalg.solve(root, np.vstack([np.ones(t.size), speed / max(level, 0.1),
                                             missing]).T)
    one = white[:, 0] / np.linalg.norm(white[:, 0])
    y, columns = (part - np.outer(one, one @ part) for part in (white[:, 1:2], white[:, 2:]))
    return np.sum(columns**2, axis=0), columns.T @ y[:, 0]


def _block_means(place: Place, way: Floats, first: int, last: int) -> Floats:
    """Times and means of blocks over some bins, shape (2, k); none where a bin is unknown."""
    size = place.bins(BLOCK_S)
    count = (last - first) // size
    if count < 1 or not np.isfinite(way[first:first + count * size]).all():
        return np.empty((2, 0))
    return np.array([part[first:first + count * size].reshape(count, size).mean(axis=1)
                     for part in (place.series.time_s, way)])


def _relative(case: Sides) -> Floats:
    """What is made good over its level on either side, smoothed over a wave or two."""
    index = np.arange(case.measure.size)
    first, second = (np.mean(case.measure[m]) for m in (case.before, case.after))
    level = np.where(index < case.place.crossing, first, second)
    return box_mean(case.measure, case.place.bins(7.0)) / np.maximum(level, 0.05)


def _depth(case: Sides) -> float:
    """Share of her speed that was lost where it was lowest in the turn."""
    place = case.place
    one, grid = place.series, place.series.grid
    way = box_mean(np.hypot(one.east_ms, one.north_ms), grid.bins(3.0))
    level = float(np.mean(way[case.after]))
    near = way[place.start:max(place.start + 10, place.end + grid.bins(20.0))]
    if not np.isfinite(near).any():
        return 0.3
    return float(np.clip(1.0 - np.nanmin(near) / max(level, 0.05), 0.05, 1.0))


def _usual_depths(sides: list[Sides]) -> dict[str, float]:
    return {kind: float(np.median([_depth(one) for one in sides if one.place.kind == kind]))
            for kind in sorted({one.place.kind for one in sides})}


def _scale(case: Sides, usual: float) -> float:
    """Her depth over the usual; a factor of three at most, as it is a single lowest reading."""
    return float(np.clip(_depth(case) / usual, 1.0 / 3.0, 3.0))


def _build(case: Sides, time: BuildTime, usual: float) -> Build:
    place = case.place
    return Build(place.end + place.bins(DRAW_S), _scale(case, usual), time)


def _recovery(case: Sides) -> int | None:
    """First bin from which what she makes good stays back for eight seconds."""
    place = case.place
    hold = place.bins(8.0)
    relative = _relative(case)
    last = min(place.crossing + place.bins(LATEST_S), place.ceiling, relative.size - 1)
    noise = 1.5 * mad_sd(relative[case.after]) if case.after.sum() > 5 else 0.0
    good = relative[place.crossing:last + 1] >= min(BACK, 1.0 - noise)
    # After the turn itself: through the wind the speed made good can stand high.
    good[:max(0, place.end - place.crossing)] = False
    held = np.convolve(good.astype(float), np.ones(hold), mode="valid")
    stays = np.flatnonzero(held >= hold - 0.5)
    return place.crossing + int(stays[0]) if stays.size else None


def bound(case: Sides, build: Build) -> Bounded:
    """Where the maneuver ends and which sailing after it is steady."""
    place = case.place
    back = _recovery(case)
    # The build counts from when her sails draw; what is seen of the recovery counts too.
    seen = min(back or 0, place.end + place.bins(3.0 * build.time.middle_s)) + place.bins(5.0)
    soonest = max(seen, build.draws)
    longest = place.end + place.bins(LATEST_S)
    stop = max(soonest, build.done(longest, place.step_s))
    # Rather leave a little of the build to the estimate of the tail than have no steady sailing.
    latest = place.ceiling - place.bins(LEAD_S + 2.0 * LEAST_S)
    stop = min(max(min(stop, latest), soonest), place.ceiling)
    lacking, lacking_sd, tail_s = build.lacking(stop, place.step_s)
    index = np.arange(case.measure.size)
    until = min(place.ceiling - place.bins(LEAD_S), stop + place.bins(AROUND_S))
    after = np.isfinite(case.measure) & (index > stop) & (index <= until)
    settled = case
    if after.sum() * place.step_s >= LEAST_S:
        settled = replace(case, after=after)
    return Bounded(settled, lacking, lacking_sd, tail_s, stop, back)


def readings(case: Bounded) -> int:
    """Readings from the turn's start until she is back (or as far as the loss is counted)."""
    place = case.place
    back = case.stop if case.back is None else min(case.stop, max(case.back, place.end))
    return place.series.readings(place.start, back)


def _checked(case: Bounded) -> Bounded:
    """The same with the angle she settled on and, if so, why she cannot be costed."""
    place = case.place
    after = case.sides.after & (np.arange(case.sides.after.size) > case.stop)
    settled = float(wrap180(mean_angle(place.series.twa_deg[after]))) if after.any() \
        else float("nan")
    case = replace(case, sides=replace(case.sides, after=after), settled_twa_deg=settled)
    return replace(case, reason=_reason(case))


def _reason(case: Bounded) -> Reason:
    sides, place = case.sides, case.place
    least = place.bins(LEAST_S)
    before, after = int(sides.before.sum()), int(sides.after.sum())
    gap = abs(abs(sides.twa_before_deg) - abs(sides.twa_after_deg))
    doubts = (
        (place.kind in NEW_COURSE, Reason.OTHER_COURSE_MEANT),
        (readings(case) < LEAST_READINGS, Reason.SLOW_LOG),
        (case.lacking > 0.15, Reason.NOT_BACK),
        (min(before, after) * place.step_s < LEAST_S, edge_reason(place, before, after, least)),
        (float((~np.isfinite(sides.measure[case.window])).mean()) > 0.1, Reason.GAP),
        (gap > (20.0 if sides.along == "wind" else 35.0), Reason.OTHER_COURSE),
        (_wind_differs(sides), Reason.WIND_DIFFERS),
    )
    return next((reason for true, reason in doubts if true), Reason.NONE)


def _wind_differs(sides: Sides) -> bool:
    """Whether the winds on the two sides are too unlike for one to stand for the other."""
    if not (sides.before.any() and sides.after.any()):
        return False
    one = sides.place.series
    first, second = (float(np.mean(one.wind_deg[m])) for m in (sides.before, sides.after))
    if abs(second - first) > WIND_TURN_DEG:
        return True
    first, second = (float(np.mean(one.tws_kn[m])) for m in (sides.before, sides.after))
    return bool(max(first, second) > WIND_RATIO * max(min(first, second), 0.1))
