"""Sail choice of a day: where another set is known to be faster, and what it cost.

The season's polar, made without the day, says which set is faster at an angle and wind. A half
minute counts where both sets are known there and the interval of their difference leaves zero out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.sails import sail_sets
from sailanalysis.core.stats import Z95, Estimate
from sailanalysis.polar.model import LATTICE_TWS_STEP_KN, PolarModel

LEAST_MINUTES: Final = 3.0
"""Less is a set on its way up or down."""
LEAST_DRAWS: Final = 20
LEAST_DAYS: Final = 2
"""On one day a set is its hour's helm, sea and tide."""


@dataclass(frozen=True)
class ChoiceItem:
    """Time under one set where another is known to be faster.

    Attributes
    ----------
    sails, better : str
        What was set, and what is faster there.
    twa_low_deg, twa_high_deg, tws_low_kn, tws_high_kn : float
        Where.
    minutes : float
        Steady sailing so.
    gain_kn : Estimate
        Mean speed that the better set has over the one sailed.
    lost_min : Estimate
        Minutes that the same miles would have taken less.
    lost_nm : Estimate
        Miles that the same minutes would have given more.
    """

    sails: str
    better: str
    twa_low_deg: float
    twa_high_deg: float
    tws_low_kn: float
    tws_high_kn: float
    minutes: float
    gain_kn: Estimate
    lost_min: Estimate
    lost_nm: Estimate


@dataclass(frozen=True)
class SailChoice:
    """What the sail sets of a day cost against the season's.

    Attributes
    ----------
    items : tuple of ChoiceItem
        The costliest first.
    compared_minutes : float
        Steady sailing at which another set is known too; 0 where nothing can be said.
    """

    items: tuple[ChoiceItem, ...] = ()
    compared_minutes: float = 0.0


def judge_sail_choice(blocks: pd.DataFrame | None, polar: PolarModel | None) -> SailChoice:
    """Minutes sailed where another set is known to be faster, and what that cost.

    Parameters
    ----------
    blocks : DataFrame or None
        Half minutes of steady sailing of the day: ``tws_kn, twa_deg, seconds, sails``.
    polar : PolarModel or None
        Of the other days of the season.

    Notes
    -----
    The interval comes from the polar's draws, summed over the half minutes, so that what errs alike
    everywhere stays in it; it is widened for the pairs of sets looked at (Bonferroni).
    """
    if blocks is None or polar is None or polar.days < LEAST_DAYS or not len(blocks):
        return SailChoice()
    sets = [name for name in polar.sail_sets if name != "all"]
    worn = sail_sets(blocks["sails"].fillna("").to_numpy(dtype=object))
    seconds = blocks["seconds"].to_numpy(dtype=float)
    items: list[ChoiceItem] = []
    compared = np.zeros(len(blocks), dtype=bool)
    for name in sorted(set(worn) & set(sets)):
        mine = np.flatnonzero(worn == name)
        found, known = _against(blocks.iloc[mine], seconds[mine], name, sets, polar)
        items += found
        compared[mine] |= known
    ranked = sorted(items, key=lambda item: -item.lost_nm.value)
    return SailChoice(tuple(ranked), float(seconds[compared].sum()) / 60.0)


def _against(part: pd.DataFrame, seconds: Floats, name: str, sets: list[str], polar: PolarModel
             ) -> tuple[list[ChoiceItem], np.ndarray]:
    """Items of one set sailed, each half minute against the surest better set."""
    tws = part["tws_kn"].to_numpy(dtype=float)
    twa = np.abs(part["twa_deg"].to_numpy(dtype=float))
    cell = _cells(polar, tws, twa)
    others = [other for other in sets if other != name]
    lower, known = np.full((len(others), tws.size), -np.inf), np.zeros(tws.size, dtype=bool)
    for k, other in enumerate(others):
        gain = polar.speed_kn(tws, twa, other) - polar.speed_kn(tws, twa, name)
        sd = _difference_sd(polar, other, name, cell)
        known |= np.isfinite(gain) & np.isfinite(sd)
        lower[k] = np.where(np.isfinite(gain - sd), gain - Z95 * sd, -np.inf)
    out = []
    best = lower.argmax(axis=0) if others else np.zeros(tws.size, dtype=int)
    for k, other in enumerate(others):
        here = (best == k) & (lower[k] > 0.0)
        item = _item(polar, name, other, (tws[here], twa[here], seconds[here]),
                     cell[:, here], len(sets) * (len(sets) - 1) // 2)
        if item is not None:
            out.append(item)
    return out, known


def _item(polar: PolarModel, name: str, other: str, wind: tuple[Floats, Floats, Floats],
          cell: np.ndarray, pairs: int) -> ChoiceItem | None:
    """One pair of sets over its half minutes; None where they are few or the sum is not sure."""
    from scipy.special import ndtri

    tws, twa, seconds = wind
    total = float(seconds.sum())
    if total < 60.0 * LEAST_MINUTES:
        return None
    gain = polar.speed_kn(tws, twa, other) - polar.speed_kn(tws, twa, name)
    speed = polar.speed_kn(tws, twa, other)
    mean = float(gain @ seconds) / total
    half = float(-ndtri(0.025 / pairs)) * _sum_sd(polar, other, name, cell, seconds / total)
    if mean - half <= 0.0:
        return None
    each = float((seconds / speed).sum()) / total  # what a knot is worth of the time

    def estimate(unit: float) -> Estimate:
        return Estimate(unit * mean, unit * (mean - half), unit * (mean + half), tws.size, total)

    return ChoiceItem(name, other, float(twa.min()), float(twa.max()), float(tws.min()),
                      float(tws.max()), total / 60.0, estimate(1.0), estimate(total / 60.0 * each),
                      estimate(total / 3600.0))


def _cells(polar: PolarModel, tws: Floats, twa: Floats) -> np.ndarray:
    """Nearest point of the lattice, as rows of wind speed and of angle."""
    i = np.round((tws - polar.tws_kn[0]) / LATTICE_TWS_STEP_KN).astype(int)
    return np.stack([np.clip(i, 0, polar.tws_kn.size - 1),
                     np.clip(np.round(twa).astype(int), 0, 180)])


def _difference_sd(polar: PolarModel, other: str, name: str, cell: np.ndarray) -> Floats:
    """Standard error of the difference of two sets at some cells, shape (cells,)."""
    draws = _differences(polar, other, name, cell)
    if len(draws) >= LEAST_DRAWS:
        return np.asarray(draws.std(axis=0), dtype=float)
    wide = [(polar.surfaces[s].high_kn - polar.surfaces[s].low_kn)[cell[0], cell[1]]
            for s in (other, name)]
    return np.asarray(np.hypot(*wide) / (2.0 * Z95), dtype=float)


def _sum_sd(polar: PolarModel, other: str, name: str, cell: np.ndarray, share: Floats) -> float:
    """Standard error of the mean difference over half minutes.

    A kept polar has no draws: then all its cells are taken to err alike, which is the widest.
    """
    draws = _differences(polar, other, name, cell)
    if len(draws) >= LEAST_DRAWS:
        return float((draws @ share).std())
    return float(_difference_sd(polar, other, name, cell) @ share)


def _differences(polar: PolarModel, other: str, name: str, cell: np.ndarray) -> Floats:
    """Draws of the difference of two sets at some cells, shape (draws, cells)."""
    pair = [polar.surfaces[s].replicates_kn[:, cell[0], cell[1]].astype(float)
            for s in (other, name)]
    return np.asarray(pair[0] - pair[1], dtype=float)
