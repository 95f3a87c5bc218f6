"""The sensors over a season: a correction that drifts slowly and sometimes steps.

Each day's estimate is a reading, with its own error, of a quantity that wanders a little from day
to day and steps when a wheel is cleaned or a bird sits on the vane. What the days say together is
its posterior on each date: a day that cannot tell leans on its neighbours, an odd day does not
move them all.

References
----------
.. [1] Durbin and Koopman, Time Series Analysis by State Space Methods, 2nd ed., Oxford, 2012,
   chapters 2 and 4 (the local level model and its smoother; here as one Gaussian solve).
.. [2] Harvey and Koopman, "Diagnostic checking of unobserved-components time series models",
   J. Bus. Econ. Stat. 10, 377-389, 1992 (steps as auxiliary residuals).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.calibrate.apply import USUAL_SD, SeasonKnows, is_factor
from sailanalysis.core.angles import Floats, wrap180
from sailanalysis.core.series import day_number
from sailanalysis.core.stats import Z95
from sailanalysis.wind.triangle import true_wind, vmg_kn

DRIFT_PER_30_DAYS: Final = {
    # How far an error wanders in a month (common practice: a wheel fouls by per cents).
    "stw_factor": 0.02, "awa_offset_deg": 0.7, "aws_factor": 0.02, "heading_offset_deg": 0.7,
    "leeway_deg": 0.4,
}
STEP_SD: Final = {"stw_factor": 0.08, "awa_offset_deg": 5.0, "aws_factor": 0.08,
                  "heading_offset_deg": 5.0, "leeway_deg": 2.0}
"""Size of a step when there is one: as large as the errors of such sensors."""
FIRST_SD: Final = {"stw_factor": 0.15, "awa_offset_deg": 8.0, "aws_factor": 0.15,
                   "heading_offset_deg": 8.0, "leeway_deg": 2.5}
NONE: Final = {"stw_factor": 1.0, "aws_factor": 1.0, "leeway_deg": 3.0}
MAX_STEPS: Final = 4
STEP_EVIDENCE: Final = 4.0
"""Log likelihood that a step must gain beyond the logarithm of the days it could lie between."""
LEAST_BESIDE: Final = 2
"""Days on either side of a step: one day alone is odd, no step."""
ODD_SIGMA: Final = 2.5
STRETCH: Final = 50
BESIDE: Final = 25
"""Readings that are pooled together in a long season, and those of either side that join in."""
NOTHING: Final = pd.Series(dtype=float)
POOLED_COLUMNS: Final = ("date", "day", "key", "value", "low", "high", "stepped", "day_value",
                         "day_low", "day_high")


@dataclass(frozen=True)
class Pooled:
    """One sensor's correction over the season.

    Attributes
    ----------
    mean, sd : ndarray, shape (n,)
        On the dates asked for.
    steps : tuple of float
        Instants (in days) before which and after which it is another.
    """

    mean: Floats
    sd: Floats
    steps: tuple[float, ...]


def pool(when: Floats, value: Floats, sd: Floats, at: Floats, key: str) -> Pooled:
    """Posterior of a drifting, stepping correction.

    Of a long season each stretch of days is judged with its neighbours alone: what a sensor read
    scores of days ago says nothing that the days between do not.

    Parameters
    ----------
    when, value, sd : ndarray, shape (n,)
        Day numbers, the days' estimates of the whole correction, their standard errors.
    at : ndarray, shape (m,)
        Day numbers wanted.
    key : str
        A name of ``DRIFT_PER_30_DAYS``.
    """
    order = np.argsort(when, kind="stable")
    when, value, sd = when[order], value[order], sd[order]
    if when.size <= STRETCH + 2 * BESIDE:
        return _pool(when, value, sd, at, key)
    mean, spread = np.empty(at.size), np.empty(at.size)
    steps: list[float] = []
    edges = np.r_[-np.inf, when[STRETCH::STRETCH], np.inf]
    for number, (first, last) in enumerate(pairwise(edges)):
        wanted = (at >= first) & (at < last)
        if not wanted.any():
            continue
        near = slice(max(number * STRETCH - BESIDE, 0), (number + 1) * STRETCH + BESIDE)
        found = _pool(when[near], value[near], sd[near], at[wanted], key)
        mean[wanted], spread[wanted] = found.mean, found.sd
        steps += [s for s in found.steps if first <= s < last]
    return Pooled(mean, spread, tuple(steps))


def _pool(when: Floats, value: Floats, sd: Floats, at: Floats, key: str) -> Pooled:
    """As `pool`, of readings in order."""
    steps: list[float] = []
    for _ in range(3):
        # First the odd days, by what all others say of each; then the steps of the rest.
        noise = _noise(when, value, sd, steps, key)
        steps = _steps(when, value, noise, key)
    noise = _noise(when, value, sd, steps, key)
    days = np.concatenate([when, at])
    prior = _covariance(days, steps, key)
    cross, own = prior[when.size:, :when.size], np.diag(prior)[when.size:]
    gain = cross @ np.linalg.inv(prior[:when.size, :when.size] + np.diag(noise))
    none = NONE.get(key, 0.0)
    variance = np.maximum(own - np.sum(gain * cross, axis=1), 0.0)
    return Pooled(none + gain @ (value - none), np.sqrt(variance), tuple(steps))


def _noise(when: Floats, value: Floats, sd: Floats, steps: list[float], key: str) -> Floats:
    """Variance of each day's reading, larger for a day that all others gainsay."""
    inverse = np.linalg.inv(_covariance(when, steps, key) + np.diag(sd**2))
    off = np.abs(inverse @ (value - NONE.get(key, 0.0))) / np.sqrt(np.diag(inverse))
    return np.asarray(sd**2 * np.maximum(1.0, (off / ODD_SIGMA) ** 2) ** 2, dtype=float)


