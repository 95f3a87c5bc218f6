"""How a helm works: leads or follows, corrects twice, steers by wind or by compass.

And how the boat answers her rudder.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, cosd, sind, unwrap
from sailanalysis.core.model import Boat
from sailanalysis.core.series import epoch_s, runs
from sailanalysis.core.stats import MEDIAN_SE, UNKNOWN, Z95, Estimate, finite_mean
from sailanalysis.core.units import KN_TO_MS
from sailanalysis.helm.steering import BAND_HZ, low_pass, slow_mean

if TYPE_CHECKING:
    from sailanalysis.helm.windows import Track

BLOCK_S: Final = 60.0
LAG_S: Final = 6.0
INFER_BAND_HZ: Final = 0.12
"""An inferred rudder is kept to a helm's own band: higher up the waves turn the boat, not she."""
GUST_LAG_S: Final = 15.0
SECOND_SHARE: Final = 0.7
"""An excursion the other way of at least this share of the one before is a second correction."""
CORRECTION_DEG: Final = 1.0
SECOND_WITHIN_S: Final = 10.0

USUAL_K: Final = 1.0
USUAL_T: Final = 1.0
"""Nomoto's K and T made dimensionless by length and speed, near one for a yacht with a spade
rudder (order of magnitude, common practice)."""


@dataclass(frozen=True)
class Turning:
    """First-order turning response, ``T r' + r = K rudder``.

    Attributes
    ----------
    K_per_s, T_s : Estimate
        At ``stw_kn``; K grows with speed, T falls with it.
    stw_kn : float
    measured : bool
        False for the usual values of a boat of this length.
    """

    K_per_s: Estimate
    T_s: Estimate
    stw_kn: float
    measured: bool

    @classmethod
    def usual(cls, boat: Boat, stored: Mapping[str, float] | None = None) -> Turning:
        """Response of a boat of this length at 6 kn, from earlier days where they know it."""
        stored = stored or {}
        if {"K_per_s", "T_s", "stw_kn"} <= set(stored):
            k, t, v = stored["K_per_s"], stored["T_s"], stored["stw_kn"]
            return cls(Estimate(k, 0.7 * k, 1.4 * k), Estimate(t, 0.7 * t, 1.4 * t), v, True)
        length = boat.lwl_m or boat.loa_m or 10.0
        v = 6.0 * KN_TO_MS
        k, t = USUAL_K * v / length, USUAL_T * length / v
        return cls(Estimate(k, k / 2, 2 * k), Estimate(t, t / 2, 2 * t), 6.0, False)


@dataclass(frozen=True)
class Response:
    """How one helm worked.

    Attributes
    ----------
    yaw_lag_s : Estimate
        Seconds by which the rudder answers the boat's turning; negative: her turning follows it.
    yaw_words : str
        ``leads`` (the rudder makes her turn), ``follows`` (it answers), ``moves with`` or ``""``
        (cannot be told).
    gust_lag_s : Estimate
        Seconds by which the rudder's help against luffing follows a gust.
    over_correction : Estimate
        Share of corrections that needed another of like size the other way.
    steadier : str
        ``wind``, ``compass`` or ``""`` (cannot be told).
    wind_over_compass : Estimate
        Sd of the wind angle over sd of the heading, at 20-240 s.
    """

    yaw_lag_s: Estimate = UNKNOWN
    yaw_words: str = ""
    gust_lag_s: Estimate = UNKNOWN
    over_correction: Estimate = UNKNOWN
    steadier: str = ""
    wind_over_compass: Estimate = UNKNOWN


