"""Turns in a track: from one steady course to another, with the velocities before and after."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, arctan2d, wrap180, wrap360
from sailanalysis.core.series import running_mean, runs, step_s

MIN_TURN_DEG = 45.0
MAX_TURN_DEG = 160.0
"""Smaller turns are course changes, larger ones rounding or turning back: no mirror images."""
SMALL_TURN_DEG = 20.0
"""A gybe from and to a deep run; too much like a change of course to show an axis by itself."""
BEFORE_S = (75.0, 15.0)
AFTER_S = (15.0, 75.0)
"""Windows about an instant that are compared to find turns."""
LEG_S = 240.0
"""Longest stretch before and after a turn that is averaged."""
SETTLE_S = 30.0
"""After a turn she builds speed: left out of the average where the leg is long enough."""
MIN_RATIO = 0.25
"""Of the speeds before and after: a current across the wind may help on one side as much as it
hinders on the other."""
MIN_SPEED_KN = 1.0
EVEN_S = 8.0
"""A phone's positions wander by half a metre in a few seconds: 0.4 kn over four, 7 deg at three
knots. Twice as long halves that, and is no longer than a turn."""

_COLUMNS = ["time_s", "turn_deg", "middle_deg", "middle_axis_deg", "across_kn", "speed_kn",
            "lost_share", "mirror", "small"]


def track_turns(time_s: Floats, velocity_kn: np.ndarray) -> pd.DataFrame:
    """All turns of a moving boat from one steady course to another.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    velocity_kn : ndarray of complex, shape (n,)
        Over ground, north the real part and east the imaginary one.

    Returns
    -------
    DataFrame, one row a turn in order of time
        ``turn_deg`` positive to starboard; ``middle_deg`` halfway between the courses;
        ``middle_axis_deg`` square to the change of velocity, on the side of ``middle_deg``;
        ``across_kn`` what both velocities share to the right of that axis; ``speed_kn`` of both
        and ``lost_share`` of it at the slowest; ``mirror`` where they may be mirror images,
        ``small`` where they may if the axis is known otherwise.
    """
    rows: list[dict[str, float | bool]] = []
    for run in runs(time_s, max_gap_s=max(2.5 * step_s(time_s), 20.0) if time_s.size > 1 else 1.0):
        if time_s[run].size > 10:
            rows += _turns_of_run(time_s[run], velocity_kn[run])
    return pd.DataFrame(rows, columns=_COLUMNS)


def even(time_s: Floats, velocity_kn: np.ndarray) -> np.ndarray:
    """Velocity with a receiver's own wandering evened out."""
    return running_mean(time_s, velocity_kn.real, EVEN_S) + 1j * running_mean(
        time_s, velocity_kn.imag, EVEN_S)


class _Means:
    """Means of velocity over any window of one run, from prefix sums."""

    def __init__(self, time: Floats, velocity: np.ndarray) -> None:
        good = np.isfinite(velocity)
        self.time, v = time[good], velocity[good]
        self.velocity = v
        self._sum = np.concatenate([[0], np.cumsum(v)])
        # Unit vectors: how steady the course was, the receiver's own wandering evened out.
        slow = even(self.time, v)
        unit = slow / np.maximum(np.abs(slow), 1e-6)
        self._unit = np.concatenate([[0], np.cumsum(unit)])

    def over(self, start: Floats, end: Floats) -> tuple[np.ndarray, Floats, np.ndarray]:
        """Mean velocity, steadiness (0-1) and count in [start, end]."""
        lo, hi = np.searchsorted(self.time, start), np.searchsorted(self.time, end, side="right")
        count = np.maximum(hi - lo, 0)
        safe = np.maximum(count, 1)
        return ((self._sum[hi] - self._sum[lo]) / safe,
                np.abs(self._unit[hi] - self._unit[lo]) / safe, count)


def _turns_of_run(time: Floats, velocity: np.ndarray) -> list[dict[str, float | bool]]:
    means = _Means(time, velocity)
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
    sharp = np.abs(np.angle(near_after * np.conj(near_before))) * (size > SMALL_TURN_DEG)
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
    shared = 0.5 * (v1 + v2) * np.exp(-1j * np.radians(axis))
    speed = 0.5 * float(abs(v1) + abs(v2))
    lo, hi = np.searchsorted(means.time, [t - 20.0, t + 30.0])
    track = np.abs(means.velocity[lo:hi])
    slowest = float(np.min(running_mean(means.time[lo:hi], track, 6.0))) if track.size else speed
    ratio = float(abs(v2) / max(abs(v1), 1e-6))
    alike = (SMALL_TURN_DEG <= abs(turn) <= MAX_TURN_DEG and MIN_RATIO < ratio < 1.0 / MIN_RATIO
              and min(s1, s2) > 0.9 and speed > MIN_SPEED_KN)
    return {"time_s": t, "turn_deg": turn, "middle_deg": middle, "middle_axis_deg": axis,
            "across_kn": float(shared.imag), "speed_kn": speed,
            "lost_share": float(np.clip(1.0 - slowest / max(speed, 1e-6), 0, 1)),
            "mirror": bool(alike and abs(turn) >= MIN_TURN_DEG),
            "small": bool(alike and abs(turn) < MIN_TURN_DEG)}
