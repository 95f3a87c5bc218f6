"""Sensor errors from the day's own sailing: estimates, intervals, and what the day cannot tell.

The fit is in :mod:`calibrate_fit`; here its posterior is turned into estimates that say whether
they can be trusted, the current through the day, and what a correction would change.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, TypedDict

import numpy as np
import pandas as pd

from sailanalysis.calibrate.blocks import BOARDS, Seconds, steady_seconds
from sailanalysis.calibrate.equations import FITTED, NAMES, PRIOR, compass_turn
from sailanalysis.calibrate.fit import Fit, fit_errors
from sailanalysis.calibrate.steps import Step, find_steps, standing_wheel
from sailanalysis.calibrate.views import before_after, current_through_day, deviation_curve
from sailanalysis.core.angles import wrap180
from sailanalysis.core.model import Boat, Conditioned, LeewayLaw
from sailanalysis.core.points import is_upwind
from sailanalysis.core.series import utc_index
from sailanalysis.core.stats import Z95
from sailanalysis.wind.leeway import usual

ESTIMATED: Final = (*FITTED, "leeway_k")
USEFUL_HALF_WIDTH: Final = {
    # A correction known less well than this may do more harm than the error usual for such a
    # sensor (common practice: speed 3-10 %, vane and compass a few degrees, leeway a factor 2).
    "stw_factor": 0.03, "awa_offset_deg": 1.5, "aws_factor": 0.08,
    "heading_offset_deg": 2.0, "leeway_deg": 1.5, "upwash_deg": 1.0,
}
SAYS_NOTHING: Final = 0.8
"""A posterior spread above this share of the prior's is what we believed before: left empty."""
MIN_HEADING_SPREAD_DEG: Final = 60.0
"""Headings closer than this cannot tell a speed error from a current, whatever a fit says."""
MIN_SIDE_S: Final = 180.0
"""Steady seconds on each tack without which a tack says nothing."""
MIN_UP_DOWNS: Final = 2
"""One change from beating to running cannot be told from the wind's own change at that hour."""
MIN_TOTAL_S: Final = 600.0
FINEST_SD: Final = {
    # No sensor's error stays the same all day to better than this: a wheel fouls and the bow yaws
    # (cosine of 4 deg: 0.2 %), a compass and a vane are read to a few tenths (common practice).
    "stw_factor": 0.0015, "awa_offset_deg": 0.1, "aws_factor": 0.005, "heading_offset_deg": 0.1,
    "leeway_deg": 0.1, "upwash_deg": 0.1,
}
LAW_SHARE: Final = {"heel": 0.06, "wind": 0.12}
"""No formula is the boat's: what part of the leeway the law itself may be wrong by."""
JOINT: Final = (*FITTED, "upwash_deg", "shear_deg")
"""Quantities whose joint covariance is handed on."""
UNALIKE_SHARE: Final = 0.08
"""How much of a difference in pointing between the tacks may pass into the vane's estimate.

The slope of speed over angle close-hauled comes out too flat by some tenths, for the angle it is
read at is noisy; a sixth of half the difference may be left (this is one standard deviation)."""


@dataclass(frozen=True)
class SensorEstimate:
    """One correction, beyond what the boat file already holds (leeway: as a whole).

    Attributes
    ----------
    name : str
    value, low, high : float
        Estimate and 95 % interval; NaN where the log has no such channel or says next to nothing
        about it.
    determined : bool
        Whether the day can tell it well enough to use.
    why_not : str
        What to sail, or what is missing, when not.
    count : int
        Steady blocks it rests on.
    seconds : float
        Steady seconds it rests on.
    """

    name: str
    value: float
    low: float
    high: float
    determined: bool
    why_not: str
    count: int
    seconds: float


class Correction(TypedDict):
    """One sensor's entry of ``calibration.json``; None where not known."""

    value: float | None
    low: float | None
    high: float | None
    determined: bool
    why_not: str | None
    count: int
    seconds: float


