"""GPX 1.0 and 1.1 tracks, read as a stream from untrusted XML.

A document type declaration is refused before anything in it is looked at, so no entity is ever
defined, expanded or fetched. Depth, the length of one value and of one token are limited.
"""

from __future__ import annotations

import re
from array import array
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, BinaryIO, Final
from xml.parsers import expat

import numpy as np

from sailanalysis.core.angles import arctan2d, cosd, wrap180, wrap360
from sailanalysis.core.errors import Finding
from sailanalysis.core.geo import radii_m
from sailanalysis.core.model import Floats, Stream
from sailanalysis.core.units import MS_TO_KN
from sailanalysis.read.clock.instants import near_the_rest
from sailanalysis.read.csv.time import iso_seconds
from sailanalysis.read.formats import Head
from sailanalysis.read.reading import ReadContext, Reading

MAX_DEPTH: Final = 64
"""GPX nests six deep, extensions a few more."""
MAX_TEXT: Final = 4096
"""No value of a point is longer."""
MAX_TOKEN_BYTES: Final = 4 << 20
"""No tag, comment or text run of a track is longer; beyond, the parser's work would explode."""
_PIECE: Final = 1 << 18
_BATCH: Final = 20_000

MAX_SOURCES: Final = 20
"""More receivers than this on one boat are a mistake in the times."""

DERIVED_HALF_SPAN_S: Final = 2.0
"""Half the span of the central difference that gives speed and course where the file has none: a
position rounded to 1e-5 deg (1.1 m) then costs about 0.5 kn at worst, and a tack still shows."""
DERIVED_MAX_SPAN_S: Final = 120.0
"""Over a longer step nobody knows which way the boat went between."""
STANDSTILL_M: Final = 1.0
"""Below this displacement a course over ground means nothing; about a receiver's jitter."""

_VALUES: Final = {"speed": "speed", "course": "course", "wtemp": "water_temp_c",
                  "atemp": "air_temp_c", "depth": "depth_m", "magvar": "variation_deg"}
"""Local names of values taken from a point or its extensions."""


_ROOT: Final = re.compile(rb"<(?:\w+:)?gpx[\s>/]|<!DOCTYPE\s+(?:\w+:)?gpx", re.IGNORECASE)


class _RefusedError(Exception):
    """The document oversteps what a track log needs."""


@dataclass
class _Segment:
    """Points of one track segment, as written."""

    track: int
    lat: array[float] = field(default_factory=lambda: array("d"))
    lon: array[float] = field(default_factory=lambda: array("d"))
    values: dict[str, tuple[array[int], array[float]]] = field(default_factory=dict)


@dataclass
class _Track:
    """Points of one source in order of time; ``piece`` numbers the segment each came from."""

    time_s: Floats
    lat: Floats
    lon: Floats
    piece: np.ndarray[Any, Any]
    values: dict[str, Floats]


@dataclass
class _Group:
    """Tracks that follow one another, as of one receiver."""

    pieces: list[tuple[_Segment, Floats]] = field(default_factory=list)
    spans: list[tuple[float, float]] = field(default_factory=list)
    start: float = float("inf")
    end: float = float("-inf")

    def meets(self, own: list[tuple[float, float]]) -> bool:
        """Whether any of a track's spans of time meets one of the group's."""
        if max(b for _, b in own) <= self.start or min(a for a, _ in own) >= self.end:
            return False
        if len(own) * len(self.spans) > 1_000_000:
            return True
        low, high = np.array(self.spans).T
        return any(bool(((a < high) & (low < b)).any()) for a, b in own)

    def add(self, pieces: list[tuple[_Segment, Floats]], own: list[tuple[float, float]]) -> None:
        """Take a track in."""
        self.pieces += pieces
        self.spans += own
        self.start = min(self.start, *(a for a, _ in own))
        self.end = max(self.end, *(b for _, b in own))


