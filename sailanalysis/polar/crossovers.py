"""Which sail set is faster where, by how much and how surely.

Two kinds of evidence. The surfaces of the sail sets, fitted together, so that a day's own speed,
a leg's own helm and what sets have in common cancel in their difference. And direct pairs: a sail
change at the same angle within minutes, where sea, crew and instruments are the same.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from itertools import combinations, pairwise, permutations
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind
from sailanalysis.core.sails import sail_sets
from sailanalysis.core.series import epoch_s, utc_timestamp
from sailanalysis.core.stats import Z95
from sailanalysis.polar.model import (
    TABLE_TWA_DEG,
    TABLE_TWS_STEP_KN,
    PolarModel,
)

CROSSOVER_COLUMNS: Final = ("tws_kn", "twa_deg", "awa_deg", "aws_kn", "best_sails", "gain_kn",
                            "next_best_sails", "confidence", "gain_low_kn", "gain_high_kn",
                            "stw_kn", "faster")
RANGE_COLUMNS: Final = ("sails", "over", "tws_low_kn", "tws_high_kn", "twa_low_deg",
                        "twa_high_deg", "awa_low_deg", "awa_high_deg", "gain_kn")
PAIR_COLUMNS: Final = ("day", "time", "from_sails", "to_sails", "tws_kn", "twa_deg", "gain_percent",
                       "gain_low_percent", "gain_high_percent", "expected_percent",
                       "minutes_before", "minutes_after")
_PAIR_WINDOW_S: Final = 900.0
_PAIR_GAP_S: Final = 900.0
_PAIR_ANGLE_DEG: Final = 12.0
_PAIR_LEAST_S: Final = 120.0


@dataclass(frozen=True, eq=False)
class _Grid:
    """The sail sets on the polar's grid: speeds (sets, t, a) and draws (sets, r, t, a)."""

    sets: list[str]
    tws_kn: Floats
    twa_deg: Floats
    speed: Floats
    draws: Floats
    leeway_deg: Floats

    @classmethod
    def of(cls, model: PolarModel) -> _Grid | None:
        """None where there is nothing to compare: fewer than two sets, or than two days.

        On one day a set is its hour's helm, sea and tide; no day alone ranks sails.
        """
        sets = [name for name in model.sail_sets if name != "all"]
        if len(sets) < 2 or model.days < 2:
            return None
        on_grid = np.flatnonzero(np.isclose(model.tws_kn % TABLE_TWS_STEP_KN, 0.0))
        angle = TABLE_TWA_DEG.astype(int)
        grid = np.ix_(on_grid, angle)
        return cls(sets, model.tws_kn[on_grid], TABLE_TWA_DEG,
                   np.stack([model.surfaces[s].median_kn[grid] for s in sets]),
                   np.stack([model.surfaces[s].replicates_kn[:, grid[0], grid[1]]
                             for s in sets]).astype(float),
                   model.leeway_deg[grid])

    def gain(self, one: int, other: int) -> tuple[Floats, Floats]:
        """Speed of one set over another's and its standard deviation, (t, a)."""
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # cells that neither sailed
            sd = np.nanstd(self.draws[one] - self.draws[other], axis=0)
        return self.speed[one] - self.speed[other], np.asarray(sd, dtype=float)

    def reach(self) -> float:
        """Standard deviations of the simultaneous 95 % interval over all cells and pairs."""
        tops = np.zeros(self.draws.shape[1])
        for one, other in combinations(range(len(self.sets)), 2):
            _, sd = self.gain(one, other)
            known = np.isfinite(sd) & (sd > 0)
            if known.any():
                off = self.draws[one] - self.draws[other]
                off = (off - off.mean(axis=0))[:, known] / sd[known]
                tops = np.maximum(tops, np.abs(off).max(axis=1))
        return max(float(np.quantile(tops, 0.95)), Z95) if tops.size > 1 else np.inf


def crossovers_table(model: PolarModel) -> pd.DataFrame:
    """Best and next best sail set on the polar's grid, where two or more were sailed.

    Parameters
    ----------
    model : PolarModel

    Returns
    -------
    DataFrame
        ``tws_kn, twa_deg, awa_deg, aws_kn`` (the apparent wind under the best set), ``best_sails,
        gain_kn`` over ``next_best_sails``, ``confidence``: the probability, 0.5-1, that the best
        is truly faster than the next best, looked at alone; ``gain_low_kn, gain_high_kn``: 95 %
        interval that holds in all cells and pairs at once; ``faster``: whether that leaves zero
        out. Empty after one day.

    References
    ----------
    .. [1] Ruppert, Wand and Carroll, Semiparametric Regression, Cambridge, 2003, section 6.5
       (simultaneous intervals from the largest of standardised draws).
    """
    grid = _Grid.of(model)
    if grid is None:
        return pd.DataFrame(columns=list(CROSSOVER_COLUMNS))
    reach, speed = grid.reach(), grid.speed
    rows = []
    for i, j in zip(*np.nonzero(np.isfinite(speed).sum(axis=0) >= 2), strict=True):
        order = np.argsort(np.where(np.isfinite(speed[:, i, j]), -speed[:, i, j], np.inf),
                           kind="stable")
        best, second = int(order[0]), int(order[1])
        gain = float(speed[best, i, j] - speed[second, i, j])
        sd = float(np.std(grid.draws[best, :, i, j] - grid.draws[second, :, i, j]))
        tws, twa = float(grid.tws_kn[i]), float(grid.twa_deg[j])
        awa, aws = apparent(tws, twa, float(speed[best, i, j]), float(grid.leeway_deg[i, j]))
        rows.append((tws, twa, awa, aws, grid.sets[best], gain, grid.sets[second],
                     probability(gain, sd), gain - reach * sd, gain + reach * sd,
                     float(speed[best, i, j]), gain - reach * sd > 0))
    return pd.DataFrame(rows, columns=list(CROSSOVER_COLUMNS))


