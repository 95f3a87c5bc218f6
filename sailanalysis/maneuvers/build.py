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
from sailanalysis.segment.grid import box_mean

Bools = NDArray[np.bool_]

BACK: Final = 0.95
"""Share of the reference at which she counts as recovered."""
DEFAULT_BUILD_S: Final = 6.0
"""A ten-metre yacht's in a breeze, from her mass and resistance; until the day shows her own."""
LACK: Final = 0.02
"""A maneuver is over when no more than this share of her speed should still be missing."""
LATEST_S: Final = 120.0
"""A catamaran may take a minute to rebuild; after two, something else is going on."""


@dataclass(frozen=True)
class Build:
    """How speed comes back: exponentially, from a share ``deep`` lost at bin ``low``."""

    low: int
    deep: float
    time_s: float

    def lacking(self, bin_: int, step_s: float) -> float:
        """Share of the speed still missing at a bin."""
        return self.deep * float(np.exp(-max(0, bin_ - self.low) * step_s / self.time_s))

    def bins_until(self, share: float, step_s: float) -> int:
        """Bins from the low until no more than ``share`` is missing."""
        if self.deep <= share:
            return 0
        return round(self.time_s * float(np.log(self.deep / share)) / step_s)


@dataclass(frozen=True)
class Bounded:
    """A maneuver from entry to recovery, and the sailing beside it that is steady.

    Attributes
    ----------
    sides : Sides
        With ``after`` settled.
    build_s : float
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
    build_s: float
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


def bound_all(sides: list[Sides]) -> list[Bounded]:
    """Where every maneuver ends: what is settled sets the build, and the build what is settled."""
    bounded: list[Bounded] = []
    for _ in range(2):
        builds = builds_of(sides)
        bounded = [bound(one, builds[one.place.row]) for one in sides]
        sides = [one.sides for one in bounded]
    return [_checked(one) for one in bounded]


def _relative(case: Sides) -> Floats:
    """What is made good over its level on either side, smoothed over a wave or two."""
    index = np.arange(case.measure.size)
    first, second = (np.mean(case.measure[m]) for m in (case.before, case.after))
    level = np.where(index < case.place.crossing, first, second)
    return box_mean(case.measure, case.place.bins(7.0)) / np.maximum(level, 0.05)


def _own_build(case: Sides) -> Build | None:
    """Depth of the loss of speed, and the time constant from half to 85 % of it regained."""
    place = case.place
    one, grid = place.series, place.series.grid
    last = min(place.crossing + grid.bins(LATEST_S), place.ceiling)
    index = np.arange(len(grid))
    first, second = (np.mean(one.speed_ms[m]) for m in (case.before, case.after))
    level = np.where(index < place.crossing, first, second if place.two_sided else first)
    part = (box_mean(one.speed_ms, grid.bins(3.0)) / np.maximum(level, 0.05))[place.start:last]
    if part.size < 10 or not np.isfinite(part).any():
        return None
    near = part[:max(10, place.end + grid.bins(20.0) - place.start)]
    if not np.isfinite(near).any():
        return None
    low = int(np.nanargmin(near))
    deep = 1.0 - float(part[low])
    with np.errstate(invalid="ignore"):
        half = np.flatnonzero(part[low:] > 1.0 - 0.5 * deep)
        most = np.flatnonzero(part[low:] > 1.0 - 0.15 * deep)
    if deep < 0.08 or not (half.size and most.size):
        return None
    seconds = (most[0] - half[0]) * grid.step_s / np.log(0.5 / 0.15)
    return Build(place.start + low, deep, float(np.clip(seconds, 1.0, 40.0)))


def builds_of(sides: list[Sides]) -> dict[int, Build]:
    """Every maneuver's build, its time constant drawn to the middle one of its kind."""
    fitted = {one.place.row: _own_build(one) for one in sides}
    out = {}
    for one in sides:
        alike = [b.time_s for other in sides
                 if other.place.kind == one.place.kind and (b := fitted[other.place.row])]
        usual = float(np.median(alike)) if alike else DEFAULT_BUILD_S
        single = fitted[one.place.row]
        if single is None:
            out[one.place.row] = Build(one.place.end, 0.1, usual)
        else:
            # One noisy curve against the middle of many: the geometric mean of the two.
            share = 0.5 if len(alike) >= 3 else 1.0
            out[one.place.row] = Build(single.low, single.deep,
                                       usual ** (1.0 - share) * single.time_s**share)
    return out


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
    soonest = max(back or 0, place.end) + place.bins(5.0)
    stop = max(soonest, build.low + build.bins_until(LACK, place.step_s))
    # Rather leave a little of the build to the estimate of the tail than have no steady sailing.
    latest = place.ceiling - place.bins(LEAD_S + 2.0 * LEAST_S)
    stop = min(max(min(stop, latest), soonest), place.ceiling)
    lacking = min(build.lacking(stop, place.step_s), 0.3)
    index = np.arange(case.measure.size)
    until = min(place.ceiling - place.bins(LEAD_S), stop + place.bins(AROUND_S))
    after = np.isfinite(case.measure) & (index > stop) & (index <= until)
    settled = case
    if after.sum() * place.step_s >= LEAST_S:
        settled = replace(case, after=after)
    return Bounded(settled, build.time_s, lacking, stop, back)


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
        (case.back is None, Reason.NOT_BACK),
        (min(before, after) * place.step_s < LEAST_S, edge_reason(place, before, after, least)),
        (float((~np.isfinite(sides.measure[case.window])).mean()) > 0.1, Reason.GAP),
        (sides.along == "wind" and gap > 20.0, Reason.OTHER_COURSE),
    )
    return next((reason for true, reason in doubts if true), Reason.NONE)
