"""What else the calibration's fit shows: current, symmetries before and after, deviation."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.calibrate.blocks import Seconds
from sailanalysis.calibrate.equations import (
    FREE_DEVIATION_SD,
    NAMES,
    Equations,
    compass_turn,
    deviation,
)
from sailanalysis.calibrate.fit import Fit, fit_errors
from sailanalysis.core.angles import Floats, wrap360
from sailanalysis.core.series import utc_index
from sailanalysis.core.stats import Z95

CURRENT_STEP_S: Final = 300.0


def current_through_day(fit: Fit) -> pd.DataFrame:
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


def before_after(data: Seconds, fit: Fit, sure: dict[str, float],
                 file_k: float | None) -> pd.DataFrame:
    """Differences that would be nil with true sensors, before and after the correction."""
    columns = ["what", "unit", "before", "before_low", "before_high", "after", "after_low",
               "after_high"]
    if not fit.wind_blocks.size or "direction" not in fit.processes:
        return pd.DataFrame(columns=columns)
    equations = Equations(data)
    plain = dict.fromkeys(NAMES, 0.0) | {"stw_factor": 1.0, "aws_factor": 1.0}
    load = data.load_reference
    before = plain | {"leeway_deg": (file_k or 0.0) * load if np.isfinite(load) else 0.0}
    after = before | sure
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


def deviation_curve(data: Seconds, fit: Fit,
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
