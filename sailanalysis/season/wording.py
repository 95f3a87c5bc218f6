"""What is wrong with an archive, in words that name the day and the command that mends it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from sailanalysis.core.errors import Finding
from sailanalysis.season.records import Fault

_NOTES = ("foreign", "unfinished", "day-unproved")


def fault_findings(path: str | Path, faults: Iterable[Fault]) -> list[Finding]:
    """Faults as findings: what, where, what to do; what costs nothing is a note."""
    listed = list(faults)
    out = []
    unlisted = [f.where for f in listed if f.code == "day-not-listed"]
    for fault in listed:
        if fault.code == "day-not-listed":
            continue
        out.append(Finding(fault.code, _words(path, fault),
                           "note" if fault.code in _NOTES else "warning"))
    if unlisted:
        days = ", ".join(unlisted[:5]) + (" ..." if len(unlisted) > 5 else "")
        out.append(Finding(
            "day-not-listed", f"{path}: {len(unlisted)} filed "
            f"{'day stands' if len(unlisted) == 1 else 'days stand'} in days/ and not in the "
            f"index ({days}): taken in all the same. Write them into it with "
            f"'sailanalysis season {path} --repair'."))
    return out


def _words(path: str | Path, fault: Fault) -> str:
    repair = f"'sailanalysis season {path} --repair'"
    refile = f"'sailanalysis season {path} --refile {fault.where}'"
    words = {
        "index-missing": f"the index is missing or empty; the days' folders were read instead. "
                         f"Make it again with {repair}.",
        "index-damaged": f"the index is damaged ({fault.detail}); the days' folders were read "
                         f"instead. Make it again with {repair}.",
        "day-gone": f"the folder of day {fault.where} is gone; the day is left out. File it "
                    f"again with {refile} while its logs are there, bring its folder back from a "
                    f"copy, or take it off the list with {repair}.",
        "day-damaged": f"day {fault.where} is damaged: {fault.detail}; the day is left out. "
                       f"Mend it with {refile} while its logs are there, or bring its folder "
                       "back from a copy.",
        "day-superseded": f"days/{fault.where} is an earlier filing of a day that was replaced; "
                          f"{repair} moves it to lost/.",
        "day-unproved": f"day {fault.where} comes from an older program and the index that held "
                        "its digest is lost: it is read as it stands.",
        "unfinished": f"days/{fault.where} was never finished; it is left alone.",
        "foreign": f"days/{fault.where} is no filed day; it is left alone.",
    }
    return f"{path}: {words[fault.code]}"
