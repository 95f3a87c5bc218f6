"""What each command does, between the parsed options and the words printed."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sailanalysis.app import days, pipeline
from sailanalysis.app.days import DayJob
from sailanalysis.core.errors import Finding, LogError, SailAnalysisError
from sailanalysis.core.progress import Progress
from sailanalysis.day import Day, Studies

if TYPE_CHECKING:
    from sailanalysis.season import Archive


@dataclass(frozen=True)
class Outcome:
    """What a command prints and the exit status it ends with."""

    text: str = ""
    findings: tuple[Finding, ...] = ()
    status: int = 0


def analyse_job_or_reason(job: DayJob) -> Day | str:
    """Analyse one of many jobs; a day that cannot be analysed gives its reason instead.

    A module-level function, so that it can travel to a worker. What an archive does not file
    (the conditioned log, the studies for the report) is dropped: it would travel back for nothing.
    """
    from dataclasses import replace

    from sailanalysis.core.errors import SailAnalysisError

    try:
        result = job.analyse()
    except SailAnalysisError as error:
        return str(error)
    return replace(result, results=Studies(blocks=result.results.blocks))


def day(options: argparse.Namespace, progress: Progress) -> Outcome:
    """``sailanalysis day``."""
    asked = DayJob(tuple(options.logs), options.boat,
                   (options.crew_log,) if options.crew_log else (), options.date,
                   options.timezone, options.as_logged)
    written = days.report_days(options, asked, progress)
    findings = (*days.findings_once(written), *renewed(options, progress))
    return Outcome("\n".join(one.words for one in written if one.words), findings,
                   status_of(findings, all(one.done for one in written)))


def status_of(findings: Sequence[Finding], done: bool = True) -> int:
    """Exit status: 1 where a day or a part of a result is missing."""
    return int(not done or any(finding.missing for finding in findings))


def renewed(options: argparse.Namespace, progress: Progress) -> list[Finding]:
    """Bring the season's kept polar up to the days filed; it costs the evening nothing else."""
    from sailanalysis.season.archive import Archive
    from sailanalysis.season.standing import is_archive

    if not options.season or not is_archive(Path(options.season)):
        return []
    progress("renewing the season's polar")
    try:
        Archive(options.season).renew()
    except (SailAnalysisError, OSError) as error:
        return [Finding("archive-unread", str(error))]
    return []


def season(options: argparse.Namespace, progress: Progress) -> Outcome:
    """``sailanalysis season`` and its verbs, in the order in which they help each other."""
    from sailanalysis.season import Archive
    from sailanalysis.season.wording import fault_findings

    archive = Archive(options.season, create=bool(options.add))
    words: list[str] = []
    findings: list[Finding] = []
    wrong = False
    if options.repair:
        words += _repair(archive)
    if options.check:
        progress("checking every file")
        wrong, lines = _check(archive)
        words += lines
    for name in options.remove:
        gone = archive.remove(name)
        if not gone:
            raise LogError(f"{options.season}: no filed day {name!r}; see --list")
        words.append(f"removed {', '.join(gone)}")
    jobs = _planned(options, findings, progress)
    if options.refile is not None:
        jobs += _kept_jobs(archive, options.refile)
    if jobs:
        words += _file_many(archive, jobs, options, progress, findings)
    if options.remove or jobs:
        progress("renewing the season's polar")
        archive.renew()
    if options.list:
        words.append(_listing(archive))
        findings += fault_findings(archive.path, archive.faults())
    if options.out:
        record = pipeline.analyse_season(options.season, options.start, options.end, progress,
                                         _boat_name(options.boat))
        progress("writing the report")
        written = pipeline.write_season(record, options.out, options.plotly_beside,
                                        private=options.private)
        findings += [f for f in record.findings if f.level == "warning"]
        words.append(str(written.folder / "season.html"))
    return Outcome("\n".join(words), tuple(dict.fromkeys(findings)), status_of(findings, not wrong))


def _check(archive: Archive) -> tuple[bool, list[str]]:
    """Whether anything filed is wrong, and a line for each thing found."""
    from sailanalysis.season.wording import fault_findings

    findings = fault_findings(archive.path, archive.check())
    wrong = [f.message for f in findings if f.level == "warning"]
    days = len(archive.catalogue().entries)
    line = (f"{archive.path}: {days} days, every file as it was filed" if not wrong
            else f"{archive.path}: {len(wrong)} of {days} days and other things need a hand")
    return bool(wrong), [*wrong, *(f.message for f in findings if f.level == "note"), line]


