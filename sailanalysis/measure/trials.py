"""Did the change help? Boat speed before and after, the wind's part taken off.

The interval knows how few independent minutes there were.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.angles import Floats, wrap180
from sailanalysis.measure.helm_windows import (
    AFTER_MANEUVER_S,
    BEFORE_MANEUVER_S,
    point_of_sail,
    times_s,
)
from sailanalysis.model import CrewEntry, CrewLog
from sailanalysis.series import epoch_s, running_mean, running_mean_angle, step_s

SpeedModel = Callable[[Floats, Floats], Floats]

COLUMNS: Final = (
    "time", "what", "stw_before_kn", "stw_after_kn", "gain_kn", "gain_low_kn", "gain_high_kn",
    "minutes_before", "minutes_after", "verdict",
    "why_not", "item", "subject", "direction", "wind_part_kn", "wind_basis", "tws_before_kn",
    "tws_after_kn", "twa_before_deg", "twa_after_deg", "helm", "try_next")

LONGEST_S: Final = 480.0
"""More than eight minutes away the day itself has changed."""
SHORTEST_S: Final = 120.0
"""Below two minutes a side nothing is said: some four independent gusts."""
SKIP_BEFORE_S: Final = 10.0
SKIP_AFTER_S: Final = 45.0
"""Hands are still moving, and a boat takes some twenty seconds to find her new speed."""
SKIP_ROUNDED_S: Final = 15.0
"""More after the change where the crew log gives whole minutes only: it came within that minute."""
LAG_S: Final = 20.0
"""Wind is averaged over this long: a boat's speed does not follow quicker changes."""
DELAYS_S: Final = (0.0, 6.0, 12.0, 18.0, 25.0)
"""By how much the hull may answer the wind late; the delay that explains most of the sides' own
scatter is taken, trial by trial."""
BLOCK_S: Final = 10.0
TURN_LIMIT_DEG: Final = 20.0
"""A stretch ends where the slow wind angle has left that at the change by this much."""

COURSE_LIMIT_DEG: Final = 12.0
"""Two courses further apart than this are not compared, whatever the polar says."""

POLAR_SLOPE_ERROR: Final = 0.25
"""Relative standard error of a slope read off a polar."""
POLAR_SHARE: Final = 0.3
"""Absolute error of a polar's slopes as a share of what is known without one: a polar of one day
may rest on little."""
DATA_OVER_PRIOR: Final = 2.0
DRIFT_SHARE: Final = 0.01
"""Slow change of boat speed that nothing logged explains (sea, tide's shear, attention), as a share
of speed between two stretches, standard deviation: two runs in like wind repeat to about one per
cent (common practice)."""
TWS_SLOPE: Final = (0.5, 0.3)
"""Without a polar: d ln V / d ln TWS, mean and sd. One in light airs, near zero at hull speed."""
TWA_SLOPE_PER_DEG: Final = {"upwind": (0.010, 0.008), "reach": (0.0, 0.006),
                            "downwind": (-0.006, 0.006)}
"""Without a polar: d ln V / d TWA, per degree, mean and sd."""

BETWEEN_KN: Final = 0.05
"""How much the same change is taken to differ from one trial to the next, before they say so."""
POOL_FREEDOM: Final = 4.0

VERDICTS: Final = ("faster", "slower", "no clear difference", "not enough data")
_OPPOSITE: Final = {
    "out": "in", "down": "up", "off": "on", "eased": "trimmed",
    "lowered": "raised", "aft": "forward", "less": "more", "open": "closed", "flatter": "fuller",
    "leeward": "windward", "removed": "set", "slower": "faster", "shorter": "longer"}
_SAME: Final = {
    "ease": "eased", "easing": "eased", "released": "eased", "sheeted": "trimmed",
    "loosened": "eased", "slacked": "eased", "tightened": "trimmed", "tight": "trimmed",
    "loose": "eased",
    "trim": "trimmed", "hardened": "trimmed", "tighter": "trimmed", "looser": "eased",
    "tensioned": "trimmed", "raise": "raised", "hoisted": "raised", "lower": "lowered",
    "dropped": "lowered", "fwd": "forward", "back": "aft", "opened": "open", "flattened": "flatter",
    "tighten": "trimmed", "loosen": "eased"}
_NOISE: Final = re.compile(
    r"[-+]?\d+([.,]\d+)?\s*(cm|mm|m|deg|°|turns?|holes?|marks?|%|kg)?\b|[^\w\s]")


