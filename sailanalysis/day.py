"""The record of one day that measuring hands to telling: every study by its name and type.

A study that was not made (its channel is missing, or it failed) is None. Nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any, Final, Literal, TypedDict

from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Boat, Conditioned, CrewLog, InputReport

if TYPE_CHECKING:
    import pandas as pd

    from sailanalysis.calibrate.apply import Corrections, SeasonKnows
    from sailanalysis.calibrate.contradictions import Doubt
    from sailanalysis.calibrate.estimate import CalibrationResult, Correction
    from sailanalysis.calibrate.health import HealthResult
    from sailanalysis.calibrate.steps import Step
    from sailanalysis.helm.fit import Usual
    from sailanalysis.helm.rate import HelmResult
    from sailanalysis.ledger.exercises import PracticeDay, Tomorrow
    from sailanalysis.ledger.ledger import Ledger
    from sailanalysis.maneuvers.anatomy import ManeuverStudy
    from sailanalysis.polar.model import PolarModel
    from sailanalysis.read.written.tanks import GaugeCheck
    from sailanalysis.trials.changes import TrialsResult
    from sailanalysis.trials.choice import SailChoice
    from sailanalysis.wind.track import TrackWind

__all__ = ["STUDY_WORDS", "About", "Account", "Day", "InputSummary", "Memory", "Studies",
           "StudyName", "Summary", "Told", "UsualFigure", "account_of"]


class Told(TypedDict):
    """A finding in ``summary.json``."""

    code: str
    message: str


class InputSummary(TypedDict):
    """One file in ``summary.json``: ``lines`` is ``used`` and all rejected."""

    file: str
    format: str
    lines: int
    used: int
    ignored: int
    rejected: dict[str, int]


class CorrectionSummary(TypedDict):
    """One correction in ``summary.json``: the whole of it, from the logged value."""

    sensor: str
    value: float
    low: float
    high: float
    source: str


class Account(TypedDict):
    """What ``summary.json`` says of the files and of what was noticed."""

    warnings: list[Told]
    notes: list[Told]
    inputs: list[InputSummary]


class About(TypedDict):
    """What ``summary.json`` opens with: who made it, of which boat and day, how."""

    program: str
    schema: int
    boat: str
    day: str
    zone: str
    settings: dict[str, str | bool]


class Summary(About, Account):
    """The figures of ``summary.json``."""

    start: str
    end: str
    duration_s: float
    sailing_s: float
    motoring_s: float
    stopped_s: float
    distance_over_ground_nm: float
    distance_through_water_nm: float
    tacks: int
    gybes: int
    channels: list[str]
    wind_source: str
    rate_hz: float
    runs: int
    scores: dict[str, float]
    practice: dict[str, list[dict[str, Any]]]
    corrections: list[CorrectionSummary]


def account_of(findings: Sequence[Finding], inputs: Sequence[InputReport]) -> Account:
    """Findings and files as ``summary.json`` holds them."""
    told: dict[str, list[Told]] = {"warning": [], "note": []}
    for f in findings:
        told[f.level].append({"code": f.code, "message": f.message})
    return {"warnings": told["warning"], "notes": told["note"], "inputs": [
        {"file": item.file, "format": item.format, "lines": item.lines, "used": item.used,
         "ignored": item.ignored, "rejected": dict(item.rejected)} for item in inputs]}


@dataclass(frozen=True)
class UsualFigure:
    """One of today's scores beside the earlier days'.

    Attributes
    ----------
    name : str
        One of ``season.usual_day.SCORES``.
    today : float
    low, middle, high : float
        Quartiles of the earlier days.
    least, most : float
    days : int
        Earlier days that have it.
    """

    name: str
    today: float
    low: float
    middle: float
    high: float
    least: float
    most: float
    days: int


StudyName = Literal["wind", "states", "turns", "legs", "calibration", "health", "polar",
                    "maneuvers", "helm", "trials", "load", "gauges", "memory", "ledger",
                    "crew", "tomorrow"]
STUDY_WORDS: Final[dict[StudyName, str]] = {
    "wind": "Wind and current", "states": "Sailing, motoring and stopping",
    "turns": "Tacks, gybes and other turns", "legs": "Steady legs",
    "calibration": "The sensors' errors", "health": "The sensors' health",
    "polar": "The polar of the day", "maneuvers": "What the maneuvers cost",
    "helm": "The steering", "trials": "Trim and sail changes", "load": "The weight on board",
    "gauges": "The tank gauges", "memory": "What earlier days tell",
    "ledger": "The day's ledger", "crew": "The crew log's clock",
    "tomorrow": "Exercises for the next day"}
"""Every study in words, as a finding names it."""


@dataclass(frozen=True, eq=False)
class Studies:
    """What each study found beyond its table; None where it was not made.

    Attributes
    ----------
    conditioned : Conditioned or None
        Sources, what was left out, logged channels on the common clock.
    corrections : Corrections or None
        What the logged values were corrected with, and how far that may be wrong.
    steps : tuple of Step
        Times in which a sensor read otherwise; mended or left out.
    doubts : tuple of Doubt
        Contradictions between sensors.
    calibration : CalibrationResult or None
    track_wind : TrackWind or None
        Looked for only where no wind sensor tells.
    health : HealthResult or None
    polar : PolarModel or None
        Of the day alone.
    blocks : DataFrame or None
        Averages of steady sailing, as the season's polar needs them.
    maneuvers : ManeuverStudy or None
    helm : HelmResult or None
    trials : TrialsResult or None
    sail_choice : SailChoice or None
        Where another sail set is known to be faster.
    ledger : Ledger or None
        From what she could have done to what she did.
    tomorrow : Tomorrow or None
        What was set to practise, and whether it helped.
    gauges : tuple of GaugeCheck
    usual : tuple of UsualFigure
        Today beside the season's usual day.
    failed : mapping of str to str
        Why a study failed, by its name.
    """

    conditioned: Conditioned | None = None
    corrections: Corrections | None = None
    steps: tuple[Step, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    calibration: CalibrationResult | None = None
    track_wind: TrackWind | None = None
    health: HealthResult | None = None
    polar: PolarModel | None = None
    blocks: pd.DataFrame | None = None
    maneuvers: ManeuverStudy | None = None
    helm: HelmResult | None = None
    trials: TrialsResult | None = None
    sail_choice: SailChoice | None = None
    ledger: Ledger | None = None
    tomorrow: Tomorrow | None = None
    gauges: tuple[GaugeCheck, ...] = ()
    usual: tuple[UsualFigure, ...] = ()
    failed: Mapping[StudyName, str] = field(default_factory=dict)

    def __repr__(self) -> str:
        made = [name for name, value in vars(self).items()
                if value is not None and not (isinstance(value, tuple) and not value)]
        return f"Studies({', '.join(made)})"


@dataclass(frozen=True, eq=False)
class Memory:
    """What earlier days lend to this one; None where nothing is known.

    Attributes
    ----------
    polar : PolarModel or None
        The season's, without this day.
    usual : Usual or None
        What steering takes in such conditions, and each helm's usual.
    sensors : SeasonKnows or None
        The sensors' corrections on this day, as the other days have them.
    scores : tuple of mapping
        Each earlier day in a few numbers.
    practice : tuple of PracticeDay
        Each earlier day's numbers and exercises.
    findings : tuple of Finding
        What of the archive could not be used.
    """

    polar: PolarModel | None = None
    usual: Usual | None = None
    sensors: SeasonKnows | None = None
    scores: tuple[Mapping[str, float], ...] = ()
    practice: tuple[PracticeDay, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, eq=False)
class Day:
    """Everything known about one day: what the report, the tables and the archive read.

    ``samples`` has ``channels.SAMPLE_COLUMNS`` and more (``load_kg``, ``boards``, ...); the tables
    have the columns of the published interface and more. What is richer than a table (polar
    model, calibration, health) stands in ``results``.
    """

    samples: pd.DataFrame
    rate_hz: float
    maneuvers: pd.DataFrame
    legs: pd.DataFrame
    polar: pd.DataFrame
    targets: pd.DataFrame
    helm: pd.DataFrame
    trials: pd.DataFrame
    calibration: dict[str, Correction]
    wind_source: str
    boat: Boat
    crew: CrewLog
    inputs: tuple[InputReport, ...]
    findings: tuple[Finding, ...]
    summary: Summary
    results: Studies = field(default_factory=Studies)

    def __repr__(self) -> str:
        return f"Day({'; '.join(f'{k} {v}'.strip() for k, v in self._facts())})"

    def _repr_html_(self) -> str:
        """A small table for a notebook."""
        rows = "".join(f"<tr><th>{escape(name)}</th><td>{escape(value)}</td></tr>"
                       for name, value in self._facts())
        return f"<table>{rows}</table>"

    def _facts(self) -> list[tuple[str, str]]:
        index = self.samples.index
        out = [("boat", self.boat.name)] if self.boat.name else []
        if len(index):
            out.append(("", f"{index[0]:%Y-%m-%d %H:%M} to {index[-1]:%H:%M} UTC"))
        kinds = self.maneuvers["kind"].tolist() if "kind" in self.maneuvers else []
        hours = ((self.samples["state"] == "sailing").sum() / self.rate_hz / 3600
                 if "state" in self.samples and self.rate_hz > 0 else 0.0)
        return [*out, ("sailed", f"{hours:.1f} h"), ("tacks", str(kinds.count("tack"))),
                ("gybes", str(kinds.count("gybe"))), ("steady legs", str(len(self.legs))),
                ("wind", self.wind_source),
                ("samples", f"{len(index)} at {self.rate_hz:g} Hz"),
                ("findings", str(len(self.findings)))]
