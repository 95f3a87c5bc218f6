"""Did the change help? Boat speed before and after, the wind's part taken off.

The interval knows how few independent minutes there were.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.core.model import CrewEntry, CrewLog
from sailanalysis.core.series import utc_timestamp
from sailanalysis.core.showing import one_line, small_html
from sailanalysis.core.stats import finite_mean
from sailanalysis.trials.across import like_sides
from sailanalysis.trials.judge import Judged, TrialTrace, judge_sides
from sailanalysis.trials.marks import Event, Handling, blur_s
from sailanalysis.trials.pool import empty_pool, pool_trials, same_thing
from sailanalysis.trials.sides import (
    BLOCK_S,
    SKIP_AFTER_S,
    SKIP_BEFORE_S,
    Side,
    SpeedModel,
    SteadyLog,
)

COLUMNS: Final = (
    "time", "what", "stw_before_kn", "stw_after_kn", "gain_kn", "gain_low_kn", "gain_high_kn",
    "minutes_before", "minutes_after", "verdict",
    "why_not", "item", "subject", "direction", "wind_part_kn", "wind_basis", "tws_before_kn",
    "tws_after_kn", "twa_before_deg", "twa_after_deg", "helm", "try_next", "standard_error_kn",
    "twa_deg", "tws_kn", "gap_s", "moved_s", "tries", "runs_needed")

SHORTEST_S: Final = 120.0
"""Below two minutes a side nothing is said: some four independent gusts."""
SKIP_ROUNDED_S: Final = 15.0
"""More after the change where the crew log gives whole minutes only: it came within that minute."""
DEAD_RUN_DEG: Final = 165.0
"""Beyond this the side the wind comes from says nothing about the tack."""
COURSE_LIMIT_DEG: Final = 12.0
"""Two courses further apart than this are not compared, whatever the polar says."""
HANDLED: Final = ("sails", "boards", "reef")
"""Changes that take minutes of work, during which she slows."""
ROUNDED_S: Final = 90.0
"""Marks further off than this hide the change itself: nothing beside them counts."""
POWER_Z: Final = 2.801585
"""Phi^-1(0.975) + Phi^-1(0.8)."""
MOST_CHANGES: Final = 8
"""An hour of there and back; more nobody sails for one answer."""
NO_WIND: Final = "the log has no true wind: a change of wind cannot be told from the trim"
VERDICTS: Final = ("faster", "slower", "no clear difference", "not enough data")


@dataclass(frozen=True)
class TrialsResult:
    """Everything the report says about trials.

    Attributes
    ----------
    rows : DataFrame
        As ``trials.csv``.
    pooled : DataFrame
        The same change tried more than once: ``subject, direction, trials, gain_kn, gain_low_kn,
        gain_high_kn, verdict``.
    traces : tuple of TrialTrace or None
        A row each.
    placebos : int
        Unmarked instants of the day judged the same way.
    widening : float
        Factor on every interval that those instants asked for (1: none).
    advice : str
        How to run a better trial, when the answers are unclear.
    """

    rows: pd.DataFrame
    pooled: pd.DataFrame
    traces: tuple[TrialTrace | None, ...] = ()
    placebos: int = 0
    widening: float = 1.0
    advice: str = ""

    def __repr__(self) -> str:
        return one_line("TrialsResult", self._facts())

    def _repr_html_(self) -> str:
        shown = ["time", "what", "gain_kn", "gain_low_kn", "gain_high_kn", "verdict"]
        return small_html("TrialsResult", self._facts(), self.rows.reindex(columns=shown))

    def _facts(self) -> dict[str, object]:
        verdicts = self.rows["verdict"].value_counts() if len(self.rows) else {}
        return {"trials": len(self.rows)} | {str(k): int(n) for k, n in verdicts.items()} | {
            "placebos": self.placebos, "widening": self.widening}


BETTER_TRIAL: Final = (
    "There, back and there again: sail five steady minutes, make one change, sail five minutes, "
    "undo it, five more, and repeat. One helm, one course by the wind, no tack in between, and a "
    "line in the crew log each time. A drift of the wind then cancels, and the pairs are pooled.")


def judge_trials(
    samples: pd.DataFrame, legs: pd.DataFrame, maneuvers: pd.DataFrame, crew: CrewLog,
    speed_model: SpeedModel | None = None,
) -> tuple[pd.DataFrame, TrialsResult]:
    """Judge every change of trim, sails or boards that the crew log marks.

    Parameters
    ----------
    samples : DataFrame
        Needs ``stw_kn``; ``tws_kn`` and ``twa_deg`` for the wind's part.
    legs, maneuvers : DataFrame
        Published tables.
    crew : CrewLog
    speed_model : callable, optional
        ``(tws_kn, twa_deg) -> stw_kn``, NaN where unknown: the polar.

    Returns
    -------
    DataFrame
        A row a change, ``COLUMNS``.
    TrialsResult

    Notes
    -----
    A side is unbroken sailing of one helm on one tack between the change and the next maneuver,
    handover or marked change, at most eight minutes. Sails, boards and reefs are handled for
    minutes: there the sides are like sailing within half an hour (see `across`) about the event
    that the mark belongs to (see `marks`). ``gain_kn`` is the difference of mean boat speed less
    what the polar gives for the difference in wind; its interval holds the scatter of ten-second
    means with their autocorrelation, the polar's own error and a slow drift, with
    Student's quantile for the few independent pieces. Unmarked instants of the same day, judged
    alike, widen it where they show that a day without a change scatters more.
    """
    events = _events(crew)
    if not events:
        return _empty(), TrialsResult(_empty(), empty_pool())
    log = SteadyLog(samples, maneuvers, np.array([e.time_s for e in events]), speed_model)
    judged: list[Judged | None] = []
    rows: list[dict[str, Any]] = []
    handling = Handling(samples, maneuvers, log.expected_kn)
    blur = blur_s(log.events_s)
    work = [event.time_s for event in events if event.item in HANDLED]
    at_work = dict(zip(work, handling.events(work), strict=True))
    worked = [at_work.get(event.time_s, Event(event.time_s, event.time_s)) for event in events]
    log.set_busy(np.array([_busy(e, w, blur) for e, w in zip(events, worked, strict=True)]))
    for event, about in zip(events, worked, strict=True):
        row, outcome = _judge_event(log, event, about, blur)
        rows.append(row)
        judged.append(outcome)
    placebos = _placebos(log, events)
    widening = _widening(placebos)
    for row, outcome in zip(rows, judged, strict=True):
        if outcome is None:
            continue
        from scipy.special import stdtrit

        half = float(stdtrit(outcome.freedom, 0.975)) * outcome.error * widening
        row |= {"gain_low_kn": outcome.gain - half, "gain_high_kn": outcome.gain + half}
        row["verdict"] = ("faster" if outcome.gain > half else
                          "slower" if -outcome.gain > half else "no clear difference")
        row["standard_error_kn"] = outcome.error * widening
        if row["verdict"] == "no clear difference":
            row["try_next"] = BETTER_TRIAL
            row["runs_needed"] = changes_needed(outcome.gain, outcome.error * widening)
    table = pd.DataFrame(rows).reindex(columns=list(COLUMNS))
    unclear = bool((table["verdict"].isin(["no clear difference", "not enough data"])).any())
    result = TrialsResult(
        table, pool_trials(table), tuple(j.trace if j else None for j in judged),
        len(placebos), widening, BETTER_TRIAL if unclear else "")
    return table, result


def changes_needed(gain_kn: float, error_kn: float) -> float:
    """Changes there and back that would settle a gain of this size; NaN beyond ``MOST_CHANGES``.

    Parameters
    ----------
    gain_kn, error_kn : float
        What one change showed, and its standard error.

    Notes
    -----
    Neighbours share the minutes between them: the mean of ``n`` changes has the variance
    ``(2 n - 1) / n**2`` of one. It must be known to ``POWER_Z`` standard errors for the interval
    to leave zero out in four of five cases [1]_.

    References
    ----------
    .. [1] Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed., 1988, ch. 2.
    """
    for n in range(2, MOST_CHANGES + 1):
        if POWER_Z * error_kn * np.sqrt(2.0 * n - 1.0) / n < abs(gain_kn):
            return float(n)
    return float("nan")


@dataclass(frozen=True)
class _Event:
    time_s: float
    item: str
    what: str
    subject: str
    direction: int


def _events(crew: CrewLog) -> list[_Event]:
    """Changes worth judging: each ``trim``, and each new set of ``sails`` or position of boards."""
    events: list[_Event] = []
    last: dict[str, str] = {}
    entries: list[CrewEntry] = sorted(crew.entries, key=lambda e: e.time_s)
    for entry in entries:
        value = entry.value.strip()
        if entry.item == "trim":
            subject, direction = same_thing(value)
            events.append(_Event(entry.time_s, "trim", value, subject, direction))
        elif entry.item in HANDLED:
            if entry.item == "reef":
                value = f"reef {value}"
            before = last.get(entry.item)
            last[entry.item] = value
            if before and value and "none" not in (before.lower(), value.lower()) and (
                    before.lower() != value.lower()):
                pair = sorted([before.lower(), value.lower()])
                events.append(_Event(entry.time_s, entry.item, f"{before} to {value}",
                                     f"{entry.item}: {pair[0]} to {pair[1]}",
                                     1 if before.lower() == pair[0] else -1))
    return events


def _busy(event: _Event, worked: Event, blur: float) -> tuple[float, float]:
    """When a change was made: its handling, or its mark with how far that may be off."""
    if event.item not in HANDLED:
        return event.time_s, event.time_s
    if np.isfinite(worked.moved_s):
        return worked.start_s, worked.stop_s
    spare = blur if blur > ROUNDED_S else 0.0
    return event.time_s - spare, event.time_s + spare


def _judge_event(log: SteadyLog, event: _Event, worked: Event, blur: float
                 ) -> tuple[dict[str, Any], Judged | None]:
    """Row and judgement of one change: touching it where it was done at once, else across."""
    handled = event.item in HANDLED and (np.isfinite(worked.moved_s) or blur > ROUNDED_S)
    before = log.side(event.time_s, -1, SKIP_BEFORE_S)
    after = log.side(event.time_s, 1,
                     SKIP_AFTER_S + (SKIP_ROUNDED_S if log.whole_minutes else 0.0))
    row = _event_row(log, event, before, after)
    short = [name for name, side in (("before", before), ("after", after))
             if side is None or side.at.size * BLOCK_S < SHORTEST_S]
    if before is not None and after is not None and not short and not handled:
        row["why_not"], row["try_next"] = _not_alike(before, after)
        if row["why_not"]:
            return row, None
        row["gap_s"] = float(after.at.min() - before.at.max())
        return row, _outcome(row, judge_sides(before, after, event.time_s))
    if event.item not in HANDLED:  # a sheet trimmed is another one after the tack
        row["why_not"] = (f"fewer than {SHORTEST_S / 60:.0f} steady minutes "
                          + " and ".join(short)
                          + " the change: a maneuver, a handover or another change came between")
        row["try_next"] = BETTER_TRIAL
        return row, None
    if handled:
        row["moved_s"] = worked.moved_s
    if not log.has_wind:
        row["why_not"] = NO_WIND
        return row, None
    found = like_sides(log, worked if handled else Event(event.time_s, event.time_s),
                       event.time_s, blur)
    if isinstance(found, str):
        row["why_not"], row["try_next"] = found, BETTER_TRIAL
        return row, None
    row |= _event_row(log, event, found.before, found.after) | {"gap_s": found.gap_s}
    return row, _outcome(row, found.judged(event.time_s))


def _outcome(row: dict[str, Any], outcome: Judged) -> Judged:
    """The judgement, its gain and the wind's part entered in the row."""
    row |= {"gain_kn": outcome.gain, "wind_part_kn": outcome.wind_part,
            "wind_basis": outcome.basis}
    return outcome


