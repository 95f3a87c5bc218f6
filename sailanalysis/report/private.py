"""A record that can be shared: what locates a day in place or time is taken out of all of it.

What stays is the shape of the sailing relative to the wind: speeds, wind angles, heel, rudder, and
the time since the start. Positions remain only as a track about its own start, turned at random.
"""

from __future__ import annotations

import dataclasses
import re
import secrets
from collections.abc import Callable, Iterable
from datetime import date, timedelta
from pathlib import PurePath
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

import numpy as np
import pandas as pd

from sailanalysis.core.channels import SAMPLE_COLUMNS
from sailanalysis.core.model import CrewEntry, CrewLog
from sailanalysis.core.series import epoch_s, utc_index
from sailanalysis.day import Day, Studies, Summary, account_of
from sailanalysis.figures.chart import chart_of, positions

if TYPE_CHECKING:
    from sailanalysis.season import Season

Record = TypeVar("Record")

KEPT_SAMPLES: Final = (
    "sog_kn", "stw_kn", "awa_deg", "aws_kn", "twa_deg", "tws_kn", "rudder_deg", "heel_deg",
    "trim_deg", "rate_of_turn_deg_s", "leeway_deg", "vmg_kn", "engine_rpm", "helm", "sails",
    "boards", "state", "load_kg")
"""Channels that tell of the sailing by the wind and not of the place."""
LOCATING: Final = re.compile(
    r"^(lat|lon|cog|hdg|heading|twd|gwd|set|drift|depth|variation|north|east|axis|log)(_|$)")
_COORDINATE = re.compile(
    r"\d{1,3}(?:[.,]\d+)?\s?°\s?(?:\d{1,2}(?:[.,]\d+)?\s?[′']\s?)?(?:[NSEW]\b)"
    r"|\b\d{1,3}[.,]\d{3,}\s?°?\s?[NSEW]\b|-?\d{1,3}\.\d{4,}\s?[,;/ ]\s?-?\d{1,3}\.\d{4,}")
_FILE = re.compile(r"(?:[\w.-]*[/\\])+[\w.-]+|\b[\w-]+\.(?:nmea|log|txt|csv|gpx|json|jsonl|raw"
                   r"|data|gz|0183|n2k|toml)(?:\.gz)?\b", re.IGNORECASE)
_DATE = re.compile(r"\b(?:19|20)\d{2}-\d{2}-\d{2}(?:[T-]?\d{2}:?\d{2}(?::?\d{2}(?:\.\d+)?)?Z?)?\b"
                   r"|\b\d{1,2} (?:January|February|March|April|May|June|July|August|September"
                   r"|October|November|December)(?: \d{4})?\b")
_CLOCK = re.compile(r"\b\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?:\s?(?:UTC|Z))?\b")
_DIRECTION = re.compile(
    r"\b\d{3}\s?(?:°|deg\b|degrees\b)|\b(?:north|south)(?:-?(?:east|west))?(?:erly|ern)?\b"
    r"|\b(?:east|west)(?:erly|ern)?\b", re.IGNORECASE)
_EPOCH_LEAST_S: Final = 3e8
"""Larger numbers are seconds since 1970; nothing else here is that large."""
_METRES_PER_DEGREE: Final = 111_194.93
"""Of a sphere of 6371 km; shared positions count from 0° N 0° E, where it holds both ways."""
_PLAIN: Final = frozenset({
    "main", "mainsail", "jib", "genoa", "spi", "spinnaker", "gennaker", "code", "zero", "staysail",
    "storm", "reef", "reefed", "full", "no", "0", "1", "2", "3", "asymmetric", "symmetric",
    "foresail", "mizzen", "port", "starboard", "up", "down", "half", "both", "raised", "lowered",
    "calm", "smooth", "slight", "moderate", "rough", "flat", "chop", "choppy", "swell", "waves",
    "autopilot", "on", "off", "m"})
"""Words of the trade that name nobody and no place."""


