"""The command line. It parses, calls the pipeline, and says in one line what went wrong."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path

from sailanalysis import __version__
from sailanalysis.core.errors import Finding, SailAnalysisError

CAUTION = ("The report judges a past day and is no navigation aid: lookout, rules of the road, "
           "local rules and the skipper come first.")

PRIVATE = ("leave out what locates: positions, course, heading, depth, current, wind direction, "
           "date and clock time (time counts from the start), names of files, places and people, "
           "free text. What remains is the shape of the sailing relative to the wind, on a track "
           "turned at random: who knows the water and sees the shape may still guess the place")


def _day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date like 2026-07-18") from None


def _zone(text: str) -> str:
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(text)
    except (KeyError, ValueError, OSError):
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a time zone like UTC or Europe/Paris") from None
    return text


def _cluster(text: str) -> str:
    if not text.startswith(("tcp://", "tls://", "inproc://")):
        raise argparse.ArgumentTypeError(f"{text!r} is not an address like tcp://host:8786")
    return text


def _build_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="sailanalysis",
        description="What a day on the water was worth: sailing logs in, an honest report out.",
        epilog=CAUTION)
    parser.add_argument("--version", action="version", version=f"sailanalysis {__version__}")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="COMMAND")

    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--quiet", action="store_true", help="no progress, no warnings on stderr")
    common.add_argument("--debug", action="store_true", help="show tracebacks")

    logs = argparse.ArgumentParser(add_help=False)
    logs.add_argument("logs", nargs="+", metavar="LOG", help="log files or folders, any mixture")
    logs.add_argument("--date", type=_day, metavar="YYYY-MM-DD", help="day of a log without a date")
    logs.add_argument("--timezone", type=_zone, default="UTC", metavar="ZONE",
                      help="zone of the crew log and of CSV times without one (default UTC)")
    logs.add_argument("--boat", metavar="BOAT.toml", help="boat file")

    pages = argparse.ArgumentParser(add_help=False)
    pages.add_argument("--plotly-beside", action="store_true",
                       help="the plotting library once beside the report, not inside it")

    pages.add_argument("--private", action="store_true", help=PRIVATE)

    day = verbs.add_parser("day", parents=[logs, pages, common], epilog=CAUTION,
                           help="logs to a report and tables of each day")
    day.add_argument("--out", required=True, metavar="DIR", help="folder for report and tables")
    day.add_argument("--crew-log", metavar="CREW.csv", help="what the instruments cannot know")
    day.add_argument("--season", metavar="SEASON_DIR",
                     help="archive to file the day in, and to compare it with")
    day.add_argument("--as-logged", action="store_true",
                     help="leave the sensors' corrections out")
    day.add_argument("--several-boats", action="store_true",
                     help="let the archive hold days of more than one boat")

    season = verbs.add_parser("season", parents=[pages, common], epilog=CAUTION,
                              help="what the archive holds, to the season report and tables")
    season.add_argument("season", metavar="SEASON_DIR", help="the archive's folder")
    season.add_argument("--out", metavar="DIR", help="folder for report and tables")
    season.add_argument("--boat", metavar="BOAT.toml", help="boat file")
    season.add_argument("--from", dest="start", type=_day, metavar="DATE", help="first day")
    season.add_argument("--to", dest="end", type=_day, metavar="DATE", help="last day")
    season.add_argument("--list", action="store_true", help="list the filed days")
    season.add_argument("--add", nargs="+", metavar="FOLDER", default=[],
                        help="file the days in these folders of logs")
    season.add_argument("--remove", nargs="+", metavar="DAY", default=[],
                        help="remove filed days, by date or name as listed")
    season.add_argument("--check", action="store_true",
                        help="hold every filed file against its digest; nothing is written")
    season.add_argument("--repair", action="store_true",
                        help="make the index again from the days' folders; nothing is deleted")
    season.add_argument("--several-boats", action="store_true",
                        help="let --add file days of another boat than the archive's")
    season.add_argument("--refile", nargs="*", metavar="DAY", default=None,
                        help="analyse filed days again from their raw logs (none named: all)")
    season.add_argument("--timezone", type=_zone, default="UTC", metavar="ZONE",
                        help="zone of the crew logs of days to add (default UTC)")
    season.add_argument("--workers", type=int, default=1, metavar="N",
                        help="processes on this machine for --add and --refile (default 1)")
    season.add_argument("--cluster", type=_cluster, metavar="tcp://HOST:PORT",
                        help="an existing Dask scheduler for --add and --refile")

    inspect = verbs.add_parser("inspect", parents=[logs, common],
                               help="what is in the logs: formats, channels, rates, gaps")
    inspect.add_argument("--json", action="store_true", help="for programs")

    calibrate = verbs.add_parser("calibrate", parents=[logs, common], epilog=CAUTION,
                                 help="sensor errors with their uncertainty")
    calibrate.add_argument("--crew-log", metavar="CREW.csv", help="engine on and off, among others")
    calibrate.add_argument("--write", action="store_true",
                           help="put the determined ones in the boat file (a backup is kept)")
    calibrate.add_argument("--json", action="store_true", help="for programs")

    demo = verbs.add_parser("demo", parents=[pages, common],
                            help="the shipped example: a cruise of four days, or one day")
    demo.add_argument("--day", action="store_true", help="the single day only")
    demo.add_argument("--out", metavar="DIR", help="folder for the single day's report and tables")
    demo.add_argument("--no-open", action="store_true", help="do not open the pages")
    _add_folder_verbs(verbs, pages, common)
    return parser


def _add_folder_verbs(verbs: argparse._SubParsersAction[argparse.ArgumentParser],
                      pages: argparse.ArgumentParser, common: argparse.ArgumentParser) -> None:
    """The commands around a boat's folder."""
    boat = verbs.add_parser("new-boat", parents=[common],
                            help="make a boat's folder: boat file, logs, notes, season, reports")
    boat.add_argument("folder", metavar="FOLDER", help="where; its name is the boat's")

    evening = verbs.add_parser(
        "evening", parents=[pages, common], epilog=CAUTION,
        help="all of an evening in a boat's folder: take in what is new, analyse, file, report")
    evening.add_argument("logs", nargs="*", metavar="LOG_OR_CARD",
                         help="card, folder or files to copy what is new from (default: only what "
                              "lies in the boat's logs/ and notes/)")
    evening.add_argument("--boat-folder", metavar="FOLDER",
                         help="the boat's folder (default: the one you are in, or the only one "
                              "here)")
    evening.add_argument("--no-open", action="store_true", help="do not open the page")
    evening.add_argument("--watch", action="store_true",
                         help="wait for the card, or for a folder that is synced")

    fleet = verbs.add_parser("fleet", parents=[common], epilog=CAUTION,
                             help="the archives of many boats to one page and tables")
    fleet.add_argument("folders", nargs="+", metavar="FOLDER",
                       help="boats' folders, or season archives")
    fleet.add_argument("--out", required=True, metavar="DIR", help="folder for page and tables")

    notebooks = verbs.add_parser("notebooks", parents=[common], help="copy the shipped notebooks")
    notebooks.add_argument("folder", metavar="DIR", help="folder to copy them into")


