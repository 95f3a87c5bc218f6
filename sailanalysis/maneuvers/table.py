"""The published table of maneuvers: what was found, joined with what it cost."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields, replace
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.series import utc_index
from sailanalysis.core.stats import Z95
from sailanalysis.maneuvers.build import Bounded
from sailanalysis.maneuvers.case import NEW_COURSE
from sailanalysis.maneuvers.cost import Costed, Reckoning
from sailanalysis.maneuvers.reasons import Reason, What
from sailanalysis.segment.use import SURE

COLUMNS: Final = (
    "kind", "start", "end", "crossing", "from_side", "to_side", "twa_before_deg", "twa_after_deg",
    "tws_kn", "turn_deg", "max_rate_of_turn_deg_s", "stw_before_kn", "stw_min_kn", "stw_after_kn",
    "recovery_s", "loss_m", "loss_m_low", "loss_m_high", "loss_s", "rated", "why_not", "helm",
    "sails", "what", "twd_deg", "loss_along", "loss_boat_lengths", "loss_shared_sd_m", "at_least_m",
    "sailing_probability",
)
_TIMES: Final = ("start", "end", "crossing")
_TEXTS: Final = ("kind", "from_side", "to_side", "helm", "sails", "what", "why_not", "loss_along")


@dataclass(frozen=True)
class Found:
    """One maneuver as found, in published units.

    Attributes
    ----------
    kind : str
    start, end, crossing : float
        Seconds since 1970; ``crossing`` is NaN where neither bow nor stern passed the wind.
    from_side, to_side : str
        ``port`` or ``starboard``, empty where unknown.
    twa_before_deg, twa_after_deg, twd_deg : float
    tws_kn, turn_deg, max_rate_of_turn_deg_s : float
        The turn and its rate positive to starboard.
    stw_before_kn, stw_min_kn, stw_after_kn : float
    helm, sails : str
    what : What
    sailing_probability : float
        How probable it is that she was under sail in and about the turn.
    """

    kind: str
    start: float
    end: float
    crossing: float
    from_side: str
    to_side: str
    twa_before_deg: float
    twa_after_deg: float
    tws_kn: float
    turn_deg: float
    max_rate_of_turn_deg_s: float
    stw_before_kn: float
    stw_min_kn: float
    stw_after_kn: float
    helm: str
    sails: str
    what: What
    twd_deg: float
    sailing_probability: float = 1.0


@dataclass(frozen=True)
class _Cost:
    """One row's costs, in published units."""

    recovery_s: float = float("nan")
    loss_m: float = float("nan")
    loss_m_low: float = float("nan")
    loss_m_high: float = float("nan")
    loss_s: float = float("nan")
    rated: bool = False
    why_not: str = Reason.NO_SERIES
    loss_along: str = ""
    loss_boat_lengths: float = float("nan")
    loss_shared_sd_m: float = float("nan")
    at_least_m: float = float("nan")


def found_table(found: list[Found]) -> pd.DataFrame:
    """Maneuvers in order of time, with the table's types also when there are none."""
    names = [field.name for field in fields(Found)]
    table = pd.DataFrame([asdict(one) for one in found], columns=names)
    for name in _TIMES:
        table[name] = utc_column(table[name])
    return _typed(table).sort_values("start", kind="stable", ignore_index=True)


def costed_table(found: pd.DataFrame, reckoning: Reckoning, length_m: float | None) -> pd.DataFrame:
    """The found maneuvers with their costs joined to them, columns in the published order."""
    costs = [_Cost()] * len(found)
    for row, case in reckoning.bounded.items():
        costs[row] = _bounded_cost(case)
    for one in reckoning.costed:
        costs[one.place.row] = _costed_cost(one, length_m)
    costs = [replace(one, at_least_m=reckoning.at_least_m.get(row, float("nan")))
             if not one.rated else one for row, one in enumerate(costs)]
    if "sailing_probability" in found:
        for k, probability in enumerate(found["sailing_probability"]):
            if probability < SURE:
                costs[k] = _Cost(why_not=Reason.PERHAPS_ENGINE.value)
    names = [field.name for field in fields(_Cost)]
    made = pd.DataFrame([asdict(cost) for cost in costs], columns=names, index=found.index)
    table = found.drop(columns=found.columns.intersection(names)).join(_typed(made))
    more = [name for name in table.columns if name not in COLUMNS]
    return table[[*(name for name in COLUMNS if name in table), *more]]


def _bounded_cost(case: Bounded | Reason) -> _Cost:
    if isinstance(case, Reason):
        return _Cost(why_not=case.value)
    step = case.place.step_s
    back = float("nan") if case.back is None else max(0, case.back - case.place.crossing) * step
    along = "" if case.place.kind in NEW_COURSE else case.along
    return _Cost(recovery_s=back, why_not=case.reason.value, loss_along=along)


def _costed_cost(one: Costed, length_m: float | None) -> _Cost:
    half = Z95 * one.sd_m
    pace = one.pace_ms
    plain = _bounded_cost(one.bounded)
    return _Cost(
        plain.recovery_s, one.loss_m, one.loss_m - half, one.loss_m + half,
        one.loss_m / pace if pace > 0.1 else float("nan"), not one.reason, one.reason.value,
        plain.loss_along, one.loss_m / length_m if length_m else float("nan"), one.shared_m)


def _typed(table: pd.DataFrame) -> pd.DataFrame:
    for name in table.columns.difference(_TIMES):
        if name in _TEXTS:
            table[name] = pd.Series([str(v) for v in table[name]], index=table.index,
                                    dtype=object)
        else:
            table[name] = table[name].astype(bool if name == "rated" else float)
    return table


def utc_column(seconds: pd.Series) -> pd.Series:
    """Seconds since 1970 as UTC times; NaN becomes NaT."""
    value = pd.to_numeric(seconds).to_numpy(dtype=float)
    good = np.isfinite(value)
    stamps = pd.Series(utc_index(np.where(good, value, 0.0)), index=seconds.index)
    return stamps.where(good)
