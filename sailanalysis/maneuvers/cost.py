"""The cost of one maneuver, what makes it uncertain, and whether the intervals hold."""

from __future__ import annotations

from typing import Final

import numpy as np

from sailanalysis.core.angles import wrap180
from sailanalysis.core.series import true_stretches
from sailanalysis.core.stats import Z90, Z95, mad_sd
from sailanalysis.maneuvers.case import LEAD_S, Case
from sailanalysis.maneuvers.reference import Response, SpeedModel, expected_vmg, predict
from sailanalysis.maneuvers.series import Series

SPEED_SCALE_SD: Final = 0.03
SHIFT_SHARE: Final = 0.4
"""Share of the unsteady speed made good that comes from shifts rather than gusts: unknown from one
boat's log, between none and all of it."""
ANGLE_SD_DEG: Final = 1.5
"""What a usual calibration leaves: 3 % of boat speed, 1.5 deg of wind angle (common practice)."""


def cost(case: Case, response: Response, model: SpeedModel | None) -> None:
    """Work out the loss of one maneuver and its standard error, without calibration's."""
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
    case.sd_m = float(np.sqrt(case.reference.sd_m**2 + noise_m(case, response) ** 2
                              + wind_m(case) ** 2))



def too_vague(case: Case) -> bool:
    """Whether the interval is so wide that the loss tells nothing: by 60 % and five seconds."""
    if case.reference is None:
        return False
    half = Z95 * case.sd_m
    return half > 0.6 * abs(case.loss_m) and half > 5.0 * float(np.mean(case.reference.speed_ms))


def widening(cases: list[Case], response: Response, model: SpeedModel | None) -> float:
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
    for one in {id(c.whole): c.whole for c in rated}.values():
        for start in _quiet_starts(one, cases, length):
            case = _mock(one, start, turn, length)
            if case is not None:
                cost(case, response, model)
                scores.append(case.loss_m / case.sd_m)
    if len(scores) < 8:
        return 1.15  # the day is too short to check itself: the usual widening of long days
    # Robust: the 90 % range against the normal distribution's.
    return float(max(1.0, np.percentile(np.abs(scores), 90.0) / Z90))


def _quiet_starts(one: Series, cases: list[Case], length: int) -> list[int]:
    """Bins with a minute of undisturbed sailing before them and after the length of a maneuver."""
    free = np.isfinite(one.vmg_ms) & (np.abs(np.abs(one.twa_deg) - 90.0) > 25.0)
    for case in cases:
        if case.whole is one:
            last = max(case.stop, case.end + one.grid.bins(45.0)) + case.shift
            free[max(0, case.start + case.shift - 8):last + 1] = False
    around = one.grid.bins(60.0)
    starts: list[int] = []
    for part in true_stretches(free):
        starts += range(part.start + around, part.stop - length - around, max(30, length // 2))
    return starts[:: max(1, len(starts) // 60)]


def _mock(one: Series, start: int, turn: int, length: int) -> Case | None:
    around, lead = one.grid.bins(60.0), one.grid.bins(LEAD_S)
    shift = max(0, start - 2 * around)
    whole, one = one, one.cut(shift, start + length + 2 * around)
    start -= shift
    grid = one.grid
    index = np.arange(len(grid))
    case = Case(-1, "luff", one, whole, shift, start, start + turn, start + turn // 2, 0,
                len(grid) - 1)
    case.stop = start + length
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
    case.measure = case.sign * one.made_good_ms(wind)
    return case


def noise_m(case: Case, response: Response) -> float:
    """What waves and sensors leave in the integral of what she made good."""
    assert case.reference is not None
    level = float(np.mean(case.reference.speed_ms))
    seconds = (case.window.stop - case.window.start) * case.series.grid.step_s
    return level * float(np.sqrt(response.nugget * 5.0 * seconds))


def luck_m(case: Case, response: Response) -> float:
    """What a helm's answer to shifts would have been worth on the tack she left.

    A helm follows a shift late, which gains on the one tack what it loses on the other. Had she not
    turned, that part of her unsteady speed made good would have had the other sign: it is in the
    interval, and in no loss.
    """
    if case.reference is None or not case.two_sided or case.along != "wind":
        return 0.0
    level = float(np.mean(case.reference.speed_ms))
    memory = response.memory_s
    span = max(0.0, (case.stop - case.crossing) * case.series.grid.step_s)
    # Variance of the integral of a first-order process over the span.
    both = 2.0 * memory * (span - memory * (1.0 - np.exp(-span / memory)))
    return 2.0 * level * float(np.sqrt(SHIFT_SHARE * response.sill * both))


def wind_m(case: Case) -> float:
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
    lever = one.made_good_ms(one.wind_deg + 90.0)[bridge]
    # A shift between the sides may have come at any moment of the turn: a step at an unknown time
    # differs from the straight line by 0.29 of itself in the mean, a gradual one by less.
    shift = 0.2 * abs(float(wind[min(wind.size - 1, bridge.stop)] - wind[bridge.start]))
    doubt = np.radians(np.hypot(bow * 2.0 / 3.0, shift))
    return abs(float(np.nansum(lever) * one.grid.step_s * doubt))


def calibration_m(case: Case, angle_sd_deg: float) -> float:
    """What calibration leaves in the scales themselves: angles to the wind and boat speed."""
    share = SPEED_SCALE_SD
    if case.along == "wind":
        off = abs(case.twa_after_deg) if case.sign > 0 else 180.0 - abs(case.twa_after_deg)
        share = np.hypot(share, np.radians(angle_sd_deg) * np.tan(np.radians(min(60.0, off))))
    return abs(case.loss_m) * float(share)


def angle_sd_deg(cases: list[Case]) -> float:
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

