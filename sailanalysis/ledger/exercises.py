"""Tomorrow's exercises, and whether they helped.

An exercise is set because a number was bad, and a number that was bad once is better the next time
by chance alone (regression to the mean). So the day on which it was set never counts on the side
before where earlier days are known; where none is, its number is drawn to what is usual, by how far
days differ. After that, days stand against days: their own scatter, not that of single turns, says
what a difference is worth.

"Helped" is said once in a season at most out of nothing: all exercises of a season and all their
checks share one chance of error.

References
----------
.. [1] Barnett, van der Pols and Dobson, "Regression to the mean: what it is and how to deal with
   it", Int. J. Epidemiology 34, 215-220, 2005.
.. [2] O'Brien and Fleming, "A multiple testing procedure for clinical trials", Biometrics 35,
   549-556, 1979 (bounds for repeated looks).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.stats import Z95
from sailanalysis.ledger.numbers import BY_NAME, MEASURES, Measure, Number, day_numbers

if TYPE_CHECKING:
    from sailanalysis.ledger.ledger import Ledger
    from sailanalysis.maneuvers.compare import Pattern

Bools = NDArray[np.bool_]
Verdict = Literal["helped", "worse", "no change shown", "too early"]
VERDICTS: Final[tuple[Verdict, ...]] = ("helped", "worse", "no change shown", "too early")
AT_ONCE: Final = 2
"""More than two things at once nobody practises."""
LOOKS: Final = (4, 7, 10)
"""Days since, after which a verdict may fall: every look is a chance of error."""
CLOSED_AFTER: Final = LOOKS[-1]
"""Days after which an exercise that showed nothing gives way to another."""
BOUND: Final = 2.2
"""Standard errors from which a change is called at the last look; more at the earlier ones, as the
square root of the days still to come (O'Brien and Fleming). Chosen on generated seasons
(2000-2100), where four in a hundred without learning said "helped" at all."""
WIND_KN: Final = 6.0
"""Days whose wind differs by more from that of the exercise are another exercise."""
DAY_WEIGHT: Final = 5.0
"""Days that the first guess of how far days differ counts as."""
WORTH_MINUTES: Final = 0.1
"""Less than this in a day is nobody's exercise."""
OWN_COUNT: Final = 20.0
"""Turns from which on a day's own scatter says as much as that of all days."""
LEAST_BEFORE: Final = 6
"""Days of a number before it can be set out to be bettered: else chance is what gets better. Until
then the exercise is to get the number. With three days before, a gain of a quarter was found
in 61 of 100 seasons, with six in 87 (2000-2100)."""


@dataclass(frozen=True)
class Exercise:
    """What was set.

    Attributes
    ----------
    measure : str
        The number that will tell.
    helm : str
        Whose; empty for the crew.
    proposed : str
        Date of the day on which it was set.
    source : {"program", "crew"}
        The crew's own aims are checked alike.
    value, sd : float
        The day's number.
    tws_kn : float
        In such wind.
    off_deg : float
        Of an angle: sailed less the best.
    rate_deg_s : float
        Of turns: how quickly she turned.
    minutes_a_day : float
        What it is worth, drawn to the mean.
    aim : str
        The crew's words.
    known : bool
        False: the number is not known well enough yet, and the exercise is to get it.
    how : str
        ``slower`` or ``quicker``: how the day's cheaper turns were turned; empty where that showed
        no difference.
    days : int
        Days that know the number, this one included.
    """

    measure: str
    helm: str
    proposed: str
    source: str = "program"
    value: float = float("nan")
    sd: float = float("nan")
    tws_kn: float = float("nan")
    off_deg: float = float("nan")
    rate_deg_s: float = float("nan")
    minutes_a_day: float = float("nan")
    aim: str = ""
    known: bool = True
    how: str = ""
    days: int = 0

    @property
    def key(self) -> tuple[str, str]:
        """What it is about."""
        return self.measure, self.helm


@dataclass(frozen=True)
class PracticeDay:
    """What one filed day holds for later ones: its date, numbers, and the exercises it set."""

    date: str
    numbers: tuple[Number, ...] = ()
    exercises: tuple[Exercise, ...] = ()


@dataclass(frozen=True)
class Check:
    """An exercise against what came after.

    Attributes
    ----------
    exercise : Exercise
    then, then_low, then_high : float
        Mean of the days before, regression to the mean taken out, 95 % interval.
    since, since_low, since_high : float
        Mean of the days since.
    change, change_low, change_high : float
        Since less then; negative is better.
    days_before, days_since : int
    last : str
        Date of the last day that could be checked.
    rate_then_deg_s, rate_since_deg_s : float
        Of turns: how quickly she turned, before and since.
    verdict : str
    """

    exercise: Exercise
    then: float
    then_low: float
    then_high: float
    since: float
    since_low: float
    since_high: float
    change: float
    change_low: float
    change_high: float
    days_before: int
    days_since: int
    last: str
    rate_then_deg_s: float
    rate_since_deg_s: float
    verdict: Verdict


@dataclass(frozen=True)
class Tomorrow:
    """What a day hands to the next.

    Attributes
    ----------
    numbers : tuple of Number
    exercises : tuple of Exercise
        At most two.
    checks : tuple of Check
        Open exercises that today could check.
    unread : tuple of str
        The crew's aims that no number of this program tells.
    """

    numbers: tuple[Number, ...] = ()
    exercises: tuple[Exercise, ...] = ()
    checks: tuple[Check, ...] = ()
    unread: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _Series:
    """One number over the days, in order of date."""

    dates: tuple[str, ...]
    value: Floats
    variance: Floats
    tws_kn: Floats


def _series(days: Sequence[PracticeDay], measure: str, helm: str) -> _Series:
    rows = [(day.date, n) for day in sorted(days, key=lambda d: d.date) for n in day.numbers
            if n.measure == measure and n.helm == helm and np.isfinite(n.value)]
    variance = np.array([max(n.sd, 1e-6) ** 2 for _, n in rows])
    count = np.array([max(n.count, 1) for _, n in rows], dtype=float)
    if variance.size:
        # What one turn or minute scatters by is the same on all days; each day's own guess of it
        # rests on few.
        single = float(np.sum(variance * count * count) / count.sum())
        share = count / (count + OWN_COUNT)
        variance = share * variance + (1.0 - share) * single / count
    return _Series(tuple(date for date, _ in rows), np.array([n.value for _, n in rows]), variance,
                   np.array([n.tws_kn for _, n in rows]))


def _spread(groups: Sequence[tuple[Floats, Floats]], first_guess: float) -> float:
    """Variance between days of one crew: the days' scatter less their own errors.

    Drawn to the first guess by ``DAY_WEIGHT``; each group has a mean of its own, so that a gain
    between them is no scatter.
    """
    total, count = DAY_WEIGHT * first_guess**2, DAY_WEIGHT
    for value, variance in groups:
        if value.size > 1:
            total += float(np.sum((value - value.mean()) ** 2)) - float(
                np.sum(variance) * (value.size - 1) / value.size)
            count += value.size - 1
    return max(total / count, 0.25 * first_guess**2)


def _mean(value: Floats, variance: Floats, between: float) -> tuple[float, float]:
    """Weighted mean of days and its variance."""
    weight = 1.0 / (variance + between)
    return float(np.sum(weight * value) / weight.sum()), float(1.0 / weight.sum())


def _before(value: Floats, variance: Floats, chosen: float, chosen_variance: float,
            between: float, measure: Measure) -> tuple[float, float]:
    """The number before, regression to the mean taken out.

    The day it was chosen on is left out; what earlier days say is drawn to what is usual, which
    counts for little once there are some.
    """
    prior = measure.usual_sd**2
    if value.size == 0:
        own = chosen_variance + between
        share = prior / (prior + own)
        return measure.usual + share * (chosen - measure.usual), share * own
    middle, error = _mean(value, variance, between)
    share = prior / (prior + error)
    return measure.usual + share * (middle - measure.usual), share * error


def check(exercise: Exercise, days: Sequence[PracticeDay]) -> Check | None:
    """Hold an exercise against the days since; None where none could tell yet.

    Parameters
    ----------
    exercise : Exercise
    days : sequence of PracticeDay
        All days, before and since, each with its numbers.
    """
    measure = BY_NAME.get(exercise.measure)
    if measure is None or not exercise.known:
        return None
    series = _series(days, exercise.measure, exercise.helm)
    dates = np.array(series.dates, dtype=str)
    near = _near(series, exercise.tws_kn)
    crew = exercise.source == "crew"
    since = near & ((dates >= exercise.proposed) if crew else (dates > exercise.proposed))
    before = near & (dates < exercise.proposed)
    if not since.any() or (crew and not before.any()):
        return None
    then, then_var, now, now_var = _compared(exercise, measure, series, before, since)
    change, sd = now - then, float(np.sqrt(then_var + now_var))
    rates = _series(days, exercise.measure.replace("loss_s", "rate_deg_s"), exercise.helm)
    return Check(
        exercise, then, *_ends(then, then_var), now, *_ends(now, now_var), change,
        change - Z95 * sd, change + Z95 * sd, int(before.sum()), int(since.sum()),
        str(dates[since][-1]), *_rates(rates, exercise),
        _verdict(exercise, measure, series, before, since))


def _near(series: _Series, tws_kn: float) -> Bools:
    """Days in about the same wind; where it is not known, all."""
    near = np.abs(series.tws_kn - tws_kn) <= WIND_KN
    return np.asarray(near | ~np.isfinite(series.tws_kn - tws_kn), dtype=bool)


def _compared(exercise: Exercise, measure: Measure, series: _Series, before: Bools,
              since: Bools) -> tuple[float, float, float, float]:
    """Mean before and its variance, mean since and its variance."""
    between = _spread([(series.value[m], series.variance[m]) for m in (before, since)],
                      measure.day_sd)
    return (*_before(series.value[before], series.variance[before], exercise.value,
                     exercise.sd**2, between, measure),
            *_mean(series.value[since], series.variance[since], between))


def _ends(value: float, variance: float) -> tuple[float, float]:
    half = Z95 * float(np.sqrt(variance))
    return value - half, value + half


def _rates(rates: _Series, exercise: Exercise) -> tuple[float, float]:
    """How quickly she turned before (that day included) and since."""
    if not rates.dates or not exercise.measure.endswith("loss_s"):
        return float("nan"), float("nan")
    dates = np.array(rates.dates, dtype=str)
    out = []
    for mine in (dates <= exercise.proposed, dates > exercise.proposed):
        out.append(float(np.mean(rates.value[mine])) if mine.any() else float("nan"))
    return out[0], out[1]


def _verdict(exercise: Exercise, measure: Measure, series: _Series, before: Bools,
             since: Bools) -> Verdict:
    """What the looks so far say, the first that says something."""
    if before.sum() < LEAST_BEFORE - 1:
        return "too early"
    rows = np.flatnonzero(since)
    for look in LOOKS:
        if rows.size < look:
            return "too early"
        seen = np.zeros(since.size, dtype=bool)
        seen[rows[:look]] = True
        then, then_var, now, now_var = _compared(exercise, measure, series, before, seen)
        score = (now - then) / float(np.sqrt(then_var + now_var))
        if abs(score) > BOUND * np.sqrt(LOOKS[-1] / look):
            return "helped" if score < 0 else "worse"
    return "no change shown"


def open_exercises(days: Sequence[PracticeDay]) -> list[Exercise]:
    """Exercises set before and not decided yet, each by the day that set it first."""
    checks = advice(days)
    decided = {(c.exercise.key, c.exercise.proposed) for c in checks if c.verdict != "too early"}
    return [e for e in _set(days) if (e.key, e.proposed) not in decided]


def _set(days: Sequence[PracticeDay]) -> list[Exercise]:
    """Exercises in order of their date; one that is set again while it is open is the same."""
    out: list[Exercise] = []
    for day in sorted(days, key=lambda d: d.date):
        for exercise in day.exercises:
            same = [e for e in out if e.key == exercise.key and e.source == exercise.source
                    and e.aim == exercise.aim and e.known == exercise.known]
            if not same or exercise.proposed > same[-1].proposed:
                out.append(exercise)
    return out


def advice(days: Sequence[PracticeDay]) -> list[Check]:
    """Every exercise of a season that could be checked, with its verdict.

    Parameters
    ----------
    days : sequence of PracticeDay
        All filed days, in any order.

    Returns
    -------
    list of Check
    """
    made = (check(exercise, days) for exercise in _set(days))
    return [one for one in made if one is not None]


def plan(date: str, numbers: Sequence[Number], earlier: Sequence[PracticeDay],
         worth: Sequence[Exercise], aims: Sequence[str] = ()) -> Tomorrow:
    """Check what was set, and set at most two exercises for the next day.

    Parameters
    ----------
    date : str
        Today's.
    numbers : sequence of Number
        Today's.
    earlier : sequence of PracticeDay
        Filed days but this one.
    worth : sequence of Exercise
        What could be set, from :func:`candidates`, the worthiest first.
    aims : sequence of str
        The crew's own, from today's crew log.
    """
    own, unread = crew_aims(date, numbers, aims)
    today = PracticeDay(date, tuple(numbers), tuple(own))
    days = [*(d for d in earlier if d.date <= date), today]
    open_ = [e for e in open_exercises(days) if e.known]
    checks = [c for c in (check(e, days) for e in _set(days)) if c is not None and c.last == date]
    kept = [e for e in open_ if e.proposed < date and e.source == "program"][-AT_ONCE:]
    closed = {c.exercise.key for c in advice(days) if c.verdict != "too early"
              and _days_after(c.last, days) < CLOSED_AFTER}
    taken = {e.key for e in kept} | closed | {e.key for e in own}
    fresh = [e for e in worth if e.key not in taken]
    chosen = [*kept, *fresh[:max(0, AT_ONCE - len(kept) - len(own))]]
    return Tomorrow(tuple(numbers), tuple([*own, *chosen][:AT_ONCE]), tuple(checks),
                    tuple(unread))


def _days_after(date: str, days: Sequence[PracticeDay]) -> int:
    return sum(day.date > date for day in days)


_AIMS: Final = (("tack_loss_s", ("tack",)), ("gybe_loss_s", ("gybe", "jibe")),
                ("downwind_angle_percent", ("downwind", "run ", "deeper", "gennaker", "spinnaker")),
                ("upwind_angle_percent", ("upwind", "beat", "point", "pinch", "height", "higher",
                                          "close-hauled")),
                ("rudder_percent", ("rudder", "helm", "steer", "smooth", "tiller", "wheel")))


def crew_aims(date: str, numbers: Sequence[Number],
              aims: Sequence[str]) -> tuple[list[Exercise], list[str]]:
    """The crew's aims as exercises, by the words in them; and those that no number tells."""
    out, unread = [], []
    for text in aims:
        words = f" {text.lower()} "
        name = next((n for n, signs in _AIMS if any(s in words for s in signs)), "")
        mine = [n for n in numbers if n.measure == name]
        named = [n for n in mine if n.helm and n.helm.lower() in words]
        one = next(iter(named or mine), None)
        if not name:
            unread.append(text)
        elif one is not None:
            out.append(Exercise(name, one.helm, date, "crew", one.value, one.sd, one.tws_kn,
                                aim=text))
        elif name != "rudder_percent":
            out.append(Exercise(name, "", date, "crew", aim=text))
    return out, unread


def candidates(date: str, numbers: Sequence[Number], earlier: Sequence[PracticeDay],
               off_deg: Mapping[str, float],
               how: Mapping[str, str] | None = None) -> list[Exercise]:
    """What is weak, worthiest first, then what is unknown.

    The number that an exercise is chosen by is the mean over all days so far, drawn to the usual:
    one bad day chooses little.

    Parameters
    ----------
    date : str
    numbers : sequence of Number
        Today's.
    earlier : sequence of PracticeDay
    off_deg : mapping of str to float
        Angle sailed less the best, by the measure's name.
    how : mapping of str to str, optional
        ``slower`` or ``quicker``, by the measure's name.
    """
    days = [*earlier, PracticeDay(date, tuple(numbers))]
    rates = {n.measure: n.value for n in numbers}
    weak = []
    for n in numbers:
        measure = BY_NAME.get(n.measure)
        if measure is None:
            continue
        series = _series(days, n.measure, n.helm)
        between = _spread([(series.value, series.variance)], measure.day_sd)
        mean, error = _mean(series.value, series.variance, between)
        prior = measure.usual_sd**2
        typical = measure.usual + prior / (prior + error) * (mean - measure.usual)
        minutes = _worth_minutes(n, typical)
        if minutes >= WORTH_MINUTES:
            weak.append(Exercise(
                n.measure, n.helm, date, value=n.value, sd=n.sd, tws_kn=n.tws_kn,
                off_deg=off_deg.get(n.measure, float("nan")),
                rate_deg_s=rates.get(n.measure.replace("loss_s", "rate_deg_s"), float("nan")),
                minutes_a_day=minutes, known=int(_near(series, n.tws_kn).sum()) > LEAST_BEFORE,
                how=(how or {}).get(n.measure, ""), days=len(series.dates)))
    weak.sort(key=lambda e: -e.minutes_a_day)
    told = {n.measure for n in numbers}
    return [*weak, *(Exercise(m.name, "", date, known=False) for m in MEASURES
                     if m.name not in told and m.name.endswith("loss_s"))]


SAVED: Final = 0.25
"""A quarter of what a turn or an angle costs is what practice can hope for (common practice)."""
RUDDER_SHARE: Final = 0.015
"""Share of speed that a rudder's usual movement takes (1 to 2 %: common practice)."""


def _worth_minutes(n: Number, typical: float) -> float:
    """Minutes of a day like this one that a quarter better would save."""
    if n.measure.endswith("loss_s"):
        return SAVED * max(typical, 0.0) * n.count / 60.0
    if n.measure.endswith("angle_percent"):
        return SAVED * max(typical, 0.0) / 100.0 * n.count
    return RUDDER_SHARE * max(typical - 90.0, 0.0) / 100.0 * n.count


def plan_day(date: str, maneuvers: pd.DataFrame, helm: pd.DataFrame, ledger: Ledger | None,
             patterns: Sequence[Pattern], earlier: Sequence[PracticeDay],
             aims: Sequence[str]) -> Tomorrow:
    """A day's numbers, its checks of what was set, and what it sets.

    Parameters
    ----------
    date : str
        Of the day.
    maneuvers, helm : DataFrame
        As published.
    ledger : Ledger or None
    patterns : sequence of Pattern
        What went with the dear turns.
    earlier : sequence of PracticeDay
    aims : sequence of str
        The crew's, from the crew log.
    """
    numbers = day_numbers(maneuvers, helm, ledger)
    off_deg = {"upwind_angle_percent" if one.aim > 0 else "downwind_angle_percent": one.off_deg
               for one in (ledger.angles if ledger is not None else ())}
    # the longer the turn the dearer: quicker turns are cheaper
    how = {f"{p.kind}_loss_s": "quicker" if p.correlation > 0 else "slower"
           for p in patterns if p.trait == "turn_s"}
    sailed = ledger is not None and len(ledger.table) > 0
    worth = candidates(date, numbers, earlier, off_deg, how) if sailed else []
    return plan(date, numbers, earlier, worth, aims)