class _Gatherer:
    """Expat callbacks that keep track points and nothing else."""

    def __init__(self, reading: Reading) -> None:
        self.reading = reading
        self.segments: list[_Segment] = []
        self.times: list[bytes] = []
        self._texts: list[str] = []
        self.tracks = 0
        self.depth = 0
        self.bad_values = 0
        self._segment: _Segment | None = None
        self._inside = False
        self._text: list[str] | None = None
        self._length = 0
        self._time = ""
        self._found: dict[str, float] = {}
        self._place = (0.0, 0.0)
        self._fault = ""
        self._mark: dict[str, str] | None = None
        parser = expat.ParserCreate()
        parser.buffer_text = True
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.StartDoctypeDeclHandler = self._refuse_doctype
        parser.EntityDeclHandler = self._refuse_doctype
        self.parser = parser

    def _refuse_doctype(self, *_: object) -> None:
        raise _RefusedError("it declares a document type, which a track log does not need")

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self.depth += 1
        if self.depth > MAX_DEPTH:
            raise _RefusedError(f"it nests deeper than {MAX_DEPTH} elements")
        if ":" in name:
            name = name.rpartition(":")[2]
        if self._inside:
            if name == "time" or name in _VALUES:
                self._text = []
                self._length = 0
                self.parser.CharacterDataHandler = self._characters
        elif name == "trkpt":
            self._begin(attributes)
        elif self._mark is not None and name in ("time", "name"):
            self._text, self._length = [], 0
            self.parser.CharacterDataHandler = self._characters
        elif name in ("wpt", "rtept"):
            self.reading.lines += 1
            self.reading.used += 1
            self._mark = {} if name == "wpt" else None
            self.reading.ignored += name == "rtept"
        elif name == "trkseg":
            self._segment = _Segment(self.tracks)
            self.segments.append(self._segment)
        elif name == "trk":
            self.tracks += 1
            self._segment = None

    def _begin(self, attributes: dict[str, str]) -> None:
        self.reading.lines += 1
        self._inside, self._time, self._found, self._fault = True, "", {}, ""
        try:
            lat, lon = float(attributes["lat"]), float(attributes["lon"])
        except (KeyError, ValueError):
            self._fault = "no position"
            return
        if not (-90.0 <= lat <= 90.0 and -180.0 <= lon <= 180.0):
            self._fault = "impossible position"
        self._place = (lat, lon)

    def _characters(self, text: str) -> None:
        self._length += len(text)
        if self._length > MAX_TEXT:
            raise _RefusedError("a value of a point is longer than any number or time")
        if self._text is not None:
            self._text.append(text)

    def _end(self, name: str) -> None:
        self.depth -= 1
        if self._mark is not None:
            self._end_of_mark(name.rpartition(":")[2], self._mark)
            return
        if not self._inside:
            return
        if ":" in name:
            name = name.rpartition(":")[2]
        if self._text is not None:
            text = "".join(self._text).strip()
            self._text = None
            self.parser.CharacterDataHandler = None
            if name == "time":
                self._time = " ".join(text.split())  # one line each, as they are packed
            elif text and name in _VALUES:
                self._value(name, text)
        if name == "trkpt":
            self._inside = False
            self._keep()

    def _end_of_mark(self, name: str, mark: dict[str, str]) -> None:
        """A waypoint with a time and a name is a note of the crew at that time."""
        if self._text is not None and name in ("time", "name"):
            mark[name] = " ".join("".join(self._text).split())
            self._text = None
            self.parser.CharacterDataHandler = None
        if name != "wpt":
            return
        self._mark = None
        try:
            when = datetime.fromisoformat(mark.get("time", ""))
        except ValueError:
            when = None
        if when is None or not mark.get("name"):
            self.reading.ignored += 1
            return
        when = when if when.tzinfo is not None else when.replace(tzinfo=UTC)
        self.reading.modes.append((when.timestamp(), "note", mark["name"]))

    def _value(self, name: str, text: str) -> None:
        try:
            value = float(text)
        except ValueError:
            self.bad_values += 1
            return
        if abs(value) < 1e9:  # neither NaN nor infinite
            self._found[_VALUES[name]] = value
        else:
            self.bad_values += 1

    def _keep(self) -> None:
        fault = self._fault or ("" if self._time else "no time")
        if fault:
            self.reading.rejected[fault] += 1
            return
        if self._segment is None:
            self._segment = _Segment(self.tracks)
            self.segments.append(self._segment)
        segment = self._segment
        for name, value in self._found.items():
            at, kept = segment.values.setdefault(name, (array("q"), array("d")))
            at.append(len(segment.lat))
            kept.append(value)
        segment.lat.append(self._place[0])
        segment.lon.append(self._place[1])
        self._texts.append(self._time)
        if len(self._texts) == _BATCH:
            self.pack()

    def pack(self) -> None:
        """Keep the texts of times so far as bytes, a third of the strings' size."""
        self.times.append("\n".join(self._texts).encode())
        self._texts = []

    def cut(self) -> None:
        """The file ended inside a point."""
        if self._inside:
            self._inside = False
            self.reading.rejected["cut record"] += 1


