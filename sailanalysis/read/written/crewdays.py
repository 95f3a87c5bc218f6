"""Crew logs of several days: all of them read, each day given its own, a passage's watch kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from sailanalysis.core.errors import Finding
from sailanalysis.core.model import CrewEntry, CrewLog, Names
from sailanalysis.read.written.crewlog import read_crew_log, read_crew_log_of_days

HELD: Final = ("helm", "sails", "boards", "engine", "load", "sea", "reef")
"""Items that hold until the next of their kind."""
OTHER_DAY_S: Final = 12 * 3600.0
"""Notes of many days: an entry further from a day's logs than this is another day's."""


def read_crew_logs(paths: Sequence[Path], hours: Sequence[tuple[float, float]],
                   timezone: str = "UTC",
                   names: Names | None = None) -> list[tuple[CrewLog, list[Finding]]]:
    """All crew logs, divided among the days they are about.

    Parameters
    ----------
    paths : sequence of Path
    hours : sequence of (float, float)
        First and last instant of each day's logs, in order, seconds since 1970.
    timezone : str
        Zone of times that carry none.
    names : Names, optional
        What the crew calls helms and sails.

    Returns
    -------
    list of (CrewLog, list of Finding)
        One a day.
    """
    out: list[tuple[list[CrewEntry], list[Finding]]] = [([], []) for _ in hours]
    for path in paths:
        if len(hours) == 1:
            start, end = hours[0]
            parts = [read_crew_log(path, day_start_s=start, day_end_s=end, timezone=timezone,
                                   names=names)]
        else:
            parts = read_crew_log_of_days(path, hours, timezone, names)
        for (entries, findings), (crew, more), (start, end) in zip(out, parts, hours,
                                                                   strict=True):
            near = [e for e in crew.entries if max(start - e.time_s, e.time_s - end) <= OTHER_DAY_S]
            entries += near or crew.entries
            # Notes of a whole cruise are no warning on each of its days.
            findings += [f for f in more if not near or f.code != "crew-log-other-day"]
    return [(CrewLog(tuple(sorted(entries, key=lambda e: e.time_s))), findings)
            for entries, findings in out]


def carried_over(before: CrewLog, after: CrewLog, start_s: float) -> CrewLog:
    """A passage goes on past midnight: what held before holds until the next entry.

    Parameters
    ----------
    before, after : CrewLog
        Of the day that ends at ``start_s`` and of the one that begins there.
    """
    held = [replace(entries[-1], time_s=start_s) for item in HELD if (entries := before.of(item))
            and not any(entry.time_s <= start_s for entry in after.of(item))]
    return CrewLog((*held, *after.entries))
