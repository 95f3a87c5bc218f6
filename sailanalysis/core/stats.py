"""Estimates that travel with their interval: block bootstrap, robust scale, quantiles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

Z95: Final = 1.959963984540054
"""Half width of a normal 95 % interval in standard deviations, Phi^-1(0.975)."""
Z90: Final = 1.6448536269514722
"""Half width of a normal 90 % interval in standard deviations, Phi^-1(0.95)."""
MAD_TO_SD: Final = 1.482602218505602
"""Scale of the median absolute deviation to a normal standard deviation, 1/Phi^-1(3/4)."""
MEDIAN_SE: Final = 1.2533141373155001
"""Standard error of a median over that of a mean, for many normal values: sqrt(pi/2)."""


@dataclass(frozen=True)
class Estimate:
    """A number with its 95 % interval, its count and its seconds.

    Attributes
    ----------
    value, low, high : float
        NaN where the data cannot carry it.
    count : int
        Independent pieces it rests on (legs, maneuvers, blocks), not raw samples.
    seconds : float
        Time sailed that it rests on.
    """

    value: float
    low: float
    high: float
    count: int = 0
    seconds: float = 0.0

    @property
    def known(self) -> bool:
        """Whether there is a value at all."""
        return bool(np.isfinite(self.value))


UNKNOWN = Estimate(float("nan"), float("nan"), float("nan"))


def finite_mean(value: ArrayLike) -> float:
    """Mean of the finite values; NaN, without a warning, where there is none."""
    x = np.asarray(value, dtype=float)
    x = x[np.isfinite(x)]
    return float(x.mean()) if x.size else float("nan")


def mad_sd(value: ArrayLike) -> float:
    """Robust standard deviation from the median absolute deviation; NaN left out."""
    x = np.asarray(value, dtype=float)
    x = x[np.isfinite(x)]
    return float(MAD_TO_SD * np.median(np.abs(x - np.median(x)))) if x.size else float("nan")
