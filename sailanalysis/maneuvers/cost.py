"""The cost of one maneuver, what makes it uncertain, and whether the intervals hold."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from sailanalysis.core.angles import wrap180
from sailanalysis.core.series import true_stretches
from sailanalysis.core.stats import Z95, mad_sd
from sailanalysis.maneuvers.build import Bounded
from sailanalysis.maneuvers.case import LEAD_S, Place, Sides
from sailanalysis.maneuvers.noise import Bools, Near, Responses, Stretch
from sailanalysis.maneuvers.reasons import Reason
from sailanalysis.maneuvers.reference import (
    BLOCK_S,
    Reference,
    Response,
    SpeedModel,
    expected_vmg,
    predict,
)
from sailanalysis.maneuvers.series import Series

SPEED_SCALE_SD: Final = 0.03
ANGLE_SD_DEG: Final = 1.5
"""What a usual calibration leaves: 3 % of boat speed, 1.5 deg of wind angle (common practice)."""
VAGUE_S: Final = 8.0
"""Half an interval beyond these seconds of sailing tells no good turn from a bad one: a tack costs
five to fifteen."""
HIDDEN_AFTER_S: Final = 10.0
HIDDEN_WIND_SD: Final = 0.02
"""In a turn the wind's speed is known to some per cent only (a swinging masthead, damped sensors),
and so is the speed it would have brought: about half as much (square root of the wind)."""
MOCK_SIDE_S: Final = 45.0
MOCKS_USUAL: Final = 6.0
"""Mock maneuvers whose worth the promise of the intervals has before any is counted."""


@dataclass(frozen=True)
class Costed:
    """A bounded maneuver with its reference and its loss.

    Attributes
    ----------
    bounded : Bounded
    reference : Reference
    loss_m, sd_m : float
        Metres lost and their standard error.
    shared_m : float
        The part of it that all turns of the day share: calibration's, and the build's.
    reason : Reason
        Why the loss is not trustworthy.
    """

    bounded: Bounded
    reference: Reference
    loss_m: float
    sd_m: float
    shared_m: float
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
    responses : dict of float to Response
        What the day taught of the boat upwind (1) and downwind (-1).
    at_least_m : dict of int to float
        By row of the table: what the maneuver cost at least.
    """

    places: tuple[Place, ...] = ()
    bounded: dict[int, Bounded | Reason] = field(default_factory=dict)
    costed: tuple[Costed, ...] = ()
    responses: Responses = field(default_factory=dict)
    at_least_m: dict[int, float] = field(default_factory=dict)


def cost(case: Bounded, response: Response, model: SpeedModel | None) -> Costed:
    """Work out the loss of one maneuver and its standard error, without calibration's."""
    sides = case.sides
    twa = 0.5 * (abs(sides.twa_before_deg) + abs(sides.twa_after_deg))
    shape = expected_vmg(case.place.series, model, twa, response.lag_s)
    reference = predict(case, shape, response)
    made = case.sides.measure[case.window]
    lost = np.where(np.isfinite(made), reference.speed_ms - made, 0.0)
    loss = float(np.sum(lost) * case.place.step_s) + reference.tail_m
    level = float(np.mean(reference.speed_ms))
    parts = (reference.sd_m, noise_m(case, level, response), wind_m(case),
             hidden_wind_m(case, level), interpolation_m(case))
    # How her speed comes back was learned from all the day's turns, and errs for all alike.
    return Costed(case, reference, loss, float(np.linalg.norm(parts)),
                  case.lacking_sd * case.tail_s * level)


def hidden_wind_m(case: Bounded, level_ms: float) -> float:
    """What the wind's speed did in the turn, while the masthead swings and sensors settle."""
    place = case.place
    seconds = (place.end - place.start) * place.step_s + HIDDEN_AFTER_S
    return HIDDEN_WIND_SD * level_ms * seconds


def interpolation_m(case: Bounded) -> float:
    """What lies between the readings: each step of speed may have come at any moment there.

    A step at an unknown moment of an interval errs by its height times the interval over the root
    of twelve (a uniform law).
    """
    one, window = case.place.series, case.window
    read = np.flatnonzero(one.speed_read[window] & one.heading_read[window])
    made = case.sides.measure[window]
    if read.size < 2:
        read = np.arange(made.size)
    gap_s = np.diff(read) * one.grid.step_s
    return float(np.sqrt(np.nansum((np.diff(made[read]) * gap_s) ** 2) / 12.0))


def too_vague(sd_m: float, case: Costed) -> bool:
    """Whether the interval is wider than a use can bear, whatever the loss."""
    return Z95 * sd_m > VAGUE_S * case.pace_ms


