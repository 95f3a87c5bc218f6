"""Wind from the track alone: a boat that beats or runs shows where the wind was.

A tack or gybe turns a boat from one course to its mirror image about the wind. If she sails
alike on both sides (same angle, same speed through the water), the *difference* of her velocities
after and before is square to the wind, whatever current carries the water: the current is in both
and drops out. Several such turns to both sides that agree on one axis are a wind; one reach out
and back, a passage or a boat at her mooring are not. Which end of the axis the wind blows from is
told by what the turn cost: a tack stops a boat far more than a gybe.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sailanalysis.angles import Floats, arctan2d, cosd, sind, wrap180, wrap360
from sailanalysis.errors import Finding
from sailanalysis.series import epoch_s, running_mean, runs, step_s

MIN_TURN_DEG = 45.0
MAX_TURN_DEG = 160.0
"""Smaller turns are course changes, larger ones rounding or turning back: no mirror images."""
BEFORE_S = (75.0, 15.0)
AFTER_S = (15.0, 75.0)
"""Windows about an instant that are compared to find turns."""
LEG_S = 240.0
"""Longest stretch before and after a turn that is averaged."""
SETTLE_S = 30.0
"""After a turn she builds speed: left out of the average where the leg is long enough."""
MIN_SPEED_KN = 1.0
MIN_TURNS = 4
"""Fewer agreeing turns can be chance."""
AXIS_SD_DEG = 5.0
"""Scatter of one turn's axis: 5 % between the speeds of the two sides is 2 deg, helming and a
shift between the legs the rest."""
SHIFT_SD_DEG = 7.0
SHIFT_S = 3600.0
"""How the wind direction wanders over an hour (common practice); the interval grows by it."""
UNKNOWN_SD_DEG = 12.0
"""Where the direction is no better known than this, it is left unknown."""


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
    why_not: str = ""


def wind_from_track(
    samples: pd.DataFrame,
) -> tuple[pd.DataFrame, str, TrackWind, list[Finding]]:
    """Estimate the wind direction from courses and speeds over ground.

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
    bow = np.where(np.isfinite(bow), bow, samples["cog_deg"].to_numpy(dtype=float))
    out["twd_deg"] = twd
    out["twa_deg"] = wrap180(twd - bow)
    half = 0.5 * float(wrap180(result.twd_high_deg - result.twd_low_deg))
    agreeing = int(result.turns["agrees"].sum())
    return out, "track", result, [Finding(
        "wind-from-track", f"There is no wind sensor; from {agreeing} tacks and gybes in the track "
        f"the true wind came from {result.twd_deg:.0f} deg, give or take {half:.0f} deg. Its speed "
        "is not known.", channel="twd_deg")]


def find_track_wind(time_s: Floats, sog_kn: Floats, cog_deg: Floats) -> TrackWind:
    """The estimate behind :func:`wind_from_track`, on plain arrays of shape (n,)."""
    time = np.asarray(time_s, dtype=float)
    turns = _turns(time, np.asarray(sog_kn, dtype=float), np.asarray(cog_deg, dtype=float))
    candidates = turns[turns["mirror"]]
    if len(candidates) < MIN_TURNS:
        few = {0: "no turn", 1: "one turn"}.get(len(candidates), f"{len(candidates)} turns")
        return _unknown(time, turns, f"it shows {few} that could be a tack or gybe, and fewer than "
                        f"{MIN_TURNS} may be chance.")
    axis, agrees = _agreeing(candidates)
    good = candidates[agrees]
    if len(good) < MIN_TURNS or agrees.mean() < 0.5:
        return _unknown(time, turns, "its turns do not agree on one wind direction.")
    right = float(np.mean(good["turn_deg"] > 0))
    if min(right, 1.0 - right) < 0.2:
        return _unknown(time, turns, "nearly all its turns go the same way round.")
    if _sides_differ_deg(good) > 12.0:
        return _unknown(time, turns, "its turns do not lead to and fro between two courses.")
    if float(good["lost_share"].median()) < 0.05:
        return _unknown(time, turns, "its turns cost no speed, as tacks and gybes do.")
    evidence = _upwind_evidence(good, axis, _seconds_near(time, sog_kn, cog_deg, axis))
    if abs(evidence) < 2.5:
        return _unknown(time, turns, "its turns lie about one axis, but whether they are tacks or "
                        "gybes cannot be told from what they cost.")
    if evidence < 0:
        axis = float(wrap360(axis + 180.0))
    toward = np.abs(wrap180(good["middle_deg"].to_numpy() - axis)) < 90.0
    each = np.where(toward, good["middle_axis_deg"], wrap360(good["middle_axis_deg"] + 180.0))
    along, sd = _smooth(time, good["time_s"].to_numpy(), each, axis)
    turns = turns.assign(agrees=False, kind="")
    turns.loc[good.index, "agrees"] = True
    turns.loc[good.index, "kind"] = np.where(toward, "tack", "gybe")
    off = wrap180(each - axis)
    middle = float(wrap360(axis + np.mean(off)))
    scatter = max(float(np.std(off, ddof=1)), AXIS_SD_DEG)
    half = 1.96 * scatter / np.sqrt(len(good))
    return TrackWind(True, middle, float(wrap360(middle - half)), float(wrap360(middle + half)),
                     _shown(turns), time, along, sd)


