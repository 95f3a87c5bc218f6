"""Slowly varying unknowns (wind, current) as correlated noise whose strength the day tells.

A quantity seen at block times is the sum of a constant, variations on several time scales, and
white noise that shrinks with the block's length. The time scales are fixed on a ladder; how much
variance each carries is estimated from the day itself, together with the sensor errors, by
restricted maximum likelihood with a weak prior, so that an interval knows how much wind and
current really shifted.

References
----------
.. [1] Patterson and Thompson, "Recovery of inter-block information when block sizes are
   unequal", Biometrika 58, 545-554, 1971 (restricted maximum likelihood).
.. [2] Zhou, Hu, Zhou and Lange, "MM algorithms for variance components models", J. Comput. Graph.
   Stat. 28, 350-361, 2019.
.. [3] Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press, 2006, chapters
   2, 4 and 5 (leave-one-out residuals, equation 5.12).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Scale:
    """One rung of the ladder: a time scale and the standard deviation usual for it.

    ``smooth`` False is an Ornstein-Uhlenbeck process (wind and eddies are rough), True a
    Matern process of order 3/2 (a tide is smooth).
    """

    seconds: float
    usual_sd: float
    smooth: bool = False


@dataclass(frozen=True)
class Variation:
    """How one kind of quantity varies: the constant, the ladder, the white noise of 30 s.

    ``dof`` says how many observations the usual strengths are worth against the day's own.
    """

    constant_sd: float
    scales: tuple[Scale, ...]
    white_sd: float
    dof: float = 4.0


@dataclass
class Process:
    """A variation at given block times, with the current estimate of its strengths.

    Attributes
    ----------
    time_s, seconds : ndarray, shape (n,)
        Middle and length of each block.
    weight : ndarray, shape (n,)
        Robustness weights in (0, 1]: a block far off counts as that much noisier.
    variance : ndarray, shape (m,)
        Of the ladder's rungs, then of the white noise.
    """

    kind: Variation
    time_s: Floats
    seconds: Floats
    weight: Floats = field(init=False)
    variance: Floats = field(init=False)
    inverse: Floats = field(init=False)
    _shapes: list[Floats] = field(init=False)

    def __post_init__(self) -> None:
        lag = np.abs(self.time_s[:, None] - self.time_s[None, :])
        self._shapes = [_kernel(lag, scale) for scale in self.kind.scales]
        usual = [scale.usual_sd for scale in self.kind.scales] + [self.kind.white_sd]
        self.variance = np.array(usual) ** 2
        self.weight = np.ones(self.time_s.size)
        self.refresh()

    @property
    def _white(self) -> Floats:
        """Diagonal of the white noise at unit variance."""
        return np.asarray(30.0 / self.seconds / self.weight, dtype=float)

    def covariance_of(self, time_s: Floats) -> tuple[Floats, Floats]:
        """Covariance with, and variance at, other instants of the slow part (no white noise)."""
        lag = np.abs(time_s[:, None] - self.time_s[None, :])
        cross = np.full(lag.shape, self.kind.constant_sd**2)
        for variance, scale in zip(self.variance[:-1], self.kind.scales, strict=True):
            cross += variance * _kernel(lag, scale)
        at = np.full(time_s.shape, self.kind.constant_sd**2 + float(self.variance[:-1].sum()))
        return cross, at

    def refresh(self) -> None:
        """Inverse covariance at the present strengths and weights."""
        from scipy.linalg import cho_factor, lapack

        total = np.full((self.time_s.size,) * 2, self.kind.constant_sd**2)
        for variance, shape in zip(self.variance[:-1], self._shapes, strict=True):
            total += variance * shape
        total.flat[:: self.time_s.size + 1] += self.variance[-1] * self._white + 1e-12
        factor, lower = cho_factor(total, lower=True, overwrite_a=True, check_finite=False)
        inverse, _ = lapack.dpotri(factor, lower=lower, overwrite_c=True)
        inverse = np.tril(inverse)
        self.inverse = inverse + np.tril(inverse, -1).T

    def step(self, residuals: list[Floats], removed: list[Floats]) -> None:
        """One step towards the most likely strengths.

        Parameters
        ----------
        residuals : list of ndarray, shape (n,)
            What is left after the sensor errors; several components may share the process.
        removed : list of ndarray, shape (n, p)
            ``K^-1 J C^{1/2}`` of each component: what fitting the errors took out of it.
        """
        shapes: list[Floats | None] = [*self._shapes, None]
        solved = [self.inverse @ r for r in residuals]
        strengths = self.variance.copy()
        usual = np.array([s.usual_sd for s in self.kind.scales] + [self.kind.white_sd]) ** 2
        dof = self.kind.dof
        for k, shape in enumerate(shapes):
            if shape is None:
                white = self._white
                quad = sum(float(np.sum(white * u * u)) for u in solved)
                trace = len(solved) * float(np.sum(white * np.diag(self.inverse)))
                trace -= sum(float(np.sum(white[:, None] * b * b)) for b in removed)
            else:
                quad = sum(float(u @ shape @ u) for u in solved)
                trace = len(solved) * float(np.sum(self.inverse * shape))
                trace -= sum(float(np.sum(b * (shape @ b))) for b in removed)
            trace = max(trace, 1e-12)
            # Minimum of trace*x + (old^2 quad + dof usual)/x + dof ln x: the step of [2] with a
            # scaled inverse chi-square prior.
            load = strengths[k] ** 2 * quad + dof * usual[k]
            self.variance[k] = (-dof + np.sqrt(dof**2 + 4.0 * trace * load)) / (2.0 * trace)

    def leave_one_out(self, residual: Floats) -> Floats:
        """Standardised error of predicting each block from all others."""
        return np.asarray((self.inverse @ residual) / np.sqrt(np.diag(self.inverse)), dtype=float)


def _kernel(lag_s: Floats, scale: Scale) -> Floats:
    """Correlation at a lag."""
    x = lag_s / scale.seconds
    if scale.smooth:
        x = np.sqrt(3.0) * x
        return np.asarray((1.0 + x) * np.exp(-x), dtype=float)
    return np.asarray(np.exp(-x), dtype=float)
