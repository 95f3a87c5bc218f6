"""Why a maneuver is not rated, and what it was: data, which the report puts into sentences."""

from __future__ import annotations

from enum import StrEnum


class Reason(StrEnum):
    """Why a loss is not trustworthy; empty where it is."""

    NONE = ""
    NO_SERIES = "no wind, heading or boat speed through this maneuver"
    OTHER_COURSE_MEANT = "she took up another course: there is nothing to compare with"
    PERHAPS_ENGINE = "it is not sure that she was under sail"
    TOO_CLOSE = "too close to another maneuver"
    EDGE = "no steady sailing on both sides: the log or the sailing begins or ends there"
    NOT_BACK = "her speed was not back before the next change"
    GAP = "a gap in the log"
    OTHER_COURSE = "she came out on another course, as at a mark"
    WIND_DIFFERS = "the wind before it and after it differs too much to compare the two"
    SLOW_LOG = "the log is too slow to cost it: a reading every 2 s would do"
    GAIN = "it shows a gain, which no turn brings: wind or speed was misread"
    TOO_UNCERTAIN = "too uncertain: its interval is wider than eight seconds of sailing each way"


class What(StrEnum):
    """What a maneuver was, beyond its kind; empty for a plain one."""

    PLAIN = ""
    FAILED_TACK = "a tack that did not come through: fell back"
    THROUGH_THE_WIND = "the bow passed the wind, she fell back"
    SLOWED = "slowed down, then the same course again"
    BROACH = "a broach: she rounded up and lay there"
    INSTEAD_OF_A_GYBE = "went round by a tack instead of a gybe"
    ONCE_ROUND = "once round"
    ROUND_WITH_A_STOP = "once round with a stop in it, as for somebody overboard"
