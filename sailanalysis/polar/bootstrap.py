"""How far the polar may be off: a block bootstrap over legs, and what smoothing and days add.

Re-fitting two hundred times is slow, and freezing the robust weights is quick but far too narrow.
Here each leg's score (its pull on the coefficients) is moved by one Newton step, which has the
true spread at the price of one product of matrices. A leg is the block, so that autocorrelation
within it does no harm. A fit follows its own data, so each leg's residuals are first set to what
they would be had the leg not taken part (leverage).

That is the sampling error alone. To it comes what the priors hold back: the bias of smoothing,
taken as random with the strength that the data gave it, and the days' own differences, which a
bootstrap over legs of the same days cannot see. Together they aim at the coverage of the truth.

References
----------
.. [1] Kline and Santos, "A score based approach to wild bootstrap inference", J. Econometric
   Methods 1(1), 23-41, 2012 (one-step bootstrap of scores).
.. [2] Bell and McCaffrey, "Bias reduction in standard errors for linear regression with
   multi-stage samples", Survey Methodology 28(2), 169-181, 2002 (leverage of clusters).
.. [3] Nychka, "Bayesian confidence intervals for smoothing splines", J. American Statistical
   Association 83, 1134-1143, 1988 (bias as a random part; coverage across the function).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sailanalysis.core.angles import Floats
from sailanalysis.core.stats import Z95
from sailanalysis.polar.solve import Fit

_CHUNK = 64


@dataclass(frozen=True, eq=False)
class Spread:
    """Error of the coefficients in parts.

    Attributes
    ----------
    moves : ndarray, shape (legs, p)
        Newton step of each leg's score.
    held_root : ndarray, shape (p, p + k)
        Root of the covariance that the priors hold (smoothing bias, days), and of other unknowns.
    covariance : ndarray, shape (p, p)
        Both together: what endless replicates would give.
    widen : float
        Student's over the normal quantile: the spreads themselves are estimates.
    """

    moves: Floats
    held_root: Floats
    covariance: Floats
    widen: float

    def draws(self, replicates: int, rng: np.random.Generator) -> Floats:
        """Errors of the coefficients, shape (p, replicates)."""
        legs = self.moves.shape[0]
        times = rng.multinomial(legs, np.full(legs, 1.0 / legs), size=replicates) - 1.0
        held = rng.standard_normal((replicates, self.held_root.shape[1]))
        return self.widen * (times @ self.moves + held @ self.held_root.T).T


def leg_spread(fit: Fit, design: Any, weight: Floats, leg: np.ndarray, freedom: int,
               also: Floats) -> Spread:
    """Spread of a fit's coefficients.

    Parameters
    ----------
    design : sparse matrix, shape (n, p)
    weight : ndarray, shape (n,)
    leg : ndarray of int, shape (n,)
        Ordered by leg.
    freedom : int
        Degrees of freedom of the spread (days, or legs of a single day, and the priors' worth).
    also : ndarray, shape (p, k)
        Moves of the coefficients by one standard deviation of other unknowns: what the boat
        answers of a gust, the speed of a single day.
    """
    from scipy.sparse import csr_matrix
    from scipy.special import stdtrit

    n, p = design.shape
    variance, between = fit.noise_variance, max(fit.leg_sd, 1e-6) ** 2
    legs = int(leg.max()) + 1
    pushed = np.empty(n)
    order = np.argsort(leg, kind="stable")
    edges = np.searchsorted(leg[order], np.arange(legs + 1))
    for first in range(0, legs, _CHUNK):
        last = min(first + _CHUNK, legs)
        some = order[edges[first]:edges[last]]
        rows = design[some]
        reach, dense = rows @ fit.covariance, rows.toarray()
        for k in range(first, last):
            part = slice(edges[k] - edges[first], edges[k + 1] - edges[first])
            own = some[part]
            # precision of the leg's noise with its own effect integrated out
            w = weight[own] / variance
            precise = np.diag(w) - np.outer(w, w) / (w.sum() + 1.0 / between)
            hat = dense[part] @ reach[part].T @ precise
            # the residual less the leg's effect -> the whole residual -> freed of its own pull
            whole = fit.pushed[own] + between * float(w @ fit.pushed[own])
            freed = np.linalg.solve(np.eye(own.size) * (1.0 + 1e-9) - hat, whole)
            pushed[own] = precise @ freed
    member = csr_matrix((pushed, (leg, np.arange(n))), shape=(legs, n))
    moves = np.asarray((member @ design).todense()) @ fit.covariance
    held = np.zeros((p, p))
    for prior in fit.priors:
        total = prior.total()
        for part in prior.slices():
            held[part, part] += total
    root = np.hstack([fit.covariance @ np.linalg.cholesky(held + 1e-12 * np.eye(p)), also])
    widen = float(stdtrit(max(freedom, 2), 0.975) / Z95)
    return Spread(moves, root, moves.T @ moves + root @ root.T, widen)
