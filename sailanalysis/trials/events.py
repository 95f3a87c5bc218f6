"""What happened aboard as the data shows it, and which line of the crew log each event answers.

A line is written when hands are free, rounded to five minutes, or in another zone's time. What it
tells of is often seen: the boat luffs or slows while a sail is changed, heel or speed steps, the
rudder is worked in another style, the engine starts. (`marks` looks closer at one kind, the
handling of sails.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.model import CrewEntry
from sailanalysis.core.series import epoch_s, running_mean, running_median, true_stretches
from sailanalysis.core.stats import mad_sd
from sailanalysis.segment.use import is_sailed

STEP_S: Final = 5.0
REACH_S: Final = 480.0
"""A mark is moved by eight minutes at most: six for a late hand, two and a half for rounding."""
ABOUT_S: Final = 600.0
"""Handling is told from ten minutes around it: sail changes take two to four (common practice)."""
SLOWED: Final = 0.12
"""Speed lower by this share, in the wind of the moment, than in the minutes around: a boat that is
luffed or has a sail down."""
LUFFED_DEG: Final = 12.0
"""Wind angle off that of the minutes around; gusts and steering keep within 10 deg."""
SHORTEST_S: Final = 25.0
LONGEST_S: Final = 480.0
SIDE_S: Final = 120.0
SETTLE_S: Final = 10.0
SEEN: Final = 3.0
"""A step counts from three of the day's own standard deviations."""
CHANCE: Final = 6.0
"""Log of how many chances a quarter of an hour gives a wandering speed to look like a step."""
MOST_EVIDENCE: Final = 10.0
"""Log odds that a single sign may carry at most: e to the tenth is beyond doubt."""
LATE_S: Final = {300: 150.0, 60: 60.0, 1: 45.0}
"""Scale of a mark's error, by the grain of its seconds: rounded to five minutes, to one, not."""
TOGETHER_S: Final = 75.0
"""Signs this near to a stretch of handling are its own."""
PLACED_S: Final = 15.0
"""Standard deviation of an event's time: a hull takes some ten seconds to show it."""
SURE: Final = 0.8
"""Probability from which a mark is moved."""
SHIFT_STEP_S: Final = 900.0
LARGEST_SHIFT_S: Final = 14 * 3600.0
"""Zones differ by whole quarters of an hour, fourteen hours at most (IANA time zone database)."""
SHIFT_ODDS: Final = 8.0
"""Log odds at which a shift of all marks is offered: 112 shifts are tried, and e**8 is 3000."""

_SIGNS: Final = {
    "sails": ("handling", "speed", "heel"), "reef": ("handling", "speed", "heel"),
    "boards": ("handling", "speed", "heel"), "trim": ("speed", "heel"), "load": ("speed",),
    "helm": ("steering",), "engine": ("engine",)}


@dataclass(frozen=True)
class SeenEvent:
    """Something that happened aboard, as the data shows it.

    Attributes
    ----------
    start_s, end_s : float
        Seconds since 1970 UTC; alike for a step.
    sign : str
        ``handling``, ``speed``, ``heel``, ``steering`` or ``engine``.
    evidence : float
        Log odds that it is an event and no chance.
    """

    start_s: float
    end_s: float
    sign: str
    evidence: float


@dataclass(frozen=True)
class PlacedMark:
    """A line of the crew log and when it happened.

    Attributes
    ----------
    marked_s : float
        As written, seconds since 1970 UTC.
    start_s, end_s : float
        Handling begins and ends; alike where none is seen.
    error_s : float
        Standard deviation of ``start_s``.
    sign : str
        Of the event it was moved to; empty where it stays as written.
    """

    marked_s: float
    start_s: float
    end_s: float
    error_s: float
    sign: str = ""

    @property
    def moved_s(self) -> float:
        """By how much it was moved, later is positive."""
        return self.start_s - self.marked_s