def cross_lag_s(first: list[Floats], second: list[Floats], rate_hz: float, reach_s: float,
                seed: int = 0) -> tuple[Estimate, float]:
    """Lag at which ``second`` follows ``first`` most alike, with its bootstrap interval.

    Parameters
    ----------
    first, second : list of ndarray
        Blocks of equal length, zero mean.
    rate_hz : float
    reach_s : float
        Largest lag either way.
    seed : int

    Returns
    -------
    Estimate
        Positive: ``second`` is later. UNKNOWN for fewer than five blocks or where the peak is not
        above zero.
    float
        Correlation at the peak.
    """
    if len(first) < 5:
        return UNKNOWN, float("nan")
    a, b = np.array(first), np.array(second)
    n = a.shape[1]
    size = 1 << int(np.ceil(np.log2(2 * n)))
    cross = np.fft.irfft(np.conj(np.fft.rfft(a, size, axis=1)) * np.fft.rfft(b, size, axis=1),
                         size, axis=1)
    reach = round(reach_s * rate_hz)
    cross = np.concatenate([cross[:, size - reach:], cross[:, :reach + 1]], axis=1)
    power = np.sqrt(float(np.sum(a * a)) * float(np.sum(b * b)))
    if power <= 0:
        return UNKNOWN, float("nan")
    mean = cross.sum(axis=0)
    peak = int(np.argmax(mean))
    rng = np.random.default_rng(seed)
    weight = rng.multinomial(len(first), np.full(len(first), 1 / len(first)), size=300)
    drawn = weight @ cross
    low, high = np.percentile(_peak_lag(drawn, reach) / rate_hz, [2.5, 97.5])
    strength = np.percentile(drawn[:, peak], 2.5)
    # A peak that wanders over a quarter of the range, or sits at its edge, is no answer.
    if strength <= 0 or peak in (0, 2 * reach) or high - low > 0.5 * reach_s:
        return UNKNOWN, float(mean[peak] / power)
    value = float(_peak_lag(mean[None, :], reach)[0]) / rate_hz
    return (Estimate(value, float(low), float(high), len(first), len(first) * n / rate_hz),
            float(mean[peak] / power))


def _peak_lag(curves: Floats, reach: int) -> Floats:
    """Lag of each curve's peak in samples, between samples by a parabola."""
    top = np.clip(np.argmax(curves, axis=1), 1, curves.shape[1] - 2)
    row = np.arange(len(curves))
    left, mid, right = (curves[row, top + k] for k in (-1, 0, 1))
    bend = left - 2 * mid + right
    shift = np.divide(0.5 * (left - right), bend, out=np.zeros(len(curves)), where=bend < 0)
    return np.asarray(top - reach + np.clip(shift, -0.5, 0.5), dtype=float)


def _leads_or_follows(yaw: list[Floats], against: list[Floats], rate_hz: float
                      ) -> tuple[Estimate, str]:
    """Whether the rudder answers the boat's turning or makes it, and by how many seconds.

    Rudder against the turn, later: an answer. Rudder with the turn, earlier: it is what turned her.
    The stronger of the two correlations is taken; neither within a tenth of the other is.
    """
    answer, a = cross_lag_s(yaw, against, rate_hz, LAG_S)
    drive, d = cross_lag_s(yaw, [-x for x in against], rate_hz, LAG_S)
    a = a if answer.known else 0.0
    d = d if drive.known and drive.high < 0 else 0.0
    if a > 1.1 * d:
        return answer, "follows" if answer.low > 0 else "leads" if answer.high < 0 else "moves with"
    return (drive, "leads") if d > 1.1 * a else (UNKNOWN, "")


