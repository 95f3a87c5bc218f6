"""A hidden Markov chain in continuous time: what she did, from evidence along the day.

References
----------
.. [1] L. R. Rabiner, "A tutorial on hidden Markov models and selected applications in speech
   recognition", Proc. IEEE 77(2), 257-286, 1989: forward-backward, section III; scaling, V.A.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats

STATES: Final = ("sailing", "slowed", "engine", "motor-sailing", "lying", "adrift")
SAILING, SLOWED, ENGINE, BOTH, LYING, ADRIFT = range(6)

PER_HOUR: Final = np.array([
    [0.0, 0.80, 0.35, 0.25, 0.10, 0.12],
    [8.0, 0.00, 1.00, 0.30, 0.10, 0.30],
    [1.0, 0.20, 0.00, 0.40, 0.60, 0.30],
    [1.2, 0.10, 0.70, 0.00, 0.05, 0.10],
    [0.4, 0.10, 1.50, 0.10, 0.00, 0.10],
    [0.7, 0.20, 1.20, 0.10, 0.15, 0.00],
])
"""How often a crew goes from one to another in an hour of it (common practice: an hour or two
under sail, some minutes hove-to or reefing, most of an hour under engine, most of one at rest)."""
MODEL_DOUBT: Final = 0.02
"""Share of time in which the day is not what the model thinks of: the surest is 0.983."""
START: Final = np.array([0.40, 0.05, 0.20, 0.05, 0.25, 0.05])
"""A logger is switched on at the berth as often as at sea."""


def three(probability: Floats) -> Floats:
    """Of sails alone, of any engine, of none of either: shape (n, 3), from (n, 6)."""
    return np.asarray(probability.reshape(-1, 3, 2).sum(axis=2), dtype=float)


def transition(gap_s: float) -> Floats:
    """Probability of each state (columns) so many seconds after each (rows)."""
    from scipy.linalg import expm

    rate = PER_HOUR / 3600.0
    return np.asarray(expm((rate - np.diag(rate.sum(axis=1))) * gap_s), dtype=float)


@dataclass(frozen=True)
class Belief:
    """What the chain makes of a day.

    Attributes
    ----------
    probability : ndarray, shape (n, 6)
        Of each state at each block; rows add up to one.
    weight : ndarray, shape (k,)
        Of each supposition about the boat, given the day; adds up to one.
    """

    probability: Floats
    weight: Floats


def believe(log_likelihood: Floats, gap_s: Floats, weight: Floats, start: Floats = START) -> Belief:
    """States of each block given all the day's evidence, over several suppositions about the boat.

    What is unknown of the boat (how fast she is, under sail and under engine) is the same all day.
    So the chain is run once for each supposition, and the results are weighed by how well each
    explains the day: the unknown is integrated out, and a long leg is not taken for many.

    Parameters
    ----------
    log_likelihood : ndarray, shape (n, k, 6)
        Of each block's evidence under each supposition and state, up to a constant a block.
    gap_s : ndarray, shape (n - 1,)
        Seconds from each block to the next.
    weight : ndarray, shape (k,)
        Of each supposition before the day; adds up to one.
    start : ndarray, shape (6,)
        Before any evidence.
    """
    n = log_likelihood.shape[0]
    most = log_likelihood.max(axis=(1, 2), keepdims=True)
    likelihood = np.exp(log_likelihood - most)
    steps, which = np.unique(np.round(gap_s, 1), return_inverse=True)
    matrices = [transition(float(s)) for s in steps]
    forward = np.empty_like(likelihood)
    scale = np.empty(likelihood.shape[:2])
    forward[0], scale[0] = _scaled(start * likelihood[0])
    for i in range(1, n):
        forward[i], scale[i] = _scaled((forward[i - 1] @ matrices[which[i - 1]]) * likelihood[i])
    backward = np.ones(likelihood.shape[1:])
    out = np.empty_like(likelihood)
    out[-1] = forward[-1]
    for i in range(n - 2, -1, -1):
        backward, _ = _scaled((likelihood[i + 1] * backward) @ matrices[which[i]].T)
        out[i], _ = _scaled(forward[i] * backward)
    fit = np.log(weight) + np.log(scale).sum(axis=0)
    fit = np.exp(fit - fit.max())
    fit /= fit.sum()
    mixed = np.einsum("nks,k->ns", out, fit)
    return Belief((1.0 - MODEL_DOUBT) * mixed + MODEL_DOUBT / len(STATES), fit)


def _scaled(value: NDArray[np.float64]) -> tuple[Floats, Floats]:
    total = np.maximum(value.sum(axis=-1), 1e-300)
    return np.asarray(value / total[..., None], dtype=float), np.asarray(total, dtype=float)
