"""One day from raw logs to results, and a season from its archive: the order of the work.

Holds no algorithm; every step is a function of the room that owns it. The command line, the
notebooks and the tests all come through here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sailanalysis import __version__
from sailanalysis.app.studies import (
    Attempts,
    no_corrections,
    no_states,
    samples_as_logged,
    uncosted,
)
from sailanalysis.app.tables import SCHEMA, empty_table, iso_utc
from sailanalysis.core.errors import Finding, LogError
from sailanalysis.core.model import Boat, Conditioned, CrewLog, InputReport, RawLog, Sensors
from sailanalysis.core.progress import Progress
from sailanalysis.core.series import epoch_s, resample, runs
from sailanalysis.day import About, Day, Memory, Studies, Summary, account_of

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from numpy.typing import ArrayLike

    from sailanalysis.calibrate.apply import AppliedCorrection, Corrections
    from sailanalysis.calibrate.contradictions import Doubt
    from sailanalysis.calibrate.estimate import CalibrationResult
    from sailanalysis.calibrate.steps import Step
    from sailanalysis.core.angles import Floats
    from sailanalysis.ledger import Reference
    from sailanalysis.polar.model import PolarModel
    from sailanalysis.read.days.card import SailingDay
    from sailanalysis.read.written.tanks import GaugeCheck
    from sailanalysis.season import Season
    from sailanalysis.segment.crew_clock import CrewShift
    from sailanalysis.wind.track import TrackWind

    Load = tuple[np.ndarray, np.ndarray]


def analyse(
    logs: Sequence[str | Path] | str | Path | SailingDay,
    *,
    boat: Boat | str | Path | None = None,
    crew_log: str | Path | None = None,
    date: str | None = None,
    timezone: str = "UTC",
    season: str | Path | None = None,
    as_logged: bool = False,
    progress: Progress | None = None,
) -> Day:
    """Analyse one day's logs.

    Parameters
    ----------
    logs : path or sequence of paths, or SailingDay
        Files and folders; formats are recognised by content. A day as ``read_days`` gives it
        brings its own boat and crew log.
    boat : Boat or path, optional
        The boat file; default the one that lies in the folder of the logs.
    crew_log : path, optional
        Default the one that lies there.
    date : str, optional
        ``YYYY-MM-DD``, for a log without any date.
    timezone : str
        Zone of the crew log and of CSV times without one.
    season : path, optional
        Archive whose polar and usual helming the day is compared with; nothing is filed here.
    as_logged : bool
        Leave corrections out: the boat file's, the season's and today's.
    progress : Progress, optional

    Returns
    -------
    Day

    Raises
    ------
    LogError
        If the logs cannot give a result; the message says which and what to do.
    BoatFileError
        If the boat file or crew log cannot be read.
    """
    from sailanalysis.condition import condition
    from sailanalysis.read.days.card import SailingDay, read_one_day

    say = progress or Progress()
    with _one_blas_thread():
        say("reading the logs")
        given = logs if isinstance(logs, SailingDay) else read_one_day(
            logs, date=date, timezone=timezone, boat=boat,
            crew_logs=[crew_log] if crew_log is not None else (), progress=say)
        raw, boat = given.raw, given.boat
        say("putting the sensors on one clock")
        conditioned = condition(raw, boat)
        findings = [*raw.findings, *given.findings]
        about: About = {
            "program": f"sailanalysis {__version__}", "schema": SCHEMA, "boat": boat.name,
            "day": given.date, "zone": given.zone or timezone, "settings": {"as_logged": as_logged}}
        return _analyse(raw, conditioned, boat, given.crew, findings, season, as_logged, say, about)


def _one_blas_thread() -> AbstractContextManager[object]:
    """A context in which linear algebra keeps to one thread.

    Small solves are an order slower on two. The limit holds for libraries that are loaded already,
    so scipy's own comes first.
    """
    import scipy.linalg  # noqa: F401
    from threadpoolctl import threadpool_limits

    limits: AbstractContextManager[object] = threadpool_limits(1)
    return limits


def _memory(season: str | Path | None, conditioned: Conditioned, boat: Boat) -> Memory:
    """What earlier days lend to this one; whatever the archive's state, the day goes on."""
    from sailanalysis.season.archive import Archive
    from sailanalysis.season.standing import is_archive

    time = epoch_s(conditioned.samples.index)
    try:
        if season is None or not is_archive(Path(season)):
            return Memory()
        return Archive(season).memory((float(time[0]), float(time[-1])), boat.name)
    except Exception as error:  # one bad thing never costs the evening
        return Memory(findings=(Finding("archive-unread", f"{error} The day was judged by itself, "
                                        "without the season's polar."),))


