"""What each maneuver cost: metres made good that she lost by it, with an interval.

Loss = what she would have made good had she not turned, less what she did, from just before the
turn until the speed made good is back. Upwind and downwind it is counted along the wind as it was
at each moment, so that a shift is neither credited nor blamed; where she reached, along the
course, and ``loss_along`` says so.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.angles import Floats, cosd, mean_angle, wrap180
from sailanalysis.measure.loss_reference import (
    Reference,
    Response,
    SpeedModel,
    expected_vmg,
    learn_response,
    predict,
)
from sailanalysis.measure.loss_series import Series, sailing_series
from sailanalysis.model import Boat
from sailanalysis.segment.grid import box_mean
from sailanalysis.series import epoch_s, true_stretches
from sailanalysis.stats import mad_sd

Bools = NDArray[np.bool_]

LEAD_S: Final = 8.0
"""The helm's preparation (bearing away for speed, easing) lies before the turn."""
AROUND_S: Final = 75.0
LEAST_S: Final = 20.0
"""Less steady sailing than this on a side does not carry a reference."""
BACK: Final = 0.95
DEFAULT_BUILD_S: Final = 6.0
LACK: Final = 0.02
"""A maneuver is over when no more than this share of her speed should still be missing."""
LATEST_S: Final = 120.0
"""A catamaran may take a minute to rebuild; after two, something else is going on."""
SPEED_SCALE_SD: Final = 0.03
ANGLE_SD_DEG: Final = 1.5
"""What a usual calibration leaves: 3 % of boat speed, 1.5 deg of wind angle (common practice)."""
REACH_FROM_DEG: Final = 65.0
REACH_TO_DEG: Final = 125.0
"""Between these she reaches (common practice), unless her own best angles lie nearer the beam."""


@dataclass
class Case:
    """One maneuver on its series; bins throughout."""

    row: int
    kind: str
    series: Series
    start: int
    end: int
    crossing: int
    floor: int
    ceiling: int
    along: str = "wind"
    sign: float = 1.0
    stop: int = 0
    back: int | None = None
    build_s: float = 6.0
    lacking: float = 0.02
    measure: Floats = field(default_factory=lambda: np.empty(0))
    before: Bools = field(default_factory=lambda: np.empty(0, dtype=bool))
    after: Bools = field(default_factory=lambda: np.empty(0, dtype=bool))
    twa_before_deg: float = float("nan")
    twa_after_deg: float = float("nan")
    reference: Reference | None = None
    loss_m: float = float("nan")
    sd_m: float = float("nan")
    why_not: str = ""

    @property
    def window(self) -> slice:
        """Bins over which the loss is counted."""
        return slice(max(0, self.start - self.series.grid.bins(LEAD_S)), self.stop + 1)

    @property
    def two_sided(self) -> bool:
        """Whether she came out on another tack."""
        return self.kind in ("tack", "gybe")


def rate_maneuvers(samples: pd.DataFrame, maneuvers: pd.DataFrame, legs: pd.DataFrame,
                   speed_model: SpeedModel | None, boat: Boat) -> tuple[pd.DataFrame, Any]:
    """Cost every maneuver, with its anatomy and what the dear ones have in common.

    Parameters
    ----------
    samples : DataFrame, n rows
    maneuvers : DataFrame
        From ``find_maneuvers``.
    legs : DataFrame
        From ``find_legs``.
    speed_model : callable or None
        ``(tws_kn, twa_deg) -> stw_kn``, NaN where unknown: the season's polar or the day's.
    boat : Boat
        ``loa_m`` (else ``lwl_m``) for losses in boat lengths.

    Returns
    -------
    maneuvers : DataFrame
        The same rows, ``loss_*``, ``recovery_s``, ``rated`` and ``why_not`` filled. ``recovery_s``
        runs from the crossing (the end of the turn where there is none) until the speed made good
        stays above 95 % of the reference. The interval holds the noise of the reference, of the
        wind's direction through the turn and of the day's wind axis.
    study : ManeuverStudy
    """
    from sailanalysis.measure.anatomy import study_maneuvers

    table = maneuvers.copy()
    cases, response = cost_cases(samples, table, speed_model)
    length = boat.loa_m or boat.lwl_m
    fill_table(table, cases, length)
    return table, study_maneuvers(samples, table, cases, response, boat)


