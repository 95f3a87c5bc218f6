"""One fit of the polar's linear model, and what is read from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.stats import Z95, mad_sd
from sailanalysis.polar.bootstrap import Spread, leg_spread
from sailanalysis.polar.data import TREND, Data, Plan
from sailanalysis.polar.gusts import (
    Answer,
    answered,
    bends_at,
    curvature,
    learn_answer,
)
from sailanalysis.polar.mask import (
    LEAST_SECONDS,
    lattice_tws_kn,
    seconds_near,
    support,
)
from sailanalysis.polar.model import LATTICE_TWA_DEG, Effect, Surface
from sailanalysis.polar.offsets import Offset, local_quantile
from sailanalysis.polar.own_data import falls_with_wind, is_missed, misses, refused
from sailanalysis.polar.ratio import coefficients_without
from sailanalysis.polar.solve import Fit, Prior, solve

_PASSES: Final = 2


@dataclass
class Stage:
    """A fitted design: location, the quantiles' offsets from it, and their covariances.

    ``data`` is as measured, ``moved`` with the gusts shrunk to what the boat answered.
    """

    data: Data
    moved: Data
    plan: Plan
    fit: Fit
    middle: Offset
    best: Offset
    spread_by_kn: Floats
    design: Any
    weight: Floats
    answer: Answer
    bend: Floats
    spread: Spread
    misses: pd.DataFrame

    @classmethod
    def of(cls, data: Data, plan: Plan, before: Stage | None = None) -> Stage:
        """Fit in passes: noise by wind, curvature and gust answer from the pass before."""
        priors = plan.priors()
        spread_by_kn, answer, bend = np.ones(61), Answer(), np.zeros(data.tws.size)
        beta, leg_sd, passes = None, 0.02, _PASSES
        if before is not None:  # a simpler fit of the same blocks has learnt most of it
            spread_by_kn, answer, bend = before.spread_by_kn, before.answer, before.bend
            beta, leg_sd, passes = _start(before, plan, priors), before.fit.leg_sd, 1
        for number in range(passes):
            moved = answered(data, answer)
            reference = np.maximum(plan.shape.speed_kn(moved.tws, moved.twa), 0.05)
            table = spread_by_kn
            spread = table[wind_slot(moved.tws)]
            weight = data.seconds / spread**2
            weight = weight / np.mean(weight)
            design = plan.design(moved)
            response = (data.stw - bend) / reference - 1.0
            fit = solve(design, response, weight, data.leg, priors, beta=beta, leg_sd=leg_sd,
                        iterations=16 if number == 0 else 5)
            beta, leg_sd = fit.beta, fit.leg_sd
            bends = bends_at(moved, plan, fit.beta)
            used_bend, bend = bend, curvature(moved, bends)
            used = answer
            answer, moves = learn_answer(data, fit, bends, reference, weight, answer, design)
            spread_by_kn = _noise_by_wind(data.tws, fit.residual)
        # What is left, days and legs included: its median and 90th percentile, in units of noise.
        beta = fit.beta.copy()
        beta[plan.first_day:] = 0.0
        left = (response - design @ beta) / spread
        even = _even_weights(data, fit)
        middle, best = (local_quantile(moved.tws, moved.twa, left, even, q) for q in (0.5, 0.9))
        return cls(data, moved, plan, fit, middle, best, table, design, weight, used, used_bend,
                   leg_spread(fit, design, weight, data.leg, _freedom(data),
                              np.hstack([moves, plan.lone_day()])),
                   _own_misses(data, moved, plan, fit, design, response, spread, middle))

    def surface(self, name: str, lattice: Floats, draws: tuple[Floats, Floats]) -> Surface:
        """One sail set's surface on the lattice."""
        data = self.data
        own = np.ones(data.tws.size, bool) if name == "all" else data.sails == name
        basis, near = support(data.tws[own], data.twa[own], data.seconds[own], lattice)
        inside = basis > 0
        i, j = np.nonzero(inside)
        tws, twa = lattice[i], LATTICE_TWA_DEG[j]
        rows = self.plan.surface(name, tws, twa)
        loose = self.middle.weights(tws, twa)
        reference = self.plan.shape.speed_kn(tws, twa)
        spread = self.spread_by_kn[wind_slot(tws)]
        factor = 1.0 + rows @ self.fit.beta
        middle = reference * (factor + spread * self.middle.at(tws, twa))
        best = reference * (factor + spread * self.best.at(tws, twa))
        moved = reference[:, None] * (rows @ draws[0] + spread[:, None] * (loose @ draws[1]))
        wide = Z95 * self.spread.widen * reference * np.sqrt(
            _row_variance(rows, self.spread.covariance)
            + spread**2 * (loose**2 @ self.middle.sd.ravel() ** 2))
        legs = np.unique(data.leg[own]).size


        def field(value: Floats) -> Floats:
            out = np.full(inside.shape, np.nan)
            out[inside] = np.maximum(value, 0.0)
            return out

        cloud = np.full((draws[0].shape[1], *inside.shape), np.nan, dtype=np.float32)
        cloud[:, inside] = (middle[:, None] + moved).T
        silent = refused(self.misses, lattice, LATTICE_TWA_DEG, name) | falls_with_wind(
            field(middle), field(wide), lattice)
        surface = Surface(field(middle), field(np.maximum(best, middle)), field(middle - wide),
                          field(middle + wide), basis, near, cloud,
                          float(data.seconds[own].sum()), legs)
        return surface.without(silent) if silent.any() else surface

    def draws(self, replicates: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Errors of the location's and the median offset's coefficients, a column a draw."""
        return (self.spread.draws(replicates, rng),
                self.middle.sd.ravel()[:, None]
                * rng.standard_normal((self.middle.sd.size, replicates)))

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
        moved = self.moved
        loose = self.middle.at(moved.tws, moved.twa)
        spread = self.spread_by_kn[wind_slot(moved.tws)]
        factor = np.empty(data.tws.size)
        for k in range(int(group.max()) + 1):
            rows = np.flatnonzero(group == k)
            factor[rows] = self.design[rows] @ beta[k]
        speed = self.plan.shape.speed_kn(moved.tws, moved.twa) * (1.0 + factor + spread * loose)
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
            value = self.fit.beta[at]
            sd = self.spread.widen * float(np.sqrt(self.spread.covariance[at, at]))
            high = column > np.median(column) if np.ptp(column) else np.zeros(column.size, bool)
            less = min(self.data.seconds[high].sum(), self.data.seconds[~high].sum())
            out.append(Effect(name, 100 * value, 100 * (value - Z95 * sd),
                              100 * (value + Z95 * sd), float(2 * ndtr(-abs(value) / sd)),
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
        sd = self.spread.widen * np.sqrt(
            np.einsum("ij,jk,ik->i", rows, self.spread.covariance, rows))
        minutes = np.bincount(self.data.day, self.data.seconds, self.plan.days) / 60.0
        return pd.DataFrame({"day": self.data.days, "factor": value, "low": value - Z95 * sd,
                             "high": value + Z95 * sd, "minutes": minutes})

    def notes(self) -> dict[str, float]:
        """Numbers that a reader of the method wants."""
        return {
            "block_noise_percent": 100 * mad_sd(self.fit.residual),
            "leg_sd_percent": 100 * self.fit.leg_sd,
            "day_sd_percent": 100 * self.day_sd(),
            "gust_answer_percent": 100 * self.answer.speed,
            "angle_answer_percent": 100 * self.answer.angle,
            "effective_parameters": self.fit.edf,
            "blocks": float(self.data.tws.size),
            "regions": float(len(self.misses)),
            "refused_regions": float(is_missed(self.misses).sum()),
        }

    def day_sd(self) -> float:
        """Spread of days, as a share of speed."""
        if self.plan.days < 2:
            return float("nan")
        return float(1.0 / np.sqrt(self.plan.day_prior(self.fit.priors).strength[0]))


def _start(before: Stage, plan: Plan, priors: list[Prior]) -> Floats:
    """Coefficients of a fit without sail sets as a start for one with them, strengths too."""
    more = plan.first_shape - plan.fine.size
    known = {p.start + (more if p.start else 0): p for p in before.fit.priors}
    for mine in priors:
        if any(mine.free) and not 0 < mine.start < plan.first_shape:  # the sets are new
            mine.strength = list(known[mine.start].strength)
    old, at = before.fit.beta, plan.fine.size
    return np.concatenate([old[:at], np.zeros(plan.first_shape - at), old[at:]])


def _shares(data: Data, speed: Floats, basis: str) -> pd.DataFrame:
    """Sum blocks to legs: actual over expected distance, where most of the leg is known."""
    legs = int(data.leg.max()) + 1
    known = np.isfinite(speed)

    def total(value: Floats) -> Floats:
        return np.asarray(np.bincount(data.leg, data.seconds * value, legs), dtype=float)

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


def _freedom(data: Data) -> int:
    """Days (of a single day: legs) behind the spreads, and three that the priors are worth."""
    days = len(data.days)
    return (days if days > 1 else int(data.leg.max()) + 1) - 1 + 3


def wind_slot(tws: Floats) -> NDArray[np.int64]:
    """Whole knots of wind, at most 60."""
    return np.asarray(np.clip(tws.astype(np.int64), 0, 60))


def _row_variance(rows: Any, covariance: Floats) -> Floats:
    product = rows @ covariance
    return np.asarray(rows.multiply(product).sum(axis=1)).ravel()


def _own_misses(data: Data, moved: Data, plan: Plan, fit: Fit, design: Any, response: Floats,
                spread: Floats, middle: Offset) -> pd.DataFrame:
    """How far the surface lies from its own data, the days' own speeds taken out."""
    factor = 1.0 + design @ fit.beta
    share = (1.0 + response) / np.maximum(
        factor + spread * middle.at(moved.tws, moved.twa), 0.05) - 1.0
    sails = data.sails if plan.sets else np.full(data.tws.size, "all", dtype=object)
    noise = float(np.median(spread)) * mad_sd(fit.residual / spread)
    return misses(moved.tws, moved.twa, sails, data.leg, data.seconds, share, fit.leg_sd, noise)


def _even_weights(data: Data, fit: Fit) -> Floats:
    """Weights that count a leg's blocks by what they tell beyond each other."""
    noise = max(fit.scale, 1e-6) ** 2
    count = np.bincount(data.leg)[data.leg]
    alike = fit.leg_sd**2 / (fit.leg_sd**2 + noise)
    return np.asarray(1.0 / (1.0 + (count - 1) * alike), dtype=float)


def _noise_by_wind(tws: Floats, residual: Floats) -> Floats:
    """Relative noise of blocks by whole knots of wind (light airs are noisier), mean one."""
    from scipy.ndimage import gaussian_filter1d

    slot = wind_slot(tws)
    off = np.abs(residual)
    everywhere = float(np.mean(off))
    total = np.bincount(slot, np.minimum(off, 5 * everywhere), 61)
    count = np.bincount(slot, minlength=61).astype(float)
    smooth = gaussian_filter1d(total, 2.0) + 10 * everywhere
    smooth = smooth / (gaussian_filter1d(count, 2.0) + 10)
    return np.asarray(np.maximum(smooth / max(everywhere, 1e-9), 0.2), dtype=float)
