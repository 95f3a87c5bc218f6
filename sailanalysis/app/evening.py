"""An evening in a boat's folder: take in what is new, make its days, renew the season's page."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from sailanalysis.app import days, pipeline
from sailanalysis.app.boat_folder import BoatFolder, find_boat_folder
from sailanalysis.app.commands import Outcome, renewed, status_of
from sailanalysis.app.days import DayJob, Written
from sailanalysis.app.done import Done, DoneDay, files_in
from sailanalysis.app.notes import Notes
from sailanalysis.app.opening import open_page
from sailanalysis.app.taking import Taken, take_in
from sailanalysis.core.errors import Finding, LogError, SailAnalysisError
from sailanalysis.core.progress import Progress
from sailanalysis.read.days.card import DayFound, read_days
from sailanalysis.read.days.zone import BY_POSITION

if TYPE_CHECKING:
    from sailanalysis.read.days.card import Card, SailingDay
    from sailanalysis.season import Season

NEAR_S: Final = 12 * 3600.0
"""Logs closer to a day than this may belong to it: the two are told apart anew."""
LOOK_S: Final = 15.0
"""Seconds between two looks at a card; a file that grew meanwhile is not done yet."""


@dataclass
class _Evening:
    """What there is to do in a boat's folder, and what was done."""

    folder: BoatFolder
    done: Done
    taken: Taken
    notes: Notes
    logs: dict[str, Path]
    written: list[Written] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    @property
    def fresh(self) -> set[str]:
        """Digests of logs that no evening has read."""
        return set(self.logs) - self.done.read


def evening(options: argparse.Namespace, progress: Progress) -> Outcome:
    """``sailanalysis evening``."""
    folder = find_boat_folder(options.boat_folder, Path())
    if options.watch:
        return watch(options, folder, progress)
    outcome, page = one_evening(options, folder, progress)
    if page is not None and not options.no_open:
        open_page(page)
    return outcome


def one_evening(options: argparse.Namespace, folder: BoatFolder,
                progress: Progress) -> tuple[Outcome, Path | None]:
    """Do all that is new; a second time there is nothing.

    Parameters
    ----------
    options : argparse.Namespace
        Of ``sailanalysis evening``.
    folder : BoatFolder
    progress : Progress

    Returns
    -------
    Outcome
    Path or None
        The page to look at: the newest day's.
    """
    done = Done.of(folder.path)
    taken = take_in(options.logs, folder, done, progress)
    now = _Evening(folder, done, taken, Notes(folder, done, taken),
                   done.digests(files_in(folder.logs)))
    words = taken.words(len(now.fresh) - len(taken.logs))
    if not now.fresh:
        now.notes.keep(())
    asked = now.fresh | _with_other_notes(now)
    tried: set[str] = set()
    while asked - tried:  # notes of a card may be about earlier days too
        _make_days(now, set(asked), options, progress)
        tried |= asked
        asked = _with_other_notes(now)
    done.save()
    page = _season_page(now, options, progress)
    return _outcome(now, words, page)


def _with_other_notes(now: _Evening) -> set[str]:
    """Digests of the logs of days whose notes are not those they were made with."""
    made = [day for day in now.done.days.values() if day.logs <= set(now.logs)]
    found = [DayFound(day.date, day.hours, tuple(now.logs[d] for d in sorted(day.logs)))
             for day in made]
    return {digest for day, crew in zip(made, now.notes.of(found), strict=True)
            if set(now.done.digests(crew.paths)) != day.notes for digest in day.logs}


