"""What a season adds up to: one record from the archive, ready to be shown."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from sailanalysis.core.errors import Finding
from sailanalysis.core.points import is_downwind, is_upwind
from sailanalysis.core.stats import Z95
from sailanalysis.ledger import advice, advice_table, from_record
from sailanalysis.polar.crossovers import (
    crossover_angles,
    crossovers_table,
    faster_ranges,
    sail_change_pairs,
)
from sailanalysis.polar.fit import TREND, fit_polar, polar_table
from sailanalysis.polar.model import Effect, PolarModel
from sailanalysis.polar.sensor_error import lean_of, with_sensor_error
from sailanalysis.polar.targets import targets_table
from sailanalysis.season.archive import Archive
from sailanalysis.season.coverage import coverage_table, sail_next
from sailanalysis.season.drift import calibration_rows, drift_trends, step_change
from sailanalysis.season.sensors import pooled_table, recorrected, season_error
from sailanalysis.season.wording import fault_findings
from sailanalysis.trials.experiments import (
    effect_experiments,
    no_experiments,
    pool_experiments,
)


@dataclass(frozen=True, eq=False)
class Season:
    """A season, fitted.

    Attributes
    ----------
    start, end : str
        First and last date.
    boat_name : str
    days : DataFrame
        One row a day: date, the figures of its summary, and its scores.
    model : PolarModel
    polar, targets, crossovers : DataFrame
        As published.
    crossover_lines : DataFrame
        ``tws_kn, twa_deg, below, above``: where the best sail set changes.
    faster : DataFrame
        Winds and angles where one sail set is surely faster than another.
    pairs : DataFrame
        Direct sail changes at the same angle.
    legs : DataFrame
        Each leg's share of the polar of the other days (``polar_ratio``), of the best VMG by its
        angle (``angle_ratio``) and of both (``vmg_ratio``).
    coverage : DataFrame
    sail_next : tuple of str
    helm_progress, helm_trend, maneuver_progress : DataFrame
    calibration, calibration_trend : DataFrame
        Corrections by day, and how they drift.
    sensors : DataFrame
        Corrections on each day as all days have them together.
    polar_change : DataFrame
        ``day, date, factor, low, high, minutes``: the boat's speed of each day against the polar.
    polar_trend : Effect or None
        Change of speed per 30 days.
    polar_step : dict
        Most likely single step between two days (clean hull, new sail) and its p-value.
    effects : tuple of Effect
        Load, boards, port and starboard.
    experiments : DataFrame
        Sails, reefs, boards, load and trim as tried: pooled answers, as ``experiments.csv``.
    findings : tuple of Finding
    advice : DataFrame
        Exercises of the season that could be checked, and whether they helped.
    """

    start: str
    end: str
    boat_name: str
    days: pd.DataFrame
    model: PolarModel
    polar: pd.DataFrame
    targets: pd.DataFrame
    crossovers: pd.DataFrame
    crossover_lines: pd.DataFrame
    pairs: pd.DataFrame
    legs: pd.DataFrame
    coverage: pd.DataFrame
    sail_next: tuple[str, ...]
    helm_progress: pd.DataFrame
    helm_trend: pd.DataFrame
    maneuver_progress: pd.DataFrame
    calibration: pd.DataFrame
    calibration_trend: pd.DataFrame
    sensors: pd.DataFrame
    polar_change: pd.DataFrame
    polar_trend: Effect | None
    polar_step: dict[str, Any]
    effects: tuple[Effect, ...]
    experiments: pd.DataFrame = field(default_factory=no_experiments)
    findings: tuple[Finding, ...] = field(default=())
    faster: pd.DataFrame = field(default_factory=pd.DataFrame)
    advice: pd.DataFrame = field(default_factory=lambda: advice_table(()))


def fit_season(
    archive: Archive,
    from_: str | None = None,
    to: str | None = None,
    progress: Callable[..., Any] | None = None,
    boat: str | None = None,
) -> Season:
    """Fit everything that an archive holds between two dates.

    Parameters
    ----------
    archive : Archive
    from_, to : str, optional
        First and last date, both included.
    progress : callable, optional
        Called with the name of each stage.
    boat : str, optional
        Whose days, where the archive holds several boats.

    Returns
    -------
    Season
        A day with a damaged file is left out, and named among the findings.
    """
    say = progress or (lambda *_: None)
    say("reading the archive")
    days, blocks, helms, maneuvers, records = _read(archive, from_, to, boat)
    say("fitting the polar of the season")
    calibration = calibration_rows(records)
    pooled = pooled_table(calibration)
    blocks = recorrected(blocks, calibration, pooled)
    model = with_sensor_error(fit_polar(blocks), season_error(pooled), lean_of(blocks))
    polar, targets = polar_table(model), targets_table(model)
    say("comparing sails, days and helms")
    crossovers = crossovers_table(model)
    legs = _with_vmg(model.leg_shares, model, targets)
    helm_progress, helm_trend = _helm(helms)
    coverage = coverage_table(model, blocks)
    change = model.day_factors.copy()
    if len(change):
        change.insert(1, "date", change["day"].str[:10])
    boats = [str(name) for name in days["boat"]]
    return Season(
        start=str(days["date"].min()) if len(days) else "",
        end=str(days["date"].max()) if len(days) else "",
        boat_name=next((b for b in reversed(boats) if b), ""),
        days=_days(days, blocks, legs, change, helm_progress, maneuvers, calibration),
        model=model, polar=polar, targets=targets, crossovers=crossovers,
        crossover_lines=crossover_angles(crossovers), pairs=sail_change_pairs(blocks, model),
        legs=legs, coverage=coverage, sail_next=tuple(sail_next(coverage)),
        helm_progress=helm_progress, helm_trend=helm_trend,
        maneuver_progress=maneuver_progress(maneuvers), calibration=calibration,
        calibration_trend=drift_trends(calibration), sensors=pooled, polar_change=change,
        polar_trend=model.effect(TREND), polar_step=_step(change),
        effects=tuple(e for e in model.effects if e.name != TREND),
        experiments=_experiments(archive.rows("trials", from_, to, boat), model, blocks),
        advice=advice_table(advice([from_record(e.date, json.loads(e.summary).get("practice"))
                                    for e in archive.entries(from_, to, boat)])),
        findings=(*fault_findings(archive.path, archive.faults()),
                  *_findings(days, blocks, model)),
        faster=faster_ranges(model),
    )


def _read(archive: Archive, from_: str | None, to: str | None, boat: str | None) -> tuple[
        pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame, list[tuple[str, str, Any]]]:
    """Days, blocks, helm rows, maneuvers, records; a day that is damaged anywhere is in none."""
    tables = [archive.days(from_, to, boat), archive.blocks(from_, to, boat),
              archive.helm_rows(from_, to, boat), archive.maneuver_rows(from_, to, boat)]
    records = archive.records(from_, to, boat)
    damaged = {f.where for f in archive.faults() if f.code in ("day-damaged", "day-gone")}
    days, blocks, helms, maneuvers = (
        t[~t[name].isin(damaged)].reset_index(drop=True)
        for t, name in zip(tables, ("day", "day_id", "day_id", "day_id"), strict=True))
    return days, blocks, helms, maneuvers, [r for r in records if r[0] not in damaged]


def _experiments(trials: pd.DataFrame, model: PolarModel, blocks: pd.DataFrame) -> pd.DataFrame:
    """Changes as tried, and what the whole season says of load and boards."""
    tables = [pool_experiments(trials), effect_experiments(model.effects, blocks)]
    held = [table for table in tables if len(table)]
    return pd.concat(held, ignore_index=True) if held else no_experiments()


# ------------------------------------------------------------------ helms and maneuvers
def _helm(rows: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    from sailanalysis.helm.progress import helm_progress
    from sailanalysis.helm.usual import fit_usual, rescore

    if len(rows) == 0:
        return helm_progress(pd.DataFrame())
    rows = rows.assign(day=rows["date"])
    if "activity_deg" in rows.columns:
        rows = rescore(rows, fit_usual(rows))
    return helm_progress(rows)


def maneuver_progress(maneuvers: pd.DataFrame) -> pd.DataFrame:
    """Median loss of each helm's tacks and gybes, day by day.

    Returns
    -------
    DataFrame
        ``helm, kind, day, count, loss_m_median`` (rated maneuvers only) and
        ``loss_m_low, loss_m_high``: the middle half of the day's losses.
    """
    columns = ["helm", "kind", "day", "count", "loss_m_median", "loss_m_low", "loss_m_high"]
    if len(maneuvers) == 0 or "loss_m" not in maneuvers.columns:
        return pd.DataFrame(columns=columns)
    use = maneuvers[maneuvers["kind"].isin(["tack", "gybe"])
                    & (maneuvers["rated"] == True)  # noqa: E712  may be a nullable boolean
                    & np.isfinite(maneuvers["loss_m"].astype(float))]
    rows = []
    for (helm, kind, day), part in use.groupby(["helm", "kind", "date"], sort=True):
        loss = part["loss_m"].to_numpy(float)
        low, middle, high = np.quantile(loss, [0.25, 0.5, 0.75])
        rows.append((helm, kind, day, loss.size, middle, low, high))
    return pd.DataFrame(rows, columns=columns)


# ------------------------------------------------------------------ legs and days
def _with_vmg(legs: pd.DataFrame, model: PolarModel, targets: pd.DataFrame) -> pd.DataFrame:
    """Add what the leg's angle costs against the best angle of that wind."""
    if len(legs) == 0:
        return legs.assign(angle_ratio=[], vmg_ratio=[])
    angle = np.full(len(legs), np.nan)
    best = targets[targets["sails"] == "all"]
    tws, off = legs["tws_kn"].to_numpy(float), legs["twa_deg"].to_numpy(float)
    made = model.speed_kn(tws, off) * np.cos(np.radians(off + _leeway(model, tws, off)))
    for direction, side in (("upwind", is_upwind(off)), ("downwind", is_downwind(off))):
        row = best[best["direction"] == direction].sort_values("tws_kn")
        if len(row):
            inside = side & (tws >= row["tws_kn"].min()) & (tws <= row["tws_kn"].max())
            angle[inside] = made[inside] / np.interp(tws[inside], row["tws_kn"], row["vmg_kn"])
    return legs.assign(angle_ratio=angle, vmg_ratio=angle * legs["polar_ratio"].to_numpy(float))


