"""The mean cost of the day's turns by helm and sails, each drawn to what all of the kind cost.

A single gybe of fifteen metres can hardly be measured; the mean of some can. True costs are taken
as normal about their group's mean, groups about the kind's mean, with a common slope on the wind's
speed, and every measured loss about its true one with its own standard error; what all losses of a
day share (calibration, the time constant of the build) stays whatever their number. What is not
known of the two spreads is averaged over, so that the intervals hold it.

References
----------
.. [1] Gelman and Hill, Data Analysis Using Regression and Multilevel/Hierarchical Models,
   Cambridge University Press, 2007, chapter 12 (partial pooling).
.. [2] Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press, 2006, eq. 2.23
   (posterior of the true values).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.stats import Z95

ALL: Final = "all"
SINGLE: Final = (0.05, 0.15, 0.3, 0.5, 0.75, 1.0, 1.4)
BETWEEN: Final = (0.0, 0.1, 0.25, 0.5, 1.0)
"""Trial spreads of single turns and of groups, of the measured spread: all equally likely."""


@dataclass(frozen=True)
class PooledCost:
    """Mean cost of one kind's turns under one helm and sail set.

    Attributes
    ----------
    kind, helm, sails : str
        ``all`` for all of them together.
    count, rated : int
        Turns, and those whose loss is rated: the mean is theirs.
    loss_m, loss_m_low, loss_m_high : float
        Mean with its 95 % interval; NaN where none is rated.
    loss_s, loss_s_low, loss_s_high : float
        The same in seconds of sailing.
    """

    kind: str
    helm: str
    sails: str
    count: int
    rated: int
    loss_m: float
    loss_m_low: float
    loss_m_high: float
    loss_s: float
    loss_s_low: float
    loss_s_high: float


COLUMNS: Final = tuple(PooledCost.__dataclass_fields__)
NOTHING: Final = (float("nan"),) * 6


def pooled_costs(table: pd.DataFrame, kinds: tuple[str, ...] = ("tack", "gybe")) -> pd.DataFrame:
    """Pooled means of a day's turns: each kind as a whole, then each of its helms and sail sets.

    Parameters
    ----------
    table : DataFrame
        Maneuvers with ``kind, helm, sails, tws_kn, rated, loss_m, loss_m_low, loss_m_high, loss_s,
        loss_shared_sd_m``.
    kinds : tuple of str

    Returns
    -------
    DataFrame
        Columns of :class:`PooledCost`.
    """
    rows: list[PooledCost] = []
    for kind in kinds:
        part = table[table["kind"] == kind]
        if len(part):
            rows += _kind_rows(kind, part)
    return pd.DataFrame([asdict(row) for row in rows], columns=list(COLUMNS))


def _kind_rows(kind: str, part: pd.DataFrame) -> list[PooledCost]:
    names = list(zip(part["helm"].astype(str), part["sails"].astype(str), strict=True))
    groups = sorted(set(names))
    member = np.array([groups.index(name) for name in names])
    rated = part["rated"].to_numpy(dtype=bool)
    inside = [np.ones(len(part), dtype=bool), *(member == g for g in range(len(groups)))]
    means = _means(part[rated], member[rated], [mask[rated] for mask in inside])
    return [PooledCost(kind, helm, sails, int(mask.sum()), int(mask[rated].sum()), *mean)
            for (helm, sails), mask, mean in zip([(ALL, ALL), *groups], inside, means, strict=True)]


def _means(part: pd.DataFrame, group: NDArray[np.int_],
           inside: list[NDArray[np.bool_]]) -> list[tuple[float, ...]]:
    """Mean and interval in metres, then in seconds, of each set of rated turns."""
    known = [mask for mask in inside if mask.any()]
    if not known:
        return [NOTHING] * len(inside)
    sd = (part["loss_m_high"] - part["loss_m_low"]).to_numpy(dtype=float) / (2.0 * Z95)
    loss, shared, wind, lost_s = (part[name].to_numpy(dtype=float) for name in
                                  ("loss_m", "loss_shared_sd_m", "tws_kn", "loss_s"))
    weights = np.array([mask / mask.sum() for mask in known])
    found = iter(posterior_means(loss, sd, shared, group, wind, weights))
    with np.errstate(divide="ignore", invalid="ignore"):
        pace = np.where(np.abs(lost_s) > 0, loss / lost_s, np.nan)
    out: list[tuple[float, ...]] = []
    for mask in inside:
        if not mask.any():
            out.append(NOTHING)
            continue
        mean, error = next(found)
        metres = np.array([mean, mean - Z95 * error, mean + Z95 * error])
        usual = pace[mask & np.isfinite(pace)]
        out.append((*metres, *(metres / float(np.mean(usual)) if usual.size else NOTHING[:3])))
    return out


def posterior_means(loss_m: Floats, sd_m: Floats, shared_m: Floats, group: NDArray[np.int_],
                    tws_kn: Floats, weights: Floats) -> list[tuple[float, float]]:
    """Posterior mean and standard deviation of weighted means of the true costs.

    Parameters
    ----------
    loss_m, sd_m, shared_m : ndarray, shape (n,)
        Measured losses, their standard errors, and the part of these that all share.
    group : ndarray of int, shape (n,)
    tws_kn : ndarray, shape (n,)
        NaN counts as the mean.
    weights : ndarray, shape (m, n)

    Returns
    -------
    list of (mean, sd), length m
    """
    scale = max(float(np.std(loss_m)), float(np.median(sd_m)), 0.1)
    wind = np.nan_to_num(tws_kn - np.nanmean(tws_kn)) if np.isfinite(tws_kn).any() \
        else np.zeros(loss_m.size)
    alike = (group[:, None] == group[None, :]).astype(float)
    # The kind's mean and the slope on the wind are all but unknown beforehand.
    wide = (10.0 * (scale + abs(float(np.mean(loss_m))))) ** 2
    base = wide + (0.5 * scale) ** 2 * np.outer(wind, wind) / max(1.0, float(np.var(wind)))
    shared = np.minimum(np.nan_to_num(shared_m), sd_m)
    measured = np.diag(sd_m**2 - shared**2) + np.outer(shared, shared)
    found, share = [], []
    for single in SINGLE:
        for between in BETWEEN if np.unique(group).size > 1 else BETWEEN[:1]:
            true = base + scale**2 * (single**2 * np.eye(loss_m.size) + between**2 * alike)
            root = np.linalg.cholesky(true + measured)
            half = np.linalg.solve(root, np.column_stack([loss_m, true @ weights.T]))
            y, cross = half[:, 0], half[:, 1:]
            share.append(-0.5 * float(y @ y) - float(np.log(np.diag(root)).sum()))
            spread = np.einsum("ij,jk,ik->i", weights, true, weights) - (cross**2).sum(axis=0)
            found.append((cross.T @ y, np.maximum(spread, 0.0)))
    weight = np.exp(np.array(share) - max(share))
    weight /= weight.sum()
    means, spreads = (np.array(column) for column in zip(*found, strict=True))
    mean = weight @ means
    variance = weight @ (spreads + (means - mean) ** 2)
    return list(zip(mean.tolist(), np.sqrt(variance).tolist(), strict=True))
