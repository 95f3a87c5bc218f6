"""A day that can be shared: no positions, no names of files or places."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import PurePath

from sailanalysis.core.angles import wrap360
from sailanalysis.day import Day, Summary, account_of
from sailanalysis.figures.chart import chart_of, positions

_BEARINGS = ("hdg_deg", "cog_deg", "twd_deg", "set_deg", "hdg_mag_deg")
_COORDINATE = re.compile(
    r"\d{1,3}(?:[.,]\d+)?\s?°\s?(?:\d{1,2}(?:[.,]\d+)?\s?[′']\s?)?(?:[NSEW]\b)"
    r"|\b\d{1,3}[.,]\d{3,}\s?°?\s?[NSEW]\b|-?\d{1,3}\.\d{4,}\s?[,;/ ]\s?-?\d{1,3}\.\d{4,}")
_FILE = re.compile(r"(?:[\w.-]*[/\\])+[\w.-]+|\b[\w-]+\.(?:nmea|log|txt|csv|gpx|json|jsonl|raw"
                   r"|data|gz|0183|n2k|toml)(?:\.gz)?\b", re.IGNORECASE)
_METRES_PER_DEGREE = 111_194.93
"""Of a sphere of 6371 km; the shared positions count from 0° N 0° E, where it holds both ways."""


def private_day(day: Day, turned_deg: float = 0.0) -> Day:
    """The day with its track moved to start at 0° N 0° E, and turned by ``turned_deg``.

    Distances and shapes stay; nothing tells where they were. All bearings turn along. The boat's
    name and the crew's free notes are left out.

    Parameters
    ----------
    day : Day
    turned_deg : float
        Turns the track and every bearing clockwise.
    """
    samples = day.samples.copy()
    lat, lon = positions(samples)
    chart = chart_of(lat, lon, private=True, turned_deg=turned_deg)
    if chart is not None:
        x, y = chart.xy(lat, lon)
        samples["lat"], samples["lon"] = y / _METRES_PER_DEGREE, x / _METRES_PER_DEGREE
    if turned_deg:
        for name in _BEARINGS:
            if name in samples:
                samples[name] = wrap360(samples[name].to_numpy(dtype=float) + turned_deg)
    legs = day.legs
    if turned_deg and "twd_deg" in legs:
        legs = legs.assign(twd_deg=wrap360(legs["twd_deg"].to_numpy(dtype=float) + turned_deg))
    clean = scrubber(day)
    crew = replace(day.crew, entries=tuple(replace(e, note="") for e in day.crew.entries
                                           if e.item != "note"))
    renamed = tuple(replace(item, file=f"log {i + 1}") for i, item in enumerate(day.inputs))
    findings = tuple(replace(f, message=clean(f.message)) for f in day.findings)
    results = replace(day.results, track_wind=None) if turned_deg else day.results
    summary: Summary = {**day.summary, **account_of(findings, renamed)}
    return replace(day, samples=samples, legs=legs, crew=crew, inputs=renamed, findings=findings,
                   boat=replace(day.boat, name=""), summary=summary, results=results)


def scrubber(day: Day) -> Callable[[str], str]:
    """A function that takes file names and coordinates out of a text."""
    pairs: list[tuple[str, str]] = []
    for number, item in enumerate(day.inputs, start=1):
        path = PurePath(item.file)
        for form in {item.file, path.name, path.stem}:
            if len(form) > 3:
                pairs.append((form, f"log {number}"))
    pairs.sort(key=lambda pair: -len(pair[0]))
    boat = day.boat.name

    def clean(text: str) -> str:
        for old, new in pairs:
            text = text.replace(old, new)
        if len(boat) > 2:
            text = text.replace(boat, "the boat")
        text = _FILE.sub("a file", text)
        return _COORDINATE.sub("(place left out)", text)

    return clean