@dataclass(frozen=True)
class TrialTrace:
    """One trial for a figure: ten-second means about the change.

    Attributes
    ----------
    time_s : float
        Of the change, seconds since 1970 UTC.
    second : ndarray, shape (n,)
        From the change.
    stw_kn, without_wind_kn : ndarray, shape (n,)
        Boat speed as logged, and with the wind's part taken off.
    used : ndarray of int, shape (n,)
        -1 before, 1 after, 0 left out.
    """

    time_s: float
    second: Floats
    stw_kn: Floats
    without_wind_kn: Floats
    used: NDArray[np.int_]


@dataclass(frozen=True)
class TrialsResult:
    """Everything the report says about trials.

    Attributes
    ----------
    rows : DataFrame
        As ``trials.csv``.
    pooled : DataFrame
        The same change tried more than once: ``subject, direction, trials, gain_kn, gain_low_kn,
        gain_high_kn, verdict``.
    traces : tuple of TrialTrace or None
        A row each.
    placebos : int
        Unmarked moments of the day judged the same way.
    widening : float
        Factor on every interval that those moments asked for (1: none).
    advice : str
        How to run a better trial, when the answers are unclear.
    """

    rows: pd.DataFrame
    pooled: pd.DataFrame
    traces: tuple[TrialTrace | None, ...] = ()
    placebos: int = 0
    widening: float = 1.0
    advice: str = ""


BETTER_TRIAL: Final = (
    "There, back and there again: sail five steady minutes, make one change, sail five minutes, "
    "undo it, five more, and repeat. One helm, one course by the wind, no tack in between, and a "
    "line in the crew log each time. A drift of the wind then cancels, and the pairs are pooled.")


@dataclass
class _Side:
    """Ten-second blocks on one side of a change; wind and expected speed a row a delay."""

    at: Floats
    stw: Floats
    tws_late: Floats
    twa_late: Floats
    expected_late: Floats
    delay: int = 0

    @property
    def tws(self) -> Floats:
        return np.asarray(self.tws_late[self.delay], dtype=float)

    @property
    def twa(self) -> Floats:
        return np.asarray(self.twa_late[self.delay], dtype=float)

    @property
    def expected(self) -> Floats:
        return np.asarray(self.expected_late[self.delay], dtype=float)

    @property
    def minutes(self) -> float:
        return self.at.size * BLOCK_S / 60.0


@dataclass(frozen=True)
class _Judged:
    """Gain of one change with its standard error and degrees of freedom."""

    gain: float
    error: float
    freedom: float
    wind_part: float
    basis: str
    trace: TrialTrace | None = field(default=None, compare=False)


def judge_trials(
    samples: pd.DataFrame, legs: pd.DataFrame, maneuvers: pd.DataFrame, crew: CrewLog,
    speed_model: SpeedModel | None = None,
) -> tuple[pd.DataFrame, TrialsResult]:
    """Judge every change of trim, sails or boards that the crew log marks.

    Parameters
    ----------
    samples : DataFrame
        Needs ``stw_kn``; ``tws_kn`` and ``twa_deg`` for the wind's part.
    legs, maneuvers : DataFrame
        Published tables.
    crew : CrewLog
    speed_model : callable, optional
        ``(tws_kn, twa_deg) -> stw_kn``, NaN where unknown: the polar.

    Returns
    -------
    DataFrame
        A row a change, ``COLUMNS``.
    TrialsResult

    Notes
    -----
    A side is unbroken sailing of one helm on one tack between the change and the next maneuver,
    handover or marked change, at most eight minutes. ``gain_kn`` is the difference of mean boat
    speed less what the polar gives for the difference in wind; its interval holds the scatter of
    ten-second means with their autocorrelation, the polar's own error and a slow drift, with
    Student's quantile for the few independent pieces. Unmarked moments of the same day, judged
    alike, widen it where they show that a day without a change scatters more.
    """
    events = _events(crew)
    if not events:
        return _empty(), TrialsResult(_empty(), _empty_pool())
    log = _Log(samples, maneuvers, events, speed_model)
    judged: list[_Judged | None] = []
    rows: list[dict[str, Any]] = []
    for event in events:
        row, outcome = _judge_event(log, event)
        rows.append(row)
        judged.append(outcome)
    placebos = _placebos(log, events)
    widening = _widening(placebos)
    for row, outcome in zip(rows, judged, strict=True):
        if outcome is None:
            continue
        from scipy.stats import t as student

        half = float(student.ppf(0.975, outcome.freedom)) * outcome.error * widening
        row |= {"gain_low_kn": outcome.gain - half, "gain_high_kn": outcome.gain + half}
        row["verdict"] = ("faster" if outcome.gain > half else
                          "slower" if -outcome.gain > half else "no clear difference")
        row["standard_error_kn"] = outcome.error * widening
        if row["verdict"] == "no clear difference":
            row["try_next"] = BETTER_TRIAL
    table = pd.DataFrame(rows).reindex(columns=[*COLUMNS, "standard_error_kn"])
    unclear = bool((table["verdict"].isin(["no clear difference", "not enough data"])).any())
    result = TrialsResult(
        table, pool_trials(table), tuple(j.trace if j else None for j in judged),
        len(placebos), widening, BETTER_TRIAL if unclear else "")
    return table, result