def _must_exist(*paths: str | None) -> None:
    missing = [path for path in paths if path is not None and not Path(path).exists()]
    if missing:
        names = ", ".join(missing)
        raise SailAnalysisError(f"no such file or folder: {names}; check the spelling")


def _warn(findings: Sequence[Finding], quiet: bool) -> None:
    if not quiet:
        for finding in findings:
            if finding.level == "warning":
                print(f"warning: {finding.message}", file=sys.stderr)


def _run(options: argparse.Namespace) -> int:
    if options.verb in ("day", "inspect", "calibrate"):
        _must_exist(*options.logs, options.boat, getattr(options, "crew_log", None))
    elif options.verb == "season":
        _must_exist(options.boat, *options.add, *([] if options.add else [options.season]))
    elif options.verb == "evening" and not options.watch:
        _must_exist(*options.logs)
    elif options.verb == "fleet":
        _must_exist(*options.folders)
    from sailanalysis.app import commands
    from sailanalysis.core.progress import progress_for

    with progress_for(sys.stderr, options.quiet) as progress:
        outcome = getattr(commands, options.verb.replace("-", "_"))(options, progress)
    _warn(outcome.findings, options.quiet)
    if outcome.text:
        print(outcome.text)
    return int(outcome.status)


def _misused(options: argparse.Namespace) -> str:
    """What is missing beside the options given; empty where nothing is."""
    if options.verb == "season" and options.refile is None and not any(
            (options.out, options.list, options.add, options.remove, options.check,
             options.repair)):
        return ("season needs --out DIR, or one of --check, --repair, --add, --list, "
                "--remove, --refile")
    if options.verb == "calibrate" and options.write and not options.boat:
        return "calibrate --write needs --boat BOAT.toml"
    return ""


@contextmanager
def _log_shown(asked: bool) -> Iterator[None]:
    """Show, if asked, what the program notes down as it works."""
    if not asked:
        yield
        return
    import logging

    logger, shown = logging.getLogger("sailanalysis"), logging.StreamHandler(sys.stderr)
    shown.setFormatter(logging.Formatter("%(name)s: %(message)s"))
    before = logger.level
    logger.addHandler(shown)
    logger.setLevel(logging.DEBUG)
    try:
        yield
    finally:
        logger.removeHandler(shown)
        logger.setLevel(before)


def _fault_words(error: Exception) -> str:
    """One line for a fault."""
    if isinstance(error, SailAnalysisError):
        return str(error)
    if isinstance(error, MemoryError):
        return "not enough memory for these logs; give fewer files at a time"
    return (f"an unexpected fault ({type(error).__name__}: {error}); this is a "
            "mistake in the program, run again with --debug to see where")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status.

    0 is done, 1 no result or a part of it missing, 2 wrong usage.
    """
    parser = _build_parser()
    options = parser.parse_args(argv)
    misused = _misused(options)
    if misused:
        parser.error(misused)
    try:
        with _log_shown(options.debug):
            return _run(options)
    except KeyboardInterrupt:
        print("sailanalysis: stopped; nothing was left half-written", file=sys.stderr)
        return 130
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except Exception as error:
        if options.debug:
            raise
        print(f"sailanalysis: {_fault_words(error)}", file=sys.stderr)
        return 1
