"""Units of columns that name none, told by what the columns say of each other.

Speeds are held against the way between the positions; bearings against its direction. What is
overwhelming is read so and said; what only may be so is said, with what to write to settle it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from sailanalysis.core.angles import arctan2d, wrap180
from sailanalysis.core.channels import CHANNELS
from sailanalysis.core.errors import Finding
from sailanalysis.core.geo import steps_m
from sailanalysis.core.model import Floats, Stream
from sailanalysis.core.units import MS_TO_KN
from sailanalysis.read.reading import Reading

BLOCK_S: Final = 60.0
BLOCKS: Final = 10
"""Ten minutes under way."""
LEAST_KN: Final = 1.5
SPREAD: Final = 0.10
"""Ratios of one unit's mistake agree to a few per cent; half the blocks within a tenth."""
OFF: Final = 0.04
"""Speed over ground is the receiver's own: its ratio to its positions is one to within this."""
OFF_WATER: Final = 0.20
"""A stream and a log's error may stand between speed through the water and over ground."""
SAMPLES: Final = 300
TURN: Final = 2.0 * np.pi
BY_TRACK_DEG: Final = 20.0
HALF_CIRCLE: Final = 3.0
"""Bearings that span this in radians go half round; in degrees they were steered to a hair."""

_SPEED_UNITS: Final = (("m/s", MS_TO_KN), ("km/h", 1.0 / 1.852))
_SPEEDS: Final = ("sog_kn", "stw_kn", "aws_kn", "tws_logged_kn")


@dataclass(frozen=True)
class _Track:
    """Way between positions, a block at a time: middle of the block, speed and direction."""

    block: Floats
    speed_kn: Floats
    course_deg: Floats


def read_by_evidence(reading: Reading, unnamed: set[str], name: str) -> None:
    """Correct streams whose columns name no unit where the evidence is overwhelming.

    Parameters
    ----------
    reading : Reading
        Of one file; its streams and findings are changed.
    unnamed : set of str
        Sources (``csv HEADER``) whose column names no unit.
    name : str
        File name, for messages.
    """
    streams = [s for s in reading.streams if s.source in unnamed and s.time_s.size]
    track = _track_of(reading)
    _speeds(reading, streams, track, name)
    _angles(reading, streams, track, name)


def _unit_of(ratio: float | None, off: float) -> tuple[str, float] | None:
    """The unit whose factor makes a ratio one, within ``off``."""
    fits = [(unit, to_kn) for unit, to_kn in _SPEED_UNITS
            if ratio is not None and abs(ratio * to_kn - 1.0) <= off]
    return fits[-1] if fits else None


def _sure_unit(ratios: list[tuple[Stream, float | None]]) -> tuple[str, float, float] | None:
    """The unit that speed over ground shows, its knots, and the ratio to the positions."""
    told = [(*unit, ratio or 0.0) for s, ratio in ratios if s.channel == "sog_kn"
            and (unit := _unit_of(ratio, OFF)) is not None]
    return told[-1] if told else None


def _speeds(reading: Reading, streams: list[Stream], track: _Track | None, name: str) -> None:
    speeds = [s for s in streams if s.channel in _SPEEDS]
    if track is None or not speeds:
        return
    ratios = [(s, _ratio(s, track)) for s in speeds if s.channel in ("sog_kn", "stw_kn")]
    sure = _sure_unit(ratios)
    if sure is not None:
        unit, to_kn, times = sure
        wrong = [s for s in speeds if s.channel == "sog_kn" or _fits(s, track, to_kn)]
        _convert(reading, wrong, to_kn)
        reading.findings.append(Finding(
            "csv-unit-by-evidence", f"{name}: speed over ground is {times:.2f} times what the "
            f"positions give in knots, so {_cells(wrong)} {_are(wrong)} in {unit}, and "
            f"{_are(wrong, 'were', 'was')} read so.", channel="sog_kn"))
        return
    for stream, ratio in ratios:
        if stream.channel == "stw_kn":
            _doubt_speed(reading, stream, name, ratio)


def _fits(stream: Stream, track: _Track, to_kn: float) -> bool:
    """Whether a speed keeps company with one over ground in another unit: wind always does."""
    if stream.channel != "stw_kn":
        return True
    ratio = _ratio(stream, track)
    return ratio is None or abs(ratio * to_kn - 1.0) < abs(ratio - 1.0)


def _may_be_radians(stream: Stream) -> bool:
    """Whether an angle stays within a turn (half a turn to either side) in radians."""
    if not _is_angle(stream):
        return False
    most = TURN if CHANNELS[stream.channel].kind == "bearing" else np.pi
    return float(np.max(np.abs(stream.value))) <= most + 1e-3


def _doubt_speed(reading: Reading, stream: Stream, name: str, ratio: float | None) -> None:
    """Say that speed through the water may be in another unit."""
    unit = _unit_of(ratio, OFF_WATER)
    if unit is not None:
        _doubt(reading, stream, name, f"is {ratio or 0.0:.2f} times what the positions give "
               f"in knots: {unit[0]}?", "knots", unit[0])


def _is_bearing(stream: Stream) -> bool:
    return _is_angle(stream) and CHANNELS[stream.channel].kind == "bearing"