def verdict(case: Costed, own_sd_m: float) -> Reason:
    """Why a loss is not trustworthy, whatever its size.

    Parameters
    ----------
    case : Costed
    own_sd_m : float
        Without calibration's share, which goes with the loss and is common to all.
    """
    if not np.isfinite(case.loss_m + case.sd_m) or too_vague(own_sd_m, case):
        return Reason.TOO_UNCERTAIN
    return Reason.GAIN if case.loss_m + Z95 * case.sd_m < 0.0 else case.reason


def settle_intervals(cases: list[Costed], near: Near,
                     model: SpeedModel | None) -> tuple[list[Costed], Responses]:
    """Intervals widened by the day's own check, with calibration's part, and what they reject."""
    angle_sd = angle_sd_deg(cases)
    checked = {sign: replace(response, widening=widening(
        [c for c in cases if c.bounded.sides.sign == sign], near.stretches[sign], response, model))
        for sign, response in near.responses.items()}
    out = []
    for case in cases:
        response = checked[case.bounded.sides.sign]
        own = float(np.hypot(response.widening * case.sd_m, luck_m(case, response)))
        scale_m = calibration_m(case, angle_sd)
        wide = replace(case, sd_m=float(np.hypot(own, scale_m)),
                       shared_m=float(np.hypot(case.shared_m, scale_m)))
        out.append(replace(wide, reason=verdict(wide, own)))
    return out, checked


def widening(costed: list[Costed], stretches: list[Stretch], response: Response,
             model: SpeedModel | None) -> float:
    """How far the intervals must be widened to hold where nothing happened.

    The whole reckoning is repeated on steady sailing like that about these turns, at instants
    without any maneuver, where the loss is nought: bridged wind, reference and all. The scatter of
    those losses against what their intervals promise, drawn to one by ``MOCKS_USUAL``, widens all
    intervals of their kind.
    """
    if not costed:
        return 1.0
    turn = int(np.median([c.place.end - c.place.start for c in costed]))
    length = int(np.median([c.bounded.stop - c.place.start for c in costed]))
    scores = []
    for one, mask, _ in stretches:
        for start in _mock_starts(one, mask, length):
            case = _mock(one, start, turn, length)
            if case is not None:
                mock = cost(case, response, model)
                scores.append(mock.loss_m / mock.sd_m)
    # Neighbours share half of their sailing; one wild stretch must not speak for the day.
    square = np.minimum(np.square(scores), 3.0**2)
    count = 0.5 * len(scores)
    return float(max(1.0, np.sqrt((MOCKS_USUAL + 0.5 * square.sum()) / (MOCKS_USUAL + count))))


def _mock_starts(one: Series, mask: Bools, length: int) -> list[int]:
    """Bins with three quarters of a minute of steady sailing before them and after a turn."""
    around = one.grid.bins(MOCK_SIDE_S)
    starts: list[int] = []
    for part in true_stretches(mask & np.isfinite(one.vmg_ms)):
        starts += range(part.start + around, part.stop - length - around, max(20, length // 2))
    return starts[:: max(1, len(starts) // 60)]


def _mock(whole: Series, start: int, turn: int, length: int) -> Bounded | None:
    around, lead = whole.grid.bins(MOCK_SIDE_S), whole.grid.bins(LEAD_S)
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
    return Bounded(sides, 0.0, 0.0, 1.0, stop, None)  # nothing was lost: nothing builds


def noise_m(case: Bounded, level_ms: float, response: Response) -> float:
    """What waves and sensors leave in the integral of what she made good."""
    seconds = (case.window.stop - case.window.start) * case.place.step_s
    grid = case.place.series.grid
    block_s = grid.bins(BLOCK_S) * grid.step_s
    return level_ms * float(np.sqrt(response.nugget * block_s * seconds))


def luck_m(case: Costed, response: Response) -> float:
    """What a helm's late answer to shifts would have been worth on the tack she left.

    A helm follows a shift late, which gains on the one tack what it loses on the other. Had she not
    turned, that part of her angle's unsteadiness, which is measured
    (:attr:`Response.luck_deg2_s`), would have had the other sign: it is in the interval, and in no
    loss.
    """
    sides = case.bounded.sides
    if not case.place.two_sided or sides.along != "wind":
        return 0.0
    span = max(0.0, (case.bounded.stop - case.place.crossing) * case.place.step_s)
    across = case.pace_ms * abs(float(np.tan(np.radians(_off_axis_deg(sides)))))
    return 2.0 * across * float(np.radians(np.sqrt(response.luck_deg2_s * span)))


def _off_axis_deg(sides: Sides) -> float:
    """Angle between her course and the wind's axis, after the turn."""
    off = abs(sides.twa_after_deg) if sides.sign > 0 else 180.0 - abs(sides.twa_after_deg)
    return min(60.0, off)


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
        slope = float(np.tan(np.radians(_off_axis_deg(sides))))
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

