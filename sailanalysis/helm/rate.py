"""Rate each helm's steering: what the rudder did, what it cost, how smooth for the conditions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Boat
from sailanalysis.core.series import epoch_s, step_s
from sailanalysis.core.showing import one_line, small_html
from sailanalysis.core.stats import UNKNOWN, Estimate, finite_mean
from sailanalysis.helm.fit import (
    AUTOPILOT,
    Conditions,
    Fit,
    Usual,
    activity_deg,
    fit_conditions,
)
from sailanalysis.helm.pictures import (
    Spectrum,
    Trace,
    calm_and_busy,
    drag_from_day,
    rudder_spectra,
    wave_band,
    weather_helm_by_heel,
)
from sailanalysis.helm.response import (
    Response,
    Turning,
    estimate_turning,
    helm_response,
    infer_rudder,
)
from sailanalysis.helm.rows import (
    HELM_COLUMNS,
    compare_helms,
    helm_rows,
    stretch_ids,
    stretch_rows,
)
from sailanalysis.helm.rudder import RudderDrag
from sailanalysis.helm.steering import (
    MIN_RATE_HZ,
    REVERSAL_GAP_DEG,
    noise_variance,
    sensor_step_deg,
)
from sailanalysis.helm.windows import (
    Piece,
    Track,
    fill_short,
    measure_windows,
    own_samples,
    steady_pieces,
)
from sailanalysis.helm.words import advice, compared, verdict, who

CONDITION_WINDOWS: Final = 9
"""Minutes over which waves and gusts are averaged; a sea changes more slowly."""


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
        Per helm, the quietest and the busiest minutes for their conditions, at most five (a leg
        shorter than that gives what it has, from a hundred seconds).
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
    reversal_gap_deg : float
        Dead band of reversals: 1.5 deg, or one and a half steps of a coarser sensor.
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
    reversal_gap_deg: float = REVERSAL_GAP_DEG
    reasons: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()

    def __repr__(self) -> str:
        return one_line("HelmResult", self._facts())

    def _repr_html_(self) -> str:
        return small_html("HelmResult", self._facts(), self.by_helm.drop(
            columns="sentence", errors="ignore"))

    def _facts(self) -> dict[str, object]:
        helms = ", ".join(str(name) or "unnamed" for name in self.by_helm.get("helm", ()))
        return {"helms": helms or "none", "stretches": len(self.rows),
                "minutes": len(self.windows), "basis": self.basis or "none"}

    @property
    def sentences(self) -> tuple[str, ...]:
        """What there is to say, in order: each helm's day, comparisons, one thing to try."""
        if self.by_helm.empty:
            return self.reasons
        return (*self.by_helm["sentence"], *(compared(row) for row in
                                             self.comparisons.itertuples()),
                *(f"{who(name)}: {text}" if name != AUTOPILOT else text
                  for name, text in self.advice.items()),
                *(f"{text[:1].upper()}{text[1:]}." for text in self.reasons))


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
    rudder, basis, reasons = _rudder(samples, rates, _grid_hz(samples))
    if legs.empty:
        reasons.append("there was no steady leg under sail")
    if basis == "" or legs.empty:
        return _nothing(reasons, usual)
    if basis == "inferred":
        reasons.append("there is no rudder sensor: the rudder is inferred from the rate of turn "
                       "through a usual turning response, waves' own yaw included")
    seen = _see(samples, legs, maneuvers, boat, usual, rates, rudder, basis == "rudder")
    if seen is None:
        reasons.append("no half minute of steady sailing away from maneuvers")
        return _nothing(reasons, usual)
    if seen.native_hz < MIN_RATE_HZ:
        reasons.append(f"the rudder was logged every {1 / seen.native_hz:.0f} s: too slowly for "
                       "rates, reversals and a score")
    drag = RudderDrag.of(boat)
    if not drag.known and basis == "rudder":
        reasons.append("rudder drag is unknown: " + drag.why_not)
    return _rated(samples, seen, rates, drag, usual or Usual(), basis, reasons)


@dataclass(frozen=True)
class _Seen:
    """What the day shows of the rudder before any score: pieces, sensor, minutes."""

    pieces: list[Piece]
    native_hz: float
    noise_deg2: float
    gap_deg: float
    offset: Estimate
    turning: Turning | None
    windows: pd.DataFrame
    tracks: list[Track]