def _analyse(raw: RawLog, conditioned: Conditioned, boat: Boat, crew: CrewLog,
             findings: list[Finding], season: str | Path | None, as_logged: bool,
             say: Progress, about: About) -> Day:
    from sailanalysis.calibrate.apply import as_they_are, evened
    from sailanalysis.calibrate.health import sensor_health
    from sailanalysis.helm.rate import rate_helming
    from sailanalysis.ledger import make_ledger, plan_day, to_record
    from sailanalysis.maneuvers.rate import rate_maneuvers
    from sailanalysis.read.written.tanks import tank_gauge_check, tank_load_kg
    from sailanalysis.season.usual_day import usual_figures
    from sailanalysis.trials.changes import judge_trials
    from sailanalysis.trials.choice import SailChoice, judge_sail_choice

    attempt = Attempts()
    memory = attempt("memory", lambda: _memory(season, conditioned, boat), Memory)
    say("finding wind, water and maneuvers")
    load, load_findings = attempt("load", lambda: tank_load_kg(raw, boat, crew),
                                  lambda: (None, []))
    sailed = _segment(conditioned, boat, crew, boat.sensors, load, attempt)
    shift = attempt("crew", lambda: _crew_shift(sailed.samples, crew, boat), lambda: None)
    if shift is not None:
        from sailanalysis.segment.crew_clock import shift_finding, shifted

        crew, findings = shifted(crew, shift), [shift_finding(shift), *findings]
        load, load_findings = attempt("load", lambda: tank_load_kg(raw, boat, crew),
                                      lambda: (None, []))
        sailed = _segment(conditioned, boat, crew, boat.sensors, load, attempt)
    say("checking the instruments")
    first = sailed
    checked = attempt(
        "calibration", lambda: _checked(first, raw, conditioned, boat, crew, load, memory,
                                        as_logged, attempt),
        lambda: _Checked(first, None, as_they_are(boat)))
    sailed, calibration, corrections = checked.sailed, checked.calibration, checked.corrections
    samples = sailed.samples
    even = attempt("calibration", lambda: evened(samples, corrections), lambda: samples)
    health = attempt("health", lambda: sensor_health(conditioned, samples), lambda: None)

    say("fitting the polar of the day")
    polar = attempt(
        "polar", lambda: _polar(sailed, even, memory, boat, corrections), lambda: _Polar(
            sailed.legs.assign(polar_ratio=np.nan), empty_table("polar"), empty_table("targets")))
    legs, speed_kn = polar.legs, (memory.polar or polar).speed_kn

    say("costing the maneuvers")
    maneuvers, maneuver_study = attempt(
        "maneuvers", lambda: rate_maneuvers(even, sailed.maneuvers, legs, speed_kn, boat,
                                             conditioned.is_reading)
        if "turns" not in attempt.failed else (sailed.maneuvers, None),
        lambda: (uncosted(sailed.maneuvers), None))
    say("rating the helming")
    helm, helm_study = attempt(
        "helm", lambda: rate_helming(samples, legs, maneuvers, boat, conditioned.native_rate_hz,
                                     usual=memory.usual), lambda: (empty_table("helm"), None))
    trials, trials_study = attempt(
        "trials", lambda: judge_trials(even, legs, maneuvers, crew, speed_kn),
        lambda: (empty_table("trials"), None))
    choice = attempt("trials", lambda: judge_sail_choice(polar.blocks, memory.polar), SailChoice)
    ledger = attempt("ledger", lambda: make_ledger(even, maneuvers, helm, polar.measured)
                     if polar.measured else None, lambda: None)
    tomorrow = attempt("tomorrow", lambda: plan_day(
        about["day"], maneuvers, helm, ledger,
        maneuver_study.what_matters if maneuver_study is not None else (), memory.practice,
        [entry.value for entry in crew.of("aim")]), lambda: None)
    gauges: list[GaugeCheck] = attempt("gauges", lambda: tank_gauge_check(raw, boat, crew), list)

    findings = [*attempt.findings(), *memory.findings, *checked.findings(as_logged), *findings,
                *conditioned.findings, *load_findings, *sailed.findings, *polar.findings]
    summary = summarise(about, samples, maneuvers, conditioned, sailed.wind_source,
                        corrections.items, findings, raw.inputs)
    summary["practice"] = to_record(tomorrow)
    return Day(
        samples=samples, rate_hz=conditioned.rate_hz, maneuvers=maneuvers, legs=legs,
        polar=polar.table, targets=polar.targets, helm=helm, trials=trials,
        calibration=calibration.as_dict() if calibration is not None else no_corrections(),
        wind_source=sailed.wind_source, boat=boat, crew=crew, inputs=raw.inputs,
        findings=tuple(findings),
        summary=summary,
        results=Studies(
            conditioned=conditioned, corrections=corrections, steps=checked.steps,
            doubts=checked.doubts, calibration=calibration,
            track_wind=sailed.track_wind, health=health, polar=polar.model, blocks=polar.blocks,
            maneuvers=maneuver_study, helm=helm_study, trials=trials_study, ledger=ledger,
            sail_choice=choice, tomorrow=tomorrow, gauges=tuple(gauges),
            usual=usual_figures(summary["scores"], memory.scores), failed=attempt.failed))


