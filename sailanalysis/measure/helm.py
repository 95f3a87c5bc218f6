"""Rate each helm's steering: what the rudder did, what it cost, how smooth for the conditions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.angles import Floats
from sailanalysis.errors import Finding
from sailanalysis.measure.helm_response import Response, Turning, estimate_turning, helm_response
from sailanalysis.measure.helm_usual import (
    AUTOPILOT,
    PROXY_SD,
    PUSH_SD,
    Conditions,
    Fit,
    Usual,
    activity_deg,
    expected_log_activity,
    fit_conditions,
    smoothness,
)
from sailanalysis.measure.helm_windows import (
    LONGEST_STRETCH_S,
    Piece,
    Track,
    fill_short,
    measure_windows,
    steady_pieces,
)
from sailanalysis.measure.helm_words import advice, compared, verdict, who
from sailanalysis.measure.rudder import RudderDrag
from sailanalysis.measure.steering import (
    MIN_RATE_HZ,
    NORRBIN_LAMBDA,
    extra_distance_normal,
    noise_variance,
    power_spectrum,
)
from sailanalysis.model import Boat
from sailanalysis.series import epoch_s, step_s
from sailanalysis.stats import UNKNOWN, Estimate

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
    "pitch_rate_rms_deg_s", "yaw_rate_rms_deg_s", "wave_push_deg",
)
"""Published columns first, then what the season model and the report need."""

MOTION_SD: Final = {"roll and pitch": 0.0, "heading": PUSH_SD, "wind": PROXY_SD, "": PROXY_SD}
"""Extra standard deviation of log activity by what tells the sea."""

FORM_SD: Final = 0.05
"""Standard deviation of log activity for what the model's form misses: no sea is one number."""

INFERRED_SD: Final = 0.25
"""Extra standard deviation of a helm's log activity when the rudder is only inferred: waves and
gusts turn the boat too, and how well a helm damps them is part of what is seen."""

TRACE_S: Final = 300.0
SHORTEST_TRACE_S: Final = 150.0


@dataclass(frozen=True)
class Trace:
    """Five minutes of steering, for a figure.

    Attributes
    ----------
    helm, point_of_sail : str
    start_s : float
        Seconds since 1970 UTC.
    second, rudder_deg, heading_deg : ndarray, shape (n,)
        Rudder about its mean; heading about its mean.
    rudder_rms_deg : float
    reversals_per_min : float
    """

    helm: str
    point_of_sail: str
    start_s: float
    second: Floats
    rudder_deg: Floats
    heading_deg: Floats
    rudder_rms_deg: float
    reversals_per_min: float


@dataclass(frozen=True)
class Spectrum:
    """Rudder power over frequency of one helm; shares below and inside the waves' band."""

    frequency_hz: Floats
    power_deg2_hz: Floats
    own_share: float
    wave_share: float


