"""The sentences that carry the time: dated, freed of glitches, reduced to those that tell most.

A receiver repeats a time in several sentences, and some receivers repeat it for seconds because
they print it truncated. What tells the time of arrival is the sentence in which a time shows for
the first time.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.errors import Finding
from sailanalysis.read.clock.stamp_columns import day_number
from sailanalysis.read.nmea0183.gather import Key
from sailanalysis.read.nmea0183.sentences import TIME_FIELD, TIMED, Columns, fix_is_valid
from sailanalysis.read.reading import ReadContext
from sailanalysis.read.wording import day_words

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

DAY_S: Final = 86400.0
WEEKS_1024_S: Final = 1024 * 7 * DAY_S
"""A GPS receiver counts weeks in ten bits (IS-GPS-200): an old one falls back by 1024 weeks."""
FIRST_GPS_DAY: Final = 3657.0
"""6 January 1980, when GPS time begins: no satellite time is earlier."""


@dataclass(frozen=True)
class Marks:
    """Times told by one or more sentences, in order of arrival.

    Attributes
    ----------
    position : ndarray, shape (n,)
        Byte position.
    second : ndarray, shape (n,)
        Seconds since midnight UTC.
    day : ndarray, shape (n,)
        Days since 1970; NaN where the sentence has no date.
    valid : ndarray of bool, shape (n,)
        Whether the receiver had a fix.
    fresh : ndarray of bool, shape (n,)
        Whether the sentence shows its time for the first time.
    """

    position: Floats
    second: Floats
    day: Floats
    valid: Bools
    fresh: Bools

    def take(self, rows: NDArray[Any]) -> Marks:
        """Some of the marks."""
        return Marks(*(getattr(self, name)[rows]
                       for name in ("position", "second", "day", "valid", "fresh")))


def time_of_day(hhmmss: Floats) -> Floats:
    """Seconds since midnight from ``hhmmss.sss``; NaN where it is none. 60 s is a leap second."""
    hour, minute = np.floor(hhmmss / 1e4), np.floor(np.mod(hhmmss, 1e4) / 100.0)
    second = hhmmss - 1e4 * hour - 100.0 * minute
    with np.errstate(invalid="ignore"):
        ok = (hhmmss >= 0) & (hour < 24) & (minute < 60) & (second < 61)
    # Hundredths printed as decimals are exact; their binary remainder is not.
    return np.asarray(np.where(ok, np.round(3600.0 * hour + 60.0 * minute + second, 6), np.nan))


def _fresh(second: Floats) -> Bools:
    """Where a time differs from the one before; a truncated one's first showing is unknown."""
    new = np.concatenate([[True], second[1:] != second[:-1]])
    if second.size > 2 and new.mean() < 0.75:
        new[0] = False
    return new


def marks_of(kind: str, c: Columns) -> Marks:
    """Time marks of one group of RMC, GGA, GLL or ZDA sentences.

    Parameters
    ----------
    kind : str
        ``RMC``, ``GGA``, ``GLL`` or ``ZDA``.
    c : Columns

    Returns
    -------
    Marks
    """
    second = time_of_day(c.number[TIME_FIELD[kind]])
    day: Floats = np.full(second.size, np.nan)
    if kind == "RMC":
        # The date stays the same for hours, so it is worked out once a change.
        printed = c.number[9]
        change = np.flatnonzero(np.concatenate([[True], printed[1:] != printed[:-1]]))
        ddmmyy = printed[change]
        year = np.mod(ddmmyy, 100.0)
        date = day_number(np.where(year >= 80, 1900.0, 2000.0) + year,
                          np.floor(np.mod(ddmmyy, 1e4) / 100.0), np.floor(ddmmyy / 1e4))
        day = np.repeat(date, np.diff(np.append(change, printed.size)))
    elif kind == "ZDA":
        year = c.number[4]
        # Some receivers print two digits of the year.
        year = np.where(year < 80, year + 2000.0, np.where(year < 100, year + 1900.0, year))
        day = day_number(year, c.number[3], c.number[2])
    day[day < FIRST_GPS_DAY] = np.nan
    rows = np.isfinite(second)
    valid = fix_is_valid(kind, c)
    second = second[rows]
    return Marks(c.position[rows].astype(float), second, day[rows], valid[rows],
                 _fresh(second) if second.size else np.zeros(0, dtype=bool))


def all_marks(groups: dict[Key, Columns]) -> dict[Key, Marks]:
    """Time marks by group, groups without any left out.

    Parameters
    ----------
    groups : dict of Key to Columns
        Sentences of any type.

    Returns
    -------
    dict of Key to Marks
    """
    found = {key: marks_of(key[1], c) for key, c in groups.items() if key[1] in TIMED}
    return {key: marks for key, marks in found.items() if marks.position.size}