@dataclass(frozen=True)
class CalibrationResult:
    """What the day says about its sensors.

    Attributes
    ----------
    estimates : dict of str to SensorEstimate
        By name of ``FITTED``, and ``leeway_k``, the boat file's form of the leeway.
    leeway : LeewayLaw or None
        Leeway as found today, where it is determined.
    joint : DataFrame
        Covariance of ``JOINT``.
    shear_deg : float
        What to add to the masthead's wind angle to get the one the sails feel: a wind that turns
        with height, or a rig out of tune. Seldom told from a crooked vane by one day.
    steps : tuple of Step
        Times in which a sensor read otherwise than in the rest of the day.
    current : DataFrame
        Index ``time``; ``set_deg, set_low_deg, set_high_deg, drift_kn, drift_low_kn,
        drift_high_kn, north_kn, east_kn, sd_kn``. Empty where not known.
    before_after : DataFrame
        One row a symmetry: ``what, unit, before, before_low, before_high, after, after_low,
        after_high``, with the boat file's corrections and with today's determined ones.
    deviation : DataFrame
        ``hdg_deg, correction_deg, low_deg, high_deg`` every 10 deg of logged heading: what to add
        there. Empty where headings are not spread well enough.
    deviation_why_not : str
    upwash_deg : SensorEstimate or None
        Bend of the wind at the masthead close-hauled, a by-product.
    seconds : float
        Steady seconds used.
    blocks : int
    side_changes : int
        Times the wind changed sides between steady stretches.
    heading_spread_deg : float
    notes : tuple of str
        What the estimates suppose, in a sailor's words.
    """

    estimates: dict[str, SensorEstimate]
    current: pd.DataFrame
    before_after: pd.DataFrame
    deviation: pd.DataFrame
    deviation_why_not: str
    upwash_deg: SensorEstimate | None
    leeway: LeewayLaw | None
    joint: pd.DataFrame
    shear_deg: float
    steps: tuple[Step, ...]
    seconds: float
    blocks: int
    side_changes: int
    heading_spread_deg: float
    notes: tuple[str, ...] = field(default=())

    def as_dict(self) -> dict[str, Correction]:
        """The form of ``calibration.json``: by name ``value, low, high, determined, why_not``."""
        def number(x: float) -> float | None:
            return float(x) if np.isfinite(x) else None

        return {
            name: {"value": number(e.value), "low": number(e.low), "high": number(e.high),
                   "determined": e.determined, "why_not": e.why_not or None, "count": e.count,
                   "seconds": e.seconds}
            for name, e in self.estimates.items()
        }


@dataclass(frozen=True)
class _Sailed:
    """How the day was sailed, as far as identifiability goes."""

    seconds: float
    spread_deg: float
    starboard_s: float
    port_s: float
    changes: int
    up_downs: int


def estimate_calibration(
    samples: pd.DataFrame,
    cond: Conditioned | None = None,
    boat: Boat | None = None,
    maneuvers: pd.DataFrame | None = None,
    engine_told: bool = False,
) -> CalibrationResult:
    """Estimate the sensors' errors together, from steady sailing and motoring.

    Parameters
    ----------
    samples : DataFrame
        Corrected with the boat file's values, as from ``wind.wind_and_water``; ``state`` is used
        where it is filled.
    cond : Conditioned, optional
        For the apparent wind before levelling; without it nothing about the wind sensor.
    boat : Boat, optional
        The boat file whose corrections ``samples`` already carry.
    maneuvers : DataFrame, optional
        Left out with 20 s after each.
    engine_told : bool
        Whether the crew log says when the engine ran: then ``motoring`` is no guess.

    Returns
    -------
    CalibrationResult
    """
    boat = boat or Boat()
    data = steady_seconds(samples, cond, boat, maneuvers, engine_told)
    if data is None:
        return _nothing(samples)
    start_k = boat.sensors.leeway_k
    prior = _prior(data, start_k)
    fit = fit_errors(data, prior)
    sailed = _how_sailed(data)
    estimates = _estimates(data, fit, sailed, prior)
    sure = {name: e.value for name, e in estimates.items() if e.determined}
    curve, why_not = deviation_curve(data, fit, prior)
    return CalibrationResult(
        estimates=estimates,
        current=current_through_day(fit),
        before_after=before_after(data, fit, sure, start_k),
        leeway=_law(data, fit) if estimates["leeway_deg"].determined else None,
        joint=_joint(data, fit),
        steps=tuple(standing_wheel(samples) + find_steps(data, fit, prior)),
        shear_deg=fit.value["shear_deg"] if fit.wind_blocks.size else float("nan"),
        deviation=curve,
        deviation_why_not=why_not,
        upwash_deg=_upwash(fit, data),
        seconds=sailed.seconds,
        blocks=data.blocks,
        side_changes=sailed.changes,
        heading_spread_deg=sailed.spread_deg,
        notes=_NOTES if fit.wind_blocks.size else (),
    )


