"""Fit the boat's own polar to steady blocks.

The order of the work: a plain four-number shape (:mod:`polar_shape`); a smooth penalised factor
on it over wind speed and angle, with effects of sides, load, boards, season, days and legs
(:mod:`polar_data`, :mod:`polar_solve`); the share of a gust that the boat answers
(:mod:`gusts`); the median and the 90th percentile of what is left (:mod:`offsets`); a mask that
keeps silent where nothing was sailed (:mod:`mask`), and a check that what is shown passes through
its own data (:mod:`own_data`).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.polar.basis import basis_for
from sailanalysis.polar.data import LEAST_BLOCKS, LEAST_SAIL_BLOCKS, TREND, Data, Plan
from sailanalysis.polar.mask import lattice_tws_kn
from sailanalysis.polar.model import LATTICE_TWA_DEG, PolarModel, Surface, polar_table
from sailanalysis.polar.ratio import leg_polar_ratio
from sailanalysis.polar.shape import fit_shape
from sailanalysis.polar.solve import Prior, solve
from sailanalysis.polar.stage import Stage

__all__ = ["TREND", "PolarModel", "Surface", "fit_polar", "leg_polar_ratio", "no_polar",
           "polar_table"]


def no_polar() -> PolarModel:
    """A polar that knows nothing."""
    return PolarModel(np.zeros(0), {}, np.zeros((0, LATTICE_TWA_DEG.size)), False)


def fit_polar(
    blocks: pd.DataFrame,
    *,
    sail_sets: bool = True,
    replicates: int = 200,
    seed: int = 0,
    load_reference_kg: float | None = None,
    shares: bool = True,
) -> PolarModel:
    """Fit speed over true wind speed and angle, with its uncertainty.

    Parameters
    ----------
    blocks : DataFrame
        As of :func:`steady.steady_averages`, of one day or many.
    sail_sets : bool
        Fit each sail set too, sharing strength between them.
    replicates : int
        Draws for the intervals.
    seed : int
        The same blocks give the same polar and intervals, in whatever order they come.
    load_reference_kg : float, optional
        The polar holds at this load above light ship; default the usual (median) load.

    shares : bool
        Work out each leg's share of the polar that its day did not help to make.

    Returns
    -------
    PolarModel
        Without surfaces where there are fewer than four minutes of steady sailing.
    """
    import scipy.linalg  # noqa: F401  its BLAS must be loaded to be limited
    from threadpoolctl import threadpool_limits

    data = Data.of(blocks, load_reference_kg)
    if data is None:
        return no_polar()
    with threadpool_limits(limits=1, user_api="blas"):
        return _fit(data, sail_sets, replicates, seed, shares)


def _fit(data: Data, sail_sets: bool, replicates: int, seed: int,
         shares: bool) -> PolarModel:
    shape = fit_shape(data.tws, data.twa, data.stw, data.seconds)
    lattice = lattice_tws_kn(data.tws)
    rng = np.random.default_rng(seed)
    whole = Stage.of(data, Plan.of(data, shape, ()))
    surfaces = {"all": whole.surface("all", lattice, whole.draws(replicates, rng))}
    names = _sail_sets(data) if sail_sets else []
    stage = whole
    if len(names) == 1 and np.all(data.sails == names[0]):
        surfaces[names[0]] = surfaces["all"]
    elif names:
        stage = Stage.of(data, Plan.of(data, shape, names), whole)
        # the same draws for every set: differences between sets keep what they share
        draws = stage.draws(replicates, rng)
        for name in names:
            surfaces[name] = stage.surface(name, lattice, draws)
    leeway, leeway_known = _leeway(data, lattice)
    return PolarModel(
        tws_kn=lattice, surfaces=surfaces, leeway_deg=leeway, leeway_known=leeway_known,
        effects=stage.effects(), days=len(data.days), legs=int(data.leg.max()) + 1,
        seconds=float(data.seconds.sum()), day_factors=stage.day_factors(),
        leg_shares=stage.leg_shares() if shares else pd.DataFrame(), notes=stage.notes(),
    )


def _sail_sets(data: Data) -> list[str]:
    names, counts = np.unique(data.sails.astype(str), return_counts=True)
    return [str(n) for n, c in zip(names, counts, strict=True) if n and c >= LEAST_SAIL_BLOCKS]


def _leeway(data: Data, lattice: Floats) -> tuple[Floats, bool]:
    """Typical leeway on the lattice (to leeward positive), zeros where none is known."""
    none = np.zeros((lattice.size, LATTICE_TWA_DEG.size))
    use = np.isfinite(data.leeway)
    if use.sum() < LEAST_BLOCKS or np.max(np.abs(data.leeway[use])) < 0.05:
        return none, False
    coarse = basis_for(data.tws, 20.0, 6.0)
    rough = coarse.penalties()
    prior = Prior(0, [rough[0], rough[1], np.eye(coarse.size)], [1.0, 1.0, 1 / 20.0**2],
                  [True, True, False])
    fit = solve(coarse.design(data.tws[use], data.twa[use]), data.leeway[use],
                np.ones(int(use.sum())), None, [prior])
    t, a = np.meshgrid(lattice, LATTICE_TWA_DEG, indexing="ij")
    return (coarse.design(t.ravel(), a.ravel()) @ fit.beta).reshape(none.shape), True
