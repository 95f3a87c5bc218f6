"""One smooth curve of the target angle over the wind speed.

The top of a VMG curve is flat: downwind a dozen degrees often cost less than a hundredth, and the
angle of the top, wind speed by wind speed, is the noisiest thing that a polar holds. But the
target mostly moves smoothly with the wind, so what is known at one wind speed helps its
neighbours. Each wind speed's own optimum is weighed by its error, which the replicates give
together with how neighbours err alike: a sharp top counts for much, a flat one for little. The
curve is a cubic smoothing spline; how far it may bend is averaged over what the data make likely,
so a straight line, a bend and a step are all open to it, and the interval knows which are in doubt.

References
----------
.. [1] Wahba, "Bayesian confidence intervals for the cross-validated smoothing spline", J. Royal
   Statistical Society B 45(1), 133-150, 1983 (the spline as a prior and its intervals).
.. [2] Harville, "Maximum likelihood approaches to variance component estimation", J. American
   Statistical Association 72, 320-338, 1977 (the restricted likelihood).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from sailanalysis.core.angles import Floats

_LATTICE_SD_DEG: Final = 0.3
"""Error of reading a top off a lattice of whole degrees: 1 / sqrt(12)."""
_LEAST_WINDS: Final = 3
_BENDS_DEG: Final = np.append(0.0, np.geomspace(0.25, 256.0, 21))
"""How far the curve may leave a straight line within ten knots, from not at all to a step."""


def spline_kernel(x: Floats) -> Floats:
    """Covariance of an integrated random walk, the prior of a cubic smoothing spline.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Not negative.

    Returns
    -------
    ndarray, shape (n, n)
    """
    low, high = np.minimum.outer(x, x), np.maximum.outer(x, x)
    return low**2 * (high - low / 3.0) / 2.0


def smooth_curve(tws_kn: Floats, angle_deg: Floats, covariance: Floats) -> tuple[Floats, Floats]:
    """Smooth angles over the wind speed, each weighed by its error.

    Parameters
    ----------
    tws_kn, angle_deg : ndarray, shape (n,)
        Optimum of each wind speed, in order.
    covariance : ndarray, shape (n, n)
        Of their errors.

    Returns
    -------
    angle_deg, sd_deg : ndarray, shape (n,)
        As given where there are fewer than three.
    """
    n = tws_kn.size
    noise = covariance + _LATTICE_SD_DEG**2 * np.eye(n)
    if n < _LEAST_WINDS:
        return angle_deg, np.sqrt(np.diag(noise))
    x = (tws_kn - tws_kn[0]) / 10.0
    kernel, line = spline_kernel(x), np.column_stack([np.ones(n), x])
    likely, means, variances = [], [], []
    for bend in _BENDS_DEG:
        # three: variance of the integrated walk after one unit is a third of its strength
        prior = 3.0 * bend**2 * kernel
        total = np.linalg.cholesky(noise + prior)
        lines, value = np.linalg.solve(total, line), np.linalg.solve(total, angle_deg)
        cross = np.linalg.cholesky(lines.T @ lines)
        fixed = np.linalg.solve(cross, lines.T)
        slope = np.linalg.solve(cross.T, fixed @ value)
        left = value - lines @ slope
        likely.append(-0.5 * float(left @ left) - float(np.log(np.diag(total)).sum())
                      - float(np.log(np.diag(cross)).sum()))
        reach = np.linalg.solve(total, prior)
        means.append(line @ slope + reach.T @ left)
        # what the prior leaves open, and the line's own error
        loose = line - reach.T @ lines
        spread = np.linalg.solve(cross, loose.T)
        variances.append(np.diag(prior) - np.sum(reach**2, axis=0) + np.sum(spread**2, axis=0))
    share = np.exp(np.array(likely) - max(likely))
    share /= share.sum()
    mean = share @ np.array(means)
    variance = share @ (np.array(variances) + (np.array(means) - mean) ** 2)
    return mean, np.sqrt(np.maximum(variance, 0.0))