def _covariance(days: Floats, steps: list[float], key: str) -> Floats:
    """Of a level, a random walk from the first of the days on, and the steps."""
    lag = np.abs(days[:, None] - days[None, :])
    since = days - days.min()
    walk = 0.5 * (since[:, None] + since[None, :] - lag)
    out = FIRST_SD[key] ** 2 + DRIFT_PER_30_DAYS[key] ** 2 / 30.0 * walk
    for step in steps:
        out = out + STEP_SD[key] ** 2 * np.outer(days > step, days > step)
    return np.asarray(out, dtype=float)


def _steps(when: Floats, value: Floats, noise: Floats, key: str) -> list[float]:
    """Steps one after the other, as long as they explain enough."""
    steps: list[float] = []
    residual = value - NONE.get(key, 0.0)
    between = 0.5 * (when[1:] + when[:-1])
    n = when.size
    index = np.arange(1, n)
    allowed = (index >= LEAST_BESIDE) & (n - index >= LEAST_BESIDE) & (np.diff(when) > 0)
    while len(steps) < MAX_STEPS and allowed.any():
        inverse = np.linalg.inv(_covariance(when, steps, key) + np.diag(noise))
        after = (when[None, :] > between[:, None]).astype(float)
        load = after @ inverse
        quad = np.sum(load * after, axis=1)
        pull = load @ residual
        ratio = 1.0 + STEP_SD[key] ** 2 * quad
        gain = 0.5 * (STEP_SD[key] ** 2 * pull**2 / ratio - np.log(ratio))
        gain = np.where(allowed, gain, -np.inf)
        best = int(np.argmax(gain))
        if gain[best] < STEP_EVIDENCE + np.log(n):
            break
        steps.append(float(between[best]))
        allowed &= np.abs(np.arange(1, n) - (best + 1)) >= LEAST_BESIDE
    return sorted(steps)


