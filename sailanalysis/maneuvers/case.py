"""One maneuver laid on its series: sides, angles, and the direction that counts."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, cosd, mean_angle, wrap180
from sailanalysis.core.points import DOWNWIND_TWA_DEG, UPWIND_TWA_DEG
from sailanalysis.core.series import epoch_s
from sailanalysis.maneuvers.reference import Reference, SpeedModel
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


@dataclass
class Case:
    """One maneuver on the part of its series around it; bins of that part throughout.

    ``shift`` is where the part begins in the ``whole``.
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
    along: str = "wind"
    sign: float = 1.0
    stop: int = 0
    back: int | None = None
    build_s: float = 6.0
    lacking: float = 0.02
    measure: Floats = field(default_factory=lambda: np.empty(0))
    before: Bools = field(default_factory=lambda: np.empty(0, dtype=bool))
    after: Bools = field(default_factory=lambda: np.empty(0, dtype=bool))
    twa_before_deg: float = float("nan")
    twa_after_deg: float = float("nan")
    settled_twa_deg: float = float("nan")
    reference: Reference | None = None
    loss_m: float = float("nan")
    sd_m: float = float("nan")
    why_not: str = ""

    @property
    def window(self) -> slice:
        """Bins over which the loss is counted."""
        return slice(max(0, self.start - self.series.grid.bins(LEAD_S)), self.stop + 1)

    @property
    def two_sided(self) -> bool:
        """Whether she came out on another tack."""
        return self.kind in ("tack", "gybe")


def find_cases(series: list[Series], table: pd.DataFrame) -> list[Case]:
    """Lay the table's maneuvers on the series; those that lie on none are left out."""
    start, end = epoch_s(table["start"]), epoch_s(table["end"])
    crossing = np.where(table["crossing"].notna(),
                        epoch_s(table["crossing"].fillna(table["end"])), end)
    cases: list[Case] = []
    for one in series:
        t0, t1 = one.time_s[0] - one.grid.step_s, one.time_s[-1] + one.grid.step_s
        inside = [k for k in range(len(table)) if start[k] >= t0 and end[k] <= t1]
        for j, k in enumerate(inside):
            floor = one.index(end[inside[j - 1]]) if j else 0
            ceiling = one.index(start[inside[j + 1]]) if j + 1 < len(inside) \
                else len(one.grid) - 1
            cases.append(_around(k, str(table["kind"].iloc[k]), one, one.index(start[k]),
                                 one.index(end[k]), one.index(crossing[k]), floor, ceiling))
    return sorted(cases, key=lambda case: case.row)


def _around(row: int, kind: str, one: Series, start: int, end: int, crossing: int, floor: int,
            ceiling: int) -> Case:
    a = max(0, start - one.grid.bins(BEFORE_S))
    b = min(len(one.grid), end + one.grid.bins(AFTER_S))
    return Case(row, kind, one.cut(a, b), one, a, start - a, end - a, crossing - a,
                max(0, floor - a), min(ceiling, b - 1) - a)


def prepare(case: Case, model: SpeedModel | None) -> None:
    """Sides, angles, direction that counts, and whether there is anything to compare."""
    one, grid = case.series, case.series.grid
    if case.kind in ("bear_away", "head_up"):
        case.why_not = "she took up another course: there is nothing to compare with"
    lead, reach = grid.bins(LEAD_S), grid.bins(AROUND_S)
    index = np.arange(len(grid))
    known = np.isfinite(one.vmg_ms)
    begin = case.start - lead
    case.before = known & (index >= max(case.floor, begin - reach)) & (index < begin)
    # Until the build is known: the later half of what follows, two minutes and a half at most.
    last = min(case.ceiling - lead, case.end + 2 * reach)
    rough = known & (index >= (case.end + last) // 2) & (index < last)
    if not rough.any():
        rough = known & (index > case.end) & (index < case.ceiling)
    case.after = rough
    if not case.before.any() or not rough.any():
        case.why_not = case.why_not or edge_reason(case)
        return
    case.twa_before_deg = float(wrap180(mean_angle(one.twa_deg[case.before])))
    case.twa_after_deg = float(wrap180(mean_angle(one.twa_deg[rough])))
    case.along, case.sign = _direction(case, model)
    case.measure = _measure(case)


def edge_reason(case: Case, least: int = 1) -> str:
    """Why a side holds less than ``least`` bins of steady sailing."""
    short_before, short_after = case.before.sum() < least, case.after.sum() < least
    log_ends = case.ceiling >= len(case.series.grid) - 1
    if (short_before and case.floor > 0) or (short_after and not log_ends):
        return "too close to another maneuver"
    return "no steady sailing on both sides: the log or the sailing begins or ends there"


def _direction(case: Case, model: SpeedModel | None) -> tuple[str, float]:
    """Along the wind where she beat or ran, along the course where she reached.

    She reached between the bounds of the points of sail, unless her own best angles lie nearer
    the beam.
    """
    before, after = abs(case.twa_before_deg), abs(case.twa_after_deg)
    sign = 1.0 if before + after < 180.0 else -1.0
    best = _best_angle_deg(case, model, sign)
    if sign > 0:
        reaching = max(before, after) > max(UPWIND_TWA_DEG, best + 15.0)
    else:
        reaching = min(before, after) < min(DOWNWIND_TWA_DEG, best - 20.0)
    return ("course" if reaching else "wind"), sign


def _best_angle_deg(case: Case, model: SpeedModel | None, sign: float) -> float:
    """Angle of best speed made good, up or down, by the polar; 45 or 150 without one."""
    usual = 45.0 if sign > 0 else 150.0
    tws = case.series.tws_kn[case.before | case.after]
    if model is None or not np.isfinite(tws).any():
        return usual
    angles = np.arange(30.0, 90.0, 2.0) if sign > 0 else np.arange(92.0, 181.0, 2.0)
    speed = np.asarray(model(np.full(angles.size, float(np.nanmean(tws))), angles), dtype=float)
    made = sign * speed * cosd(angles)
    return float(angles[int(np.nanargmax(made))]) if np.isfinite(made).sum() > 3 else usual


def _measure(case: Case) -> Floats:
    one = case.series
    if case.along == "wind":
        return case.sign * one.vmg_ms
    first = mean_angle(np.mod(one.course_deg[case.before], 360.0))
    second = mean_angle(np.mod(one.course_deg[case.after], 360.0))
    index = np.arange(len(one.grid))
    aim = np.where(index < case.crossing, first, second if case.two_sided else first)
    return one.made_good_ms(aim)
