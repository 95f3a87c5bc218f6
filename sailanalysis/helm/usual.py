"""The season's memory of steering: what this boat's sailing asks for, and each helm's usual.

Scores of any day can be taken anew against it, so that a season is judged by one measure.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.stats import Z95
from sailanalysis.helm.fit import (
    AUTOPILOT,
    SPREAD,
    SPREAD_FLOOR,
    SPREAD_STRETCHES,
    Conditions,
    Usual,
    expected_and_sea,
    fit_conditions,
)

__all__ = ["SPREAD", "Usual", "fit_usual", "rescore", "smoothness"]


def smoothness(residual_log: float | Floats, spread: float) -> Any:
    """Score from log activity about the usual: 50 at the usual, 10 points a standard deviation.

    Quieter than usual scores higher; limited to 0-100.
    """
    return np.clip(50.0 - 10.0 * np.asarray(residual_log, dtype=float) / spread, 0.0, 100.0)


def row_sd(minutes: Floats) -> Floats:
    """Standard deviation of a stretch's log activity about its helm: sampling and mood."""
    share = 1.5 / np.maximum(np.asarray(minutes, dtype=float), 1.0)
    return np.asarray(np.sqrt(0.12**2 + 0.35**2 * share), dtype=float)


def fit_usual(rows: pd.DataFrame, prior: Usual | None = None) -> Usual:
    """Season model: what this boat's sailing asks for, from the helm rows of many days.

    Parameters
    ----------
    rows : DataFrame
        Rows of ``helm.csv`` with the columns the program adds (``activity_deg``, ``stw_kn``,
        ``gust_kn``, ``roll_rate_rms_deg_s``, ``pitch_rate_rms_deg_s``, ``basis``) and ``day``.
    prior : Usual, optional
        Default the starting model.

    Returns
    -------
    Usual
        The prior itself when no row can be used.
    """
    prior = prior or Usual()
    if rows.empty or "activity_deg" not in rows:
        return prior
    use = rows[np.isfinite(rows["activity_deg"].to_numpy(dtype=float))
               & (rows["minutes"].to_numpy(dtype=float) >= 3.0)]
    if "basis" in use:
        use = use[use["basis"].isin(["rudder", ""])]
    if use.empty:
        return prior
    minutes = use["minutes"].to_numpy(dtype=float)
    helm = use["helm"].fillna("").to_numpy(dtype=object)
    fit = fit_conditions(np.log(use["activity_deg"].to_numpy(dtype=float)), Conditions.of(use),
                         helm, prior, item_sd=row_sd(minutes))
    people = helm != AUTOPILOT
    share = np.array([float(minutes[(helm == h) & people].sum()) for h in fit.helms])
    share = share / share.sum() if share.sum() > 0 else share
    mean, cov = fit.about(share)
    residual = fit.residual[people] - float(share @ fit.effect)
    spread = prior.spread
    if residual.size:
        squares = float(np.sum(np.minimum(np.abs(residual), 1.0) ** 2))
        spread = float(np.sqrt((SPREAD_STRETCHES * prior.spread**2 + squares)
                               / (SPREAD_STRETCHES + residual.size)))
    days = use["day"] if "day" in use else use.get("date")
    sea = float(np.mean(expected_and_sea(fit.mean, Conditions.of(use))[2]))
    usual = Usual(
        mean, cov, max(spread, SPREAD_FLOOR), prior.stretches + len(use),
        prior.days + (int(days.nunique()) if days is not None else 0),
        prior.minutes + float(minutes.sum()), sea, _turning(use) or dict(prior.turning), {},
        dict(zip(fit.helms, fit.slope.tolist(), strict=True)))
    return replace(usual, helms=_usual_by_helm(rescore(use, usual), days))


def _turning(rows: pd.DataFrame) -> dict[str, float]:
    """The boat's turning response over the days that could measure it: medians."""
    if "turn_K_per_s" not in rows or not rows["turn_K_per_s"].notna().any():
        return {}
    return {name: float(rows[f"turn_{name}"].median()) for name in ("K_per_s", "T_s", "stw_kn")}


def _usual_by_helm(rows: pd.DataFrame, days: pd.Series | None) -> dict[str, dict[str, float]]:
    """Each helm's mean score over their days, with Student's interval from three days on."""
    if days is None:
        return {}
    from scipy.special import stdtrit

    out: dict[str, dict[str, float]] = {}
    table = rows.assign(_day=days.astype(str), _w=rows["minutes"] * rows["smoothness"])
    table = table[table["smoothness"].notna()]
    for helm, group in table.groupby("helm"):
        sums = group.groupby("_day")[["_w", "minutes"]].sum()
        score = (sums["_w"] / sums["minutes"]).to_numpy(dtype=float)
        half = (float(stdtrit(score.size - 1, 0.975)) * float(np.std(score, ddof=1))
                / np.sqrt(score.size) if score.size >= 3 else float("nan"))
        mean = float(score.mean())
        out[str(helm)] = {"value": mean, "low": mean - half, "high": mean + half,
                          "days": float(score.size)}
    return out


def rescore(rows: pd.DataFrame, usual: Usual) -> pd.DataFrame:
    """Score rows of any day anew against one usual, so that a season is judged by one measure.

    Parameters
    ----------
    rows : DataFrame
        Rows of ``helm.csv`` with the columns the program adds.
    usual : Usual
        What such conditions ask for.

    Returns
    -------
    DataFrame
        The same rows with ``smoothness, smoothness_low, smoothness_high`` replaced; rows without
        a score stay without.
    """
    out = rows.copy()
    if rows.empty or "activity_deg" not in rows:
        return out
    activity = rows["activity_deg"].to_numpy(dtype=float)
    scored = np.isfinite(activity) & np.isfinite(rows["smoothness"].to_numpy(dtype=float))
    expected, grad, raised = expected_and_sea(usual.mean, Conditions.of(rows))
    slope = np.array([usual.slopes.get(str(h), 0.0) for h in rows["helm"].fillna("")])
    reference = usual.sea if np.isfinite(usual.sea) else float(np.mean(raised))
    residual = (np.log(np.where(scored, activity, 1.0)) - expected
                - slope * (raised - reference))
    model = np.einsum("ij,jk,ik->i", grad, usual.cov, grad)
    half = Z95 * np.sqrt(model + row_sd(rows["minutes"].to_numpy(dtype=float)) ** 2)
    for name, value in (("smoothness", residual), ("smoothness_low", residual + half),
                        ("smoothness_high", residual - half)):
        out[name] = np.where(scored, smoothness(value, usual.spread), np.nan)
    return out
