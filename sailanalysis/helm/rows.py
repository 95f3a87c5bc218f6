"""Rows of ``helm.csv``, one line a helm and pair by pair: from windows and the fitted model."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.series import utc_timestamp
from sailanalysis.core.stats import Z95
from sailanalysis.helm.fit import (
    PROXY_SD,
    PUSH_SD,
    Conditions,
    Fit,
    Usual,
    expected_log_activity,
)
from sailanalysis.helm.rudder import RudderDrag
from sailanalysis.helm.steering import NORRBIN_LAMBDA, extra_distance_normal
from sailanalysis.helm.usual import smoothness
from sailanalysis.helm.windows import LONGEST_STRETCH_S

MIN_MINUTES: Final = 3.0
"""No score below this much steady sailing."""

HELM_COLUMNS: Final = (
    "helm", "point_of_sail", "start", "end", "minutes", "tws_kn", "rudder_rms_deg",
    "rudder_mean_deg", "rudder_rate_rms_deg_s", "reversals_per_min", "course_sd_deg",
    "twa_sd_deg", "steering_cost", "rudder_drag_ratio", "smoothness", "smoothness_low",
    "smoothness_high",
    "why_not", "basis", "moving_share", "weather_helm_deg", "activity_deg",
    "expected_activity_deg", "extra_distance_percent", "rudder_drag_movement_ratio",
    "speed_cost_percent", "stw_kn", "heel_deg", "gust_kn", "roll_rate_rms_deg_s",
    "pitch_rate_rms_deg_s", "yaw_rate_rms_deg_s", "wave_push_deg", "turn_K_per_s", "turn_T_s",
    "turn_stw_kn",
)
"""Published columns first, then what the season model and the report need."""

MOTION_SD: Final = {"roll and pitch": 0.0, "heading": PUSH_SD, "wind": PROXY_SD, "": PROXY_SD}
"""Extra standard deviation of log activity by what tells the sea."""

FORM_SD: Final = 0.07
"""Standard deviation of log activity for what the model's form misses: no sea is one number."""

SEA_SD: Final = 0.07
"""The same from one day's sea to another's; two helms of one day share it, so that it widens scores
and not comparisons."""

INFERRED_SD: Final = 0.25
"""Extra standard deviation of a helm's log activity when the rudder is only inferred: waves and
gusts turn the boat too, and how well a helm damps them is part of what is seen."""


def stretch_ids(windows: pd.DataFrame) -> NDArray[np.int_]:
    """Number of the stretch each window belongs to; a long one is cut into even parts."""
    ids = np.zeros(len(windows), dtype=int)
    top = 0
    for _, group in windows.groupby(["stint", "point_of_sail"], sort=False):
        seconds = group["seconds"].to_numpy()
        parts = max(1, int(np.ceil(seconds.sum() / LONGEST_STRETCH_S)))
        share = np.cumsum(seconds) - seconds / 2
        ids[group.index.to_numpy()] = top + np.minimum(
            (share / seconds.sum() * parts).astype(int), parts - 1)
        top += parts
    return ids


def _mean(value: pd.Series, weight: Floats) -> float:
    x = value.to_numpy(dtype=float)
    good = np.isfinite(x)
    return float(np.sum(x[good] * weight[good]) / weight[good].sum()) if good.any() else np.nan


