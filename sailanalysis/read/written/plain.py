"""A crew log of plain lines: ``09:18 Marit, reacher up``; a line with a date alone begins a day."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from difflib import get_close_matches
from typing import Final

from sailanalysis.core.model import Names
from sailanalysis.read.written.words import Reading, read_phrase

Row = tuple[int, tuple[str, str, str, str]]
"""Line number and (time, item, value, note)."""

_LINE: Final = re.compile(
    r"\s*[-*•]?\s*(?P<hour>[01]?\d|2[0-3])(?P<mark>[:.h]?)(?P<minute>[0-5]\d)(?::[0-5]\d)?"
    r"(?:\s*(?:uhr|h)\b)?\s*[-–:,;]?\s+(?P<words>\S.*?)\s*", re.IGNORECASE)
_DAY: Final = re.compile(
    r"\s*#*\s*(?:[A-Za-zäöü]{2,10}\.?,?\s+)?(?:(?P<iso>\d{4}-\d{2}-\d{2})|"
    r"(?P<day>\d{1,2})[./](?P<month>\d{1,2})[./](?P<year>\d{4}))\s*:?\s*")
_PARTS: Final = re.compile(r"\s*[,;]\s+|\s+(?:und|and)\s+(?=\S+ (?:up|down|on|off|an|aus)\b)")
ALIKE: Final = 0.8
"""Share of letters from which a name written with a slip is taken for one the boat knows."""


def is_plain(lines: Sequence[str]) -> bool:
    """Whether lines are a crew log of plain lines: most of them a time of day and then words."""
    filled = [line for line in lines if line.strip() and not _DAY.fullmatch(line)]
    timed = sum(1 for line in filled if _timed(line) is not None)
    return timed >= 1 and timed * 10 >= 6 * len(filled)


def _timed(line: str) -> re.Match[str] | None:
    match = _LINE.fullmatch(line) if len(line) < 1000 else None
    # Words, not the columns of a table.
    return match if match and re.match(r"[^\W\d_]", match["words"]) else None


def plain_rows(lines: Sequence[str], names: Names) -> Iterator[Row]:
    """Rows as of the table form, one a phrase of each line.

    Parameters
    ----------
    lines : sequence of str
    names : Names
        What the crew calls helms and sails, for phrases that are but a name.

    Yields
    ------
    Row
        What no word of the trade explains is a note; lines without a time are the note of the
        line before.
    """
    day = when = ""
    sails: list[str] = []
    for number, line in enumerate(lines, start=1):
        dated = _DAY.fullmatch(line)
        if dated:
            day = dated["iso"] or (
                f"{dated['year']}-{int(dated['month']):02d}-{int(dated['day']):02d}")
            continue
        match = _timed(line)
        if match is None:
            if line.strip():
                yield number, (when, "note", line.strip(), "")
            continue
        clock = f"{int(match['hour']):02d}:{match['minute']}"
        when = f"{day}T{clock}" if day else clock
        for item, value in _entries(match["words"], names, sails):
            yield number, (when, item, value, match["words"])


def _helm_in(part: str, phrase: Reading | None, names: Names) -> str:
    """The person whose hands a part of a line puts on the wheel; empty where it is none."""
    if phrase is None:
        return match_name(part, names.helms)
    if phrase.item == "helm" and phrase.value != "autopilot":
        return match_name(phrase.value, names.helms) or phrase.value
    return ""


def _entries(words: str, names: Names, sails: list[str]) -> Iterator[tuple[str, str]]:
    """Items and values of one line; ``sails`` is what stands, and goes on from line to line."""
    left = []
    before = list(sails)
    for part in _PARTS.split(words):
        phrase = read_phrase(part)
        helm = _helm_in(part, phrase, names)
        if helm:
            yield "helm", helm
        elif phrase is None:
            left.append(part)
        elif phrase.item == "sails":
            _handle(phrase, names, sails)
        else:
            yield phrase.item, phrase.value
    if sails != before and sails:
        yield "sails", "+".join(sails)
    if left:
        yield "note", ", ".join(left)


def _handle(known: Reading, names: Names, sails: list[str]) -> None:
    """A sail goes up or down, or all that stand are named."""
    if not known.way:
        sails[:] = [match_name(sail.strip(), names.sails) or sail.strip()
                    for sail in known.value.split("+")]
        return
    sail = match_name(known.value, names.sails) or known.value
    if known.way == "down":
        if sail in sails:
            sails.remove(sail)
    elif sail not in sails:
        sails.append(sail)


def match_name(text: str, names: dict[str, tuple[str, ...]]) -> str:
    """The boat's own name that is meant; empty where none is near.

    Parameters
    ----------
    text : str
    names : dict of str to tuple of str
        Name to its other spellings.
    """
    forms = {form.casefold(): name for name, others in names.items() for form in (name, *others)}
    near = get_close_matches(text.strip().casefold(), forms, 1, ALIKE)
    return forms[near[0]] if near else ""
