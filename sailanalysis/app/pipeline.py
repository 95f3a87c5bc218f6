"""One day from raw logs to results, and a season from its archive: the order of the work.

Holds no algorithm; every step is a function of the room that owns it. The command line, the
notebooks and the tests all come through here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sailanalysis.app.tables import iso_utc
from sailanalysis.core.errors import Finding, LogError
from sailanalysis.core.model import Boat, Conditioned, CrewLog, InputReport, RawLog, Sensors
from sailanalysis.core.progress import Progress
from sailanalysis.core.series import epoch_s, resample, runs
from sailanalysis.day import Day, Memory, Studies, Summary, account_of

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from sailanalysis.calibrate.apply import AppliedCorrection
    from sailanalysis.polar.model import PolarModel
    from sailanalysis.read.days.card import SailingDay
    from sailanalysis.season import Season
    from sailanalysis.wind.track import TrackWind


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
        return _analyse(raw, conditioned, boat, given.crew, findings, _memory(season, conditioned),
                        as_logged, say)


def _one_blas_thread() -> AbstractContextManager[object]:
    """A context in which linear algebra keeps to one thread.

    Small solves are an order slower on two. The limit holds for libraries that are loaded already,
    so scipy's own comes first.
    """
    import scipy.linalg  # noqa: F401
    from threadpoolctl import threadpool_limits

    limits: AbstractContextManager[object] = threadpool_limits(1)
    return limits


def _memory(season: str | Path | None, conditioned: Conditioned) -> Memory:
    """What earlier days lend to this one: the season's polar and each helm's usual."""
    if season is None or not Path(season).exists():
        return Memory()
    from sailanalysis.season import Archive

    time = epoch_s(conditioned.samples.index)
    return Archive(season).memory(without=(float(time[0]), float(time[-1])))


def _analyse(raw: RawLog, conditioned: Conditioned, boat: Boat, crew: CrewLog,
             findings: list[Finding], memory: Memory, as_logged: bool,
             say: Progress) -> Day:
    from sailanalysis.calibrate.apply import as_they_are, corrections_of, evened, evened_legs
    from sailanalysis.calibrate.estimate import estimate_calibration
    from sailanalysis.calibrate.health import sensor_health
    from sailanalysis.helm.rate import rate_helming
    from sailanalysis.maneuvers.rate import rate_maneuvers
    from sailanalysis.polar.fit import fit_polar, leg_polar_ratio, polar_table
    from sailanalysis.polar.targets import targets_table
    from sailanalysis.read.written.tanks import tank_gauge_check, tank_load_kg
    from sailanalysis.segment.steady import steady_averages
    from sailanalysis.trials.changes import judge_trials

    findings = [*findings, *conditioned.findings]

    say("finding wind, water and maneuvers")
    load, more = tank_load_kg(raw, boat, crew)
    findings += more
    sailed = _segment(conditioned, boat, crew, boat.sensors, load)
    say("checking the instruments")
    calibration = estimate_calibration(sailed.samples, conditioned, boat,
                                       maneuvers=sailed.maneuvers,
                                       engine_told=bool(crew.of("engine")))
    corrections = (as_they_are(boat) if as_logged
                   else corrections_of(boat, calibration, memory.sensors))
    if corrections.sensors != boat.sensors:
        sailed = _segment(conditioned, boat, crew, corrections.sensors, load)
    findings += sailed.findings
    samples, maneuvers, legs = sailed.samples, sailed.maneuvers, sailed.legs
    health = sensor_health(conditioned, samples)

    say("fitting the polar of the day")
    even = evened(samples, corrections)
    blocks = steady_averages(even, legs, maneuvers)
    polar = fit_polar(blocks)
    season_polar = memory.polar
    speed_model = season_polar or polar
    # A leg is never measured against a polar that it helped to make.
    shares = (leg_polar_ratio(evened_legs(legs, samples, even), season_polar) if season_polar
              else _shares(legs, polar))
    legs = legs.assign(polar_ratio=shares)

    say("costing the maneuvers")
    maneuvers, maneuver_study = rate_maneuvers(
        even, maneuvers, legs, speed_model.speed_kn, boat)
    say("rating the helming")
    helm, helm_study = rate_helming(
        samples, legs, maneuvers, boat, conditioned.native_rate_hz, usual=memory.usual)
    trials, trials_study = judge_trials(
        even, legs, maneuvers, crew, speed_model.speed_kn)

    return Day(
        samples=samples, rate_hz=conditioned.rate_hz, maneuvers=maneuvers, legs=legs,
        polar=polar_table(polar), targets=targets_table(polar), helm=helm, trials=trials,
        calibration=calibration.as_dict(), wind_source=sailed.wind_source, boat=boat, crew=crew,
        inputs=raw.inputs, findings=tuple(findings),
        summary=summarise(samples, maneuvers, conditioned, sailed.wind_source, corrections.items,
                          findings, raw.inputs),
        results=Studies(
            conditioned=conditioned, corrections=corrections, calibration=calibration,
            track_wind=sailed.track_wind, health=health, polar=polar, blocks=blocks,
            maneuvers=maneuver_study, helm=helm_study, trials=trials_study,
            gauges=tuple(tank_gauge_check(raw, boat, crew))))


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
             load: tuple[np.ndarray, np.ndarray] | None) -> _Sailed:
    """One pass from conditioned samples to legs, with the sensors' corrections given."""
    from sailanalysis.maneuvers import find_legs, find_maneuvers
    from sailanalysis.segment import find_states
    from sailanalysis.wind import wind_and_water, wind_from_track

    samples, found, source = wind_and_water(conditioned, boat, crew, sensors)
    findings, track_wind = list(found), None
    if load is not None:
        samples["load_kg"] = resample(*load, epoch_s(samples.index), np.inf)
    if source == "none":
        samples, source, track_wind, more = wind_from_track(samples)
        findings += more
    for name in ("helm", "sails", "boards"):
        _keep_objects(samples, name, samples[name].to_numpy(dtype=object))
    states, more = find_states(samples, crew)
    _keep_objects(samples, "state", states)
    findings += more
    maneuvers = find_maneuvers(samples, boat)
    return _Sailed(samples, maneuvers, find_legs(samples, maneuvers, boat), source, track_wind,
                   findings)