@dataclass(frozen=True)
class _Event:
    time_s: float
    item: str
    what: str
    subject: str
    direction: int


def _events(crew: CrewLog) -> list[_Event]:
    """Changes worth judging: each ``trim``, and each new set of ``sails`` or position of boards."""
    events: list[_Event] = []
    last: dict[str, str] = {}
    entries: list[CrewEntry] = sorted(crew.entries, key=lambda e: e.time_s)
    for entry in entries:
        value = entry.value.strip()
        if entry.item == "trim":
            subject, direction = same_thing(value)
            events.append(_Event(entry.time_s, "trim", value, subject, direction))
        elif entry.item in ("sails", "boards"):
            before = last.get(entry.item)
            last[entry.item] = value
            if before and value and "none" not in (before.lower(), value.lower()) and (
                    before.lower() != value.lower()):
                pair = sorted([before.lower(), value.lower()])
                events.append(_Event(entry.time_s, entry.item, f"{before} to {value}",
                                     f"{entry.item}: {pair[0]} to {pair[1]}",
                                     1 if before.lower() == pair[0] else -1))
    return events


def same_thing(what: str) -> tuple[str, int]:
    """Subject of a trim and which way it went, so that a change and its undoing pool.

    Amounts are left out; ``mainsheet eased 20 cm`` and ``mainsheet trimmed 10 cm`` are one subject,
    opposite ways.

    Returns
    -------
    subject : str
    direction : {1, -1}
    """
    words = _NOISE.sub(" ", what.lower()).split()
    direction = 1
    kept = []
    for word in words:
        word = _SAME.get(word, word)
        if word in _OPPOSITE:
            word, direction = _OPPOSITE[word], -direction
        kept.append(word)
    return " ".join(kept), direction


