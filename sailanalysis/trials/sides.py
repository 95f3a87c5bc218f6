"""One side of a trial: unbroken steady sailing in ten-second blocks, the wind at several delays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, wrap180
from sailanalysis.core.series import epoch_s, running_mean, running_mean_angle, step_s
from sailanalysis.core.stats import finite_mean
from sailanalysis.helm.windows import (
    AFTER_MANEUVER_S,
    BEFORE_MANEUVER_S,
    helm_names,
)
from sailanalysis.segment.use import is_sailed

SpeedModel = Callable[[Floats, Floats], Floats]

LONGEST_S: Final = 480.0
"""More than eight minutes away the day itself has changed."""
SKIP_BEFORE_S: Final = 10.0
SKIP_AFTER_S: Final = 45.0
"""Hands are still moving, and a boat takes some twenty seconds to find her new speed."""
LAG_S: Final = 20.0
"""Wind is averaged over this long: a boat's speed does not follow quicker changes."""
DELAYS_S: Final = (0.0, 6.0, 12.0, 18.0, 25.0)
"""By how much the hull may answer the wind late; the delay that explains most of the sides' own
scatter is taken, trial by trial."""
BLOCK_S: Final = 10.0
TURN_LIMIT_DEG: Final = 20.0
"""A stretch ends where the slow wind angle has left that at the change by this much."""



@dataclass
class Side:
    """Ten-second blocks on one side of a change; wind and expected speed a row a delay."""

    at: Floats
    stw: Floats
    tws_late: Floats
    twa_late: Floats
    expected_late: Floats
    delay: int = 0

    @property
    def tws(self) -> Floats:
        """True wind speed at the delay chosen, knots."""
        return np.asarray(self.tws_late[self.delay], dtype=float)

    @property
    def twa(self) -> Floats:
        """True wind angle at the delay chosen."""
        return np.asarray(self.twa_late[self.delay], dtype=float)

    @property
    def expected(self) -> Floats:
        """Speed the polar gives at the delay chosen, knots."""
        return np.asarray(self.expected_late[self.delay], dtype=float)

    @property
    def minutes(self) -> float:
        """Length of the side."""
        return self.at.size * BLOCK_S / 60.0