_NOTES: Final = (
    "A crooked vane, a wind that turns with height and a rig out of tune all make the angles of "
    "the two tacks differ in the same way; one day seldom tells them apart, many days do.",
)


def _prior(data: Seconds, file_k: float | None) -> dict[str, tuple[float, float]]:
    """What is believed before the day speaks, where it is not the usual."""
    prior: dict[str, tuple[float, float]] = {}
    if file_k is not None and np.isfinite(data.load_reference):
        # A coefficient from the boat file is knowledge of earlier days, good to about a third.
        angle = file_k * data.load_reference
        prior["leeway_deg"] = (angle, max(1.0, 0.33 * angle))
    if not data.by_heel:
        # Nothing shows the side force itself: the law off the wind is a guess.
        prior["leeway_reach_deg"] = (0.0, 0.5)
        prior["leeway_power"] = (0.8, 0.4)
    if data.by_heel is False and not np.isfinite(data.load_reference):
        # No heel to level the wind by: at 20 deg the vane reads 2 deg too far ahead.
        prior["upwash_deg"] = (-1.0, 2.0)
    if np.isfinite(data.upright_deg):
        prior["heel_zero_deg"] = (data.upright_deg, 0.3)
    return prior


def _law(data: Seconds, fit: Fit) -> LeewayLaw:
    """Leeway as found, for sensors that carry the fit's corrections."""
    value, sd = fit.value["leeway_deg"], _sd("leeway_deg", data, fit)
    speed, wind = fit.value["stw_factor"], fit.value["aws_factor"]
    reference = (data.load_reference / speed**2 if data.by_heel
                 else data.press_reference * (wind / speed) ** 2)
    boards = tuple(
        (name, value + (fit.value[BOARDS[number - 1]] if number else 0.0))
        for number, name in enumerate(data.board_names)) if len(data.board_names) > 1 else ()
    return LeewayLaw(value, value - Z95 * sd, value + Z95 * sd, "heel" if data.by_heel else "wind",
                     float(reference), fit.value["leeway_power"],
                     fit.value["heel_zero_deg"] if data.by_heel else 0.0, boards)


def _sd(name: str, data: Seconds, fit: Fit) -> float:
    """Standard deviation of an estimate, with what the fit's model leaves out."""
    beside = FINEST_SD.get(name, 0.0)
    if name == "leeway_deg":
        share = LAW_SHARE["heel" if data.by_heel else "wind"]
        beside = float(np.hypot(beside, share * fit.value[name]))
    return float(np.hypot(fit.sd[name], beside))


def _joint(data: Seconds, fit: Fit) -> pd.DataFrame:
    index = [NAMES.index(name) for name in JOINT]
    cov = fit.covariance[np.ix_(index, index)].copy()
    np.fill_diagonal(cov, [_sd(name, data, fit) ** 2 for name in JOINT])
    return pd.DataFrame(cov, index=list(JOINT), columns=list(JOINT))


