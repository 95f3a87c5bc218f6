"""Logs that cannot be one boat: their places lie apart beyond what any clock explains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from sailanalysis.core.errors import LogError
from sailanalysis.core.geo import local_xy_m
from sailanalysis.core.model import Floats
from sailanalysis.core.units import MS_TO_KN
from sailanalysis.read.merge.merge import Source
from sailanalysis.read.reading import ClockKind
from sailanalysis.read.wording import time_words

APART_M: Final = 500.0
"""Two receivers of one boat never differ so far for half of the time they share."""
SHARED_S: Final = 60.0
STEP_S: Final = 10.0
FIXES: Final = 500
"""Fixes of a track that are compared with another's."""
UNDER_WAY_M: Final = 1000.0
"""A track this wide would have been matched by its shape, had a clock been wrong."""
TOO_FAST_KN: Final = 100.0
"""No boat on a trailer is faster from the end of one log to the beginning of the next."""
FAR_M: Final = 20_000.0


@dataclass(frozen=True)
class _Track:
    name: str
    clock: ClockKind
    time_s: Floats
    lat: Floats
    lon: Floats

    def width_m(self) -> float:
        east, north = local_xy_m(self.lat, self.lon, float(self.lat[0]), float(self.lon[0]))
        return float(np.hypot(np.ptp(east), np.ptp(north)))


def refuse_two_boats(sources: Sequence[Source]) -> None:
    """Raise where logs were at different places at the same time.

    Parameters
    ----------
    sources : sequence of Source
        Of one day, on clocks put right where they could be.

    Raises
    ------
    LogError
        Naming the files.
    """
    tracks = [track for source in sources if (track := _track(source)) is not None]
    tracks.sort(key=lambda track: float(track.time_s[0]))
    for k, one in enumerate(tracks):
        for n, other in enumerate(tracks[k + 1:]):
            together = _shared_s(one, other) >= SHARED_S
            why = _apart(one, other) if together else "" if n else _too_fast(one, other)
            if why:
                raise LogError(f"{one.name} and {other.name} cannot be of one boat: {why}. Give "
                               "the logs of one boat.")


def _track(source: Source) -> _Track | None:
    """A fix every ten seconds or so from the source with most fixes."""
    streams = {(s.channel, s.source): s for s in source.reading.streams}
    best: _Track | None = None
    for (channel, name), lat in streams.items():
        lon = streams.get(("lon", name))
        if channel != "lat" or lon is None or lat.time_s.size != lon.time_s.size:
            continue
        _, keep = np.unique(np.floor(lat.time_s / STEP_S), return_index=True)
        if keep.size > 3 and (best is None or keep.size > best.time_s.size):
            best = _Track(source.name, source.reading.clock, lat.time_s[keep], lat.value[keep],
                          lon.value[keep])
    return best


def _shared_s(one: _Track, other: _Track) -> float:
    return float(min(one.time_s[-1], other.time_s[-1]) - max(one.time_s[0], other.time_s[0]))


def _apart(one: _Track, other: _Track) -> str:
    """Why two logs of the same hours cannot be of one boat; empty where they can."""
    apart = _apart_m(one, other)
    if not apart > APART_M or _may_be_clocks(one, other):
        return ""
    start = float(max(one.time_s[0], other.time_s[0]))
    end = float(min(one.time_s[-1], other.time_s[-1]))
    return (f"at the same time, from {time_words(start)} to {time_words(end)}, they lie "
            f"{_miles(apart)} apart")


def _too_fast(one: _Track, other: _Track) -> str:
    first, then = (one, other) if one.time_s[-1] <= other.time_s[-1] else (other, one)
    last, begin = slice(-30, None), slice(0, 30)
    east, north = local_xy_m(np.median(then.lat[begin]), np.median(then.lon[begin]),
                             float(np.median(first.lat[last])), float(np.median(first.lon[last])))
    away = float(np.hypot(east, north))
    seconds = max(float(then.time_s[0] - first.time_s[-1]), 1.0)
    if away < FAR_M or away / seconds * MS_TO_KN < TOO_FAST_KN:
        return ""
    return f"{_miles(away)} lie between the end of one and the beginning of the other"


def _apart_m(one: _Track, other: _Track) -> float:
    """Median distance at the same times; NaN where they share none."""
    at = np.searchsorted(one.time_s, other.time_s).clip(1, one.time_s.size - 1)
    near = np.minimum(np.abs(one.time_s[at] - other.time_s),
                      np.abs(one.time_s[at - 1] - other.time_s)) <= SHARED_S
    inside = near & (other.time_s >= one.time_s[0]) & (other.time_s <= one.time_s[-1])
    if inside.sum() < 3:
        return float("nan")
    place = float(np.median(one.lat)), float(np.median(one.lon))
    ax, ay = local_xy_m(one.lat[at[inside]], one.lon[at[inside]], *place)
    bx, by = local_xy_m(other.lat[inside], other.lon[inside], *place)
    return float(np.median(np.hypot(ax - bx, ay - by)))


def _may_be_clocks(one: _Track, other: _Track) -> bool:
    """Whether the same water was sailed at other times, so that a clock may be what is wrong."""
    if one.clock == other.clock == "gps" and min(one.width_m(), other.width_m()) > UNDER_WAY_M:
        return False
    a, b = (slice(None, None, max(1, t.time_s.size // FIXES)) for t in (one, other))
    nearest = []
    for lat, lon in zip(other.lat[b].tolist(), other.lon[b].tolist(), strict=True):
        east, north = local_xy_m(one.lat[a], one.lon[a], lat, lon)
        nearest.append(float(np.min(np.hypot(east, north))))
    return float(np.median(nearest)) <= APART_M


def _miles(metres: float) -> str:
    return f"{metres / 1852.0:,.1f} NM" if metres < 185_200 else f"{metres / 1852.0:,.0f} NM"
