"""Wind from the track alone: a boat that beats or runs shows where the wind was.

A tack or gybe turns a boat from one course to its mirror image about the wind. If she sails
alike on both sides (same angle, same speed through the water), the *difference* of her velocities
after and before is square to the wind, whatever current carries the water: the current is in both
and drops out. Several such turns to both sides that agree on one axis are a wind; one reach out
and back, a passage or a boat at her mooring are not. Which end of the axis the wind blows from is
told by what the turn cost: a tack stops a boat far more than a gybe.

What both velocities share across the wind is current: less that, the track shows on which side of
the wind she sails even where a tide sets her over to the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, wrap180, wrap360
from sailanalysis.core.errors import Finding
from sailanalysis.core.series import epoch_s, running_median, true_stretches
from sailanalysis.core.showing import one_line, small_html
from sailanalysis.core.stats import Z95
from sailanalysis.wind.track_ends import ENOUGH_EVIDENCE, in_a_stream, seconds_near, upwind_evidence
from sailanalysis.wind.track_turns import even, track_turns

MIN_TURNS = 4
"""Fewer agreeing turns can be chance."""
UNLIKE_DEG = 10.0
"""A boat tacks through much the same angle each time, a turning tide allowed for; bends of a
river or rounds from buoy to buoy are of any angle."""
AXIS_SD_DEG = 5.0
"""Scatter of one turn's axis: helming, and a shift between the legs."""
SIDES_SHARE = 0.05
"""Speeds of the two sides differ by this much: the less she turned, the more it turns the axis."""
SIDES_SD_DEG = 2.0
"""What 5 % between the speeds of the two sides turns every axis by, the same way all day."""
SHIFT_SD_DEG = 7.0
SHIFT_S = 3600.0
"""How the wind direction wanders over an hour (common practice); the interval grows by it."""
UNKNOWN_SD_DEG = 12.0
"""Where the direction is no better known than this, it is left unknown."""
STREAM_SD_KN = 1.5
"""Tidal streams of 0-3 kn are what boats sail in (common practice)."""
EDDY_SD_KN = 0.5
EDDY_S = 3600.0
"""How the stream changes within an hour: with the tide, and as she sails in and out of it."""
ALIKE_SHARE = 0.06
"""Scatter of one turn's shared velocity as a share of her speed: 5 % between the speeds and 5 deg
between the angles of the two sides."""
LOW_WAY = 0.5
"""Below this share of her usual speed she is carrying her way off or gathering it, ahead or
astern: drawing sails give more, and a course made good says little of where the bow points."""
STERNWAY_S = 15.0
"""Sooner than this no boat comes from a beat through a run to the other beat (18 deg/s all the
way round): her stern went first, in a tack."""
USUAL_S = 120.0
"""Long against a turn, short against a lull."""
LEAST_KN = 0.5
"""A receiver's course is noise without way."""


@dataclass(frozen=True)
class TrackWind:
    """What the track says about the wind.

    Attributes
    ----------
    known : bool
    twd_deg, twd_low_deg, twd_high_deg : float
        Middle of the day's wind directions and the 95 % interval of that; NaN where not known.
    turns : DataFrame
        Every turn looked at: ``time, turn_deg, axis_deg, speed_kn, lost_share, agrees, kind``
        (``tack``, ``gybe`` or ``""``).
    time_s, twd_along_deg, sd_along_deg : ndarray, shape (n,)
        Direction through the day and its standard deviation, on the samples' clock.
    across_along_kn : ndarray, shape (n,)
        What of the current runs across the wind, positive to the right of where it comes from:
        it is in the velocities on both sides. What runs along the wind stays unknown.
    why_not : str
        A sentence, where not known.
    """

    known: bool
    twd_deg: float
    twd_low_deg: float
    twd_high_deg: float
    turns: pd.DataFrame
    time_s: Floats
    twd_along_deg: Floats
    sd_along_deg: Floats
    across_along_kn: Floats
    why_not: str = ""

    def __repr__(self) -> str:
        return one_line("TrackWind", self._facts())

    def _repr_html_(self) -> str:
        return small_html("TrackWind", self._facts(), self.turns)

    def _facts(self) -> dict[str, object]:
        if not self.known:
            return {"known": False, "why_not": self.why_not}
        return {"twd_deg": self.twd_deg, "twd_low_deg": self.twd_low_deg,
                "twd_high_deg": self.twd_high_deg, "turns": len(self.turns)}


