"""Where a mark belongs: the handling in the data that a line of the crew log must mean.

People write a change down minutes late and to the next five minutes. A sail or a board is handled
for minutes, and the boat slows meanwhile: that is the event. Where nothing shows, the mark stands,
and as much time about it is left out as its rounding may hide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.series import epoch_s, running_mean, true_stretches

REACH_S: Final = 480.0
"""How far from its event a mark may lie: six minutes late and a rounding to five."""
SLOWED: Final = 0.85
"""Share of her speed about the mark below which she is being handled."""
LEAST_S: Final = 20.0
JOIN_S: Final = 40.0
USUAL_S: Final = 180.0
"""Marks lie within some three minutes of their events (one standard deviation)."""
DISTINCT: Final = 2.0
"""A second event this close in weight leaves the mark where it is."""
SMOOTH_S: Final = 15.0


@dataclass(frozen=True)
class Event:
    """A mark's event.

    Attributes
    ----------
    start_s, stop_s : float
        Seconds since 1970 UTC between which hands were at work.
    moved_s : float
        From the mark to the middle of them; NaN where the mark was left in its place.
    """

    start_s: float
    stop_s: float
    moved_s: float = float("nan")


def blur_s(marks_s: Floats) -> float:
    """How far marks may be off whose event does not show, by how they were written.

    Marks to the second were made at once. Who rounds to five minutes wrote them up to six minutes
    late or early; one mark alone on a five-minute tick is by chance there once in five.
    """
    minutes = np.asarray(marks_s, dtype=float) / 60.0
    whole = np.abs(minutes - np.round(minutes)) < 1e-6
    if minutes.size == 0 or not whole.all():
        return 0.0
    return 360.0 if (np.round(minutes) % 5 == 0).all() else 90.0


class Handling:
    """The day's slowed stretches that are no tack or gybe."""

    def __init__(self, samples: pd.DataFrame, maneuvers: pd.DataFrame, expected_kn: Floats) -> None:
        time = epoch_s(samples.index)
        stw = (samples["stw_kn"].to_numpy(dtype=float) if "stw_kn" in samples
               else np.full(time.size, np.nan))
        level = np.where(np.isfinite(expected_kn) & (expected_kn > 0.5), expected_kn, np.nan)
        # Her own angle may fall with her speed: what she did about it is the yardstick, not what
        # the polar gives for a boat that luffs.
        usual = running_mean(time, np.where(np.isfinite(stw), stw, np.nan), 1200.0)
        share = running_mean(time, stw, SMOOTH_S) / np.where(
            np.isfinite(usual) & (usual > 0.5), usual, level)
        slowed = share < SLOWED
        if len(maneuvers):
            turns = (maneuvers[maneuvers["kind"].isin(["tack", "gybe"])] if "kind" in maneuvers
                     else maneuvers)
            for a, b in zip(epoch_s(pd.DatetimeIndex(turns["start"])),
                            epoch_s(pd.DatetimeIndex(turns["end"])), strict=True):
                slowed &= (time < a - 10.0) | (time > b + 60.0)
        self.stretches = _joined(time, slowed, share)

    def event(self, mark_s: float) -> Event:
        """The stretch that a mark means; the mark itself where none stands out."""
        return self._event(mark_s, self.stretches)[0]

    def events(self, marks_s: Sequence[float]) -> list[Event]:
        """As `event` for each of a day's marks; no stretch answers for two of them.

        Of two marks that mean the same stretch the surer keeps it; the other looks again among
        what is left.
        """
        found: dict[float, Event] = {}
        left = list(self.stretches)
        open_marks = sorted(set(marks_s))
        while open_marks:
            weight, mark, event = max(
                ((weight, mark, event) for mark in open_marks
                 for event, weight in [self._event(mark, left)]), key=lambda one: one[0])
            found[mark] = event
            open_marks.remove(mark)
            if weight > 0.0:
                left = [one for one in left if one[0] != event.start_s]
        return [found[mark] for mark in marks_s]

    @staticmethod
    def _event(mark_s: float, stretches: Sequence[tuple[float, float, float]]
               ) -> tuple[Event, float]:
        """The event of a mark among some stretches, and its weight; 0 where none stands out."""
        weighed = sorted(((_weight(mark_s, *found), found) for found in stretches
                          if found[0] - REACH_S <= mark_s <= found[1] + REACH_S),
                         key=lambda one: -one[0])
        if not weighed or (len(weighed) > 1 and weighed[0][0] < DISTINCT * weighed[1][0]):
            return Event(mark_s, mark_s), 0.0
        start, stop, _ = weighed[0][1]
        return Event(start, stop, 0.5 * (start + stop) - mark_s), weighed[0][0]


def _joined(time: Floats, slowed: np.ndarray, share: Floats) -> list[tuple[float, float, float]]:
    """Start, end and loss (seconds of full speed) of each slowed stretch, near ones as one."""
    parts: list[list[float]] = []
    for s in true_stretches(slowed):
        start, stop = float(time[s.start]), float(time[s.stop - 1])
        lost = float(np.sum(1.0 - share[s]) * (stop - start) / max(s.stop - s.start - 1, 1))
        if parts and start - parts[-1][1] < JOIN_S:
            parts[-1][1], parts[-1][2] = stop, parts[-1][2] + lost
        else:
            parts.append([start, stop, lost])
    return [(a, b, lost) for a, b, lost in parts if b - a >= LEAST_S]


def _weight(mark_s: float, start_s: float, stop_s: float, lost_s: float) -> float:
    """How well a stretch answers for a mark: what it cost, the nearer the better."""
    apart = max(start_s - mark_s, mark_s - stop_s, 0.0)
    return lost_s * float(np.exp(-0.5 * (apart / USUAL_S) ** 2))