@dataclass(frozen=True)
class WholeShift:
    """All marks off by the same time, as of a forgotten zone.

    Attributes
    ----------
    shift_s : float
        To be added to every mark.
    marks, matched : int
        Marks that an event could answer, and those that one does after the shift.
    log_odds : float
        Of the shift against none.
    """

    shift_s: float
    marks: int
    matched: int
    log_odds: float


def find_events(samples: pd.DataFrame, maneuvers: pd.DataFrame) -> tuple[SeenEvent, ...]:
    """Everything in a day that a line of the crew log may tell of.

    Parameters
    ----------
    samples : DataFrame
        UTC index; what is there of ``stw_kn, tws_kn, twa_deg, heel_deg, rudder_deg, engine_rpm,
        state`` is used.
    maneuvers : DataFrame
        Published table; tacks and gybes are no handling.

    Returns
    -------
    tuple of SeenEvent
        In order of time.
    """
    if len(samples) < 2:
        return ()
    time = epoch_s(samples.index)
    clock = np.arange(np.ceil(time[0] / STEP_S) * STEP_S, time[-1], STEP_S)
    if clock.size < 2 * int(SIDE_S / STEP_S):
        return ()
    speed = _pace(samples, time, clock)
    away = _turning(maneuvers, clock)
    events = [*_handling(samples, time, clock, speed, away),
              *_steps(clock, np.where(away, np.nan, speed), "speed"),
              *_steps(clock, np.where(away, np.nan, _heel(samples, time, clock)), "heel"),
              *_steps(clock, _steering(samples, time, clock), "steering"),
              *_engine(samples, time)]
    return tuple(sorted(events, key=lambda event: event.start_s))


def place_marks(entries: Sequence[CrewEntry], events: Sequence[SeenEvent]
                ) -> tuple[PlacedMark, ...]:
    """Move each mark to the event that it must belong to, where one is sure enough.

    Parameters
    ----------
    entries : sequence of CrewEntry
    events : sequence of SeenEvent
        From :func:`find_events`.

    Returns
    -------
    tuple of PlacedMark
        One an entry, in their order.

    Notes
    -----
    Candidates within ``REACH_S`` are weighed by their evidence and by a Student prior of three
    degrees of freedom on the mark's error, its scale by the grain of the seconds written; that
    nothing is seen is a candidate too.
    """
    grain = grain_s([entry.time_s for entry in entries])
    return tuple(_place(entry, events, grain) for entry in entries)


def whole_shift(entries: Sequence[CrewEntry], events: Sequence[SeenEvent]) -> WholeShift | None:
    """A shift by whole quarters of an hour under which the marks meet their events.

    Parameters
    ----------
    entries : sequence of CrewEntry
    events : sequence of SeenEvent
        From :func:`find_events`.

    Returns
    -------
    WholeShift or None
        None where the marks as written do as well, or fewer than three can tell.
    """
    telling = [entry for entry in entries if entry.item in _SIGNS]
    if len(telling) < 3 or not events:
        return None
    grain = grain_s([entry.time_s for entry in telling])
    tried = np.arange(-LARGEST_SHIFT_S, LARGEST_SHIFT_S + 1.0, SHIFT_STEP_S)
    fits = [[_best(e, events, grain, float(shift)) for e in telling] for shift in tried]
    odds = np.array([sum(fit) for fit in fits])
    best, none = int(np.argmax(odds)), int(np.argmin(np.abs(tried)))
    matched = sum(fit > 1.0 for fit in fits[best])
    gain = float(odds[best] - odds[none])
    if best == none or gain < SHIFT_ODDS or matched < max(3, 0.5 * len(telling)):
        return None
    return WholeShift(float(tried[best]), len(telling), matched, gain)


def grain_s(times_s: Sequence[float]) -> int:
    """Seconds to which the marks of a day are rounded: 300, 60 or 1; three or more can tell 300."""
    for grain in (300, 60) if len(times_s) > 2 else (60,):
        rounded = [abs(t / grain - round(t / grain)) * grain < 0.5 for t in times_s]
        if rounded and sum(rounded) >= 0.8 * len(rounded):
            return grain
    return 1


