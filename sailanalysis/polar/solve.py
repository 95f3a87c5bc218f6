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

from sailanalysis.core.angles import Floats
from sailanalysis.core.stats import MAD_TO_SD

Pseudo = Callable[[Floats, float], tuple[Floats, float]]
"""Residuals and their scale to pseudo-residuals and the variance of the pseudo-data."""


_NEWTON = 4
_EDF_STILL = 0.05
"""Strengths may rest where they move the effective parameters by a twentieth of one."""
_SLOWEST = 0.8
_LONGEST = 2.0 * float(np.log(5.0))
_NORMAL_QUARTILES = 1.3489795
"""Between the quartiles of a normal distribution, in standard deviations."""


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


def check(quantile: float, bandwidth: float = 0.2) -> Pseudo:
    """Pseudo-residuals of a quantile: the check loss smoothed by a normal kernel.

    A bandwidth of a fifth of the spread moves the 90th percentile of normal noise by 2 % of its
    distance from the median, and the median not at all.

    References
    ----------
    .. [1] Fernandes, Guerre and Horta, "Smoothing quantile regressions", J. Business and
       Economic Statistics 39(1), 338-357, 2021.
    """

    def pseudo(residual: Floats, scale: float) -> tuple[Floats, float]:
        from scipy.special import ndtr

        # the spread about the residuals' own middle: about a high quantile it would be too wide
        n = residual.size
        if n > 7:
            part = np.partition(residual, (n // 4, (3 * n) // 4))
            scale = float(part[(3 * n) // 4] - part[n // 4]) / _NORMAL_QUARTILES
        scale = max(scale, 1e-6)
        x = residual / (bandwidth * scale)
        density = float(np.mean(np.exp(-0.5 * x * x))) / (np.sqrt(2 * np.pi) * bandwidth * scale)
        density = max(density, 0.05 / scale)
        psi = quantile - ndtr(-x)
        return psi / density, quantile * (1.0 - quantile) / density**2

    return pseudo


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
    from scipy.linalg import cho_factor, cho_solve
    from scipy.sparse import csr_matrix, diags

    n, p = design.shape
    transposed = design.T.tocsr()
    gram = (transposed @ diags(weight) @ design).toarray()
    legs = int(leg.max()) + 1 if leg is not None else 0
    if leg is not None:
        cross = csr_matrix((weight, (leg, np.arange(n))), shape=(legs, n)) @ design
        mass = np.bincount(leg, weight, legs)
    effect = np.zeros(max(legs, 1))
    at = leg if leg is not None else np.zeros(n, dtype=np.int64)
    root = np.sqrt(weight)
    beta = np.zeros(p) if beta is None else beta.copy()
    edf, first, pace = 0.0, True, Pace()
    for step in range(iterations):
        # the strengths and the noise stand still for a few Newton steps, so one factor serves them
        scaled = (response - design @ beta - effect[at]) * root
        mad = MAD_TO_SD * float(np.median(np.abs(scaled)))
        scale = max(mad, 0.02 if first else 1e-5)
        _, variance = pseudo(scaled, scale)
        # the residuals of a fit are smaller than the noise, by the share of freedom used up
        variance = max(variance, 1e-10) * n / max(n - edf, 0.1 * n)
        penalty = np.zeros((p, p))
        for prior in priors:
            total = prior.total()
            for part in prior.slices():
                penalty[part, part] += total
        precision = gram / variance + penalty
        if leg is not None:
            own = mass / variance + 1.0 / leg_sd**2
            thin = diags(1.0 / own) @ cross
            precision -= (cross.T @ thin).toarray() / variance**2
        precision[np.diag_indices(p)] += 1e-9
        factor = cho_factor(precision, lower=True)
        change = 0.0
        for _ in range(_NEWTON):
            fitted = design @ beta + effect[at]
            pushed, _ = pseudo((response - fitted) * root, scale)
            pull = weight * (fitted + pushed / root)
            side = transposed @ pull / variance
            if leg is not None:
                heap = np.bincount(leg, pull, legs) / variance
                side -= cross.T @ (heap / own) / variance
            new = cho_solve(factor, side)
            change = float(np.max(np.abs(new - beta)))
            beta = new
            if leg is not None:
                effect = (heap - cross @ beta / variance) / own
            if change < 1e-6:
                break
        covariance = _inverse(factor[0])
        last, edf = edf, float(np.sum((precision - penalty) * covariance))
        if leg is not None:
            # the legs' own variance, and what the surface's error adds: a trace, by one product
            # of the sparse sums rather than by every leg's own
            reach = float((cross.T @ diags(1.0 / own**2) @ cross).multiply(covariance).sum())
            spread = float(np.sum(1.0 / own)) + reach / variance**2
            known = max(legs - spread / leg_sd**2, 1e-3 * legs)
            edf += known
            # a weak prior of three legs at 2 % keeps a handful of legs from zero or wild spreads
            next_sd = float(np.sqrt((effect @ effect + 3 * 0.02**2) / (known + 3)))
        if (step > 1 and change < 1e-5 and abs(edf - last) < _EDF_STILL) or (
                step == iterations - 1):
            break  # before the strengths move on: what is returned belongs together
        _update(priors, beta, covariance, pace)
        leg_sd, first = (next_sd if leg is not None else leg_sd), False
    residual = response - design @ beta - effect[at]
    pushed, _ = pseudo(residual * root, scale)
    spare = max(n - edf, 0.1 * n)
    return Fit(beta, covariance, precision, effect, residual, pushed / root,
               scale * np.sqrt(n / spare), leg_sd if leg is not None else 0.0, variance, edf,
               priors)


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
