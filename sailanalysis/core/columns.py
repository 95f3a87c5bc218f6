"""The one table of columns: what stands in each published table, its type, unit, sign, meaning.

Channels (``channels.CHANNELS``) say for themselves what they are; here stand the columns that only
tables have. ``columns.json``, the CSV and Parquet files and empty tables are made from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from sailanalysis.core.channels import CHANNELS

ColumnKind = Literal["number", "integer", "text", "time", "flag"]


@dataclass(frozen=True)
class ColumnInfo:
    """One column of a table.

    Attributes
    ----------
    name : str
    kind : {"number", "integer", "text", "time", "flag"}
    unit : str
        As written in the tables; "" where it has none.
    meaning : str
        One line, with the sign where it has one.
    """

    name: str
    kind: ColumnKind
    unit: str
    meaning: str


_UNITS: Final = (
    ("_per_min", "1/min"), ("_deg_s", "deg/s"), ("_per_s", "1/s"), ("_kn", "kn"), ("_deg", "deg"),
    ("_nm", "NM"), ("_percent", "%"), ("_hz", "Hz"), ("_kg", "kg"), ("_rpm", "rpm"), ("_m", "m"),
    ("_s", "s"), ("_l", "l"))
_SPECIAL_UNITS: Final = {"minutes": "min", "minutes_before": "min", "minutes_after": "min",
                         "steering_cost": "deg^2", "trend": "points per ten days",
                         "smoothness": "points", "bytes": "byte", "nm": "NM", "of_hours": "h"}

_TEXT: Final = {
    "boat": "the boat's name from the boat file; empty where it has none",
    "day": "local date of the day's start, YYYY-MM-DD",
    "kind": "tack, gybe, luff, bear_away, head_up or circle",
    "from_side": "tack before: the side the wind came over",
    "to_side": "tack after: the side the wind came over",
    "side": "tack: starboard when the wind comes over the starboard side",
    "why_not": "why it is not rated, judged or scored; empty where it is",
    "remark": "what should be known about this row",
    "loss_along": "track or water: by which speed the loss was found",
    "sails": "sail set from the crew log; all: every set together",
    "basis": "what the row rests on",
    "direction": "upwind or downwind; of a trial, 1 or -1: a change or its undoing",
    "point_of_sail": "upwind, reach or downwind",
    "what": "the change, in the crew's words",
    "verdict": "what the interval says",
    "item": "the crew log's item; of the ledger, where the time went",
    "subject": "what was changed, amounts and direction left out",
    "wind_basis": "how the wind's own change was taken off",
    "proposed": "date of the day that set the exercise", "source": "program, or the crew's aim",
    "measure": "the number that tells; less is better", "unit": "of then, since and change",
    "last": "date of the last day that could be checked", "aim": "the crew's own words",
    "try_next": "how to get a clearer answer",
    "change": "what was changed, the way round that was faster",
    "best_sails": "fastest sail set here", "next_best_sails": "the one it beats",
}
_TIMES: Final = {
    "start": "when it begins, UTC", "end": "when it ends, UTC", "time": "when, UTC",
    "crossing": "when the bow, or stern, passed the wind, UTC"}
_FLAGS: Final = {"rated": "whether the loss is trustworthy"}
_INTEGERS: Final = {"days_before": "days before it was set",
                    "days_since": "days since that could be checked",
                    "count": "how many it rests on", "days": "days it rests on",
                    "rated_count": "how many of them are rated",
                    "tries": "how often it was tried", "trials": "how often it was tried"}
_NUMBERS: Final = {
    "tacks": "tacks of the day", "gybes": "gybes of the day",
    "twa_before_deg": "true wind angle before, starboard positive",
    "twa_after_deg": "true wind angle after, starboard positive",
    "turn_deg": "how far the bow turned, to starboard positive",
    "max_rate_of_turn_deg_s": "quickest turn, bow to starboard positive",
    "stw_before_kn": "boat speed before", "stw_min_kn": "slowest boat speed in it",
    "stw_after_kn": "boat speed after", "recovery_s": "until speed made good is back",
    "loss_m": "distance made good that it cost, positive is lost",
    "loss_s": "the same as time at the speed made good before",
    "loss_boat_lengths": "the same in lengths over all",
    "loss_shared_sd_m": "part of the loss's standard error that all turns of the day share",
    "at_least_m": "what it cost at least (95 %, one-sided), where it is not rated",
    "duration_s": "how long", "stw_sd_kn": "standard deviation of boat speed",
    "rudder_mean_deg": "mean rudder, positive turns the bow to starboard",
    "reference_kn": "boat speed of the reference polar that the boat file names",
    "polar_ratio": "boat speed over that of the polar in the same wind",
    "stw_best_kn": "speed of the best tenth of the time (90th percentile)",
    "minutes": "minutes it rests on", "minutes_before": "steady minutes before",
    "minutes_after": "steady minutes after",
    "near_best_from_deg": "true wind angle from which VMG is within 1 % of the best",
    "near_best_to_deg": "true wind angle up to which VMG is within 1 % of the best",
    "rudder_rms_deg": "rudder activity about its slow mean, root mean square",
    "rudder_rate_rms_deg_s": "rate of the rudder, root mean square",
    "reversals_per_min": "changes of the rudder's direction beyond the dead band",
    "course_sd_deg": "standard deviation of the course", "twa_sd_deg":
        "standard deviation of the true wind angle",
    "steering_cost": "Norrbin's cost: square of course error and rudder, weighted",
    "rudder_drag_ratio": "induced drag of the rudder over the hull's resistance",
    "rudder_drag_movement_ratio": "the part of it that comes from moving the rudder",
    "smoothness": "0-100, higher is smoother for the conditions; 50 is usual",
    "moving_share": "share of the minutes with the rudder moving",
    "weather_helm_deg": "mean rudder, positive when she wants to luff",
    "activity_deg": "rudder activity that the score compares",
    "expected_activity_deg": "what the conditions ask for on average",
    "extra_distance_percent": "distance sailed beyond the straight course",
    "speed_cost_percent": "speed that moving the rudder cost",
    "gust_kn": "standard deviation of the true wind speed",
    "roll_rate_rms_deg_s": "rate of roll, root mean square",
    "pitch_rate_rms_deg_s": "rate of pitch, root mean square",
    "yaw_rate_rms_deg_s": "rate of yaw in the waves' band, root mean square",
    "wave_push_deg": "heading that the waves alone would move",
    "turn_K_per_s": "rate of turn per degree of rudder", "turn_T_s": "time to reach that rate",
    "turn_stw_kn": "boat speed at which both hold",
    "gain_kn": "gain in boat speed, the wind's own change taken off; positive is faster",
    "wind_part_kn": "part of the change in speed that the wind's change explains",
    "twa_low_deg": "least wind angle it was tried at",
    "twa_high_deg": "largest wind angle it was tried at",
    "tws_low_kn": "least true wind it was tried in",
    "tws_high_kn": "most true wind it was tried in",
    "tws_before_kn": "true wind speed before", "tws_after_kn": "true wind speed after",
    "standard_error_kn": "standard error of the gain",
    "runs_needed": "changes there and back that would settle it",
    "gap_s": "seconds between the two sides", "moved_s": "by how much the mark was moved",
    "hdg_logged_deg": "heading as logged, before correction",
    "stw_logged_kn": "boat speed as logged, before correction",
    "awa_logged_deg": "apparent wind angle as logged, before correction, starboard positive",
    "aws_logged_kn": "apparent wind speed as logged, before correction",
    "confidence": "probability that the best set is the faster", "trend": "per ten days",
    "loss_m_median": "median loss of the day's",
    "then": "mean of the days before, regression to the mean taken out",
    "since": "mean of the days since", "change": "since less then; negative is better",
    "rate_then_deg_s": "quickest turn before, a mean of days",
    "rate_since_deg_s": "quickest turn since, a mean of days",
    "nm": "miles made good, or lost by this item", "of_hours": "hours that the item was met in",
}

def _made() -> dict[str, ColumnInfo]:
    out: dict[str, ColumnInfo] = {}
    listed: tuple[tuple[ColumnKind, dict[str, str]], ...] = (
        ("text", _TEXT), ("time", _TIMES), ("flag", _FLAGS), ("integer", _INTEGERS),
        ("number", _NUMBERS))
    for kind, table in listed:
        for name, meaning in table.items():
            out[name] = ColumnInfo(name, kind, unit_of(name), meaning)
    for channel in CHANNELS.values():
        kind = "text" if channel.kind == "text" else "number"
        out.setdefault(channel.name, ColumnInfo(channel.name, kind, channel.unit, channel.meaning))
    return out


def unit_of(name: str) -> str:
    """The unit that a column's name ends on; "" where it has none."""
    stem = name
    for end in ("_low", "_high"):
        stem = stem.removesuffix(end)
    if stem in _SPECIAL_UNITS:
        return _SPECIAL_UNITS[stem]
    return next((unit for ending, unit in _UNITS if stem.endswith(ending)), "")


TABLE_COLUMNS: Final = _made()
"""Every column that has an entry of its own, by name."""


def column_info(name: str) -> ColumnInfo | None:
    """What is known of a column; interval ends follow the column they belong to."""
    if name in TABLE_COLUMNS:
        return TABLE_COLUMNS[name]
    for end, words in (("low", "lower"), ("high", "upper")):
        for stem in (name.removesuffix(f"_{end}"), name.replace(f"_{end}_", "_")):
            info = TABLE_COLUMNS.get(stem)
            if stem != name and info is not None:
                return ColumnInfo(name, info.kind, info.unit,
                                  f"{words} end of the 95 % interval: {info.meaning}")
    return None