def _angles(reading: Reading, streams: list[Stream], track: _Track | None, name: str) -> None:
    compass = [s for s in streams if _is_bearing(s)]
    bearings = [s for s in filter(_may_be_radians, compass)
                if s.value.size >= 100 and float(np.ptp(s.value)) > 0.2]
    if any(_surely_radians(s, track) for s in bearings) and all(map(_may_be_radians, compass)):
        wrong = [*filter(_may_be_radians, streams),
                 *(s for s in streams if s.channel == "rate_of_turn_deg_s")]
        _convert(reading, wrong, float(np.degrees(1.0)))
        reading.findings.append(Finding(
            "csv-unit-by-evidence", f"{name}: {_cells(bearings)} never "
            f"{_are(bearings, 'exceed', 'exceeds')} 6.283, so {_cells(wrong)} {_are(wrong)} "
            f"in radians, and {_are(wrong, 'were', 'was')} read so.",
            channel=bearings[0].channel))
        return
    for stream in bearings:
        _doubt(reading, stream, name, "never exceeds 6.283: radians?", "degrees", "rad")


def _is_angle(stream: Stream) -> bool:
    channel = CHANNELS.get(stream.channel)
    return (channel is not None and channel.unit == "deg"
            and stream.channel not in ("lat", "lon", "variation_deg"))


def _surely_radians(stream: Stream, track: _Track | None) -> bool:
    if stream.value.size < SAMPLES:
        return False
    if float(np.ptp(stream.value)) > HALF_CIRCLE:
        return True
    if track is None or stream.channel not in ("cog_deg", "hdg_deg"):
        return False
    seen = _by_block(stream.time_s, np.exp(1j * stream.value), track.block)
    use = np.isfinite(seen) & (track.speed_kn > LEAST_KN)
    if use.sum() < BLOCKS:
        return False
    as_radians = np.degrees(np.angle(seen[use]))
    in_degrees = np.median(stream.value)
    off = np.median(np.abs(wrap180(as_radians - track.course_deg[use])))
    return bool(off < BY_TRACK_DEG and np.median(
        np.abs(wrap180(in_degrees - track.course_deg[use]))) > 2.0 * off + 10.0)


# ------------------------------------------------------------------------------- what is said
def _convert(reading: Reading, wrong: list[Stream], factor: float) -> None:
    gone = {id(s) for s in wrong}
    reading.streams = [replace(s, value=_wrapped(s, s.value * factor)) if id(s) in gone else s
                       for s in reading.streams]


def _wrapped(stream: Stream, value: Floats) -> Floats:
    kind = CHANNELS[stream.channel].kind
    if kind == "bearing":
        return np.asarray(np.mod(value, 360.0), dtype=float)
    return np.asarray(wrap180(value), dtype=float) if kind == "angle" else value


def _doubt(reading: Reading, stream: Stream, name: str, what: str, read_as: str,
           unit: str) -> None:
    cell = stream.source.removeprefix("csv ")
    reading.findings.append(Finding(
        "csv-doubtful-unit", f"{name}: {cell!r} {what} It was read as {read_as}; if it is in "
        f"{unit}, write \"{cell}\" = \"{stream.channel.replace('_logged', '')} ({unit})\" under "
        "[columns] in the boat file.", channel=stream.channel))


def _cells(streams: Iterable[Stream]) -> str:
    cells = [repr(s.source.removeprefix("csv ")) for s in streams]
    return cells[0] if len(cells) == 1 else f"{', '.join(cells[:-1])} and {cells[-1]}"


def _are(streams: list[Stream], many: str = "are", single: str = "is") -> str:
    return many if len(streams) > 1 else single


# ------------------------------------------------------------------------------- the track
def _track_of(reading: Reading) -> _Track | None:
    lat = next((s for s in reading.streams if s.channel == "lat"), None)
    lon = next((s for s in reading.streams if s.channel == "lon"), None)
    if lat is None or lon is None or not np.array_equal(lat.time_s, lon.time_s):
        return None
    block, first = np.unique(np.floor(lat.time_s / BLOCK_S), return_index=True)
    if block.size < BLOCKS:
        return None
    east, north = (part[1:] for part in steps_m(lat.value[first], lon.value[first]))
    seconds = np.diff(lat.time_s[first])
    good = seconds < 2.0 * BLOCK_S
    speed = np.hypot(east, north) / seconds * MS_TO_KN
    course = np.asarray(arctan2d(east, north), dtype=float)
    return _Track(block[:-1][good], speed[good], course[good])


def _ratio(stream: Stream, track: _Track) -> float | None:
    """A logged speed over the positions' own; None where they do not keep one ratio."""
    seen = _by_block(stream.time_s, stream.value, track.block).real
    use = np.isfinite(seen) & (track.speed_kn > LEAST_KN)
    if use.sum() < BLOCKS:
        return None
    ratio = seen[use] / track.speed_kn[use]
    low, middle, high = np.percentile(ratio, [25, 50, 75])
    # A tack within a block shortens the way: the bulk is what counts.
    return float(middle) if high - low < 2.0 * SPREAD * middle else None


def _by_block(time_s: Floats, value: Floats, block: Floats) -> Floats:
    """Mean of the samples in each block; NaN of none."""
    number = np.floor(time_s / BLOCK_S)
    at = np.searchsorted(block, number)
    inside = (at < block.size) & (block[np.minimum(at, block.size - 1)] == number)
    count = np.bincount(at[inside], minlength=block.size)
    parts = [np.bincount(at[inside], part[inside], minlength=block.size)
             for part in (np.real(value), np.imag(value))]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((parts[0] + 1j * parts[1]) / count)
