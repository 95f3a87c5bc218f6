"""One maneuver laid on its series: sides, angles, and the direction that counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, cosd, mean_angle, wrap180
from sailanalysis.core.points import DOWNWIND_TWA_DEG, UPWIND_TWA_DEG
from sailanalysis.core.series import epoch_s
from sailanalysis.maneuvers.reasons import Reason
from sailanalysis.maneuvers.reference import SpeedModel
from sailanalysis.maneuvers.series import Series

Bools = NDArray[np.bool_]

LEAD_S: Final = 8.0
"""The helm's preparation (bearing away for speed, easing) lies before the turn."""
AROUND_S: Final = 75.0
"""Sailing further off than the wind's own memory (a minute or so) tells little."""
BEFORE_S: Final = 200.0
AFTER_S: Final = 400.0
"""What lies further off plays no part in a maneuver's cost."""
LEAST_S: Final = 20.0
"""Less steady sailing than this on a side does not carry a reference."""
SLOW_S: Final = 10.0
"""With a longer time between readings not six of them fall into a minute, turn and build."""
OWN_SLOW_S: Final = 25.0
"""A fall of speed that begins later than this after the turn is not the turn's."""
TWO_SIDED: Final = ("tack", "gybe")
"""Kinds that come out on the other tack."""
NEW_COURSE: Final = ("bear_away", "head_up")
"""Kinds that take up another course."""


@dataclass(frozen=True)
class Place:
    """Where one maneuver lies on the part of its series around it; bins of that part throughout.

    ``shift`` is where the part begins in the ``whole``; ``floor`` is where the maneuver before
    ended, ``ceiling`` where the next begins.
    """

    row: int
    kind: str
    series: Series
    whole: Series
    shift: int
    start: int
    end: int
    crossing: int
    floor: int
    ceiling: int

    @property
    def two_sided(self) -> bool:
        """Whether she came out on another tack."""
        return self.kind in TWO_SIDED

    @property
    def step_s(self) -> float:
        """Seconds of a bin."""
        return self.series.grid.step_s

    @property
    def begin(self) -> int:
        """First bin over which the loss is counted."""
        return max(0, self.start - self.series.grid.bins(LEAD_S))

    def bins(self, seconds: float) -> int:
        """Bins in a span of seconds, at least one."""
        return self.series.grid.bins(seconds)


@dataclass(frozen=True)
class Sides:
    """The sailing before and after a maneuver, and what counts as made good there.

    Attributes
    ----------
    place : Place
    before, after : ndarray of bool, shape (n,)
        Sailing that the reference may rest on; the latter rough until the build is known.
    twa_before_deg, twa_after_deg : float
    along : str
        ``wind`` or ``course``.
    sign : float
        -1 where downwind counts.
    measure : ndarray, shape (n,)
        Speed made good in that direction, m/s, positive.
    """

    place: Place
    before: Bools
    after: Bools
    twa_before_deg: float
    twa_after_deg: float
    along: str
    sign: float
    measure: Floats


def place_maneuvers(series: list[Series], table: pd.DataFrame) -> list[Place]:
    """Lay the table's maneuvers on the series; those that lie on none are left out."""
    start, end = epoch_s(table["start"]), epoch_s(table["end"])
    crossing = np.where(table["crossing"].notna(),
                        epoch_s(table["crossing"].fillna(table["end"])), end)
    places: list[Place] = []
    for one in series:
        t0, t1 = one.time_s[0] - one.grid.step_s, one.time_s[-1] + one.grid.step_s
        inside = [k for k in range(len(table)) if start[k] >= t0 and end[k] <= t1]
        for j, k in enumerate(inside):
            floor = one.index(end[inside[j - 1]]) if j else 0
            ceiling = one.index(start[inside[j + 1]]) if j + 1 < len(inside) \
                else len(one.grid) - 1
            here = one.index(start[k]), one.index(end[k])
            floor, ceiling = _past_slow(one, *here, floor, ceiling)
            places.append(_cut(Place(k, str(table["kind"].iloc[k]), one, one, 0, *here,
                                     one.index(crossing[k]), floor, ceiling)))
    return sorted(places, key=lambda place: place.row)