class Cleaner:
    """Takes names, places, dates and times out of texts, tables and records.

    Parameters
    ----------
    names : iterable of (str, str)
        Words to replace, and what with.
    origin_s : float
        Seconds since 1970 that become 0.
    dates : callable, optional
        What a date becomes; default a word.
    """

    def __init__(self, names: Iterable[tuple[str, str]], origin_s: float,
                 dates: Callable[[str], str] | None = None) -> None:
        self.names = {old: new for old, new in names if old}
        self.origin_s = origin_s
        self.dates = dates or (lambda text: "(date)")
        longest = sorted((old for old in self.names if len(old) > 1), key=len, reverse=True)
        self.pattern = re.compile("|".join(rf"(?<!\w){re.escape(old)}(?!\w)" for old in longest)
                                  ) if longest else None

    def text(self, text: str) -> str:
        """One text."""
        if text in self.names:
            return self.names[text]
        if self.pattern is not None:
            text = self.pattern.sub(lambda m: self.names[m[0]], text)
        text = _FILE.sub("a file", text)
        text = _COORDINATE.sub("(place left out)", text)
        text = _DATE.sub(lambda m: self.dates(m[0]), text)
        text = _CLOCK.sub("(time)", text)
        return _DIRECTION.sub("(direction)", text)

    def record(self, value: Record) -> Record:
        """A record, table, array or text of any kind, cleaned through and through."""
        return cast(Record, self._any(value))

    def _any(self, value: Any) -> Any:
        if isinstance(value, str):
            return self.text(value)
        if isinstance(value, float) and value > _EPOCH_LEAST_S:
            return value - self.origin_s
        if isinstance(value, pd.DataFrame):
            return self._frame(value)
        if isinstance(value, np.ndarray) and value.dtype.kind == "f":
            return np.where(value > _EPOCH_LEAST_S, value - self.origin_s, value)
        if isinstance(value, dict):
            return {self._any(key): self._any(item) for key, item in value.items()}
        if type(value) is tuple:
            return tuple(self._any(item) for item in value)
        if isinstance(value, list):
            return [self._any(item) for item in value]
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            return self._fields(value)
        return value

    def _fields(self, value: Any) -> Any:
        out = object.__new__(type(value))
        for field in dataclasses.fields(value):
            object.__setattr__(out, field.name, self._any(getattr(value, field.name)))
        return out

    def _frame(self, frame: pd.DataFrame) -> pd.DataFrame:
        out = {}
        for name in frame.columns:
            column = frame[name]
            if LOCATING.match(str(name)):
                out[name] = pd.Series(np.nan, index=frame.index)
            elif pd.api.types.is_datetime64_any_dtype(column):
                out[name] = self._times(column)
            elif pd.api.types.is_float_dtype(column):
                out[name] = column.where(~(column > _EPOCH_LEAST_S), column - self.origin_s)
            elif column.dtype == object or pd.api.types.is_string_dtype(column):
                out[name] = column.map(self._any)
            else:
                out[name] = column
        return pd.DataFrame(out, index=frame.index, columns=frame.columns)

    def _times(self, column: pd.Series) -> pd.Series:
        return column - pd.Timedelta(seconds=self.origin_s)


class _SeasonCleaner(Cleaner):
    def _times(self, column: pd.Series) -> pd.Series:
        return pd.Series(pd.NaT, index=column.index, dtype=column.dtype)


def _numbered(values: Iterable[str], word: str) -> list[tuple[str, str]]:
    """``helm 1``, ``helm 2``, ... for whatever is more than plain words of the trade."""
    odd = [v for v in dict.fromkeys(values)
           if v and v != "all" and not set(re.split(r"[\W_]+", v.lower())) - {""} <= _PLAIN]
    return [(value, f"{word} {number}") for number, value in enumerate(odd, start=1)]


def cleaner_of(day: Day) -> Cleaner:
    """What a day's names become."""
    names: list[tuple[str, str]] = []
    for number, item in enumerate(day.inputs, start=1):
        path = PurePath(item.file)
        names += [(form, f"log {number}") for form in (item.file, path.name, path.stem)
                  if len(form) > 3]
    names += [(day.boat.name, "the boat")] if len(day.boat.name) > 2 else []
    for column, word in (("helm", "helm"), ("sails", "sails"), ("boards", "boards")):
        told = [entry.value for entry in day.crew.of(column)]
        seen = day.samples[column].dropna().unique().tolist() if column in day.samples else []
        names += _numbered([*told, *map(str, seen)], word)
    changes = [entry.value for entry in day.crew.of("trim")]
    for column in ("what", "subject"):
        changes += day.trials[column].dropna().astype(str).tolist() if column in day.trials else []
    if day.results.trials is not None:
        pooled = day.results.trials.pooled
        changes += [str(v) for c in ("subject", "what") if c in pooled for v in pooled[c]]
    names += [(c, f"change {n}") for n, c in enumerate(dict.fromkeys(changes), start=1)]
    names += _numbered([check.tank for check in day.results.gauges], "tank")
    return Cleaner(names, float(epoch_s(day.samples.index[:1])[0]))


def private_day(day: Day, turned_deg: float | None = None) -> Day:
    """The day without anything that locates it.

    Positions become metres from the start, turned by ``turned_deg`` (default: at random) and
    written as degrees about 0° N 0° E. Times count from the start. Helms, sails and changes keep
    numbers for names where theirs are more than plain words of the trade.

    Parameters
    ----------
    day : Day
    turned_deg : float, optional
        How far the track is turned about its start, deg clockwise.

    Returns
    -------
    Day
    """
    clean = cleaner_of(day)
    turn = random_turn_deg() if turned_deg is None else turned_deg
    findings = clean.record(day.findings)
    inputs = tuple(dataclasses.replace(clean.record(item), file=f"log {number}")
                   for number, item in enumerate(day.inputs, start=1))
    samples = _samples(day, clean, turn)
    seconds = day.summary.get("duration_s", 0.0)
    summary: Summary = {
        **day.summary, "boat": "", "day": "", "zone": "", "settings": {"private": True},
        "practice": {"numbers": [], "exercises": []},
        "start": "1970-01-01T00:00:00.000Z",
        "end": utc_index(np.array([seconds]))[0].isoformat(timespec="milliseconds").replace(
            "+00:00", "Z"), **account_of(findings, inputs)}
    tables = {name: clean.record(getattr(day, name)) for name in
              ("maneuvers", "legs", "polar", "targets", "helm", "trials")}
    return dataclasses.replace(
        day, samples=samples, calibration=clean.record(day.calibration),
        boat=dataclasses.replace(day.boat, name="", columns={}, tanks={}),
        crew=CrewLog(tuple(_entry(e, clean) for e in day.crew.entries
                           if e.item not in ("note", "photo", "aim"))),
        inputs=inputs, findings=findings, summary=summary,
        results=_studies(day.results, clean), **tables)


