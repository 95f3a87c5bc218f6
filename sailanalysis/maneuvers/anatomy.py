"""The anatomy of each maneuver: its parts, what each cost, and traces to lay over each other.

The loss is cut where the maneuver itself is cut, so that the parts add up to it: before the turn,
from its start to the wind, from the wind to its end, and afterwards once for the angle she came
out on (against the one she then settled on) and once for the speed that was missing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, wrap180
from sailanalysis.core.units import MS_TO_KN
from sailanalysis.maneuvers.case import Case
from sailanalysis.maneuvers.compare import Pattern, by_group, patterns
from sailanalysis.maneuvers.reference import Response
from sailanalysis.segment.grid import box_mean

PARTS: Final = {
    "entry_m": "before the turn",
    "turn_in_m": "turning to the wind",
    "turn_out_m": "from the wind to the new course",
    "exit_angle_m": "angle after the turn",
    "build_m": "building speed",
}
"""Columns of the parts in metres, with words for them; they add up to ``loss_m``."""

TRACE_BEFORE_S: Final = 30.0
TRACE_AFTER_S: Final = 90.0


@dataclass(frozen=True)
class ManeuverStudy:
    """What the day's maneuvers looked like and what set the dear ones apart.

    Attributes
    ----------
    table : DataFrame
        One row a costed tack, gybe, luff or circle. ``number`` is the row of the maneuvers' table;
        then ``kind, helm, sails, side, loss_m, loss_s``, the five parts of :data:`PARTS`, and the
        anatomy: ``entry_kn`` and ``entry_share`` (of the steady speed), ``entry_settled``,
        ``turn_deg, turn_s, rate_deg_s`` (mean), ``unevenness`` (spread of the rate over its mean),
        ``slowest_kn, slowest_share, slowest_s`` (from the crossing), ``exit_twa_deg`` (first eight
        seconds after the turn), ``settled_twa_deg``, ``over_rotation_deg`` (positive: turned too
        far), ``build_90_s, build_full_s`` (from the crossing), ``rudder_rms_deg, rudder_max_deg``,
        ``heel_before_deg, heel_after_deg``.
    traces : dict of int to DataFrame
        By ``number``: ``t_s`` from the crossing, ``stw_kn, twa_deg`` (old side positive),
        ``rate_of_turn_deg_s, vmg_kn, reference_kn``, and ``x_m, y_m``: the track through the water
        from the crossing, the wind blowing down the page.
    by_helm, by_sails : DataFrame
        ``kind, helm`` or ``sails``, ``count``, ``loss_m, loss_m_low, loss_m_high, loss_s``
        (medians with 95 % intervals) and ``overlaps``: the interval meets
        another's, so that no ranking is meant.
    what_matters : tuple of Pattern
        Rank correlations that stand after correction for their number.
    sentences : tuple of str
        The same in words, one at least for every kind with costed maneuvers.
    luffs : DataFrame
        ``number, start, duration_s, loss_m, loss_m_low, loss_m_high, helm, remark``: work, not
        mistakes.
    response : Response
        How the boat answered the wind today.
    """

    table: pd.DataFrame
    traces: dict[int, pd.DataFrame]
    by_helm: pd.DataFrame
    by_sails: pd.DataFrame
    what_matters: tuple[Pattern, ...]
    sentences: tuple[str, ...]
    luffs: pd.DataFrame
    response: Response = field(default_factory=Response)

    def parts(self, kind: str) -> dict[str, Floats]:
        """Metres of each part, by its words, for the costed maneuvers of a kind."""
        mine = self.table[self.table["kind"] == kind]
        return {words: mine[name].to_numpy(dtype=float) for name, words in PARTS.items()}


def study_maneuvers(table: pd.DataFrame, cases: list[Case], response: Response) -> ManeuverStudy:
    """Anatomy, traces and comparisons of the day's maneuvers.

    Parameters
    ----------
    table : DataFrame
        Maneuvers with their losses.
    cases : list of Case
    response : Response
    """
    told = table[["helm", "sails", "to_side", "tws_kn", "loss_s", "turn_deg"]].to_dict("records")
    rows = [_anatomy(case, told[case.row]) for case in cases if case.reference is not None]
    anatomy = pd.DataFrame(rows, columns=None if rows else
                           ["number", "kind", "helm", "sails", "side", "loss_m", "loss_s", *PARTS])
    traces = {case.row: _trace(case) for case in cases
              if case.kind in ("tack", "gybe", "luff", "circle")}
    turns = anatomy[anatomy["kind"].isin(("tack", "gybe"))]
    found, sentences = patterns(turns)
    return ManeuverStudy(anatomy, traces, by_group(turns, "helm"), by_group(turns, "sails"),
                         tuple(found), tuple(sentences), _luffs(table), response)


def _anatomy(case: Case, row: dict[Any, Any]) -> dict[str, Any]:
    one, step = case.series, case.series.grid.step_s
    out: dict[str, Any] = {
        "number": case.row, "kind": case.kind, "helm": row["helm"], "sails": row["sails"],
        "side": row["to_side"], "tws_kn": float(row["tws_kn"]), "loss_m": case.loss_m,
        "loss_s": float(row["loss_s"]), "turn_deg": abs(float(row["turn_deg"]))}
    out |= _parts(case)
    speed = one.speed_ms
    bins = one.grid.bins
    steady = float(np.mean(speed[case.before]))
    settled = float(np.mean(speed[case.after]))
    entry = speed[max(0, case.start - bins(6.0)):case.start + 1]
    early = speed[max(0, case.start - bins(25.0)):max(1, case.start - bins(10.0))]
    entry_ms = float(np.mean(entry))
    out |= {
        "entry_kn": entry_ms * MS_TO_KN, "entry_share": entry_ms / max(steady, 0.05),
        # Settled: neither slow nor still gaining when the helm went over.
        "entry_settled": bool(entry_ms > 0.95 * steady
                              and abs(entry_ms - float(np.mean(early))) < 0.05 * steady),
        "turn_s": (case.end - case.start) * step}
    rate = np.gradient(box_mean(one.heading_deg, bins(3.0)))[case.start:case.end + 1] / step
    mean_rate = float(np.mean(np.abs(rate))) if rate.size else np.nan
    out |= {"rate_deg_s": mean_rate,
            "unevenness": float(np.std(rate) / mean_rate) if mean_rate > 0.1 else np.nan}
    out |= _slowest(case, steady, settled)
    out |= _exit(case)
    turn = slice(case.start, min(len(one.grid), case.end + bins(5.0)) + 1)
    rudder, heel = one.grid.column["rudder_deg"][turn], one.grid.column["heel_deg"]
    known = np.isfinite(rudder).any()
    out |= {"rudder_rms_deg": float(np.sqrt(np.nanmean(rudder**2))) if known else np.nan,
            "rudder_max_deg": float(np.nanmax(np.abs(rudder))) if known else np.nan,
            "heel_before_deg": _mean(heel[case.before]), "heel_after_deg": _mean(heel[case.after])}
    return out


def _slowest(case: Case, steady_ms: float, settled_ms: float) -> dict[str, float]:
    """The least boat speed and the time of building; unknown where none was logged in the turn.

    The loss itself may rest on the track, and then stands without a logged boat speed.
    """
    one = case.series
    slow = box_mean(one.speed_ms, one.grid.bins(3.0))[case.start:case.stop + 1]
    names = ("slowest_kn", "slowest_share", "slowest_s", "build_90_s", "build_full_s")
    if not np.isfinite(slow).any():
        return dict.fromkeys(names, float("nan"))
    low = int(np.nanargmin(slow))

    def since_crossing_s(bin_of_window: int) -> float:
        return float((case.start + bin_of_window - case.crossing) * one.grid.step_s)

    back = [np.flatnonzero(slow[low:] >= share * settled_ms) for share in (0.90, 0.98)]
    build = [since_crossing_s(low + int(b[0])) if b.size else float("nan") for b in back]
    found = (float(slow[low]) * MS_TO_KN, float(slow[low]) / steady_ms, since_crossing_s(low),
             *build)
    return dict(zip(names, found, strict=True))


def _parts(case: Case) -> dict[str, float]:
    """Metres lost in each part; they add up to the loss, the tail included in the build."""
    assert case.reference is not None
    one, window = case.series, case.window
    made = case.measure[window]
    good = np.isfinite(made)
    lost = np.where(good, case.reference.speed_ms - made, 0.0)
    # What this speed would have made good on the angle she settled on.
    way = np.hypot(one.east_ms, one.north_ms)
    lever = case.measure[case.after] / np.maximum(way[case.after], 0.05)
    on_course = np.where(good, way[window] * float(np.mean(lever)) - made, 0.0)
    index = np.arange(window.start, window.stop)
    step = one.grid.step_s
    after = index > case.end
    angle = float(np.sum(on_course[after])) * step
    return {
        "entry_m": float(np.sum(lost[index < case.start])) * step,
        "turn_in_m": float(np.sum(lost[(index >= case.start) & (index < case.crossing)])) * step,
        "turn_out_m": float(np.sum(lost[(index >= case.crossing) & (index <= case.end)
                                        & (index >= case.start)])) * step,
        "exit_angle_m": angle,
        "build_m": float(np.sum(lost[after])) * step - angle + case.reference.tail_m}


def _exit(case: Case) -> dict[str, float]:
    one = case.series
    settled = abs(case.settled_twa_deg)
    out = one.twa_deg[case.end + 1:case.end + 1 + one.grid.bins(8.0)]
    angle = float(np.mean(np.abs(out))) if out.size and np.isfinite(out).all() else np.nan
    # Too far is away from the wind after a tack, towards it after a gybe.
    over = angle - settled if case.sign > 0 else settled - angle
    return {"exit_twa_deg": angle, "settled_twa_deg": settled,
            "over_rotation_deg": over if case.two_sided else np.nan}


def _trace(case: Case) -> pd.DataFrame:
    one, grid = case.series, case.series.grid
    a = max(0, case.crossing - grid.bins(TRACE_BEFORE_S))
    b = min(len(grid), case.crossing + grid.bins(TRACE_AFTER_S) + 1)
    part = slice(a, b)
    middle = case.crossing - a
    # Wind down the page: up is towards it, right is at right angles, clockwise from it.
    up, right = (np.cumsum(np.nan_to_num(one.made_good_ms(one.wind_deg + turn)[part]))
                 * grid.step_s for turn in (0.0, 90.0))
    reference = np.full(b - a, np.nan)
    if case.reference is not None:
        first, last = max(a, case.window.start), min(b, case.window.stop)
        shift = case.window.start
        reference[first - a:last - a] = case.reference.speed_ms[first - shift:last - shift]
    side = -1.0 if case.twa_before_deg < 0 else 1.0
    rate = np.gradient(box_mean(one.heading_deg, grid.bins(2.0))) / grid.step_s
    columns = {
        "t_s": one.time_s[part] - one.time_s[case.crossing],
        "stw_kn": one.speed_ms[part] * MS_TO_KN, "twa_deg": wrap180(side * one.twa_deg[part]),
        "rate_of_turn_deg_s": rate[part], "vmg_kn": one.vmg_ms[part] * MS_TO_KN,
        "reference_kn": reference * MS_TO_KN,
        "x_m": right - right[middle], "y_m": up - up[middle]}
    return pd.DataFrame(np.column_stack(list(columns.values())), columns=list(columns))


def _luffs(table: pd.DataFrame) -> pd.DataFrame:
    mine = table[table["kind"] == "luff"]
    seconds = (mine["end"] - mine["start"]).dt.total_seconds()
    return pd.DataFrame({
        "number": mine.index, "start": mine["start"], "duration_s": seconds,
        **{name: mine[name].where(mine["rated"]) for name in
           ("loss_m", "loss_m_low", "loss_m_high")},
        "helm": mine["helm"], "remark": mine["remark"]}).reset_index(drop=True)


def _mean(value: Floats) -> float:
    value = value[np.isfinite(value)]
    return float(value.mean()) if value.size else float("nan")