def _see(samples: pd.DataFrame, legs: pd.DataFrame, maneuvers: pd.DataFrame, boat: Boat,
         usual: Usual | None, rates: dict[str, float], rudder: Floats, sensed: bool
         ) -> _Seen | None:
    """Measure the minutes of steady sailing; None where there are none."""
    grid_hz = _grid_hz(samples)
    turning: Turning | None = None
    if not sensed:
        turning = Turning.usual(boat, usual.turning if usual else {})
        rudder = infer_rudder(samples, turning, grid_hz)
    pieces = steady_pieces(samples, legs, maneuvers, np.isfinite(fill_short(rudder, grid_hz)))
    if not pieces:
        return None
    noise, step, offset, pushing = 0.0, 0.0, UNKNOWN, None
    native = rates.get("rudder_deg", grid_hz)
    if not sensed:
        native = min(grid_hz, rates.get("hdg_deg", grid_hz))
    else:
        noise, step = _noise(rudder, pieces, grid_hz, native)
        offset = _offset(samples, pieces, rudder, grid_hz)
        if boat.sensors.rudder_offset_deg is None and offset.known:
            rudder = rudder - offset.value
        turning = estimate_turning(samples, maneuvers, rudder)
        pushing = _pushing(samples, turning or Turning.usual(boat, usual.turning if usual else {}))
    # A coarse sensor flickers between two steps: the dead band must be wider than one.
    gap = max(REVERSAL_GAP_DEG, 1.5 * step)
    windows, tracks = measure_windows(samples, pieces, rudder, rates, native, noise, gap,
                                      turning=pushing)
    return _Seen(pieces, native, noise, gap, offset, turning, _with_activity(windows), tracks)


def _pushing(samples: pd.DataFrame, turning: Turning) -> tuple[float, float] | None:
    """K and T to tell the waves' push by, where no sensor gives the boat's motion."""
    if any(name in samples and samples[name].notna().mean() > 0.5
           for name in ("heel_deg", "trim_deg")):
        return None
    return turning.K_per_s.value, turning.T_s.value


def _rated(samples: pd.DataFrame, seen: _Seen, rates: dict[str, float], drag: RudderDrag,
           prior: Usual, basis: str, reasons: list[str]) -> tuple[pd.DataFrame, HelmResult]:
    """Score what was seen, and draw the pictures of it."""
    sensed, windows = basis == "rudder", seen.windows
    fit, motion = _fit(windows, prior if sensed else prior.inferred())
    table = stretch_rows(windows, fit, motion, prior, drag, basis)
    if seen.turning is not None and sensed:
        table = table.assign(turn_K_per_s=seen.turning.K_per_s.value,
                             turn_T_s=seen.turning.T_s.value, turn_stw_kn=seen.turning.stw_kn)
    by_helm = helm_rows(table, windows, fit, motion, prior, basis)
    band = wave_band(samples, seen.pieces, rates, _grid_hz(samples))
    response: dict[str, Response] = {}
    spectra: dict[str, Spectrum] = {}
    cost, cost_why = UNKNOWN, "there is no rudder sensor"
    if sensed:
        response = {name: helm_response(samples, [t for t in seen.tracks if t.piece.helm == name],
                                        band) for name in by_helm["helm"]}
        spectra = rudder_spectra(seen.tracks, band, seen.noise_deg2)
        cost, cost_why = drag_from_day(windows)
    calm, busy = calm_and_busy(windows, seen.tracks)
    words = {str(row.helm): advice(row, response.get(str(row.helm)), spectra.get(str(row.helm)),
                                   not sensed) for row in by_helm.itertuples()}
    by_helm["sentence"] = [verdict(row) for row in by_helm.itertuples()]
    return table, HelmResult(
        rows=table, by_helm=by_helm, comparisons=compare_helms(fit, prior, by_helm, motion, basis),
        windows=windows, calm=calm, busy=busy, spectra=spectra, wave_band_hz=band,
        weather_helm=weather_helm_by_heel(windows), response=response, turning=seen.turning,
        drag_from_day=cost, drag_why_not=cost_why, offset=seen.offset, advice=words, usual=prior,
        basis=basis, motion_basis=motion, noise_deg=float(np.sqrt(seen.noise_deg2)),
        reversal_gap_deg=seen.gap_deg, reasons=tuple(reasons))


def _rates(samples: pd.DataFrame, native: Mapping[str, float] | float | None) -> dict[str, float]:
    if native is None:
        return {}
    if isinstance(native, Mapping):
        return {k: float(v) for k, v in native.items() if np.isfinite(v) and v > 0}
    return {str(name): float(native) for name in samples.columns}


