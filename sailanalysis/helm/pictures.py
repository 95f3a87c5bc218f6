"""What the report draws of a day's steering: spectra, calm and busy minutes, helm by heel, drag."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.stats import UNKNOWN, Estimate
from sailanalysis.helm.steering import MIN_RATE_HZ, power_spectrum
from sailanalysis.helm.windows import Piece, Track, fill_short

TRACE_S: Final = 300.0
SHORTEST_TRACE_S: Final = 100.0


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


def wave_band(samples: pd.DataFrame, pieces: list[Piece], rates: dict[str, float],
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


def rudder_spectra(tracks: list[Track], band: tuple[float, float], noise: float
                   ) -> dict[str, Spectrum]:
    """Spectrum of each helm's rudder, with its shares below and inside the waves' band."""
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


def calm_and_busy(windows: pd.DataFrame, tracks: list[Track]
                   ) -> tuple[dict[str, Trace], dict[str, Trace]]:
    """Each helm's quietest and busiest five minutes for the conditions."""
    calm: dict[str, Trace] = {}
    busy: dict[str, Trace] = {}
    known = windows[windows["residual"].notna()]
    for helm, mine in known.groupby("helm"):
        spans: list[_Span] = []
        for number, group in mine.groupby("piece"):
            spans += _spans(tracks[int(str(number))], group)
        if spans:
            spans.sort(key=lambda span: span.residual)
            quiet = spans[0]
            calm[str(helm)] = quiet.trace(str(helm))
            apart = [span for span in spans
                     if span.start_s >= quiet.end_s or span.end_s <= quiet.start_s]
            if apart:
                busy[str(helm)] = apart[-1].trace(str(helm))
    return calm, busy


@dataclass(frozen=True)
class _Span:
    """Some five minutes of one piece, not yet drawn."""

    track: Track
    begin_s: float
    residual: float
    rudder_rms_deg: float
    reversals_per_min: float

    @property
    def part(self) -> slice:
        """Samples of the track."""
        first = int(self.begin_s * self.track.rate_hz)
        return slice(first, min(first + int(TRACE_S * self.track.rate_hz),
                                self.track.rudder_deg.size))

    @property
    def start_s(self) -> float:
        """Seconds since 1970."""
        return self.track.start_s + self.begin_s

    @property
    def end_s(self) -> float:
        """Seconds since 1970, of the last sample."""
        samples: int = self.part.stop - self.part.start
        return self.start_s + (samples - 1) / self.track.rate_hz

    def trace(self, helm: str) -> Trace:
        """The samples themselves."""
        track, part = self.track, self.part
        rudder, heading = track.rudder_deg[part], track.heading_deg[part]
        return Trace(helm, track.piece.point, self.start_s,
                     np.arange(rudder.size) / track.rate_hz, rudder - rudder.mean(),
                     heading - np.nanmean(heading) if np.isfinite(heading).any() else heading,
                     self.rudder_rms_deg, self.reversals_per_min)


def _spans(track: Track, windows: pd.DataFrame) -> list[_Span]:
    """Five minutes from each window of one piece on."""
    start, end, residual, square, turned = (windows[name].to_numpy() for name in (
        "start_s", "end_s", "residual", "rudder_var", "reversals"))
    start, end = start - track.start_s, end - track.start_s
    found = []
    for begin in start:
        inside = (start >= begin) & (end <= begin + TRACE_S + 30.0)
        span = end[inside].max() - begin if inside.any() else 0.0
        if span >= SHORTEST_TRACE_S:
            found.append(_Span(track, float(begin), float(residual[inside].mean()),
                               float(np.sqrt(square[inside].mean())),
                               float(turned[inside].sum() / (span / 60.0))))
    return found


def weather_helm_by_heel(windows: pd.DataFrame) -> pd.DataFrame:
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


def drag_from_day(windows: pd.DataFrame) -> tuple[Estimate, str]:
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