def joined(parts: list[Marks]) -> Marks:
    """Marks of several groups in order of arrival.

    Parameters
    ----------
    parts : list of Marks

    Returns
    -------
    Marks
    """
    whole = Marks(*(np.concatenate([getattr(part, name) for part in parts])
                    for name in ("position", "second", "day", "valid", "fresh")))
    return whole.take(np.argsort(whole.position, kind="stable"))


def leading_group(marks: dict[Key, Marks]) -> Key:
    """The sentence that shows most new times with a fix (else without); RMC before the others.

    Two receivers, and even two sentences of one, may lag each other by a second, so the marks of
    several are never mixed while the leading one speaks.

    Parameters
    ----------
    marks : dict of Key to Marks
        Not empty.

    Returns
    -------
    Key
    """
    fixed = {key: int((part.fresh & part.valid).sum()) for key, part in marks.items()}
    shown = {key: int(part.fresh.sum()) for key, part in marks.items()}
    count = fixed if max(fixed.values()) else shown
    most = max(count.values())
    # A few more or less at the ends of a file must not change the choice from file to file.
    able = [key for key in sorted(marks) if count[key] >= 0.9 * most]
    return min(able, key=lambda key: TIMED.index(key[1]))


def with_days(marks: Marks, dated: Marks, first_day: float | None) -> Floats:
    """Seconds since 1970 of each mark.

    Parameters
    ----------
    marks : Marks
        Those to be timed.
    dated : Marks
        Marks that know their day, of any receiver, in order of arrival.
    first_day : float or None
        Day of the first mark when nothing is dated.

    Returns
    -------
    ndarray, shape (n,)
        NaN where no day can be known.
    """
    own = marks.day * DAY_S + marks.second
    if dated.position.size == 0:
        if first_day is None:
            return np.full(marks.second.shape, np.nan)
        # Past midnight the time of day falls back by most of a day.
        step = np.round(np.diff(marks.second) / DAY_S)
        turns = np.concatenate([[0.0], -np.cumsum(step)])
        return np.asarray((first_day + turns) * DAY_S + marks.second)
    known = dated.day * DAY_S + dated.second
    before = np.searchsorted(dated.position, marks.position, side="right") - 1
    reference = known[np.maximum(before, 0)]
    # Each undated time lies within half a day of the last dated one before it; those before the
    # first dated one are chained back from it, so that any number of midnights may lie between.
    near = reference + np.mod(marks.second - reference + DAY_S / 2, DAY_S) - DAY_S / 2
    early = np.flatnonzero((before < 0) & np.isnan(own))
    if early.size:
        seconds = np.concatenate([marks.second[early], [np.mod(known[0], DAY_S)]])
        step = np.diff(seconds)
        step -= DAY_S * np.round(step / DAY_S)
        near[early] = known[0] - np.cumsum(step[::-1])[::-1]
    return np.asarray(np.where(np.isfinite(own), own, near))


def one_week_count(time_s: Floats) -> tuple[Floats, int]:
    """Bring marks of one log that lie 1024 weeks apart onto the later count.

    Returns
    -------
    time_s : ndarray, shape (n,)
    moved : int
        How many marks were moved.
    """
    known = time_s[np.isfinite(time_s)]
    if known.size < 2 or known.max() - known.min() < WEEKS_1024_S - 30 * DAY_S:
        return time_s, 0
    late = float(np.median(known[known > known.max() - 30 * DAY_S]))
    turns = np.round((late - time_s) / WEEKS_1024_S)
    away = np.abs(late - time_s - turns * WEEKS_1024_S)
    move = (turns >= 1) & (away < 30 * DAY_S)
    return np.where(move, time_s + turns * WEEKS_1024_S, time_s), int(move.sum())


def weeks_behind(time_s: float, references_s: list[float], modified_s: float | None) -> int:
    """How many times 1024 weeks a receiver's date lags behind.

    Parameters
    ----------
    time_s : float
        A time of the log.
    references_s : list of float
        Times near the log's own by better evidence: a date given, stamped, or in a file name.
    modified_s : float or None
        When the file was written. It proves little, since copies are made years later: it counts
        only when the repaired date lies within the sixty days before it.
    """
    for turns in (1, 2):
        there = time_s + turns * WEEKS_1024_S
        if any(abs(there - reference) < 3 * DAY_S for reference in references_s):
            return turns
        if modified_s is not None and -2 * DAY_S < modified_s - there < 60 * DAY_S and not any(
                abs(time_s - reference) < 3 * DAY_S for reference in references_s):
            return turns
    return 0


