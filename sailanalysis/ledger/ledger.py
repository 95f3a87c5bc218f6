"""The day's ledger as a table: what she could have done, what was lost by what, what she did."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.ledger.account import LOSSES, Units, account
from sailanalysis.ledger.cells import Cells, Kind, cut_cells
from sailanalysis.ledger.reference import Reference

COLUMNS: Final = ("item", "minutes", "minutes_low", "minutes_high", "nm", "nm_low", "nm_high",
                  "of_hours", "basis", "count", "why_not")
"""``item`` is ``could``, one of ``LOSSES``, or ``did``: ``could`` plus all losses in minutes, less
all losses in miles, is ``did``; what is not known counts as nought there."""
COVERED: Final = 0.5
"""The season's polar is the measure where it knows the winds of half of the straight sailing; on
a day of other winds the day's own is."""
PLACE_S: Final = 300.0
"""Five minutes are worth a look (common practice)."""


@dataclass(frozen=True)
class Place:
    """Where most of an item was lost: ``item``, and seconds since 1970."""

    item: str
    start_s: float
    end_s: float
    minutes: float


@dataclass(frozen=True)
class AngleSailed:
    """How the angle of a beat or run lay to the best one.

    Attributes
    ----------
    aim : int
        1 to windward, -1 to leeward.
    percent, sd : float
        Way lost by it, as a share of the well-sailed boat's; standard error.
    off_deg : float
        Mean angle less the best: positive is lower on a beat, and lower on a run.
    minutes, tws_kn : float
    """

    aim: int
    percent: float
    sd: float
    off_deg: float
    minutes: float
    tws_kn: float


@dataclass(frozen=True, eq=False)
class Ledger:
    """The day's ledger.

    Attributes
    ----------
    table : DataFrame
        ``COLUMNS``.
    season : bool
        Whether the well-sailed boat is the season's; else the day's own best legs.
    days : int
        Days behind it.
    turns, turns_costed : int
        Tacks and gybes in the account, and those whose cost is known.
    places : tuple of Place
        Of each item, the five minutes that lost most by it.
    angles : tuple of AngleSailed
    untold : tuple of (float, float)
        Stretches of which nothing can be told, seconds since 1970.
    why_not : str
        Why there is no account; empty where there is one.
    """

    table: pd.DataFrame
    season: bool
    days: int
    turns: int = 0
    turns_costed: int = 0
    places: tuple[Place, ...] = ()
    angles: tuple[AngleSailed, ...] = ()
    untold: tuple[tuple[float, float], ...] = ()
    why_not: str = ""

    def row(self, item: str) -> dict[str, Any]:
        """One item's row; empty where there is no ledger."""
        mine = self.table[self.table["item"] == item]
        return {str(k): v for k, v in mine.iloc[0].items()} if len(mine) else {}

    def place(self, item: str) -> Place | None:
        """Where most of an item was lost."""
        return next((p for p in self.places if p.item == item), None)


def make_ledger(samples: pd.DataFrame, maneuvers: pd.DataFrame, helm: pd.DataFrame,
                references: Sequence[Reference]) -> Ledger:
    """Work out the day's ledger.

    Parameters
    ----------
    samples : DataFrame, n rows
        Corrected samples with ``state`` and its probability; only sure sailing is rated.
    maneuvers : DataFrame
        With their cost.
    helm : DataFrame
        Stretches of helming, with ``speed_cost_percent`` where the boat file gives her rudder.
    references : sequence of Reference
        The well-sailed boat, the better known first: the season's, then the day's own.

    Returns
    -------
    Ledger
        Without rows where nothing was surely sailed.
    """
    cells = cut_cells(samples, maneuvers)
    if cells is None:
        return Ledger(_typed([]), False, 0, why_not="nothing was surely sailed")
    reference = _measure(cells, references)
    units = account(cells, reference, maneuvers, helm)
    turned = units.kind == Kind.TURN
    costed = turned & units.known & (units.items_nm["turns"][:, 0] != 0.0)
    return Ledger(
        _table(units, reference, int(turned.sum()), int(costed.sum())), reference.season,
        reference.model.days, int(turned.sum()), int(costed.sum()), _places(units),
        _angles(units), _untold(units),
        "" if units.known.any() else "no polar tells what she could have done")


def _measure(cells: Cells, references: Sequence[Reference]) -> Reference:
    """The first that knows enough of the day's winds, else the one that knows most."""
    straight = cells.kind == Kind.STRAIGHT
    seconds = cells.seconds[straight]
    shares = []
    for one in references:
        known = np.isfinite(one.model.speed_kn(cells.tws_kn[straight], cells.twa_deg[straight]))
        shares.append(float(np.sum(seconds * known) / max(float(seconds.sum()), 1e-9)))
    enough = [k for k, share in enumerate(shares) if share >= COVERED]
    return references[enough[0] if enough else int(np.argmax(shares))]


def _minutes(units: Units) -> dict[str, Floats]:
    """Minutes by item and unit, with draws, shape (m, 1 + DRAWS)."""
    span = units.seconds[:, None] / 60.0
    known = units.known[:, None]
    rate = np.divide(span, units.reference_nm, out=np.zeros_like(units.reference_nm), where=known)
    out = {name: np.where(known, value * rate, 0.0) for name, value in units.items_nm.items()}
    waiting = units.kind == Kind.WAITING
    out["waiting"] = np.where(waiting[:, None], span, 0.0) + np.zeros_like(rate)
    out["unknown"] = out["unknown"] + np.where(~known & ~waiting[:, None], span, 0.0)
    could = np.where(known & ~waiting[:, None], units.way_nm[:, None] * rate, 0.0)
    return {"could": could, **out}