def cost_cases(samples: pd.DataFrame, table: pd.DataFrame,
               model: SpeedModel | None) -> tuple[list[Case], Response]:
    """All maneuvers with their references and losses, and what the day taught of the boat."""
    if not len(table):
        return [], Response()
    series = sailing_series(samples, table)
    cases = _cases(series, table)
    response = learn_response(_steady_stretches(series, cases), model)
    for case in cases:
        _prepare(case, model)
    for _ in range(2):  # what counts as settled sets the build, and the build what is settled
        builds = _builds(cases)
        for case in cases:
            _limit(case, builds[case.row])
    for case in cases:
        _check(case)
    response = replace(response, side_sd=_side_sd(cases, response))
    for case in cases:
        if not case.why_not:
            _cost(case, response, model)
    widen, angle_sd = _widening(cases, response, model), _angle_sd_deg(cases)
    for case in cases:
        if case.reference is not None:
            case.sd_m = float(np.hypot(widen * case.sd_m, _calibration_m(case, angle_sd)))
    return cases, replace(response, widening=widen)


def fill_table(table: pd.DataFrame, cases: list[Case], length_m: float | None) -> None:
    """Write losses into the maneuvers' table."""
    table["why_not"] = "no wind, heading or boat speed through this maneuver"
    table["rated"] = False
    for case in cases:
        k = case.row
        step = case.series.grid.step_s
        table.loc[k, "why_not"] = case.why_not
        table.loc[k, "loss_along"] = case.along if case.kind not in ("bear_away", "head_up") else ""
        if case.back is not None:
            table.loc[k, "recovery_s"] = max(0, case.back - case.crossing) * step
        if case.reference is None:
            continue
        half = 1.96 * case.sd_m
        pace = float(np.mean(case.reference.speed_ms))
        table.loc[k, "loss_m"] = case.loss_m
        table.loc[k, "loss_m_low"] = case.loss_m - half
        table.loc[k, "loss_m_high"] = case.loss_m + half
        table.loc[k, "loss_s"] = case.loss_m / pace if pace > 0.1 else np.nan
        if length_m:
            table.loc[k, "loss_boat_lengths"] = case.loss_m / length_m
        table.loc[k, "rated"] = not case.why_not


# ------------------------------------------------------------------------------- the cases
def _cases(series: list[Series], table: pd.DataFrame) -> list[Case]:
    start, end = epoch_s(table["start"]), epoch_s(table["end"])
    crossing = np.where(table["crossing"].notna(),
                        epoch_s(table["crossing"].fillna(table["end"])), end)
    cases: list[Case] = []
    for one in series:
        t0, t1 = one.time_s[0] - one.grid.step_s, one.time_s[-1] + one.grid.step_s
        inside = [k for k in range(len(table)) if start[k] >= t0 and end[k] <= t1]
        for j, k in enumerate(inside):
            floor = one.index(end[inside[j - 1]]) if j else 0
            ceiling = one.index(start[inside[j + 1]]) if j + 1 < len(inside) \
                else len(one.grid) - 1
            cases.append(Case(k, str(table["kind"].iloc[k]), one, one.index(start[k]),
                              one.index(end[k]), one.index(crossing[k]), floor, ceiling))
    return sorted(cases, key=lambda case: case.row)


def _steady_stretches(series: list[Series],
                      cases: list[Case]) -> list[tuple[Series, Bools, float]]:
    out = []
    for one in series:
        free = ~one.turning
        for case in cases:
            if case.series is one:
                late = case.end + one.grid.bins(45.0)
                free[max(0, case.start - one.grid.bins(LEAD_S)):late] = False
        off = np.abs(one.twa_deg)
        for low, high in ((25.0, 65.0), (65.0, 115.0), (115.0, 181.0)):
            mask = free & (off > low) & (off <= high)
            if mask.sum() > one.grid.bins(40.0) and low != 65.0:
                out.append((one, mask, float(np.median(off[mask]))))
    return out


