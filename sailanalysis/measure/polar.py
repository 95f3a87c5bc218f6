"""Fit the boat's own polar to steady blocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.angles import Floats
from sailanalysis.measure.polar_basis import Basis, basis_for
from sailanalysis.measure.polar_mask import (
    LEAST_SECONDS,
    lattice_tws_kn,
    seconds_near,
    support,
)
from sailanalysis.measure.polar_model import (
    LATTICE_TWA_DEG,
    Effect,
    PolarModel,
    Surface,
    polar_table,
)
from sailanalysis.measure.polar_ratio import coefficients_without, leg_polar_ratio
from sailanalysis.measure.polar_shape import Shape, fit_shape
from sailanalysis.measure.polar_solve import Fit, Prior, check, solve
from sailanalysis.stats import mad_sd

__all__ = ["PolarModel", "Surface", "fit_polar", "leg_polar_ratio", "no_polar", "polar_table"]

_ANGLE_STEP_DEG: Final = 12.0
_TWS_STEP_KN: Final = 3.0
_COARSE_ANGLE_DEG: Final = 30.0
_COARSE_TWS_KN: Final = 6.0
_LEAST_BLOCKS: Final = 8
"""Four minutes of steady sailing: less is no polar."""
_LEAST_SAIL_BLOCKS: Final = 10
_TREND_DAYS: Final = 4
TREND: Final = "per 30 days"
"""Name of the effect that says how the boat's speed changes through a season."""


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

    Returns
    -------
    PolarModel
        Without surfaces where there are fewer than four minutes of steady sailing.
    """
    from threadpoolctl import threadpool_limits

    data = _Data.of(blocks, load_reference_kg)
    if data is None:
        return no_polar()
    with threadpool_limits(limits=1, user_api="blas"):
        return _fit(data, sail_sets, replicates, seed)


# ------------------------------------------------------------------ data in, sorted and coded
@dataclass
class _Data:
    tws: Floats
    twa: Floats
    stw: Floats
    seconds: Floats
    day: np.ndarray
    days: list[str]
    leg: np.ndarray
    leg_name: np.ndarray
    sails: np.ndarray
    side: Floats
    load: Floats
    boards: np.ndarray
    leeway: Floats
    curve: tuple[Floats, Floats, Floats]

    @classmethod
    def of(cls, blocks: pd.DataFrame, load_reference_kg: float | None) -> _Data | None:
        use = np.isfinite(blocks["tws_kn"].to_numpy(float)) & np.isfinite(
            blocks["twa_deg"].to_numpy(float)) & np.isfinite(blocks["stw_kn"].to_numpy(float))
        table = blocks[use & (blocks["seconds"].to_numpy(float) > 0)]
        if len(table) < _LEAST_BLOCKS:
            return None
        table = table.sort_values(["day", "time"], kind="stable")
        day_code, days = pd.factorize(table["day"].astype(str), sort=True)
        leg = pd.factorize(table["day"].astype(str) + "/" + table["leg"].astype(str))[0]
        load = table["load_kg"].to_numpy(float)
        reference = load_reference_kg
        if reference is None:
            reference = float(np.median(load[np.isfinite(load)])) if np.isfinite(load).any() else 0
        tonnes = np.where(np.isfinite(load), (load - reference) / 1000.0, 0.0)

        def column(name: str) -> Floats:
            return np.nan_to_num(table[name].to_numpy(float))

        return cls(
            tws=table["tws_kn"].to_numpy(float), twa=table["twa_deg"].to_numpy(float),
            stw=table["stw_kn"].to_numpy(float), seconds=table["seconds"].to_numpy(float),
            day=day_code, days=list(days), leg=leg,
            leg_name=table["leg"].to_numpy(),
            sails=table["sails"].fillna("").to_numpy(object),
            side=np.where(table["twa_deg"].to_numpy(float) >= 0, 0.5, -0.5),
            load=tonnes, boards=table["boards"].fillna("").to_numpy(object),
            leeway=table["leeway_deg"].to_numpy(float),
            curve=(column("tws_sd_kn") ** 2, column("twa_sd_deg") ** 2, column("tws_twa_cov")),
        )


# ------------------------------------------------------------------ the fit
def _fit(data: _Data, sail_sets: bool, replicates: int, seed: int) -> PolarModel:
    shape = fit_shape(data.tws, data.twa, data.stw, data.seconds)
    lattice = lattice_tws_kn(data.tws)
    rng = np.random.default_rng(seed)
    whole = _Stage.of(data, shape, _Plan.of(data, ()))
    surfaces = {"all": whole.surface("all", lattice, whole.draws(replicates, rng))}
    names = _sail_sets(data) if sail_sets else []
    stage = whole
    if len(names) == 1 and np.all(data.sails == names[0]):
        surfaces[names[0]] = surfaces["all"]
    elif names:
        stage = _Stage.of(data, shape, _Plan.of(data, names))
        # the same draws for every set: differences between sets keep what they share
        draws = stage.draws(replicates, rng)
        for name in names:
            surfaces[name] = stage.surface(name, lattice, draws)
    leeway, leeway_known = _leeway(data, lattice)
    return PolarModel(
        tws_kn=lattice, surfaces=surfaces, leeway_deg=leeway, leeway_known=leeway_known,
        effects=stage.effects(), days=len(data.days), legs=int(data.leg.max()) + 1,
        seconds=float(data.seconds.sum()), day_factors=stage.day_factors(),
        leg_shares=stage.leg_shares(), notes=stage.notes(),
    )


def _sail_sets(data: _Data) -> list[str]:
    names, counts = np.unique(data.sails.astype(str), return_counts=True)
    return [str(n) for n, c in zip(names, counts, strict=True) if n and c >= _LEAST_SAIL_BLOCKS]


@dataclass
class _Stage:
    """A fitted design: location, the quantiles' offsets from it, and their covariances."""

    data: _Data
    shape: Shape
    plan: _Plan
    fit: Fit
    coarse: Basis
    middle: Fit
    best: Fit
    spread_by_kn: Floats
    design: Any
    weight: Floats

    @classmethod
    def of(cls, data: _Data, shape: Shape, plan: _Plan) -> _Stage:
        reference = np.maximum(shape.speed_kn(data.tws, data.twa), 0.05)
        response = data.stw / reference - 1.0
        by_kn = _noise_by_wind(data.tws, response)
        spread = by_kn[_slot(data.tws)]
        weight = data.seconds / spread**2
        weight = weight / np.mean(weight)
        design = plan.design(data)
        priors = plan.priors()
        fit = solve(design, response, weight, data.leg, priors)
        bend = _curvature(plan, shape, data, fit.beta) / reference
        fit = solve(design, response - bend, weight, data.leg, priors, beta=fit.beta,
                    leg_sd=fit.leg_sd)
        # What is left, days and legs included: its median and 90th percentile, in units of noise.
        beta = fit.beta.copy()
        beta[plan.first_day:] = 0.0
        left = (response - bend - design @ beta) / spread
        coarse = basis_for(data.tws, _COARSE_ANGLE_DEG, _COARSE_TWS_KN)
        loose = coarse.design(data.tws, data.twa)
        even = _even_weights(data, fit)
        found = []
        for quantile in (0.5, 0.9):
            rough = coarse.penalties()
            prior = Prior(0, [rough[0], rough[1], np.eye(coarse.size)], [100.0, 100.0, 0.05],
                          [True, True, False])
            start = np.full(coarse.size, np.quantile(left, quantile))
            found.append(solve(loose, left, even, None, [prior], pseudo=check(quantile),
                               beta=start))
        return cls(data, shape, plan, fit, coarse, found[0], found[1], by_kn,
                   design, weight)

    def surface(self, name: str, lattice: Floats, draws: tuple[Floats, Floats]) -> Surface:
        """One sail set's surface on the lattice."""
        data = self.data
        own = np.ones(data.tws.size, bool) if name == "all" else data.sails == name
        basis, near = support(data.tws[own], data.twa[own], data.seconds[own], lattice)
        inside = basis > 0
        i, j = np.nonzero(inside)
        tws, twa = lattice[i], LATTICE_TWA_DEG[j]
        rows = self.plan.surface(name, tws, twa)
        loose = self.coarse.design(tws, twa)
        reference = self.shape.speed_kn(tws, twa)
        spread = self.spread_by_kn[_slot(tws)]
        factor = 1.0 + rows @ self.fit.beta
        middle = reference * (factor + spread * (loose @ self.middle.beta))
        best = reference * (factor + spread * (loose @ self.best.beta))
        moved = reference[:, None] * (rows @ draws[0] + spread[:, None] * (loose @ draws[1]))
        sd = np.sqrt(_row_variance(rows, self.fit.covariance)
                     + spread**2 * _row_variance(loose, self.middle.covariance)) * reference
        legs = np.unique(data.leg[own]).size

        def field(value: Floats) -> Floats:
            out = np.full(inside.shape, np.nan)
            out[inside] = np.maximum(value, 0.0)
            return out

        cloud = np.full((draws[0].shape[1], *inside.shape), np.nan, dtype=np.float32)
        cloud[:, inside] = (middle[:, None] + moved).T
        return Surface(field(middle), field(np.maximum(best, middle)), field(middle - 1.96 * sd),
                       field(middle + 1.96 * sd), basis, near, cloud,
                       float(data.seconds[own].sum()), legs)

    def draws(self, replicates: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Errors of the location's and the median offset's coefficients, a column a draw."""
        return (_normal(self.fit.covariance, replicates, rng),
                _normal(self.middle.covariance, replicates, rng))

    def leg_shares(self) -> pd.DataFrame:
        """Each leg's speed over the polar that the leg's own day did not help to make.

        With one day only, the leg itself is left out instead.
        """
        data = self.data
        many = len(data.days) > 1
        group = data.day if many else data.leg
        beta = coefficients_without(self.fit, self.design, self.weight, data.leg, group)
        if many:
            beta[:, self.plan.first_day:] = 0.0
        loose = self.coarse.design(data.tws, data.twa) @ self.middle.beta
        spread = self.spread_by_kn[_slot(data.tws)]
        factor = np.asarray(self.design.multiply(beta[group]).sum(axis=1)).ravel()
        speed = self.shape.speed_kn(data.tws, data.twa) * (1.0 + factor + spread * loose)
        known = self._known_without(group) & (speed > 0.1)
        return _shares(data, np.where(known, speed, np.nan),
                       "other days" if many else "other legs")

    def _known_without(self, group: np.ndarray) -> np.ndarray:
        """Whether the other groups sailed within reach of each block."""
        data = self.data
        lattice = lattice_tws_kn(data.tws)
        i = np.clip(np.round((data.tws - lattice[0]) / 0.5).astype(int), 0, lattice.size - 1)
        j = np.round(np.abs(data.twa)).astype(int)
        every = seconds_near(data.tws, data.twa, data.seconds, lattice)
        out = np.zeros(data.tws.size, dtype=bool)
        for k in range(int(group.max()) + 1):
            own = group == k
            mine = seconds_near(data.tws[own], data.twa[own], data.seconds[own], lattice)
            out[own] = (every - mine)[i[own], j[own]] >= LEAST_SECONDS - 1e-6
        return out

    def effects(self) -> tuple[Effect, ...]:
        """Tested effects, in per cent of speed."""
        from scipy.special import ndtr

        out = []
        for k, (name, column, _) in enumerate(self.plan.effects):
            at = self.plan.first_effect + k
            value, sd = self.fit.beta[at], np.sqrt(self.fit.covariance[at, at])
            high = column > np.median(column) if np.ptp(column) else np.zeros(column.size, bool)
            less = min(self.data.seconds[high].sum(), self.data.seconds[~high].sum())
            out.append(Effect(name, 100 * value, 100 * (value - 1.96 * sd),
                              100 * (value + 1.96 * sd), float(2 * ndtr(-abs(value) / sd)),
                              float(less) / 60.0))
        return tuple(out)

    def day_factors(self) -> pd.DataFrame:
        """Each day's speed against the polar's."""
        if self.plan.days < 2:
            return pd.DataFrame(columns=["day", "factor", "low", "high", "minutes"])
        rows = np.zeros((self.plan.days, self.fit.beta.size))
        rows[np.arange(self.plan.days), self.plan.first_day + np.arange(self.plan.days)] = 1.0
        for k, (name, column, _) in enumerate(self.plan.effects):
            if name == TREND:
                rows[self.data.day, self.plan.first_effect + k] = column
        value = 1.0 + rows @ self.fit.beta
        sd = np.sqrt(np.einsum("ij,jk,ik->i", rows, self.fit.covariance, rows))
        minutes = np.bincount(self.data.day, self.data.seconds, self.plan.days) / 60.0
        return pd.DataFrame({"day": self.data.days, "factor": value, "low": value - 1.96 * sd,
                             "high": value + 1.96 * sd, "minutes": minutes})

    def notes(self) -> dict[str, float]:
        """Numbers that a reader of the method wants."""
        return {
            "block_noise_percent": 100 * mad_sd(self.fit.residual),
            "leg_sd_percent": 100 * self.fit.leg_sd,
            "day_sd_percent": 100 * self.day_sd(),
            "effective_parameters": self.fit.edf,
            "blocks": float(self.data.tws.size),
        }

    def day_sd(self) -> float:
        """Spread of days, as a share of speed."""
        if self.plan.days < 2:
            return float("nan")
        return float(1.0 / np.sqrt(self.fit.priors[-1].strength[0]))


def _shares(data: _Data, speed: Floats, basis: str) -> pd.DataFrame:
    """Sum blocks to legs: actual over expected distance, where most of the leg is known."""
    legs = int(data.leg.max()) + 1
    known = np.isfinite(speed)

    def total(value: Floats) -> Floats:
        return np.bincount(data.leg, data.seconds * value, legs)

    seconds = total(np.ones(known.size))
    sailed, expected = total(np.where(known, data.stw, 0)), total(np.where(known, speed, 0))
    enough = total(known.astype(float)) > 0.5 * seconds
    first = np.unique(data.leg, return_index=True)[1]
    ratio = np.divide(sailed, expected, out=np.full(legs, np.nan), where=enough & (expected > 0))
    return pd.DataFrame({
        "day": np.array(data.days, dtype=object)[data.day[first]], "leg": data.leg_name[first],
        "side": np.where(data.twa[first] >= 0, "starboard", "port").astype(object),
        "sails": data.sails[first], "seconds": seconds, "tws_kn": total(data.tws) / seconds,
        "twa_deg": total(np.abs(data.twa)) / seconds, "stw_kn": total(data.stw) / seconds,
        "polar_ratio": ratio, "basis": basis,
    })


def _days_since(days: Sequence[str]) -> Floats:
    """Days since 1970 of labels that begin with a date; NaN-free (zero where there is none)."""
    when = pd.to_datetime(pd.Series([str(d)[:10] for d in days]), errors="coerce")
    return ((when - pd.Timestamp("1970-01-01")).dt.total_seconds() / 86400.0).fillna(0).to_numpy()


def _slot(tws: Floats) -> np.ndarray:
    return np.clip(tws.astype(int), 0, 60)


def _row_variance(rows: Any, covariance: Floats) -> Floats:
    product = rows @ covariance
    return np.asarray(rows.multiply(product).sum(axis=1)).ravel()


def _normal(covariance: Floats, count: int, rng: np.random.Generator) -> Floats:
    p = covariance.shape[0]
    root = np.linalg.cholesky(covariance + 1e-12 * np.trace(covariance) / p * np.eye(p))
    return root @ rng.standard_normal((p, count))


def _even_weights(data: _Data, fit: Fit) -> Floats:
    """Weights that count a leg's blocks by what they tell beyond each other."""
    noise = max(fit.scale, 1e-6) ** 2
    count = np.bincount(data.leg)[data.leg]
    alike = fit.leg_sd**2 / (fit.leg_sd**2 + noise)
    return 1.0 / (1.0 + (count - 1) * alike)


def _leeway(data: _Data, lattice: Floats) -> tuple[Floats, bool]:
    """Typical leeway on the lattice (to leeward positive), zeros where none is known."""
    none = np.zeros((lattice.size, LATTICE_TWA_DEG.size))
    use = np.isfinite(data.leeway)
    if use.sum() < _LEAST_BLOCKS or np.max(np.abs(data.leeway[use])) < 0.05:
        return none, False
    coarse = basis_for(data.tws, 20.0, _COARSE_TWS_KN)
    rough = coarse.penalties()
    prior = Prior(0, [rough[0], rough[1], np.eye(coarse.size)], [1.0, 1.0, 1 / 20.0**2],
                  [True, True, False])
    fit = solve(coarse.design(data.tws[use], data.twa[use]), data.leeway[use],
                np.ones(int(use.sum())), None, [prior])
    t, a = np.meshgrid(lattice, LATTICE_TWA_DEG, indexing="ij")
    return (coarse.design(t.ravel(), a.ravel()) @ fit.beta).reshape(none.shape), True


def _noise_by_wind(tws: Floats, response: Floats) -> Floats:
    """Relative spread of blocks by whole knots of wind (light airs are noisier), smooth."""
    from scipy.ndimage import gaussian_filter1d

    slot = _slot(tws)
    centre = np.median(response)
    off = np.abs(response - centre)
    total = np.bincount(slot, np.minimum(off, 0.5), 61)
    count = np.bincount(slot, minlength=61).astype(float)
    everywhere = np.sum(total) / np.sum(count)
    smooth = gaussian_filter1d(total, 2.0) + 10 * everywhere
    smooth = smooth / (gaussian_filter1d(count, 2.0) + 10)
    return np.maximum(smooth, 1e-3)


@dataclass
class _Plan:
    """Which columns of the design mean what."""

    fine: Basis
    coarse: Basis
    sets: list[str]
    effects: list[tuple[str, Floats, float]]
    days: int

    @classmethod
    def of(cls, data: _Data, sets: Sequence[str]) -> _Plan:
        fine = basis_for(data.tws, _ANGLE_STEP_DEG, _TWS_STEP_KN)
        coarse = basis_for(data.tws, 20.0, 6.0)
        effects = [("starboard against port", data.side, 0.03)]
        if np.ptp(data.load) > 0.05:
            effects.append(("load per 1000 kg", data.load, 0.10))
        when = _days_since(data.days)
        if len(data.days) >= _TREND_DAYS and np.ptp(when) >= 7.0:
            effects.append((TREND, ((when - np.median(when)) / 30.0)[data.day], 0.05))
        boards, times = np.unique(data.boards.astype(str), return_counts=True)
        if boards.size > 1:
            usual = boards[np.argmax(times)]
            effects += [(f"boards: {b}", (data.boards == b).astype(float), 0.05)
                        for b in boards if b and b != usual]
        return cls(fine, coarse, list(sets), effects, len(data.days))

    @property
    def first_effect(self) -> int:
        return self.fine.size + len(self.sets) * self.coarse.size

    @property
    def first_day(self) -> int:
        return self.first_effect + len(self.effects)

    def design(self, data: _Data) -> Any:
        from scipy.sparse import csr_matrix, diags, hstack

        parts = [self.fine.design(data.tws, data.twa)]
        if self.sets:
            coarse = self.coarse.design(data.tws, data.twa)
            parts += [diags((data.sails == name).astype(float)) @ coarse for name in self.sets]
        parts.append(csr_matrix(np.column_stack([e[1] for e in self.effects])))
        if self.days > 1:
            rows = np.arange(data.day.size)
            parts.append(csr_matrix((np.ones(rows.size), (rows, data.day)),
                                    shape=(rows.size, self.days)))
        return hstack(parts, format="csr")

    def priors(self) -> list[Prior]:
        rough_a, rough_t = self.fine.penalties()
        # The factor on the plain shape is 1 +- 0.5 before any data: proper, and all but silent.
        out = [Prior(0, [rough_a, rough_t, np.eye(self.fine.size)], [1e3, 1e3, 4.0],
                     [True, True, False])]
        if self.sets:
            rough_a, rough_t = self.coarse.penalties()
            out.append(Prior(self.fine.size, [rough_a, rough_t, np.eye(self.coarse.size)],
                             [300.0, 300.0, 1 / 0.05**2], [True, True, True],
                             copies=len(self.sets)))
        out += [Prior(self.first_effect + k, [np.eye(1)], [1 / sd**2], [False])
                for k, (_, _, sd) in enumerate(self.effects)]
        if self.days > 1:
            # Days differ by some 1.5 % (sea, crew, hull): a prior worth three days.
            out.append(Prior(self.first_day, [np.eye(self.days)], [1 / 0.015**2], [True],
                             guess_weight=3.0, guess_variance=0.015**2))
        return out

    def surface(self, name: str, tws: Floats, twa: Floats) -> Any:
        """Columns that make one surface, shape (n, p)."""
        from scipy.sparse import csr_matrix, hstack

        parts = [self.fine.design(tws, twa)]
        for own in self.sets:
            coarse = self.coarse.design(tws, twa) if own == name else csr_matrix(
                (tws.size, self.coarse.size))
            parts.append(coarse)
        rest = len(self.effects) + (self.days if self.days > 1 else 0)
        parts.append(csr_matrix((tws.size, rest)))
        return hstack(parts, format="csr")


def _curvature(plan: _Plan, shape: Shape, data: _Data, beta: Floats) -> Floats:
    """Mean of the curved polar over a block less the polar at the block's mean wind, kn."""
    var_t, var_a, cov = data.curve
    fine = beta[: plan.fine.size]

    def speed(dt: float, da: float) -> Floats:
        tws, twa = np.maximum(data.tws + dt, 0.0), np.abs(data.twa) + da
        twa = np.abs(np.where(twa > 180.0, 360.0 - twa, twa))
        return shape.speed_kn(tws, twa) * (1.0 + plan.fine.design(tws, twa) @ fine)

    here, ht, ha = speed(0, 0), 1.0, 4.0
    tt = (speed(ht, 0) - 2 * here + speed(-ht, 0)) / ht**2
    aa = (speed(0, ha) - 2 * here + speed(0, -ha)) / ha**2
    ta = (speed(ht, ha) - speed(ht, -ha) - speed(-ht, ha) + speed(-ht, -ha)) / (4 * ht * ha)
    bend = 0.5 * tt * var_t + 0.5 * aa * var_a + ta * cov
    return np.clip(bend, -0.1 * here, 0.1 * here)
