"""Sail and board changes behind minutes of handling, written down as people write: rounded and late.

A boat of :func:`seas.trials.boat_speed` sails for two hours in gusty, drifting wind. At a change she luffs
and slows for some minutes (or, for a board, hardly slows), then sails on, on the same course or, where the
change was made because the course changed, on another. Nothing here is shared with the package.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sailanalysis.core.model import CrewEntry, CrewLog
from seas.trials import boat_speed, noise


@dataclass(frozen=True)
class Changed:
    """What was sailed, what was written down, and the truth."""

    samples: pd.DataFrame
    maneuvers: pd.DataFrame
    crew: CrewLog
    speed_model: object
    gain_kn: float
    start_s: float
    stop_s: float
    comparable: bool


def day(seed, gain_kn=None, other_course=None, round_min=None, deep=True):
    """One change within two hours."""
    rng = np.random.default_rng([seed, 77])
    cat = rng.random() < 0.5
    tws, hull = rng.uniform(8, 19), rng.uniform(8, 13) if cat else rng.uniform(5.5, 8.5)
    twa = rng.uniform(42, 150)
    gain = float(rng.choice([0.0, 0.0, 0.3, 0.6, 0.9, -0.6])) if gain_kn is None else gain_kn
    other = rng.random() < 0.25 if other_course is None else other_course
    n = 7200
    t = np.arange(n, dtype=float)
    start = rng.uniform(2400, 4500)
    handling = rng.uniform(120, 240)
    stop = start + handling
    slow = tws * (1 + 0.06 * noise(rng, n, 1.0, 1200.0))
    gust = slow * (1 + 0.10 * noise(rng, n, 1.0, 25.0))
    side = rng.choice([-1.0, 1.0])
    legs = 4.0 * noise(rng, n, 1.0, 600.0)
    angle = twa + legs + 3.0 * noise(rng, n, 1.0, 40.0)
    if other:
        angle[t >= start] += rng.choice([-1, 1]) * rng.uniform(30, 45) if 80 < twa < 115 else (
            35.0 if twa <= 80 else -35.0)
    work = (t >= start) & (t < stop)
    luff = np.clip(np.minimum(t - start, stop - t) / 25.0, 0, 1) * work
    angle = angle - (rng.uniform(15, 40) if deep else 4.0) * luff * np.clip((angle - 30) / 40, 0, 1)
    share = 1.0 - (rng.uniform(0.3, 0.6) if deep else 0.06) * luff
    felt = gust + 0.04 * slow * noise(rng, n, 1.0, 8.0)
    goal = boat_speed(felt, angle, hull, 0.7 if cat else 0.55) + gain * (t >= stop)
    goal = (goal + 0.05 * noise(rng, n, 1.0, 900.0)) * share
    speed, v, lag = np.empty(n), goal[0], rng.uniform(8, 20)
    for i in range(n):
        v += (goal[i] - v) / lag
        speed[i] = v
    speed += 0.1 * noise(rng, n, 1.0, 2.0) * tws / 12
    first = pd.Timestamp("2031-06-01 10:00:00", tz="UTC")
    index = pd.date_range(first, periods=n, freq="1s", name="time").as_unit("us")
    samples = pd.DataFrame({
        "stw_kn": speed.round(2), "tws_kn": gust + 0.03 * slow * rng.standard_normal(n),
        "twa_deg": side * np.clip(angle + 2.0 * rng.standard_normal(n), 20, 178),
        "helm": np.full(n, "Ada", dtype=object), "state": np.full(n, "sailing", dtype=object)}, index=index)
    off = rng.uniform(-6, 6) if round_min is None else 0.0
    written = 0.5 * (start + stop) / 60 + off
    every = round_min or 5.0
    written = round(written / every) * every if round_min is None or round_min > 0 else written
    origin = first.timestamp()
    crew = CrewLog((CrewEntry(origin, "sails", "main+jib"),
                    CrewEntry(origin + 60 * written, "sails", "main+reacher")))
    error = rng.normal(0, 0.2)

    def speed_model(wind, at):
        """The polar with its slope off by a share, and a level off as polars are."""
        wind, at = np.asarray(wind, dtype=float), np.abs(np.asarray(at, dtype=float))
        middle = boat_speed(np.full_like(wind, tws), np.full_like(wind, twa), hull, 0.7 if cat else 0.55)
        return 0.97 * middle + (1 + error) * (boat_speed(wind, at, hull, 0.7 if cat else 0.55) - middle)

    return Changed(samples, pd.DataFrame(), crew, speed_model, gain, origin + start, origin + stop, not other)