def _event_row(log: SteadyLog, event: _Event, before: Side | None, after: Side | None
               ) -> dict[str, Any]:
    """Row of one change before it is judged: what, when, who, and the means of its sides."""
    helm = ""
    if log.time.size:
        helm = str(log.helm[min(int(np.searchsorted(log.time, event.time_s)),
                                log.time.size - 1)] or "")
    row: dict[str, Any] = {
        "time": utc_timestamp(event.time_s), "what": event.what,
        "item": event.item, "subject": event.subject, "direction": event.direction, "helm": helm,
        "verdict": "not enough data", "why_not": "", "try_next": "", "tries": 1}
    for name, side in (("before", before), ("after", after)):
        row[f"minutes_{name}"] = side.minutes if side else 0.0
        if side is not None:
            row[f"stw_{name}_kn"] = float(np.mean(side.stw))
            row[f"tws_{name}_kn"] = finite_mean(side.tws)
            row[f"twa_{name}_deg"] = finite_mean(side.twa)
    if before is not None and after is not None:
        row["tws_kn"] = 0.5 * (row["tws_before_kn"] + row["tws_after_kn"])
        row["twa_deg"] = 0.5 * (abs(row["twa_before_deg"]) + abs(row["twa_after_deg"]))
    return row


def _not_alike(before: Side, after: Side) -> tuple[str, str]:
    """Why two sides are not compared, and what to try next; empty where they are."""
    angles = [finite_mean(side.twa) for side in (before, after)]
    speeds = [finite_mean(side.tws) for side in (before, after)]
    if not np.isfinite([*angles, *speeds]).all():
        return NO_WIND, ""
    if np.sign(angles[0]) != np.sign(angles[1]) and min(np.abs(angles)) < DEAD_RUN_DEG:
        return "the tack before and after is not the same", BETTER_TRIAL
    turned = abs(abs(angles[1]) - abs(angles[0]))
    if turned > COURSE_LIMIT_DEG:
        return (f"the wind angle before and after differs by {turned:.0f} deg: a change "
                "of course, not only of trim"), BETTER_TRIAL
    return "", ""