def _repair(archive: Archive) -> list[str]:
    """Make the index again; what was found, and what stands now."""
    from sailanalysis.season.wording import fault_findings

    found = archive.repair()
    archive.renew()
    left = {f.where for f in archive.check()}
    done = [f for f in found if f.where not in left]
    lines = [f"mended: {f.message}" for f in fault_findings(archive.path, done)]
    lines += [f.message for f in fault_findings(archive.path, archive.check())]
    return [*lines, f"{archive.path}: {len(archive.catalogue().entries)} days listed"]


def _kept_jobs(archive: Archive, names: list[str]) -> list[DayJob]:
    """Jobs that analyse filed days again, as they were filed."""
    for name in names:
        if not archive.match(name):
            raise LogError(f"{archive.path}: no filed day {name!r}; see --list")
    return [DayJob.from_settings(settings) for settings in archive.settings(names)]


def _boat_name(boat: str | None) -> str | None:
    if boat is None:
        return None
    from sailanalysis.read.written.boatfile import read_boat_file

    return read_boat_file(boat).name


def _file_many(archive: Archive, jobs: list[DayJob], options: argparse.Namespace,
               progress: Progress, findings: list[Finding]) -> list[str]:
    from sailanalysis.app.executor import run_all

    words, failed = [], 0
    progress("analysing days", 0.0)
    results = run_all(analyse_job_or_reason, jobs, workers=options.workers, cluster=options.cluster)
    for number, (job, result) in enumerate(zip(jobs, results, strict=True), start=1):
        if isinstance(result, str):
            failed += 1
            findings.append(Finding("day-not-filed", result, missing=True))
        else:
            try:
                filed = archive.file_day(
                    result, raw_files=job.logs, settings=job.settings(), part=job.part,
                    several_boats=options.several_boats or options.refile is not None)
                words.append(days.filed_words(filed))
            except SailAnalysisError as error:
                failed += 1
                findings.append(Finding("day-not-filed", str(error), missing=True))
        progress("analysing days", number / len(jobs))
    if failed == len(jobs):
        raise LogError(f"none of {failed} days could be filed; the first: {findings[0].message}")
    return words


def _planned(options: argparse.Namespace, findings: list[Finding],
             progress: Progress) -> list[DayJob]:
    """The days in the folders to add; a folder that cannot be read costs its days."""
    from sailanalysis.app.executor import run_all

    if not options.add:
        return []
    progress("reading the logs", 0.0)
    asked = [DayJob((str(Path(folder).resolve()),), _absolute(options.boat),
                    timezone=options.timezone) for folder in options.add]
    plans = list(run_all(days.plan_or_reason, asked, workers=options.workers,
                         cluster=options.cluster))
    failed = [plan for plan in plans if isinstance(plan, str)]
    findings += [Finding("day-not-filed", plan, missing=True) for plan in failed]
    if len(failed) == len(plans):
        raise LogError(f"none of {len(plans)} days could be filed; the first: {failed[0]}")
    return [job for plan in plans if not isinstance(plan, str) for job in plan]


def _absolute(path: str | None) -> str | None:
    return str(Path(path).resolve()) if path else None


def _listing(archive: Archive) -> str:
    every = [listed for boat in archive.boats() if len(listed := archive.days(boat=boat))]
    if not every:
        return "no day is filed here"
    several = len(every) > 1
    lines = [f"{'day':<22} {'sailed h':>8} {'NM':>6} {'tacks':>5} {'gybes':>5}"
             + ("  boat" if several else "")]
    numbers = ("sailing_s", "distance_over_ground_nm", "tacks", "gybes")
    for table in every:
        for row in table.reindex(columns=["day", "boat", *numbers]).itertuples():
            sailed, miles, tacks, gybes = (
                "-" if value is None or value != value else text.format(value)
                for value, text in ((row.sailing_s, "{:.1f}"),
                                    (row.distance_over_ground_nm, "{:.1f}"),
                                    (row.tacks, "{:.0f}"), (row.gybes, "{:.0f}")))
            sailed = sailed if sailed == "-" else f"{row.sailing_s / 3600:.1f}"
            lines.append(f"{row.day:<22} {sailed:>8} {miles:>6} {tacks:>5} {gybes:>5}"
                         + (f"  {row.boat or 'unnamed'}" if several else ""))
    return "\n".join(lines)


def inspect(options: argparse.Namespace, progress: Progress) -> Outcome:
    """``sailanalysis inspect``."""
    from sailanalysis.read.inspect import inspect_logs, inspect_text
    from sailanalysis.read.written.boatfile import read_boat_file

    boat = read_boat_file(options.boat) if options.boat else None
    found = inspect_logs(options.logs, date=options.date, timezone=options.timezone,
                         **({"boat": boat} if boat else {}), progress=progress)
    if options.json:
        import json

        from sailanalysis.app.tables import to_json

        return Outcome(json.dumps(to_json(found), indent=1, ensure_ascii=False, allow_nan=False))
    return Outcome(inspect_text(found))


