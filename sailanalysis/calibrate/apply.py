"""From what is known of the sensors to the corrections a day is worked with.

In order: the boat file's corrections, what the season knows, today's determined estimates. The
season's knowledge and today's are two views of the same quantities; they are put together by
their covariances, so that a day that cannot tell leans on its neighbours. Where they contradict
each other by more than chance, the sensor was moved or cleaned in between, and today stands.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import pandas as pd

from sailanalysis.calibrate.equations import WANTED
from sailanalysis.calibrate.estimate import (
    JOINT,
    USEFUL_HALF_WIDTH,
    CalibrationResult,
    Correction,
)
from sailanalysis.core.angles import Floats, wrap180, wrap360
from sailanalysis.core.model import Boat, LeewayLaw, Sensors
from sailanalysis.core.series import epoch_s
from sailanalysis.core.stats import Z95, finite_mean
from sailanalysis.wind.leeway import PRIOR_DEG, PRIOR_SD_DEG
from sailanalysis.wind.triangle import true_wind

Source = Literal["boat file", "season", "today", "season and today", "usual"]

APPLIED: Final = ("stw_factor", "awa_offset_deg", "aws_factor", "heading_offset_deg", "upwash_deg")
"""Corrections of a sensor; leeway, which is the boat's, is treated beside them."""
CONTRADICTION_SIGMA: Final = 3.5
"""Season and today further apart than this: the sensor stepped in between."""
USUAL_SD: Final = {
    # What a sensor nobody calibrated is off by (common practice for yachts), for the intervals.
    "stw_factor": 0.05, "awa_offset_deg": 2.5, "aws_factor": 0.05, "heading_offset_deg": 3.0,
    "leeway_deg": PRIOR_SD_DEG, "upwash_deg": 1.0, "shear_deg": 2.5,
}


@dataclass(frozen=True)
class AppliedCorrection:
    """One correction as used: what the logged value was multiplied with, or what was added.

    Attributes
    ----------
    sensor : str
        Name as in the boat file; ``leeway_deg`` is the leeway close-hauled, no sensor's.
    value, low, high : float
        Whole correction, with its 95 % interval; the boat file's own has none.
    source : str
    matters : bool
        Whether the interval leaves out "no correction".
    """

    sensor: str
    value: float
    low: float
    high: float
    source: Source
    matters: bool


@dataclass(frozen=True)
class Corrections:
    """The corrections a day is worked with, and how far they may be wrong.

    Attributes
    ----------
    sensors : Sensors
        In the form that the wind and water take.
    items : tuple of AppliedCorrection
    error : DataFrame, shape (k, k)
        Covariance of what is left after correcting, in the order of ``JOINT``: a factor's error
        as a share, an angle's in degrees.
    vane_left_deg, shear_deg : float
        Best guess of the vane's error that is left in, and of the shear: apart they are not
        known, their sum is. :func:`evened` takes both out of the wind angle.
    """

    sensors: Sensors
    items: tuple[AppliedCorrection, ...]
    error: pd.DataFrame
    vane_left_deg: float = 0.0
    shear_deg: float = 0.0

    def without_leeway(self) -> Corrections:
        """The same for a log whose leeway cannot be drawn (no wind, no speed through the water)."""
        return replace(self, items=tuple(c for c in self.items
                                         if c.sensor not in ("leeway_deg", "leeway_k")))


@dataclass(frozen=True)
class SeasonKnows:
    """What earlier and later days say of this day's sensors, as whole corrections.

    Attributes
    ----------
    value, sd : dict of str to float
        By name of ``JOINT``; names that the season does not know are absent.
    """

    value: dict[str, float]
    sd: dict[str, float]


def is_factor(name: str) -> bool:
    """Whether a correction multiplies (1 is none) or adds (0 is none)."""
    return name.endswith("_factor")


def held(sensors: Sensors, name: str) -> float:
    """What the boat file holds of a correction."""
    return float(getattr(sensors, name, 0.0) or (1.0 if is_factor(name) else 0.0))


def _neutral(name: str) -> float:
    """The value that corrects nothing."""
    return 1.0 if is_factor(name) else 0.0


def _applied(name: str, base: float, value: float, sd: float, source: Source) -> AppliedCorrection:
    """What day and boat file together say of one error."""
    factor = is_factor(name)
    whole = base * value if factor else base + value
    half = Z95 * sd * (base if factor else 1.0)
    return AppliedCorrection(name, whole, whole - half, whole + half, source,
                             not whole - half <= _neutral(name) <= whole + half)