def _table(units: Units, ref: Reference, turns: int, costed: int) -> pd.DataFrame:
    minutes = {name: value.sum(axis=0) for name, value in _minutes(units).items()}
    known = units.known
    miles = {name: np.where(known[:, None], value, 0.0).sum(axis=0)
             for name, value in units.items_nm.items()}
    miles["could"] = np.where(known[:, None], units.reference_nm, 0.0).sum(axis=0)
    waiting = units.kind == Kind.WAITING
    straight = known & (units.kind == Kind.STRAIGHT)
    hours = {
        "could": known & ~waiting, "turns": units.kind == Kind.TURN,
        "handling": np.isin(units.kind, (Kind.WORK, Kind.NEW_COURSE, Kind.SLOWED)),
        "angle": straight & np.isfinite(units.off_deg), "speed": straight,
        "sail": straight & units.sail_known,
        "rudder": straight & units.rudder_known, "waiting": waiting,
        "unknown": ~known & ~waiting, "did": np.ones(known.size, dtype=bool)}
    rows = []
    for name in ("could", *LOSSES):
        why = _why_not(name, units, ref)
        rows.append({"item": name, **_ends("minutes", minutes[name], why),
                     **_ends("nm", miles[name], why), "why_not": why})
    made = float(units.way_nm[known & ~waiting].sum())
    span = float(units.seconds.sum()) / 60.0
    rows.append({"item": "did", "minutes": span, "minutes_low": span, "minutes_high": span,
                 "nm": made, "nm_low": made, "nm_high": made, "why_not": ""})
    basis = "season" if ref.season else "day"
    for row in rows:
        name = str(row["item"])
        row["of_hours"] = float(units.seconds[hours[name]].sum()) / 3600.0
        row["basis"] = "time" if name in ("waiting", "did") else basis
        row["count"] = costed if name == "turns" else int(hours[name].sum())
    return _typed(rows)


def _why_not(name: str, units: Units, ref: Reference) -> str:
    """Why an item is not known; what it holds is then in ``speed``."""
    if name in ("waiting", "unknown"):
        return ""
    if not units.known.any():
        return "no polar for the winds of this day"
    straight = units.known & (units.kind == Kind.STRAIGHT)
    aimed = straight & (units.aim != 0)
    if name == "angle" and aimed.any() and not np.isfinite(units.off_deg[aimed]).any():
        return "she sailed too few angles to show her best one"
    if name == "rudder" and not units.rudder_known[straight].any():
        return "no rudder sensor, or the boat file lacks the rudder's size"
    if name == "sail" and len(ref.model.sail_sets) < 3:
        return "no two sail sets are known"
    return ""


def _ends(name: str, draws: Floats, why_not: str) -> dict[str, float]:
    """Value and 95 % interval; the draws give the width about the value."""
    if why_not:
        return {name: float("nan"), f"{name}_low": float("nan"), f"{name}_high": float("nan")}
    low, middle, high = np.percentile(draws[1:], [2.5, 50.0, 97.5])
    value = float(draws[0])
    return {name: value, f"{name}_low": value + float(low - middle),
            f"{name}_high": value + float(high - middle)}


def _typed(rows: list[dict[str, Any]]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    for name in COLUMNS:
        if name in ("item", "basis", "why_not"):
            table[name] = table[name].astype(object)
        else:
            table[name] = table[name].astype(float)
    return table


def _places(units: Units) -> tuple[Place, ...]:
    """The dearest five minutes of each item."""
    if not units.start_s.size:
        return ()
    out = []
    bin_ = ((units.start_s - units.start_s.min()) / PLACE_S).astype(int)
    for name, value in _minutes(units).items():
        if name in ("could", "waiting", "unknown"):
            continue
        total = np.bincount(bin_, value[:, 0])
        top = int(np.argmax(total))
        if total[top] > 0.0:
            start = float(units.start_s.min()) + top * PLACE_S
            out.append(Place(name, start, start + PLACE_S, float(total[top])))
    return tuple(out)


def _untold(units: Units) -> tuple[tuple[float, float], ...]:
    """Stretches without a reference, neighbours joined."""
    out: list[tuple[float, float]] = []
    rows = np.flatnonzero(~units.known & (units.kind != Kind.WAITING))
    for i in rows[np.argsort(units.start_s[rows], kind="stable")]:
        start, end = float(units.start_s[i]), float(units.start_s[i] + units.seconds[i])
        if out and start - out[-1][1] < 1.5:
            out[-1] = (out[-1][0], end)
        else:
            out.append((start, end))
    return tuple(out)


def _angles(units: Units) -> tuple[AngleSailed, ...]:
    """Beats and runs against the best angle."""
    out = []
    for aim in (1, -1):
        rows = (units.known & (units.kind == Kind.STRAIGHT) & (units.aim == aim)
                & np.isfinite(units.off_deg))
        if not rows.any():
            continue
        seconds = units.seconds[rows]
        share = (100.0 * units.items_nm["angle"][rows].sum(axis=0)
                 / units.reference_nm[rows].sum(axis=0))
        out.append(AngleSailed(
            aim, float(share[0]), float(np.std(share[1:])),
            float(np.average(units.off_deg[rows], weights=seconds)), float(seconds.sum()) / 60.0,
            float(np.average(units.tws_kn[rows], weights=seconds))))
    return tuple(out)