def over_correction(deviation: list[Floats], rate_hz: float) -> Estimate:
    """Share of corrections followed by another of like size the other way.

    A correction is an excursion of the rudder beyond one degree from its slow mean; a second one
    begins as it ends and reaches at least 70 % of it within ten seconds.
    """
    tries, seconds, total = 0, 0, 0.0
    for x in deviation:
        total += x.size / rate_hz
        cuts = np.flatnonzero(np.diff(np.signbit(x).astype(np.int8))) + 1
        if cuts.size < 2:
            continue
        peak = np.maximum.reduceat(np.abs(x), cuts)
        length = np.diff(np.append(cuts, x.size)) / rate_hz
        made = peak[:-1] > CORRECTION_DEG
        again = (peak[1:] >= SECOND_SHARE * peak[:-1]) & (length[1:] <= SECOND_WITHIN_S)
        tries += int(made.sum())
        seconds += int((made & again).sum())
    if tries < 20:
        return UNKNOWN
    # Wilson's interval at half the count: neighbouring corrections are not independent.
    share, n, z = seconds / tries, tries / 2, Z95
    centre = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z * np.sqrt(share * (1 - share) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    return Estimate(share, float(centre - half), float(centre + half), tries, total)


def wind_or_compass(wind_angle: list[Floats], heading: list[Floats], rate_hz: float
                    ) -> tuple[Estimate, str]:
    """Which is kept steadier, wind angle or heading, over 20 s to 4 min.

    Quicker changes of the wind at the masthead are turbulence that nobody steers by.

    Returns
    -------
    Estimate
        Ratio of standard deviations, wind angle over heading.
    str
        ``wind`` when the interval lies below 1, ``compass`` above, else ``""``.
    """
    ratios = []
    n = round(240.0 * rate_hz)
    t = np.linspace(-1.0, 1.0, n)
    for wind, course in zip(wind_angle, heading, strict=True):
        for a in range(0, wind.size - n + 1, n):
            pair = []
            for x in (wind[a:a + n], course[a:a + n]):
                x = slow_mean(x, rate_hz, 20.0)
                x = x - x.mean()
                pair.append(float(np.std(x - t * (t @ x) / (t @ t))))
            if min(pair) > 0.05:
                ratios.append(np.log(pair[0] / pair[1]))
    if len(ratios) < 5:
        return UNKNOWN, ""
    mean = float(np.mean(ratios))
    half = 2.1 * float(np.std(ratios, ddof=1)) / np.sqrt(len(ratios))
    estimate = Estimate(float(np.exp(mean)), float(np.exp(mean - half)), float(np.exp(mean + half)),
                        len(ratios), 240.0 * len(ratios))
    return estimate, "wind" if mean + half < 0 else "compass" if mean - half > 0 else ""


def helm_response(samples: pd.DataFrame, tracks: list[Track], band: tuple[float, float]
                  ) -> Response:
    """Measure how one helm works from all their pieces.

    Parameters
    ----------
    samples : DataFrame
    tracks : list of Track
    band : tuple of float
        The waves' band, Hz; corrections are judged below it.
    """
    if not tracks or tracks[0].rate_hz < 0.9:
        return Response()
    rate = tracks[0].rate_hz
    thin = max(1, int(rate // 4))
    pace = rate / thin
    n = round(BLOCK_S * pace)
    below = 0.8 * band[0] if np.isfinite(band[0]) else 0.12
    slow = [low_pass(track.deviation_deg, rate, min(max(below, 0.06), BAND_HZ))
            for track in tracks]
    yaw, rudder, gust, helped, winds, courses = [], [], [], [], [], []
    for track in tracks:
        heading = track.heading_deg
        whole = bool(np.isfinite(heading).all())
        if whole:
            turn = low_pass(np.gradient(heading) * rate, rate, BAND_HZ)
            turn = turn - slow_mean(turn, rate)
            answer = -low_pass(track.deviation_deg, rate, BAND_HZ)
            yaw += _blocks(turn[::thin], answer.size, n, thin)
            rudder += _blocks(answer[::thin], turn.size, n, thin)
        wind = _wind_on(samples, track)
        if wind is None:
            continue
        tws, twa = wind
        if whole:
            winds.append(twa[::thin])
            courses.append(heading[::thin])
        if track.piece.point in ("upwind", "reach"):
            puff = slow_mean(tws, rate, 3.0)
            puff = puff - slow_mean(puff, rate)
            aid = slow_mean(-track.deviation_deg, rate, 3.0) * np.sign(np.median(twa))
            gust += _blocks(puff[::thin], aid.size, n, thin)
            helped += _blocks(aid[::thin], puff.size, n, thin)
    lag, words = _leads_or_follows(yaw, rudder, pace)
    gust_lag, _ = cross_lag_s(gust, helped, pace, GUST_LAG_S)
    ratio, steadier = wind_or_compass(winds, courses, pace)
    return Response(lag, words, gust_lag, over_correction(slow, rate), steadier, ratio)


def _blocks(value: Floats, other_size: int, n: int, thin: int) -> list[Floats]:
    """Whole blocks of ``n`` about their mean, as far as a second series of that size reaches."""
    last = min(value.size, -(-other_size // thin)) - n + 1
    return [value[a:a + n] - value[a:a + n].mean() for a in range(0, last, n)]


def _wind_on(samples: pd.DataFrame, track: Track) -> tuple[Floats, Floats] | None:
    """True wind speed and unwrapped angle on a track's own clock; None where it has holes."""
    if "tws_kn" not in samples or "twa_deg" not in samples:
        return None
    part, size = track.piece.part, track.deviation_deg.size
    stride = round((part.stop - part.start) / size)
    tws = samples["tws_kn"].to_numpy(dtype=float)[part][::stride][:size]
    twa = unwrap(samples["twa_deg"].to_numpy(dtype=float)[part])[::stride][:size]
    return (tws, twa) if np.isfinite(tws).all() and np.isfinite(twa).all() else None


def _of_one_turn(time: Floats, heading: Floats, rudder: Floats) -> tuple[float, float] | None:
    """K and T of one maneuver; None where rudder or heading cannot tell them."""
    if time.size < 12 or not np.isfinite(heading).all() or not np.isfinite(rudder).all():
        return None
    if np.ptp(rudder) < 8.0 or np.max(np.diff(time)) > 1.5:
        return None
    psi = unwrap(heading)
    rate = slow_mean(np.gradient(psi, time), 1.0 / float(np.median(np.diff(time))), 1.0)
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (rudder[1:] + rudder[:-1]) * np.diff(time))])
    design = np.column_stack([turned, time - time[0], -(rate - rate[0])])
    solution, *_ = np.linalg.lstsq(design, psi - psi[0], rcond=None)
    k, lag = float(solution[0]), float(solution[2])
    return (k, lag) if 0.02 < k < 5.0 and 0.05 < lag < 30.0 else None


def estimate_turning(samples: pd.DataFrame, maneuvers: pd.DataFrame, rudder_deg: Floats
                     ) -> Turning | None:
    """The boat's turning response from her maneuvers, where the rudder outweighs the waves.

    The once-integrated equation ``heading change = K * integral of rudder + c t - T * change of
    rate`` is linear in K, T and the rudder that holds her straight (c), and needs no second
    derivative. One fit a maneuver; the median of at least four with the interval of their spread.
    """
    if maneuvers.empty or "hdg_deg" not in samples or "stw_kn" not in samples:
        return None
    time = epoch_s(samples.index)
    heading = samples["hdg_deg"].to_numpy(dtype=float)
    speed = samples["stw_kn"].to_numpy(dtype=float)
    turns = []
    for start, end in zip(epoch_s(maneuvers["start"]), epoch_s(maneuvers["end"]), strict=True):
        part = slice(*np.searchsorted(time, [start - 3.0, min(end, start + 30.0)]))
        turn = _of_one_turn(time[part], heading[part], rudder_deg[part])
        if turn is not None:
            turns.append((*turn, finite_mean(speed[part])))
    if len(turns) < 4:
        return None
    table = np.array(turns)
    half = MEDIAN_SE * 2.0 * table.std(axis=0, ddof=1) / np.sqrt(len(turns))
    k, lag, stw = np.median(table, axis=0)
    return Turning(Estimate(float(k), float(k - half[0]), float(k + half[0]), len(turns)),
                   Estimate(float(lag), float(lag - half[1]), float(lag + half[1]), len(turns)),
                   float(stw), True)


def infer_rudder(samples: pd.DataFrame, turning: Turning, grid_hz: float) -> Floats:
    """Rudder that would have made the boat turn as she did, degrees; waves' yaw included.

    Parameters
    ----------
    samples : DataFrame
        ``rate_of_turn_deg_s`` or ``hdg_deg``.
    turning : Turning
    grid_hz : float

    Returns
    -------
    ndarray, shape (n,)
        Below ``INFER_BAND_HZ`` only; NaN where unknown.
    """
    n = len(samples)
    out = np.full(n, np.nan)
    time = epoch_s(samples.index)
    heading = samples["hdg_deg"].to_numpy(dtype=float) if "hdg_deg" in samples else out
    if not np.isfinite(heading).any():
        turn = samples["rate_of_turn_deg_s"].to_numpy(dtype=float)
        heading = np.cumsum(np.nan_to_num(turn)) / grid_hz
        heading = np.where(np.isfinite(turn), heading, np.nan)
    k, lag = turning.K_per_s.value, turning.T_s.value
    for run in runs(time):
        x, y = sind(heading[run]), cosd(heading[run])
        good = np.isfinite(x)
        if good.sum() < max(10, 0.5 * good.size):
            continue
        at = np.arange(x.size)
        x, y = np.interp(at, at[good], x[good]), np.interp(at, at[good], y[good])
        psi = np.degrees(np.unwrap(np.arctan2(x, y)))
        psi = low_pass(psi - psi[0], grid_hz, min(INFER_BAND_HZ, 0.45 * grid_hz))
        rate = np.gradient(psi) * grid_hz if psi.size > 2 else np.zeros(psi.size)
        bend = np.gradient(rate) * grid_hz if psi.size > 2 else rate
        out[run] = np.where(good, (lag * bend + rate) / k, np.nan)
    return out
