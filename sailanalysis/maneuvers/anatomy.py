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

from sailanalysis.core.angles import wrap180
from sailanalysis.core.stats import Z95, finite_mean
from sailanalysis.core.units import MS_TO_KN
from sailanalysis.maneuvers.build import Bounded
from sailanalysis.maneuvers.case import TWO_SIDED, Place, Sides
from sailanalysis.maneuvers.compare import Pattern, Telling, patterns, telling_parts
from sailanalysis.maneuvers.cost import Costed, Reckoning
from sailanalysis.maneuvers.noise import Bools, Responses
from sailanalysis.maneuvers.pooled import pooled_costs
from sailanalysis.maneuvers.reasons import Reason
from sailanalysis.segment.grid import box_mean

PARTS: Final = ("entry_m", "turn_in_m", "turn_out_m", "exit_angle_m", "build_m")
"""Parts of the loss in metres: before the turn, to the wind, from it to the new course, for the
angle she came out on, and for the speed that was missing; they add up to ``loss_m``."""
TRACED: Final = ("tack", "gybe", "luff", "circle")

TRACE_BEFORE_S: Final = 30.0
TRACE_AFTER_S: Final = 90.0


@dataclass(frozen=True)
class ManeuverStudy:
    """What the day's maneuvers looked like and what set the dear ones apart.

    Attributes
    ----------
    table : DataFrame
        One row a rated tack, gybe, luff or circle. ``number`` is the row of the maneuvers' table;
        then ``kind, helm, sails, side, loss_m, loss_s``, the five parts of :data:`PARTS` with
        ``_low`` and ``_high`` (95 % intervals), and the
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
    pooled : DataFrame
        Mean costs of rated tacks and gybes by helm and sails
        (:func:`sailanalysis.maneuvers.pooled.pooled_costs`).
    what_matters : tuple of Pattern
        Rank correlations that stand after correction for their number.
    telling : tuple of Telling
        The part in which the dear turns of a kind lost their metres, where one stands out.
    looked_at : dict of str to int
        By kind, the maneuvers that were searched for them.
    luffs : DataFrame
        ``number, start, duration_s, loss_m, loss_m_low, loss_m_high, helm, what``: work, not
        mistakes.
    responses : dict of float to Response
        How the boat answered the wind today, upwind (1) and downwind (-1).
    """

    table: pd.DataFrame
    traces: dict[int, pd.DataFrame]
    pooled: pd.DataFrame
    what_matters: tuple[Pattern, ...]
    telling: tuple[Telling, ...]
    looked_at: dict[str, int]
    luffs: pd.DataFrame
    responses: Responses = field(default_factory=dict)


def study_maneuvers(table: pd.DataFrame, reckoning: Reckoning) -> ManeuverStudy:
    """Anatomy, traces and comparisons of the day's maneuvers.

    Parameters
    ----------
    table : DataFrame
        Maneuvers with their losses.
    reckoning : Reckoning
    """
    published = table[["helm", "sails", "to_side", "tws_kn", "loss_s", "turn_deg"]] \
        .to_dict("records")
    costed = {one.place.row: one for one in reckoning.costed}
    rated = table["rated"].to_numpy(dtype=bool)
    rows = [_anatomy(one, published[row]) for row, one in costed.items() if rated[row]]
    anatomy = pd.DataFrame(rows, columns=None if rows else
                           ["number", "kind", "helm", "sails", "side", "loss_m", "loss_s", *PARTS])
    traces = {place.row: _trace(place, reckoning.bounded.get(place.row), costed.get(place.row))
              for place in reckoning.places if place.kind in TRACED}
    turns = anatomy[anatomy["kind"].isin(TWO_SIDED)]
    return ManeuverStudy(
        anatomy, traces, pooled_costs(table), tuple(patterns(turns)),
        tuple(telling_parts(turns, PARTS)),
        {str(k): int(n) for k, n in turns["kind"].value_counts().items()},
        _luffs(table), reckoning.responses)


