"""Steady blocks as arrays, and the columns of the polar's linear model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, cosd
from sailanalysis.core.sails import sail_sets
from sailanalysis.core.series import day_number
from sailanalysis.polar.basis import Basis, basis_for
from sailanalysis.polar.shape import SHAPE_SD, Shape
from sailanalysis.polar.solve import Prior

_ANGLE_STEP_DEG: Final = 9.0
_TWS_STEP_KN: Final = 3.0
_SET_ANGLE_DEG: Final = 20.0
_SET_TWS_KN: Final = 6.0
LEAST_BLOCKS: Final = 8
"""Four minutes of steady sailing: less is no polar."""
LEAST_SAIL_BLOCKS: Final = 10
_TREND_DAYS: Final = 4
DAY_SD: Final = 0.015
"""Days differ by some 1.5 % of speed (sea, crew, hull): common practice."""
DAY_TILT_SD: Final = 0.01
"""And by some 1 % more on a beat than on a run, or less (head sea, trim): common practice."""
MOST_TILTED_DAYS: Final = 100
"""Beyond these a day's tilt no longer shows beside the others', and would only cost time."""
TREND: Final = "per 30 days"
"""Name of the effect that says how the boat's speed changes through a season."""


@dataclass
class Data:
    """Blocks sorted by day and time, codes from 0; ``curve`` holds the wind's spread in a block."""

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
    def of(cls, blocks: pd.DataFrame, load_reference_kg: float | None) -> Data | None:
        """Sort, code and check; None where there is too little for a polar."""
        use = np.isfinite(blocks["tws_kn"].to_numpy(float)) & np.isfinite(
            blocks["twa_deg"].to_numpy(float)) & np.isfinite(blocks["stw_kn"].to_numpy(float))
        table = blocks[use & (blocks["seconds"].to_numpy(float) > 0)]
        if len(table) < LEAST_BLOCKS:
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
            return np.asarray(np.nan_to_num(table[name].to_numpy(float)), dtype=float)

        return cls(
            tws=table["tws_kn"].to_numpy(float), twa=table["twa_deg"].to_numpy(float),
            stw=table["stw_kn"].to_numpy(float), seconds=table["seconds"].to_numpy(float),
            day=day_code, days=list(days), leg=leg,
            leg_name=table["leg"].to_numpy(),
            sails=sail_sets(table["sails"].fillna("").to_numpy(object)),
            side=np.where(table["twa_deg"].to_numpy(float) >= 0, 0.5, -0.5),
            load=tonnes, boards=table["boards"].fillna("").to_numpy(object),
            leeway=table["leeway_deg"].to_numpy(float),
            curve=(column("tws_sd_kn") ** 2, column("twa_sd_deg") ** 2, column("tws_twa_cov")),
        )


