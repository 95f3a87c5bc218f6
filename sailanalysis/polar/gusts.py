"""Gusts: what a half-minute block of varying wind says about the polar, which is for steady wind.

Two corrections, both found from the data.

*Curvature.* The mean speed over a varying wind is not the speed at the mean wind; the difference
is half the polar's second derivative times the wind's variance within the block.

*Answer.* Wind at the masthead is not quite the wind that drives the boat: small eddies pass the
vane and miss the sails, the vane shakes, trim comes late. Against such wind the speed's slope is
too flat, and a polar that leaned on it would be too fast in light and too slow in strong wind
(errors in variables). Between legs these errors have averaged out; within a leg they have not. So
the slope within legs is compared with the surface's own: the ratio is the share of a gust that the
boat answers, and deviations within a leg are shrunk by it before the surface is fitted again
(regression calibration).

References
----------
.. [1] Carroll, Ruppert, Stefanski and Crainiceanu, Measurement Error in Nonlinear Models, 2nd ed.,
   Chapman and Hall, 2006, chapter 4 (regression calibration).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from sailanalysis.core.angles import Floats
from sailanalysis.polar.data import Data, Plan
from sailanalysis.polar.solve import Fit

_PRIOR: Final = 0.9
_PRIOR_SD: Final = 0.1
"""Before any data most of a half-minute gust is answered."""
_LOW, _HIGH = 0.3, 1.1
_STEP_KN: Final = 1.0
_STEP_DEG: Final = 4.0


@dataclass(frozen=True)
class Answer:
    """Share of a deviation within a leg that the boat answers, in wind speed and in angle."""

    speed: float = 1.0
    angle: float = 1.0
    speed_sd: float = _PRIOR_SD
    angle_sd: float = _PRIOR_SD


def about_leg(value: Floats, weight: Floats, leg: np.ndarray) -> Floats:
    """Value less its leg's weighted mean."""
    mean = np.bincount(leg, weight * value) / np.bincount(leg, weight)
    return np.asarray(value - mean[leg], dtype=float)


def answered(data: Data, answer: Answer) -> Data:
    """Blocks with the wind's deviations within legs shrunk to what the boat answers."""
    off = np.abs(data.twa)
    within = about_leg(data.tws, data.seconds, data.leg)
    tws = data.tws - (1.0 - answer.speed) * within - _leg_error(data, within, answer.speed)
    off = off - (1.0 - answer.angle) * about_leg(off, data.seconds, data.leg)
    off = np.clip(off, 0.0, 180.0)
    var_t, var_a, cov = data.curve
    curve = (var_t * answer.speed**2, var_a * answer.angle**2, cov * answer.speed * answer.angle)
    return replace(data, tws=np.maximum(tws, 0.05), twa=np.where(data.twa < 0, -off, off),
                   curve=curve)


def _leg_error(data: Data, within: Floats, share: float) -> Floats:
    """What of a leg's mean wind, off its day's, is the same error averaged over the leg."""
    if share >= 1.0:
        return np.zeros(data.tws.size)
    count = np.bincount(data.leg).astype(float)
    spare = max(float(np.sum(count - 1.0)), 1.0)
    error = (1.0 - share) * float(np.sum(within**2)) / spare
    mean = data.tws - within
    off_day = about_leg(mean, data.seconds, data.day)
    between = float(np.mean(off_day**2))
    if between <= 0.0:
        return np.zeros(data.tws.size)
    return np.asarray(np.minimum(error / count[data.leg] / between, 0.5) * off_day, dtype=float)


