"""Which finding comes first on the first screen: the one table of it.

| place | what | among themselves |
| --- | --- | --- |
| 1 | what makes the rest moot: nothing was sailed, sail and engine cannot be told apart | weight |
| 2 | what is worth minutes tomorrow, by `Headline.minutes` and how sure that is | minutes x sure |
| 3 | what can be acted upon without a price in minutes | weight |

Weights of place 3, the same for everyone: 60 the season's or the day's account as a whole; 58 helms
that differ; 57 the wind's direction where only the track tells it; 50 and 45 the best course made
good upwind and downwind; 40 speed against the season's polar; 30 a sensor that wants a hand.

Not told on the first screen: what is true of every day (the share of a polar that the same legs
made), what the line of corrections says already, what shows no difference, and what needs
statistics to read. Each part says those. Two findings at most come from one part, five in all; a
part with a place of its own on the first screen (`Section.glance`) gives no finding besides.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from sailanalysis.report.page.sections import Headline, Section
from sailanalysis.report.page.words import known

MOST: Final = 5
"""Sentences that are read before the kettle boils (common practice)."""
FROM_ONE: Final = 2
MOOT: Final = 90.0
"""From this weight on a finding makes the others moot."""
LEAST_MINUTES: Final = 0.2
"""Less than a quarter of a minute is not worth a sentence of its own."""


def place_of(headline: Headline) -> tuple[int, float]:
    """Sort key of a finding: place in the table, then the weightiest first."""
    if headline.weight >= MOOT:
        return 1, -headline.weight
    if known(headline.minutes) and headline.minutes >= LEAST_MINUTES:
        return 2, -headline.minutes * headline.sure
    return 3, -headline.weight


def ranked(sections: Iterable[Section], most: int = MOST) -> list[tuple[str, str]]:
    """Sentences of the first screen, each with the key of its part."""
    pairs = [(headline, section.key) for section in sections if not section.glance
             for headline in section.headlines]
    out: list[tuple[str, str]] = []
    per: dict[str, int] = {}
    for headline, key in sorted(pairs, key=lambda pair: place_of(pair[0])):
        if per.get(key, 0) < FROM_ONE and len(out) < most:
            per[key] = per.get(key, 0) + 1
            out.append((headline.text, key))
    return out


def filled(found: list[tuple[str, str]], sections: Sequence[Section], keys: Sequence[str],
           least: int = 3) -> list[tuple[str, str]]:
    """A thin day still says what it can and cannot tell: verdicts of the parts named."""
    told = {key for _, key in found}
    by_key = {section.key: section for section in sections}
    for key in keys:
        if len(found) < least and key in by_key and key not in told:
            found = [*found, (by_key[key].verdict, key)]
    return found
