"""The cost of one maneuver, what makes it uncertain, and whether the intervals hold."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from sailanalysis.core.angles import wrap180
from sailanalysis.core.series import true_stretches
from sailanalysis.core.stats import Z90, Z95, mad_sd
from sailanalysis.maneuvers.build import DEFAULT_BUILD_S, Bounded
from sailanalysis.maneuvers.case import LEAD_S, Place, Sides
from sailanalysis.maneuvers.reasons import Reason
from sailanalysis.maneuvers.reference import Reference, Response, SpeedModel, expected_vmg, predict
from sailanalysis.maneuvers.series import Series

SPEED_SCALE_SD: Final = 0.03
SHIFT_SHARE: Final = 0.4
"""Share of the unsteady speed made good that comes from shifts rather than gusts: unknown from one
boat's log, between none and all of it."""
ANGLE_SD_DEG: Final = 1.5
"""What a usual calibration leaves: 3 % of boat speed, 1.5 deg of wind angle (common practice)."""


@dataclass(frozen=True)
class Costed:
    """A bounded maneuver with its reference and its loss.

    Attributes
    ----------
    bounded : Bounded
    reference : Reference
    loss_m, sd_m : float
        Metres lost and their standard error.
    reason : Reason
        Why the loss is not trustworthy.
    """

    bounded: Bounded
    reference: Reference
    loss_m: float
    sd_m: float
    reason: Reason = Reason.NONE

    @property
    def place(self) -> Place:
        """Where she lies."""
        return self.bounded.place

    @property
    def pace_ms(self) -> float:
        """Mean speed made good of the reference."""
        return float(np.mean(self.reference.speed_ms))


@dataclass(frozen=True)
class Reckoning:
    """A day's maneuvers, step by step.

    Attributes
    ----------
    places : tuple of Place
        Those that lie on sailing with wind, heading and speed.
    bounded : dict of int to Bounded or Reason
        By row of the table; the reason where a side is missing.
    costed : tuple of Costed
    response : Response
        What the day taught of the boat.
    """

    places: tuple[Place, ...] = ()
    bounded: dict[int, Bounded | Reason] = field(default_factory=dict)
    costed: tuple[Costed, ...] = ()
    response: Response = field(default_factory=Response)


def cost(case: Bounded, response: Response, model: SpeedModel | None) -> Costed:
    """Work out the loss of one maneuver and its standard error, without calibration's."""
    one = case.place.series
    sides = case.sides
    twa = 0.5 * (abs(sides.twa_before_deg) + abs(sides.twa_after_deg))
    shape = expected_vmg(one, model, twa, response.lag_s)
    reference = predict(case, shape, response)
    made = sides.measure[case.window]
    lost = np.where(np.isfinite(made), reference.speed_ms - made, 0.0)
    loss = float(np.sum(lost) * one.grid.step_s) + reference.tail_m
    level = float(np.mean(reference.speed_ms))
    sd = float(np.sqrt(reference.sd_m**2 + noise_m(case, level, response) ** 2 + wind_m(case) ** 2))
    return Costed(case, reference, loss, sd)


def too_vague(case: Costed) -> bool:
    """Whether the interval is so wide that the loss tells nothing: by 60 % and five seconds."""
    half = Z95 * case.sd_m
    return half > 0.6 * abs(case.loss_m) and half > 5.0 * case.pace_ms


def settle_intervals(cases: list[Costed], bounded: list[Bounded], response: Response,
                     model: SpeedModel | None) -> tuple[list[Costed], float]:
    """Intervals widened by the day's own check, with calibration's part, and what they reject."""
    widen, angle_sd = widening(cases, bounded, response, model), angle_sd_deg(cases)
    out = []
    for case in cases:
        sd = float(np.sqrt((widen * case.sd_m) ** 2 + calibration_m(case, angle_sd) ** 2
                           + luck_m(case, response) ** 2))
        wide = replace(case, sd_m=sd)
        out.append(replace(wide, reason=Reason.TOO_UNCERTAIN) if too_vague(wide) else wide)
    return out, widen


def widening(rated: list[Costed], bounded: list[Bounded], response: Response,
             model: SpeedModel | None) -> float:
    """How far the intervals must be widened to hold where nothing happened.

    The whole reckoning is repeated on steady sailing, at instants without any maneuver, where the
    loss is nought: bridged wind, reference and all. Where the scatter of those losses exceeds
    what their intervals promise, all intervals of the day grow by that much.
    """
    if not rated:
        return 1.0
    turn = int(np.median([c.place.end - c.place.start for c in rated]))
    length = int(np.median([c.bounded.stop - c.place.start for c in rated]))
    scores = []
    for one in {id(c.place.whole): c.place.whole for c in rated}.values():
        for start in _quiet_starts(one, bounded, length):
            case = _mock(one, start, turn, length)
            if case is not None:
                mock = cost(case, response, model)
                scores.append(mock.loss_m / mock.sd_m)
    if len(scores) < 8:
        return 1.15  # the day is too short to check itself: the usual widening of long days
    # Robust: the 90 % range against the normal distribution's.
    return float(max(1.0, np.percentile(np.abs(scores), 90.0) / Z90))