def _past_slow(one: Series, start: int, end: int, floor: int, ceiling: int) -> tuple[int, int]:
    """Bounds drawn in to slow stretches on either side that are not the maneuver's own."""
    lead, build = one.grid.bins(LEAD_S), one.grid.bins(OWN_SLOW_S)
    for part in one.slow:
        if floor < part.stop < start - lead:
            floor = part.stop
        elif end + build < part.start < ceiling:
            ceiling = part.start
    return floor, ceiling


def _cut(place: Place) -> Place:
    """The same place on the part of the series that plays a role."""
    one = place.whole
    a = max(0, place.start - one.grid.bins(BEFORE_S))
    b = min(len(one.grid), place.end + one.grid.bins(AFTER_S))
    return Place(place.row, place.kind, one.cut(a, b), one, a, place.start - a, place.end - a,
                 place.crossing - a, max(0, place.floor - a), min(place.ceiling, b - 1) - a)


def sides_of(place: Place, model: SpeedModel | None) -> Sides | Reason:
    """Sides, angles and the direction that counts; the reason where a side is missing."""
    one = place.series
    lead, reach = place.bins(LEAD_S), place.bins(AROUND_S)
    index = np.arange(len(one.grid))
    known = np.isfinite(one.vmg_ms)
    begin = place.start - lead
    before = known & (index >= max(place.floor, begin - reach)) & (index < begin)
    # Until the build is known: the later half of what follows, two minutes and a half at most.
    last = min(place.ceiling - lead, place.end + 2 * reach)
    after = known & (index >= (place.end + last) // 2) & (index < last)
    if not after.any():
        after = known & (index > place.end) & (index < place.ceiling)
    if not before.any() or not after.any():
        if one.readings(0, len(one.grid)) * SLOW_S < len(one.grid) * one.grid.step_s:
            return Reason.SLOW_LOG
        return edge_reason(place, int(before.sum()), int(after.sum()))
    twa = [float(wrap180(mean_angle(one.twa_deg[mask]))) for mask in (before, after)]
    along, sign = _direction(one, before | after, twa[0], twa[1], model)
    measure = sign * one.vmg_ms if along == "wind" else _along_course(place, before, after)
    return Sides(place, before, after, twa[0], twa[1], along, sign, measure)


def edge_reason(place: Place, before: int, after: int, least: int = 1) -> Reason:
    """Why a side holds less than ``least`` bins of steady sailing."""
    log_ends = place.ceiling >= len(place.series.grid) - 1
    if (before < least and place.floor > 0) or (after < least and not log_ends):
        return Reason.TOO_CLOSE
    return Reason.EDGE


def _direction(one: Series, used: Bools, twa_before_deg: float, twa_after_deg: float,
               model: SpeedModel | None) -> tuple[str, float]:
    """Along the wind where she beat or ran, along the course where she reached.

    She reached between the bounds of the points of sail, unless her own best angles lie nearer
    the beam.
    """
    before, after = abs(twa_before_deg), abs(twa_after_deg)
    sign = 1.0 if before + after < 180.0 else -1.0
    best = _best_angle_deg(one.tws_kn[used], model, sign)
    if sign > 0:
        reaching = max(before, after) > max(UPWIND_TWA_DEG, best + 15.0)
    else:
        reaching = min(before, after) < min(DOWNWIND_TWA_DEG, best - 20.0)
    return ("course" if reaching else "wind"), sign


def _best_angle_deg(tws_kn: Floats, model: SpeedModel | None, sign: float) -> float:
    """Angle of best speed made good, up or down, by the polar; 45 or 150 without one."""
    usual = 45.0 if sign > 0 else 150.0
    if model is None or not np.isfinite(tws_kn).any():
        return usual
    angles = np.arange(30.0, 90.0, 2.0) if sign > 0 else np.arange(92.0, 181.0, 2.0)
    tws = np.full(angles.size, float(np.nanmean(tws_kn)))
    made = sign * np.asarray(model(tws, angles), dtype=float) * cosd(angles)
    return float(angles[int(np.nanargmax(made))]) if np.isfinite(made).sum() > 3 else usual


def _along_course(place: Place, before: Bools, after: Bools) -> Floats:
    one = place.series
    first = mean_angle(np.mod(one.course_deg[before], 360.0))
    second = mean_angle(np.mod(one.course_deg[after], 360.0))
    index = np.arange(len(one.grid))
    aim = np.where(index < place.crossing, first, second if place.two_sided else first)
    return one.made_good_ms(aim)