def _crew_shift(samples: pd.DataFrame, crew: CrewLog, boat: Boat) -> CrewShift | None:
    """Hours by which the crew log is off, by the engine's revolutions or else by her motion."""
    from sailanalysis.segment import find_states
    from sailanalysis.segment.crew_clock import crew_shift, told_marks
    from sailanalysis.segment.said import engine_by_rpm

    if told_marks(crew) < 2:
        return None
    engine = engine_by_rpm(samples)[0]
    if not np.isfinite(engine).any():
        state = find_states(samples, CrewLog(), boat).state
        engine = np.where(state == "motoring", 1.0, 0.0)
    return crew_shift(samples, crew, engine)


@dataclass(frozen=True)
class _Checked:
    """The day with its sensors corrected, and what is said of them before any number."""

    sailed: _Sailed
    calibration: CalibrationResult | None
    corrections: Corrections
    steps: tuple[Step, ...] = ()
    doubts: tuple[Doubt, ...] = ()

    def findings(self, as_logged: bool) -> list[Finding]:
        """Steps and contradictions as warnings."""
        from sailanalysis.report.day.doubts import doubt_words, step_words

        return [*(Finding("sensor-step", step_words(step, as_logged), channel=step.channel,
                          start_s=step.start_s, end_s=step.end_s) for step in self.steps),
                *(Finding(doubt.kind.value, doubt_words(doubt), channel=doubt.culprit or None)
                  for doubt in self.doubts)]


