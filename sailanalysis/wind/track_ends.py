"""Which end of the axis of a track's turns the wind blows from: what tacks and gybes cost."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, wrap180
from sailanalysis.wind.track_turns import MIN_SPEED_KN

ENOUGH_EVIDENCE = 2.5
"""Log odds of twelve to one: below that the track is said not to tell."""

SLOWEST_KN = 2.5
APART = 1.5
"""So slow at one end, and half as fast again at the other, she may be in a stream of a knot along
the wind: what turns seem to cost over ground then differs by more than tacks do from gybes."""


def in_a_stream(turns: pd.DataFrame, axis_deg: float) -> bool:
    """Whether the speeds at the two ends look like a slow boat's in a stream along the axis."""
    speed = turns["speed_kn"].to_numpy(dtype=float)
    here = np.abs(wrap180(turns["middle_deg"].to_numpy(dtype=float) - axis_deg)) < 90.0
    if min(here.sum(), (~here).sum()) < 2:
        return False
    slow, fast = sorted((float(np.median(speed[here])), float(np.median(speed[~here]))))
    return slow < SLOWEST_KN and fast > APART * slow


def upwind_evidence(turns: pd.DataFrame, axis_deg: float, run_s: tuple[float, float]) -> float:
    """Log odds that the wind blows from ``axis_deg`` rather than from the other end.

    Four things tell the ends apart (common practice, each capped so that none decides alone
    against the others): a tack costs a third of the speed or more, a gybe a sixth or less; in
    knots too a tack costs more, and that no current changes, while along the wind it makes the
    share of the speed over ground larger at one end and smaller at the other; tacks turn through
    a right angle or more, gybes mostly through less; and nobody sails for minutes within 25 deg
    of where the wind comes from, but one may of where it goes (a boat motoring home does, so this
    counts least). Turns of one boat are alike, so more of them do not count for more; the ends'
    medians are compared where there are turns at both.

    Parameters
    ----------
    turns : DataFrame
        The agreeing ones.
    axis_deg : float
    run_s : tuple of float
        Steady seconds within 25 deg of the axis and of its other end.
    """
    share = turns["lost_share"].to_numpy(dtype=float)
    lost_kn = share * turns["speed_kn"].to_numpy(dtype=float)
    size = np.abs(turns["turn_deg"].to_numpy(dtype=float))
    here = np.abs(wrap180(turns["middle_deg"].to_numpy(dtype=float) - axis_deg)) < 90.0
    drop = 0.0
    if min(here.sum(), (~here).sum()) >= 2:
        cost = (np.median(share[here]) - np.median(share[~here])) / 0.05
        angle = (np.median(size[here]) - np.median(size[~here])) / 15.0
        least = np.maximum([np.median(lost_kn[here]), np.median(lost_kn[~here])], 0.1)
        # A boat twice as fast downwind that loses a sixth there and a third upwind loses alike.
        drop = float(np.log(least[0] / least[1])) / 0.25
    else:
        sign = 1.0 if here.sum() >= (~here).sum() else -1.0
        cost = sign * (np.median(share) - 0.22) / 0.05
        angle = sign * (np.median(size) - 75.0) / 15.0
    toward, away = run_s
    run = 1.0 if away > 120.0 and away > 4 * toward else 0.0
    run -= 1.0 if toward > 120.0 and toward > 4 * away else 0.0
    return float(np.clip(cost, -4.0, 4.0) + np.clip(drop, -2.0, 2.0) + np.clip(angle, -1.5, 1.5)
                 + run)


def seconds_near(time_s: Floats, velocity_kn: np.ndarray, axis_deg: float) -> tuple[float, float]:
    """Seconds under way on courses within 25 deg of the axis, and of its other end."""
    step = np.append(np.diff(time_s), 0.0)
    step = np.where(step > 60.0, 0.0, step)
    good = np.isfinite(velocity_kn) & (np.abs(np.nan_to_num(velocity_kn)) > MIN_SPEED_KN)
    course = np.degrees(np.angle(np.where(good, velocity_kn, 1.0)))
    off = np.abs(wrap180(course - axis_deg))
    return (float(step[good & (off < 25.0)].sum()), float(step[good & (off > 155.0)].sum()))