def _keep_objects(samples: pd.DataFrame, name: str, texts: np.ndarray) -> None:
    """Set a text column as plain objects: rooms take it as an array often, which is then free."""
    samples[name] = pd.Series(texts, index=samples.index, dtype=object)


def summarise(samples: pd.DataFrame, maneuvers: pd.DataFrame, conditioned: Conditioned,
              wind_source: str, corrections: Sequence[AppliedCorrection],
              findings: Sequence[Finding],
              inputs: Sequence[InputReport]) -> Summary:
    """The figures of ``summary.json``."""
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
        "start": iso_utc(samples.index[0]), "end": iso_utc(samples.index[-1]),
        "duration_s": float(time[-1] - time[0]), "sailing_s": spent("sailing"),
        "motoring_s": spent("motoring"), "stopped_s": spent("stopped"),
        "distance_over_ground_nm": miles("sog_kn"), "distance_through_water_nm": miles("stw_kn"),
        "tacks": kinds.count("tack"), "gybes": kinds.count("gybe"),
        "channels": sorted(conditioned.samples.columns.astype(str)),
        "wind_source": wind_source, "rate_hz": conditioned.rate_hz,
        "runs": len(runs(time)),
        "corrections": [{"sensor": c.sensor, "value": c.value, "low": c.low, "high": c.high,
                         "source": c.source} for c in corrections], **account_of(findings, inputs),
    }


def write_day(day: Day, out_dir: str | Path, *, private: bool = False,
              plotly_beside: bool = False) -> None:
    """Write report, notebook and tables of a day; all of them or none."""
    from sailanalysis.app.tables import write_day_tables
    from sailanalysis.core.staging import staged
    from sailanalysis.report import private_day, write_day_report

    shown = day
    if private:
        shown = private_day(day)
    with staged(out_dir) as folder:
        write_day_tables(shown, folder, private)
        write_day_report(day, folder, private=private, plotly_beside=plotly_beside)


def analyse_season(season_dir: str | Path, start: str | None = None, end: str | None = None,
                   progress: Progress | None = None) -> Season:
    """The season record of an archive between two days, ends included.

    Parameters
    ----------
    season_dir : str or Path
        The archive's folder.
    start, end : str, optional
        First and last day, ``YYYY-MM-DD``; default all.
    progress : Progress, optional

    Raises
    ------
    LogError
        If the archive holds no day in that span.
    """
    from sailanalysis.season import Archive, fit_season

    say = progress or Progress()
    archive = Archive(season_dir)
    if archive.days(start, end).empty:
        span = f" from {start or 'the first day'} to {end or 'the last'}" if start or end else ""
        raise LogError(f"{season_dir}: no day is filed there{span}; file one with "
                       "`sailanalysis day ... --season`")
    with _one_blas_thread():
        return fit_season(archive, start, end, progress=say)


def write_season(season: Season, out_dir: str | Path, plotly_beside: bool = False) -> None:
    """Write report, card and tables of a season; all of them or none."""
    from sailanalysis.app.tables import write_csv
    from sailanalysis.core.staging import staged
    from sailanalysis.report import write_season_report
    from sailanalysis.season import polar_json, season_tables

    with staged(out_dir) as folder:
        for name, table in season_tables(season).items():
            write_csv(name, table, folder / f"{name}.csv")
        text = polar_json(season.polar, season.boat_name)
        (folder / "polar.json").write_text(text + "\n", encoding="utf-8")
        write_season_report(season, folder, plotly_beside=plotly_beside)