def _checked(sailed: _Sailed, raw: RawLog, conditioned: Conditioned, boat: Boat, crew: CrewLog,
             load: Load | None, memory: Memory, as_logged: bool, attempt: Attempts) -> _Checked:
    """Doubt, mend, calibrate and correct: in that order, each resting on the one before."""
    from sailanalysis.calibrate.apply import as_they_are, corrections_of
    from sailanalysis.calibrate.contradictions import (
        TRUE_WIND,
        doubts_of,
        leans_to_windward,
        mirrored_back,
        vane_mirrored,
        wind_by_track,
        without,
    )
    from sailanalysis.calibrate.estimate import estimate_calibration
    from sailanalysis.calibrate.steps import mend

    def segment(cond: Conditioned, sensors: Sensors) -> _Sailed:
        return _segment(cond, boat, crew, sensors, load, attempt, blank)

    def calibrate(cond: Conditioned) -> CalibrationResult:
        return estimate_calibration(sailed.samples, cond, boat, maneuvers=sailed.maneuvers,
                                    engine_told=bool(crew.of("engine")))

    blank: tuple[str, ...] = ()
    sound = conditioned
    mirrored = vane_mirrored(sailed.samples)
    if mirrored and not as_logged:
        sound = mirrored_back(sound)
        sailed = segment(sound, boat.sensors)
    elsewhere = None if mirrored else wind_by_track(sailed.samples)
    if elsewhere:
        blank = TRUE_WIND
        sound = mend(sound, (), elsewhere.withheld)
        sailed = segment(sound, boat.sensors)
    calibration = calibrate(sound)
    leaning = leans_to_windward(sailed.samples)
    steps = calibration.steps
    if (steps or leaning) and not as_logged:
        sound = mend(sound, steps, () if leaning is None else leaning.withheld)
        sailed = segment(sound, boat.sensors)
        calibration = calibrate(sound)
    corrections = (as_they_are(boat) if as_logged
                   else corrections_of(boat, calibration, memory.sensors))
    if corrections.sensors != boat.sensors:
        sailed = segment(sound, corrections.sensors)
    if not np.isfinite(sailed.samples["leeway_deg"].to_numpy(dtype=float)).any():
        corrections = corrections.without_leeway()
    doubts = (*(doubt for doubt in (mirrored, elsewhere, leaning) if doubt),
              *doubts_of(sailed.samples, sailed.maneuvers, corrections, raw))
    if not blank and any(set(TRUE_WIND) <= set(doubt.withheld) for doubt in doubts):
        blank = TRUE_WIND
        sailed = segment(sound, corrections.sensors)
    # What of the true wind stands now, the track alone told.
    samples = _as_measured(without(sailed.samples, doubts, TRUE_WIND), conditioned)
    return _Checked(replace(sailed, samples=samples), calibration, corrections, steps, doubts)


@dataclass(frozen=True)
class _Polar:
    """The day's polar: tables, legs with their share of it, and the model where there is one."""

    legs: pd.DataFrame
    table: pd.DataFrame
    targets: pd.DataFrame
    model: PolarModel | None = None
    measured: tuple[Reference, ...] = ()
    blocks: pd.DataFrame | None = None
    findings: tuple[Finding, ...] = ()

    def speed_kn(self, tws_kn: ArrayLike, twa_deg: ArrayLike) -> Floats:
        """Boat speed of the model; NaN without one."""
        if self.model is None:
            shape = np.broadcast_shapes(np.shape(tws_kn), np.shape(twa_deg))
            return np.full(shape, np.nan)
        return self.model.speed_kn(tws_kn, twa_deg)


def _polar(sailed: _Sailed, even: pd.DataFrame, memory: Memory, boat: Boat,
           corrections: Corrections) -> _Polar:
    from sailanalysis.calibrate.apply import evened_legs
    from sailanalysis.ledger import Reference, best_angles
    from sailanalysis.polar.fit import fit_polar, leg_polar_ratio, polar_table
    from sailanalysis.polar.reference import with_reference
    from sailanalysis.polar.sensor_error import lean_of, with_sensor_error
    from sailanalysis.polar.targets import targets_table
    from sailanalysis.segment.guard import guard_blocks
    from sailanalysis.segment.steady import steady_averages

    blocks, left_out = guard_blocks(steady_averages(even, sailed.legs, sailed.maneuvers), boat)
    lean, own = lean_of(blocks), fit_polar(blocks)
    model = with_sensor_error(own, corrections.error, lean)
    # Against the day's own polar today's sensors cancel; against the season's they do not.
    measured = [Reference(own, targets_table(own), False)]
    if memory.polar is not None:
        lent = with_sensor_error(memory.polar, corrections.error, lean)
        measured.insert(0, Reference(lent, best_angles(memory.polar), True))
    # A leg is never measured against a polar that it helped to make.
    shares = _shares(sailed.legs, model) if memory.polar is None else leg_polar_ratio(
        evened_legs(sailed.legs, sailed.samples, even), memory.polar)
    table = with_reference(polar_table(model), boat.reference)
    return _Polar(sailed.legs.assign(polar_ratio=shares), table,
                  targets_table(model), model, tuple(measured), blocks, tuple(left_out))


def _shares(legs: pd.DataFrame, polar: PolarModel) -> np.ndarray:
    """Each leg's share of the day's polar as fitted without that leg; NaN where unknown."""
    shares = polar.leg_shares
    if len(shares) == 0:
        return np.full(len(legs), np.nan)
    ratio = shares.set_index("leg")["polar_ratio"].reindex(range(len(legs)))
    return np.asarray(ratio, dtype=float)


