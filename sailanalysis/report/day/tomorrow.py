"""Section: what to practise the next time, and whether what was practised helped."""

from __future__ import annotations

from typing import Any, Final

from sailanalysis.ledger import Check, Exercise
from sailanalysis.report.day.facts import Facts
from sailanalysis.report.page.sections import Block, Column, Headline, Section, Table, Text
from sailanalysis.report.page.words import amount, count, interval, known, number, sentence

TITLE: Final = "Tomorrow"
WIND_KN: Final = 6.0
"""Half the band of wind in which an exercise is the same (as it is checked)."""
CAUTION: Final = Text((
    "Exercises wait for open water and a good lookout. The rules of the road come first, and the "
    "crew judges whether wind and sea allow them.",), "caution")
ABOUT: Final[dict[str, str]] = {
    "tack_loss_s": "tacks", "gybe_loss_s": "gybes", "upwind_angle_percent": "the angle on a beat",
    "downwind_angle_percent": "the angle on a run", "rudder_percent": "a quiet rudder"}
"""What an exercise is about."""
LONG: Final[dict[str, str]] = {
    "tack_loss_s": "half an hour", "gybe_loss_s": "half an hour",
    "upwind_angle_percent": "twenty minutes", "downwind_angle_percent": "twenty minutes",
    "rudder_percent": "ten minutes"}
SMALL_DEG: Final = 1.5
"""A smaller difference of angle nobody steers by."""


def tomorrow_section(facts: Facts) -> Section:
    """At most two exercises, and the check of those set before."""
    tomorrow = facts.day.results.tomorrow
    if tomorrow is None or not (tomorrow.exercises or tomorrow.checks or tomorrow.unread):
        return Section("tomorrow", TITLE, "Today sets nothing to practise: too little of it can be "
                       "measured.")
    blocks: list[Block] = []
    if tomorrow.exercises:
        blocks.append(Table("exercises", "What to practise, and the number that will tell", (
            Column("about", "what"), Column("do", "what to do"), Column("long", "how long"),
            Column("wind", "in which wind"), Column("tells", "what will tell")),
            [_row(facts, one) for one in tomorrow.exercises], filterable=False))
        blocks.append(CAUTION)
    told = [check_words(one, facts.private, facts.scrub) for one in tomorrow.checks]
    told += [f"No number here tells \u201c{facts.scrub(text)}\u201d; the crew judges it."
             for text in tomorrow.unread]
    if told:
        blocks = [Text(tuple(told), "list"), *blocks]
    verdict = _verdict(facts, tomorrow.exercises)
    return Section(
        "tomorrow", TITLE, verdict, tuple(blocks), how=(
            "An exercise is chosen by what a quarter off its number would save on a day like this, "
            "all days known so far taken together. The day that chose it is left out of the days "
            "before, for a number that was bad once is better the next time by chance alone.",
            "Days are held against days in about the same wind. \u201cIt helped\u201d is said only "
            "where chance would say so in less than one season of twenty, all exercises and all "
            "evenings taken together."),
        source=("Barnett, van der Pols and Dobson, Regression to the mean, Int. J. Epidemiology "
                "34, 2005.",),
        code='part["tomorrow"]\nday.results.tomorrow',
        headlines=_headlines(facts, tomorrow.exercises, tomorrow.checks))


def _verdict(facts: Facts, exercises: tuple[Exercise, ...]) -> str:
    if not exercises:
        return "Nothing new is set to practise."
    return " ".join(_order(facts, one) for one in exercises)


def _order(facts: Facts, one: Exercise) -> str:
    """One exercise in one sentence."""
    who = f"{facts.scrub(one.helm)}: " if one.helm else ""
    return f"{who}{sentence(_do(facts, one))}" if not who else f"{who}{_do(facts, one)}."


def _row(facts: Facts, one: Exercise) -> dict[str, Any]:
    whose = f", {facts.scrub(one.helm)}" if one.helm else ""
    low = max(4.0, one.tws_kn - WIND_KN)
    wind = (f"{number(low, 0)} to {number(one.tws_kn + WIND_KN, 0)}\u202fkn of true wind"
            if known(one.tws_kn) else "a steady breeze")
    return {"about": ABOUT[one.measure] + whose, "do": sentence(_do(facts, one)),
            "long": LONG[one.measure], "wind": wind, "tells": sentence(_tells(one))}