class _Log:
    """The day as ten-second blocks need it: smoothed wind, unbroken steady sailing."""

    def __init__(self, samples: pd.DataFrame, maneuvers: pd.DataFrame, events: list[_Event],
                 speed_model: SpeedModel | None) -> None:
        time = epoch_s(pd.DatetimeIndex(samples.index))
        n = time.size
        missing = np.full(n, np.nan)

        def column(name: str) -> Floats:
            return samples[name].to_numpy(dtype=float) if name in samples else missing

        self.time = time
        self.stw = column("stw_kn")
        tws = running_mean(time, column("tws_kn"), LAG_S) if n else missing
        twa = running_mean_angle(time, column("twa_deg"), LAG_S) if n else missing
        self.twa = twa
        late = [self._earlier(time, delay) for delay in DELAYS_S]
        self.tws_late = [np.where(ok, tws[i], np.nan) for i, ok in late]
        self.twa_late = [np.where(ok, twa[i], np.nan) for i, ok in late]
        self.helm = (samples["helm"].to_numpy(dtype=object) if "helm" in samples
                     else np.full(n, "", dtype=object))
        self.has_wind = bool(np.isfinite(tws).any() and np.isfinite(twa).any())
        expected = missing
        if speed_model is not None and self.has_wind:
            expected = np.asarray(speed_model(tws, twa), dtype=float)
        self.expected_late = [np.where(ok, expected[i], np.nan) for i, ok in late]
        steady = np.isfinite(self.stw)
        if "state" in samples:
            steady &= samples["state"].to_numpy(dtype=object) == "sailing"
        if not maneuvers.empty:
            for a, b in zip(times_s(maneuvers["start"]), times_s(maneuvers["end"]), strict=True):
                steady[np.searchsorted(time, a - BEFORE_MANEUVER_S):
                       np.searchsorted(time, b + AFTER_MANEUVER_S)] = False
        breaks = np.zeros(n, dtype=bool)
        if n > 1:
            breaks[1:] = (np.diff(time) > max(2.5 * step_s(time), 5.0)) | (
                self.helm[1:] != self.helm[:-1]) | (steady[1:] != steady[:-1])
        self.run = np.cumsum(breaks)
        self.steady = steady
        self.events_s = np.array(sorted(e.time_s for e in events))
        self.whole_minutes = all(abs(e / 60.0 - round(e / 60.0)) < 1e-6 for e in self.events_s)

    @staticmethod
    def _earlier(time: Floats, delay_s: float) -> tuple[NDArray[np.int_], NDArray[np.bool_]]:
        """Sample of each instant a delay ago, and whether there is one."""
        at = np.clip(np.searchsorted(time, time - delay_s), 0, max(time.size - 1, 0))
        return at, np.abs(time[at] - (time - delay_s)) < 2.0

    def side(self, event_s: float, sign: int, skip_s: float, longest_s: float = LONGEST_S,
             others: Floats | None = None) -> _Side | None:
        """Blocks on one side of an instant, out to the first break; None if there is none."""
        others = self.events_s if others is None else others
        edge = event_s + sign * skip_s
        if sign < 0:
            past = others[others < event_s - 1.0]
            reach = max(edge - longest_s,
                        float(past.max()) + SKIP_AFTER_S if past.size else -np.inf)
            low, high = reach, edge
        else:
            ahead = others[others > event_s + 1.0]
            reach = min(edge + longest_s, float(ahead.min()) - SKIP_BEFORE_S if ahead.size
                        else np.inf)
            low, high = edge, reach
        a, b = np.searchsorted(self.time, [low, high])
        if b - a < 2:
            return None
        near = (a if sign > 0 else b - 1)
        if not self.steady[near]:
            return None
        same = self.run[a:b] == self.run[near]
        if self.has_wind:
            angle = self.twa[a:b]
            here = angle[:max(2, int(0.1 * angle.size))] if sign > 0 else angle[-max(
                2, int(0.1 * angle.size)):]
            middle = float(np.nanmedian(here)) if np.isfinite(here).any() else float("nan")
            same &= ~(np.abs(wrap180(angle - middle)) > TURN_LIMIT_DEG)
        broken = np.flatnonzero(~same)
        if broken.size:
            if sign > 0:
                b = a + int(broken[0])
            else:
                a = a + int(broken[-1]) + 1
        if b - a < 2:
            return None
        t = self.time[a:b]
        block = ((t - t[0]) // BLOCK_S).astype(int)
        size = np.bincount(block)
        full = size >= 0.6 * np.median(size)

        def means(value: Floats) -> Floats:
            total = np.bincount(block, weights=np.nan_to_num(value[a:b]))
            good = np.bincount(block, weights=np.isfinite(value[a:b]).astype(float))
            mean = np.divide(total, good, out=np.full(total.shape, np.nan), where=good > 0)
            return mean[full]

        return _Side(means(self.time) - event_s, means(self.stw),
                     np.array([means(v) for v in self.tws_late]),
                     np.array([means(v) for v in self.twa_late]),
                     np.array([means(v) for v in self.expected_late]))


def _judge_event(log: _Log, event: _Event) -> tuple[dict[str, Any], _Judged | None]:
    before = log.side(event.time_s, -1, SKIP_BEFORE_S)
    after = log.side(event.time_s, 1,
                     SKIP_AFTER_S + (SKIP_ROUNDED_S if log.whole_minutes else 0.0))
    at = min(int(np.searchsorted(log.time, event.time_s)), max(log.time.size - 1, 0))
    row: dict[str, Any] = {
        "time": pd.Timestamp(event.time_s, unit="s", tz="UTC"), "what": event.what,
        "item": event.item, "subject": event.subject, "direction": event.direction,
        "helm": str(log.helm[at] or "") if log.time.size else "",
        "minutes_before": before.minutes if before else 0.0,
        "minutes_after": after.minutes if after else 0.0,
        "verdict": "not enough data", "why_not": "", "try_next": ""}
    for name, side in (("before", before), ("after", after)):
        if side is not None:
            row[f"stw_{name}_kn"] = float(np.mean(side.stw))
            row[f"tws_{name}_kn"] = float(np.nanmean(side.tws)) if log.has_wind else np.nan
            row[f"twa_{name}_deg"] = float(np.nanmean(side.twa)) if log.has_wind else np.nan
    short = [name for name, side in (("before", before), ("after", after))
             if side is None or side.at.size * BLOCK_S < SHORTEST_S]
    if before is None or after is None or short:
        row["why_not"] = (f"fewer than {SHORTEST_S / 60:.0f} steady minutes "
                          + " and ".join(short)
                          + " the change: a maneuver, a handover or another change came between")
        row["try_next"] = BETTER_TRIAL
        return row, None
    if not log.has_wind:
        row["why_not"] = "the log has no true wind: a change of wind cannot be told from the trim"
        return row, None
    if np.sign(np.nanmean(before.twa)) != np.sign(np.nanmean(after.twa)):
        row["why_not"] = "the tack before and after is not the same"
        row["try_next"] = BETTER_TRIAL
        return row, None
    turned = abs(float(wrap180(np.nanmean(after.twa) - np.nanmean(before.twa))))
    if turned > COURSE_LIMIT_DEG:
        row["why_not"] = (f"the wind angle before and after differs by {turned:.0f} deg: a change "
                          "of course, not only of trim")
        row["try_next"] = BETTER_TRIAL
        return row, None
    outcome = judge_sides(before, after, event.time_s)
    row |= {"gain_kn": outcome.gain, "wind_part_kn": outcome.wind_part,
            "wind_basis": outcome.basis}
    return row, outcome


def judge_sides(before: _Side, after: _Side, event_s: float = 0.0) -> _Judged:
    """Gain from two sides, the wind's part taken off; standard error and degrees of freedom."""
    options = [_judge_delayed(replace(before, delay=k), replace(after, delay=k), event_s)
               for k in range(len(DELAYS_S))]
    return min(options, key=lambda option: option[0])[1]


def _judge_delayed(before: _Side, after: _Side, event_s: float) -> tuple[float, _Judged]:
    """Mean square left about the sides' means, and the judgement, for one delay of the wind."""
    speed = float(np.mean(np.concatenate([before.stw, after.stw])))
    wind, basis, slope_sd = _expected_of_wind(before, after, speed)
    # Departures from the expected slopes, learned from each side's own gusts about its mean.
    x = [_wind_of(side) for side in (before, after)]
    inside = [v - v.mean(axis=0) for v in x]
    y = [(side.stw - w) - np.mean(side.stw - w)
         for side, w in zip((before, after), wind, strict=True)]
    slope, cov = _learn_slopes(inside, y, slope_sd)
    residual = [u - v @ slope for u, v in zip(y, inside, strict=True)]
    step = x[1].mean(axis=0) - x[0].mean(axis=0)
    part = float(wind[1].mean() - wind[0].mean() + step @ slope)
    part_error2 = float(step @ cov @ step)
    gain = float(after.stw.mean() - before.stw.mean()) - part
    spread, freedom = 0.0, 0.0
    for side in residual:
        variance, items = mean_variance(side, residual)
        spread += variance
        freedom += max(items - 1.0, 1.0)
    total = spread + part_error2 + (DRIFT_SHARE * speed) ** 2
    error = float(np.sqrt(total))
    # Welch and Satterthwaite: only the scatter is estimated from few pieces.
    freedom = max(freedom, 3.0) * (total / max(spread, 1e-12)) ** 2
    level = float(before.stw.mean())
    trace = TrialTrace(
        event_s, np.concatenate([before.at, after.at]), np.concatenate([before.stw, after.stw]),
        np.concatenate([level + residual[0], level + gain + residual[1]]),
        np.concatenate([np.full(before.at.size, -1), np.full(after.at.size, 1)]))
    left = float(sum(np.sum(r * r) for r in residual))
    return left, _Judged(gain, error, min(freedom, 1e6), part, basis, trace)


def _wind_of(side: _Side) -> Floats:
    """Wind speed and angle off the bow of each block, missing ones at the side's mean."""
    columns = []
    for value in (side.tws, np.abs(side.twa)):
        good = np.isfinite(value)
        columns.append(np.where(good, value, value[good].mean() if good.any() else 0.0))
    return np.column_stack(columns)


def _expected_of_wind(before: _Side, after: _Side, speed: float
                      ) -> tuple[list[Floats], str, Floats]:
    """Speed the wind alone asks for on each side, where it is from, and how sure its slopes are.

    Returns
    -------
    list of ndarray
    str
        ``polar`` or ``usual slopes``.
    ndarray, shape (2,)
        Standard deviation of the slopes with wind speed (kn/kn) and angle (kn/deg).
    """
    x = np.concatenate([_wind_of(before), _wind_of(after)])
    tws, twa = float(np.mean(x[:, 0])), float(np.mean(x[:, 1]))
    angle_slope, angle_sd = TWA_SLOPE_PER_DEG.get(point_of_sail(twa), (0.0, 0.008))
    usual = speed * np.array([TWS_SLOPE[0] / max(tws, 2.0), angle_slope])
    usual_sd = speed * np.array([TWS_SLOPE[1] / max(tws, 2.0), angle_sd])
    sides = [before.expected, after.expected]
    known = [np.isfinite(v) for v in sides]
    if all(k.mean() > 0.8 for k in known):
        wind = [np.where(k, v, v[k].mean()) for v, k in zip(sides, known, strict=True)]
        centred = x - x.mean(axis=0)
        together = np.concatenate(wind)
        # A ridge keeps the slopes finite where the wind hardly moved.
        power = centred.T @ centred + np.diag([0.01, 1.0]) * len(x)
        slope = np.linalg.solve(power, centred.T @ (together - together.mean()))
        return wind, "polar", np.hypot(POLAR_SLOPE_ERROR * slope, POLAR_SHARE * usual_sd)
    return [(_wind_of(side) - [tws, twa]) @ usual for side in (before, after)], \
        "usual slopes", usual_sd


def _learn_slopes(x: list[Floats], y: list[Floats], prior_sd: Floats) -> tuple[Floats, Floats]:
    """Departure of the slopes from the expected ones, prior and data together.

    What the sides' own gusts say counts with their autocorrelation, and never for more than twice
    the prior: a short gust at the masthead is not a change of wind at the sails.
    """
    design, target = np.concatenate(x), np.concatenate(y)
    prior = np.diag(1.0 / prior_sd**2)
    power = design.T @ design
    slope = np.linalg.solve(power / max(float(target.var()), 1e-6) + prior,
                            design.T @ target / max(float(target.var()), 1e-6))
    left = [u - v @ slope for u, v in zip(y, x, strict=True)]
    variance, _ = mean_variance(left[0], left)
    noise = max(variance * left[0].size, 1e-8)
    data = power / noise
    limit = float(np.max(np.diag(data) * prior_sd**2)) / DATA_OVER_PRIOR
    data = data / max(limit, 1.0)
    cov = np.linalg.inv(prior + data)
    return cov @ (design.T @ target) / noise / max(limit, 1.0), cov


def mean_variance(side: Floats, all_sides: list[Floats]) -> tuple[float, float]:
    """Variance of the mean of one side's blocks, and how many independent ones it is worth.

    Two answers are averaged: from the autocorrelation at lag one (of all sides together, freed of
    its small-sample bias), and from means over parts of a minute, which also see slower likeness.

    References
    ----------
    .. [1] Kendall, "Note on bias in the estimation of autocorrelation", Biometrika 41, 1954.
    """
    n = side.size
    power = sum(float(np.sum(x * x)) for x in all_sides)
    count = sum(x.size for x in all_sides)
    lagged = sum(float(np.sum(x[1:] * x[:-1])) for x in all_sides)
    variance = power / max(count - len(all_sides), 1)
    rho = lagged / power if power > 0 else 0.0
    rho = float(np.clip(rho + (1 + 4 * max(rho, 0.0)) / (count / len(all_sides)), 0.0, 0.9))
    items = max(n * (1 - rho) / (1 + rho), 2.0)
    by_rho = variance / (1.0 - 1.0 / items) / items
    width = max(1, round(60.0 / BLOCK_S))
    batch = [x[i:i + width].mean() for x in all_sides for i in range(0, x.size - width + 1, width)]
    if len(batch) < 6:
        return by_rho, items
    by_batch = float(np.sum(np.square(batch))) / (len(batch) - len(all_sides)) / (n / width)
    return 0.5 * (by_rho + by_batch), items


def _placebos(log: _Log, events: list[_Event]) -> list[float]:
    """Standardised gains at moments nothing was marked: the day's own scatter without a change."""
    if not log.has_wind or log.time.size < 2:
        return []
    marked = np.array([e.time_s for e in events])
    half = 240.0 + SKIP_AFTER_S
    out = []
    for at in np.arange(log.time[0] + half, log.time[-1] - half, 2 * half):
        if np.min(np.abs(marked - at)) < half + 60.0:
            continue
        before = log.side(float(at), -1, SKIP_BEFORE_S, 240.0)
        after = log.side(float(at), 1, SKIP_AFTER_S, 240.0)
        if before is None or after is None or min(before.at.size, after.at.size) < 18:
            continue
        judged = judge_sides(before, after)
        if judged.error > 0:
            out.append(judged.gain / judged.error)
    return out


def _widening(placebos: list[float]) -> float:
    """Factor on the intervals: one until the day's placebos scatter more than they should."""
    if len(placebos) < 6:
        return 1.0
    z = np.clip(np.array(placebos), -4.0, 4.0)
    return float(max(1.0, np.sqrt((10.0 + np.sum(z**2)) / (10.0 + z.size))))


def pool_trials(rows: pd.DataFrame) -> pd.DataFrame:
    """Pool repeated trials of the same thing, of a day or a season; an undoing counts turned round.

    Parameters
    ----------
    rows : DataFrame
        Rows of :func:`judge_trials`, of any number of days.

    Returns
    -------
    DataFrame
        ``subject, what, trials, gain_kn, gain_low_kn, gain_high_kn, verdict, there_and_back``;
        only subjects judged at least twice.

    Notes
    -----
    Random effects: DerSimonian and Laird's between-trial variance, leaning on ``BETWEEN_KN`` while
    trials are few; Student's quantile.

    References
    ----------
    .. [1] DerSimonian and Laird, Controlled Clinical Trials 7, 177-188, 1986.
    """
    if rows.empty or "standard_error_kn" not in rows:
        return _empty_pool()
    from scipy.stats import t as student

    judged = rows[rows["gain_kn"].notna() & rows["standard_error_kn"].notna()]
    out = []
    for subject, group in judged.groupby("subject", sort=False):
        if len(group) < 2:
            continue
        way = group["direction"].to_numpy(dtype=float)
        first = float(way[0])
        y = group["gain_kn"].to_numpy(dtype=float) * way * first
        v = group["standard_error_kn"].to_numpy(dtype=float) ** 2
        w = 1.0 / v
        fixed = float(np.sum(w * y) / w.sum())
        q = float(np.sum(w * (y - fixed) ** 2))
        between = (q - (y.size - 1)) / float(w.sum() - np.sum(w**2) / w.sum())
        between = max(0.0, (POOL_FREEDOM * BETWEEN_KN**2 + (y.size - 1) * between)
                      / (POOL_FREEDOM + y.size - 1))
        w = 1.0 / (v + between)
        mean = float(np.sum(w * y) / w.sum())
        # The trials' own errors are known, each from its minutes: they count as further degrees
        # of freedom beside the spread between trials.
        quantile = float(student.ppf(0.975, y.size - 1 + POOL_FREEDOM))
        half = quantile * float(np.sqrt(1.0 / w.sum()))
        out.append({"subject": subject, "what": group["what"].iloc[0], "trials": y.size,
                    "gain_kn": mean, "gain_low_kn": mean - half, "gain_high_kn": mean + half,
                    "verdict": "faster" if mean > half else "slower" if -mean > half
                    else "no clear difference",
                    "there_and_back": bool(np.ptp(way) > 0)})
    return pd.DataFrame(out) if out else _empty_pool()


def _empty() -> pd.DataFrame:
    table = pd.DataFrame({name: pd.Series(dtype=float) for name in COLUMNS})
    for name in ("what", "verdict", "why_not", "item", "subject", "wind_basis", "helm", "try_next"):
        table[name] = table[name].astype(object)
    table["time"] = pd.to_datetime(table["time"], utc=True)
    return table


def _empty_pool() -> pd.DataFrame:
    return pd.DataFrame(columns=["subject", "what", "trials", "gain_kn", "gain_low_kn",
                                 "gain_high_kn", "verdict", "there_and_back"])