@dataclass(frozen=True)
class _Sailed:
    """Corrected samples and what was cut out of them."""

    samples: pd.DataFrame
    maneuvers: pd.DataFrame
    legs: pd.DataFrame
    wind_source: str
    track_wind: TrackWind | None
    findings: list[Finding]


def _segment(conditioned: Conditioned, boat: Boat, crew: CrewLog, sensors: Sensors,
             load: Load | None, attempt: Attempts, blank: Sequence[str] = ()) -> _Sailed:
    """One pass from conditioned samples to legs, with the sensors' corrections given.

    Columns named in ``blank`` are not believed: they are left empty before anything rests on them.
    """
    from sailanalysis.maneuvers import find_legs, find_maneuvers
    from sailanalysis.segment import find_states

    samples, source, track_wind, findings = attempt(
        "wind", lambda: _wind(conditioned, boat, crew, sensors, blank),
        lambda: (samples_as_logged(conditioned), "none", None, []))
    if load is not None:
        samples["load_kg"] = resample(*load, epoch_s(samples.index), np.inf)
    for name in ("helm", "sails", "boards"):
        _keep_objects(samples, name, samples[name].to_numpy(dtype=object))
    states = attempt("states", lambda: find_states(samples, crew, boat),
                     lambda: no_states(samples))
    _keep_objects(samples, "state", states.state)
    _keep_objects(samples, "doing", states.doing)
    samples["sailing_probability"] = states.sailing_probability
    maneuvers = attempt("turns", lambda: find_maneuvers(samples, boat),
                        lambda: empty_table("maneuvers"))
    legs = attempt("legs", lambda: find_legs(samples, maneuvers, boat),
                   lambda: empty_table("legs"))
    return _Sailed(samples, maneuvers, legs, source, track_wind,
                   [*findings, *states.findings])


def _wind(conditioned: Conditioned, boat: Boat, crew: CrewLog, sensors: Sensors,
          blank: Sequence[str]) -> tuple[pd.DataFrame, str, TrackWind | None, list[Finding]]:
    """Corrected samples with wind and current; the wind from the track where no sensor tells."""
    from sailanalysis.wind import wind_and_water, wind_from_track

    samples, found, source = wind_and_water(conditioned, boat, crew, sensors)
    if blank:
        samples, source = samples.assign(**dict.fromkeys(blank, np.nan)), "none"
    if source != "none":
        return samples, source, None, list(found)
    samples, source, track_wind, more = wind_from_track(samples)
    return samples, source, track_wind, [*found, *more]


def _as_measured(samples: pd.DataFrame, conditioned: Conditioned) -> pd.DataFrame:
    """The logged columns as they were before anything was mended."""
    kept = {f"{name}_logged_{unit}": conditioned.samples[f"{name}_{unit}"].to_numpy()
            for name, unit in (("stw", "kn"), ("awa", "deg"), ("aws", "kn"))
            if f"{name}_{unit}" in conditioned.samples}
    return samples.assign(**kept)


def _keep_objects(samples: pd.DataFrame, name: str, texts: np.ndarray) -> None:
    """Set a text column as plain objects: rooms take it as an array often, which is then free."""
    samples[name] = pd.Series(texts, index=samples.index, dtype=object)


def summarise(about: About, samples: pd.DataFrame, maneuvers: pd.DataFrame,
              conditioned: Conditioned, wind_source: str, corrections: Sequence[AppliedCorrection],
              findings: Sequence[Finding],
              inputs: Sequence[InputReport]) -> Summary:
    """The figures of ``summary.json``."""
    from sailanalysis.ledger import to_record
    from sailanalysis.season.usual_day import day_scores
    from sailanalysis.segment.totals import distance_nm, spent_seconds

    time = epoch_s(samples.index)
    seconds = spent_seconds(time)
    state = samples["state"].to_numpy()
    moving = state != "stopped"
    kinds = maneuvers["kind"].tolist() if len(maneuvers) else []

    def miles(name: str) -> float:
        over_ground = (samples["lat"], samples["lon"]) if name == "sog_kn" else (None, None)
        return distance_nm(time, samples[name], moving, *over_ground)

    def spent(name: str) -> float:
        return float(seconds[state == name].sum())

    return {
        **about, "start": iso_utc(samples.index[0]), "end": iso_utc(samples.index[-1]),
        "duration_s": float(time[-1] - time[0]), "sailing_s": spent("sailing"),
        "motoring_s": spent("motoring"), "stopped_s": spent("stopped"),
        "distance_over_ground_nm": miles("sog_kn"), "distance_through_water_nm": miles("stw_kn"),
        "tacks": kinds.count("tack"), "gybes": kinds.count("gybe"),
        "channels": sorted(conditioned.samples.columns.astype(str)),
        "wind_source": wind_source, "rate_hz": conditioned.rate_hz,
        "runs": len(runs(time)),
        "practice": to_record(None),
        "scores": day_scores(maneuvers, spent("sailing"), miles("sog_kn")),
        "corrections": [{"sensor": c.sensor, "value": c.value, "low": c.low, "high": c.high,
                         "source": c.source} for c in corrections], **account_of(findings, inputs),
    }


