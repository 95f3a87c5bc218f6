"""The time zone of the waters sailed, offline, from the position."""

from __future__ import annotations

from typing import Final

import numpy as np

from sailanalysis.core.errors import Finding
from sailanalysis.core.model import RawLog

BY_POSITION: Final = "position"
"""Stands for a zone's name where the position is to say it."""
COAST_DEG: Final = (0.25, 0.5, 1.0, 2.0, 3.0)
"""How far off, in degrees of latitude, a crew still keeps the coast's time (common practice)."""


def zone_by_position(raw: RawLog) -> tuple[str, Finding]:
    """Name of the zone that a day's positions lie in; UTC where it cannot be told.

    Parameters
    ----------
    raw : RawLog

    Returns
    -------
    zone : str
        Such as ``Europe/Paris``; far out at sea the nautical zone.
    Finding
        What was taken, and why.
    """
    places = {channel: [s.value for s in raw.of(channel) if s.value.size]
              for channel in ("lat", "lon")}
    if not all(places.values()):
        return "UTC", _note("the log has no position")
    # The day's first fix: a boat's clock is the harbour's that she left.
    lat, lon = (float(np.median(values[0][:60])) for values in places.values())
    name = _zone_at(lat, lon)
    if not name:
        return "UTC", _note("the zone of its position is not known here")
    return name, Finding("zone-by-position", f"Times of day in notes were read as those of {name}, "
                         "by the position; `zone` in the boat file says otherwise.", "note")


def _zone_at(lat: float, lon: float) -> str:
    """The zone of a position; off shore that of the nearest coast, on an ocean the nautical."""
    try:
        from timezonefinder import TimezoneFinder

        finder = TimezoneFinder()
        here = finder.timezone_at(lat=lat, lng=lon) or ""
        if here and not here.startswith("Etc/"):
            return here
        bearings = np.radians(np.arange(0.0, 360.0, 30.0))
        for away in COAST_DEG:
            for north, east in zip(np.cos(bearings), np.sin(bearings), strict=True):
                there = finder.timezone_at(
                    lat=float(np.clip(lat + away * north, -89.0, 89.0)),
                    lng=float((lon + away * east / np.cos(np.radians(lat)) + 180) % 360 - 180))
                if there and not there.startswith("Etc/"):
                    return there
    except (ImportError, ValueError, OSError):
        return ""
    return here


def _note(why: str) -> Finding:
    return Finding("zone-unknown", f"Times of day in notes were read as UTC, as {why}; `zone` in "
                   "the boat file names another.")
