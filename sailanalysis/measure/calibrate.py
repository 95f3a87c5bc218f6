"""Sensor errors from the day's own sailing: estimates, intervals, and what the day cannot tell.

The fit is in :mod:`calibrate_fit`; here its posterior is turned into estimates that say whether
they can be trusted, the current through the day, and what a correction would change.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.angles import Floats, wrap180, wrap360
from sailanalysis.measure.calibrate_blocks import Seconds, steady_seconds
from sailanalysis.measure.calibrate_fit import (
    FREE_DEVIATION_SD,
    NAMES,
    PRIOR,
    WANTED,
    Equations,
    Fit,
    compass_turn,
    deviation,
    fit_errors,
)
from sailanalysis.model import Boat, Conditioned
from sailanalysis.series import utc_index

USEFUL_HALF_WIDTH: Final = {
    # A correction known less well than this may do more harm than the error usual for such a
    # sensor (common practice: speed 3-10 %, vane and compass a few degrees, leeway a factor 2).
    "stw_factor": 0.03, "awa_offset_deg": 1.5, "aws_factor": 0.08,
    "heading_offset_deg": 2.0, "leeway_k": 4.0,
}
SAYS_NOTHING: Final = 0.8
"""A posterior spread above this share of the prior's is what we believed before: left empty."""
MIN_HEADING_SPREAD_DEG: Final = 60.0
"""Headings closer than this cannot tell a speed error from a current, whatever a fit says."""
MIN_SIDE_S: Final = 180.0
"""Steady seconds on each tack without which a tack says nothing."""
MIN_TOTAL_S: Final = 600.0
CURRENT_STEP_S: Final = 300.0
Z95: Final = 1.959964


@dataclass(frozen=True)
class SensorEstimate:
    """One correction, beyond what the boat file already holds (``leeway_k``: as a whole).

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


@dataclass(frozen=True)
class CalibrationResult:
    """What the day says about its sensors.

    Attributes
    ----------
    estimates : dict of str to SensorEstimate
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
    seconds: float
    blocks: int
    side_changes: int
    heading_spread_deg: float
    notes: tuple[str, ...] = field(default=())

    def as_dict(self) -> dict[str, dict[str, Any]]:
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
    up_s: float
    down_s: float


