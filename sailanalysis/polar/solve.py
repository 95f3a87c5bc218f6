"""Penalised robust regression with random effects: the engine under every polar.

One linear model, ``z = A beta + leg effect + noise``, in which groups of coefficients have normal
priors (roughness penalties, shrinkage, random day effects) whose strengths the data choose.
Noise is robust (Huber): each Newton step solves least squares on pseudo-data. Leg effects are
eliminated exactly, because there are thousands.

References
----------
.. [1] Wood and Fasiolo, "A generalized Fellner-Schall method for smoothing parameter
   optimization", Biometrics 73, 1071-1081, 2017 (the updates of the strengths; they climb the
   restricted likelihood, REML).
.. [2] Huber and Ronchetti, Robust Statistics, 2nd ed., Wiley, 2009, section 7.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.stats import MAD_TO_SD

Pseudo = Callable[[Floats, float], tuple[Floats, float]]
"""Residuals and their scale to pseudo-residuals and the variance of the pseudo-data."""


_NEWTON = 4
_EDF_STILL = 0.05
"""Strengths may rest where they move the effective parameters by a twentieth of one."""
_SLOWEST = 0.8
_LONGEST = 2.0 * float(np.log(5.0))


@dataclass
class Prior:
    """Prior precision ``sum(strength * matrix)`` of one slice of coefficients.

    ``matrices`` are (p, p) and repeat for each of ``copies`` consecutive slices of p columns.
    A strength whose ``free`` is False stays. ``guess`` and ``guess_weight`` act like that many
    further coefficients of the guessed variance (a weak prior on the variance itself).
    """

    start: int
    matrices: list[Floats]
    strength: list[float]
    free: list[bool]
    copies: int = 1
    guess_weight: float = 0.0
    guess_variance: float = 1.0
    size: int = field(init=False)

    def __post_init__(self) -> None:
        self.size = self.matrices[0].shape[0]

    def total(self) -> Floats:
        """Prior precision of one copy."""
        return np.asarray(sum(s * m for s, m in zip(self.strength, self.matrices, strict=True)))

    def slices(self) -> list[slice]:
        """Columns of each copy."""
        return [slice(self.start + c * self.size, self.start + (c + 1) * self.size)
                for c in range(self.copies)]


@dataclass(frozen=True)
class Fit:
    """Result of :func:`solve`.

    ``covariance`` is the posterior covariance of ``beta``: sampling and smoothing bias together;
    ``precision`` is its inverse.
    ``residual`` is what is left after the leg effects, ``pushed`` the same as the last Newton
    step saw it, ``scale`` its robust standard deviation (weighted).
    """

    beta: Floats
    covariance: Floats
    precision: Floats
    leg_effect: Floats
    residual: Floats
    pushed: Floats
    scale: float
    leg_sd: float
    noise_variance: float
    edf: float
    priors: list[Prior]


def huber(residual: Floats, scale: float, k: float = 1.345) -> tuple[Floats, float]:
    """Pseudo-residuals of Huber's location and their variance."""
    bound = k * scale
    inside = np.abs(residual) <= bound
    share = max(float(np.mean(inside)), 0.05)
    psi = np.clip(residual, -bound, bound)
    return psi / share, float(np.mean(psi * psi)) / share**2