@dataclass(frozen=True)
class HelmResult:
    """Everything the report says about helming.

    Attributes
    ----------
    rows : DataFrame
        As ``helm.csv``.
    by_helm : DataFrame
        One row a helm: ``helm, minutes, stretches, smoothness, smoothness_low, smoothness_high,
        usual, today_less_usual, today_less_usual_low, today_less_usual_high, rudder_rms_deg,
        reversals_per_min, course_sd_deg, twa_sd_deg, speed_cost_percent, sentence``.
    comparisons : DataFrame
        Each pair on the same day and sea: ``helm, other, difference`` (points, positive: ``helm``
        smoother), ``low, high, words``.
    windows : DataFrame
        A row a minute.
    calm, busy : Trace or None
        Per helm, the quietest and the busiest five minutes for their conditions (a leg shorter than
        that gives what it has, from two and a half minutes).
    spectra : dict of str to Spectrum
    wave_band_hz : tuple of float
    weather_helm : DataFrame
        ``helm, heel_from_deg, heel_to_deg, weather_helm_deg, low, high, minutes``.
    response : dict of str to Response
        Anticipation, over-correction, wind or compass.
    turning : Turning or None
        The boat's own turning response, where it could be estimated.
    drag_from_day : Estimate
        Speed lost per square degree of rudder movement, in per cent, from the day's own minutes.
    offset : Estimate
        Rudder sensor's reading amidships, taken off.
    advice : dict of str to str
        One thing to try next, per helm.
    usual : Usual
        What 50 points meant.
    basis : str
        ``rudder``, ``inferred`` or ``""`` (nothing to go by).
    motion_basis : str
        What told the sea: ``roll and pitch``, ``heading``, ``wind`` or ``""``.
    noise_deg : float
        Standard deviation of the rudder sensor's own noise.
    reasons : tuple of str
        What could not be said, and why.
    findings : tuple of Finding
    """

    rows: pd.DataFrame
    by_helm: pd.DataFrame
    comparisons: pd.DataFrame
    windows: pd.DataFrame
    calm: dict[str, Trace] = field(default_factory=dict)
    busy: dict[str, Trace] = field(default_factory=dict)
    spectra: dict[str, Spectrum] = field(default_factory=dict)
    wave_band_hz: tuple[float, float] = (float("nan"), float("nan"))
    weather_helm: pd.DataFrame = field(default_factory=pd.DataFrame)
    response: dict[str, Response] = field(default_factory=dict)
    turning: Turning | None = None
    drag_from_day: Estimate = UNKNOWN
    drag_why_not: str = ""
    offset: Estimate = UNKNOWN
    advice: dict[str, str] = field(default_factory=dict)
    usual: Usual = field(default_factory=Usual)
    basis: str = ""
    motion_basis: str = ""
    noise_deg: float = float("nan")
    reasons: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def sentences(self) -> tuple[str, ...]:
        """What there is to say, in order: each helm's day, comparisons, one thing to try."""
        if self.by_helm.empty:
            return self.reasons
        return (*self.by_helm["sentence"], *(compared(row) for row in
                                             self.comparisons.itertuples()),
                *(f"{who(name)}: {text}" if name != AUTOPILOT else text
                  for name, text in self.advice.items()), *self.reasons)


def rate_helming(
    samples: pd.DataFrame, legs: pd.DataFrame, maneuvers: pd.DataFrame, boat: Boat,
    native_rate_hz: Mapping[str, float] | float | None = None, usual: Usual | None = None,
) -> tuple[pd.DataFrame, HelmResult]:
    """Rate the steering of every helm on steady legs.

    Parameters
    ----------
    samples : DataFrame
        Conditioned and corrected samples; needs ``rudder_deg`` or ``hdg_deg``.
    legs, maneuvers : DataFrame
        Published tables.
    boat : Boat
    native_rate_hz : mapping of str to float, or float, optional
        Rates at which channels were logged; default the samples' own.
    usual : Usual, optional
        From the season's archive; default the starting model.

    Returns
    -------
    DataFrame
        A row a stretch, columns ``HELM_COLUMNS``; empty when nothing was steered under sail.
    HelmResult

    Notes
    -----
    ``rudder_rms_deg`` is over all frequencies above the slow mean's (60 s), less the sensor's own
    noise; it does not depend on the log's rate. Rates and reversals are those of the common band
    up to 0.4 Hz. ``rudder_drag_ratio`` is the induced drag of the whole rudder angle as a share
    of the hull's resistance. ``steering_cost`` is Norrbin's, course error and rudder each about
    their slow mean, square degrees. ``rudder_mean_deg`` is signed as the rudder (positive turns
    the bow to starboard); ``weather_helm_deg`` is positive when she wants to luff.
    """
    rates = _rates(samples, native_rate_hz)
    grid_hz = _grid_hz(samples)
    rudder, basis, reasons = _rudder(samples, rates, grid_hz)
    if basis == "" or legs.empty:
        if legs.empty:
            reasons.append("there was no steady leg under sail")
        return _nothing(reasons, usual)
    turning: Turning | None = None
    if basis == "inferred":
        from sailanalysis.measure.helm_response import infer_rudder

        turning = Turning.usual(boat, usual.turning if usual else {})
        rudder = infer_rudder(samples, turning, grid_hz, rates)
        reasons.append("there is no rudder sensor: the rudder is inferred from the rate of turn "
                       "through a usual turning response, waves' own yaw included")
    valid = np.isfinite(fill_short(rudder, grid_hz))
    pieces = steady_pieces(samples, legs, maneuvers, valid)
    if not pieces:
        reasons.append("no half minute of steady sailing away from maneuvers")
        return _nothing(reasons, usual)
    native = rates.get("rudder_deg", grid_hz) if basis == "rudder" else min(
        grid_hz, rates.get("hdg_deg", grid_hz))
    noise = _noise(rudder, pieces, grid_hz, native) if basis == "rudder" else 0.0
    offset = _offset(samples, pieces, rudder, grid_hz) if basis == "rudder" else UNKNOWN
    if boat.sensors.rudder_offset_deg is None and offset.known:
        rudder = rudder - offset.value
    still = not any(name in samples and samples[name].notna().mean() > 0.5
                    for name in ("heel_deg", "trim_deg"))
    if basis == "rudder":
        turning = estimate_turning(samples, maneuvers, rudder)
    answer = turning or Turning.usual(boat, usual.turning if usual else {})
    windows, tracks = measure_windows(
        samples, pieces, rudder, rates, native, noise,
        turning=(answer.K_per_s.value, answer.T_s.value) if still and basis == "rudder" else None)
    windows = _with_activity(windows)
    if native < MIN_RATE_HZ:
        reasons.append(f"the rudder was logged every {1 / native:.0f} s: too slowly for rates, "
                       "reversals and a score")
    prior = usual or Usual()
    windows["stretch"] = _stretch_ids(windows)
    fit, motion = _fit(windows, prior.inferred() if basis == "inferred" else prior)
    drag = RudderDrag.of(boat)
    if not drag.known:
        reasons.append("rudder drag is unknown: " + drag.why_not)
    table = _stretches(windows, fit, motion, prior, drag, basis)
    by_helm = _by_helm(table, windows, fit, motion, prior, basis)
    band = _wave_band(samples, pieces, rates, grid_hz)
    response = {name: helm_response(samples, [t for t in tracks if t.piece.helm == name], band)
                for name in by_helm["helm"]} if basis == "rudder" else {}
    calm, busy = _calm_and_busy(windows, tracks)
    spectra = _spectra(tracks, band, noise)
    cost, cost_why = _drag_from_day(windows)
    words = {str(row.helm): advice(row, response.get(str(row.helm)), spectra.get(str(row.helm)))
             for row in by_helm.itertuples()}
    by_helm["sentence"] = [verdict(row) for row in by_helm.itertuples()]
    result = HelmResult(
        rows=table, by_helm=by_helm, comparisons=_comparisons(fit, prior, by_helm, motion, basis),
        windows=windows, calm=calm, busy=busy, spectra=spectra, wave_band_hz=band,
        weather_helm=_weather_helm(windows), response=response, turning=turning,
        drag_from_day=cost, drag_why_not=cost_why, offset=offset, advice=words, usual=prior,
        basis=basis, motion_basis=motion, noise_deg=float(np.sqrt(noise)),
        reasons=tuple(reasons))
    return table, result