def _how_sailed(data: Seconds) -> _Sailed:
    hdg = np.degrees(np.angle(data.mean(compass_turn(data.hdg_deg)))) % 360.0
    awa = np.degrees(np.angle(data.mean(compass_turn(data.awa_deg))))
    bins = np.bincount((hdg // 10).astype(int) % 36, data.seconds, 36)
    # A heading counts when two minutes or more were sailed within 15 deg of it.
    held = bins + np.roll(bins, 1) + np.roll(bins, -1)
    used = np.flatnonzero((held >= 120.0) & (bins > 0)) * 10.0
    apart = np.abs(wrap180(used[:, None] - used[None, :])) if used.size else np.zeros((1, 1))
    known = np.isfinite(awa)
    side = np.sign(awa[known])
    changes = int(np.sum(side[1:] * side[:-1] < 0)) if known.any() else 0
    return _Sailed(
        seconds=float(data.seconds.sum()), spread_deg=float(apart.max()),
        starboard_s=float(data.seconds[known][side > 0].sum()),
        port_s=float(data.seconds[known][side < 0].sum()), changes=changes,
        up_downs=_changes(np.abs(awa[known])))


def _changes(awa_deg: np.ndarray) -> int:
    """Times the day went from sailing up (wind ahead) to down (wind aft) or back."""
    up = np.where(awa_deg < 60.0, 1, np.where(awa_deg > 90.0, -1, 0))
    up = up[up != 0]
    return int(np.sum(up[1:] != up[:-1]))


def _estimates(data: Seconds, fit: Fit, sailed: _Sailed,
               prior: dict[str, tuple[float, float]]) -> dict[str, SensorEstimate]:
    prior = PRIOR | prior
    out = {}
    for name in FITTED:
        value, sd = fit.value[name], _sd(name, data, fit)
        if name == "awa_offset_deg":
            sd = np.hypot(sd, UNALIKE_SHARE * _points_apart(fit))
        sd = float(sd)
        if name in ("stw_factor", "heading_offset_deg", "leeway_deg"):
            blocks = fit.water_blocks
        else:
            blocks = fit.wind_blocks
        why = _why_not(name, data, fit, sailed, Z95 * sd, sd / prior[name][1])
        if not blocks.size or sd > SAYS_NOTHING * prior[name][1]:
            value = low = high = float("nan")
        else:
            low, high = value - Z95 * sd, value + Z95 * sd
        out[name] = SensorEstimate(
            name, value, low, high, not why, why, int(blocks.size),
            float(data.seconds[blocks].sum()))
    out["leeway_k"] = _coefficient(data, fit, out["leeway_deg"])
    return out


def _coefficient(data: Seconds, fit: Fit, angle: SensorEstimate) -> SensorEstimate:
    """Leeway as the boat file holds it: times heel over the square of the corrected speed."""
    load = data.load_reference
    if not np.isfinite(load):
        nan = float("nan")
        return SensorEstimate("leeway_k", nan, nan, nan, False, "The coefficient goes with heel, "
                              "and the log has no heel angle; leeway is given as an angle.",
                              angle.count, angle.seconds)
    scale = fit.value["stw_factor"] ** 2 / load
    value, half = angle.value * scale, 0.5 * (angle.high - angle.low) * scale
    if not data.by_heel:
        # The shape is the wind's, and heel upright is known to a fraction of what she heels.
        lean = usual(data.slow_heel_deg - np.nan_to_num(data.upright_deg), data.awa_deg,
                     data.has_sails)
        zero_sd = 0.3 if np.isfinite(data.upright_deg) else 0.5
        half = float(np.hypot(half, Z95 * abs(value) * min(zero_sd / max(lean, 0.1), 1.0)))
    return SensorEstimate("leeway_k", value, value - half, value + half, angle.determined,
                          angle.why_not, angle.count, angle.seconds)


def _points_apart(fit: Fit) -> float:
    """Close-hauled, how much closer she points on one tack than on the other, degrees."""
    upwind = is_upwind(fit.twa_deg)
    starboard, port = (fit.twa_deg[upwind & (side * fit.twa_deg > 0)] for side in (1, -1))
    if min(starboard.size, port.size) < 3:
        return 0.0
    return float(abs(np.median(starboard) + np.median(port)))


_RECIPROCAL = ("In open water hold a steady course for five minutes under sail or engine, then "
               "its reciprocal for five minutes.")
_BOTH_TACKS = ("Sail close-hauled for five minutes on each tack, twice, in a steady wind.")


_ADVICE: Final = {
    "stw_factor": _RECIPROCAL, "heading_offset_deg": _RECIPROCAL,
    "leeway_deg": "Sail close-hauled on both tacks and a reach or run between, heeled "
                  "differently.",
    "awa_offset_deg": "A wind that turns with height looks the same; a season of days "
                      "tells. " + _BOTH_TACKS,
    "aws_factor": "Sail close-hauled on both tacks, then the same stretch downwind, in a "
                  "steady wind.",
}
"""What to sail so that the next day tells."""
_BY_SIDE: Final = {"awa_offset_deg": "an error of the vane", "leeway_deg": "leeway",
                   "aws_factor": "an error of the wind speed"}
"""Errors that one tack alone cannot tell from the rest."""
_THROUGH_WATER: Final = ("stw_factor", "heading_offset_deg", "leeway_deg")


def _lacks(name: str, data: Seconds, fit: Fit) -> str:
    """What the log does not hold that a value needs."""
    through_water = name in _THROUGH_WATER
    if through_water and not fit.water_blocks.size:
        return ("It needs boat speed, heading and position together under way; the log lacks one "
                "of them.")
    if not through_water and not fit.wind_blocks.size:
        return "It needs apparent wind, heading and a speed under way; the log lacks one of them."
    if name == "leeway_deg" and not (data.by_heel or np.isfinite(data.awa_deg).any()):
        return "Leeway is found from heel or from the apparent wind, and the log has neither."
    return ""


def _not_sailed(name: str, sailed: _Sailed) -> str:
    """What was not sailed that a value needs."""
    through_water = name in _THROUGH_WATER
    if sailed.seconds < MIN_TOTAL_S:
        return ("Fewer than ten minutes were sailed steadily. "
                + (_RECIPROCAL if through_water else _BOTH_TACKS))
    if through_water and sailed.spread_deg < MIN_HEADING_SPREAD_DEG:
        return (f"All headings lay within {max(sailed.spread_deg, 10):.0f} deg of each other, "
                "where a current looks just like a sensor error. " + _RECIPROCAL)
    if name in _BY_SIDE and min(sailed.starboard_s, sailed.port_s) < MIN_SIDE_S:
        side = "starboard" if sailed.starboard_s > sailed.port_s else "port"
        return (f"The wind came over the {side} side nearly all day, where {_BY_SIDE[name]} cannot "
                "be told from what the sails, the wind or the compass do. " + _BOTH_TACKS)
    if name == "aws_factor" and sailed.up_downs < MIN_UP_DOWNS:
        how = ("never both", "once each")[sailed.up_downs > 0]
        return (f"She sailed upwind and downwind {how}, and a wind that freshens in between looks "
                "just like this error. Sail up, down and up again within an hour.")
    return ""


def _why_not(name: str, data: Seconds, fit: Fit, sailed: _Sailed, half: float,
             of_prior: float) -> str:
    """Why the day cannot tell a value, in a sailor's words; empty when it can."""
    why = _lacks(name, data, fit) or _not_sailed(name, sailed)
    if why or not (half > USEFUL_HALF_WIDTH[name] or of_prior > 0.5):
        return why
    much = (f"{100 * half:.0f} %" if name.endswith("factor") else
            f"{half:.1f}" + " deg" * name.endswith("_deg"))
    return f"The day leaves it uncertain by {much} either way. {_ADVICE[name]}"


def _upwash(fit: Fit, data: Seconds) -> SensorEstimate | None:
    """The bend of the wind at the masthead, where the day says something about it."""
    if not fit.wind_blocks.size:
        return None
    value, sd = fit.value["upwash_deg"], fit.sd["upwash_deg"]
    told = Z95 * sd < USEFUL_HALF_WIDTH["upwash_deg"]
    return SensorEstimate("upwash_deg", value, value - Z95 * sd, value + Z95 * sd, told,
                          "" if told else "The day leaves it open.", int(fit.wind_blocks.size),
                          float(data.seconds[fit.wind_blocks].sum()))


def _nothing(samples: pd.DataFrame) -> CalibrationResult:
    """The result of a log that cannot tell anything."""
    missing = [label for column, label in (("hdg_deg", "heading"), ("stw_kn", "boat speed"),
                                           ("sog_kn", "speed over ground"))
               if column not in samples or not np.isfinite(
                   samples[column].to_numpy(dtype=float)).any()]
    why = (f"The log has no {' and no '.join(missing)}." if missing
           else "There are not ten minutes of steady sailing or motoring. " + _RECIPROCAL)
    nan = float("nan")
    empty = pd.DataFrame(index=utc_index([]), columns=["set_deg", "drift_kn"], dtype=float)
    return CalibrationResult(
        {n: SensorEstimate(n, nan, nan, nan, False, why, 0, 0.0) for n in ESTIMATED},
        empty, pd.DataFrame(), pd.DataFrame(), why, None, None, pd.DataFrame(), nan, (), 0.0,
        0, 0, 0.0)