def _leeway(model: PolarModel, tws: np.ndarray, off: np.ndarray) -> np.ndarray:
    if not model.leeway_known or model.tws_kn.size == 0:
        return np.zeros(tws.shape)
    i = np.clip(np.round((tws - model.tws_kn[0]) / 0.5).astype(int), 0, model.tws_kn.size - 1)
    leeway: np.ndarray = model.leeway_deg[i, np.clip(np.round(off).astype(int), 0, 180)]
    return leeway


def _winds(blocks: pd.DataFrame | None) -> dict[str, float]:
    """Minutes sailed steadily, and the winds of most of them."""
    if blocks is None:
        return {"steady_minutes": 0.0}
    low, middle, high = np.quantile(blocks["tws_kn"].to_numpy(float), [0.1, 0.5, 0.9])
    return {"steady_minutes": float(blocks["seconds"].sum() / 60.0), "tws_low_kn": low,
            "tws_median_kn": middle, "tws_high_kn": high}


def _ratios(legs: pd.DataFrame | None) -> dict[str, float]:
    """Mean shares of the polar's speed and best VMG, by the legs' seconds."""
    out: dict[str, float] = {}
    if legs is None:
        return out
    for name in ("polar_ratio", "vmg_ratio"):
        known = legs[np.isfinite(legs[name].to_numpy(float))]
        if len(known):
            out[name] = float(np.average(known[name], weights=known["seconds"]))
    return out