def wind_from_track(
    samples: pd.DataFrame,
) -> tuple[pd.DataFrame, str, TrackWind, list[Finding]]:
    """Estimate the wind direction from courses and speeds over ground.

    The angle off the wind is that of the velocity over ground less the current across the wind;
    where she has little way it is not known.

    Parameters
    ----------
    samples : DataFrame
        ``sog_kn`` and ``cog_deg`` are used (``hdg_deg`` for the angle, where there is one).

    Returns
    -------
    samples : DataFrame
        With ``twd_deg`` and ``twa_deg`` filled where the direction is known; else unchanged.
    wind_source : {"track", "none"}
    result : TrackWind
    findings : list of Finding
    """
    time = epoch_s(samples.index)
    result = find_track_wind(time, samples["sog_kn"].to_numpy(dtype=float),
                             samples["cog_deg"].to_numpy(dtype=float))
    if not result.known:
        return samples, "none", result, [Finding(
            "no-wind", f"The log has no usable wind, and the track does not tell it: "
            f"{result.why_not} Nothing here is judged by the wind.", channel="twd_deg")]
    out = samples.copy()
    twd = np.where(result.sd_along_deg <= UNKNOWN_SD_DEG, result.twd_along_deg, np.nan)
    bow = samples["hdg_deg"].to_numpy(dtype=float)
    course = _course_deg(result, samples["sog_kn"].to_numpy(dtype=float),
                         samples["cog_deg"].to_numpy(dtype=float))
    out["twd_deg"] = twd
    out["twa_deg"] = wrap180(twd - (bow if np.isfinite(bow).mean() >= 0.5 else course))
    half = 0.5 * float(wrap180(result.twd_high_deg - result.twd_low_deg))
    agreeing = int(result.turns["agrees"].sum())
    return out, "track", result, [Finding(
        "wind-from-track", f"There is no wind sensor; from {agreeing} tacks and gybes in the track "
        f"the true wind came from {result.twd_deg:.0f} deg, give or take {half:.0f} deg. Its speed "
        "is not known; angles to it are those of the track, less the current across the wind.",
        channel="twd_deg")]


def _course_deg(wind: TrackWind, sog_kn: Floats, cog_deg: Floats) -> Floats:
    """Course through the water as far as the track tells it; NaN without way."""
    right = np.exp(1j * np.radians(wind.twd_along_deg + 90.0))
    water = even(wind.time_s, sog_kn * np.exp(1j * np.radians(cog_deg))
                 - wind.across_along_kn * right)
    way = np.abs(water)
    low = way < np.fmax(LOW_WAY * running_median(wind.time_s, way, USUAL_S), LEAST_KN)
    course = np.where(low, np.nan, np.degrees(np.angle(water)))
    return np.where(_sternway(wind, course), np.nan, wrap360(course))


def _sternway(wind: TrackWind, course_deg: Floats) -> NDArray[np.bool_]:
    """Courses away from the wind that lie between two towards it and are soon over.

    She loses her way before and after; fixes some seconds apart may miss that, but then she comes
    out on the other side, as from a tack.
    """
    angle = wrap180(wind.twd_along_deg - course_deg)
    seen = np.flatnonzero(np.isfinite(angle))
    out = np.zeros(angle.shape, dtype=bool)
    for part in true_stretches(np.abs(angle[seen]) > 90.0):
        if part.start == 0 or part.stop == seen.size:
            continue
        before, first = seen[part.start - 1], seen[part.start]
        last, after = seen[part.stop - 1], seen[part.stop]
        lasted = wind.time_s[last] - wind.time_s[first]
        stopped = first - before > 1 and after - last > 1
        tacked = angle[before] * angle[after] < 0
        if lasted < (2.0 * STERNWAY_S if stopped else STERNWAY_S * tacked):
            out[first:last + 1] = True
    return out


def find_track_wind(time_s: Floats, sog_kn: Floats, cog_deg: Floats) -> TrackWind:
    """The estimate behind :func:`wind_from_track`, on plain arrays of shape (n,)."""
    time = np.asarray(time_s, dtype=float)
    velocity = np.asarray(sog_kn, dtype=float) * np.exp(1j * np.radians(cog_deg))
    turns = track_turns(time, velocity)
    candidates = turns[turns["mirror"]]
    if len(candidates) < MIN_TURNS:
        few = {0: "no turn", 1: "one turn"}.get(len(candidates), f"{len(candidates)} turns")
        return _unknown(time, turns, f"it shows {few} that could be a tack or gybe, and fewer than "
                        f"{MIN_TURNS} may be chance.")
    axis, agrees = _agreeing(candidates)
    good = candidates[agrees]
    if len(good) < MIN_TURNS or agrees.mean() < 0.5:
        return _unknown(time, turns, "its turns do not agree on one wind direction.")
    if not _both_ways(good, axis):
        return _unknown(time, turns, "nearly all its turns go the same way round.")
    if _sides_differ_deg(good, axis) > 12.0:
        return _unknown(time, turns, "its turns do not lead to and fro between two courses.")
    if _unlike_deg(good, axis) > UNLIKE_DEG:
        return _unknown(time, turns, "its turns are not through like angles, as tacks are.")
    if float(good["lost_share"].median()) < 0.05:
        return _unknown(time, turns, "its turns cost no speed, as tacks and gybes do.")
    turns = _with_small_turns(turns, good)
    if in_a_stream(turns[turns["agrees"]], axis):
        return _unknown(time, turns, "its turns lie about one axis, but at such slow speeds a "
                        "current hides whether they are tacks or gybes.")
    evidence = upwind_evidence(turns[turns["agrees"]], axis, seconds_near(time, velocity, axis))
    if abs(evidence) < ENOUGH_EVIDENCE:
        return _unknown(time, turns, "its turns lie about one axis, but whether they are tacks or "
                        "gybes cannot be told from what they cost.")
    if evidence < 0:
        axis = float(wrap360(axis + 180.0))
    return _through_the_day(time, turns, axis)