def _rates(samples: pd.DataFrame, native: Mapping[str, float] | float | None) -> dict[str, float]:
    if native is None:
        return {}
    if isinstance(native, Mapping):
        return {k: float(v) for k, v in native.items() if np.isfinite(v) and v > 0}
    return {str(name): float(native) for name in samples.columns}


def _grid_hz(samples: pd.DataFrame) -> float:
    step = step_s(epoch_s(pd.DatetimeIndex(samples.index)))
    return 1.0 / step if np.isfinite(step) and step > 0 else float("nan")


def _rudder(samples: pd.DataFrame, rates: dict[str, float], grid_hz: float
            ) -> tuple[Floats, str, list[str]]:
    """Rudder angle to judge by: the first of two that moves, else none."""
    n = len(samples)
    for name in ("rudder_deg", "rudder2_deg"):
        if name not in samples:
            continue
        value = samples[name].to_numpy(dtype=float)
        good = np.isfinite(value)
        if good.mean() > 0.02 and np.nanstd(value) > 0.1:
            if name != "rudder_deg":
                rates["rudder_deg"] = rates.get(name, grid_hz)
            return value, "rudder", []
    turn = [c for c in ("rate_of_turn_deg_s", "hdg_deg") if c in samples
            and np.isfinite(samples[c].to_numpy(dtype=float)).mean() > 0.02]
    if turn and grid_hz >= MIN_RATE_HZ:
        return np.full(n, np.nan), "inferred", []
    return np.full(n, np.nan), "", ["the log has neither a rudder angle nor a heading fast enough"]


def _noise(rudder: Floats, pieces: list[Piece], grid_hz: float, native: float) -> float:
    from sailanalysis.measure.helm_windows import own_samples

    cuts, rate = [], grid_hz
    for piece in pieces:
        value = fill_short(rudder[piece.part], grid_hz)
        if np.isfinite(value).all():
            own, rate, _, _ = own_samples(value, grid_hz, native)
            cuts.append(own)
    return noise_variance(cuts, rate)