def _anatomy(case: Costed, row: dict[Any, Any]) -> dict[str, Any]:
    place, sides = case.place, case.bounded.sides
    one, step = place.series, place.step_s
    out: dict[str, Any] = {
        "number": place.row, "kind": place.kind, "helm": row["helm"], "sails": row["sails"],
        "side": row["to_side"], "tws_kn": float(row["tws_kn"]), "loss_m": case.loss_m,
        "loss_s": float(row["loss_s"]), "turn_deg": abs(float(row["turn_deg"]))}
    steady, settled = (float(np.mean(one.speed_ms[mask])) for mask in (sides.before, sides.after))
    out |= _parts(case) | _entry(place, steady) | {"turn_s": (place.end - place.start) * step}
    rate = np.gradient(box_mean(one.heading_deg, place.bins(3.0)))[place.start:place.end + 1] / step
    mean_rate = float(np.mean(np.abs(rate))) if rate.size else np.nan
    out |= {"rate_deg_s": mean_rate,
            "unevenness": float(np.std(rate) / mean_rate) if mean_rate > 0.1 else np.nan}
    out |= _slowest(case.bounded, steady, settled)
    return out | _exit(case.bounded) | _aboard(place, sides)


def _entry(place: Place, steady_ms: float) -> dict[str, Any]:
    speed = place.series.speed_ms
    entry = speed[max(0, place.start - place.bins(6.0)):place.start + 1]
    early = speed[max(0, place.start - place.bins(25.0)):max(1, place.start - place.bins(10.0))]
    entry_ms = float(np.mean(entry))
    return {
        "entry_kn": entry_ms * MS_TO_KN, "entry_share": entry_ms / max(steady_ms, 0.05),
        # Settled: neither slow nor still gaining when the helm went over.
        "entry_settled": bool(entry_ms > 0.95 * steady_ms
                              and abs(entry_ms - float(np.mean(early))) < 0.05 * steady_ms)}


def _slowest(case: Bounded, steady_ms: float, settled_ms: float) -> dict[str, float]:
    place = case.place
    names = ("slowest_kn", "slowest_share", "slowest_s", "build_90_s", "build_full_s")
    slow = box_mean(place.series.speed_ms, place.bins(3.0))[place.start:case.stop + 1]
    if not np.isfinite(slow).any():
        return dict.fromkeys(names, float("nan"))
    low = int(np.nanargmin(slow))
    out = {"slowest_kn": float(slow[low]) * MS_TO_KN, "slowest_share": slow[low] / steady_ms,
           "slowest_s": (place.start + low - place.crossing) * place.step_s}
    for name, share in (("build_90_s", 0.90), ("build_full_s", 0.98)):
        back = np.flatnonzero(slow[low:] >= share * settled_ms)
        out[name] = (place.start + low + int(back[0]) - place.crossing) * place.step_s \
            if back.size else np.nan
    return out


def _aboard(place: Place, sides: Sides) -> dict[str, float]:
    column = place.series.grid.column
    turn = slice(place.start, min(len(place.series.grid), place.end + place.bins(5.0)) + 1)
    rudder, heel = column["rudder_deg"][turn], column["heel_deg"]
    known = np.isfinite(rudder).any()
    return {"rudder_rms_deg": float(np.sqrt(np.nanmean(rudder**2))) if known else np.nan,
            "rudder_max_deg": float(np.nanmax(np.abs(rudder))) if known else np.nan,
            "heel_before_deg": finite_mean(heel[sides.before]),
            "heel_after_deg": finite_mean(heel[sides.after])}


