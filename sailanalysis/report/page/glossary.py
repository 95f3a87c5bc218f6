"""The trade's words, for whoever hears them for the first time."""

from __future__ import annotations

import re
from typing import Final

TERMS: Final[dict[str, tuple[str, str]]] = {
    "VMG": (r"VMG", "Velocity made good: the part of the boat's speed that takes her straight "
            "towards the wind (upwind) or straight away from it (downwind, negative here)."),
    "true wind": (r"true wind|TWS|TWA|TWD", "The wind over the water, as a drifting float would "
                  "feel it: speed (TWS), angle off the bow (TWA), direction it comes from (TWD)."),
    "apparent wind": (r"apparent wind|AWA|AWS", "The wind felt on board: the true wind and the "
                      "boat's own motion together. The vane at the masthead measures it."),
    "polar": (r"polars?", "A boat's speed for every wind speed and wind angle, drawn as curves "
              "around the wind."),
    "target": (r"targets?", "The angle and speed that give the best VMG in a given wind."),
    "tack": (r"tack(?:s|ed|ing)?", "Turning the bow through the wind. Also the side the wind comes "
             "from: on starboard tack it comes over the starboard side."),
    "gybe": (r"gyb(?:e|es|ed|ing)", "Turning the stern through the wind, when running or "
             "reaching."),
    "luff": (r"luff(?:s|ed|ing)?", "Turning the bow towards the wind without passing it; often "
             "work: a halyard to tension, a board to lower, a reef to take."),
    "leeway": (r"leeway", "How far the boat slips sideways: the angle between where she points and "
               "where she goes through the water."),
    "set and drift": (r"set and drift|the current", "The current: set is where it goes to, drift "
                      "is how fast."),
    "heel": (r"heel(?:s|ed|ing)?", "How far the boat leans over."),
    "weather helm": (r"weather helm|mean rudder", "The rudder a boat needs to sail straight "
                     "because she wants to turn into the wind."),
    "95 % interval": (r"95\s?% interval|in brackets|\(−?\d[\d.]* to ",
                      "The range in brackets. Were the day sailed again and again, such "
                      "ranges would hold the true value nineteen times in twenty."),
    "reversal": (r"reversals?", "A change of the rudder's direction larger than a stated dead "
                 "band."),
    "rms": (r"rms|root mean square", "Root mean square: a usual size of a thing that swings both "
            "ways."),
    "deviation": (r"deviation", "Deviation is the compass's error by heading, "
                   "from iron and currents on board."),
}


def first_uses(text: str, seen: set[str]) -> list[tuple[str, str]]:
    """Terms of ``text`` not met before on the page, with their meaning; ``seen`` grows."""
    found = []
    for name, (pattern, meaning) in TERMS.items():
        if name not in seen and re.search(rf"(?<!\w)(?:{pattern})", text):
            seen.add(name)
            found.append((name, meaning))
    return found
