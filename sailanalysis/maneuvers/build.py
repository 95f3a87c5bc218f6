"""How speed comes back after a maneuver, and so where the maneuver ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from sailanalysis.core.angles import Floats, mean_angle, wrap180
from sailanalysis.core.stats import mad_sd
from sailanalysis.maneuvers.case import AROUND_S, LEAD_S, LEAST_S, Case, edge_reason
from sailanalysis.segment.grid import box_mean

BACK: Final = 0.95
"""Share of the reference at which she counts as recovered."""
DEFAULT_BUILD_S: Final = 6.0
"""A ten-metre yacht's in a breeze, from her mass and resistance; until the day shows her own."""
LACK: Final = 0.02
"""A maneuver is over when no more than this share of her speed should still be missing."""
LATEST_S: Final = 120.0
"""A catamaran may take a minute to rebuild; after two, something else is going on."""


def _relative(case: Case) -> Floats:
    """What is made good over its level on either side, smoothed over a wave or two."""
    index = np.arange(case.measure.size)
    first, second = (np.mean(case.measure[m]) for m in (case.before, case.after))
    level = np.where(index < case.crossing, first, second)
    return box_mean(case.measure, case.series.grid.bins(7.0)) / np.maximum(level, 0.05)


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


def _own_build(case: Case) -> Build | None:
    """Depth of the loss of speed, and the time constant from half to 85 % of it regained."""
    one, grid = case.series, case.series.grid
    last = min(case.crossing + grid.bins(LATEST_S), case.ceiling)
    index = np.arange(len(grid))
    first, second = (np.mean(one.speed_ms[m]) for m in (case.before, case.after))
    level = np.where(index < case.crossing, first, second if case.two_sided else first)
    part = (box_mean(one.speed_ms, grid.bins(3.0)) / np.maximum(level, 0.05))[case.start:last]
    if part.size < 10 or not np.isfinite(part).any():
        return None
    low = int(np.nanargmin(part[:max(10, case.end + grid.bins(20.0) - case.start)]))
    deep = 1.0 - float(part[low])
    with np.errstate(invalid="ignore"):
        half = np.flatnonzero(part[low:] > 1.0 - 0.5 * deep)
        most = np.flatnonzero(part[low:] > 1.0 - 0.15 * deep)
    if deep < 0.08 or not (half.size and most.size):
        return None
    seconds = (most[0] - half[0]) * grid.step_s / np.log(0.5 / 0.15)
    return Build(case.start + low, deep, float(np.clip(seconds, 1.0, 40.0)))


def builds_of(cases: list[Case]) -> dict[int, Build]:
    """Every maneuver's build, its time constant drawn to the middle one of its kind."""
    own = {c.row: _own_build(c) if c.measure.size else None for c in cases}
    out = {}
    for case in cases:
        alike = [b.time_s for c in cases if c.kind == case.kind and (b := own[c.row])]
        usual = float(np.median(alike)) if alike else DEFAULT_BUILD_S
        mine = own[case.row]
        if mine is None:
            out[case.row] = Build(case.end, 0.1, usual)
        else:
            # One noisy curve against the middle of many: the geometric mean of the two.
            share = 0.5 if len(alike) >= 3 else 1.0
            out[case.row] = Build(mine.low, mine.deep,
                                  usual ** (1.0 - share) * mine.time_s**share)
    return out


def _own_recovery(case: Case) -> int | None:
    """First bin from which what she makes good stays back for eight seconds."""
    hold = case.series.grid.bins(8.0)
    relative = _relative(case)
    last = min(case.crossing + case.series.grid.bins(LATEST_S), case.ceiling, relative.size - 1)
    noise = 1.5 * mad_sd(relative[case.after]) if case.after.sum() > 5 else 0.0
    good = relative[case.crossing:last + 1] >= min(BACK, 1.0 - noise)
    # After the turn itself: through the wind the speed made good can stand high.
    good[:max(0, case.end - case.crossing)] = False
    held = np.convolve(good.astype(float), np.ones(hold), mode="valid")
    found = np.flatnonzero(held >= hold - 0.5)
    return case.crossing + int(found[0]) if found.size else None


def set_end(case: Case, build: Build) -> None:
    """Set where the maneuver ends and which sailing after it is steady."""
    if not case.measure.size:
        return
    grid = case.series.grid
    case.back = _own_recovery(case)
    soonest = max(case.back or 0, case.end) + grid.bins(5.0)
    stop = max(soonest, build.low + build.bins_until(LACK, grid.step_s))
    # Rather leave a little of the build to the estimate of the tail than have no steady sailing.
    latest = case.ceiling - grid.bins(LEAD_S + 2.0 * LEAST_S)
    case.stop = min(max(min(stop, latest), soonest), case.ceiling)
    case.build_s = build.time_s
    case.lacking = min(build.lacking(case.stop, grid.step_s), 0.3)
    index = np.arange(len(grid))
    known = np.isfinite(case.measure)
    until = min(case.ceiling - grid.bins(LEAD_S), case.stop + grid.bins(AROUND_S))
    after = known & (index > case.stop) & (index <= until)
    if after.sum() * grid.step_s >= LEAST_S:
        case.after = after


def check(case: Case) -> None:
    """Say why a maneuver cannot be costed."""
    if not case.measure.size:
        return
    step = case.series.grid.step_s
    case.after = case.after & (np.arange(case.after.size) > case.stop)
    if case.after.any():
        case.settled_twa_deg = float(wrap180(mean_angle(case.series.twa_deg[case.after])))
    if case.back is None:
        case.why_not = case.why_not or "her speed was not back before the next change"
    if case.before.sum() * step < LEAST_S or case.after.sum() * step < LEAST_S:
        case.why_not = case.why_not or edge_reason(case, case.series.grid.bins(LEAST_S))
    window = case.window
    if (~np.isfinite(case.measure[window])).mean() > 0.1:
        case.why_not = case.why_not or "a gap in the log"
    gap = abs(abs(case.twa_before_deg) - abs(case.twa_after_deg))
    if case.along == "wind" and gap > 20.0:
        case.why_not = case.why_not or "she came out on another course, as at a mark"