def _parts(case: Costed) -> dict[str, float]:
    """Metres lost in each part with 95 % intervals; the parts add up to the loss."""
    place, sides, window = case.place, case.bounded.sides, case.bounded.window
    one = place.series
    made = sides.measure[window]
    good = np.isfinite(made)
    lost = np.where(good, case.reference.speed_ms - made, 0.0)
    # What this speed would have made good on the angle she settled on.
    way = np.hypot(one.east_ms, one.north_ms)
    lever = sides.measure[sides.after] / np.maximum(way[sides.after], 0.05)
    on_course = np.where(good, way[window] * float(np.mean(lever)) - made, 0.0)
    index = np.arange(window.start, window.stop)
    step = one.grid.step_s
    after = index > place.end
    spans = (index < place.start, (index >= place.start) & (index < place.crossing),
             (index >= place.crossing) & (index <= place.end) & (index >= place.start), after)
    before_m, in_m, out_m, after_m = (float(np.sum(lost[span])) * step for span in spans)
    angle = float(np.sum(on_course[after])) * step
    metres = (before_m, in_m, out_m, angle, after_m - angle + case.reference.tail_m)
    out: dict[str, float] = {}
    for name, value, sd in zip(PARTS, metres, _part_errors(case, spans), strict=True):
        out |= {name: value, f"{name}_low": value - Z95 * sd, f"{name}_high": value + Z95 * sd}
    return out


def _part_errors(case: Costed, spans: tuple[Bools, ...]) -> list[float]:
    """Standard errors of the parts.

    The reference's own for its bins; what else makes the loss uncertain (wind, waves, luck,
    calibration) goes by the seconds of each part. The angle she came out on rests on no
    reference.
    """
    covariance = case.reference.covariance_m2
    known = [float(span @ covariance @ span) for span in (span.astype(float) for span in spans)]
    seconds = np.array([float(span.sum()) for span in spans])
    rest = max(case.sd_m**2 - case.reference.sd_m**2, 0.0) * seconds / max(seconds.sum(), 1.0)
    tail = max(case.reference.sd_m**2 - float(covariance.sum()), 0.0)
    squares = [known[0] + rest[0], known[1] + rest[1], known[2] + rest[2], rest[3],
               known[3] + rest[3] + tail]
    return [float(np.sqrt(max(square, 0.0))) for square in squares]


def _exit(case: Bounded) -> dict[str, float]:
    place = case.place
    settled = abs(case.settled_twa_deg)
    out = place.series.twa_deg[place.end + 1:place.end + 1 + place.bins(8.0)]
    angle = float(np.mean(np.abs(out))) if out.size and np.isfinite(out).all() else np.nan
    # Too far is away from the wind after a tack, towards it after a gybe.
    over = angle - settled if case.sides.sign > 0 else settled - angle
    return {"exit_twa_deg": angle, "settled_twa_deg": settled,
            "over_rotation_deg": over if place.two_sided else np.nan}


def _trace(place: Place, bounded: Bounded | Reason | None, costed: Costed | None) -> pd.DataFrame:
    one, grid = place.series, place.series.grid
    a = max(0, place.crossing - grid.bins(TRACE_BEFORE_S))
    b = min(len(grid), place.crossing + grid.bins(TRACE_AFTER_S) + 1)
    part = slice(a, b)
    middle = place.crossing - a
    # Wind down the page: up is towards it, right is at right angles, clockwise from it.
    up, right = (np.cumsum(np.nan_to_num(one.made_good_ms(one.wind_deg + turn)[part]))
                 * grid.step_s for turn in (0.0, 90.0))
    reference = np.full(b - a, np.nan)
    if costed is not None:
        window = costed.bounded.window
        first, last = max(a, window.start), min(b, window.stop)
        speed_ms = costed.reference.speed_ms[first - window.start:last - window.start]
        reference[first - a:last - a] = speed_ms
    side = -1.0 if isinstance(bounded, Bounded) and bounded.sides.twa_before_deg < 0 else 1.0
    rate = np.gradient(box_mean(one.heading_deg, grid.bins(2.0))) / grid.step_s
    columns = {
        "t_s": one.time_s[part] - one.time_s[place.crossing],
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
        "helm": mine["helm"], "what": mine["what"]}).reset_index(drop=True)
