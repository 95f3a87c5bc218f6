"""A crew log that is whole hours off, told by its own marks against what the instruments saw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.errors import Finding
from sailanalysis.core.model import CrewEntry, CrewLog
from sailanalysis.core.series import epoch_s, true_stretches

NEAR_S: Final = 420.0
"""Crews round to five minutes, and write a little late (common practice)."""
MOST_H: Final = 12
"""A wrong zone is at most half a day off."""
ENGINE_HIT: Final = 0.9
"""Share of engine marks taken to lie near a start or stop of the engine."""
SAIL_HIT: Final = 0.6
"""Share of sail marks that leave a trace: a luff, a step of speed, the engine. Chosen with
``NEAR_S`` on days of seeds 1001 and 1002 of ``bench_crew_clock.py``; its figures are of others."""
OUTSIDE: Final = 0.1
"""Share of marks beyond the logged hours in a crew log whose clock is right."""
SURE: Final = 5.0
"""Log-likelihood by which another hour must beat the time as written (148 to 1)."""
CLEAR: Final = 2.0
"""... and every third one."""
LUFF_DEG: Final = 25.0
LUFF_S: Final = 15.0
"""A tack is through this angle sooner."""
STEP: Final = 0.10
"""Change of speed over some minutes, in the same wind, that a sail handled may make."""


@dataclass(frozen=True)
class CrewShift:
    """By how much the crew log's times are moved to fit.

    Attributes
    ----------
    hours : int
        Added to the times as written.
    marks, near, near_before : int
        Engine and sail marks; how many lie near their trace with the shift, and without.
    """

    hours: int
    marks: int
    near: int
    near_before: int


@dataclass(frozen=True)
class _Marks:
    """Marks of one kind, and the instants at which their trace was seen."""

    time_s: Floats
    trace_s: Floats
    hit: float = ENGINE_HIT

    def near(self, hours: int) -> NDArray[np.bool_]:
        """Which marks lie near a trace when moved."""
        if not self.trace_s.size:
            return np.zeros(self.time_s.size, dtype=bool)
        moved = self.time_s + 3600.0 * hours
        at = np.searchsorted(self.trace_s, moved).clip(1, max(1, self.trace_s.size - 1))
        away = np.minimum(np.abs(self.trace_s[np.minimum(at, self.trace_s.size - 1)] - moved),
                          np.abs(self.trace_s[at - 1] - moved))
        return np.asarray(away <= NEAR_S)

    def score(self, hours: int, start_s: float, end_s: float) -> float:
        """Log-likelihood of the marks, moved, against marks strewn over the log at random."""
        moved = self.time_s + 3600.0 * hours
        grid = np.arange(start_s, end_s, 60.0)
        share = float(_Marks(grid, self.trace_s).near(0).mean()) if grid.size else 1.0
        share = min(max(share, 0.02), 0.98)
        inside = (moved > start_s - NEAR_S) & (moved < end_s + NEAR_S)
        near = self.near(hours) & inside
        return float(np.sum(near) * np.log(self.hit / share)
                     + np.sum(inside & ~near) * np.log((1.0 - self.hit) / (1.0 - share))
                     + np.sum(~inside) * np.log(OUTSIDE))


def told_marks(crew: CrewLog) -> int:
    """How many entries could tell: of engine and sails, at times without an offset."""
    return sum(e.local and e.item in ("engine", "sails", "reef") for e in crew.entries)


def crew_shift(samples: pd.DataFrame, crew: CrewLog, engine: Floats) -> CrewShift | None:
    """Whole hours by which a crew log's marks fit what was logged, where they surely do not as is.

    Parameters
    ----------
    samples : DataFrame, n rows
        ``awa_deg``, ``stw_kn``, ``tws_kn``, ``twa_deg``, those that there are.
    crew : CrewLog
        Only entries whose time bore no offset of its own are looked at.
    engine : ndarray, shape (n,)
        1 running, 0 not, NaN unknown; not from the crew log.

    Returns
    -------
    CrewShift or None
    """
    time = epoch_s(pd.DatetimeIndex(samples.index))
    marks = _marks(samples, time, [e for e in crew.entries if e.local], engine)
    if sum(m.time_s.size for m in marks) < 2:
        return None
    start, end = float(time[0]), float(time[-1])
    scores = {h: sum(m.score(h, start, end) for m in marks) for h in range(-MOST_H, MOST_H + 1)}
    best, next_best = sorted(scores, key=lambda h: (-scores[h], abs(h)))[:2]
    near = [int(sum(m.near(h).sum() for m in marks)) for h in (best, 0)]
    count = sum(m.time_s.size for m in marks)
    if (best == 0 or scores[best] - scores[0] < SURE or scores[best] - scores[next_best] < CLEAR
            or near[0] < max(2, near[1] + 1) or 2 * near[0] < count):
        return None
    return CrewShift(best, count, *near)


def shifted(crew: CrewLog, shift: CrewShift) -> CrewLog:
    """The crew log with the times that bore no offset moved."""
    moved: list[CrewEntry] = [
        replace(e, time_s=e.time_s + 3600.0 * shift.hours) if e.local else e for e in crew.entries]
    return CrewLog(tuple(sorted(moved, key=lambda e: e.time_s)))


def shift_finding(shift: CrewShift) -> Finding:
    """The line that says what was moved, and why."""
    hours = abs(shift.hours)
    way = "later" if shift.hours > 0 else "earlier"
    return Finding(
        "crew-log-shifted",
        f"The crew log's times are {hours} hour{'s' if hours > 1 else ''} off: moved {hours} h "
        f"{way}, {shift.near} of its {shift.marks} engine and sail marks lie at what the "
        f"instruments saw, as written {shift.near_before}. They were moved; the boat file's "
        "`zone` would settle it for good.")


def _marks(samples: pd.DataFrame, time: Floats, entries: Sequence[CrewEntry],
           engine: Floats) -> list[_Marks]:
    every = max(1, round(1.0 / max(float(np.median(np.diff(time))), 1e-3))) if time.size > 1 else 1
    table, second, running = samples.iloc[::every], time[::every], engine[::every]
    on, off = _switched(second, running)
    out = []
    for value, trace in (("on", on), ("off", off)):
        said = [e.time_s for e in entries if e.item == "engine" and e.value == value]
        if said and trace.size:
            out.append(_Marks(np.array(said), trace))
    sails = [e.time_s for e in entries if e.item in ("sails", "reef")]
    handled = np.unique(np.concatenate([on, off, _luffs(table, second), _steps(table, second)]))
    if sails and handled.size:
        out.append(_Marks(np.array(sails), handled, SAIL_HIT))
    return out


def _switched(time: Floats, running: Floats) -> tuple[Floats, Floats]:
    """When the engine was started and stopped; logged hours begin and end with it as it is."""
    known = np.isfinite(running)
    state, when = running[known] > 0.5, time[known]
    if not state.any() or state.all():
        return np.zeros(0), np.zeros(0)
    stretches = [s for s in true_stretches(state) if when[s.stop - 1] - when[s.start] > 30.0]
    return (np.array([when[s.start] for s in stretches]),
            np.array([when[s.stop - 1] for s in stretches]))


def _luffs(table: pd.DataFrame, time: Floats) -> Floats:
    """When she lay head to wind longer than a tack takes; ends of it where that is long."""
    if "awa_deg" not in table:
        return np.zeros(0)
    ahead = np.abs(table["awa_deg"].to_numpy(dtype=float)) < LUFF_DEG
    out = []
    for part in true_stretches(ahead):
        first, last = float(time[part.start]), float(time[part.stop - 1])
        if last - first >= LUFF_S:
            out += [0.5 * (first + last)] if last - first < NEAR_S else [first, last]
    return np.array(out, dtype=float)


def _steps(table: pd.DataFrame, time: Floats) -> Floats:
    """When her speed changed for minutes on end in the same wind and at the same angle."""
    names = ("stw_kn", "tws_kn", "twa_deg")
    if any(name not in table for name in names):
        return np.zeros(0)
    minute = np.floor(time / 60.0).astype(np.int64)
    means = table[list(names)].abs().groupby(minute).mean()
    means = means.reindex(range(int(minute[0]), int(minute[-1]) + 1))
    before = means.rolling(5, min_periods=4).mean()
    after = before.shift(-6)
    with np.errstate(divide="ignore", invalid="ignore"):
        change = np.abs(np.log(after["stw_kn"] / before["stw_kn"]))
        same = (np.abs(np.log(after["tws_kn"] / before["tws_kn"])) < STEP) & (
            np.abs(after["twa_deg"] - before["twa_deg"]) < 10.0)
    step = (change > STEP) & same & (change >= change.rolling(7, center=True, min_periods=1).max())
    return np.asarray(means.index[step.to_numpy(dtype=bool)], dtype=float) * 60.0