def _median_losses(maneuvers: pd.DataFrame | None) -> dict[str, float]:
    """Median loss of the rated turns of each kind."""
    out: dict[str, float] = {}
    if maneuvers is None or "loss_m" not in maneuvers.columns:
        return out
    rated = maneuvers[maneuvers["rated"] == True]  # noqa: E712
    for kind in ("tack", "gybe"):
        loss = rated["loss_m"][rated["kind"] == kind]
        if len(loss):
            out[f"{kind}_loss_m_median"] = float(np.nanmedian(loss.astype(float)))
    return out


def _by_day(table: pd.DataFrame, column: str = "day") -> dict[Any, pd.DataFrame]:
    return dict(iter(table.groupby(column))) if len(table) else {}


def _days(days: pd.DataFrame, blocks: pd.DataFrame, legs: pd.DataFrame, change: pd.DataFrame,
          helms: pd.DataFrame, maneuvers: pd.DataFrame, calibration: pd.DataFrame) -> pd.DataFrame:
    """One row a day: the summary's figures and the day's scores."""
    out = days.drop(columns=["folder", "content", "filed", "calibration"])
    out = out.rename(columns={"day": "filed_as"})
    out.insert(0, "day", out.pop("date"))
    for name in ("start", "end"):
        out[name] = out[name].dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-5] + "Z"
    blocks_of, legs_of = _by_day(blocks), _by_day(legs)
    turns_of, scores_of = _by_day(maneuvers, "day_id"), _by_day(helms)
    factor = change.set_index("day") if len(change) else pd.DataFrame()
    extra = []
    for row in out.itertuples():
        one = _winds(blocks_of.get(row.filed_as)) | _ratios(legs_of.get(row.filed_as))
        if row.filed_as in factor.index:
            one |= {f"speed_factor_{name}".removesuffix("_factor"):
                    float(factor.loc[row.filed_as, name]) for name in ("factor", "low", "high")}
        scored = scores_of.get(row.day)
        if scored is not None:
            one["smoothness"] = float(np.average(scored["smoothness"],
                                                 weights=scored.get("minutes", None)))
        one |= _median_losses(turns_of.get(row.filed_as))
        known = calibration[(calibration["day"] == row.filed_as) & calibration["determined"]]
        one |= {str(k): float(v) for k, v in zip(known["key"], known["value"], strict=True)}
        extra.append(one)
    return pd.concat([out.reset_index(drop=True), pd.DataFrame(extra)], axis=1)