@dataclass(frozen=True)
class Written:
    """Where results went, and what of them could not be made."""

    folder: Path
    findings: tuple[Finding, ...] = ()


def shown_path(asked: str | Path, place: Path) -> Path:
    """The folder as the user wrote it, where the results went there."""
    return Path(asked) if place == Path(asked).resolve() else place


def write_day(day: Day, out_dir: str | Path, *, private: bool = False,
              plotly_beside: bool = False) -> Written:
    """Write report, notebook and tables of a day; all of them or none.

    Never over a file that the program did not write: where such files stand in ``out_dir``, the
    results go into a folder in it.
    """
    from sailanalysis.app.tables import write_day_tables
    from sailanalysis.core.staging import place_for, staged
    from sailanalysis.report.day.write import make_day_report, write_made
    from sailanalysis.report.private import private_day

    report = make_day_report(day, private, plotly_beside)
    findings = (*report.findings, *day.findings)
    summary: Summary = {**day.summary, **account_of(findings, day.inputs)}
    day = replace(day, findings=findings, summary=summary)
    place = place_for(out_dir)
    with staged(place, "day") as folder:
        write_day_tables(private_day(day) if private else day, folder, private)
        write_made(report, folder, plotly_beside)
    return Written(shown_path(out_dir, place), report.findings)


def analyse_season(season_dir: str | Path, start: str | None = None, end: str | None = None,
                   progress: Progress | None = None, boat: str | None = None) -> Season:
    """The season record of an archive between two days, ends included.

    Parameters
    ----------
    season_dir : str or Path
        The archive's folder.
    start, end : str, optional
        First and last day, ``YYYY-MM-DD``; default all.
    progress : Progress, optional
    boat : str, optional
        Whose days, where the archive holds several boats.

    Raises
    ------
    LogError
        If the archive holds no day in that span.
    """
    from sailanalysis.season import Archive, fit_season

    say = progress or Progress()
    archive = Archive(season_dir)
    if archive.days(start, end, boat).empty:
        span = f" from {start or 'the first day'} to {end or 'the last'}" if start or end else ""
        raise LogError(f"{season_dir}: no day is filed there{span}; file one with "
                       "`sailanalysis day ... --season`")
    with _one_blas_thread():
        return fit_season(archive, start, end, progress=say, boat=boat)


def write_season(season: Season, out_dir: str | Path, plotly_beside: bool = False, *,
                 private: bool = False) -> Written:
    """Write report, card and tables of a season; all of them or none, as `write_day` does."""
    from sailanalysis.app.tables import TableLabel, describe_columns, write_json, write_table
    from sailanalysis.core.staging import place_for, staged
    from sailanalysis.report import write_season_report
    from sailanalysis.season import polar_json, season_tables

    if private:
        from sailanalysis.report.private import private_season

        season = private_season(season)
    place = place_for(out_dir)
    with staged(place, "season") as folder:
        tables = season_tables(season)
        label = TableLabel(season.boat_name, f"{season.start}/{season.end}")
        for name, table in tables.items():
            write_table(name, table, folder, label)
        write_json(describe_columns(tables), folder / "columns.json")
        text = polar_json(season.polar, season.boat_name)
        (folder / "polar.json").write_text(text + "\n", encoding="utf-8")
        write_season_report(season, folder, plotly_beside=plotly_beside)
    return Written(shown_path(out_dir, place))


