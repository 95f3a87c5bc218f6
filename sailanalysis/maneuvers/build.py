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
TIMES_S: Final = np.geomspace(2.0, 60.0, 18)
LAW_SPREAD: Final = 0.15
"""How far the square law may be out between upwind and down, in the logarithm."""
LACK: Final = 0.02
"""A maneuver is over when no more than this share of her speed should still be missing."""
TAIL_SHARE: Final = 0.7
"""A drag that goes with the square of speed ends the build exponentially; a hull at her own limit
gets there sooner. What is still missing lies between none and all of the exponential's."""
LATEST_S: Final = 240.0
"""A heavy boat in light air may take two minutes to rebuild; after four, something else goes on."""
FOLLOWED_S: Final = 120.0
DRIFT_SD: Final = 0.04
"""Speed after a turn is followed for two minutes; what the wind does meanwhile beyond the expected
is a slow drift of some per cent, not a build."""
DRAW_S: Final = 6.0
"""After the turning her sails draw fully again some seconds later: the build counts from then."""


@dataclass(frozen=True)
class BuildTime:
    """Time constant of the build for one kind of turn: its middle and 68 % bounds."""

    middle_s: float = USUAL_BUILD_S
    low_s: float = USUAL_BUILD_S * float(np.exp(-BUILD_SPREAD))
    high_s: float = USUAL_BUILD_S * float(np.exp(BUILD_SPREAD))


@dataclass(frozen=True)
class Build:
    """How speed comes back: exponentially, from a share ``deep`` lost at bin ``low``."""

    low: int
    deep: float
    time: BuildTime

    def lacking(self, bin_: int, step_s: float) -> float:
        """Share of the speed still missing at a bin."""
        return self.deep * float(np.exp(-max(0, bin_ - self.low) * step_s / self.time.middle_s))

    def bins_until(self, share: float, step_s: float) -> int:
        """Bins from the low until no more than ``share`` is missing."""
        if self.deep <= share:
            return 0
        return round(self.time.middle_s * float(np.log(self.deep / share)) / step_s)


@dataclass(frozen=True)
class Bounded:
    """A maneuver from entry to recovery, and the sailing beside it that is steady.

    Attributes
    ----------
    sides : Sides
        With ``after`` settled.
    time : BuildTime
        Time constant with which speed comes back.
    lacking : float
        Share of the speed expected to be missing at ``stop``.
    stop : int
        Last bin over which the loss is counted.
    back : int or None
        Bin from which what she makes good stays back.
    settled_twa_deg : float
    reason : Reason
        Why she cannot be costed.
    """

    sides: Sides
    time: BuildTime
    lacking: float
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
    bounded: list[Bounded] = []
    for _ in range(2):
        bounded = [bound(one, _build(one, times[one.place.kind])) for one in sides]
        sides = [one.sides for one in bounded]
    return [_checked(one) for one in bounded]


def build_times(sides: list[Sides], responses: dict[float, Response]) -> dict[str, BuildTime]:
    """Time constant of each kind's build, from all the day's turns stacked.

    Drag that goes with the square of speed makes speed come back exponentially over a length that
    is the boat's own (her mass over her drag), so that the time constant goes inversely with her
    speed. Every turn has its own level and depth; the length is common. Its likelihood (restricted,
    with the noise correlated as the day's steady sailing is) is summed over the turns, with the lag
    of speed behind the wind, which is the same inertia, as prior.
    """
    turns = [one for one in sides if one.place.two_sided] or sides
    if not turns:
        return {}
    pace = {id(one): _pace_ms(one) for one in sides}
    middle = float(np.median([pace[id(one)] for one in turns]))
    lags = [responses[one.sign].lag_s for one in turns if responses[one.sign].blocks]
    usual = float(np.sqrt(USUAL_BUILD_S * max(float(np.median(lags)), 3.0))) if lags \
        else USUAL_BUILD_S
    log = -0.5 * (np.log(TIMES_S / usual) / BUILD_SPREAD) ** 2
    for one in turns:
        # A turn at twice the usual pace builds in half the time.
        times = TIMES_S * middle / pace[id(one)]
        log = log + _build_likelihood(one, responses[one.sign], times)
    share = np.cumsum(np.exp(log - log.max()))
    low, mid, high = np.exp(np.interp([0.16, 0.5, 0.84], share / share[-1], np.log(TIMES_S)))
    spread = np.exp(LAW_SPREAD)
    out = {}
    for kind in {one.place.kind for one in sides}:
        ratio = middle / float(np.median([pace[id(one)] for one in sides
                                          if one.place.kind == kind]))
        out[kind] = BuildTime(float(mid * ratio), float(low * ratio / spread),
                              float(high * ratio * spread))
    return out