def _unknown(time: Floats, turns: pd.DataFrame, why: str) -> TrackWind:
    nan = float("nan")
    empty = np.full(time.shape, np.nan)
    return TrackWind(False, nan, nan, nan, _shown(turns.assign(agrees=False, kind="")), time,
                     empty, empty, why)


def _shown(turns: pd.DataFrame) -> pd.DataFrame:
    """The public columns."""
    from sailanalysis.series import utc_index

    out = turns.rename(columns={"middle_axis_deg": "axis_deg"})
    out = out.assign(time=utc_index(out["time_s"].to_numpy(dtype=float)))
    return out[["time", "turn_deg", "axis_deg", "speed_kn", "lost_share", "agrees",
                "kind"]].reset_index(drop=True)


_COLUMNS = ["time_s", "turn_deg", "middle_deg", "middle_axis_deg", "speed_kn", "lost_share",
            "mirror"]


def _turns(time: Floats, sog: Floats, cog: Floats) -> pd.DataFrame:
    """All turns of a moving boat from one steady course to another."""
    rows: list[dict[str, float | bool]] = []
    north, east = sog * cosd(cog), sog * sind(cog)
    for run in runs(time, max_gap_s=max(2.5 * step_s(time), 20.0) if time.size > 1 else 1.0):
        if time[run].size > 10:
            rows += _turns_of_run(time[run], north[run], east[run])
    return pd.DataFrame(rows, columns=_COLUMNS)


class _Means:
    """Means of velocity over any window of one run, from prefix sums."""

    def __init__(self, time: Floats, north: Floats, east: Floats) -> None:
        good = np.isfinite(north) & np.isfinite(east)
        self.time, v = time[good], north[good] + 1j * east[good]
        self.velocity = v
        self._sum = np.concatenate([[0], np.cumsum(v)])
        # Unit vectors: how steady the course was.
        unit = v / np.maximum(np.abs(v), 1e-6)
        self._unit = np.concatenate([[0], np.cumsum(unit)])

    def over(self, start: Floats, end: Floats) -> tuple[np.ndarray, Floats, np.ndarray]:
        """Mean velocity, steadiness (0-1) and count in [start, end]."""
        lo, hi = np.searchsorted(self.time, start), np.searchsorted(self.time, end, side="right")
        count = np.maximum(hi - lo, 0)
        safe = np.maximum(count, 1)
        return ((self._sum[hi] - self._sum[lo]) / safe,
                np.abs(self._unit[hi] - self._unit[lo]) / safe, count)