def pooled_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Each sensor's correction on each day as all days have it.

    Parameters
    ----------
    rows : DataFrame
        As from :func:`sailanalysis.season.drift.calibration_rows`.

    Returns
    -------
    DataFrame
        ``POOLED_COLUMNS``: the pooled whole correction with its 95 % interval, whether it stepped
        since the day before, and the day's own estimate.
    """
    out = []
    for key in DRIFT_PER_30_DAYS:
        part = rows[rows["key"] == key]
        when, value, sd = _readings(part)
        known = np.isfinite(value) & np.isfinite(sd)
        if not known.any():
            continue
        found = pool(when[known], value[known], sd[known], when, key)
        for i, row in enumerate(part.itertuples()):
            stepped = i > 0 and any(when[i - 1] < s < when[i] for s in found.steps)
            half = Z95 * found.sd[i]
            out.append((row.date, row.day, key, found.mean[i], found.mean[i] - half,
                        found.mean[i] + half, stepped, value[i], value[i] - Z95 * sd[i],
                        value[i] + Z95 * sd[i]))
    return pd.DataFrame(out, columns=list(POOLED_COLUMNS))


def season_knows(rows: pd.DataFrame, date: str) -> SeasonKnows | None:
    """What the filed days say of the sensors on a date; None where they say nothing."""
    at = np.asarray(day_number([date]), dtype=float)
    values: dict[str, float] = {}
    sds: dict[str, float] = {}
    for key in DRIFT_PER_30_DAYS:
        when, value, sd = _readings(rows[rows["key"] == key])
        known = np.isfinite(value) & np.isfinite(sd)
        if known.any():
            found = pool(when[known], value[known], sd[known], at, key)
            values[key], sds[key] = float(found.mean[0]), float(found.sd[0])
    return SeasonKnows(values, sds) if values else None


def _readings(part: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
    """Day numbers, whole corrections and standard errors of one sensor."""
    when = np.asarray(day_number(part["date"]), dtype=float)
    value = part["total"].to_numpy(dtype=float)
    held = part["boat_file"].to_numpy(dtype=float)
    factor = part["key"].astype(str).str.endswith("_factor").to_numpy()
    ratio = np.where(factor & np.isfinite(held), held, 1.0)
    sd = (part["high"] - part["low"]).to_numpy(dtype=float) / (2 * Z95) * ratio
    return when, value, np.where(sd > 0, sd, np.nan)


# ------------------------------------------------------------------ one calibration for all days
def recorrected(blocks: pd.DataFrame, rows: pd.DataFrame, pooled: pd.DataFrame) -> pd.DataFrame:
    """Steady averages of all days, corrected as the pooled season has it.

    The days were worked with what was known on their evening; a polar of them would mix days
    calibrated differently. The vane is not touched: each day's angles were evened between its own
    tacks, which is as good on every day.

    Parameters
    ----------
    blocks : DataFrame
        ``day``, and the averages of :mod:`sailanalysis.segment.steady`.
    rows : DataFrame
        As from :func:`sailanalysis.season.drift.calibration_rows`: what each day was worked with;
        a day of which nobody knows it stays as it is.
    pooled : DataFrame
        As from :func:`pooled_table`.
    """
    if len(blocks) == 0 or len(pooled) == 0:
        return blocks
    whole = pooled.set_index(["key", "day"])["value"]
    used = rows.set_index(["key", "day"])["used"].astype(float)
    ratio = {}
    for key in ("stw_factor", "aws_factor"):
        of_day = whole.get(key, NOTHING) / used.get(key, NOTHING)
        ratio[key] = blocks["day"].astype(str).map(of_day).fillna(1.0).to_numpy(dtype=float)
    moved = (np.abs(ratio["stw_factor"] - 1.0) > 1e-6) | (np.abs(ratio["aws_factor"] - 1.0) > 1e-6)
    if not moved.any():
        return blocks
    stw, aws, awa, tws, twa, leeway = (
        blocks[n].to_numpy(dtype=float) for n in
        ("stw_kn", "aws_kn", "awa_deg", "tws_kn", "twa_deg", "leeway_deg"))
    off = np.nan_to_num(leeway) * np.where(twa > 0, -1.0, 1.0)
    old_tws, old_twa = true_wind(aws, awa, stw, off)
    new_stw, new_aws = stw * ratio["stw_factor"], aws * ratio["aws_factor"]
    new_tws, new_twa = true_wind(new_aws, awa, new_stw, off)
    # The averages are of wind as the boat answered it: the change is added, not the wind replaced.
    usable = np.isfinite(new_tws - old_tws)
    tws = np.where(usable, tws + new_tws - old_tws, tws)
    twa = np.where(usable, wrap180(twa + new_twa - old_twa), twa)
    return blocks.assign(stw_kn=new_stw, aws_kn=new_aws, tws_kn=tws, twa_deg=twa,
                         vmg_kn=vmg_kn(new_stw, twa, off))


def season_error(pooled: pd.DataFrame) -> pd.DataFrame:
    """Covariance of what is left in the sensors once all days are corrected alike.

    An error that all days share does not fall with their number: each sensor's is as large as on
    a typical day of the pooled season, and as sensors usually err where no day told of it.

    Parameters
    ----------
    pooled : DataFrame
        As from :func:`pooled_table`.

    Returns
    -------
    DataFrame, shape (k, k)
        A factor's error as a share, an angle's in degrees.
    """
    sd = dict(USUAL_SD)
    for key, part in pooled.groupby("key"):
        half = (part["high"] - part["low"]).to_numpy(dtype=float) / (2.0 * Z95)
        if is_factor(str(key)):
            half = half / part["value"].to_numpy(dtype=float)
        if key in sd and np.isfinite(half).any():
            sd[str(key)] = min(float(np.nanmedian(half)), sd[str(key)])
    names = list(sd)
    return pd.DataFrame(np.diag([sd[name] ** 2 for name in names]), index=names, columns=names)