def recognise(head: Head) -> float:
    """Whether it is XML whose root is ``gpx``.

    Parameters
    ----------
    head : Head

    Returns
    -------
    float
        1 or 0.
    """
    return float(head.is_markup and bool(_ROOT.search(head.start)))


def read(handle: BinaryIO, context: ReadContext) -> Reading:
    """Read the tracks of a GPX file.

    Parameters
    ----------
    handle : binary stream
        Read once, forwards.
    context : ReadContext

    Returns
    -------
    Reading
        ``lat``, ``lon``, ``sog_kn``, ``cog_deg`` and what extensions give; a record is a point.
        Where the file has no speed or course they are derived from the positions by central
        differences, never across a segment's end, with the source ``gpx positions``. Every end of
        a segment is in ``breaks_s``.

    Notes
    -----
    Times without a zone are UTC, as the format demands. Routes and waypoints are no record of
    where the boat was and are only counted.
    """
    reading = Reading("GPX", clock="gps")
    gatherer = _Gatherer(reading)
    _feed(gatherer, handle, context)
    if gatherer.bad_values:
        reading.findings.append(Finding(
            "gpx-unreadable-value", f"{context.name}: {gatherer.bad_values} speeds, courses or "
            "temperatures are no numbers and count as missing."))
    gatherer.pack()
    times = _seconds(gatherer.times, reading, context)
    sources = _sources(gatherer.segments, times, reading, context)
    gatherer.segments.clear()
    for number, track in enumerate(sources):
        _streams(track, f" {number + 1}" if len(sources) > 1 else "", reading, context)
    if not sources:
        reading.clock = "none"
        reading.findings.append(Finding(
            "gpx-no-track", f"{context.name}: holds no track point with a place and a time."))
    return reading


def _feed(gatherer: _Gatherer, handle: BinaryIO, context: ReadContext) -> None:
    parser, fed = gatherer.parser, 0
    say = gatherer.reading.findings.append
    try:
        while True:
            piece = handle.read(_PIECE)
            fed += len(piece)
            parser.Parse(piece, not piece)
            if not piece:
                return
            if fed - parser.CurrentByteIndex > MAX_TOKEN_BYTES:
                raise _RefusedError(
                    f"one tag or text is longer than {MAX_TOKEN_BYTES >> 20} MB")
    except _RefusedError as refused:
        gatherer.cut()
        say(Finding("gpx-refused", f"{context.name}: reading stopped at line "
                    f"{parser.CurrentLineNumber}: {refused}."))
    except (expat.ExpatError, UnicodeError, LookupError, ValueError) as fault:
        gatherer.cut()
        what = expat.ErrorString(fault.code) if isinstance(fault, expat.ExpatError) else str(fault)
        say(Finding("gpx-damaged", f"{context.name}: the file is damaged or cut at line "
                    f"{parser.CurrentLineNumber} ({what}); what stands before was read."))


# ------------------------------------------------------------------------------- tracks
def _spans(pieces: list[tuple[_Segment, Floats]]) -> list[tuple[float, float]]:
    """First and last time of every piece that has times."""
    return [(float(np.nanmin(t)), float(np.nanmax(t))) for _, t in pieces if np.isfinite(t).any()]