def solve(
    design: Any,
    response: Floats,
    weight: Floats,
    leg: np.ndarray | None,
    priors: list[Prior],
    *,
    pseudo: Pseudo = huber,
    leg_sd: float = 0.02,
    beta: Floats | None = None,
    iterations: int = 20,
) -> Fit:
    """Fit by Newton steps on pseudo-data, with strengths updated on the way.

    Parameters
    ----------
    design : sparse matrix, shape (n, p)
    response, weight : ndarray, shape (n,)
        Noise variance of a row is proportional to ``1 / weight``; weights of mean one.
    leg : ndarray of int, shape (n,), or None
        Row numbers of the legs from 0; None leaves leg effects out.
    priors : list of Prior
        Together they cover every column that the data alone could leave loose.
    leg_sd : float
        First guess of the spread of leg effects.
    beta : ndarray, shape (p,), optional
        A start.
    iterations : int
        Updates of the strengths at most; a few Newton steps go with each.
    """
    from scipy.linalg import cho_factor

    rows = _Rows.of(design, response, weight, leg)
    n, p = design.shape
    beta = np.zeros(p) if beta is None else beta.copy()
    effect = np.zeros(max(rows.legs, 1))
    edf, first, pace = 0.0, True, Pace()
    for step in range(iterations):
        # the strengths and the noise stand still for a few Newton steps, so one factor serves them
        scaled = rows.left(beta, effect) * rows.root
        mad = MAD_TO_SD * float(np.median(np.abs(scaled)))
        scale = max(mad, 0.02 if first else 1e-5)
        _, variance = pseudo(scaled, scale)
        # the residuals of a fit are smaller than the noise, by the share of freedom used up
        variance = max(variance, 1e-10) * n / max(n - edf, 0.1 * n)
        penalty = _penalty(priors, p)
        own = rows.mass / variance + 1.0 / leg_sd**2 if rows.legs else None
        precision = rows.precision(variance, penalty, own)
        factor = cho_factor(precision, lower=True)
        beta, effect, change = _newton(rows, factor, variance, own, scale, pseudo, beta, effect)
        covariance = _inverse(factor[0])
        last, edf = edf, float(np.sum((precision - penalty) * covariance))
        next_sd = leg_sd
        if own is not None:
            next_sd, known = rows.spread_of_legs(own, covariance, variance, leg_sd, effect)
            edf += known
        still = step > 1 and change < 1e-5 and abs(edf - last) < _EDF_STILL
        if still or step == iterations - 1:
            break  # before the strengths move on: what is returned belongs together
        _update(priors, beta, covariance, pace)
        leg_sd, first = next_sd, False
    residual = rows.left(beta, effect)
    pushed, _ = pseudo(residual * rows.root, scale)
    spare = max(n - edf, 0.1 * n)
    return Fit(beta, covariance, precision, effect, residual, pushed / rows.root,
               scale * np.sqrt(n / spare), leg_sd if rows.legs else 0.0, variance, edf, priors)


@dataclass(frozen=True)
class _Rows:
    """Data of a fit, and their sums over the columns and the legs; no legs: ``legs`` is 0."""

    design: Any
    transposed: Any
    response: Floats
    weight: Floats
    root: Floats
    gram: Floats
    leg: NDArray[np.int64]
    legs: int
    cross: Any
    mass: Floats

    @classmethod
    def of(cls, design: Any, response: Floats, weight: Floats, leg: np.ndarray | None) -> _Rows:
        from scipy.sparse import csr_matrix, diags

        n = design.shape[0]
        transposed = design.T.tocsr()
        gram = (transposed @ diags(weight) @ design).toarray()
        if leg is None:
            return cls(design, transposed, response, weight, np.sqrt(weight), gram,
                       np.zeros(n, dtype=np.int64), 0, None, np.zeros(0))
        legs = int(leg.max()) + 1
        cross = csr_matrix((weight, (leg, np.arange(n))), shape=(legs, n)) @ design
        return cls(design, transposed, response, weight, np.sqrt(weight), gram, leg, legs, cross,
                   np.asarray(np.bincount(leg, weight, legs), dtype=float))

    def left(self, beta: Floats, effect: Floats) -> Floats:
        """Response less surface and leg effects."""
        return np.asarray(self.response - self.design @ beta - effect[self.leg], dtype=float)

    def precision(self, variance: float, penalty: Floats, own: Floats | None) -> Floats:
        """Precision of the coefficients, the legs' effects integrated out."""
        from scipy.sparse import diags

        out = self.gram / variance + penalty
        if own is not None:
            thin = diags(1.0 / own) @ self.cross
            out -= (self.cross.T @ thin).toarray() / variance**2
        out[np.diag_indices(out.shape[0])] += 1e-9
        return np.asarray(out, dtype=float)

    def spread_of_legs(self, own: Floats, covariance: Floats, variance: float, leg_sd: float,
                       effect: Floats) -> tuple[float, float]:
        """Next spread of leg effects, and the freedom they used up.

        The legs' own variance, and what the surface's error adds: a trace, by one product of the
        sparse sums rather than by every leg's own.
        """
        from scipy.sparse import diags

        reach = float((self.cross.T @ diags(1.0 / own**2) @ self.cross).multiply(covariance).sum())
        spread = float(np.sum(1.0 / own)) + reach / variance**2
        known = max(self.legs - spread / leg_sd**2, 1e-3 * self.legs)
        # a weak prior of three legs at 2 % keeps a handful of legs from zero or wild spreads
        return float(np.sqrt((effect @ effect + 3 * 0.02**2) / (known + 3))), known