def learn_answer(data: Data, fit: Fit, bends: Bends, reference: Floats, weight: Floats,
                 answer: Answer, design: Any) -> tuple[Answer, Floats]:
    """Improve the shares by what is left of the speed's slope within legs.

    The surface would follow if a share moved, for it leans on the same slope: so the step is that
    of shares and surface together, not of the shares alone.

    Parameters
    ----------
    data : Data
        As measured.
    fit : Fit
        Of the blocks as shrunk by ``answer``.
    bends : Bends
    reference : ndarray, shape (n,)
        The plain shape's speed, which the response was divided by.
    design : sparse matrix, shape (n, p)
        Of the fit.

    Returns
    -------
    Answer
    moves : ndarray, shape (p, 2)
        What one standard error of the shares (speed; angle given speed) does to the coefficients.
    """
    slope_t, slope_a = bends.slope_tws, bends.slope_twa
    off = np.abs(data.twa)
    pull = np.column_stack([
        slope_t / reference * about_leg(data.tws, data.seconds, data.leg),
        slope_a / reference * about_leg(off, data.seconds, data.leg)])
    pull = np.column_stack([about_leg(c, weight, data.leg) for c in pull.T])
    left = about_leg(fit.pushed, weight, data.leg)
    heavy = pull * weight[:, None] / fit.noise_variance
    shared = design.T @ heavy
    follow = fit.covariance @ shared
    gram = heavy.T @ pull - shared.T @ follow
    side = heavy.T @ left
    now = np.array([answer.speed, answer.angle])
    # the residual's slope is added to the share in use; the prior pulls the sum
    gram += np.eye(2) / _PRIOR_SD**2
    side += (_PRIOR - now) / _PRIOR_SD**2
    step = np.linalg.solve(gram, side)
    covariance = np.linalg.inv(gram)
    sd = np.sqrt(np.diag(covariance))
    new = np.clip(now + step, _LOW, _HIGH)
    return (Answer(float(new[0]), float(new[1]), float(sd[0]), float(sd[1])),
            follow @ np.linalg.cholesky(covariance))


@dataclass(frozen=True)
class Bends:
    """Slopes and curvature of each block's own surface at its wind, knots and degrees."""

    speed: Floats
    slope_tws: Floats
    slope_twa: Floats
    tws_tws: Floats
    twa_twa: Floats
    tws_twa: Floats


def bends_at(data: Data, plan: Plan, beta: Floats) -> Bends:
    """Differences of the fitted surfaces, read off a lattice at each block's wind."""
    from scipy.ndimage import map_coordinates

    low = np.floor(data.tws.min()) - 2 * _STEP_KN
    tws = np.arange(low, np.ceil(data.tws.max()) + 2.5 * _STEP_KN, _STEP_KN)
    twa = np.arange(-2 * _STEP_DEG, 180.0 + 2.5 * _STEP_DEG, _STEP_DEG)
    t, a = (g.ravel() for g in np.meshgrid(np.maximum(tws, 0.0), _folded(twa), indexing="ij"))
    plain = plan.shape.speed_kn(t, a)
    own_shape = slice(plan.first_shape, plan.first_effect)
    fine = 1.0 + plan.fine.design(t, a) @ beta[: plan.fine.size]
    fine += plan.shape.tangent(t, a) @ beta[own_shape]
    at = np.vstack([(data.tws - low) / _STEP_KN,
                    (np.abs(data.twa) + 2 * _STEP_DEG) / _STEP_DEG])
    out = np.zeros((6, data.tws.size))
    groups: list[tuple[np.ndarray, Floats]] = [(np.ones(data.tws.size, bool), fine)]
    if plan.sets:
        coarse = plan.coarse.design(t, a)
        for k, name in enumerate(plan.sets):
            start = plan.fine.size + k * plan.coarse.size
            more = coarse @ beta[start:start + plan.coarse.size]
            groups.append((data.sails == name, fine + more))
    for own, factor in groups:
        v = (plain * factor).reshape(tws.size, twa.size)
        ht, ha = _STEP_KN, _STEP_DEG
        up, down = np.roll(v, -1, axis=0), np.roll(v, 1, axis=0)
        fields = (v, (up - down) / (2 * ht),
                  (np.roll(v, -1, axis=1) - np.roll(v, 1, axis=1)) / (2 * ha),
                  (up - 2 * v + down) / ht**2,
                  (np.roll(v, -1, axis=1) - 2 * v + np.roll(v, 1, axis=1)) / ha**2,
                  (np.roll(up, -1, axis=1) - np.roll(up, 1, axis=1)
                   - np.roll(down, -1, axis=1) + np.roll(down, 1, axis=1)) / (4 * ht * ha))
        for row, one in enumerate(fields):
            out[row, own] = map_coordinates(one, at[:, own], order=1, mode="nearest")
    return Bends(*out)


def _folded(twa: Floats) -> Floats:
    off = np.abs(twa)
    return np.where(off > 180.0, 360.0 - off, off)


def curvature(data: Data, bends: Bends) -> Floats:
    """Mean of the curved polar over a block less the polar at the block's mean wind, kn."""
    var_t, var_a, cov = data.curve
    bend = 0.5 * bends.tws_tws * var_t + 0.5 * bends.twa_twa * var_a + bends.tws_twa * cov
    return np.clip(bend, -0.1 * bends.speed, 0.1 * bends.speed)