def _grid_hz(samples: pd.DataFrame) -> float:
    step = step_s(epoch_s(samples.index))
    return 1.0 / step if np.isfinite(step) and step > 0 else float("nan")


def _rudder(samples: pd.DataFrame, rates: dict[str, float], grid_hz: float
            ) -> tuple[Floats, str, list[str]]:
    """Rudder angle to judge by: of two that move the more complete, else none."""
    missing = np.full(len(samples), np.nan)

    def column(name: str) -> Floats:
        return samples[name].to_numpy(dtype=float) if name in samples else missing

    best, share = "", 0.02
    for name in ("rudder_deg", "rudder2_deg"):
        complete = float(np.isfinite(column(name)).mean()) if len(samples) else 0.0
        # The second must be clearly more complete to take the first one's place.
        if complete > share and np.nanstd(column(name)) > 0.1:
            best, share = name, 1.2 * complete
    if best:
        rates["rudder_deg"] = rates.get(best, grid_hz)
        return column(best), "rudder", []
    turning = any(np.isfinite(column(name)).mean() > 0.02
                  for name in ("rate_of_turn_deg_s", "hdg_deg") if name in samples)
    if turning and grid_hz >= MIN_RATE_HZ:
        return missing, "inferred", []
    return missing, "", ["the log has neither a rudder angle nor a heading fast enough"]


def _noise(rudder: Floats, pieces: list[Piece], grid_hz: float, native: float
           ) -> tuple[float, float]:
    """Variance of the sensor's own noise, square degrees, and its smallest step."""
    cuts, rate = [], grid_hz
    for piece in pieces:
        value = fill_short(rudder[piece.part], grid_hz)
        if np.isfinite(value).all():
            own, rate, _, _ = own_samples(value, grid_hz, native)
            cuts.append(own)
    return noise_variance(cuts, rate), sensor_step_deg(cuts)


def _offset(samples: pd.DataFrame, pieces: list[Piece], rudder: Floats, grid_hz: float) -> Estimate:
    """Reading of the sensor amidships: half way between the two tacks' means, close-hauled.

    Weather helm turns over with the tack and the offset does not. Both tacks need five minutes;
    the interval is that of the pieces' means.
    """
    if "twa_deg" not in samples:
        return UNKNOWN
    twa = samples["twa_deg"].to_numpy(dtype=float)
    tack = np.array([finite_mean(np.sign(twa[p.part])) for p in pieces])
    value = np.array([finite_mean(rudder[p.part]) for p in pieces])
    seconds = np.array([(p.part.stop - p.part.start) / grid_hz for p in pieces])
    upwind = np.array([p.point == "upwind" for p in pieces])
    means, variances, used = [], [], np.zeros(len(pieces), dtype=bool)
    for side in (upwind & (tack > 0), upwind & (tack <= 0)):
        weight = seconds[side]
        if weight.sum() < 300.0 or weight.size < 2:
            return UNKNOWN
        mean = float(np.sum(weight * value[side]) / weight.sum())
        spread = float(np.sum(weight * (value[side] - mean) ** 2) / weight.sum())
        means.append(mean)
        variances.append(max(spread, 0.2**2) / (weight.size - 1))
        used |= side
    half = 2.0 * 0.5 * float(np.sqrt(sum(variances)))
    centre = 0.5 * sum(means)
    return Estimate(centre, centre - half, centre + half, int(used.sum()),
                    float(seconds[used].sum()))


def _with_activity(windows: pd.DataFrame) -> pd.DataFrame:
    out = windows.copy()
    out["stretch"] = stretch_ids(out)
    # A minute is too short to know a sea or a breeze by: its own chance swing would be taken for a
    # change of sea that the helm did not answer. Conditions are means over several minutes.
    names = ["roll_var", "pitch_var", "yaw_var", "push_var", "gust_var"]
    slow = out.groupby("stretch")[names].transform(
        lambda v: v.rolling(CONDITION_WINDOWS, center=True, min_periods=1).mean())
    for name in ("roll", "pitch", "yaw"):
        out[f"{name}_rate_rms_deg_s"] = np.sqrt(slow[f"{name}_var"])
    out["gust_kn"] = np.sqrt(slow["gust_var"])
    out["wave_push_deg"] = np.sqrt(slow["push_var"])
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