def _with_small_turns(turns: pd.DataFrame, good: pd.DataFrame) -> pd.DataFrame:
    """All turns, those marked that agree on the axis; now that it is known, deep gybes too."""
    double = np.exp(2j * np.radians(turns["middle_axis_deg"].to_numpy(dtype=float)))
    when = turns["time_s"].to_numpy(dtype=float)
    small = turns["small"].to_numpy(dtype=bool)
    agrees = turns.index.isin(good.index) | (small & (np.abs(_off_axis_deg(
        double, when, double[good.index], when[good.index])) < 20.0))
    return turns.assign(agrees=agrees)


def _through_the_day(time: Floats, turns: pd.DataFrame, axis: float) -> TrackWind:
    """Direction and current across it, drawn through the agreeing turns."""
    tack = np.abs(wrap180(turns["middle_deg"].to_numpy(dtype=float) - axis)) < 90.0
    turns = turns.assign(kind=np.where(turns["agrees"], np.where(tack, "tack", "gybe"), ""))
    good = turns[turns["agrees"]]
    when = good["time_s"].to_numpy(dtype=float)
    tack = good["kind"].to_numpy() == "tack"
    off = wrap180(good["middle_axis_deg"].to_numpy(dtype=float) + np.where(tack, 0.0, 180.0) - axis)
    across = good["across_kn"].to_numpy(dtype=float) * np.where(tack, 1.0, -1.0)
    # Both change slowly: minutes are enough, straight lines between.
    knots = np.unique(np.concatenate([np.arange(time[0], time[-1], 60.0), time[-1:]]))
    half = np.radians(0.5 * np.abs(good["turn_deg"].to_numpy(dtype=float)))
    scatter = np.hypot(AXIS_SD_DEG, np.degrees(0.5 * SIDES_SHARE / np.tan(half)))
    wind = _krige(knots, when, off, scatter, (30.0, SHIFT_SD_DEG, SHIFT_S))
    stream = _krige(knots, when, across, ALIKE_SHARE * good["speed_kn"].to_numpy(dtype=float),
                    (STREAM_SD_KN, EDDY_SD_KN, EDDY_S))
    middle = float(wrap360(axis + wind.mean))
    half_deg = Z95 * float(np.hypot(wind.mean_sd, SIDES_SD_DEG))
    return TrackWind(
        True, middle, float(wrap360(middle - half_deg)), float(wrap360(middle + half_deg)),
        _shown(turns), time, wrap360(axis + np.interp(time, knots, wind.value)),
        np.hypot(np.interp(time, knots, wind.sd), SIDES_SD_DEG),
        np.interp(time, knots, stream.value))


def _unknown(time: Floats, turns: pd.DataFrame, why: str) -> TrackWind:
    nan = float("nan")
    empty = np.full(time.shape, np.nan)
    return TrackWind(False, nan, nan, nan, _shown(turns.assign(agrees=False, kind="")), time,
                     empty, empty, empty, why)


def _shown(turns: pd.DataFrame) -> pd.DataFrame:
    """The public columns."""
    from sailanalysis.core.series import utc_index

    out = turns.rename(columns={"middle_axis_deg": "axis_deg"})
    out = out.assign(time=utc_index(out["time_s"].to_numpy(dtype=float)))
    return out[["time", "turn_deg", "axis_deg", "speed_kn", "lost_share", "agrees",
                "kind"]].reset_index(drop=True)