@dataclass
class Plan:
    """Which columns of the design mean what."""

    shape: Shape
    fine: Basis
    coarse: Basis
    sets: list[str]
    effects: list[tuple[str, Floats, float]]
    days: int

    @classmethod
    def of(cls, data: Data, shape: Shape, sets: Sequence[str]) -> Plan:
        """Lay out the columns for what the blocks hold."""
        fine = basis_for(data.tws, _ANGLE_STEP_DEG, _TWS_STEP_KN)
        coarse = basis_for(data.tws, _SET_ANGLE_DEG, _SET_TWS_KN)
        effects = [("starboard against port", data.side, 0.03)]
        if np.ptp(data.load) > 0.05:
            effects.append(("load per 1000 kg", data.load, 0.10))
        when = np.nan_to_num(day_number(data.days))
        if len(data.days) >= _TREND_DAYS and np.ptp(when) >= 7.0:
            effects.append((TREND, ((when - np.median(when)) / 30.0)[data.day], 0.05))
        boards, times = np.unique(data.boards.astype(str), return_counts=True)
        if boards.size > 1:
            usual = boards[np.argmax(times)]
            effects += [(f"boards: {b}", (data.boards == b).astype(float), 0.05)
                        for b in boards if b and b != usual]
        return cls(shape, fine, coarse, list(sets), effects, len(data.days))

    @property
    def tilts(self) -> int:
        """Days that may be faster on a beat than on a run, each its own column."""
        return self.days if 1 < self.days <= MOST_TILTED_DAYS else 0

    @property
    def day_columns(self) -> int:
        """Columns of the days, their speed and their tilt."""
        return self.tilts + (self.days if self.days > 1 else 0)

    @property
    def first_shape(self) -> int:
        """First column of the plain shape's corrections."""
        return self.fine.size + len(self.sets) * self.coarse.size

    @property
    def first_effect(self) -> int:
        """First column of the effects."""
        return self.first_shape + len(SHAPE_SD)

    @property
    def first_day(self) -> int:
        """First column of the days."""
        return self.first_effect + len(self.effects)

    def design(self, data: Data) -> Any:
        """Sparse design matrix of the blocks, shape (n, p)."""
        from scipy.sparse import csr_matrix, diags, hstack

        parts = [self.fine.design(data.tws, data.twa)]
        if self.sets:
            coarse = self.coarse.design(data.tws, data.twa)
            parts += [diags((data.sails == name).astype(float)) @ coarse for name in self.sets]
        parts.append(csr_matrix(self.shape.tangent(data.tws, data.twa)))
        parts.append(csr_matrix(np.column_stack([e[1] for e in self.effects])))
        if self.days > 1:
            rows = np.arange(data.day.size)
            parts.append(csr_matrix((np.ones(rows.size), (rows, data.day)),
                                    shape=(rows.size, self.days)))
            if self.tilts:
                tilt = cosd(data.twa)
                tilt = tilt - np.average(tilt, weights=data.seconds)
                parts.append(csr_matrix((tilt, (rows, data.day)), shape=(rows.size, self.days)))
        return hstack(parts, format="csr")

    def priors(self) -> list[Prior]:
        """Priors of all columns, in order; the days' come last."""
        _, rough_t = self.fine.penalties()
        # The factor on the plain shape is 1 +- 0.5 before any data: proper, and all but silent.
        sectors = self.fine.sector_penalties()
        out = [Prior(0, [*sectors, rough_t, np.eye(self.fine.size)],
                     [1e3] * (len(sectors) + 1) + [4.0], [True] * (len(sectors) + 1) + [False])]
        if self.sets:
            rough_a, rough_t = self.coarse.penalties()
            out.append(Prior(self.fine.size, [rough_a, rough_t, np.eye(self.coarse.size)],
                             [300.0, 300.0, 1 / 0.05**2], [True, True, True],
                             copies=len(self.sets)))
        # the shape's own numbers are not exactly known either, least of all after one day
        out += [Prior(self.first_shape + k, [np.eye(1)], [1 / sd**2], [False])
                for k, sd in enumerate(SHAPE_SD)]
        out += [Prior(self.first_effect + k, [np.eye(1)], [1 / sd**2], [False])
                for k, (_, _, sd) in enumerate(self.effects)]
        if self.days > 1:
            # a prior on their spread worth three days
            out.append(Prior(self.first_day, [np.eye(self.days)], [1 / DAY_SD**2], [True],
                             guess_weight=3.0, guess_variance=DAY_SD**2))
        if self.tilts:
            out.append(Prior(self.first_day + self.days, [np.eye(self.days)],
                             [1 / DAY_TILT_SD**2], [True], guess_weight=3.0,
                             guess_variance=DAY_TILT_SD**2))
        return out

    def day_prior(self, priors: list[Prior]) -> Prior:
        """The prior of the days' speeds among all."""
        return next(p for p in priors if p.start == self.first_day)

    def lone_day(self) -> Floats:
        """Moves of the coefficients by one standard deviation of a day, shape (p, 0 or 2).

        A single day cannot tell its own speed, and its tilt from beat to run, from the boat's.
        """
        out = np.zeros((self.first_day + self.day_columns, 2 if self.days == 1 else 0))
        if self.days == 1:
            out[: self.fine.size, 0] = DAY_SD  # the splines sum to one: the same share everywhere
            angles = self.fine.angle_step_deg * np.arange(self.fine.angles)
            out[: self.fine.size, 1] = DAY_TILT_SD * np.tile(cosd(angles), self.fine.speeds)
        return out

    def surface(self, name: str, tws: Floats, twa: Floats) -> Any:
        """Columns that make one surface, shape (n, p)."""
        from scipy.sparse import csr_matrix, hstack

        parts = [self.fine.design(tws, twa)]
        for own in self.sets:
            coarse = self.coarse.design(tws, twa) if own == name else csr_matrix(
                (tws.size, self.coarse.size))
            parts.append(coarse)
        parts.append(csr_matrix(self.shape.tangent(tws, twa)))
        rest = len(self.effects) + self.day_columns
        parts.append(csr_matrix((tws.size, rest)))
        return hstack(parts, format="csr")
