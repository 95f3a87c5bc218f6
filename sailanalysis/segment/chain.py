"""A hidden Markov chain in continuous time: what she did, from evidence along the day.

References
----------
.. [1] L. R. Rabiner, "A tutorial on hidden Markov models and selected applications in speech
   recognition", Proc. IEEE 77(2), 257-286, 1989: forward-backward, section III; scaling, V.A.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats

STATES: Final = ("sailing", "slowed", "engine", "lying")
SAILING, SLOWED, ENGINE, LYING = range(4)

PER_HOUR: Final = np.array([
    [0.0, 0.8, 0.4, 0.2],
    [8.0, 0.0, 1.0, 0.3],
    [1.2, 0.2, 0.0, 0.8],
    [0.7, 0.1, 1.5, 0.0],
])
"""How often a crew goes from one to another in an hour of it (common practice: an hour or two
under sail, some minutes hove-to or reefing, most of an hour under engine, most of one at rest)."""
MODEL_DOUBT: Final = 0.02
"""Share of time in which the day is not what the model thinks of: the surest is 0.985."""
START: Final = np.array([0.45, 0.05, 0.20, 0.30])
"""A logger is switched on at the berth as often as at sea."""


def transition(gap_s: float) -> Floats:
    """Probability of each state (columns) so many seconds after each (rows)."""
    from scipy.linalg import expm

    rate = PER_HOUR / 3600.0
    return np.asarray(expm((rate - np.diag(rate.sum(axis=1))) * gap_s), dtype=float)


def posterior(log_likelihood: Floats, gap_s: Floats, start: Floats = START) -> Floats:
    """Probability of each state at each block, given all the day's evidence.

    Parameters
    ----------
    log_likelihood : ndarray, shape (n, 4)
        Of each block's evidence under each state, up to a constant a block.
    gap_s : ndarray, shape (n - 1,)
        Seconds from each block to the next.
    start : ndarray, shape (4,)
        Before any evidence.

    Returns
    -------
    ndarray, shape (n, 4)
        Rows add up to one.
    """
    n = log_likelihood.shape[0]
    likelihood = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True))
    steps, which = np.unique(np.round(gap_s, 1), return_inverse=True)
    matrices = [transition(float(s)) for s in steps]
    forward = np.empty_like(likelihood)
    forward[0] = _scaled(start * likelihood[0])
    for i in range(1, n):
        forward[i] = _scaled((forward[i - 1] @ matrices[which[i - 1]]) * likelihood[i])
    backward = np.ones(4)
    out = np.empty_like(likelihood)
    out[-1] = forward[-1]
    for i in range(n - 2, -1, -1):
        backward = _scaled(matrices[which[i]] @ (likelihood[i + 1] * backward))
        out[i] = _scaled(forward[i] * backward)
    return np.asarray((1.0 - MODEL_DOUBT) * out + MODEL_DOUBT / 4.0, dtype=float)


def _scaled(value: NDArray[np.float64]) -> Floats:
    return np.asarray(value / value.sum(), dtype=float)
