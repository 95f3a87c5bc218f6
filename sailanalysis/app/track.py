"""The day's track as GPX 1.1, with its maneuvers and the crew's marks as waypoints."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from sailanalysis.core.series import epoch_s, runs

if TYPE_CHECKING:
    from sailanalysis.day import Day

LEAST_S: Final = 1.0
"""Seconds between two points of the track; a chart table shows no finer."""
MARKED: Final = ("trim", "note", "sails", "helm", "boards", "photo")


def write_track(day: Day, path: Path) -> None:
    """Write ``track.gpx``; nothing where the log has no positions."""
    import gpxpy.gpx

    time = epoch_s(pd.DatetimeIndex(day.samples.index))
    lat, lon = (day.samples[name].to_numpy(dtype=float) for name in ("lat", "lon"))
    good = np.flatnonzero(np.isfinite(lat) & np.isfinite(lon))
    if good.size < 2:
        return
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "sailanalysis"
    gpx.name = day.summary["day"]
    track = gpxpy.gpx.GPXTrack(name=day.boat.name or None)
    gpx.tracks.append(track)
    kept = good[np.concatenate([[True], np.diff(np.floor(time[good] / LEAST_S)) > 0])]
    for run in runs(time[kept]):
        segment = gpxpy.gpx.GPXTrackSegment()
        for i in kept[run]:
            segment.points.append(gpxpy.gpx.GPXTrackPoint(
                round(float(lat[i]), 7), round(float(lon[i]), 7), time=_utc(time[i])))
        track.segments.append(segment)

    def mark(when_s: float, name: str, symbol: str) -> None:
        at = int(np.argmin(np.abs(time[good] - when_s)))
        i = good[at]
        if abs(time[i] - when_s) <= 30.0:
            gpx.waypoints.append(gpxpy.gpx.GPXWaypoint(
                round(float(lat[i]), 7), round(float(lon[i]), 7), time=_utc(when_s), name=name,
                type=symbol))

    for row in day.maneuvers.to_dict("records"):
        when = row["crossing"] if pd.notna(row["crossing"]) else row["start"]
        mark(pd.Timestamp(when).timestamp(), _maneuver(row), str(row["kind"]))
    for entry in day.crew.entries:
        if entry.item in MARKED:
            mark(entry.time_s, f"{entry.item}: {entry.value}", entry.item)
    path.write_text(_valid(gpx.to_xml("1.1")), encoding="utf-8")


def _maneuver(row: dict[Any, Any]) -> str:
    name = str(row["kind"]).replace("_", " ")
    loss = row.get("loss_m")
    costed = bool(row.get("rated")) and loss is not None and np.isfinite(loss)
    return f"{name}, {loss:.0f} m lost" if costed else name


def _utc(time_s: float) -> datetime:
    return datetime.fromtimestamp(float(time_s), UTC)


def _valid(xml: str) -> str:
    """Without the control characters that XML forbids."""
    return "".join(c for c in xml if c in "\t\n\r" or ord(c) >= 32)