def calibrate(options: argparse.Namespace, progress: Progress) -> Outcome:
    """``sailanalysis calibrate``."""
    result = pipeline.analyse(options.logs, boat=options.boat, crew_log=options.crew_log,
                              date=options.date, timezone=options.timezone, progress=progress)
    if options.json:
        import json

        from sailanalysis.app.tables import to_json

        text = json.dumps(to_json(result.calibration), indent=1, allow_nan=False)
    else:
        from sailanalysis.report.day.corrections import calibration_lines

        text = "\n".join(calibration_lines(result.calibration))
    if options.write:
        text += "\n" + _write_corrections(options.boat, result)
    return Outcome(text, result.findings)


def _write_corrections(boat_path: str, result: Day) -> str:
    from sailanalysis.calibrate.apply import worth_writing
    from sailanalysis.read.written.boatfile import write_sensor_corrections
    from sailanalysis.report.day.corrections import correction_name

    values = {name: round(value, 4) for name, value in
              worth_writing(result.boat.sensors, result.calibration).items()}
    if not values:
        return ("nothing differs with confidence from what the boat file holds, so it stays as "
                "it was")
    backup = write_sensor_corrections(boat_path, values)
    names = ", ".join(correction_name(name) for name in values)
    return f"written to {boat_path}: {names}; the old one is {backup}"


def demo(options: argparse.Namespace, progress: Progress) -> Outcome:
    """``sailanalysis demo``: the shipped cruise in its boat's folder, or the single day."""
    make = _demo_day if options.day or options.out else _cruise
    return make(options, progress)


def _demo_day(options: argparse.Namespace, progress: Progress) -> Outcome:
    from sailanalysis.app.shipped import example_folder

    folder = example_folder()
    result = pipeline.analyse(sorted(map(str, (folder / "logs").iterdir())),
                              boat=folder / "boat.toml", crew_log=folder / "crew.csv",
                              progress=progress)
    progress("writing the report")
    written = pipeline.write_day(result, options.out or "quiet-fathom-day",
                                 private=options.private, plotly_beside=options.plotly_beside)
    words = f"{days.day_words(result)}\n{written.folder / 'report.html'}"
    findings = (*written.findings, *result.findings)
    return Outcome(words, findings, status_of(findings))


def _cruise(options: argparse.Namespace, progress: Progress) -> Outcome:
    """The cruise's folder, made here, and the evening in it."""
    from sailanalysis.app import evening as evenings
    from sailanalysis.app.boat_folder import BoatFolder, new_boat_folder
    from sailanalysis.app.opening import open_page
    from sailanalysis.app.shipped import example_folder

    shipped = example_folder() / "cruise"
    folder = BoatFolder(Path("wide-lantern"))
    if folder.path.exists() and not folder.is_made():
        raise SailAnalysisError(f"{folder.path} is here already and is not the example's folder; "
                                "run the demo in another folder")
    if not folder.is_made():
        new_boat_folder(folder.path, (shipped / "boat.toml").read_text(encoding="utf-8"))
    options.logs, options.watch = [str(shipped / "card")], False
    outcome, page = evenings.one_evening(options, folder, progress)
    season = folder.reports / "season" / "season.html"
    if not options.no_open:
        for shown in (season, page):  # the day last: it lies on top
            if shown is not None and shown.is_file():
                open_page(shown)
    return outcome


def new_boat(options: argparse.Namespace, progress: Progress) -> Outcome:
    """``sailanalysis new-boat``."""
    from sailanalysis.app.boat_folder import new_boat_folder

    folder, made = new_boat_folder(options.folder)
    if not made:
        return Outcome(f"{folder.path}: a boat's folder already; nothing was changed")
    return Outcome(f"{folder.path}: made {', '.join(made)}\nnext: sailanalysis evening CARD, in or "
                   f"beside the folder; {folder.boat_file} holds what you know of the boat")


def evening(options: argparse.Namespace, progress: Progress) -> Outcome:
    """``sailanalysis evening``."""
    from sailanalysis.app.evening import evening as run

    return run(options, progress)


def notebooks(options: argparse.Namespace, progress: Progress) -> Outcome:
    """``sailanalysis notebooks``."""
    from sailanalysis.app.shipped import copy_notebooks

    made, kept = copy_notebooks(options.folder)
    lines = [str(path) for path in made]
    if kept:
        lines.append(f"left as they are: {', '.join(path.name for path in kept)}")
    return Outcome("\n".join(lines))


def fleet(options: argparse.Namespace, progress: Progress) -> Outcome:
    """``sailanalysis fleet``."""
    from sailanalysis.app.fleet import fleet as run

    return run(options, progress)