def _joined(events: Sequence[SeenEvent]) -> list[SeenEvent]:
    """Signs of one happening (a luff, the steps at its ends) as one event, their evidence added."""
    wholes: list[list[SeenEvent]] = [[e] for e in events if e.sign == "handling"]
    for event in events:
        if event.sign == "handling":
            continue
        near = [w for w in wholes if w[0].start_s - TOGETHER_S <= event.start_s
                <= w[0].end_s + TOGETHER_S]
        if near:
            near[0].append(event)
        else:
            wholes.append([event])
    out = []
    for whole in wholes:
        evidence = {e.sign: max(x.evidence for x in whole if x.sign == e.sign) for e in whole}
        strongest = max(whole, key=lambda e: (e.sign == "handling", e.evidence))
        out.append(SeenEvent(strongest.start_s, strongest.end_s, strongest.sign,
                         sum(max(v, 0.0) for v in evidence.values())))
    return out


def _candidates(entry: CrewEntry, events: Sequence[SeenEvent], grain: int, shift_s: float
                ) -> list[tuple[float, SeenEvent]]:
    """Events within reach with their log weight against nothing seen."""
    signs = _SIGNS.get(entry.item, ())
    marked = entry.time_s + shift_s
    out = []
    for event in _joined([e for e in events if e.sign in signs and
                          e.start_s - REACH_S <= marked <= e.end_s + REACH_S]):
        off = max(event.start_s - marked, marked - event.end_s, 0.0)
        prior = -2.0 * float(np.log1p((off / LATE_S[grain]) ** 2 / 3.0))
        out.append((event.evidence + prior, event))
    return out


def _best(entry: CrewEntry, events: Sequence[SeenEvent], grain: int, shift_s: float) -> float:
    """Log odds of the best event for a shifted mark; 0 where none does better than nothing."""
    return min(max((w for w, _ in _candidates(entry, events, grain, shift_s)), default=0.0),
               MOST_EVIDENCE)


def _place(entry: CrewEntry, events: Sequence[SeenEvent], grain: int) -> PlacedMark:
    """The mark at its event, or as written with the error of its grain."""
    as_written = PlacedMark(entry.time_s, entry.time_s, entry.time_s,
                            {300: 100.0, 60: 30.0, 1: 10.0}[grain])
    found = _candidates(entry, events, grain, 0.0)
    if not found:
        return as_written
    log_weight = np.array([w for w, _ in found])
    top = max(float(log_weight.max()), 0.0)
    weight = np.exp(log_weight - top)
    share = weight / (weight.sum() + np.exp(-top))
    best = int(np.argmax(share))
    chosen = found[best][1]
    if share[best] < SURE:
        return as_written
    off = np.array([e.start_s - chosen.start_s for _, e in found])
    spread = float(np.sqrt(np.sum(share * off**2)))
    return PlacedMark(entry.time_s, chosen.start_s, chosen.end_s,
                      float(np.hypot(PLACED_S, spread)), chosen.sign)


# ------------------------------------------------------------------ what the data shows
def _on_clock(samples: pd.DataFrame, name: str, time: Floats, clock: Floats,
              window_s: float = 15.0) -> Floats:
    """A column, smoothed, on the even clock; NaN where it is not logged."""
    if name not in samples:
        return np.full(clock.size, np.nan)
    value = samples[name].to_numpy(dtype=float)
    if name == "twa_deg":
        value = np.abs(value)
    smooth = running_mean(time, value, window_s)
    nearest = np.clip(np.searchsorted(time, clock), 0, time.size - 1)
    return np.where(np.abs(time[nearest] - clock) < 2.0 * STEP_S, smooth[nearest], np.nan)