def _turns_of_run(time: Floats, north: Floats, east: Floats) -> list[dict[str, float | bool]]:
    means = _Means(time, north, east)
    if means.time.size < 10:
        return []
    at = np.arange(means.time[0] + BEFORE_S[0], means.time[-1] - AFTER_S[1], 2.0)
    if at.size == 0:
        return []
    before, steady_before, n_before = means.over(at - BEFORE_S[0], at - BEFORE_S[1])
    after, steady_after, n_after = means.over(at + AFTER_S[0], at + AFTER_S[1])
    turn = np.degrees(np.angle(after * np.conj(before)))
    # 0.95 is a circular standard deviation of 18 deg: a course, not a wander.
    steady = (np.minimum(steady_before, steady_after) > 0.95) & (
        np.minimum(n_before, n_after) >= 3)
    moving = np.minimum(np.abs(before), np.abs(after)) > MIN_SPEED_KN
    size = np.where(steady & moving, np.abs(turn), 0.0)
    # The instant of a turn: where the courses a quarter minute apart on either side differ most
    # and both are steady; one for each minute.
    near_before, _, _ = means.over(at - 20.0, at - 5.0)
    near_after, _, _ = means.over(at + 5.0, at + 20.0)
    sharp = np.abs(np.angle(near_after * np.conj(near_before))) * (size > MIN_TURN_DEG)
    instants: list[float] = []
    order = np.argsort(-sharp, kind="stable")
    for i in order:
        if sharp[i] <= np.radians(20.0):
            break
        if all(abs(at[i] - other) > 60.0 for other in instants):
            instants.append(float(at[i]))
    instants.sort()
    edges = [means.time[0], *instants, means.time[-1]]
    return [_describe(means, t, edges[i], edges[i + 2]) for i, t in enumerate(instants)]


def _describe(
    means: _Means, t: float, previous: float, following: float
) -> dict[str, float | bool]:
    """One turn: mean velocities before and after, axis, cost."""
    start = max(t - LEG_S, previous + (SETTLE_S if t - previous > 90.0 else 10.0))
    end = min(t + LEG_S, following - 15.0)
    settle = SETTLE_S if end - t > 75.0 else 15.0
    (v1,), (s1,), _ = means.over(np.array([start]), np.array([t - 15.0]))
    (v2,), (s2,), _ = means.over(np.array([t + settle]), np.array([max(end, t + settle + 15.0)]))
    turn = float(np.degrees(np.angle(v2 * np.conj(v1))))
    middle = float(wrap360(np.degrees(np.angle(v1)) + 0.5 * turn))
    change = v2 - v1
    axis = float(wrap360(arctan2d(change.imag, change.real) + 90.0))
    if abs(float(wrap180(axis - middle))) > 90.0:
        axis = float(wrap360(axis + 180.0))
    speed = 0.5 * float(abs(v1) + abs(v2))
    lo, hi = np.searchsorted(means.time, [t - 20.0, t + 30.0])
    track = np.abs(means.velocity[lo:hi])
    slowest = float(np.min(running_mean(means.time[lo:hi], track, 6.0))) if track.size else speed
    ratio = float(abs(v2) / max(abs(v1), 1e-6))
    mirror = (MIN_TURN_DEG <= abs(turn) <= MAX_TURN_DEG and 0.45 < ratio < 2.2
              and min(s1, s2) > 0.9 and speed > MIN_SPEED_KN)
    return {"time_s": t, "turn_deg": turn, "middle_deg": middle, "middle_axis_deg": axis,
            "speed_kn": speed, "lost_share": float(np.clip(1.0 - slowest / max(speed, 1e-6), 0, 1)),
            "mirror": bool(mirror)}


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
        # A local axis: others within about three quarters of an hour say most.
        weight = np.exp(-0.5 * ((when[:, None] - when[None, agrees]) / 2700.0) ** 2) + 0.02
        local = weight @ double[agrees]
        agrees = np.abs(np.degrees(np.angle(double * local.conj()))) / 2.0 < 20.0
    total = np.sum(double[agrees]) if agrees.any() else trial[best]
    return float(wrap360(np.degrees(np.angle(total)) / 2.0)), agrees