def estimate_calibration(
    samples: pd.DataFrame,
    cond: Conditioned | None = None,
    boat: Boat | None = None,
    maneuvers: pd.DataFrame | None = None,
    legs: pd.DataFrame | None = None,
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
    legs : DataFrame, optional
        Not needed.

    Returns
    -------
    CalibrationResult
    """
    boat = boat or Boat()
    data = steady_seconds(samples, cond, boat, maneuvers)
    if data is None:
        return _nothing(samples)
    start_k = boat.sensors.leeway_k
    # A coefficient from the boat file is knowledge of earlier days, good to about a third.
    prior = {"leeway_k": (start_k, max(2.0, 0.33 * start_k))} if start_k is not None else {}
    fit = fit_errors(data, prior)
    sailed = _how_sailed(data)
    estimates = _estimates(data, fit, sailed, prior)
    curve, why_not = _deviation_curve(data, fit, sailed, prior)
    return CalibrationResult(
        estimates=estimates,
        current=_current(data, fit),
        before_after=_before_after(data, fit, estimates, start_k),
        deviation=curve,
        deviation_why_not=why_not,
        upwash_deg=_upwash(fit, data, prior),
        seconds=sailed.seconds,
        blocks=data.blocks,
        side_changes=sailed.changes,
        heading_spread_deg=sailed.spread_deg,
        notes=_NOTES if fit.wind_blocks.size else (),
    )


_NOTES: Final = (
    "The vane's error is found by supposing that the boat sails alike on both tacks, within a "
    "percent of speed; a rig much out of tune, or all the crew on one side, looks like a crooked "
    "vane.",
)


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
        up_s=float(data.seconds[known][np.abs(awa[known]) < 60].sum()),
        down_s=float(data.seconds[known][np.abs(awa[known]) > 90].sum()))


def _estimates(data: Seconds, fit: Fit, sailed: _Sailed,
               prior: dict[str, tuple[float, float]]) -> dict[str, SensorEstimate]:
    prior = PRIOR | prior
    out = {}
    for name in WANTED:
        value, sd = fit.value[name], fit.sd[name]
        if name in ("stw_factor", "heading_offset_deg", "leeway_k"):
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
    return out


_RECIPROCAL = ("In open water hold a steady course for five minutes under sail or engine, then "
               "its reciprocal for five minutes.")
_BOTH_TACKS = ("Sail close-hauled for five minutes on each tack, twice, in a steady wind.")


def _why_not(name: str, data: Seconds, fit: Fit, sailed: _Sailed, half: float,
             of_prior: float) -> str:
    """Why the day cannot tell a value, in a sailor's words; empty when it can."""
    useful = USEFUL_HALF_WIDTH[name]
    through_water = name in ("stw_factor", "heading_offset_deg", "leeway_k")
    if through_water and not fit.water_blocks.size:
        return ("It needs boat speed, heading and position together under way; the log lacks one "
                "of them.")
    if not through_water and not fit.wind_blocks.size:
        return "It needs apparent wind, heading and a speed under way; the log lacks one of them."
    if name == "leeway_k" and not np.isfinite(data.heel_deg).any():
        return "Leeway is found from heel, and the log has no heel angle."
    if sailed.seconds < MIN_TOTAL_S:
        return ("Fewer than ten minutes were sailed steadily. "
                + (_RECIPROCAL if through_water else _BOTH_TACKS))
    if through_water and sailed.spread_deg < MIN_HEADING_SPREAD_DEG:
        return (f"All headings lay within {max(sailed.spread_deg, 10):.0f} deg of each other, "
                "where a current looks just like a sensor error. " + _RECIPROCAL)
    one_side = min(sailed.starboard_s, sailed.port_s) < MIN_SIDE_S
    if name in ("awa_offset_deg", "aws_factor", "leeway_k") and one_side:
        side = "starboard" if sailed.starboard_s > sailed.port_s else "port"
        what = {"awa_offset_deg": "an error of the vane", "leeway_k": "leeway",
                "aws_factor": "an error of the wind speed"}[name]
        return (f"The wind came over the {side} side nearly all day, where {what} cannot be "
                "told from what the sails, the wind or the compass do. " + _BOTH_TACKS)
    if half > useful or of_prior > 0.5:
        unit = {"awa_offset_deg": " deg", "heading_offset_deg": " deg"}.get(name, "")
        much = (f"{100 * half:.0f} %" if name.endswith("factor") else f"{half:.1f}{unit}")
        advice = {
            "stw_factor": _RECIPROCAL, "heading_offset_deg": _RECIPROCAL,
            "leeway_k": "Sail close-hauled on both tacks and a reach or run between, heeled "
                        "differently.",
            "awa_offset_deg": _BOTH_TACKS,
            "aws_factor": "Sail close-hauled on both tacks, then the same stretch downwind, in a "
                          "steady wind.",
        }[name]
        return f"The day leaves it uncertain by {much} either way. {advice}"
    return ""


def _current(data: Seconds, fit: Fit) -> pd.DataFrame:
    """Current every five minutes while steady sailing is near, with its uncertainty."""
    columns = ["set_deg", "set_low_deg", "set_high_deg", "drift_kn", "drift_low_kn",
               "drift_high_kn", "north_kn", "east_kn", "sd_kn"]
    process = fit.processes.get("water")
    if process is None:
        return pd.DataFrame(columns=columns, index=utc_index([]), dtype=float)
    first, last = process.time_s[0], process.time_s[-1]
    at = np.arange(np.ceil(first / CURRENT_STEP_S) * CURRENT_STEP_S, last + 1.0, CURRENT_STEP_S)
    if at.size == 0:
        at = np.array([0.5 * (first + last)])
    near = np.min(np.abs(at[:, None] - process.time_s[None, :]), axis=1)
    at = at[near <= 2 * CURRENT_STEP_S]
    cross, variance = process.covariance_of(at)
    gain = cross @ process.inverse
    slow = np.maximum(variance - np.sum(gain * cross, axis=1), 0.0)
    parts = [c for c in fit.components if c.process == "water"]
    means, variances = [], []
    for part in parts:
        sensitivity = gain @ part.instrument
        means.append(gain @ part.residual)
        variances.append(slow + np.sum((sensitivity @ fit.covariance) * sensitivity, axis=1))
    (north, east), (var_n, var_e) = means, variances
    drift = np.hypot(north, east)
    safe = np.maximum(drift, 1e-6)
    # Along and across the estimate itself.
    along = np.sqrt((north**2 * var_n + east**2 * var_e) / safe**2)
    across = np.sqrt((east**2 * var_n + north**2 * var_e) / safe**2)
    set_deg = wrap360(np.degrees(np.arctan2(east, north)))
    ratio = Z95 * across / safe
    half = np.where(ratio < 1.0, np.degrees(np.arcsin(np.minimum(ratio, 1.0))), np.nan)
    return pd.DataFrame({
        "set_deg": set_deg, "set_low_deg": wrap360(set_deg - half),
        "set_high_deg": wrap360(set_deg + half), "drift_kn": drift,
        "drift_low_kn": np.maximum(drift - Z95 * along, 0.0), "drift_high_kn": drift + Z95 * along,
        "north_kn": north, "east_kn": east, "sd_kn": np.sqrt(0.5 * (var_n + var_e)),
    }, index=utc_index(at))


def _before_after(data: Seconds, fit: Fit, estimates: dict[str, SensorEstimate],
                  file_k: float | None) -> pd.DataFrame:
    """Differences that would be nil with true sensors, before and after the correction."""
    columns = ["what", "unit", "before", "before_low", "before_high", "after", "after_low",
               "after_high"]
    if not fit.wind_blocks.size or "direction" not in fit.processes:
        return pd.DataFrame(columns=columns)
    equations = Equations(data)
    plain = dict.fromkeys(NAMES, 0.0) | {"stw_factor": 1.0, "aws_factor": 1.0}
    before = plain | {"leeway_k": file_k or 0.0}
    after = dict(before)
    for name, estimate in estimates.items():
        if estimate.determined:
            after[name] = estimate.value
    at = fit.wind_blocks
    awa = np.degrees(np.angle(data.mean(compass_turn(data.awa_deg))))[at]
    side = np.sign(awa)
    upwind, downwind = np.abs(awa) < 60.0, np.abs(awa) > 90.0
    rows = []
    views = {when: _water_wind(equations, theta, at)
             for when, theta in (("before", before), ("after", after))}
    tests = (
        ("true wind direction, starboard tack less port, upwind", "deg", "direction", upwind,
         side, 1.0),
        ("true wind speed, starboard tack less port, upwind", "%", "speed", upwind, side, 100.0),
        ("true wind speed, upwind less downwind", "%", "speed", upwind | downwind,
         np.where(upwind, 1.0, -1.0), 100.0),
        ("true wind direction, starboard gybe less port, downwind", "deg", "direction", downwind,
         side, 1.0),
    )
    known = np.isfinite(views["before"][1]) & np.isfinite(views["after"][1])
    for what, unit, process, sailed, sign, scale in tests:
        used = sailed & known
        if min((used & (sign > 0)).sum(), (used & (sign < 0)).sum()) < 3:
            continue
        row: dict[str, Any] = {"what": what, "unit": unit}
        for when, (from_deg, log_speed) in views.items():
            seen = from_deg if process == "direction" else log_speed
            middle, half = _contrast(fit, process, seen, used, sign)
            row |= {when: scale * middle, f"{when}_low": scale * (middle - half),
                    f"{when}_high": scale * (middle + half)}
        rows.append(row)
    return pd.DataFrame(rows, columns=columns)


def _water_wind(
    equations: Equations, theta: dict[str, float], at: np.ndarray
) -> tuple[Floats, Floats]:
    """True wind over the water by block, direction continuous in time: degrees, log of knots."""
    wind = equations.water_wind(theta)[at]
    return (np.unwrap(np.angle(wind, deg=True), period=360.0),
            np.asarray(np.log(np.maximum(np.abs(wind), 0.5)), dtype=float))


def _contrast(fit: Fit, process: str, seen: Floats, used: np.ndarray,
              sign: Floats) -> tuple[float, float]:
    """Mean difference between two ways of sailing, wind shifts allowed for: value, half width."""
    kind = fit.processes[process]
    index = np.flatnonzero(used & np.isfinite(seen))
    covariance = np.linalg.inv(kind.inverse)[np.ix_(index, index)]
    inverse = np.linalg.inv(covariance)
    design = np.column_stack([np.ones(index.size), 0.5 * sign[index]])
    normal = design.T @ inverse @ design
    spread = np.linalg.inv(normal)
    value = spread @ (design.T @ inverse @ seen[index])
    return float(value[1]), float(Z95 * np.sqrt(spread[1, 1]))


def _deviation_curve(data: Seconds, fit: Fit, sailed: _Sailed,
                     prior: dict[str, tuple[float, float]]) -> tuple[pd.DataFrame, str]:
    """Compass correction by heading, where the headings are spread well enough."""
    empty = pd.DataFrame(columns=["hdg_deg", "correction_deg", "low_deg", "high_deg"], dtype=float)
    if not fit.water_blocks.size:
        return empty, "It needs boat speed, heading and position together under way."
    hdg = np.angle(data.mean(compass_turn(data.hdg_deg)), deg=True)[fit.water_blocks] % 360.0
    held = np.bincount((hdg // 45).astype(int) % 8, data.seconds[fit.water_blocks], 8)
    gaps = _longest_gap(held >= 90.0)
    if gaps > 1:
        return empty, ("The headings sailed leave more than a quarter of the compass out; steady "
                       "stretches of two minutes on eight headings all round would show the curve.")
    free = {name: (0.0, FREE_DEVIATION_SD) for name in NAMES if name.startswith("dev_")}
    wide = fit_errors(data, prior | free, start=fit, rounds=4)
    heading = np.arange(0.0, 360.0, 10.0)
    terms = ["heading_offset_deg", *free]
    at = [NAMES.index(name) for name in terms]
    h = np.radians(heading)
    basis = np.column_stack([np.ones(36), np.sin(h), np.cos(h), np.sin(2 * h), np.cos(2 * h)])
    spread = np.sqrt(np.sum((basis @ wide.covariance[np.ix_(at, at)]) * basis, axis=1))
    if float(spread.max()) * Z95 > 3.0:
        return empty, (f"The curve would be uncertain by up to {Z95 * spread.max():.0f} deg; "
                       "longer steady stretches on eight headings all round would show it.")
    value = wide.value["heading_offset_deg"] + deviation(wide.value, heading)
    return pd.DataFrame({"hdg_deg": heading, "correction_deg": value,
                         "low_deg": value - Z95 * spread, "high_deg": value + Z95 * spread}), ""


def _longest_gap(held: np.ndarray) -> int:
    """Longest run of False around the circle."""
    if held.all():
        return 0
    if not held.any():
        return int(held.size)
    around = np.concatenate([held, held])
    longest = run = 0
    for flag in around:
        run = 0 if flag else run + 1
        longest = max(longest, run)
    return longest


def _upwash(
    fit: Fit, data: Seconds, prior: dict[str, tuple[float, float]]
) -> SensorEstimate | None:
    """The bend of the wind at the masthead, where the day says something about it."""
    if not fit.wind_blocks.size:
        return None
    value, sd = fit.value["upwash_deg"], fit.sd["upwash_deg"]
    told = sd < 0.5 * (PRIOR | prior)["upwash_deg"][1]
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
        {n: SensorEstimate(n, nan, nan, nan, False, why, 0, 0.0) for n in WANTED},
        empty, pd.DataFrame(), pd.DataFrame(), why, None, 0.0, 0, 0, 0.0)