def _pace(samples: pd.DataFrame, time: Floats, clock: Floats) -> Floats:
    """Log of boat speed with half the wind's change taken out; NaN but under sail."""
    stw = _on_clock(samples, "stw_kn", time, clock)
    tws = _on_clock(samples, "tws_kn", time, clock, 40.0)
    with np.errstate(invalid="ignore"):
        wind = np.where(np.isfinite(tws), 0.5 * np.log(np.maximum(tws, 2.0)), np.nan)
    wind = np.where(np.isfinite(wind), wind, np.nanmean(wind) if np.isfinite(wind).any() else 0.0)
    with np.errstate(invalid="ignore"):
        pace = np.log(np.maximum(stw, 0.3)) - wind
    if "state" in samples:
        sailed = is_sailed(samples)
        nearest = np.clip(np.searchsorted(time, clock), 0, time.size - 1)
        pace = np.where(sailed[nearest], pace, np.nan)
    return np.asarray(pace, dtype=float)


def _heel(samples: pd.DataFrame, time: Floats, clock: Floats) -> Floats:
    """Heel to leeward less what the wind's pressure explains over the day."""
    heel = np.abs(_on_clock(samples, "heel_deg", time, clock, 20.0))
    tws = _on_clock(samples, "tws_kn", time, clock, 20.0)
    twa = _on_clock(samples, "twa_deg", time, clock, 20.0)
    push = tws**2 * np.sin(np.radians(np.clip(twa, 0.0, 180.0)))
    design = np.column_stack([np.ones(clock.size), push, np.cos(np.radians(twa))])
    good = np.isfinite(heel) & np.isfinite(design).all(axis=1)
    if good.sum() < 100:
        return np.full(clock.size, np.nan)
    solved = np.linalg.lstsq(design[good], heel[good], rcond=None)[0]
    return np.asarray(heel - design @ solved, dtype=float)