def _by_receiver(segments: list[_Segment], times: Floats) -> list[_Group]:
    """Tracks of the same number go together, and those that never run at the same time."""
    tracks: dict[int, list[tuple[_Segment, Floats]]] = {}
    start = 0
    for segment in segments:
        count = len(segment.lat)
        if count:
            tracks.setdefault(segment.track, []).append((segment, times[start:start + count]))
        start += count
    groups: list[_Group] = []
    for pieces in tracks.values():
        spans = _spans(pieces)
        if not spans:
            continue
        group = next((group for group in groups if not group.meets(spans)), None)
        if group is None:
            if len(groups) < MAX_SOURCES:
                groups.append(_Group())
            group = groups[-1]
        group.add(pieces, spans)
    return groups


def _sources(segments: list[_Segment], times: Floats, reading: Reading,
             context: ReadContext) -> list[_Track]:
    """Points by source: tracks that run at the same time come from different receivers."""
    joined = [_join(group.pieces) for group in _by_receiver(segments, times)]
    unlike: list[_Track] = []
    for track in joined:
        if not any(_same(track, other) for other in unlike):
            unlike.append(track)
    used = int(np.isfinite(times).sum())
    reading.used += used
    if used < times.size:
        reading.rejected["no readable time"] += times.size - used
    if len(unlike) < len(joined):
        reading.findings.append(Finding(
            "gpx-repeated-track", f"{context.name}: {len(joined) - len(unlike)} tracks stand in "
            "the file twice and count once.", "note"))
    return unlike


def _join(pieces: list[tuple[_Segment, Floats]]) -> _Track:
    time = np.concatenate([t for _, t in pieces])
    lat = np.concatenate([np.frombuffer(s.lat) for s, _ in pieces])
    lon = np.concatenate([np.frombuffer(s.lon) for s, _ in pieces])
    piece = np.repeat(np.arange(len(pieces)), [len(t) for _, t in pieces])
    values: dict[str, Floats] = {}
    start = 0
    for segment, t in pieces:
        for name, (at, value) in segment.values.items():
            column = values.setdefault(name, np.full(time.size, np.nan))
            column[start + np.frombuffer(at, dtype=np.int64)] = np.frombuffer(value)
        start += len(t)
    order = np.argsort(time, kind="stable")
    order = order[np.isfinite(time[order])]
    if order.size > 1:
        same = ((np.diff(time[order]) == 0) & (np.diff(lat[order]) == 0)
                & (np.diff(lon[order]) == 0))
        order = order[np.concatenate([[True], ~same])]
    return _Track(time[order], lat[order], lon[order], piece[order],
                  {name: column[order] for name, column in values.items()})


def _same(one: _Track, other: _Track) -> bool:
    return (one.time_s.size == other.time_s.size and bool(
        (one.time_s == other.time_s).all() and (one.lat == other.lat).all()
        and (one.lon == other.lon).all()))