def _penalty(priors: list[Prior], size: int) -> Floats:
    out = np.zeros((size, size))
    for prior in priors:
        total = prior.total()
        for part in prior.slices():
            out[part, part] += total
    return out


def _newton(rows: _Rows, factor: Any, variance: float, own: Floats | None, scale: float,
            pseudo: Pseudo, beta: Floats, effect: Floats) -> tuple[Floats, Floats, float]:
    """Take a few Newton steps with one factor: coefficients, leg effects, the last change."""
    from scipy.linalg import cho_solve

    change = 0.0
    for _ in range(_NEWTON):
        fitted = rows.design @ beta + effect[rows.leg]
        pushed, _ = pseudo((rows.response - fitted) * rows.root, scale)
        pull = rows.weight * (fitted + pushed / rows.root)
        side = rows.transposed @ pull / variance
        heap = np.zeros(0)
        if own is not None:
            heap = np.bincount(rows.leg, pull, rows.legs) / variance
            side -= rows.cross.T @ (heap / own) / variance
        new = np.asarray(cho_solve(factor, side), dtype=float)
        change = float(np.max(np.abs(new - beta)))
        beta = new
        if own is not None:
            effect = (heap - rows.cross @ beta / variance) / own
        if change < 1e-6:
            break
    return beta, effect, change


def _inverse(lower: Floats) -> Floats:
    """Inverse of a positive definite matrix from its lower Cholesky factor."""
    from scipy.linalg.lapack import dpotri

    half, _ = dpotri(lower, lower=1)
    half = np.tril(half)
    return np.asarray(half + np.tril(half, -1).T, dtype=float)


class Pace:
    """Logarithmic steps of the strengths, sped up along the way.

    The updates close in by an even share of what is left, often a small one: after two steps
    that tell the share, the third goes all the way (Aitken's extrapolation).
    """

    def __init__(self) -> None:
        self._before: dict[tuple[int, int], float] = {}

    def step(self, key: tuple[int, int], plain: float) -> float:
        """Step to take where the update asks for ``plain``."""
        before = self._before.pop(key, None)
        if before is None or plain * before <= 0.0:
            self._before[key] = plain
            return plain
        left = min(plain / before, _SLOWEST)
        return float(np.clip(plain / (1.0 - left), -_LONGEST, _LONGEST))


def _update(priors: list[Prior], beta: Floats, covariance: Floats, pace: Pace) -> None:
    """One Fellner-Schall step for every free strength."""
    for number, prior in enumerate(priors):
        if not any(prior.free):
            continue
        inverse = np.linalg.inv(prior.total())
        parts = prior.slices()
        for j, matrix in enumerate(prior.matrices):
            if not prior.free[j]:
                continue
            full = prior.copies * float(np.sum(inverse * matrix))
            used = sum(float(np.sum(covariance[q, q] * matrix)) for q in parts)
            rough = sum(float(beta[q] @ matrix @ beta[q]) for q in parts)
            up = full - used + prior.guess_weight / prior.strength[j]
            down = rough + prior.guess_weight * prior.guess_variance
            ratio = np.clip(max(up, 1e-12) / max(down, 1e-12), 0.2, 5.0)
            step = pace.step((number, j), float(np.log(ratio)))
            prior.strength[j] = float(np.clip(prior.strength[j] * np.exp(step), 1e-2, 1e8))