class SteadyLog:
    """The day as ten-second blocks need it: smoothed wind, unbroken steady sailing."""

    def __init__(self, samples: pd.DataFrame, maneuvers: pd.DataFrame, events_s: Floats,
                 speed_model: SpeedModel | None) -> None:
        time = epoch_s(samples.index)
        missing = np.full(time.size, np.nan)

        def column(name: str) -> Floats:
            return samples[name].to_numpy(dtype=float) if name in samples else missing

        self.time = time
        self.stw = column("stw_kn")
        tws = running_mean(time, column("tws_kn"), LAG_S)
        twa = running_mean_angle(time, column("twa_deg"), LAG_S)
        self.twa = twa
        late = [self._earlier(time, delay) for delay in DELAYS_S]
        self.tws_late = [np.where(ok, tws[i], np.nan) for i, ok in late]
        self.twa_late = [np.where(ok, twa[i], np.nan) for i, ok in late]
        self.helm = helm_names(samples)
        self.has_wind = bool(np.isfinite(tws).any() and np.isfinite(twa).any())
        expected = missing
        if speed_model is not None and self.has_wind:
            expected = np.asarray(speed_model(tws, twa), dtype=float)
        self.expected_kn = expected
        self.expected_late = [np.where(ok, expected[i], np.nan) for i, ok in late]
        self.steady = self._steady(samples, maneuvers)
        self.run = self._runs(time)
        self.events_s = np.sort(events_s)
        self.busy_s = np.column_stack([self.events_s, self.events_s])
        self.whole_minutes = all(abs(e / 60.0 - round(e / 60.0)) < 1e-6 for e in self.events_s)

    def _runs(self, time: Floats) -> NDArray[np.int_]:
        """Number of the unbroken stretch of one helm, steady or not, that a sample lies in."""
        breaks = np.zeros(time.size, dtype=bool)
        if time.size > 1:
            breaks[1:] = (np.diff(time) > max(2.5 * step_s(time), 5.0)) | (
                self.helm[1:] != self.helm[:-1]) | (self.steady[1:] != self.steady[:-1])
        return np.cumsum(breaks)

    def set_busy(self, busy_s: Floats) -> None:
        """Leave out the times in which hands were at a change, and settling after it.

        Parameters
        ----------
        busy_s : ndarray, shape (n, 2)
            First and last second of each change of the day; alike where it was done at once.
        """
        self.busy_s = busy_s
        for start, stop in busy_s[busy_s[:, 1] > busy_s[:, 0]]:
            self.steady[np.searchsorted(self.time, start - SKIP_BEFORE_S):
                        np.searchsorted(self.time, stop + SKIP_AFTER_S)] = False
        self.run = self._runs(self.time)

    def _steady(self, samples: pd.DataFrame, maneuvers: pd.DataFrame) -> NDArray[np.bool_]:
        """Samples under sail with a speed, away from maneuvers."""
        steady = np.isfinite(self.stw)
        if "state" in samples:
            steady &= is_sailed(samples)
        if not maneuvers.empty:
            for a, b in zip(epoch_s(maneuvers["start"]), epoch_s(maneuvers["end"]), strict=True):
                steady[np.searchsorted(self.time, a - BEFORE_MANEUVER_S):
                       np.searchsorted(self.time, b + AFTER_MANEUVER_S)] = False
        return steady

    @staticmethod
    def _earlier(time: Floats, delay_s: float) -> tuple[NDArray[np.int_], NDArray[np.bool_]]:
        """Sample of each instant a delay ago, and whether there is one."""
        at = np.clip(np.searchsorted(time, time - delay_s), 0, max(time.size - 1, 0))
        return at, np.abs(time[at] - (time - delay_s)) < 2.0

    def side(self, event_s: float, sign: int, skip_s: float, longest_s: float = LONGEST_S,
             others: Floats | None = None) -> Side | None:
        """Blocks on one side of an instant, out to the first break; None if there is none."""
        low, high = self._reach(event_s, sign, skip_s, longest_s,
                                self.events_s if others is None else others)
        a, b = (int(i) for i in np.searchsorted(self.time, [low, high]))
        if b - a < 2 or not self.steady[a if sign > 0 else b - 1]:
            return None
        a, b = self._unbroken(a, b, sign)
        if b - a < 2:
            return None
        return self._blocked(a, b, event_s)

    def blocks(self, low_s: float, high_s: float, event_s: float) -> Side | None:
        """All steady blocks of one helm between two instants, whatever breaks lie between.

        The helm is the one who steered most of them.
        """
        a, b = (int(i) for i in np.searchsorted(self.time, [low_s, high_s]))
        if b - a < 2 or not self.steady[a:b].any():
            return None
        names, counts = np.unique(self.helm[a:b][self.steady[a:b]].astype(str), return_counts=True)
        mine = self.steady & (self.helm.astype(str) == names[int(np.argmax(counts))])
        edges = np.flatnonzero(np.diff(self.run[a:b]) != 0) + 1 + a
        parts = [self._blocked(int(i), int(j), event_s)
                 for i, j in zip(np.r_[a, edges], np.r_[edges, b], strict=True)
                 if mine[i] and self.time[j - 1] - self.time[i] >= 2 * BLOCK_S]
        if not parts:
            return None
        return Side(np.concatenate([p.at for p in parts]), np.concatenate([p.stw for p in parts]),
                    np.hstack([p.tws_late for p in parts]), np.hstack([p.twa_late for p in parts]),
                    np.hstack([p.expected_late for p in parts]))

    def _blocked(self, a: int, b: int, event_s: float) -> Side:
        """Ten-second means of the samples ``[a, b)``."""
        t = self.time[a:b]
        block = ((t - t[0]) // BLOCK_S).astype(int)
        size = np.bincount(block)
        full = size >= 0.6 * np.median(size)

        def means(value: Floats) -> Floats:
            total = np.bincount(block, weights=np.nan_to_num(value[a:b]))
            good = np.bincount(block, weights=np.isfinite(value[a:b]).astype(float))
            mean = np.divide(total, good, out=np.full(total.shape, np.nan), where=good > 0)
            return np.asarray(mean[full], dtype=float)

        # Running dead before the wind the angle flickers between the two sides of 180.
        tack = -1.0 if finite_mean(np.sign(self.twa[a:b])) < 0 else 1.0
        return Side(means(self.time) - event_s, means(self.stw),
                    np.array([means(v) for v in self.tws_late]),
                    np.array([means(np.abs(v)) * tack for v in self.twa_late]),
                    np.array([means(v) for v in self.expected_late]))

    @staticmethod
    def _reach(event_s: float, sign: int, skip_s: float, longest_s: float, others: Floats
               ) -> tuple[float, float]:
        """First and last second a side may have: out to the longest, or to another change."""
        edge = event_s + sign * skip_s
        if sign < 0:
            past = others[others < event_s - 1.0]
            nearest = float(past.max()) + SKIP_AFTER_S if past.size else -np.inf
            return max(edge - longest_s, nearest), edge
        ahead = others[others > event_s + 1.0]
        nearest = float(ahead.min()) - SKIP_BEFORE_S if ahead.size else np.inf
        return edge, min(edge + longest_s, nearest)

    def _unbroken(self, a: int, b: int, sign: int) -> tuple[int, int]:
        """Samples from the change's end of ``[a, b)`` out to the first break or turn."""
        same = self.run[a:b] == self.run[a if sign > 0 else b - 1]
        if self.has_wind:
            angle = self.twa[a:b]
            tenth = max(2, int(0.1 * angle.size))
            near = angle[:tenth] if sign > 0 else angle[-tenth:]
            middle = float(np.nanmedian(near)) if np.isfinite(near).any() else float("nan")
            same &= ~(np.abs(wrap180(angle - middle)) > TURN_LIMIT_DEG)
        broken = np.flatnonzero(~same)
        if not broken.size:
            return a, b
        return (a, a + int(broken[0])) if sign > 0 else (a + int(broken[-1]) + 1, b)