def stretch_rows(windows: pd.DataFrame, fit: Fit | None, motion: str, prior: Usual,
                 drag: RudderDrag, basis: str) -> pd.DataFrame:
    """Rows of ``helm.csv`` from the windows of each stretch."""
    rows: list[dict[str, Any]] = []
    for _, group in windows.groupby("stretch", sort=False):
        weight = group["seconds"].to_numpy(dtype=float)

        def mean(name: str, group: pd.DataFrame = group, weight: Floats = weight) -> float:
            return _mean(group[name], weight)

        side = np.sign(group["twa_deg"].to_numpy(dtype=float))
        course_sd = float(np.sqrt(mean("course_var")))
        stw = mean("stw_kn")
        whole = drag.share_of_resistance(np.array([stw]),
                                         np.array([np.sqrt(max(mean("rudder_square"), 0.0))]))[0]
        moved = drag.share_of_resistance(np.array([stw]),
                                         np.array([np.sqrt(mean("rudder_var"))]))[0]
        extra = 100.0 * extra_distance_normal(course_sd)
        rows.append({
            "helm": group["helm"].iloc[0], "point_of_sail": group["point_of_sail"].iloc[0],
            "start": utc_timestamp(group["start_s"].min()),
            "end": utc_timestamp(group["end_s"].max()),
            "minutes": weight.sum() / 60.0, "tws_kn": mean("tws_kn"),
            "rudder_rms_deg": float(np.sqrt(mean("rudder_var"))),
            "rudder_mean_deg": mean("rudder_mean_deg"),
            "rudder_rate_rms_deg_s": float(np.sqrt(mean("rate_var"))),
            "reversals_per_min": (float(np.nansum(group["reversals"])) / (weight.sum() / 60.0)
                                  if group["reversals"].notna().any() else np.nan),
            "course_sd_deg": course_sd, "twa_sd_deg": float(np.sqrt(mean("twa_var"))),
            "steering_cost": mean("course_var") + NORRBIN_LAMBDA * mean("rudder_var"),
            "rudder_drag_ratio": float(whole), "rudder_drag_movement_ratio": float(moved),
            "moving_share": mean("moving_share"),
            "weather_helm_deg": _mean(-group["rudder_mean_deg"] * side, weight),
            "extra_distance_percent": extra,
            "speed_cost_percent": 100.0 * drag.speed_share(stw, float(moved)) + extra,
            "stw_kn": stw, "heel_deg": _mean(group["heel_deg"].abs(), weight), "basis": basis,
            "gust_kn": float(np.sqrt(mean("gust_var"))),
            **{f"{k}_rate_rms_deg_s": float(np.sqrt(mean(f"{k}_var")))
               for k in ("roll", "pitch", "yaw")},
            "wave_push_deg": float(np.sqrt(mean("push_var"))),
            **_score(group, weight, fit, motion, prior, basis),
        })
    table = pd.DataFrame(rows).reindex(columns=list(HELM_COLUMNS)).sort_values(
        "start", kind="stable", ignore_index=True)
    if basis == "inferred":  # turning tells nothing of where the rudder stands on average
        table[["rudder_mean_deg", "weather_helm_deg", "rudder_drag_ratio", "moving_share",
               "rudder_drag_movement_ratio", "speed_cost_percent"]] = np.nan
    return table


def _score(group: pd.DataFrame, weight: Floats, fit: Fit | None, motion: str, prior: Usual,
           basis: str) -> dict[str, Any]:
    """Smoothness of one stretch with its interval: sampling of its minutes and the model's own."""
    none = {"smoothness": np.nan, "smoothness_low": np.nan, "smoothness_high": np.nan,
            "activity_deg": np.nan, "expected_activity_deg": np.nan}
    known = np.isfinite(group["residual"].to_numpy(dtype=float))
    if fit is None or not known.any():
        slow = not np.isfinite(group["rate_var"].to_numpy(dtype=float)).any()
        return none | {"why_not": "the rudder was logged too slowly" if slow else
                       _too_short(float(weight.sum()))}
    w = np.where(known, weight, 0.0)
    use = group[known]
    weight = weight[known]
    residual = float(np.sum(use["residual"] * weight) / weight.sum())
    expected = float(np.sum(np.log(use["expected_activity_deg"]) * weight) / weight.sum())
    measured = {"activity_deg": float(np.exp(residual + expected)),
                "expected_activity_deg": float(np.exp(expected))}
    if w.sum() < 60.0 * MIN_MINUTES:
        return none | measured | {"why_not": _too_short(float(w.sum()))}
    _, grad = expected_log_activity(fit.mean, Conditions.of(use))
    slope = np.sum(grad * weight[:, None], axis=0) / weight.sum()
    items = weight.sum() ** 2 / np.sum(weight**2) / fit.inflation
    variance = fit.sd**2 / max(items, 1.0) + float(slope @ fit.cov @ slope)
    j = fit.helms.index(str(use["helm"].iloc[0]))
    sea = float(np.sum(use["sea"] * weight) / weight.sum())
    variance += sea**2 * fit.slope_cov[j, -1] + 2 * sea * float(slope @ fit.slope_cov[j, :-1])
    variance += FORM_SD**2 + SEA_SD**2
    variance += MOTION_SD[motion] ** 2
    if basis == "inferred":
        variance += INFERRED_SD**2
    half = Z95 * float(np.sqrt(variance))
    return measured | {
        "smoothness": float(smoothness(residual, prior.spread)),
        "smoothness_low": float(smoothness(residual + half, prior.spread)),
        "smoothness_high": float(smoothness(residual - half, prior.spread)), "why_not": ""}