def corrections_of(boat: Boat, today: CalibrationResult,
                   season: SeasonKnows | None = None) -> Corrections:
    """Choose the corrections of a day.

    Parameters
    ----------
    boat : Boat
        ``today`` is beyond its corrections.
    today : CalibrationResult
    season : SeasonKnows, optional
    """
    values, cov, source = _posterior(boat.sensors, today, season)
    items: list[AppliedCorrection] = []
    # What is left as it is while the day suspects it, is an error left in.
    bias = np.zeros(len(JOINT))
    for name in APPLIED:
        place = JOINT.index(name)
        base, sd, told = held(boat.sensors, name), float(np.sqrt(cov[place, place])), source[name]
        if told is not None and Z95 * sd <= USEFUL_HALF_WIDTH[name] and _said(name, today, told):
            items.append(_applied(name, base, values[name], sd, told))
            continue
        bias[place] = values[name] - _neutral(name) if told is not None else 0.0
        if base != _neutral(name):
            items.append(AppliedCorrection(name, base, np.nan, np.nan, "boat file", True))
    vane = JOINT.index("awa_offset_deg")
    vane_left, bias[vane] = float(bias[vane]), 0.0
    law, leeway = _leeway(boat.sensors, today, values, cov, source)
    changed = {item.sensor: item.value for item in items if item.source != "boat file"}
    sensors = replace(boat.sensors, **changed, leeway=law)
    error = pd.DataFrame(cov + np.outer(bias, bias), index=list(JOINT), columns=list(JOINT))
    shear = values["shear_deg"] if source["shear_deg"] is not None else 0.0
    return Corrections(sensors, (*items, leeway), error, vane_left, shear)


def evened(samples: pd.DataFrame, corrections: Corrections) -> pd.DataFrame:
    """Samples with the wind's angle evened between the tacks: what the sails feel.

    A crooked vane that one day cannot tell from a wind that turns with height shifts the angles of
    both tacks the same way. A polar that pools the tacks wants the angle without either.

    Returns
    -------
    DataFrame
        The same samples where there is nothing to even; else a copy with ``twa_deg, tws_kn,
        twd_deg`` evened.
    """
    vane, shear = corrections.vane_left_deg, corrections.shear_deg
    if not (vane or shear) or not {"awa_deg", "aws_kn", "stw_kn"} <= set(samples.columns):
        return samples
    awa, aws, stw = (samples[name].to_numpy(dtype=float) for name in
                     ("awa_deg", "aws_kn", "stw_kn"))
    leeway = np.nan_to_num(samples["leeway_deg"].to_numpy(dtype=float))
    tws, twa = true_wind(aws, wrap180(awa + vane), stw, leeway)
    known = np.isfinite(twa)
    before = samples["twa_deg"].to_numpy(dtype=float)
    twa = np.where(known, wrap180(twa + shear), before)
    twd = wrap360(samples["twd_deg"].to_numpy(dtype=float) + twa - before)
    return samples.assign(twa_deg=twa, twd_deg=twd, tws_kn=np.where(
        known, tws, samples["tws_kn"].to_numpy(dtype=float)))


def evened_legs(legs: pd.DataFrame, samples: pd.DataFrame, even: pd.DataFrame) -> pd.DataFrame:
    """Legs with their wind evened as their samples are."""
    if even is samples or len(legs) == 0:
        return legs
    time = epoch_s(samples.index)
    turn = wrap180(even["twa_deg"].to_numpy(dtype=float) - samples["twa_deg"].to_numpy(dtype=float))
    more = even["tws_kn"].to_numpy(dtype=float) - samples["tws_kn"].to_numpy(dtype=float)
    first, last = (np.searchsorted(time, epoch_s(pd.DatetimeIndex(legs[name])))
                   for name in ("start", "end"))
    twa, tws = (legs[name].to_numpy(dtype=float).copy() for name in ("twa_deg", "tws_kn"))
    for row, (a, b) in enumerate(zip(first, last, strict=True)):
        twa[row] += finite_mean(turn[a:b])
        tws[row] += finite_mean(more[a:b])
    return legs.assign(twa_deg=wrap180(twa), tws_kn=tws)


def _to_write(name: str, sensors: Sensors, value: float, low: float, high: float) -> float | None:
    """The whole correction where its interval leaves out what the file holds."""
    if name == "leeway_k":
        new = sensors.leeway_k is None or not low <= sensors.leeway_k <= high
        return value if new else None
    if low <= _neutral(name) <= high:
        return None
    base = held(sensors, name)
    return base * value if is_factor(name) else base + value


def worth_writing(sensors: Sensors, today: dict[str, Correction]) -> dict[str, float]:
    """What a boat file should hold that it does not yet: by key, the whole correction.

    Only determined values whose interval leaves out what the file holds: the same day a second
    time gives nothing.
    """
    out: dict[str, float] = {}
    for name in WANTED:
        estimate = today.get(name)
        if estimate is None or not estimate["determined"]:
            continue
        value, low, high = estimate["value"], estimate["low"], estimate["high"]
        if value is None or low is None or high is None:
            continue
        whole = _to_write(name, sensors, value, low, high)
        if whole is not None:
            out[name] = whole
    return out


