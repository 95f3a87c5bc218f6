"""What the dear maneuvers had in common, without overclaiming.

References
----------
.. [1] Holm, "A simple sequentially rejective multiple test procedure", Scand. J. Statist. 6,
   65-70, 1979.
.. [2] Bonett and Wright, "Sample size requirements for estimating Pearson, Kendall and Spearman
   correlations", Psychometrika 65, 23-28, 2000 (interval of a rank correlation).
.. [3] David and Nagaraja, Order Statistics, 3rd ed., Wiley, 2003, section 7.1 (interval of a
   median).
.. [4] Cochran, "The combination of estimates from different experiments", Biometrics 10, 101-129,
   1954 (do measured values differ by more than their errors).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.stats import Z95

LEVEL: Final = 0.05
LEAST: Final = 8
"""With fewer, not even a strong correlation stands after correction."""

TRAITS: Final = ("entry_share", "turn_s", "unevenness", "over_rotation_deg", "rudder_rms_deg",
                 "turn_deg", "tws_kn")
"""What a crew decides (and the wind); a slow speed or a long build is the loss itself and explains
nothing."""


@dataclass(frozen=True)
class Pattern:
    """One trait that goes with the loss.

    Attributes
    ----------
    kind, trait : str
    correlation, low, high : float
        Spearman's rank correlation with the seconds lost, 95 % interval.
    p_corrected : float
        Holm's, for all traits looked at in this kind.
    count : int
    """

    kind: str
    trait: str
    correlation: float
    low: float
    high: float
    p_corrected: float
    count: int


def rank_correlation(x: Floats, y: Floats) -> tuple[float, float, float, float]:
    """Spearman's rank correlation with 95 % interval and two-sided p (t approximation).

    Returns
    -------
    rho, low, high, p : float
        NaN for fewer than five pairs or a constant.
    """
    from scipy.special import stdtr

    good = np.isfinite(x) & np.isfinite(y)
    n = int(good.sum())
    if n < 5 or np.ptp(x[good]) == 0 or np.ptp(y[good]) == 0:
        return (float("nan"),) * 4
    rank = [pd.Series(v[good]).rank().to_numpy() for v in (x, y)]
    rho = float(np.corrcoef(rank[0], rank[1])[0, 1])
    clipped = min(max(rho, -1 + 1e-12), 1 - 1e-12)
    p = 2.0 * float(stdtr(n - 2, -abs(clipped) * np.sqrt((n - 2) / (1 - clipped**2))))
    half = Z95 * np.sqrt((1.0 + clipped**2 / 2.0) / (n - 3.0))
    low, high = np.tanh(np.arctanh(clipped) + np.array([-half, half]))
    return rho, float(low), float(high), p


def holm(p: Floats) -> Floats:
    """Holm's corrected p-values, in the order given; NaN stay NaN and do not count."""
    p = np.asarray(p, dtype=float)
    out = np.full(p.shape, np.nan)
    index = np.flatnonzero(np.isfinite(p))
    order = index[np.argsort(p[index], kind="stable")]
    factor = np.arange(order.size, 0, -1)
    out[order] = np.minimum(1.0, np.maximum.accumulate(p[order] * factor))
    return out


def patterns(table: pd.DataFrame) -> list[Pattern]:
    """Traits that go with the loss, kind by kind, that stand after correction for their number.

    Parameters
    ----------
    table : DataFrame
        ``kind``, ``loss_s`` and columns of :data:`TRAITS`, rated maneuvers only.
    """
    out: list[Pattern] = []
    for kind, rows in table.groupby("kind", sort=False):
        n = len(rows)
        if n < LEAST:
            continue
        loss = rows["loss_s"].to_numpy(dtype=float)
        traits = [t for t in TRAITS if t in rows and rows[t].notna().sum() >= LEAST]
        found = [rank_correlation(rows[t].to_numpy(dtype=float), loss) for t in traits]
        corrected = holm(np.array([row[3] for row in found]))
        out += [Pattern(str(kind), t, row[0], row[1], row[2], float(p), n)
                for t, row, p in zip(traits, found, corrected, strict=True) if p < LEVEL]
    return out


@dataclass(frozen=True)
class Telling:
    """The part of a kind's turns in which the dear ones lost their metres.

    Attributes
    ----------
    kind, part : str
    extra_m, whole_m : float
        What the dearer half lost more than the cheaper half, in that part and in all.
    p_corrected : float
        Holm's, of the part's values differing by their errors alone, for all parts and kinds.
    count : int
    """

    kind: str
    part: str
    extra_m: float
    whole_m: float
    p_corrected: float
    count: int


def telling_parts(table: pd.DataFrame, parts: tuple[str, ...]) -> list[Telling]:
    """For each kind the part that differs beyond its errors and makes most of the difference.

    Parameters
    ----------
    table : DataFrame
        ``kind``, ``loss_m`` and the parts with ``_low`` and ``_high``, rated turns only.
    parts : tuple of str
    """
    groups = [(str(kind), rows) for kind, rows in table.groupby("kind", sort=False)
              if len(rows) >= LEAST]
    corrected = holm(np.array([_differ_p(rows, part) for _, rows in groups for part in parts]))
    out = []
    for (kind, rows), p in zip(groups, corrected.reshape(-1, len(parts)), strict=True):
        dear = rows["loss_m"] > rows["loss_m"].median()
        extra = [float(rows.loc[dear, part].mean() - rows.loc[~dear, part].mean())
                 for part in parts]
        k = int(np.argmax(extra))
        if p[k] < LEVEL and extra[k] > 0.5 * sum(extra):
            out.append(Telling(kind, parts[k], extra[k], sum(extra), float(p[k]), len(rows)))
    return out


def _differ_p(rows: pd.DataFrame, part: str) -> float:
    """Cochran's test: whether a part's values differ by more than their errors."""
    from scipy.special import chdtrc

    value = rows[part].to_numpy(dtype=float)
    weight = (2.0 * Z95 / (rows[f"{part}_high"] - rows[f"{part}_low"]).to_numpy(dtype=float)) ** 2
    if not np.isfinite(value + weight).all():
        return float("nan")
    mean = float(weight @ value / weight.sum())
    return float(chdtrc(len(rows) - 1, weight @ (value - mean) ** 2))


def median_interval(value: Floats) -> tuple[float, float, float]:
    """Median with its distribution-free 95 % interval; NaN bounds below six values.

    References
    ----------
    .. [1] David and Nagaraja, Order Statistics, 3rd ed., Wiley, 2003, section 7.1.
    """
    x = np.sort(value[np.isfinite(value)])
    n = x.size
    if n == 0:
        return (float("nan"),) * 3
    middle = float(np.median(x))
    if n < 6:  # the range of five covers the median in 94 % only
        return middle, float("nan"), float("nan")
    tail, k = 0.0, 0
    while tail + comb(n, k) * 0.5**n <= 0.025:
        tail += comb(n, k) * 0.5**n
        k += 1
    return middle, float(x[k - 1]), float(x[n - k])