def _too_short(seconds: float) -> str:
    return f"{seconds / 60:.1f} minutes of steady sailing; a score needs {MIN_MINUTES:.0f}"


def helm_rows(table: pd.DataFrame, windows: pd.DataFrame, fit: Fit | None, motion: str,
             prior: Usual, basis: str) -> pd.DataFrame:
    """One row a helm: today's score over all their stretches, and against their own usual."""
    rows: list[dict[str, Any]] = []
    for helm, group in table.groupby("helm", sort=True):
        mine = windows[windows["helm"] == helm]
        weight = group["minutes"].to_numpy(dtype=float)
        row: dict[str, Any] = {"helm": helm, "minutes": float(weight.sum()),
                               "stretches": len(group)}
        for name in ("rudder_rms_deg", "rudder_rate_rms_deg_s", "course_sd_deg", "twa_sd_deg"):
            row[name] = float(np.sqrt(_mean(group[name] ** 2, weight)))
        for name in ("reversals_per_min", "moving_share", "weather_helm_deg", "tws_kn",
                     "speed_cost_percent", "extra_distance_percent", "rudder_drag_ratio",
                     "rudder_drag_movement_ratio"):
            row[name] = _mean(group[name], weight)
        scored = group[group["smoothness"].notna()]
        score = _score(mine, mine["seconds"].to_numpy(dtype=float), fit, motion, prior, basis) \
            if len(scored) else {}
        for name in ("smoothness", "smoothness_low", "smoothness_high"):
            row[name] = score.get(name, np.nan)
        own = prior.helms.get(str(helm), {})
        row["usual"] = own.get("value", np.nan)
        row["usual_days"] = int(own.get("days", 0))
        known = np.isfinite(row["usual"]) and np.isfinite(row["smoothness"])
        row["today_less_usual"] = row["smoothness"] - row["usual"] if known else np.nan
        half = np.hypot(0.5 * (row["smoothness_high"] - row["smoothness_low"]),
                        0.5 * (own.get("high", np.nan) - own.get("low", np.nan)))
        row["today_less_usual_low"] = row["today_less_usual"] - half
        row["today_less_usual_high"] = row["today_less_usual"] + half
        rows.append(row)
    return pd.DataFrame(rows)


def compare_helms(fit: Fit | None, prior: Usual, by_helm: pd.DataFrame, motion: str, basis: str
                 ) -> pd.DataFrame:
    """Helms of the day against each other on the same sea; what the model shares cancels."""
    columns = ["helm", "other", "difference", "low", "high", "words"]
    scored = set(by_helm.loc[by_helm["smoothness"].notna(), "helm"])
    if fit is None:
        return pd.DataFrame(columns=columns)
    rows = []
    for i, a in enumerate(fit.helms):
        for j in range(i + 1, len(fit.helms)):
            b = fit.helms[j]
            if a not in scored or b not in scored:
                continue
            gap = -(fit.effect[i] - fit.effect[j]) * 10.0 / prior.spread
            variance = fit.effect_cov[i, i] + fit.effect_cov[j, j] - 2 * fit.effect_cov[i, j]
            variance += 2 * FORM_SD**2
            variance += 2 * MOTION_SD[motion] ** 2
            if basis == "inferred":
                variance += 2 * INFERRED_SD**2
            half = Z95 * float(np.sqrt(variance)) * 10.0 / prior.spread
            rows.append((a, b, gap, gap - half, gap + half,
                         "smoother" if gap - half > 0 else
                         "less smooth" if gap + half < 0 else "no difference shown"))
    return pd.DataFrame(rows, columns=columns)