def as_they_are(boat: Boat) -> Corrections:
    """No correction at all; what a sensor may be off by stays in the intervals."""
    sensors = Sensors(leeway_k=boat.sensors.leeway_k,
                      rudder_offset_deg=boat.sensors.rudder_offset_deg)
    return Corrections(sensors, (), pd.DataFrame(np.diag([USUAL_SD[n] ** 2 for n in JOINT]),
                                                 index=list(JOINT), columns=list(JOINT)))


def _said(name: str, today: CalibrationResult, source: Source | None) -> bool:
    """Whether somebody who may say so says so: the season, or a determined estimate of today."""
    if source != "today":
        return True
    estimate = today.upwash_deg if name == "upwash_deg" else today.estimates[name]
    return estimate is not None and estimate.determined


def _told_today(today: CalibrationResult) -> tuple[Floats, Floats, dict[str, Source | None]]:
    """Mean, covariance and source of every error after the day, beyond the boat file."""
    mean = np.array([PRIOR_DEG if n == "leeway_deg" else _neutral(n) for n in JOINT])
    cov = np.diag([USUAL_SD[n] ** 2 for n in JOINT])
    source: dict[str, Source | None] = dict.fromkeys(JOINT)
    if len(today.joint):
        fitted = today.joint.loc[list(JOINT), list(JOINT)].to_numpy(dtype=float)
        told = [n for n in JOINT if np.isfinite(_today(n, today))]
        index = [JOINT.index(n) for n in told]
        mean[index] = [_today(n, today) for n in told]
        cov[np.ix_(index, index)] = fitted[np.ix_(index, index)]
        source |= dict.fromkeys(told, "today")
    return mean, cov, source


def _beyond_the_file(name: str, sensors: Sensors, season: SeasonKnows) -> tuple[float, float]:
    """What the season says of one error beyond the boat file, and its variance."""
    base, value, sd = held(sensors, name), season.value[name], season.sd[name]
    if is_factor(name):
        return value / base, (sd / base) ** 2
    return value - base, sd**2


def _posterior(sensors: Sensors, today: CalibrationResult, season: SeasonKnows | None
               ) -> tuple[dict[str, float], Floats, dict[str, Source | None]]:
    """Today's and the season's knowledge together, beyond the boat file."""
    mean, cov, source = _told_today(today)
    for at, name in enumerate(JOINT):
        if season is None or name not in season.value:
            continue
        value, variance = _beyond_the_file(name, sensors, season)
        apart = abs(value - mean[at]) / np.sqrt(variance + cov[at, at])
        if source[name] is not None and apart > CONTRADICTION_SIGMA and _said(name, today, "today"):
            continue
        gain = cov[:, at] / (cov[at, at] + variance)
        mean = mean + gain * (value - mean[at])
        cov = cov - np.outer(gain, cov[at, :])
        source[name] = "season" if source[name] is None else "season and today"
    return dict(zip(JOINT, mean.tolist(), strict=True)), cov, source


def _today(name: str, today: CalibrationResult) -> float:
    """Today's estimate of a quantity; NaN where the day says next to nothing."""
    if name == "upwash_deg":
        return today.upwash_deg.value if today.upwash_deg is not None else float("nan")
    if name == "shear_deg":
        return today.shear_deg
    return today.estimates[name].value


def _leeway(sensors: Sensors, today: CalibrationResult, values: dict[str, float], cov: Floats,
            source: dict[str, Source | None]) -> tuple[LeewayLaw | None, AppliedCorrection]:
    """Leeway's law: today's with the season, else the season's, the boat file's, the usual."""
    at = JOINT.index("leeway_deg")
    value, sd = values["leeway_deg"], float(np.sqrt(cov[at, at]))
    where = source["leeway_deg"]
    if where in ("season", "season and today") or (where == "today" and today.leeway is not None):
        shape = today.leeway or LeewayLaw(value, 0.0, 0.0)
        moved = value - shape.close_hauled_deg
        law = replace(shape, close_hauled_deg=value, low_deg=value - Z95 * sd,
                      high_deg=value + Z95 * sd,
                      boards=tuple((name, x + moved) for name, x in shape.boards))
        return law, AppliedCorrection("leeway_deg", value, law.low_deg, law.high_deg, where, True)
    if sensors.leeway_k is not None:
        return None, AppliedCorrection("leeway_k", sensors.leeway_k, np.nan, np.nan, "boat file",
                                       True)
    cov[at, :] = cov[:, at] = 0.0
    cov[at, at] = PRIOR_SD_DEG**2
    low, high = PRIOR_DEG - Z95 * PRIOR_SD_DEG, PRIOR_DEG + Z95 * PRIOR_SD_DEG
    return (LeewayLaw(PRIOR_DEG, low, high),
            AppliedCorrection("leeway_deg", PRIOR_DEG, max(low, 0.0), high, "usual", True))