def _agreeing(turns: pd.DataFrame) -> tuple[float, np.ndarray]:
    """The common axis and which turns agree with it, a slow veer allowed for."""
    axis = turns["middle_axis_deg"].to_numpy(dtype=float)
    when = turns["time_s"].to_numpy(dtype=float)
    double = np.exp(2j * np.radians(axis))
    trial = np.exp(2j * np.radians(np.arange(0.0, 180.0, 3.0)))
    off = np.degrees(np.angle(double[None, :] * trial.conj()[:, None])) / 2.0
    best = int(np.argmax(np.sum(np.exp(-0.5 * (off / 12.0) ** 2), axis=1)))
    agrees = np.abs(off[best]) < 25.0
    for _ in range(5):
        if agrees.sum() < 2:
            break
        agrees = np.abs(_off_axis_deg(double, when, double[agrees], when[agrees])) < 20.0
    total = np.sum(double[agrees]) if agrees.any() else trial[best]
    return float(wrap360(np.degrees(np.angle(total)) / 2.0)), agrees


def _off_axis_deg(double: np.ndarray, when: Floats, others: np.ndarray,
                  others_when: Floats) -> Floats:
    """Each axis less the local one: others within about three quarters of an hour say most."""
    weight = np.exp(-0.5 * ((when[:, None] - others_when[None, :]) / 2700.0) ** 2) + 0.02
    return np.asarray(np.degrees(np.angle(double * (weight @ others).conj())) / 2.0, dtype=float)


def _both_ways(turns: pd.DataFrame, axis_deg: float) -> bool:
    """Whether a fifth of the turns go the other way round, of all or of those at one end.

    Round a course with the marks to one hand she turns mostly to that hand, but not on the beat.
    """
    right = turns["turn_deg"].to_numpy(dtype=float) > 0
    here = np.abs(wrap180(turns["middle_deg"].to_numpy(dtype=float) - axis_deg)) < 90.0
    shares = [right.mean(), *(right[end].mean() for end in (here, ~here) if end.sum() >= MIN_TURNS)]
    return any(0.2 <= share <= 0.8 for share in shares)


def _sides_differ_deg(turns: pd.DataFrame, axis_deg: float) -> float:
    """Angle, less its standard error, between the axes of the turns to the left and to the right.

    To and fro between the same two velocities, the difference is the same but for its sign, and
    so is the axis, whatever the current. Course changes that only look alike do not lead back.
    """
    off = wrap180(2.0 * (turns["middle_axis_deg"].to_numpy(dtype=float) - axis_deg)) / 2.0
    right = turns["turn_deg"].to_numpy(dtype=float) > 0
    sides = off[right], off[~right]
    error = np.sqrt(sum(max(np.std(side), AXIS_SD_DEG) ** 2 / side.size for side in sides))
    return float(abs(np.mean(sides[0]) - np.mean(sides[1])) - error)


def _unlike_deg(turns: pd.DataFrame, axis_deg: float) -> float:
    """How far the turns' angles usually lie from the middle one at their end of the axis."""
    size = np.abs(turns["turn_deg"].to_numpy(dtype=float))
    here = np.abs(wrap180(turns["middle_deg"].to_numpy(dtype=float) - axis_deg)) < 90.0
    off = [np.abs(size[end] - np.median(size[end])) for end in (here, ~here) if end.any()]
    return float(np.median(np.concatenate(off)))


@dataclass(frozen=True)
class _Drawn:
    """A slow quantity at the knots and its mean over them, with standard deviations."""

    value: Floats
    sd: Floats
    mean: float
    mean_sd: float


def _krige(knots: Floats, when: Floats, value: Floats, noise: Floats,
           wander: tuple[float, float, float]) -> _Drawn:
    """Draw a slow quantity through scattered values of it.

    ``wander`` holds the standard deviation of its level, that of its wandering, and the seconds in
    which it does. Values far off count for less, as if drawn from a Cauchy distribution.
    """
    level_sd, wander_sd, wander_s = wander

    def covariance(a: Floats, b: Floats) -> Floats:
        lag = np.abs(a[:, None] - b[None, :])
        return level_sd**2 + wander_sd**2 * np.exp(-lag / wander_s)

    between, variance = covariance(when, when), noise**2
    scale = variance
    for _ in range(4):
        inverse = np.linalg.inv(between + np.diag(variance))
        rest = value - between @ inverse @ value
        # The scatter may be more than was thought, never less.
        spread = max(1.0, float(np.median(np.abs(rest) / np.sqrt(scale))) / 0.67)
        variance = scale * spread**2 * (1.0 + rest**2 / (4.0 * spread**2 * scale))
    inverse = np.linalg.inv(between + np.diag(variance))
    cross = covariance(knots, when)
    gain = cross @ inverse
    sd = np.sqrt(np.maximum(level_sd**2 + wander_sd**2 - np.sum(gain * cross, axis=1), 0.0))
    middle = cross.mean(axis=0)
    some = knots[::max(1, knots.size // 500)]  # weeks of knots have no room in a matrix
    whole = covariance(some, some).mean() - middle @ inverse @ middle
    return _Drawn(gain @ value, sd, float((gain @ value).mean()), float(np.sqrt(max(whole, 0.0))))