def _quiet_starts(one: Series, bounded: list[Bounded], length: int) -> list[int]:
    """Bins with a minute of undisturbed sailing before them and after the length of a maneuver."""
    free = np.isfinite(one.vmg_ms) & (np.abs(np.abs(one.twa_deg) - 90.0) > 25.0)
    for case in bounded:
        place = case.place
        if place.whole is one:
            last = max(case.stop, place.end + one.grid.bins(45.0)) + place.shift
            free[max(0, place.start + place.shift - 8):last + 1] = False
    around = one.grid.bins(60.0)
    starts: list[int] = []
    for part in true_stretches(free):
        starts += range(part.start + around, part.stop - length - around, max(30, length // 2))
    return starts[:: max(1, len(starts) // 60)]


def _mock(whole: Series, start: int, turn: int, length: int) -> Bounded | None:
    around, lead = whole.grid.bins(60.0), whole.grid.bins(LEAD_S)
    shift = max(0, start - 2 * around)
    one = whole.cut(shift, start + length + 2 * around)
    start -= shift
    grid = one.grid
    index = np.arange(len(grid))
    place = Place(-1, "luff", one, whole, shift, start, start + turn, start + turn // 2, 0,
                  len(grid) - 1)
    stop = start + length
    before = (index >= start - around) & (index < start - lead)
    after = (index > stop) & (index <= stop + around)
    side = one.twa_deg[before | after]
    if not np.isfinite(side).all() or np.ptp(np.sign(side)) > 0 or np.ptp(np.abs(side)) > 60.0:
        return None
    twa = float(np.mean(side))
    sign = 1.0 if abs(twa) < 90.0 else -1.0
    wind = one.wind_deg.copy()
    a, b = max(0, start - grid.bins(3.0)), min(len(grid) - 1, place.end + grid.bins(15.0))
    wind[a:b] = np.linspace(wind[a], wind[b], b - a)
    sides = Sides(place, before, after, twa, twa, "wind", sign, sign * one.made_good_ms(wind))
    return Bounded(sides, DEFAULT_BUILD_S, 0.02, stop, None)


def noise_m(case: Bounded, level_ms: float, response: Response) -> float:
    """What waves and sensors leave in the integral of what she made good."""
    seconds = (case.window.stop - case.window.start) * case.place.step_s
    return level_ms * float(np.sqrt(response.nugget * 5.0 * seconds))


def luck_m(case: Costed, response: Response) -> float:
    """What a helm's answer to shifts would have been worth on the tack she left.

    A helm follows a shift late, which gains on the one tack what it loses on the other. Had she not
    turned, that part of her unsteady speed made good would have had the other sign: it is in the
    interval, and in no loss.
    """
    if not case.place.two_sided or case.bounded.along != "wind":
        return 0.0
    memory = response.memory_s
    span = max(0.0, (case.bounded.stop - case.place.crossing) * case.place.step_s)
    # Variance of the integral of a first-order process over the span.
    both = 2.0 * memory * (span - memory * (1.0 - np.exp(-span / memory)))
    return 2.0 * case.pace_ms * float(np.sqrt(SHIFT_SHARE * response.sill * both))


def wind_m(case: Bounded) -> float:
    """Wind direction drawn straight through the turn: how far it may have bowed meanwhile."""
    if case.along != "wind":
        return 0.0
    one, place = case.place.series, case.place
    wind = one.wind_deg
    lag = max(1, (place.end - place.start + one.grid.bins(20.0)) // 2)
    quiet = ~one.turning
    steady = np.flatnonzero(quiet[lag:-lag] & quiet[2 * lag:] & quiet[:-2 * lag])
    if steady.size < 30:
        bow = 3.0
    else:
        middle = wind[lag:-lag] - 0.5 * (wind[2 * lag:] + wind[:-2 * lag])
        bow = mad_sd(middle[steady])
    bridge = slice(place.start, min(place.end + one.grid.bins(15.0), case.stop) + 1)
    # Across the course the error counts in full; through the turn it changes sign and cancels.
    lever = one.made_good_ms(one.wind_deg + 90.0)[bridge]
    # A shift between the sides may have come at any moment of the turn: a step at an unknown time
    # differs from the straight line by 0.29 of itself in the mean, a gradual one by less.
    shift = 0.2 * abs(float(wind[min(wind.size - 1, bridge.stop)] - wind[bridge.start]))
    doubt = np.radians(np.hypot(bow * 2.0 / 3.0, shift))
    return abs(float(np.nansum(lever) * one.grid.step_s * doubt))


def calibration_m(case: Costed, angle_sd_deg: float) -> float:
    """What calibration leaves in the scales themselves: angles to the wind and boat speed."""
    share = SPEED_SCALE_SD
    sides = case.bounded.sides
    if sides.along == "wind":
        off = abs(sides.twa_after_deg) if sides.sign > 0 else 180.0 - abs(sides.twa_after_deg)
        slope = float(np.tan(np.radians(min(60.0, off))))
        share = float(np.hypot(share, np.radians(angle_sd_deg) * slope))
    return abs(case.loss_m) * share


def angle_sd_deg(cases: list[Costed]) -> float:
    """Doubt about angles to the wind: what calibration leaves, and what the day's turns betray.

    A vane that is off shows as unlike angles on the two tacks; upwash, leeway or a log that is
    off, as a wind that turns at every tack. Neither is corrected here: a compass that deviates
    does the same and costs nothing.
    """
    lean, jump = [], []
    for case in cases:
        sides = case.bounded.sides
        if not case.place.two_sided or sides.along != "wind":
            continue
        side = np.sign(sides.twa_before_deg)
        wind = [float(np.mean(case.place.series.wind_deg[m])) for m in (sides.before, sides.after)]
        lean.append(0.5 * (sides.twa_before_deg + sides.twa_after_deg))
        jump.append(0.5 * side * (wind[0] - wind[1]))
    if not lean:
        return ANGLE_SD_DEG
    # Few turns: shifts make these by chance, so that they count for less.
    trust = len(lean) / (len(lean) + 4.0)
    lean_deg = abs(float(np.median([wrap180(2.0 * v) / 2.0 for v in lean])))
    return float(np.hypot(ANGLE_SD_DEG, trust * np.hypot(lean_deg, float(np.median(jump)))))

