"""Gain of one change from its two sides: the wind's part, the scatter, the standard error."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.points import point_of_sail
from sailanalysis.trials.sides import BLOCK_S, DELAYS_S, Side

POLAR_SLOPE_ERROR: Final = 0.25
"""Relative standard error of a slope read off a polar."""
POLAR_SHARE: Final = 0.3
"""Absolute error of a polar's slopes as a share of what is known without one: a polar of one day
may rest on little."""
DATA_OVER_PRIOR: Final = 2.0
DRIFT_SHARE: Final = 0.01
"""Slow change of boat speed that nothing logged explains (sea, tide's shear, attention), as a share
of speed between two stretches, standard deviation: two runs in like wind repeat to about one per
cent (common practice)."""
TWS_SLOPE: Final = (0.5, 0.3)
"""Without a polar: d ln V / d ln TWS, mean and sd. One in light airs, near zero at hull speed."""
TWA_SLOPE_PER_DEG: Final = {"upwind": (0.010, 0.008), "reach": (0.0, 0.006),
                            "downwind": (-0.006, 0.006)}
"""Without a polar: d ln V / d TWA, per degree, mean and sd."""



@dataclass(frozen=True)
class TrialTrace:
    """One trial for a figure: ten-second means about the change.

    Attributes
    ----------
    time_s : float
        Of the change, seconds since 1970 UTC.
    second : ndarray, shape (n,)
        From the change.
    stw_kn, without_wind_kn : ndarray, shape (n,)
        Boat speed as logged, and with the wind's part taken off.
    used : ndarray of int, shape (n,)
        -1 before, 1 after, 0 left out.
    """

    time_s: float
    second: Floats
    stw_kn: Floats
    without_wind_kn: Floats
    used: NDArray[np.int_]


@dataclass(frozen=True)
class Judged:
    """Gain of one change with its standard error and degrees of freedom."""

    gain: float
    error: float
    freedom: float
    wind_part: float
    basis: str
    trace: TrialTrace | None = field(default=None, compare=False)


def judge_sides(before: Side, after: Side, event_s: float = 0.0) -> Judged:
    """Gain from two sides, the wind's part taken off; standard error and degrees of freedom.

    Parameters
    ----------
    before, after : Side
        Steady blocks on either side of the change.
    event_s : float
        Instant of the change, seconds since 1970; for the trace.
    """
    options = [_judge_delayed(replace(before, delay=k), replace(after, delay=k), event_s)
               for k in range(len(DELAYS_S))]
    return min(options, key=lambda option: option[0])[1]


def _judge_delayed(before: Side, after: Side, event_s: float) -> tuple[float, Judged]:
    """Mean square left about the sides' means, and the judgement, for one delay of the wind."""
    speed = float(np.mean(np.concatenate([before.stw, after.stw])))
    wind, basis, slope_sd = _expected_of_wind(before, after, speed)
    # Departures from the expected slopes, learned from each side's own gusts about its mean.
    x = [_wind_of(side) for side in (before, after)]
    inside = [v - v.mean(axis=0) for v in x]
    y = [(side.stw - w) - np.mean(side.stw - w)
         for side, w in zip((before, after), wind, strict=True)]
    slope, cov = _learn_slopes(inside, y, slope_sd)
    residual = [u - v @ slope for u, v in zip(y, inside, strict=True)]
    step = x[1].mean(axis=0) - x[0].mean(axis=0)
    part = float(wind[1].mean() - wind[0].mean() + step @ slope)
    part_error2 = float(step @ cov @ step)
    gain = float(after.stw.mean() - before.stw.mean()) - part
    spread, freedom = 0.0, 0.0
    for side in residual:
        variance, items = mean_variance(side, residual)
        spread += variance
        freedom += max(items - 1.0, 1.0)
    total = spread + part_error2 + (DRIFT_SHARE * speed) ** 2
    error = float(np.sqrt(total))
    # Welch and Satterthwaite: only the scatter is estimated from few pieces.
    freedom = max(freedom, 3.0) * (total / max(spread, 1e-12)) ** 2
    level = float(before.stw.mean())
    trace = TrialTrace(
        event_s, np.concatenate([before.at, after.at]), np.concatenate([before.stw, after.stw]),
        np.concatenate([level + residual[0], level + gain + residual[1]]),
        np.concatenate([np.full(before.at.size, -1), np.full(after.at.size, 1)]))
    left = float(sum(np.sum(r * r) for r in residual))
    return left, Judged(gain, error, min(freedom, 1e6), part, basis, trace)


def _wind_of(side: Side) -> Floats:
    """Wind speed and angle off the bow of each block, missing ones at the side's mean."""
    columns = []
    for value in (side.tws, np.abs(side.twa)):
        good = np.isfinite(value)
        columns.append(np.where(good, value, value[good].mean() if good.any() else 0.0))
    return np.column_stack(columns)


def _expected_of_wind(before: Side, after: Side, speed: float
                      ) -> tuple[list[Floats], str, Floats]:
    """Speed the wind alone asks for on each side, where it is from, and how sure its slopes are.

    Returns
    -------
    list of ndarray
    str
        ``polar`` or ``usual slopes``.
    ndarray, shape (2,)
        Standard deviation of the slopes with wind speed (kn/kn) and angle (kn/deg).
    """
    x = np.concatenate([_wind_of(before), _wind_of(after)])
    tws, twa = float(np.mean(x[:, 0])), float(np.mean(x[:, 1]))
    angle_slope, angle_sd = TWA_SLOPE_PER_DEG.get(point_of_sail(twa), (0.0, 0.008))
    usual = speed * np.array([TWS_SLOPE[0] / max(tws, 2.0), angle_slope])
    usual_sd = speed * np.array([TWS_SLOPE[1] / max(tws, 2.0), angle_sd])
    sides = [before.expected, after.expected]
    known = [np.isfinite(v) for v in sides]
    if all(k.mean() > 0.8 for k in known):
        wind = [np.where(k, v, v[k].mean()) for v, k in zip(sides, known, strict=True)]
        centred = x - x.mean(axis=0)
        together = np.concatenate(wind)
        # A ridge keeps the slopes finite where the wind hardly moved.
        power = centred.T @ centred + np.diag([0.01, 1.0]) * len(x)
        slope = np.linalg.solve(power, centred.T @ (together - together.mean()))
        return wind, "polar", np.hypot(POLAR_SLOPE_ERROR * slope, POLAR_SHARE * usual_sd)
    return [(_wind_of(side) - [tws, twa]) @ usual for side in (before, after)], \
        "usual slopes", usual_sd


def _learn_slopes(x: list[Floats], y: list[Floats], prior_sd: Floats) -> tuple[Floats, Floats]:
    """Departure of the slopes from the expected ones, prior and data together.

    What the sides' own gusts say counts with their autocorrelation, and never for more than twice
    the prior: a short gust at the masthead is not a change of wind at the sails.
    """
    design, target = np.concatenate(x), np.concatenate(y)
    prior = np.diag(1.0 / prior_sd**2)
    power = design.T @ design
    slope = np.linalg.solve(power / max(float(target.var()), 1e-6) + prior,
                            design.T @ target / max(float(target.var()), 1e-6))
    left = [u - v @ slope for u, v in zip(y, x, strict=True)]
    variance, _ = mean_variance(left[0], left)
    noise = max(variance * left[0].size, 1e-8)
    data = power / noise
    limit = float(np.max(np.diag(data) * prior_sd**2)) / DATA_OVER_PRIOR
    data = data / max(limit, 1.0)
    cov = np.asarray(np.linalg.inv(prior + data), dtype=float)
    return cov @ (design.T @ target) / noise / max(limit, 1.0), cov


def mean_variance(side: Floats, all_sides: list[Floats]) -> tuple[float, float]:
    """Variance of the mean of one side's blocks, and how many independent ones it is worth.

    Two answers are averaged: from the autocorrelation at lag one (of all sides together, freed of
    its small-sample bias), and from means over parts of a minute, which also see slower likeness.

    References
    ----------
    .. [1] Kendall, "Note on bias in the estimation of autocorrelation", Biometrika 41, 1954.
    """
    n = side.size
    power = sum(float(np.sum(x * x)) for x in all_sides)
    count = sum(x.size for x in all_sides)
    lagged = sum(float(np.sum(x[1:] * x[:-1])) for x in all_sides)
    variance = power / max(count - len(all_sides), 1)
    rho = lagged / power if power > 0 else 0.0
    rho = float(np.clip(rho + (1 + 4 * max(rho, 0.0)) / (count / len(all_sides)), 0.0, 0.9))
    items = max(n * (1 - rho) / (1 + rho), 2.0)
    by_rho = variance / (1.0 - 1.0 / items) / items
    width = max(1, round(60.0 / BLOCK_S))
    batch = [x[i:i + width].mean() for x in all_sides for i in range(0, x.size - width + 1, width)]
    if len(batch) < 6:
        return by_rho, items
    by_batch = float(np.sum(np.square(batch))) / (len(batch) - len(all_sides)) / (n / width)
    return 0.5 * (by_rho + by_batch), items


