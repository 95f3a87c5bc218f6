"""The well-sailed boat: what the polar gives at a cell's wind, with draws of its error.

Well sailed is the best tenth of the polar's legs: its typical speed, and 1.28 standard deviations
of what legs differ by in the same wind. The noise of half minutes, which no crew can hold, is not
in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, cosd
from sailanalysis.core.points import is_downwind, is_upwind
from sailanalysis.core.stats import Z95
from sailanalysis.polar.model import LATTICE_TWA_DEG, LATTICE_TWS_STEP_KN, PolarModel, Surface
from sailanalysis.polar.targets import best_vmg

WELL_SAILED: Final = 1.2815515655446004
"""Standard normal quantile of nine tenths."""
DRAWS: Final = 200
FIELD_TWS_KN: Final = 3.0
FIELD_TWA_DEG: Final = 9.0
"""Where a polar brings no draws of its own, its error is drawn as smooth over the steps of its own
finest knots (9 deg, 3 kn)."""
_NODES_TWS: Final = 24
_NODES_TWA: Final = 22
SMOOTH_TWS_KN: Final = 2.0
"""The best angle is read as a mean over this much wind either side: it moves slowly with it."""
SURE: Final = 0.95
"""The season knows a faster sail set where it is faster with this probability."""
LEAST_SD: Final = 0.3
"""Relative error of the spread of legs, at the least."""


@dataclass(frozen=True, eq=False)
class Reference:
    """The polar's speed at many winds, with draws.

    Attributes
    ----------
    model : PolarModel
    targets : DataFrame
        Its best angles, as published.
    season : bool
        Whether it is the season's, or the day's own.
    """

    model: PolarModel
    targets: pd.DataFrame
    season: bool
    seed: int = 0

    @property
    def leg_sd(self) -> float:
        """Spread of legs as a share of speed; NaN where the polar does not tell."""
        return self.model.notes.get("leg_sd_percent", float("nan")) / 100.0

    def well_sailed(self) -> tuple[float, Floats]:
        """The factor from typical to well sailed, and draws of it."""
        sd = self.leg_sd
        if not np.isfinite(sd):
            return 1.0, np.ones(DRAWS)
        rng = np.random.default_rng([self.seed, 1])
        wide = max(LEAST_SD, 1.0 / np.sqrt(2.0 * max(self.model.legs - 1, 1)))
        spread = sd * np.exp(wide * rng.standard_normal(DRAWS) - 0.5 * wide**2)
        return 1.0 + WELL_SAILED * sd, 1.0 + WELL_SAILED * spread

    def speed(self, tws_kn: Floats, twa_deg: Floats, sails: str = "all") -> Floats:
        """Typical speed and its draws, shape (n, 1 + DRAWS): the first column is the fit."""
        surface = self.model.surfaces.get(sails)
        if surface is None:
            return np.full((tws_kn.size, 1 + DRAWS), np.nan)
        middle = self.model.speed_kn(tws_kn, twa_deg, sails)
        count = surface.replicates_kn.shape[0]
        if count >= DRAWS // 2:
            clouds = _stack_at(surface.replicates_kn, self.model.tws_kn, tws_kn, twa_deg)
            centred = clouds - clouds.mean(axis=1, keepdims=True)
            if not self.season:
                centred = centred - middle[:, None] * self._day_part(twa_deg)
            pick = np.arange(DRAWS) % count
            return np.column_stack([middle, middle[:, None] + centred[:, pick]])
        return np.column_stack([middle, middle[:, None] + self._field(
            surface, sails, tws_kn, twa_deg)])

    def _day_part(self, twa_deg: Floats) -> Floats:
        """What of each draw is the day against other days, a share of speed; shape (n, draws).

        A polar of one day is uncertain by how days differ, on a beat, a reach and a run. The day's
        own best is not: there the draws' common level is as wide as its legs make it.
        """
        surface = self.model.surfaces["all"]
        middle = np.where(surface.basis > 0, surface.median_kn, 1.0)
        off = np.where(surface.basis > 0, surface.replicates_kn / middle - 1.0, 0.0)
        out = np.zeros((twa_deg.size, off.shape[0]))
        beat, run = is_upwind(LATTICE_TWA_DEG), is_downwind(LATTICE_TWA_DEG)
        wanted = [is_upwind(twa_deg), ~is_upwind(twa_deg) & ~is_downwind(twa_deg),
                  is_downwind(twa_deg)]
        for column, rows in zip((beat, ~beat & ~run, run), wanted, strict=True):
            weight = np.where(surface.basis > 0, surface.seconds + 1.0, 0.0) * column
            if not weight.any() or not rows.any():
                continue
            level = np.sum(weight * off, axis=(1, 2)) / weight.sum()
            level = level - level.mean()
            share = float(weight.sum() / np.sum(surface.seconds + (surface.basis > 0)))
            legs = max(share * self.model.legs, 1.0)
            spread = float(np.std(level))
            own = max(self.leg_sd, 0.005) / np.sqrt(legs) if np.isfinite(self.leg_sd) else spread
            out[rows] = (1.0 - min(1.0, own / spread)) * level if spread > 0 else 0.0
        return out

    def _field(self, surface: Surface, sails: str, tws_kn: Floats, twa_deg: Floats) -> Floats:
        """Smooth normal errors of the width of the interval."""
        low, high = self.model.interval_kn(tws_kn, twa_deg, sails)
        sd = (high - low) / (2.0 * Z95)
        name = sum(ord(c) for c in sails)
        rng = np.random.default_rng([self.seed, 2, name])
        nodes = rng.standard_normal((_NODES_TWS, _NODES_TWA, DRAWS))
        x = np.clip(np.nan_to_num(tws_kn) / FIELD_TWS_KN, 0.0, _NODES_TWS - 1.001)
        y = np.clip(np.nan_to_num(np.abs(twa_deg)) / FIELD_TWA_DEG, 0.0, _NODES_TWA - 1.001)
        i, j = x.astype(int), y.astype(int)
        u, v = x - i, y - j
        total = np.zeros((tws_kn.size, DRAWS))
        norm = np.zeros(tws_kn.size)
        for di, a in ((0, 1 - u), (1, u)):
            for dj, b in ((0, 1 - v), (1, v)):
                total += (a * b)[:, None] * nodes[i + di, j + dj]
                norm += (a * b) ** 2
        return np.asarray(sd[:, None] * total / np.sqrt(norm)[:, None], dtype=float)

    def best_angle(self, tws_kn: Floats, aim: int, sails: str = "all") -> Floats:
        """Angle of best VMG; NaN where none was seen."""
        none = np.full(tws_kn.shape, np.nan)
        if not len(self.targets):
            return none
        table = self.targets[(self.targets["sails"] == sails)
                             & (self.targets["direction"] == ("upwind" if aim > 0 else "downwind"))]
        table = table.sort_values("tws_kn")
        if not len(table):
            return none
        at = table["tws_kn"].to_numpy(dtype=float)
        near = (tws_kn >= at[0] - 1.0) & (tws_kn <= at[-1] + 1.0)
        angle = np.interp(tws_kn, at, table["twa_deg"].to_numpy(dtype=float))
        return np.where(near, angle, np.nan)

    def along(self, tws_kn: Floats, twa_deg: Floats, aim: int) -> Floats:
        """Share of the speed that counts as way: along the wind, leeway in it; 1 on a course."""
        if aim == 0:
            return np.ones(tws_kn.shape)
        leeway = np.zeros(tws_kn.shape)
        if self.model.leeway_known and self.model.tws_kn.size:
            i = np.clip(np.round((np.nan_to_num(tws_kn) - self.model.tws_kn[0])
                                 / LATTICE_TWS_STEP_KN).astype(int), 0, self.model.tws_kn.size - 1)
            j = np.clip(np.round(np.nan_to_num(np.abs(twa_deg))).astype(int), 0, 180)
            leeway = np.nan_to_num(self.model.leeway_deg[i, j])
        return np.asarray(aim * cosd(np.abs(twa_deg) + leeway), dtype=float)

    def faster_set(self, tws_kn: Floats, twa_deg: Floats, sails: str) -> tuple[Floats, list[str]]:
        """Gain of the set that is surely faster there, with draws; nought where none is known.

        Returns
        -------
        gain_kn : ndarray, shape (n, 1 + DRAWS)
        names : list of str
            The faster set; empty where there is none.
        """
        gain = np.zeros((tws_kn.size, 1 + DRAWS))
        names = [""] * tws_kn.size
        if sails not in self.model.surfaces or sails == "all":
            return gain, names
        own = self.speed(tws_kn, twa_deg, sails)
        for other in self.model.sail_sets:
            if other in ("all", sails):
                continue
            more = self.speed(tws_kn, twa_deg, other) - own
            with np.errstate(invalid="ignore"):
                surely = np.mean(more[:, 1:] > 0.0, axis=1) >= SURE
                better = surely & (more[:, 0] > gain[:, 0])
            gain[better] = more[better]
            for i in np.flatnonzero(better):
                names[i] = other
        return gain, names


def _stack_at(clouds: np.ndarray, lattice_kn: Floats, tws_kn: Floats, twa_deg: Floats) -> Floats:
    """Bilinear values of each replicate, shape (n, replicates); NaN off the lattice."""
    rows = lattice_kn.size
    x = (tws_kn - lattice_kn[0]) / LATTICE_TWS_STEP_KN
    y = np.abs(twa_deg)
    with np.errstate(invalid="ignore"):
        inside = (x >= -1e-9) & (x <= rows - 1 + 1e-9) & (y <= 180.0)
    out = np.full((tws_kn.size, clouds.shape[0]), np.nan)
    x, y = np.clip(x[inside], 0, rows - 1), y[inside]
    i = np.minimum(x.astype(int), max(rows - 2, 0))
    j = np.minimum(y.astype(int), 179)
    u, v = x - i, y - j
    total = np.zeros((x.size, clouds.shape[0]))
    for row, a in ((i, 1.0 - u), (np.minimum(i + 1, rows - 1), u)):
        for column, b in ((j, 1.0 - v), (j + 1, v)):
            weight = a * b
            value = clouds[:, row, column].T
            total += np.where(weight[:, None] > 1e-9, weight[:, None] * value, 0.0)
    out[inside] = total
    return out


def best_angles(model: PolarModel) -> pd.DataFrame:
    """Angles of best VMG of a polar that brings no draws, read off its surfaces.

    Parameters
    ----------
    model : PolarModel

    Returns
    -------
    DataFrame
        ``sails, tws_kn, direction, twa_deg``; no row where the best lies at the edge of what was
        sailed.
    """
    rows: list[tuple[str, float, str, float]] = []
    for name, surface in model.surfaces.items():
        for direction, sign in (("upwind", 1.0), ("downwind", -1.0)):
            half = LATTICE_TWA_DEG <= 90.0 if sign > 0 else LATTICE_TWA_DEG >= 90.0
            angles = LATTICE_TWA_DEG[half]
            made = sign * cosd(angles + np.clip(model.leeway_deg[:, half], 0.0, 30.0))
            angle, _, edge = best_vmg(angles, surface.median_kn[:, half] * made, 1.0)
            seen = np.isfinite(angle) & ~edge
            for k in np.flatnonzero(seen):
                near = seen & (np.abs(model.tws_kn - model.tws_kn[k]) <= SMOOTH_TWS_KN)
                rows.append((name, float(model.tws_kn[k]), direction, float(angle[near].mean())))
    return pd.DataFrame(rows, columns=["sails", "tws_kn", "direction", "twa_deg"])