def _make_days(now: _Evening, asked: set[str], options: argparse.Namespace,
               progress: Progress) -> None:
    """Read logs, and make each of their days that is not there as it should be."""
    try:
        card = _read(now, asked, progress)
    except LogError as error:
        if now.done.days:  # an evening of old days goes on
            now.findings.append(Finding("logs-unread", str(error), missing=True))
            return
        raise
    now.findings += card.findings
    job = DayJob(tuple(str(path.resolve()) for path in _paths(now, asked)),
                 str(now.folder.boat_file.resolve()), timezone=BY_POSITION)
    options.season, options.several_boats = str(now.folder.season), False
    failed = False
    for number, day in enumerate(card.days, start=1):
        progress(f"day {number} of {len(card.days)}, {day.date}")
        made = _made_from(now, day)
        if now.done.days.get(day.date) == made and _page(now.folder, day.date).is_file():
            continue
        written = days.report_one(day, options, now.folder.reports / day.date,
                                  days.job_of(day, job, alone=False), progress)
        now.written.append(written)
        failed = failed or not written.done
        if written.done and not any(f.code == "day-not-filed" for f in written.findings):
            now.done.days[day.date] = made
            now.done.save()
    if not failed:
        now.done.read |= now.fresh


def _read(now: _Evening, asked: set[str], progress: Progress) -> Card:
    """The days in some logs, and in those of earlier days that lie close to them."""
    while True:
        card = read_days([str(path) for path in _paths(now, asked)],
                         boat=now.folder.boat_file, crew_logs=now.notes,
                         timezone=BY_POSITION, progress=progress)
        more = {digest for day in now.done.days.values()
                if day.logs <= set(now.logs) and _touches(day, card)
                for digest in day.logs} - asked
        if not more:
            return card
        asked |= more


def _touches(day: DoneDay, card: Card) -> bool:
    for found in card.days:
        times = [s.time_s for s in found.raw.streams if s.time_s.size]
        start, end = min(t[0] for t in times), max(t[-1] for t in times)
        if start - day.hours[1] < NEAR_S and day.hours[0] - end < NEAR_S:
            return True
    return False


def _paths(now: _Evening, asked: set[str]) -> list[Path]:
    return sorted(now.logs[digest] for digest in asked)


def _made_from(now: _Evening, day: SailingDay) -> DoneDay:
    times = [s.time_s for s in day.raw.streams if s.time_s.size]
    hours = float(min(t[0] for t in times)), float(max(t[-1] for t in times))
    return DoneDay(day.date, hours, frozenset(now.done.digests(day.files)),
                   frozenset(now.done.digests(day.crew_logs)))


def _page(folder: BoatFolder, date: str) -> Path:
    return folder.reports / date / "report.html"


def _season_page(now: _Evening, options: argparse.Namespace, progress: Progress) -> Path | None:
    """Renew the season's page where a day was made, or the page is missing."""
    goal = now.folder.reports / "season" / "season.html"
    if not now.done.days or (goal.is_file() and not any(one.done for one in now.written)):
        return goal if goal.is_file() else None
    options.season = str(now.folder.season)
    now.findings += renewed(options, progress)
    try:
        record = pipeline.analyse_season(now.folder.season, progress=progress)
        progress("writing the season's page")
        written = pipeline.write_season(record, goal.parent, options.plotly_beside,
                                        private=options.private)
    except (SailAnalysisError, OSError) as error:
        now.findings.append(Finding("season-failed", f"the season's page was not written: {error}",
                                    missing=True))
        return None
    now.findings += [f for f in record.findings if f.level == "warning"]
    _deck_slip(now.folder, record)
    return written.folder / "season.html"


def _deck_slip(folder: BoatFolder, record: Season) -> None:
    """Renew ``reports/deck-slip/slip.html`` with the names that the boat has now."""
    from sailanalysis.core.staging import place_for, staged
    from sailanalysis.read.written.boatfile import read_boat_file
    from sailanalysis.report.slip import slip_names, slip_page

    boat = read_boat_file(folder.boat_file)
    helms = [str(name) for name in record.helm_progress["helm"]]
    sails = [str(name) for name in record.polar["sails"]]
    with staged(place_for(folder.reports / "deck-slip"), "slip") as place:
        page = slip_page(boat, *slip_names(boat, helms, sails))
        (place / "slip.html").write_text(page, encoding="utf-8")