def _prepare(case: Case, model: SpeedModel | None) -> None:
    """Sides, angles, direction that counts, and whether there is anything to compare."""
    one, grid = case.series, case.series.grid
    if case.kind in ("bear_away", "head_up"):
        case.why_not = "she took up another course: there is nothing to compare with"
    lead, reach = grid.bins(LEAD_S), grid.bins(AROUND_S)
    index = np.arange(len(grid))
    known = np.isfinite(one.vmg_ms)
    begin = case.start - lead
    case.before = known & (index >= max(case.floor, begin - reach)) & (index < begin)
    # Until the build is known: the later half of what follows, two minutes and a half at most.
    last = min(case.ceiling - lead, case.end + 2 * reach)
    rough = known & (index >= (case.end + last) // 2) & (index < last)
    if not rough.any():
        rough = known & (index > case.end) & (index < case.ceiling)
    case.after = rough
    if not case.before.any() or not rough.any():
        case.why_not = case.why_not or _edge_reason(case)
        return
    case.twa_before_deg = float(wrap180(mean_angle(one.twa_deg[case.before])))
    case.twa_after_deg = float(wrap180(mean_angle(one.twa_deg[rough])))
    case.along, case.sign = _direction(case, model)
    case.measure = _measure(case)


def _edge_reason(case: Case) -> str:
    at_end = case.ceiling >= len(case.series.grid) - 1 or case.floor == 0
    return "no steady sailing on both sides: the log or the sailing begins or ends there" \
        if at_end else "too close to another maneuver"


def _direction(case: Case, model: SpeedModel | None) -> tuple[str, float]:
    """Along the wind where she beat or ran, along the course where she reached."""
    before, after = abs(case.twa_before_deg), abs(case.twa_after_deg)
    sign = 1.0 if before + after < 180.0 else -1.0
    best = _best_angle_deg(case, model, sign)
    if sign > 0:
        reaching = max(before, after) > max(REACH_FROM_DEG, best + 15.0)
    else:
        reaching = min(before, after) < min(REACH_TO_DEG, best - 20.0)
    return ("course" if reaching else "wind"), sign


def _best_angle_deg(case: Case, model: SpeedModel | None, sign: float) -> float:
    """Angle of best speed made good, up or down, by the polar; 45 or 150 without one."""
    usual = 45.0 if sign > 0 else 150.0
    tws = case.series.tws_kn[case.before | case.after]
    if model is None or not np.isfinite(tws).any():
        return usual
    angles = np.arange(30.0, 90.0, 2.0) if sign > 0 else np.arange(92.0, 181.0, 2.0)
    speed = np.asarray(model(np.full(angles.size, float(np.nanmean(tws))), angles), dtype=float)
    made = sign * speed * cosd(angles)
    return float(angles[int(np.nanargmax(made))]) if np.isfinite(made).sum() > 3 else usual


def _measure(case: Case) -> Floats:
    one = case.series
    if case.along == "wind":
        return case.sign * one.vmg_ms
    first = mean_angle(np.mod(one.course_deg[case.before], 360.0))
    second = mean_angle(np.mod(one.course_deg[case.after], 360.0))
    index = np.arange(len(one.grid))
    aim = np.where(index < case.crossing, first, second if case.two_sided else first)
    return np.asarray(one.speed_ms * cosd(one.course_deg - aim), dtype=float)


# ------------------------------------------------------------------------ end of a maneuver
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


def _builds(cases: list[Case]) -> dict[int, Build]:
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


def _limit(case: Case, build: Build) -> None:
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


def _check(case: Case) -> None:
    """Say why a maneuver cannot be costed."""
    if not case.measure.size:
        return
    step = case.series.grid.step_s
    case.after = case.after & (np.arange(case.after.size) > case.stop)
    if case.back is None:
        case.why_not = case.why_not or "her speed was not back before the next change"
    if case.before.sum() * step < LEAST_S or case.after.sum() * step < LEAST_S:
        case.why_not = case.why_not or _edge_reason(case)
    window = case.window
    if (~np.isfinite(case.measure[window])).mean() > 0.1:
        case.why_not = case.why_not or "a gap in the log"
    gap = abs(abs(case.twa_before_deg) - abs(case.twa_after_deg))
    if case.along == "wind" and gap > 20.0:
        case.why_not = case.why_not or "she came out on another course, as at a mark"


def _side_sd(cases: list[Case], response: Response) -> float:
    """How much the two tacks differ in level, beyond the noise of their means."""
    good = [c for c in cases if c.two_sided and not c.why_not]
    if len(good) < 4:
        return response.side_sd
    d = np.array([2 * (np.mean(c.measure[c.after]) - np.mean(c.measure[c.before]))
                  / (np.mean(c.measure[c.after]) + np.mean(c.measure[c.before])) for c in good])
    t = np.concatenate([np.arange(0.0, 75.0, 5.0), np.arange(130.0, 205.0, 5.0)])
    weight = np.where(t < 100.0, -1.0, 1.0) / 15.0
    noise = weight @ response.covariance(t, t) @ weight + response.nugget * 2 / 15.0
    return float(np.sqrt(max(mad_sd(d - np.median(d)) ** 2 + np.median(d) ** 2 - noise, 0.01**2)))


# ------------------------------------------------------------------------------------ cost
def _cost(case: Case, response: Response, model: SpeedModel | None) -> None:
    one = case.series
    twa = 0.5 * (abs(case.twa_before_deg) + abs(case.twa_after_deg))
    shape = expected_vmg(one, model, twa, response.lag_s)
    case.reference = predict(one, case.measure, shape, case.before, case.after, case.window,
                             case.crossing, response, case.two_sided, case.build_s,
                             case.lacking)
    made = case.measure[case.window]
    good = np.isfinite(made)
    lost = np.where(good, case.reference.speed_ms - made, 0.0)
    case.loss_m = float(np.sum(lost) * one.grid.step_s) + case.reference.tail_m
    case.sd_m = float(np.sqrt(case.reference.sd_m**2 + _noise_m(case, response) ** 2
                              + _wind_m(case) ** 2))


def _widening(cases: list[Case], response: Response, model: SpeedModel | None) -> float:
    """How far the intervals must be widened to hold where nothing happened.

    The whole reckoning is repeated on steady sailing, at instants without any maneuver, where the
    loss is nought: bridged wind, reference and all. Where the scatter of those losses exceeds
    what their intervals promise, all intervals of the day grow by that much.
    """
    rated = [c for c in cases if c.reference is not None]
    if not rated:
        return 1.0
    turn = int(np.median([c.end - c.start for c in rated]))
    length = int(np.median([c.stop - c.start for c in rated]))
    scores = []
    for one in {id(c.series): c.series for c in rated}.values():
        for start in _quiet_starts(one, cases, length):
            case = _mock(one, start, turn, length)
            if case is not None:
                _cost(case, response, model)
                scores.append(case.loss_m / case.sd_m)
    if len(scores) < 8:
        return 1.15  # the day is too short to check itself: the usual widening of long days
    # Robust: the 90 % range against the normal distribution's.
    return float(max(1.0, np.percentile(np.abs(scores), 90.0) / 1.645))


def _quiet_starts(one: Series, cases: list[Case], length: int) -> list[int]:
    """Bins with a minute of undisturbed sailing before them and after the length of a maneuver."""
    free = np.isfinite(one.vmg_ms) & (np.abs(np.abs(one.twa_deg) - 90.0) > 25.0)
    for case in cases:
        if case.series is one:
            free[max(0, case.start - 8):max(case.stop, case.end + one.grid.bins(45.0)) + 1] = False
    around = one.grid.bins(60.0)
    starts: list[int] = []
    for part in true_stretches(free):
        starts += range(part.start + around, part.stop - length - around, max(30, length // 2))
    return starts[:: max(1, len(starts) // 60)]


def _mock(one: Series, start: int, turn: int, length: int) -> Case | None:
    grid = one.grid
    index = np.arange(len(grid))
    case = Case(-1, "luff", one, start, start + turn, start + turn // 2, 0, len(grid) - 1)
    case.stop = start + length
    around, lead = grid.bins(60.0), grid.bins(LEAD_S)
    case.before = (index >= start - around) & (index < start - lead)
    case.after = (index > case.stop) & (index <= case.stop + around)
    use = case.before | case.after
    side = one.twa_deg[use]
    if not np.isfinite(side).all() or np.ptp(np.sign(side)) > 0 or np.ptp(np.abs(side)) > 60.0:
        return None
    case.twa_before_deg = case.twa_after_deg = float(np.mean(side))
    case.sign = 1.0 if abs(case.twa_before_deg) < 90.0 else -1.0
    wind = one.wind_deg.copy()
    a, b = max(0, start - grid.bins(3.0)), min(len(grid) - 1, case.end + grid.bins(15.0))
    wind[a:b] = np.linspace(wind[a], wind[b], b - a)
    case.measure = case.sign * one.speed_ms * cosd(wind - one.course_deg)
    return case


def _noise_m(case: Case, response: Response) -> float:
    """What waves and sensors leave in the integral of what she made good."""
    assert case.reference is not None
    level = float(np.mean(case.reference.speed_ms))
    seconds = (case.window.stop - case.window.start) * case.series.grid.step_s
    return level * float(np.sqrt(response.nugget * 5.0 * seconds))


def _wind_m(case: Case) -> float:
    """Wind direction drawn straight through the turn: how far it may have bowed meanwhile."""
    if case.along != "wind":
        return 0.0
    one = case.series
    wind = one.wind_deg
    lag = max(1, (case.end - case.start + one.grid.bins(20.0)) // 2)
    quiet = ~one.turning
    steady = np.flatnonzero(quiet[lag:-lag] & quiet[2 * lag:] & quiet[:-2 * lag])
    if steady.size < 30:
        bow = 3.0
    else:
        middle = wind[lag:-lag] - 0.5 * (wind[2 * lag:] + wind[:-2 * lag])
        bow = mad_sd(middle[steady])
    bridge = slice(case.start, min(case.end + one.grid.bins(15.0), case.stop) + 1)
    # Across the course the error counts in full; through the turn it changes sign and cancels.
    lever = one.speed_ms[bridge] * np.sin(np.radians(one.wind_deg - one.course_deg)[bridge])
    return abs(float(np.nansum(lever) * one.grid.step_s * np.radians(bow) * 2.0 / 3.0))


def _calibration_m(case: Case, angle_sd_deg: float) -> float:
    """What calibration leaves in the scales themselves: angles to the wind and boat speed."""
    share = SPEED_SCALE_SD
    if case.along == "wind":
        off = abs(case.twa_after_deg) if case.sign > 0 else 180.0 - abs(case.twa_after_deg)
        share = np.hypot(share, np.radians(angle_sd_deg) * np.tan(np.radians(min(60.0, off))))
    return abs(case.loss_m) * float(share)


def _angle_sd_deg(cases: list[Case]) -> float:
    """Doubt about angles to the wind: what calibration leaves, and what the day's turns betray.

    A vane that is off shows as unlike angles on the two tacks; upwash, leeway or a log that is
    off, as a wind that turns at every tack. Neither is corrected here: a compass that deviates
    does the same and costs nothing.
    """
    lean, jump = [], []
    for case in cases:
        if not case.two_sided or case.along != "wind" or case.reference is None:
            continue
        side = np.sign(case.twa_before_deg)
        wind = [float(np.mean(case.series.wind_deg[m])) for m in (case.before, case.after)]
        lean.append(0.5 * (case.twa_before_deg + case.twa_after_deg))
        jump.append(0.5 * side * (wind[0] - wind[1]))
    if not lean:
        return ANGLE_SD_DEG
    # Few turns: shifts make these by chance, so that they count for less.
    trust = len(lean) / (len(lean) + 4.0)
    lean_deg = abs(float(np.median([wrap180(2.0 * v) / 2.0 for v in lean])))
    return float(np.hypot(ANGLE_SD_DEG, trust * np.hypot(lean_deg, float(np.median(jump)))))