def trusted(time_s: Floats, step_s: float) -> tuple[Bools, NDArray[np.int64]]:
    """Marks that fit together, and where the time jumps.

    Consecutive marks a usual step apart form stretches. The heaviest sequence of stretches that
    never goes back in time is kept; of the rest, a stretch of half a minute and thirty marks is
    a recording of its own (files joined out of order), a smaller one a glitch.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        In order of arrival, finite.
    step_s : float
        Usual step.

    Returns
    -------
    keep : ndarray of bool, shape (n,)
    stretch : ndarray of int, shape (n,)
        Number of the stretch each mark is in.
    """
    reach = max(10.0, 5.0 * step_s)
    jump = np.diff(time_s)
    cut = np.flatnonzero((jump < 0) | (jump > reach)) + 1
    stretch = np.zeros(time_s.size, dtype=np.int64)
    stretch[cut] = 1
    stretch = np.cumsum(stretch)
    if cut.size == 0 or not (jump < 0).any():
        # Time only ever goes forward, but a first date from before the fix may be years off.
        return _without_false_start(time_s, stretch), stretch
    starts = np.concatenate([[0], cut])
    ends = np.concatenate([cut, [time_s.size]]) - 1
    weight = (ends - starts + 1).astype(float)
    if starts.size > 3000:
        # Rubbish throughout: only the heavy stretches can carry a clock.
        heavy = np.sort(np.argsort(-weight, kind="stable")[:3000])
    else:
        heavy = np.arange(starts.size)
    t0, t1, w = time_s[starts[heavy]], time_s[ends[heavy]], weight[heavy]
    best, previous = w.copy(), np.full(w.size, -1)
    for j in range(1, w.size):
        score = np.where(t1[:j] <= t0[j] + reach, best[:j], -1.0)
        i = int(np.argmax(score))
        if score[i] > 0:
            best[j], previous[j] = w[j] + score[i], i
    chosen = np.zeros(starts.size, dtype=bool)
    at = int(np.argmax(best))
    while at >= 0:
        chosen[heavy[at]] = True
        at = int(previous[at])
    own = (weight >= 30) & (time_s[ends] - time_s[starts] >= 30.0)
    keep = (chosen | own)[stretch]
    return keep & _without_false_start(time_s, stretch), stretch


def _without_false_start(time_s: Floats, stretch: NDArray[np.int64]) -> Bools:
    """Drop a short first stretch that lies months before all the rest."""
    first = stretch == 0
    if first.all() or first.sum() > 0.2 * first.size:
        return np.ones(time_s.shape, dtype=bool)
    gap = float(time_s[~first].min() - time_s[first].max())
    return ~first if gap > 30 * DAY_S else np.ones(time_s.shape, dtype=bool)


_NAMED_DAY: Final = re.compile(r"(?<!\d)(19[89]\d|20\d\d)[-_. ]?(0[1-9]|1[0-2])[-_. ]?"
                               r"(0[1-9]|[12]\d|3[01])(?!\d{1,3}(?!\d))")


_NAMED_EPOCH: Final = re.compile(r"(?<!\d)(\d{10}|\d{13})(?!\d)")
"""Seconds or milliseconds since 1970, as loggers name their files by."""
_EPOCHS_S: Final = 946_684_800.0, 4_102_444_800.0
"""2000 to 2100: what else ten or thirteen digits may mean seldom lies there."""


def day_in_name(name: str) -> date | None:
    """The day in a file's name (year first, or seconds or milliseconds since 1970), or None.

    Parameters
    ----------
    name : str

    Returns
    -------
    date or None
    """
    for match in _NAMED_DAY.finditer(name):
        try:
            return date(*(int(part) for part in match.groups()))
        except ValueError:
            continue
    for match in _NAMED_EPOCH.finditer(name):
        seconds = float(match[1]) / (1000.0 if len(match[1]) == 13 else 1.0)
        if _EPOCHS_S[0] <= seconds < _EPOCHS_S[1]:
            return datetime.fromtimestamp(seconds, UTC).date()
    return None


def midnight_s(day: date) -> float:
    """Seconds since 1970 of the start of a day, UTC.

    Parameters
    ----------
    day : date

    Returns
    -------
    float
    """
    return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()


WRITTEN: Final = "the time the file was written"


def day_of_file(context: ReadContext, end_s: float) -> tuple[float, str]:
    """Day (since 1970) of a log that has none, from its file, and where that was taken from.

    Parameters
    ----------
    context : ReadContext
    end_s : float
        Last time of the log, seconds since its first midnight: a log ends when its file was
        last written, if it is no copy.

    Returns
    -------
    day : float
        Days since 1970.
    how : str
        Where it was taken from, in words.
    """
    named = day_in_name(context.name)
    if named is not None:
        return midnight_s(named) / DAY_S, "its name"
    return float(np.floor((context.modified_s - end_s) / DAY_S)), WRITTEN


def no_date(name: str, day: float, how: str) -> Finding:
    """The warning that goes with a log whose day had to be taken from elsewhere.

    Parameters
    ----------
    name : str
        Of the file.
    day : float
        Days since 1970.
    how : str
        Where it was taken from, in words.

    Returns
    -------
    Finding
    """
    return Finding("no-date", f"{name}: the log has no date; {day_words(day * DAY_S)} was taken "
                   f"from {how}. Give the day with --date YYYY-MM-DD if that is wrong.")