# ------------------------------------------------------------------------------- what is said
def _outcome(now: _Evening, took: str, season: Path | None) -> tuple[Outcome, Path | None]:
    made = [one for one in now.written if one.done]
    pages = [one.page for one in made if one.page is not None]
    page = pages[-1] if pages else _last_page(now)
    if now.written:
        lines = [f"taken in: {took or 'notes that were changed'}", *_made_words(now.written)]
    else:
        lines = ["nothing new" + (f" ({took})" if took else "")]
    if page is not None:
        there = f"; the season: {season}" if season else ""
        lines.append(f"{page}{there}")
    findings = tuple(dict.fromkeys((*now.findings, *days.findings_once(now.written))))
    outcome = Outcome("\n".join(lines), findings,
                      status_of(findings, all(one.done for one in now.written)))
    return outcome, page


def _made_words(written: Sequence[Written]) -> list[str]:
    made = [one for one in written if one.done]
    failed = [one.date for one in written if not one.done]
    not_made = f"; no report of {', '.join(failed)}" if failed else ""
    if len(made) == 1:
        return [f"{made[0].date}: {made[0].sailed}{not_made}"]
    if not made:
        return [f"no day could be made{not_made}"]
    return [f"{len(made)} days, {made[0].date} to {made[-1].date}; the last: {made[-1].sailed}"
            f"{not_made}"]


def _last_page(now: _Evening) -> Path | None:
    pages = [_page(now.folder, date) for date in sorted(now.done.days)]
    return next((page for page in reversed(pages) if page.is_file()), None)


# ------------------------------------------------------------------------------- waiting
def watch(options: argparse.Namespace, folder: BoatFolder, progress: Progress, *,
          rounds: int | None = None, sleep: Callable[[float], None] = time.sleep) -> Outcome:
    """Do an evening whenever something new lies on the card or in the folder, until stopped.

    What is still being written (it changed since the last look) is waited for.

    Parameters
    ----------
    options : argparse.Namespace
        Of ``sailanalysis evening``; a card in it need not be there yet.
    folder : BoatFolder
    progress : Progress
    rounds : int, optional
        Looks after which it ends; default never.
    sleep : callable
    """
    waiting_for = ", ".join(options.logs) or str(folder.logs)
    if not options.quiet:
        print(f"waiting for logs in {waiting_for}; Ctrl-C ends it", file=sys.stderr)
    before: set[tuple[str, int, int]] | None = None
    handled: set[tuple[str, int, int]] | None = None
    asked = list(options.logs)
    looks = 0
    while rounds is None or looks < rounds:
        options.logs = [path for path in asked if Path(path).exists()]
        seen = _seen([*options.logs, str(folder.logs), str(folder.notes)])
        if seen == before and seen != handled:
            handled = _evening_or_words(options, folder, progress, seen)
        before, looks = seen, looks + 1
        sleep(LOOK_S)
    return Outcome()


def _evening_or_words(options: argparse.Namespace, folder: BoatFolder, progress: Progress,
                      seen: set[tuple[str, int, int]]) -> set[tuple[str, int, int]]:
    try:
        outcome, page = one_evening(options, folder, progress)
    except SailAnalysisError as error:
        print(f"sailanalysis: {error}", file=sys.stderr)
        return seen
    if not outcome.text.startswith("nothing new"):
        print(outcome.text, flush=True)
        if page is not None and not options.no_open:
            open_page(page)
    return _seen([*options.logs, str(folder.logs), str(folder.notes)])


def _seen(paths: Sequence[str]) -> set[tuple[str, int, int]]:
    from sailanalysis.read.open.files import files_under

    try:
        return {(str(f.path), f.size, int(f.modified_s * 1000)) for f in files_under(paths)}
    except LogError:  # the card was drawn while it was looked at
        return set()