def random_turn_deg() -> float:
    """An angle to turn a track by, at random."""
    return 1.0 + secrets.randbelow(3580) / 10.0


def _samples(day: Day, clean: Cleaner, turn_deg: float) -> pd.DataFrame:
    samples = day.samples
    lat, lon = positions(samples)
    chart = chart_of(lat, lon, private=True, turned_deg=turn_deg)
    out = {}
    for name in (*SAMPLE_COLUMNS, *(c for c in KEPT_SAMPLES if c not in SAMPLE_COLUMNS)):
        if name in KEPT_SAMPLES and name in samples:
            out[name] = samples[name].map(clean.names, na_action="ignore").fillna(samples[name]) \
                if samples[name].dtype == object else samples[name]
        elif name in SAMPLE_COLUMNS:
            out[name] = pd.Series(np.nan, index=samples.index)
    made = pd.DataFrame(out)
    if chart is not None:
        x, y = chart.xy(lat, lon)
        made["lat"], made["lon"] = y / _METRES_PER_DEGREE, x / _METRES_PER_DEGREE
    made.index = utc_index(epoch_s(samples.index) - clean.origin_s)
    made.index.name = samples.index.name
    return made


def _entry(entry: CrewEntry, clean: Cleaner) -> CrewEntry:
    value = clean.names.get(entry.value, entry.value)
    words = set(re.split(r"[\W_]+", value.lower())) - {""}
    known = entry.item in ("helm", "sails", "boards", "trim") or all(
        w in _PLAIN or w.isdigit() for w in words)
    return dataclasses.replace(entry, time_s=entry.time_s - clean.origin_s, note="",
                               value=value if known else "(left out)")


def _studies(results: Studies, clean: Cleaner) -> Studies:
    none = pd.DataFrame()
    calibration, conditioned, helm = results.calibration, results.conditioned, results.helm
    if calibration is not None:
        calibration = dataclasses.replace(calibration, current=none, deviation=none,
                                          deviation_why_not="")
    if conditioned is not None:
        conditioned = dataclasses.replace(conditioned, samples=conditioned.samples.iloc[:0])
    if helm is not None:
        helm = dataclasses.replace(helm, windows=none)
    tomorrow = results.tomorrow
    if tomorrow is not None:
        mute = tuple(dataclasses.replace(e, aim="") for e in tomorrow.exercises)
        checks = tuple(dataclasses.replace(c, exercise=dataclasses.replace(c.exercise, aim=""))
                       for c in tomorrow.checks)
        tomorrow = dataclasses.replace(tomorrow, exercises=mute, checks=checks, unread=())
    return clean.record(dataclasses.replace(
        results, tomorrow=tomorrow, calibration=calibration, conditioned=conditioned, helm=helm,
        track_wind=None, polar=None, blocks=None))


def scrubber(day: Day) -> Callable[[str], str]:
    """A function that takes what locates, and names, out of a text."""
    return cleaner_of(day).text


def private_season(season: Season) -> Season:
    """The season without names, places and clock times; its first day becomes 2000-01-01."""
    first = pd.Timestamp(season.start)

    def shifted(text: str) -> str:
        days = (pd.Timestamp(text[:10]) - first).days if text[:2] in ("19", "20") else None
        return "(date)" if days is None else str(date(2000, 1, 1) + timedelta(days=days))

    names = [(season.boat_name, "the boat")] if season.boat_name else []
    tables = [getattr(season, f.name) for f in dataclasses.fields(season)]
    frames = [t for t in tables if isinstance(t, pd.DataFrame)]
    for word, columns in (("helm", ("helm",)), ("sails", ("sails", "best_sails", "below")),
                          ("change", ("change", "subject"))):
        told = [str(v) for t in frames for c in columns if c in t for v in t[c].dropna()]
        names += _numbered(told, word)
    clean = _SeasonCleaner(names, float(first.timestamp()), shifted)
    advice = season.advice.assign(aim="") if len(season.advice) else season.advice
    return dataclasses.replace(clean.record(dataclasses.replace(season, boat_name="",
                                                                advice=advice)),
                               model=season.model)