def _placebos(log: SteadyLog, events: list[_Event]) -> list[float]:
    """Standardised gains where nothing was marked: the day's scatter without a change."""
    if not log.has_wind or log.time.size < 2:
        return []
    marked = np.array([e.time_s for e in events])
    half = 240.0 + SKIP_AFTER_S
    out = []
    for at in np.arange(log.time[0] + half, log.time[-1] - half, 2 * half):
        if np.min(np.abs(marked - at)) < half + 60.0:
            continue
        before = log.side(float(at), -1, SKIP_BEFORE_S, 240.0)
        after = log.side(float(at), 1, SKIP_AFTER_S, 240.0)
        if before is None or after is None or min(before.at.size, after.at.size) < 18:
            continue
        judged = judge_sides(before, after)
        if judged.error > 0:
            out.append(judged.gain / judged.error)
    return out


def _widening(placebos: list[float]) -> float:
    """Factor on the intervals: one until the day's placebos scatter more than they should."""
    if len(placebos) < 6:
        return 1.0
    z = np.clip(np.array(placebos), -4.0, 4.0)
    return float(max(1.0, np.sqrt((10.0 + np.sum(z**2)) / (10.0 + z.size))))


def _empty() -> pd.DataFrame:
    table = pd.DataFrame({name: pd.Series(dtype=float) for name in COLUMNS})
    for name in ("what", "verdict", "why_not", "item", "subject", "wind_basis", "helm", "try_next"):
        table[name] = table[name].astype(object)
    table["time"] = pd.to_datetime(table["time"], utc=True)
    return table