def _sides_differ_deg(turns: pd.DataFrame) -> float:
    """Angle between the mean axes of the turns to the left and to the right.

    To and fro between the same two velocities, the difference is the same but for its sign, and
    so is the axis, whatever the current. Course changes that only look alike do not lead back.
    """
    double = np.exp(2j * np.radians(turns["middle_axis_deg"].to_numpy(dtype=float)))
    right = turns["turn_deg"].to_numpy(dtype=float) > 0
    apart = np.angle(np.sum(double[right]) * np.conj(np.sum(double[~right])), deg=True)
    return abs(float(apart)) / 2.0


def _upwind_evidence(turns: pd.DataFrame, axis: float, run_s: tuple[float, float]) -> float:
    """Log odds that the wind blows from ``axis`` rather than from the other end.

    Three things tell the ends apart (common practice, each capped so that none decides alone
    against the others): a tack costs a third of the speed or more, a gybe a sixth or less; tacks
    turn through a right angle or more, gybes mostly through less; and nobody sails for minutes
    within 25 deg of where the wind comes from, but one may of where it goes (a boat motoring home
    does, so this counts least). Turns of one boat are alike, so more of them do not count for
    more; the ends' medians are compared where there are turns at both.

    Parameters
    ----------
    turns : DataFrame
        The agreeing ones.
    axis : float
    run_s : tuple of float
        Steady seconds within 25 deg of the axis and of its other end.
    """
    lost = turns["lost_share"].to_numpy(dtype=float)
    size = np.abs(turns["turn_deg"].to_numpy(dtype=float))
    here = np.abs(wrap180(turns["middle_deg"].to_numpy(dtype=float) - axis)) < 90.0
    if min(here.sum(), (~here).sum()) >= 2:
        cost = (np.median(lost[here]) - np.median(lost[~here])) / 0.05
        angle = (np.median(size[here]) - np.median(size[~here])) / 15.0
    else:
        sign = 1.0 if here.sum() >= (~here).sum() else -1.0
        cost = sign * (np.median(lost) - 0.22) / 0.05
        angle = sign * (np.median(size) - 75.0) / 15.0
    toward, away = run_s
    run = 1.0 if away > 120.0 and away > 4 * toward else 0.0
    run -= 1.0 if toward > 120.0 and toward > 4 * away else 0.0
    return float(np.clip(cost, -4.0, 4.0) + np.clip(angle, -1.5, 1.5) + run)


def _seconds_near(time: Floats, sog: Floats, cog: Floats, axis: float) -> tuple[float, float]:
    """Seconds under way on courses within 25 deg of the axis, and of its other end."""
    step = np.append(np.diff(time), 0.0)
    step = np.where(step > 60.0, 0.0, step)
    good = np.isfinite(sog) & np.isfinite(cog) & (np.nan_to_num(sog) > MIN_SPEED_KN)
    off = np.abs(wrap180(np.where(good, cog, 0.0) - axis))
    return (float(step[good & (off < 25.0)].sum()), float(step[good & (off > 155.0)].sum()))


def _smooth(time: Floats, when: Floats, each_deg: Floats, axis: float) -> tuple[Floats, Floats]:
    """Direction through the day with its standard deviation: kriging of the turns' axes."""
    off = wrap180(each_deg - axis)
    scatter = max(float(np.std(off, ddof=1)), AXIS_SD_DEG) if off.size > 2 else AXIS_SD_DEG
    noise = min(scatter, 2.0 * AXIS_SD_DEG)

    def covariance(a: Floats, b: Floats) -> Floats:
        lag = np.abs(a[:, None] - b[None, :])
        return 30.0**2 + SHIFT_SD_DEG**2 * np.exp(-lag / SHIFT_S)

    inverse = np.linalg.inv(covariance(when, when) + noise**2 * np.eye(when.size))
    # The direction changes slowly: minutes are enough, straight lines between.
    knots = np.unique(np.concatenate([np.arange(time[0], time[-1], 60.0), time[-1:]]))
    cross = covariance(knots, when)
    gain = cross @ inverse
    value = gain @ off
    variance = 30.0**2 + SHIFT_SD_DEG**2 - np.sum(gain * cross, axis=1)
    sd = np.sqrt(np.maximum(variance, 0.0))
    return wrap360(axis + np.interp(time, knots, value)), np.interp(time, knots, sd)