def _pace_ms(case: Sides) -> float:
    one = case.place.series
    way = np.hypot(one.east_ms, one.north_ms)[case.before]
    return max(float(np.nanmedian(way)), 0.2) if np.isfinite(way).any() else 0.2


def _build_likelihood(case: Sides, response: Response, times_s: Floats) -> Floats:
    """Restricted log likelihood of time constants by one turn's speed after it."""
    place = case.place
    way = np.hypot(place.series.east_ms, place.series.north_ms)
    first = place.end + place.bins(DRAW_S)
    last = min(place.ceiling - place.bins(LEAD_S), place.end + place.bins(FOLLOWED_S), way.size)
    size = place.bins(BLOCK_S)
    count = (last - first) // size
    if count < 5 or not np.isfinite(way[first:last]).all():
        return np.zeros(times_s.size)
    wind = expected_vmg(place.series, None, 0.0, response.lag_s)
    way = way / (1.0 + response.gain * (wind / float(np.mean(wind[first:last])) - 1.0))
    speed = way[first:first + count * size].reshape(count, size).mean(axis=1)
    level = float(np.median(speed[count // 2:]))
    t: Floats = np.arange(count, dtype=float) * (size * place.step_s)
    noise: Floats = response.covariance(t, t) + response.nugget * np.eye(count) \
        + DRIFT_SD**2 * np.exp(-np.abs(t[:, None] - t[None, :]) / 60.0)
    root = np.linalg.cholesky(noise)
    y = np.linalg.solve(root, speed / max(level, 0.1))
    out = []
    for time_s in times_s:
        design = np.linalg.solve(root, np.column_stack([np.ones(count), -np.exp(-t / time_s)]))
        # A depth of nothing at all, or of all her speed, is a bound that the prior keeps soft.
        normal = design.T @ design + np.diag([0.0, 1.0 / 0.3**2])
        best = np.linalg.solve(normal, design.T @ y)
        left = float(y @ y - best @ (design.T @ y))
        out.append(-0.5 * left - 0.5 * float(np.linalg.slogdet(normal)[1]))
    return np.asarray(out)


def _relative(case: Sides) -> Floats:
    """What is made good over its level on either side, smoothed over a wave or two."""
    index = np.arange(case.measure.size)
    first, second = (np.mean(case.measure[m]) for m in (case.before, case.after))
    level = np.where(index < case.place.crossing, first, second)
    return box_mean(case.measure, case.place.bins(7.0)) / np.maximum(level, 0.05)


def _build(case: Sides, time: BuildTime) -> Build:
    """Where her speed was lowest in the turn, and the share of it that was lost there."""
    place = case.place
    one, grid = place.series, place.series.grid
    way = box_mean(np.hypot(one.east_ms, one.north_ms), grid.bins(3.0))
    level = float(np.mean(way[case.after]))
    near = way[place.start:max(place.start + 10, place.end + grid.bins(20.0))]
    if not np.isfinite(near).any():
        return Build(place.end, 0.3, time)
    low = int(np.nanargmin(near))
    return Build(place.start + low, float(np.clip(1.0 - near[low] / max(level, 0.05), 0.0, 1.0)),
                 time)


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
    soonest = max(seen, place.end + place.bins(DRAW_S))
    stop = max(soonest, build.low + build.bins_until(LACK, place.step_s))
    # Rather leave a little of the build to the estimate of the tail than have no steady sailing.
    latest = place.ceiling - place.bins(LEAD_S + 2.0 * LEAST_S)
    stop = min(max(min(stop, latest), soonest), place.ceiling)
    lacking = min(TAIL_SHARE * build.lacking(stop, place.step_s), 0.4)
    index = np.arange(case.measure.size)
    until = min(place.ceiling - place.bins(LEAD_S), stop + place.bins(AROUND_S))
    after = np.isfinite(case.measure) & (index > stop) & (index <= until)
    settled = case
    if after.sum() * place.step_s >= LEAST_S:
        settled = replace(case, after=after)
    return Bounded(settled, build.time, lacking, stop, back)


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