def _offset(samples: pd.DataFrame, pieces: list[Piece], rudder: Floats, grid_hz: float) -> Estimate:
    """Reading of the sensor amidships: half way between the two tacks' means, close-hauled.

    Weather helm turns over with the tack and the offset does not. Both tacks need five minutes;
    the interval is that of the pieces' means.
    """
    if "twa_deg" not in samples:
        return UNKNOWN
    twa = samples["twa_deg"].to_numpy(dtype=float)
    sides: dict[int, list[tuple[float, float]]] = {1: [], -1: []}
    for piece in pieces:
        if piece.point != "upwind":
            continue
        side = 1 if np.nanmedian(twa[piece.part]) > 0 else -1
        sides[side].append((float(np.nanmean(rudder[piece.part])),
                            (piece.part.stop - piece.part.start) / grid_hz))
    means, variances, seconds = [], [], []
    for side in (1, -1):
        value = np.array([v for v, _ in sides[side]])
        weight = np.array([w for _, w in sides[side]])
        if weight.sum() < 300.0 or value.size < 2:
            return UNKNOWN
        mean = float(np.sum(weight * value) / weight.sum())
        spread = float(np.sum(weight * (value - mean) ** 2) / weight.sum())
        means.append(mean)
        variances.append(max(spread, 0.2**2) / max(value.size - 1, 1))
        seconds.append(float(weight.sum()))
    half = 2.0 * 0.5 * float(np.sqrt(sum(variances)))
    value = 0.5 * sum(means)
    return Estimate(value, value - half, value + half, len(sides[1]) + len(sides[-1]),
                    sum(seconds))


def _with_activity(windows: pd.DataFrame) -> pd.DataFrame:
    out = windows.copy()
    for name in ("roll", "pitch", "yaw"):
        out[f"{name}_rate_rms_deg_s"] = np.sqrt(out[f"{name}_var"])
    out["gust_kn"] = np.sqrt(out["gust_var"])
    out["wave_push_deg"] = np.sqrt(out["push_var"])
    out["activity_deg"] = np.where(
        np.isfinite(out["rate_var"]),
        activity_deg(out["rudder_var"].to_numpy(), out["rate_var"].to_numpy()), np.nan)
    return out


def _fit(windows: pd.DataFrame, prior: Usual) -> tuple[Fit | None, str]:
    known = np.isfinite(windows["activity_deg"].to_numpy())
    at = Conditions.of(windows)
    motion = at.motion
    windows["residual"] = np.nan
    windows["sea"] = np.nan
    windows["expected_activity_deg"] = np.nan
    if known.sum() < 3:
        return None, ""
    use = windows[known]
    fit = fit_conditions(np.log(use["activity_deg"].to_numpy()), Conditions.of(use),
                         use["helm"].to_numpy(dtype=object), prior,
                         order=use["piece"].to_numpy(dtype=int),
                         group=use["stretch"].to_numpy(dtype=int))
    windows.loc[known, "residual"] = fit.residual
    windows.loc[known, "sea"] = fit.sea
    windows.loc[known, "expected_activity_deg"] = (use["activity_deg"].to_numpy()
                                                   / np.exp(fit.residual))
    return fit, motion


def _stretch_ids(windows: pd.DataFrame) -> Floats:
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


def _stretches(windows: pd.DataFrame, fit: Fit | None, motion: str, prior: Usual,
               drag: RudderDrag, basis: str) -> pd.DataFrame:
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
            "start": pd.Timestamp(group["start_s"].min(), unit="s", tz="UTC"),
            "end": pd.Timestamp(group["end_s"].max(), unit="s", tz="UTC"),
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
    return pd.DataFrame(rows).reindex(columns=list(HELM_COLUMNS)).sort_values(
        "start", kind="stable", ignore_index=True)


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
    variance += FORM_SD**2
    variance += MOTION_SD[motion] ** 2
    if basis == "inferred":
        variance += INFERRED_SD**2
    half = 1.96 * float(np.sqrt(variance))
    return measured | {
        "smoothness": float(smoothness(residual, prior.spread)),
        "smoothness_low": float(smoothness(residual + half, prior.spread)),
        "smoothness_high": float(smoothness(residual - half, prior.spread)), "why_not": ""}


