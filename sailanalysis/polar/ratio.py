"""Each leg's share of the polar's speed, honest about having helped to make that polar."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.sails import sail_sets
from sailanalysis.polar.model import PolarModel
from sailanalysis.polar.solve import Fit


def leg_polar_ratio(legs: pd.DataFrame, model: PolarModel) -> Floats:
    """Boat speed of each leg over the polar's typical speed at the leg's wind.

    Parameters
    ----------
    legs : DataFrame, shape (n, ...)
        With ``tws_kn, twa_deg, stw_kn`` and perhaps ``sails``. The leg's own sail set is used
        where the model has it at that wind, else the whole polar.
    model : PolarModel

    Returns
    -------
    ndarray, shape (n,)
        NaN where the polar says nothing.
    """
    if len(legs) == 0:
        return np.zeros(0)
    tws, twa = legs["tws_kn"].to_numpy(float), legs["twa_deg"].to_numpy(float)
    stw = legs["stw_kn"].to_numpy(float)
    target = model.speed_kn(tws, twa)
    if "sails" in legs.columns:
        names = sail_sets(legs["sails"].fillna("").to_numpy(object))
        for name in model.sail_sets:
            own = names == name
            if name != "all" and own.any():
                value = model.speed_kn(tws[own], twa[own], name)
                target[own] = np.where(np.isfinite(value), value, target[own])
    ratio = np.full(stw.shape, np.nan)
    np.divide(stw, target, out=ratio, where=target > 0.1)
    return ratio


def coefficients_without(fit: Fit, design: Any, weight: Floats, leg: np.ndarray,
                         group: np.ndarray) -> Floats:
    """Coefficients that each group of rows would have found absent.

    One Newton step away from the full fit, exact for its quadratic approximation: the group's
    share of the normal equations is taken out, strengths of the priors staying.

    Parameters
    ----------
    design : sparse matrix, shape (n, p)
    group : ndarray of int, shape (n,)
        Whole legs only.

    Returns
    -------
    ndarray, shape (groups, p)
    """
    from scipy.linalg import cho_factor, cho_solve
    from scipy.sparse import csr_matrix

    count = int(group.max()) + 1
    out = np.empty((count, fit.beta.size))
    for k in range(count):
        rows = np.flatnonzero(group == k)
        part, w = design[rows], weight[rows]
        weighted = part.multiply(w[:, None]).tocsr()
        gram = np.asarray((part.T @ weighted).todense()) / fit.noise_variance
        legs, own = np.unique(leg[rows], return_inverse=True)
        member = csr_matrix((np.ones(rows.size), (own, np.arange(rows.size))),
                            shape=(legs.size, rows.size))
        cross = np.asarray((member @ weighted).todense()) / fit.noise_variance
        mass = np.bincount(own, w) / fit.noise_variance + 1.0 / max(fit.leg_sd, 1e-6) ** 2
        gram -= cross.T @ (cross / mass[:, None])
        score = np.asarray(weighted.T @ fit.pushed[rows]).ravel() / fit.noise_variance
        left = fit.precision - gram
        left[np.diag_indices_from(left)] += 1e-9 * np.trace(left) / len(left)
        out[k] = fit.beta - cho_solve(cho_factor(left, lower=True), score)
    return out
