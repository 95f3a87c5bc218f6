"""Three places of the day that are worth a look, and why.

In this order, each where there is one; the first three are shown:

1. the turn that lost most, where it lost clearly more than the day's best of its kind;
2. the best turn of the kind that was made most: how it should look;
3. the trim or sail change that made the clearest difference;
4. the long steady leg that was furthest below the polar, and the one furthest above;
5. the longest steady leg.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.report.day.facts import Facts, Floats, flags, numbers, seconds, texts
from sailanalysis.report.page.words import amount, clock, known

LONG_S: Final = 180.0
"""A leg of three minutes is long enough to look at (common practice)."""
MOST: Final = 3


@dataclass(frozen=True)
class Place:
    """A stretch of the day worth a look, times in seconds since 1970.

    Attributes
    ----------
    start_s, middle_s, end_s : float
    name : str
        ``tack 4 · 13:14``.
    why : str
    """

    start_s: float
    middle_s: float
    end_s: float
    name: str
    why: str


def places_of(facts: Facts) -> tuple[Place, ...]:
    """At most three places, none within another."""
    out: list[Place] = []
    for place in (*_turns(facts), *_trial(facts), *_legs(facts)):
        if len(out) < MOST and not any(place.start_s < other.end_s and other.start_s < place.end_s
                                       for other in out):
            out.append(place)
    return tuple(out)


def _turns(facts: Facts) -> Iterator[Place]:
    table = facts.day.maneuvers.reset_index(drop=True)
    if not len(table):
        return
    loss = np.where(flags(table, "rated"), numbers(table, "loss_m"), np.nan)
    kinds = texts(table, "kind")
    costed = [(int(known_of(loss, kinds, k).sum()), k) for k in ("tack", "gybe")]
    many, kind = max(costed)
    if many >= 2:
        mine = np.flatnonzero(known_of(loss, kinds, kind))
        worst, best = mine[np.argmax(loss[mine])], mine[np.argmin(loss[mine])]
        high, low = numbers(table, "loss_m_low")[worst], numbers(table, "loss_m_high")[best]
        apart = not (known(high) and known(low)) or high > low
        if apart:
            yield _turn(facts, table, int(worst), f"{amount(loss[worst], 'm', 0)}, the dearest")
            yield _turn(facts, table, int(best), f"{amount(loss[best], 'm', 0)}, how it should "
                        "look")
    elif many == 1:
        only = int(np.flatnonzero(known_of(loss, kinds, kind))[0])
        yield _turn(facts, table, only, f"{amount(loss[only], 'm', 0)}")


def known_of(loss: Floats, kinds: NDArray[np.object_], kind: str) -> NDArray[np.bool_]:
    """Turns of a kind whose cost is known."""
    return np.asarray(np.isfinite(loss) & (kinds == kind), dtype=bool)


def _turn(facts: Facts, table: pd.DataFrame, i: int, why: str) -> Place:
    start, end = (float(seconds(table[name])[i]) for name in ("start", "end"))
    return Place(start, 0.5 * (start + end), end, facts.names[i], why)


def _trial(facts: Facts) -> Iterator[Place]:
    table = facts.day.trials.reset_index(drop=True)
    if not len(table):
        return
    gain = np.where(np.isin(texts(table, "verdict"), ("faster", "slower")),
                    np.abs(numbers(table, "gain_kn")), np.nan)
    if np.isfinite(gain).any():
        i = int(np.nanargmax(gain))
        at = float(seconds(table["time"])[i])
        yield Place(at - 300.0, at, at + 300.0,
                    f"{facts.scrub(texts(table, 'what')[i])} · {clock(at, False)}",
                    f"{amount(gain[i], 'kn', 1)} {texts(table, 'verdict')[i]}")


def _legs(facts: Facts) -> Iterator[Place]:
    table = facts.day.legs.reset_index(drop=True)
    if not len(table):
        return
    span, ratio = numbers(table, "duration_s"), 100.0 * numbers(table, "polar_ratio")
    ratio = np.where(span >= LONG_S, ratio, np.nan)
    if np.isfinite(ratio).sum() >= 2:
        low, high = int(np.nanargmin(ratio)), int(np.nanargmax(ratio))
        yield _leg(table, low, f"{ratio[low]:.0f} % of the polar's speed, the day's lowest")
        yield _leg(table, high, f"{ratio[high]:.0f} % of the polar's speed, the day's highest")
    longest = int(np.nanargmax(span))
    yield _leg(table, longest, "the longest steady leg")


def _leg(table: pd.DataFrame, i: int, why: str) -> Place:
    start, end = (float(seconds(table[name])[i]) for name in ("start", "end"))
    return Place(start, 0.5 * (start + end), end, f"leg {i + 1} · {clock(start, False)}", why)
