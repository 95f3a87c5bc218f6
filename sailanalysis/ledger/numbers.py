"""What a day says of the crew's work in numbers that later days can be held against."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.stats import Z95
from sailanalysis.ledger.ledger import Ledger

LEAST_TURNS: Final = 3
"""Fewer turns are no day's mean."""
LEAST_MINUTES: Final = 10.0
"""Of a beat, a run or a helm's stint: less tells the wind's luck (common practice)."""


@dataclass(frozen=True)
class Measure:
    """A number that can get better.

    Attributes
    ----------
    name : str
    unit : str
    usual, usual_sd : float
        Of boats and crews at large (common practice), before any day is known.
    day_sd : float
        How far days of one crew differ at first guess (common practice: a tenth to a fifth of the
        number itself); the season's own days soon say better.
    """

    name: str
    unit: str
    usual: float
    usual_sd: float
    day_sd: float


MEASURES: Final = (
    Measure("tack_loss_s", "s", 9.0, 5.0, 1.0),
    Measure("gybe_loss_s", "s", 6.0, 5.0, 1.0),
    Measure("upwind_angle_percent", "%", 1.5, 2.0, 0.5),
    Measure("downwind_angle_percent", "%", 2.0, 3.0, 0.8),
    Measure("rudder_percent", "%", 100.0, 30.0, 12.0),
)
"""What exercises are set by; less is better in all of them."""
BY_NAME: Final[dict[str, Measure]] = {measure.name: measure for measure in MEASURES}


@dataclass(frozen=True)
class Number:
    """One day's number.

    Attributes
    ----------
    measure : str
    helm : str
        Whose; empty for the crew's.
    value, sd : float
        The day's mean and its standard error within the day.
    count : int
        Turns, or minutes.
    tws_kn : float
    """

    measure: str
    helm: str
    value: float
    sd: float
    count: int
    tws_kn: float


def day_numbers(maneuvers: pd.DataFrame, helm: pd.DataFrame,
                ledger: Ledger | None) -> tuple[Number, ...]:
    """Numbers of one day; those that it cannot carry are absent.

    Parameters
    ----------
    maneuvers, helm : DataFrame
        As published.
    ledger : Ledger or None
    """
    return (*_of_turns(maneuvers, "tack", "tack_loss_s", "tack_rate_deg_s"),
            *_of_turns(maneuvers, "gybe", "gybe_loss_s", "gybe_rate_deg_s"),
            *_of_angles(ledger), *_of_helms(helm))


def _of_turns(maneuvers: pd.DataFrame, kind: str, loss: str,
              rate: str) -> list[Number]:
    if not len(maneuvers) or "loss_s" not in maneuvers:
        return []
    rated = (maneuvers["kind"] == kind) & maneuvers["rated"].fillna(False).astype(bool)
    mine = maneuvers[rated]
    value = mine["loss_s"].to_numpy(dtype=float)
    known = np.isfinite(value)
    if known.sum() < LEAST_TURNS:
        return []
    mine, value = mine[known], value[known]
    tws = float(np.nanmean(mine["tws_kn"].to_numpy(dtype=float)))
    metres = mine["loss_m"].to_numpy(dtype=float)
    half = (mine["loss_m_high"] - mine["loss_m_low"]).to_numpy(dtype=float) / (2.0 * Z95)
    pace = np.divide(metres, value, out=np.full(value.size, np.nan), where=np.abs(value) > 0.1)
    own = half / np.where(np.isfinite(pace) & (pace > 0.1), pace, np.nanmedian(pace))
    out = [Number(loss, "", float(value.mean()), _mean_sd(value, own), int(value.size), tws)]
    turn = np.abs(mine["max_rate_of_turn_deg_s"].to_numpy(dtype=float))
    turn = turn[np.isfinite(turn)]
    if turn.size >= LEAST_TURNS:
        out.append(Number(rate, "", float(turn.mean()), _mean_sd(turn, np.zeros(turn.size)),
                          int(turn.size), tws))
    return out


def _mean_sd(value: Floats, own: Floats) -> float:
    """Standard error of a mean: the scatter, or what each is uncertain by, whichever is more."""
    scatter = float(np.var(value, ddof=1))
    return float(np.sqrt(max(scatter, float(np.nanmean(own**2))) / value.size))


def _of_angles(ledger: Ledger | None) -> list[Number]:
    names: dict[int, str] = {1: "upwind_angle_percent", -1: "downwind_angle_percent"}
    return [Number(names[one.aim], "", one.percent, one.sd, round(one.minutes), one.tws_kn)
            for one in (ledger.angles if ledger is not None else ())
            if one.minutes >= LEAST_MINUTES and np.isfinite(one.percent)]


def _of_helms(helm: pd.DataFrame) -> list[Number]:
    """Each helm's rudder activity over what the conditions ask for, in per cent."""
    if not len(helm) or "activity_deg" not in helm:
        return []
    out = []
    for name, mine in helm.groupby(helm["helm"].fillna("")):
        ratio = np.log((mine["activity_deg"] / mine["expected_activity_deg"]).to_numpy(float))
        minutes = mine["minutes"].to_numpy(dtype=float)
        known = np.isfinite(ratio) & (minutes > 0)
        if minutes[known].sum() < LEAST_MINUTES or str(name) == "autopilot":
            continue
        weight = minutes[known]
        value = 100.0 * float(np.exp(np.average(ratio[known], weights=weight)))
        # a minute's log activity scatters by a third and remembers itself for some minutes
        sd = value * float(np.sqrt(0.35**2 * 1.5 / weight.sum() + 0.07**2))
        out.append(Number("rudder_percent", str(name), value, sd, round(weight.sum()),
                          float(np.average(mine["tws_kn"].to_numpy(float)[known],
                                           weights=weight))))
    return out