def _too_short(seconds: float) -> str:
    return f"{seconds / 60:.1f} minutes of steady sailing; a score needs {MIN_MINUTES:.0f}"


def _by_helm(table: pd.DataFrame, windows: pd.DataFrame, fit: Fit | None, motion: str,
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


def _comparisons(fit: Fit | None, prior: Usual, by_helm: pd.DataFrame, motion: str, basis: str
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
            half = 1.96 * float(np.sqrt(variance)) * 10.0 / prior.spread
            rows.append((a, b, gap, gap - half, gap + half,
                         "smoother" if gap - half > 0 else
                         "less smooth" if gap + half < 0 else "no difference shown"))
    return pd.DataFrame(rows, columns=columns)


def _wave_band(samples: pd.DataFrame, pieces: list[Piece], rates: dict[str, float],
               grid_hz: float) -> tuple[float, float]:
    """Band of the waves met: about the peak of roll or pitch rate, 0.6 to 1.7 times its frequency.

    NaN where neither is logged fast enough.
    """
    best = (float("nan"), float("nan"))
    for name in ("trim_deg", "heel_deg"):
        if name not in samples or rates.get(name, grid_hz) < MIN_RATE_HZ:
            continue
        value = samples[name].to_numpy(dtype=float)
        cuts = [fill_short(value[p.part], grid_hz) for p in pieces]
        f, power = power_spectrum([c for c in cuts if np.isfinite(c).all()], grid_hz)
        band = (f >= 0.06) & (f <= 0.8)
        if not band.any():
            continue
        rate_power = power * f**2
        if rate_power[band].sum() * f[1] * (2 * np.pi) ** 2 < 0.05**2:
            continue
        peak = float(f[band][np.argmax(rate_power[band])])
        return 0.6 * peak, 1.7 * peak
    return best


def _spectra(tracks: list[Track], band: tuple[float, float], noise: float) -> dict[str, Spectrum]:
    out: dict[str, Spectrum] = {}
    low, high = band if np.isfinite(band[0]) else (0.12, 0.4)
    for helm in sorted({t.piece.helm for t in tracks}):
        mine = [t for t in tracks if t.piece.helm == helm]
        rate = mine[0].rate_hz
        f, power = power_spectrum([t.deviation_deg for t in mine], rate)
        if not f.size:
            continue
        clean = np.maximum(power - noise * 2.0 / rate, 0.0)
        inside = (f >= low) & (f <= high)
        below = (f > 0.5 / 60.0) & (f < low)
        total = float(clean[f > 0.5 / 60.0].sum())
        if total <= 0:
            continue
        out[helm] = Spectrum(f, power, float(clean[below].sum()) / total,
                             float(clean[inside].sum()) / total)
    return out


def _calm_and_busy(windows: pd.DataFrame, tracks: list[Track]
                   ) -> tuple[dict[str, Trace], dict[str, Trace]]:
    """Each helm's quietest and busiest five minutes for the conditions."""
    calm: dict[str, Trace] = {}
    busy: dict[str, Trace] = {}
    known = windows[windows["residual"].notna()]
    for helm, mine in known.groupby("helm"):
        options: list[tuple[float, Trace]] = []
        for number, group in mine.groupby("piece"):
            track = tracks[int(number)]
            start = group["start_s"].to_numpy() - track.start_s
            end = group["end_s"].to_numpy() - track.start_s
            for k in range(len(group)):
                inside = (start >= start[k]) & (end <= start[k] + TRACE_S + 30.0)
                span = end[inside].max() - start[k] if inside.any() else 0.0
                if span < SHORTEST_TRACE_S:
                    continue
                a = int(start[k] * track.rate_hz)
                b = min(a + int(TRACE_S * track.rate_hz), track.rudder_deg.size)
                rudder = track.rudder_deg[a:b]
                heading = track.heading_deg[a:b]
                options.append((float(group["residual"].to_numpy()[inside].mean()), Trace(
                    str(helm), track.piece.point, track.start_s + float(start[k]),
                    np.arange(b - a) / track.rate_hz, rudder - rudder.mean(),
                    heading - np.nanmean(heading) if np.isfinite(heading).any() else heading,
                    float(np.sqrt(group["rudder_var"].to_numpy()[inside].mean())),
                    float(group["reversals"].to_numpy()[inside].sum() / (span / 60.0)))))
        if options:
            options.sort(key=lambda pair: pair[0])
            calm[str(helm)] = options[0][1]
            if options[-1][1].start_s >= options[0][1].start_s + TRACE_S or (
                    options[-1][1].start_s + TRACE_S <= options[0][1].start_s):
                busy[str(helm)] = options[-1][1]
    return calm, busy


def _weather_helm(windows: pd.DataFrame) -> pd.DataFrame:
    """Mean rudder against the boat's wish to luff, by heel, with the interval of its minutes."""
    columns = ["helm", "heel_from_deg", "heel_to_deg", "weather_helm_deg", "low", "high", "minutes"]
    value = -windows["rudder_mean_deg"].to_numpy() * np.sign(windows["twa_deg"].to_numpy(float))
    heel = windows["heel_deg"].abs().to_numpy()
    good = np.isfinite(value) & np.isfinite(heel)
    rows = []
    helms = windows["helm"].to_numpy(dtype=object)
    for helm in ("", *sorted(set(helms[good]) - {""})):
        mine = good if helm == "" else good & (helms == helm)
        for low in range(0, 45, 5):
            x = value[mine & (heel >= low) & (heel < low + 5)]
            if x.size < 3:
                continue
            half = 2.0 * float(np.std(x, ddof=1)) / np.sqrt(max(x.size / 2.0, 1.0))
            rows.append((helm or "all", low, low + 5, float(x.mean()), float(x.mean()) - half,
                         float(x.mean()) + half, x.size * 1.0))
    return pd.DataFrame(rows, columns=columns)


def _drag_from_day(windows: pd.DataFrame) -> tuple[Estimate, str]:
    """Speed lost per square degree of rudder movement (per cent), from minute to minute.

    Within a piece, the minute's boat speed against its rudder movement, with wind speed and angle,
    the sea's motion and gusts held; errors by pieces. Shown only where the interval excludes zero
    on the side physics allows; a busy rudder also marks a bad wave, so what remains is an upper
    bound.
    """
    names = ["rudder_var", "tws_kn", "twa_deg", "gust_kn", "roll_var", "pitch_var"]
    table = windows[["piece", "stw_kn", *names]].copy()
    table["twa_deg"] = table["twa_deg"].abs()
    names = [n for n in names if table[n].notna().mean() > 0.8]
    if "rudder_var" not in names:
        return UNKNOWN, "no rudder movement measured"
    table = table.dropna(subset=["stw_kn", *names])
    count = table.groupby("piece")["stw_kn"].transform("size")
    table = table[(count >= 3) & (table["stw_kn"] > 1.0)]
    pieces = table["piece"].nunique()
    if pieces < 8 or len(table) < 40:
        return UNKNOWN, "needs eight legs of three minutes and forty minutes in all"
    y = 100.0 * np.log(table["stw_kn"].to_numpy())
    x = table[names].to_numpy(dtype=float)
    group = table["piece"].to_numpy()
    for values in (y, *x.T):
        values -= pd.Series(values).groupby(group).transform("mean").to_numpy()
    scale = np.maximum(x.std(axis=0), 1e-9)
    x = x / scale
    inverse = np.linalg.pinv(x.T @ x)
    slope = inverse @ x.T @ y
    error = y - x @ slope
    scores = pd.DataFrame(x * error[:, None]).groupby(group).sum().to_numpy()
    cov = inverse @ scores.T @ scores @ inverse * pieces / (pieces - 1)
    value = -float(slope[0] / scale[0])
    half = 2.2 * float(np.sqrt(cov[0, 0])) / float(scale[0])
    estimate = Estimate(value, value - half, value + half, pieces,
                        float(windows["seconds"].sum()))
    if value - half <= 0:
        return estimate, "the day's own minutes do not show it: the interval includes zero"
    return estimate, ""


def _nothing(reasons: list[str], usual: Usual | None) -> tuple[pd.DataFrame, HelmResult]:
    table = pd.DataFrame({name: pd.Series(dtype=float) for name in HELM_COLUMNS})
    for name in ("helm", "point_of_sail", "why_not", "basis"):
        table[name] = table[name].astype(object)
    for name in ("start", "end"):
        table[name] = pd.to_datetime(table[name], utc=True)
    empty = pd.DataFrame()
    return table, HelmResult(table, empty, empty, empty, usual=usual or Usual(),
                             reasons=tuple(reasons))


__all__ = ["AUTOPILOT", "HELM_COLUMNS", "HelmResult", "Spectrum", "Trace", "Usual",
           "rate_helming"]