def _steering(samples: pd.DataFrame, time: Floats, clock: Floats) -> Floats:
    """Log of the rudder's activity about its mean of half a minute."""
    if "rudder_deg" not in samples:
        return np.full(clock.size, np.nan)
    rudder = samples["rudder_deg"].to_numpy(dtype=float)
    quick = rudder - running_mean(time, rudder, 20.0)
    power = running_mean(time, quick**2, 30.0)
    nearest = np.clip(np.searchsorted(time, clock), 0, time.size - 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        activity = 0.5 * np.log(np.maximum(power[nearest], 1e-3))
    return np.where(np.abs(time[nearest] - clock) < 2.0 * STEP_S, activity, np.nan)


def _turning(maneuvers: pd.DataFrame, clock: Floats) -> np.ndarray:
    """Whether a tack or gybe, with what it takes to settle, is going on."""
    away = np.zeros(clock.size, dtype=bool)
    if maneuvers.empty or "kind" not in maneuvers:
        return away
    turns = maneuvers[maneuvers["kind"].isin(["tack", "gybe"])]
    for a, b in zip(epoch_s(turns["start"]), epoch_s(turns["end"]), strict=True):
        away |= (clock > a - 15.0) & (clock < b + 45.0)
    return away


def _handling(samples: pd.DataFrame, time: Floats, clock: Floats, pace: Floats, away: np.ndarray
              ) -> list[SeenEvent]:
    """Stretches slowed or luffed against the minutes around them."""
    twa = _on_clock(samples, "twa_deg", time, clock)
    slow = running_median(clock, np.where(away, np.nan, pace), 2 * ABOUT_S) - pace
    # The median wanders to one side of a step; the nearer level of either side is what counts.
    slow = np.where(away, np.nan, slow)
    angle = np.abs(twa - running_median(clock, np.where(away, np.nan, twa), 2 * ABOUT_S))
    with np.errstate(invalid="ignore"):
        amount = np.fmax(slow / SLOWED, np.where(away, np.nan, angle) / LUFFED_DEG)
        out = np.nan_to_num(amount) > 1.0
    bridge = int(40.0 / STEP_S)
    runs = true_stretches(out)
    merged: list[list[int]] = []
    for run in runs:
        if merged and run.start - merged[-1][1] <= bridge:
            merged[-1][1] = run.stop
        else:
            merged.append([run.start, run.stop])
    events = []
    for a, b in merged:
        if not SHORTEST_S <= (b - a) * STEP_S <= LONGEST_S:
            continue
        depth = float(np.nanmax(amount[a:b]))
        a = _begins(a, [pace, twa])
        length = (b - a) * STEP_S
        evidence = min(3.0 * (depth - 1.0) + min(length / 40.0, 3.0), MOST_EVIDENCE)
        events.append(SeenEvent(float(clock[a]), float(clock[b - 1]), "handling", evidence))
    return events


def _begins(a: int, traces: Sequence[Floats]) -> int:
    """Bin in which handling begins: two levels fitted to pace and angle about the first sight."""
    low, high = max(0, a - int(90.0 / STEP_S)), a + int(60.0 / STEP_S)
    cost = np.zeros(high - low)
    for trace in traces:
        part = trace[low:high]
        part = part[np.isfinite(part)]
        if part.size < high - low or np.ptp(part) == 0:
            continue
        for k in range(3, part.size - 3):
            left = part[:k].var() * k + part[k:].var() * (part.size - k)
            cost[k] += np.log(left + 1e-9) * part.size
        cost[:3] += np.log(part.var() * part.size + 1e-9) * part.size
        cost[-3:] += np.log(part.var() * part.size + 1e-9) * part.size
    return low + int(np.argmin(cost)) if cost.any() else a


def _steps(clock: Floats, value: Floats, sign: str) -> list[SeenEvent]:
    """Where the mean of two minutes steps by more than the day's own wandering."""
    if np.isfinite(value).sum() < 4 * SIDE_S / STEP_S:
        return []
    side, skip = int(SIDE_S / STEP_S), int(SETTLE_S / STEP_S)
    good = np.isfinite(value)
    total = np.concatenate([[0.0], np.cumsum(np.where(good, value, 0.0))])
    count = np.concatenate([[0.0], np.cumsum(good.astype(float))])
    i = np.arange(side, clock.size - side - skip)

    def mean(a: np.ndarray, b: np.ndarray) -> Floats:
        n = count[b] - count[a]
        return np.where(n > 0.7 * side, (total[b] - total[a]) / np.maximum(n, 1.0), np.nan)

    step = mean(i + skip, i + skip + side) - mean(i - side, i)
    z = np.abs(step) / max(mad_sd(step), 1e-6)
    # The day's wandering is known from as many stretches as it has: Student's odds.
    freedom = max(float(good.sum()) * STEP_S / (2.0 * SIDE_S) - 1.0, 1.0)
    odds = 0.5 * (freedom + 1.0) * np.log1p(z**2 / freedom) - CHANCE
    events = []
    for run in true_stretches(np.nan_to_num(z) > SEEN):
        k = run.start + int(np.nanargmax(z[run]))
        when = float(clock[i[k]])
        events.append(SeenEvent(when, when, sign, min(float(odds[k]), MOST_EVIDENCE)))
    return events


def _engine(samples: pd.DataFrame, time: Floats) -> list[SeenEvent]:
    """Where the engine starts or stops."""
    if "engine_rpm" in samples and np.isfinite(samples["engine_rpm"].to_numpy(float)).any():
        on = np.nan_to_num(samples["engine_rpm"].to_numpy(dtype=float)) > 300.0
        evidence = MOST_EVIDENCE
    elif "state" in samples:
        on, evidence = samples["state"].to_numpy() == "motoring", 0.5 * MOST_EVIDENCE
    else:
        return []
    edges = np.flatnonzero(on[1:] != on[:-1]) + 1
    return [SeenEvent(float(time[k]), float(time[k]), "engine", evidence) for k in edges]