def _step(change: pd.DataFrame) -> dict[str, Any]:
    if len(change) == 0:
        return {}
    sd = (change["high"] - change["low"]).to_numpy(float) / (2 * Z95)
    found: dict[str, Any] = dict(step_change(np.arange(len(change), dtype=float),
                                             change["factor"].to_numpy(float), sd))
    if found:
        found["date"] = str(change["date"].iloc[int(found.pop("index"))])
    return found


def _findings(days: pd.DataFrame, blocks: pd.DataFrame, model: PolarModel) -> tuple[Finding, ...]:
    out = []
    empty = sorted(set(days["day"]) - set(blocks["day"] if len(blocks) else []))
    if empty:
        out.append(Finding("no-steady-sailing", f"{len(empty)} of {len(days)} days hold no steady "
                           f"sailing with known wind and boat speed: {', '.join(empty[:5])}"
                           f"{' ...' if len(empty) > 5 else ''}.", "note"))
    if not model.known:
        out.append(Finding("no-polar", "Too little steady sailing for a polar: it takes a few "
                           "minutes at one angle and wind with wind and boat speed logged."))
    side = model.effect("starboard against port")
    if side is not None and side.p_value < 0.01 and abs(side.percent) > 1.0:
        faster, slower = ("starboard", "port") if side.percent > 0 else ("port", "starboard")
        low, high = sorted((abs(side.low), abs(side.high)))
        out.append(Finding(
            "tacks-differ", f"The boat logs {abs(side.percent):.1f} % more speed on {faster} tack "
            f"than on {slower} at the same wind (95 % interval {low:.1f} to {high:.1f}): a "
            "sensor's misalignment, or something aboard that is not alike on both sides.", "note"))
    return tuple(out)
