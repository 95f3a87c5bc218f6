"""Seasons of a crew's numbers, day by day, with and without learning; nothing is sailed."""

from __future__ import annotations

import numpy as np

from sailanalysis.ledger.exercises import PracticeDay, advice, candidates, plan
from sailanalysis.ledger.numbers import Number


class Crew:
    """True means, how far days differ, and what a day measures."""

    def __init__(self, seed: int) -> None:
        rng = self.rng = np.random.default_rng([seed, 17])
        self.mean = {("tack_loss_s", ""): rng.normal(9.0, 2.5), ("gybe_loss_s", ""): rng.normal(6.0, 2.0),
                     ("upwind_angle_percent", ""): rng.gamma(3.0, 0.5), ("downwind_angle_percent", ""): rng.gamma(3.0, 0.6),
                     ("rudder_percent", "Marit"): rng.normal(100, 20), ("rudder_percent", "Jonas"): rng.normal(105, 20)}
        self.day_share = rng.uniform(0.06, 0.14)  # days differ by about a tenth

    def day(self, number: int, gains=None) -> PracticeDay:
        rng = self.rng
        tws = float(rng.uniform(8, 16))
        numbers = []
        for (measure, helm), mean in self.mean.items():
            mean = mean * (1.0 - (gains or {}).get((measure, helm), 0.0))
            true = mean + rng.normal() * self.day_share * abs(self.mean[measure, helm])
            if measure.endswith("loss_s"):
                count = int(rng.integers(5, 15))
                # a turn differs from the next by a quarter, and is known to two seconds
                turns = true + rng.normal(0, np.hypot(0.25 * mean, 1.7), count)
                numbers.append(Number(measure, helm, float(turns.mean()),
                                      float(max(turns.std(ddof=1), 1.7) / np.sqrt(count)), count, tws))
            elif measure.endswith("angle_percent"):
                numbers.append(Number(measure, helm, true + rng.normal(0, 0.25), 0.25, 40, tws))
            else:
                numbers.append(Number(measure, helm, true * np.exp(rng.normal(0, 0.1)), 0.1 * true, 40, tws))
        return PracticeDay(date_of(number), tuple(numbers))


def date_of(number: int) -> str:
    return str(np.datetime64("2026-05-01") + np.timedelta64(number, "D"))


def season(seed: int, days: int = 25, gain: float = 0.0, from_day: int = 3):
    """Days as filed, each with what it set; the first exercise set from ``from_day`` on truly helps by ``gain``."""
    crew, filed, helped = Crew(seed), [], None
    for number in range(days):
        made = crew.day(number, {helped.key: gain} if helped else None)
        worth = candidates(made.date, made.numbers, filed, {})
        tomorrow = plan(made.date, made.numbers, filed, worth)
        filed.append(PracticeDay(made.date, made.numbers, tomorrow.exercises))
        new = [e for e in tomorrow.exercises if e.proposed == made.date and e.known]
        if gain and helped is None and number >= from_day and new:
            helped = new[0]
    return filed, helped


def said_helped(filed) -> list:
    """Exercises of which any evening of the season said that they helped."""
    out = []
    for k in range(1, len(filed) + 1):
        out += [c for c in advice(filed[:k]) if c.verdict == "helped"
                and (c.exercise.key, c.exercise.proposed) not in [(o.exercise.key, o.exercise.proposed) for o in out]]
    return out