def _seconds(packed: list[bytes], reading: Reading, context: ReadContext) -> Floats:
    """Seconds since 1970 UTC of ISO texts, one a line; NaN where unreadable."""
    import pyarrow as pa

    parts: list[Floats] = []
    zoned = False
    for piece in packed:
        if not piece:
            continue
        texts = piece.decode().split("\n")
        cells = pa.array(texts, type=pa.string())
        try:
            nanos = cells.cast(pa.timestamp("ns", "UTC")).cast(pa.int64()).to_numpy()
            parts.append(nanos // 1_000_000_000 + (nanos % 1_000_000_000) / 1e9)
            zoned = True
        except pa.ArrowInvalid:
            parts.append(iso_seconds(cells, False))
            zoned |= any(text.endswith("Z") or "+" in text for text in texts[:1000])
    if parts and not zoned:
        reading.clock = "local"
        reading.findings.append(Finding(
            "gpx-no-zone", f"{context.name}: the times name no zone; taken as UTC, as the format "
            "demands.", "note"))
    seconds = np.concatenate(parts) if parts else np.zeros(0)
    return near_the_rest(np.asarray(seconds, dtype=float), reading.findings, context.name)


# ------------------------------------------------------------------------------- streams
def _streams(track: _Track, number: str, reading: Reading, context: ReadContext) -> None:
    if not track.time_s.size:
        return

    def add(channel: str, source: str, value: Floats) -> None:
        fine = np.isfinite(value)
        if fine.any():
            reading.streams.append(Stream(channel, source + number, track.time_s[fine],
                                          value[fine], context.file))

    add("lat", "gpx", track.lat)
    add("lon", "gpx", track.lon)
    change = np.flatnonzero(np.diff(track.piece) != 0)
    ahead = track.time_s[change + 1]
    reading.breaks_s += [float(t) for t in 0.5 * (track.time_s[change] + ahead)]
    derived_sog, derived_cog = speed_and_course(track.time_s, track.lat, track.lon, track.piece)
    speed = track.values.pop("speed", None)
    if speed is not None and np.isfinite(speed).mean() > 0.05:
        add("sog_kn", "gpx", speed * _speed_unit(speed, derived_sog, reading, context))
    else:
        add("sog_kn", "gpx positions", derived_sog)
    course = track.values.pop("course", None)
    if course is not None and np.isfinite(course).mean() > 0.05:
        usable = (course >= 0) & (course <= 360)
        add("cog_deg", "gpx", np.where(usable, wrap360(course), np.nan))
    else:
        add("cog_deg", "gpx positions", derived_cog)
    for name, value in track.values.items():
        add(name, "gpx", wrap180(value) if name == "variation_deg" else value)


def _speed_unit(speed: Floats, derived_kn: Floats, reading: Reading,
                context: ReadContext) -> float:
    """Factor to knots; metres per second unless the positions clearly say otherwise."""
    moving = np.isfinite(speed) & np.isfinite(derived_kn) & (derived_kn > 2.0) & (speed > 0)
    if moving.sum() < 30:
        return MS_TO_KN
    ratio = float(np.median(speed[moving] / (derived_kn[moving] / MS_TO_KN)))
    for factor, unit in ((3.6, "km/h"), (MS_TO_KN, "knots")):
        # The three units lie a factor 1.9 apart; 10 % cannot mix them up.
        if abs(ratio / factor - 1.0) < 0.1:
            reading.findings.append(Finding(
                "gpx-speed-unit", f"{context.name}: speeds are {ratio:.2f} times what the "
                f"positions give in m/s; read as {unit}.", "note", channel="sog_kn"))
            return MS_TO_KN / factor
    return MS_TO_KN


def speed_and_course(time_s: Floats, lat: Floats, lon: Floats,
                     piece: np.ndarray[Any, Any]) -> tuple[Floats, Floats]:
    """Speed and course over ground from positions, by central differences.

    Parameters
    ----------
    time_s, lat, lon : ndarray, shape (n,)
        Time not decreasing.
    piece : ndarray of int, shape (n,)
        Number of the segment each point belongs to; no difference reaches into another.

    Returns
    -------
    sog_kn, cog_deg : ndarray, shape (n,)
        Over the points nearest to ``DERIVED_HALF_SPAN_S`` before and after (at least one step
        each way), one-sided at a segment's ends; NaN where undefined. Course is NaN below
        ``STANDSTILL_M`` of displacement.
    """
    n = time_s.size
    if n < 2:
        return np.full(n, np.nan), np.full(n, np.nan)
    index = np.arange(n)
    edges = np.flatnonzero(np.diff(piece) != 0) + 1
    start = np.concatenate([[0], edges])
    end = np.concatenate([edges, [n]]) - 1
    which = np.searchsorted(edges, index, side="right")
    before = np.searchsorted(time_s, time_s - DERIVED_HALF_SPAN_S - 1e-6, side="left")
    after = np.searchsorted(time_s, time_s + DERIVED_HALF_SPAN_S + 1e-6, side="right") - 1
    before = np.maximum(np.minimum(before, index - 1), start[which])
    after = np.minimum(np.maximum(after, index + 1), end[which])
    span = time_s[after] - time_s[before]
    middle = 0.5 * (lat[after] + lat[before])
    meridian, prime = radii_m(middle)
    north = np.radians(lat[after] - lat[before]) * meridian
    east = np.radians(wrap180(lon[after] - lon[before])) * prime * cosd(middle)
    length = np.hypot(east, north)
    known = (span > 0) & (span <= DERIVED_MAX_SPAN_S)
    sog = np.where(known, length / np.where(known, span, 1.0) * MS_TO_KN, np.nan)
    cog = np.where(known & (length >= STANDSTILL_M), wrap360(arctan2d(east, north)), np.nan)
    return sog, cog