def faster_ranges(model: PolarModel) -> pd.DataFrame:
    """Where one sail set is surely faster than another, in winds and angles.

    Parameters
    ----------
    model : PolarModel

    Returns
    -------
    DataFrame
        ``RANGE_COLUMNS``: in all winds of a row and over all of its angles ``sails`` is faster
        than ``over`` by the simultaneous interval; apparent angles are those of ``sails`` in the
        middle wind; ``gain_kn`` is the median gain. Cells that touch, an angle's step apart.
    """
    grid = _Grid.of(model)
    if grid is None:
        return pd.DataFrame(columns=list(RANGE_COLUMNS))
    reach, rows = grid.reach(), []
    for one, other in permutations(range(len(grid.sets)), 2):
        gain, sd = grid.gain(one, other)
        with np.errstate(invalid="ignore"):
            sure = gain - reach * sd > 0
        for winds, angles in _ranges(sure):
            middle = winds[len(winds) // 2]
            part = np.ix_(winds, angles)
            ends = [apparent(float(grid.tws_kn[middle]), float(grid.twa_deg[j]),
                             float(grid.speed[one, middle, j]), float(grid.leeway_deg[middle, j]))
                    [0] for j in (angles[0], angles[-1])]
            rows.append((grid.sets[one], grid.sets[other], float(grid.tws_kn[winds[0]]),
                         float(grid.tws_kn[winds[-1]]), float(grid.twa_deg[angles[0]]),
                         float(grid.twa_deg[angles[-1]]), *ends, float(np.median(gain[part]))))
    return pd.DataFrame(rows, columns=list(RANGE_COLUMNS))


def _ranges(sure: NDArray[np.bool_]) -> list[tuple[list[int], list[int]]]:
    """Winds and angles of blocks of sure cells: the longest run of each wind, joined while alike.

    Winds join while their common angles are at least two thirds of either run.
    """
    out: list[tuple[list[int], list[int]]] = []
    for i, row in enumerate(sure):
        run = _longest(row)
        if not run:
            continue
        if out and out[-1][0][-1] == i - 1:
            common = sorted(set(run) & set(out[-1][1]))
            if 3 * len(common) >= 2 * max(len(run), len(out[-1][1])):
                out[-1] = ([*out[-1][0], i], common)
                continue
        out.append(([i], run))
    return out


def _longest(row: NDArray[np.bool_]) -> list[int]:
    """Longest unbroken run of a row's true values."""
    best: list[int] = []
    run: list[int] = []
    for j, value in enumerate(row):
        run = [*run, j] if value else []
        best = run if len(run) > len(best) else best
    return best


def apparent(tws_kn: float, twa_deg: float, stw_kn: float,
             leeway_deg: float = 0.0) -> tuple[float, float]:
    """Apparent wind angle and speed of a boat at a true wind; leeway to leeward positive."""
    ahead = tws_kn * cosd(twa_deg) + stw_kn * cosd(leeway_deg)
    abeam = tws_kn * sind(twa_deg) - stw_kn * sind(leeway_deg)
    return float(arctan2d(abeam, ahead)), float(np.hypot(ahead, abeam))


def probability(gain: float, sd: float) -> float:
    """Probability that a gain estimated with a standard deviation is truly above zero."""
    from scipy.special import ndtr

    return float(ndtr(gain / sd)) if sd > 0 else float(gain > 0)


def sail_change_pairs(blocks: pd.DataFrame, model: PolarModel) -> pd.DataFrame:
    """Sail changes at the same angle: speed after against speed before, wind taken out.

    The steady sailing of the quarter of an hour before and after a change is divided by the
    whole polar's speed at its wind, so that a change of wind or angle cancels; a pair counts
    where the mean angles differ by less than 12 deg and each side has two minutes.

    Parameters
    ----------
    blocks : DataFrame
        Steady averages of one or more days.
    model : PolarModel
        Whose speed takes the wind out.

    Returns
    -------
    DataFrame
        ``PAIR_COLUMNS``; ``gain_percent`` of ``to_sails`` over ``from_sails``;
        ``expected_percent`` is what the fitted surfaces say there.
    """
    rows: list[tuple[object, ...]] = []
    if len(blocks):
        for day, part in blocks.groupby("day", sort=True):
            rows += _pairs_of_day(str(day), part.sort_values("time"), model)
    return pd.DataFrame(rows, columns=list(PAIR_COLUMNS))


def _pairs_of_day(day: str, part: pd.DataFrame, model: PolarModel) -> list[tuple[object, ...]]:
    time = epoch_s(part["time"])
    tws, twa = part["tws_kn"].to_numpy(float), np.abs(part["twa_deg"].to_numpy(float))
    seconds, leg = part["seconds"].to_numpy(float), part["leg"].to_numpy()
    ratio = part["stw_kn"].to_numpy(float) / model.speed_kn(tws, twa)
    sails = sail_sets(part["sails"].fillna("").to_numpy(object))
    good = np.isfinite(ratio) & (sails != "")
    edges = np.flatnonzero(np.append(True, sails[1:] != sails[:-1]))
    edges = np.append(edges, sails.size)
    out: list[tuple[object, ...]] = []
    for (a, b), (_, c) in pairwise(pairwise(edges)):
        pair = _near_change(time, np.arange(a, b)[good[a:b]], np.arange(b, c)[good[b:c]])
        if pair is None:
            continue
        before, after, middle = pair
        n1, n2 = seconds[before].sum(), seconds[after].sum()
        angle = [float(np.average(twa[x], weights=seconds[x])) for x in (before, after)]
        if min(n1, n2) < _PAIR_LEAST_S or abs(angle[1] - angle[0]) > _PAIR_ANGLE_DEG:
            continue
        mean = [float(np.average(ratio[x], weights=seconds[x])) for x in (before, after)]
        gain = mean[1] / mean[0] - 1.0
        sd = np.sqrt(sum(_mean_variance(x, leg, model) for x in (before, after)))
        wind = float(np.average(tws[np.r_[before, after]]))
        at = float(np.mean(angle))
        old, new = (float(model.speed_kn(wind, at, str(sails[x[0]]))) for x in (before, after))
        out.append((day, utc_timestamp(middle), sails[before[0]],
                    sails[after[0]], wind, at, 100 * gain, 100 * (gain - Z95 * sd),
                    100 * (gain + Z95 * sd), 100 * (new / old - 1.0) if old > 0 else np.nan,
                    n1 / 60.0, n2 / 60.0))
    return out


def _near_change(time_s: Floats, before: np.ndarray, after: np.ndarray
                 ) -> tuple[np.ndarray, np.ndarray, float] | None:
    """Blocks within reach of a sail change on either side, and its instant; None if none."""
    if not before.size or not after.size:
        return None
    if time_s[after[0]] - time_s[before[-1]] > _PAIR_GAP_S:
        return None
    middle = float(0.5 * (time_s[after[0]] + time_s[before[-1]]))
    before = before[time_s[before] > middle - _PAIR_WINDOW_S]
    after = after[time_s[after] < middle + _PAIR_WINDOW_S]
    return (before, after, middle) if before.size and after.size else None


def _mean_variance(index: np.ndarray, leg: np.ndarray, model: PolarModel) -> float:
    """Variance of the mean ratio of some blocks: block noise, and legs that differ."""
    noise = model.notes.get("block_noise_percent", 3.0) / 100.0
    own = model.notes.get("leg_sd_percent", 2.0) / 100.0
    legs = np.unique(leg[index]).size
    return float(noise**2 / index.size + own**2 / legs)


def crossover_angles(table: pd.DataFrame) -> pd.DataFrame:
    """Angles where the best sail set changes, by wind speed: the crossover chart's lines.

    Parameters
    ----------
    table : DataFrame
        From :func:`crossovers_table`.

    Returns
    -------
    DataFrame
        ``tws_kn, twa_deg, below, above``: going from smaller to larger angles, ``below`` is best
        before and ``above`` after; linear between the grid's angles by the gains on either side.
    """
    rows = []
    for tws, part in table.groupby("tws_kn"):
        part = part.sort_values("twa_deg")
        for one, two in pairwise(part.itertuples()):
            if one.best_sails == two.best_sails or two.twa_deg - one.twa_deg > 5.5:
                continue
            swap = one.next_best_sails == two.best_sails and (
                two.next_best_sails == one.best_sails)
            share = one.gain_kn / (one.gain_kn + two.gain_kn) if (
                swap and one.gain_kn + two.gain_kn > 0) else 0.5
            rows.append((float(tws), one.twa_deg + share * (two.twa_deg - one.twa_deg),
                         one.best_sails, two.best_sails))
    return pd.DataFrame(rows, columns=["tws_kn", "twa_deg", "below", "above"])