def _do(facts: Facts, one: Exercise) -> str:
    """What to do, without a full stop."""
    if one.source == "crew" and one.aim:
        return f"your own aim, \u201c{facts.scrub(one.aim)}\u201d"
    if one.measure in ("tack_loss_s", "gybe_loss_s"):
        return _turns(one, ABOUT[one.measure])
    if one.measure == "rudder_percent":
        return ("look far ahead, let her take the small waves herself, correct early and once, and "
                "hold the helm still between")
    beat = one.measure == "upwind_angle_percent"
    course = "a beat" if beat else "a run"
    if not known(one.off_deg) or abs(one.off_deg) < SMALL_DEG:
        return f"on {course} hold the angle of the card for the wind you have, through every shift"
    # on either course a wider angle to the wind is lower
    way = "higher" if one.off_deg > 0 else "lower"
    return f"on {course} sail {number(abs(one.off_deg), 0)}\u00b0 {way} than today and hold it"


def _turns(one: Exercise, turns: str) -> str:
    steady = "with two steady minutes before and after each"
    if not one.known:
        return f"six {turns} the way you always turn, {steady}"
    rate = f" than today's {number(one.rate_deg_s, 1)}\u00b0/s" if known(one.rate_deg_s) else ""
    if one.how:
        return f"six {turns}, turned {one.how}{rate}, {steady}"
    return f"six {turns}, {steady}: in at full speed, and the new course held until it is back"


def _tells(one: Exercise) -> str:
    today = _today(one)
    if not one.known:
        days = f"known on {count(one.days, 'day')} so far" if one.days else "not known yet"
        return (f"{_name(one.measure)}: {days}; from the seventh day on a change can be told "
                f"from chance{today}")
    return f"{_name(one.measure)}{today}"


def _today(one: Exercise) -> str:
    if not known(one.value):
        return ""
    unit = "s" if one.measure.endswith("loss_s") else "%"
    digits = 0 if one.measure == "rudder_percent" else 1
    return f"; today {amount(one.value, unit, digits)}"


def _name(measure: str) -> str:
    return {"tack_loss_s": "what a tack costs", "gybe_loss_s": "what a gybe costs",
            "upwind_angle_percent": "the way to windward lost by the angle",
            "downwind_angle_percent": "the way to leeward lost by the angle",
            "rudder_percent": "rudder used, of what such conditions ask for"}[measure]


def check_words(one: Check, private: bool = False, scrub: Any = str) -> str:
    """An exercise held against the days since, in one or two sentences.

    Parameters
    ----------
    one : Check
    private : bool
        Without dates.
    scrub : callable
        What takes names out of a text.
    """
    e = one.exercise
    when = "earlier" if private else f"on {e.proposed}"
    whose = f" ({scrub(e.helm)})" if e.helm else ""
    aim = "Your aim" if e.source == "crew" else "You set out"
    start = (f"{aim} {when}, {ABOUT[e.measure]}{whose}: " if e.source == "crew"
             else f"{aim} {when} to better {ABOUT[e.measure]}{whose}: ")
    rate = ""
    if known(one.rate_then_deg_s) and known(one.rate_since_deg_s):
        rate = (f"{number(one.rate_since_deg_s, 1)}\u00b0/s after "
                f"{number(one.rate_then_deg_s, 1)}\u00b0/s; ")
    return f"{start}{rate}{_change(one)}. {_judged(one)}"


def _change(one: Check) -> str:
    measure = one.exercise.measure
    less = one.change <= 0
    value, low, high = ((-one.change, -one.change_high, -one.change_low) if less
                        else (one.change, one.change_low, one.change_high))
    word = "less" if less else "more"
    if measure.endswith("loss_s"):
        kind = measure.split("_")[0]
        return f"a {kind} now costs {interval(value, low, high, 's', 1)} {word}"
    if measure == "rudder_percent":
        return f"the rudder moves {interval(value, low, high, '%', 0)} {word}"
    return f"the angle now costs {interval(value, low, high, '%', 1)} {word} of the way"


def _judged(one: Check) -> str:
    days = count(one.days_since, "day")
    return {"helped": "That is more than chance: it helped.",
            "worse": "That is more than chance: leave it and go back to the old way.",
            "no change shown": f"After {days} no change is shown; try something else.",
            "too early": f"{days.capitalize()} cannot tell it from chance yet."}[one.verdict]


def _headlines(facts: Facts, exercises: tuple[Exercise, ...],
               checks: tuple[Check, ...]) -> tuple[Headline, ...]:
    """What helped, then the first thing to do."""
    out = [Headline(check_words(one, facts.private, facts.scrub), 60.0)
           for one in checks if one.verdict in ("helped", "worse")][:1]
    if exercises:
        one = exercises[0]
        out.append(Headline(f"Tomorrow: {_order(facts, one)}", 59.0, one.minutes_a_day, 0.5))
    return tuple(out)
