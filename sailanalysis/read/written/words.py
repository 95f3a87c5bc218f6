"""The trade's words in a crew log written as plain lines, German and English.

One table of patterns, tried from above: the first that fits says the item and, by its groups, the
value. To teach the program a word, add it here and a line to ``tests/read/test_plain_lines.py``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Reading:
    """What a phrase says: an item and its value; for sails whether one went ``up`` or ``down``."""

    item: str
    value: str
    way: str = ""


_SAIL: Final = (r"main(?:sail)?|jib|genoa|genua|fock|gro(?:ß|ss)(?:segel)?|reacher|"
                r"code ?(?:zero|0)|gennaker|spinnaker|spi|kite|screecher|staysail|storm ?jib|"
                r"sturmfock|mizzen|besan|"
                r"blister|solent|yankee|drifter|vorsegel")
_UP: Final = r"up|set|hoisted|unfurled|out|hoch|gesetzt|ausgerollt|rauf"
_DOWN: Final = r"down|dropped|furled|in|away|weg|runter|geborgen|eingerollt"
_ON: Final = r"on|start(?:ed)?|running|an|gestartet|ein"
_OFF: Final = r"off|stop(?:ped)?|aus|gestoppt"
_MOTOR: Final = r"(?:engines?|motor(?:en)?|maschinen?|diesel)"
_ORDINAL: Final = {"first": "1", "second": "2", "third": "3", "erstes": "1", "zweites": "2",
                   "drittes": "3", "one": "1", "two": "2", "three": "3"}
_TRIMMED: Final = (
    r"eased?|sheet(?:ed|s)?|trim(?:med)?|tighten(?:ed)?|hardened|cunningham|outhaul|vang|kicker|"
    r"traveller|traveler|backstay|halyard|lead|downhaul|twist|fall(?:en)?|gefiert|fieren|dicht(?:er|"
    r"geholt)?|holepunkt|traveller|achterstag|niederholer|unterliek|vorliek|baumniederholer|"
    r"schot(?:en)?|getrimmt|ge(?:ö|oe)ffnet")

_TABLE: Final = (
    ("photo", r"(?:photo|foto|bild|picture)?:?\s*(?P<value>\S+\.(?:jpe?g|png|heic|webp|mp4))"),
    ("aim", r"(?:aims?|goals?|ziele?|practi[sc]e|(?:ü|ue)ben)\s*:?\s+(?P<value>.+)"),
    ("helm", r"(?P<pilot>(?:auto[ -]?)?pilot)(?:\s+(?:on|an|ein))?"),
    ("helm", r"(?:helm|steuer|ruder|rudergänger|wache|pinne)\s*:?\s+(?P<value>\w[\w .-]*)"),
    ("helm", r"(?P<value>\w[\w .-]*?)\s+(?:at the helm|steers|steering|helms|takes the helm|"
             r"steuert|am (?:ruder|steuer)|an der pinne|(?:ü|ue)bernimmt)"),
    ("reef+", r"(?:reef|reff)\s*(?:no\.?|nr\.?)?\s*(?P<value>\d)|(?P<first>\d)\.?\s*(?:reef|reff)s?"
              r"(?:\s+in)?"),
    ("reef+", r"(?P<word>first|second|third|one|two|three|erstes|zweites|drittes)\s+"
              r"(?:reef|reff)s?"),
    ("reef0", r"(?:reefs? out|no reef|reffs? (?:raus|aus)|ausgerefft|kein reff|full main)"),
    ("engine on", rf"{_MOTOR}\s+(?:{_ON})|(?:{_ON})\s+{_MOTOR}"),
    ("engine off", rf"{_MOTOR}\s+(?:{_OFF})|(?:{_OFF})\s+{_MOTOR}"),
    ("sails", r"(?:sails?|segel|under|unter)\s*:?\s+(?P<value>\w+(?:\s*\+\s*\w+)+)"),
    ("sail up", rf"(?P<value>{_SAIL})\s+(?:{_UP})|(?:set|hoist(?:ed)?|unfurl(?:ed)?)\s+"
                rf"(?:the\s+)?(?P<second>{_SAIL})"),
    ("sail down", rf"(?P<value>{_SAIL})\s+(?:{_DOWN})|(?:drop(?:ped)?|furl(?:ed)?)\s+"
                  rf"(?:the\s+)?(?P<second>{_SAIL})"),
    ("boards", r"(?P<value>.*\b(?:dagger)?(?:boards?|schwert(?:er)?|centreboard|centerboard)\b.*)"),
    ("fill", r"(?:filled|fill|getankt|gebunkert)\s*:?\s+(?P<value>\w+\s+\d+(?:[.,]\d+)?)\s*l?\b.*"),
    ("load", r"(?:load|zuladung|beladung)\s*:?\s+(?P<value>\d+(?:[.,]\d+)?)\s*(?:kg)?"),
    ("sea", r"(?:sea|seas|waves?|swell|welle|seegang|d(?:ü|ue)nung)\s*:?\s+(?P<value>.+)"),
    ("trim", rf"(?P<value>.*\b(?:{_TRIMMED})\b.*)"),
)
_PATTERNS: Final = tuple((item, re.compile(pattern, re.IGNORECASE)) for item, pattern in _TABLE)


def read_phrase(text: str) -> Reading | None:
    """What a phrase says by the trade's words, or None.

    Parameters
    ----------
    text : str
        ``reacher up``, ``Motor aus``, ``eased main 20 cm``.
    """
    text = " ".join(text.split()).rstrip(".!")
    for item, pattern in _PATTERNS:
        match = pattern.fullmatch(text)
        if match is not None:
            return _reading(item, {key: value for key, value in match.groupdict().items() if value})
    return None


def _reading(item: str, found: dict[str, str]) -> Reading:
    value = next(iter(found.values()), "").strip()
    if item == "helm" and "pilot" in found:
        return Reading("helm", "autopilot")
    if item.startswith("reef"):
        return Reading("reef", "0" if item == "reef0" else _ORDINAL.get(value.lower(), value))
    if item.startswith("engine "):
        return Reading("engine", item.removeprefix("engine "))
    if item.startswith("sail "):
        return Reading("sails", value.lower(), item.removeprefix("sail "))
    return Reading(item, value)
