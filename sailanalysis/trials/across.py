"""A change behind minutes of handling: comparable sailing before and after it, across the gap.

Blocks within half an hour on either side count where the other side has their like: the same
tack and helm, near the same wind speed and angle. What is left of the wind's difference is taken
off as in any trial. The longer the gap, the more the sea, the tide and the crew may have changed:
that widens the interval. Where no like is left, the change came with another course, and nothing
is said.

References
----------
.. [1] Rosenbaum, Design of Observational Studies, 2nd ed., Springer, 2020, chapters 8 and 9
   (matching on a caliper, adjustment of what remains).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.trials.judge import Judged, judge_sides
from sailanalysis.trials.marks import Event
from sailanalysis.trials.sides import SKIP_AFTER_S, SKIP_BEFORE_S, Side, SteadyLog

NEAR_S: Final = 1800.0
"""Half an hour either side."""
MOST_BLOCKS: Final = 90
"""The nearest quarter of an hour of like sailing on each side."""
LIKE_TWS_KN: Final = 2.0
LIKE_TWA_DEG: Final = 7.0
LEAST_LIKE: Final = 3
LEAST_BLOCKS: Final = 12
"""Two minutes of like sailing a side."""
GAP_SHARE: Final = 0.02
"""Two runs in like wind half an hour apart repeat to two per cent (common practice); the variance
grows with the gap."""


@dataclass(frozen=True)
class Across:
    """The two sides of a change across its handling.

    Attributes
    ----------
    before, after : Side
        Like blocks.
    gap_s : float
        Between the last of one side and the first of the other.
    """

    before: Side
    after: Side
    gap_s: float

    def judged(self, event_s: float) -> Judged:
        """The gain of the change at an instant, its error holding the gap."""
        found = judge_sides(self.before, self.after, event_s)
        speed = float(np.mean(np.concatenate([self.before.stw, self.after.stw])))
        more = GAP_SHARE * speed * np.sqrt(self.gap_s / NEAR_S)
        error = float(np.hypot(found.error, more))
        scatter = found.error if found.error > 0 else 1e-9
        return replace(found, error=error,
                       freedom=float(min(found.freedom * (error / scatter) ** 4, 1e6)))


def like_sides(log: SteadyLog, event: Event, mark_s: float, blur_s: float) -> Across | str:
    """Like sailing on both sides of an event.

    Parameters
    ----------
    log : SteadyLog
    event : Event
    mark_s : float
        The mark itself, which is no other change.
    blur_s : float
        How far a mark that was left in its place may be off.

    Returns
    -------
    Across or str
        The sides, or why there are none.
    """
    left = event.start_s - (blur_s if np.isnan(event.moved_s) else 0.0) - SKIP_BEFORE_S
    right = event.stop_s + (blur_s if np.isnan(event.moved_s) else 0.0) + SKIP_AFTER_S
    others = log.busy_s[~((log.busy_s[:, 0] <= mark_s + 1.0) & (log.busy_s[:, 1] >= mark_s - 1.0)
                          | (log.busy_s[:, 0] == event.start_s))]
    past, ahead = others[others[:, 0] < left, 1], others[others[:, 0] >= left, 0]
    low = max(left - NEAR_S, float(past.max()) + SKIP_AFTER_S if past.size else -np.inf)
    high = min(right + NEAR_S, float(ahead.min()) - SKIP_BEFORE_S if ahead.size else np.inf)
    before, after = log.blocks(low, left, mark_s), log.blocks(right, high, mark_s)
    short = [name for name, side in (("before", before), ("after", after))
             if side is None or side.at.size < LEAST_BLOCKS]
    if before is None or after is None or short:
        return ("less than two minutes of steady sailing within half an hour "
                + " and ".join(short) + " the change")
    kept = _like(before, after), _like(after, before)
    if min(k.sum() for k in kept) < LEAST_BLOCKS:
        return ("she sailed at another angle, on the other tack or in another wind after it: "
                "nothing like it to compare with")
    first, second = _nearest(before, kept[0], -1), _nearest(after, kept[1], 1)
    return Across(first, second, float(second.at.min() - first.at.max()))


def _like(one: Side, other: Side) -> NDArray[np.bool_]:
    """Blocks of one side that have their like on the other."""
    near = (np.abs(one.tws[:, None] - other.tws[None, :]) <= LIKE_TWS_KN) & (
        np.abs(one.twa[:, None] - other.twa[None, :]) <= LIKE_TWA_DEG)
    return np.asarray(near.sum(axis=1) >= LEAST_LIKE, dtype=bool)


def _nearest(side: Side, kept: NDArray[np.bool_], sign: int) -> Side:
    """The like blocks nearest the change."""
    index = np.flatnonzero(kept)
    index = index[:MOST_BLOCKS] if sign > 0 else index[-MOST_BLOCKS:]

    def late(value: Floats) -> Floats:
        return np.asarray(value[:, index], dtype=float)

    return Side(side.at[index], side.stw[index], late(side.tws_late), late(side.twa_late),
                late(side.expected_late), side.delay)
