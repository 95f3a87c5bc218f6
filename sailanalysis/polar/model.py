"""The fitted polar as records: surfaces on a fine lattice, mask, intervals, effects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.showing import one_line, small_html

Quantile = Literal["median", "best"]

LATTICE_TWA_DEG: Final = np.arange(0.0, 181.0, 1.0)
LATTICE_TWS_STEP_KN: Final = 0.5
TABLE_TWS_STEP_KN: Final = 2.0
TABLE_TWA_DEG: Final = np.arange(30.0, 181.0, 5.0)
WIDEST: Final = 0.30
"""A cell whose 95 % interval is wider than this share of its speed is not shown as known."""


@dataclass(frozen=True)
class Effect:
    """Something that makes the boat faster or slower all over the polar.

    Attributes
    ----------
    name : str
        ``starboard against port``, ``load per 1000 kg``, ``boards: TEXT``.
    percent, low, high : float
        Change of speed in per cent, 95 % interval.
    p_value : float
        Two-sided, of no effect.
    minutes : float
        Time sailed on the side with less of it.
    """

    name: str
    percent: float
    low: float
    high: float
    p_value: float
    minutes: float


@dataclass(frozen=True, eq=False)
class Surface:
    """One sail set's speed on the lattice; shapes (tws, twa).

    Attributes
    ----------
    median_kn, best_kn : ndarray
        Typical and well-sailed (90th percentile) speed; NaN outside the mask.
    low_kn, high_kn : ndarray
        95 % interval of the median.
    basis : ndarray of int8
        2 measured, 1 interpolated, 0 none.
    seconds : ndarray
        Steady sailing within 2.5 deg and 1 kn of the point.
    replicates_kn : ndarray of float32, shape (replicates, tws, twa)
        Draws of the median surface (sampling and smoothing error together).
    """

    median_kn: Floats
    best_kn: Floats
    low_kn: Floats
    high_kn: Floats
    basis: NDArray[np.int8]
    seconds: Floats
    replicates_kn: NDArray[np.float32]
    total_seconds: float
    legs: int

    def without(self, silent: NDArray[np.bool_]) -> Surface:
        """The surface with nothing said at some points of the lattice, shape (tws, twa)."""
        def kept(value: Floats) -> Floats:
            return np.where(silent, np.nan, value)

        return replace(self, median_kn=kept(self.median_kn), best_kn=kept(self.best_kn),
                       low_kn=kept(self.low_kn), high_kn=kept(self.high_kn),
                       basis=np.where(silent, 0, self.basis).astype(np.int8),
                       replicates_kn=np.where(silent, np.float32(np.nan), self.replicates_kn))


@dataclass(frozen=True, eq=False)
class PolarModel:
    """A boat's polar as fitted; call :meth:`speed_kn`, or the model itself.

    Attributes
    ----------
    tws_kn : ndarray
        Lattice of wind speeds, every 0.5 kn.
    surfaces : dict of str to Surface
        By sail set; ``all`` is the whole.
    leeway_deg : ndarray, shape (tws, 181)
        Typical leeway (to leeward positive) on the lattice; zeros where none is known.
    leeway_known : bool
    effects : tuple of Effect
    days, legs, seconds : int, int, float
        What the fit rests on.
    day_factors : DataFrame
        ``day, factor, low, high, minutes``: speed of each day against the polar's.
    leg_shares : DataFrame
        ``day, leg, side, sails, seconds, tws_kn, twa_deg, stw_kn, polar_ratio, basis``: each leg
        against the polar that its own day (with one day: the leg itself) did not help to make.
    notes : dict
        Numbers of the fit (noise, spread of legs and days, effective degrees of freedom).
    """

    tws_kn: Floats
    surfaces: dict[str, Surface]
    leeway_deg: Floats
    leeway_known: bool
    effects: tuple[Effect, ...] = ()
    days: int = 0
    legs: int = 0
    seconds: float = 0.0
    day_factors: pd.DataFrame = field(default_factory=pd.DataFrame)
    leg_shares: pd.DataFrame = field(default_factory=pd.DataFrame)
    notes: dict[str, float] = field(default_factory=dict)

    def __repr__(self) -> str:
        return one_line("PolarModel", self._facts())

    def _repr_html_(self) -> str:
        table = polar_table(self, self.sail_sets[:1])
        wide = table.pivot_table("stw_kn", "tws_kn", "twa_deg").reset_index()
        return small_html("PolarModel", self._facts(), wide.rename_axis(columns=None))

    def _facts(self) -> dict[str, object]:
        facts: dict[str, object] = {"sails": ", ".join(self.sail_sets) or "none",
                                    "days": self.days, "legs": self.legs,
                                    "hours": self.seconds / 3600.0}
        if self.known:
            facts["tws_kn"] = f"{self.tws_kn[0]:g}..{self.tws_kn[-1]:g}"
        return facts

    @property
    def known(self) -> bool:
        """Whether there is any value at all."""
        return any(bool((s.basis > 0).any()) for s in self.surfaces.values())

    @property
    def sail_sets(self) -> list[str]:
        """Names of the sail sets, ``all`` first."""
        return list(self.surfaces)

    def _at(self, field_kn: Floats, tws_kn: Floats, twa_deg: Floats) -> Floats:
        """Bilinear value of a lattice field; NaN off the lattice or beside a NaN corner."""
        out = np.full(tws_kn.shape, np.nan)
        if self.tws_kn.size == 0:
            return out
        x = (tws_kn - self.tws_kn[0]) / LATTICE_TWS_STEP_KN
        y = np.abs(twa_deg)
        rows = self.tws_kn.size
        with np.errstate(invalid="ignore"):
            ok = (x >= -1e-9) & (x <= rows - 1 + 1e-9) & (y <= 180.0)
        x, y = np.clip(x[ok], 0, rows - 1), y[ok]
        i = np.minimum(x.astype(np.int64), max(rows - 2, 0))
        j = np.minimum(y.astype(np.int64), 179)
        u, v = x - i, y - j
        below = np.minimum(i + 1, rows - 1)
        total = np.zeros(x.shape)
        for row, a in ((i, 1.0 - u), (below, u)):
            for column, b in ((j, 1.0 - v), (j + 1, v)):
                w = a * b
                # a corner without weight may be NaN
                total += np.where(w > 1e-9, w * field_kn[row, column], 0.0)
        out[ok] = total
        return out

    def speed_kn(self, tws_kn: ArrayLike, twa_deg: ArrayLike, sails: str = "all",
                 quantile: Quantile = "median") -> Floats:
        """Boat speed at a wind; NaN where the boat's own sailing cannot say.

        Parameters
        ----------
        tws_kn, twa_deg : array_like, broadcast together
            Angles of either sign.
        sails : str
            An unknown sail set gives NaN.
        quantile : {"median", "best"}
            Typical, or well-sailed (90th percentile of half-minute averages).
        """
        tws, twa = np.broadcast_arrays(np.asarray(tws_kn, dtype=float),
                                       np.asarray(twa_deg, dtype=float))
        surface = self.surfaces.get(sails)
        if surface is None:
            return np.full(tws.shape, np.nan)
        values = surface.median_kn if quantile == "median" else surface.best_kn
        return self._at(values, tws.ravel(), twa.ravel()).reshape(tws.shape)

    __call__ = speed_kn

    def interval_kn(self, tws_kn: ArrayLike, twa_deg: ArrayLike,
                    sails: str = "all") -> tuple[Floats, Floats]:
        """95 % interval of the median speed at a wind."""
        tws, twa = np.broadcast_arrays(np.asarray(tws_kn, dtype=float),
                                       np.asarray(twa_deg, dtype=float))
        surface = self.surfaces.get(sails)
        if surface is None:
            return np.full(tws.shape, np.nan), np.full(tws.shape, np.nan)
        low = self._at(surface.low_kn, tws.ravel(), twa.ravel()).reshape(tws.shape)
        high = self._at(surface.high_kn, tws.ravel(), twa.ravel()).reshape(tws.shape)
        return low, high

    def effect(self, name: str) -> Effect | None:
        """One effect by name."""
        return next((e for e in self.effects if e.name == name), None)


POLAR_COLUMNS: Final = ("sails", "tws_kn", "twa_deg", "stw_kn", "stw_kn_low", "stw_kn_high",
                        "stw_best_kn", "minutes", "basis")


def _is_known(surface: Surface, i: int, j: int) -> bool:
    """Whether an interval is off zero and narrower than :data:`WIDEST` of the speed."""
    low, high, middle = surface.low_kn[i, j], surface.high_kn[i, j], surface.median_kn[i, j]
    return not (low <= 0.0 or high - low > WIDEST * middle)


def polar_table(model: PolarModel, sails: Sequence[str] | None = None) -> pd.DataFrame:
    """Print the polar on the published grid: TWS every 2 kn, TWA every 5 deg from 30 to 180.

    Parameters
    ----------
    model : PolarModel
    sails : sequence of str, optional
        Sail sets wanted; default all of the model.

    Returns
    -------
    DataFrame
        ``sails, tws_kn, twa_deg, stw_kn, stw_kn_low, stw_kn_high, stw_best_kn, minutes, basis``;
        no row where the model has no value. ``minutes`` is the steady sailing in the cell
        (+-1 kn, +-2.5 deg).
    """
    rows = []
    for name in sails if sails is not None else model.sail_sets:
        surface = model.surfaces[name]

        on_grid = np.flatnonzero(np.isclose(model.tws_kn % TABLE_TWS_STEP_KN, 0.0))
        angle = TABLE_TWA_DEG.astype(int)
        for i in on_grid:
            basis = surface.basis[i, angle]
            for j, kind in zip(angle[basis > 0], basis[basis > 0], strict=True):
                if not _is_known(surface, int(i), int(j)):
                    continue
                rows.append((name, model.tws_kn[i], float(j), surface.median_kn[i, j],
                             surface.low_kn[i, j], surface.high_kn[i, j], surface.best_kn[i, j],
                             surface.seconds[i, j] / 60.0,
                             "measured" if kind == 2 else "interpolated"))
    return pd.DataFrame(rows, columns=list(POLAR_COLUMNS))
