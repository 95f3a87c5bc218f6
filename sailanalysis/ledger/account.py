"""The day's account: from what she could have done to what she did, item by item, adding up.

A unit of the account is a cell of straight sailing, or a turn with the time until its speed is
back. In each unit the well-sailed boat's way ``R`` and the way made ``W`` differ by the unit's
items, bottom up so that nothing is counted twice:

- ``rudder``: what the rudder's movement cost of her speed (not its mean, which holds the boat);
- ``speed``: up to the well-sailed boat's speed at her angle and sails: trim, sea, load;
- ``sail``: up to the faster set, where the season surely knows one;
- ``angle``: up to the best angle, on beats and runs;
- ``turns`` and ``handling``: what a turn cost beyond the sailing around it;
- ``unknown``: what is left, and the time of which nothing can be told.

Miles are ``R - W``; minutes are their share of the unit's time, ``(R - W) / R``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.series import epoch_s
from sailanalysis.core.stats import Z95
from sailanalysis.ledger.cells import CELL_S, Cells, Kind
from sailanalysis.ledger.reference import DRAWS, Reference

LOSSES: Final = ("turns", "handling", "angle", "speed", "sail", "rudder", "waiting", "unknown")
"""Items between what she could have done and what she did, as they stand in the table."""
STEADY: Final = ("angle", "speed", "sail", "rudder")
LEAST_WAY_KN: Final = 0.3
"""A reference that makes less good than this measures no time."""
METRES: Final = 1852.0
SHARED_TURN: Final = 0.035
"""What a calibration leaves in every loss alike: 3 % of speed, 1.5 deg of angle (as in the cost of
a turn itself)."""
RUDDER_SD: Final = 0.40
"""Relative error of the rudder's drag over the hull's resistance: 35 % of the resistance (as
documented in the helm's room), the rest the blade's."""


@dataclass(frozen=True, eq=False)
class Units:
    """The account's units: miles and time by item, with draws.

    Attributes
    ----------
    start_s, seconds : ndarray, shape (m,)
    kind : ndarray of int, shape (m,)
    way_nm : ndarray, shape (m,)
        Made.
    reference_nm : ndarray, shape (m, 1 + DRAWS)
        NaN where nothing can be told.
    items_nm : dict of str to ndarray, shape (m, 1 + DRAWS)
    rudder_known, sail_known : ndarray of bool, shape (m,)
    aim : ndarray of int, shape (m,)
        1 on a beat, -1 on a run, 0 on a course.
    off_deg : ndarray, shape (m,)
        Angle sailed less the best; NaN off the straight beats and runs.
    tws_kn : ndarray, shape (m,)
    """

    start_s: Floats
    seconds: Floats
    kind: np.ndarray
    way_nm: Floats
    reference_nm: Floats
    items_nm: dict[str, Floats]
    rudder_known: np.ndarray
    sail_known: np.ndarray
    aim: np.ndarray
    off_deg: Floats
    tws_kn: Floats

    @property
    def known(self) -> np.ndarray:
        """Units that have a reference."""
        return np.isfinite(self.reference_nm[:, 0])


@dataclass(frozen=True, eq=False)
class Parts:
    """Straight sailing cell by cell, in knots, shape (n, 1 + DRAWS): what ``R`` is made of."""

    base: Floats
    items: dict[str, Floats]

    @property
    def reference(self) -> Floats:
        """The well-sailed boat's way."""
        return np.asarray(self.base + self.items["sail"], dtype=float)


def account(cells: Cells, reference: Reference, maneuvers: pd.DataFrame,
            helm: pd.DataFrame) -> Units:
    """Work out every unit.

    Parameters
    ----------
    cells : Cells
    reference : Reference
    maneuvers, helm : DataFrame
        As published, with ``loss_m`` and ``speed_cost_percent``.
    """
    cost = rudder_cost(cells, helm)
    parts = _straight(cells, reference, cost)
    shares = {aim: _shares(cells, parts, aim) for aim in (-1, 0, 1)}
    return _units(cells, reference, parts, shares, _turn_way(cells, reference, maneuvers, shares),
                  maneuvers, np.isfinite(cost), _off_deg(cells, reference))


def _off_deg(cells: Cells, ref: Reference) -> Floats:
    """Angle sailed less the best one, on straight beats and runs."""
    out = np.full(len(cells), np.nan)
    for aim in (-1, 1):
        rows = np.flatnonzero((cells.aim == aim) & (cells.kind == Kind.STRAIGHT))
        if rows.size:
            out[rows] = cells.twa_deg[rows] - ref.best_angle(cells.tws_kn[rows], aim)
    return out


def rudder_cost(cells: Cells, helm: pd.DataFrame) -> Floats:
    """Share of her speed that the rudder's movement cost, by cell; NaN where unknown."""
    out = np.full(len(cells), np.nan)
    if not len(helm) or "speed_cost_percent" not in helm:
        return out
    drag = (helm["speed_cost_percent"] - helm["extra_distance_percent"]).to_numpy(dtype=float)
    weight = helm["minutes"].to_numpy(dtype=float)
    start, end = epoch_s(helm["start"]), epoch_s(helm["end"])
    known = np.isfinite(drag)
    if not known.any():
        return out
    # Between its stretches she was steered as in them.
    out[:] = np.average(drag[known], weights=weight[known]) / 100.0
    for k in np.flatnonzero(known):
        out[(cells.start_s >= start[k] - 1.0) & (cells.start_s < end[k])] = drag[k] / 100.0
    return np.asarray(np.clip(out, 0.0, 0.5), dtype=float)


def _straight(cells: Cells, ref: Reference, cost: Floats) -> Parts:
    """Items of every cell as if she sailed straight in it."""
    middle, draws = ref.well_sailed()
    factor = np.append(middle, draws)
    size = (len(cells), 1 + DRAWS)
    own, best, gain = np.full(size, np.nan), np.full(size, np.nan), np.zeros(size)
    for sails in dict.fromkeys(cells.sails.tolist()):
        for aim in (-1, 0, 1):
            rows = np.flatnonzero((cells.sails == sails) & (cells.aim == aim)
                                  & (cells.kind == Kind.STRAIGHT))
            if not rows.size:
                continue
            tws, twa = cells.tws_kn[rows], cells.twa_deg[rows]
            along = ref.along(tws, twa, aim)[:, None]
            own[rows] = _speed(ref, tws, twa, sails) * along * factor
            best[rows] = _best(ref, tws, own[rows], sails, aim, factor)
            gain[rows] = ref.faster_set(tws, twa, sails)[0] * along * factor
    rng = np.random.default_rng([ref.seed, 3])
    doubt = np.append(1.0, np.exp(RUDDER_SD * rng.standard_normal(DRAWS)))
    lost = np.nan_to_num(cost)
    way = cells.way_kn[:, None]
    rudder = np.maximum(way, 0.0) * (lost / (1.0 - lost))[:, None] * doubt
    noise = ref.model.notes.get("block_noise_percent", 3.0) / 100.0
    wobble = own * noise * rng.standard_normal(size)
    wobble[:, 0] = 0.0
    return Parts(best, {"angle": best - own, "speed": own + wobble - way - rudder,
                        "sail": np.nan_to_num(gain), "rudder": rudder})


def _speed(ref: Reference, tws: Floats, twa: Floats, sails: str) -> Floats:
    """Speed of the set where the polar knows it there, else of the whole."""
    whole = ref.speed(tws, twa)
    if sails not in ref.model.surfaces:
        return whole
    own = ref.speed(tws, twa, sails)
    return np.where(np.isfinite(own), own, whole)


def _best(ref: Reference, tws: Floats, own: Floats, sails: str, aim: int,
          factor: Floats) -> Floats:
    """Way at the best angle; her own where none was seen or the course itself counts."""
    if aim == 0:
        return own
    best = np.full(own.shape, np.nan)
    for name in (sails, "all"):
        angle = ref.best_angle(tws, aim, name)
        missing = np.isnan(best[:, 0]) & np.isfinite(angle)
        if missing.any():
            at, wind = angle[missing], tws[missing]
            best[missing] = (_speed(ref, wind, at, sails)
                             * ref.along(wind, at, aim)[:, None] * factor)
    return np.where(np.isfinite(best) & np.isfinite(own), best, own)


@dataclass(frozen=True, eq=False)
class Shares:
    """What straight sailing lost of its reference, by item, shape (1 + DRAWS,)."""

    of_reference: dict[str, Floats]
    sail_of_base: Floats


def _shares(cells: Cells, parts: Parts, aim: int) -> Shares:
    """Shares of the straight sailing of one aim; of all of it where there is none."""
    straight = (cells.kind == Kind.STRAIGHT) & _is_known(parts.reference)
    rows = straight & (cells.aim == aim)
    if not rows.any():
        rows = straight
    weight = cells.seconds[rows][:, None]
    total = np.sum(weight * parts.reference[rows], axis=0)
    if not rows.any():
        nothing = np.zeros(1 + DRAWS)
        return Shares(dict.fromkeys(STEADY, nothing), nothing)
    share = {name: np.sum(weight * parts.items[name][rows], axis=0) / total for name in STEADY}
    if aim == 0:  # no best angle is asked of a course
        share["angle"] = np.zeros(1 + DRAWS)
    base = np.sum(weight * parts.base[rows], axis=0)
    return Shares(share, np.sum(weight * parts.items["sail"][rows], axis=0) / base)


def _is_known(value_kn: Floats) -> np.ndarray:
    """Cells of a finite reference that makes way."""
    with np.errstate(invalid="ignore"):
        return np.asarray(np.isfinite(value_kn).all(axis=1) & (value_kn[:, 0] > LEAST_WAY_KN))


def _turn_way(cells: Cells, ref: Reference, maneuvers: pd.DataFrame,
              shares: dict[int, Shares]) -> Floats:
    """The well-sailed boat's way where she did not sail straight, in knots."""
    out = np.full((len(cells), 1 + DRAWS), np.nan)
    middle, draws = ref.well_sailed()
    factor = np.append(middle, draws)
    angle = _meant_angle(cells, maneuvers)
    other = ~np.isin(cells.kind, (Kind.STRAIGHT, Kind.DOUBTFUL))
    for sails in dict.fromkeys(cells.sails.tolist()):
        for aim in (-1, 0, 1):
            rows = np.flatnonzero(other & (cells.sails == sails) & (cells.aim == aim)
                                  & np.isfinite(cells.tws_kn))
            if not rows.size:
                continue
            tws = cells.tws_kn[rows]
            at = angle[rows]
            if aim:
                best = ref.best_angle(tws, aim, sails)
                whole = ref.best_angle(tws, aim)
                best = np.where(np.isfinite(best), best, whole)
                at = np.where(np.isfinite(best), best, at)
            base = _speed(ref, tws, at, sails) * ref.along(tws, at, aim)[:, None] * factor
            out[rows] = base * (1.0 + shares[aim].sail_of_base)
    return out


def _meant_angle(cells: Cells, maneuvers: pd.DataFrame) -> Floats:
    """The angle she would have sailed: of a turn that of its sides, of a wait the one before."""
    out = cells.twa_deg.copy()
    for row in np.unique(cells.window[cells.window >= 0]):
        mine = cells.window == row
        if int(cells.kind[mine][0]) == Kind.NEW_COURSE:
            continue
        sides = [abs(float(maneuvers[name].iloc[row])) for name in
                 ("twa_before_deg", "twa_after_deg")]
        out[mine] = float(np.mean(sides)) if np.isfinite(sides).all() else np.nan
    last = np.nan
    for i in range(len(cells)):
        if cells.kind[i] == Kind.STRAIGHT:
            last = cells.twa_deg[i] if np.isfinite(cells.twa_deg[i]) else last
        elif cells.kind[i] in (Kind.SLOWED, Kind.WAITING):
            out[i] = last
    return out


def _units(cells: Cells, ref: Reference, parts: Parts, shares: dict[int, Shares], turn_way: Floats,
           maneuvers: pd.DataFrame, rudder_known: np.ndarray, off_deg: Floats) -> Units:
    single = np.flatnonzero(cells.window < 0)
    windows = np.unique(cells.window[cells.window >= 0])
    hours = cells.seconds / 3600.0
    straight = cells.kind == Kind.STRAIGHT
    reference = np.where(straight[:, None], parts.reference, turn_way)
    ok = _is_known(reference) & (np.isfinite(cells.way_kn) | (cells.kind == Kind.WAITING))
    reference = np.where(ok[:, None], reference, np.nan) * hours[:, None]
    way = np.where(cells.kind == Kind.WAITING, 0.0, cells.way_kn) * hours
    count = single.size + windows.size
    items = {name: np.zeros((count, 1 + DRAWS)) for name in LOSSES}
    for k, i in enumerate(single):
        _single(items, k, int(i), cells, parts, reference, hours)
    total = [reference[single], *(np.sum(reference[cells.window == w], axis=0)[None]
                                  for w in windows)]
    made = np.append(way[single], [np.sum(way[cells.window == w]) for w in windows])
    all_reference = np.concatenate(total) if total else np.zeros((0, 1 + DRAWS))
    rng = np.random.default_rng(4)
    noise = ref.model.notes.get("block_noise_percent", 3.0) / 100.0
    common = np.append(0.0, rng.standard_normal(DRAWS))
    for k, w in enumerate(windows, start=single.size):
        mine = np.flatnonzero(cells.window == w)
        drawn = np.append(0.0, rng.standard_normal(DRAWS))
        _window(items, k, all_reference[k], float(made[k]), shares[int(cells.aim[mine[0]])],
                int(cells.kind[mine[0]]), maneuvers.iloc[int(w)], (common, drawn))
        # Her speed wanders in a turn as it does in half a minute of straight sailing.
        wander = noise * np.sqrt(CELL_S / max(float(cells.seconds[mine].sum()), 1.0))
        left = "handling" if cells.kind[mine[0]] == Kind.WORK else "unknown"
        items[left][k] += (np.nan_to_num(all_reference[k]) * wander
                           * np.append(0.0, rng.standard_normal(DRAWS)))
    first = [np.flatnonzero(cells.window == w)[0] for w in windows]
    rows = np.append(single, first).astype(int)
    seconds = np.append(cells.seconds[single],
                        [cells.seconds[cells.window == w].sum() for w in windows])
    return Units(cells.start_s[rows], seconds, cells.kind[rows], made, all_reference, items,
                 rudder_known[rows], cells.sails[rows] != "", cells.aim[rows], off_deg[rows],
                 cells.tws_kn[rows])


def _single(items: dict[str, Floats], k: int, i: int, cells: Cells, parts: Parts,
            reference: Floats, hours: Floats) -> None:
    """The items of a unit that is one cell."""
    if not np.isfinite(reference[i, 0]):
        return
    if cells.kind[i] == Kind.STRAIGHT:
        for name in STEADY:
            items[name][k] = parts.items[name][i] * hours[i]
        # The draws' noise of half a minute is in her speed, not in the reference.
        left = reference[i] - cells.way_kn[i] * hours[i]
        items["speed"][k, 0] = left[0] - sum(items[n][k, 0] for n in STEADY if n != "speed")
    elif cells.kind[i] == Kind.SLOWED:
        items["handling"][k] = reference[i] - cells.way_kn[i] * hours[i]
    elif cells.kind[i] == Kind.WAITING:
        items["waiting"][k] = reference[i]


def _window(items: dict[str, Floats], k: int, reference: Floats, made: float, share: Shares,
            kind: int, row: pd.Series, draws: tuple[Floats, Floats]) -> None:
    """The items of a unit that is a turn and its time."""
    if not np.isfinite(reference[0]):
        return
    for name in STEADY:
        items[name][k] = share.of_reference[name] * reference
    left = reference - made - sum(items[name][k] for name in STEADY)
    if kind == Kind.NEW_COURSE:
        items["handling"][k] = left
        return
    lost = np.zeros(reference.shape)
    if bool(row.get("rated", False)) and np.isfinite(float(row["loss_m"])):
        sd = float(row["loss_m_high"] - row["loss_m_low"]) / (2.0 * Z95)
        shared = min(SHARED_TURN * abs(float(row["loss_m"])), sd)
        own = float(np.sqrt(max(sd**2 - shared**2, 0.0)))
        lost = (float(row["loss_m"]) + shared * draws[0] + own * draws[1]) / METRES
    if kind == Kind.WORK and not lost.any():  # nothing else goes on in a luff
        items["handling"][k] = left
        return
    items["turns" if kind == Kind.TURN else "handling"][k] = lost
    items["unknown"][k] = left - lost
