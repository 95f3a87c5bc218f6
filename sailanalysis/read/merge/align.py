"""Clocks of several loggers put on one: the offset at which their tracks or courses agree.

A phone's track, a bus capture and a plotter's log of one day each have their own clock. Where two
of them saw the same sailing, one time shift makes the two tracks coincide; it is found over all
shifts at once by cross-correlation, refined by least squares, and applied only where no other
shift comes near it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from sailanalysis.core.angles import cosd, sind, wrap180
from sailanalysis.core.errors import Finding
from sailanalysis.core.geo import local_xy_m
from sailanalysis.core.model import Floats, Stream
from sailanalysis.core.stats import Z95
from sailanalysis.read.reading import Reading
from sailanalysis.read.wording import span_words

_ORDER: Final = {"gps": 0, "stamped": 1, "local": 2, "none": 3}
MOVING_MS: Final = 1.0
"""Below 2 kn the receivers' noise, not the boat, draws the track; common practice."""
LEAST_MOVING_S: Final = 180.0
"""Three minutes under way hold a turn or a change of speed to hang the match on."""
GAP_S: Final = 30.0
"""Longer gaps between positions are left open."""
RECEIVER_M: Final = 10.0
"""Two receivers on one boat agree to about this."""
APART_M: Final = 50.0
"""Tracks that stay further apart than this at their best are of two boats."""
BESIDE_S: Final = 60.0
"""Shifts nearer than this are the same answer."""
SATELLITE_SLACK_S: Final = 14 * 3600.0
"""Two satellite clocks may differ by a leap-second table or a zone taken for UTC, not by days."""
LONGEST_S: Final = 10 * 86400.0
"""So much of a log places its clock; a log that spans years (a date once wrong) costs no more."""
SAME_CLOCK_S: Final = 3.0
"""Files of one logger differ by less than this; its clock drifts a second or two in a day."""
LEAST_OFFSET_S: Final = {True: 2.0, False: 1.0}
"""Positions reach a log up to a second or two late; a smaller offset is that. True: both clocks
are the satellites' own."""


@dataclass(frozen=True)
class Match:
    """How far one clock is from another.

    Attributes
    ----------
    offset_s : float
        To add to the second log's times.
    half_width_s : float
        Half the 95 % interval.
    seconds : float
        Time under way that both logs saw.
    by : str
        ``tracks`` or ``courses``.
    """

    offset_s: float
    half_width_s: float
    seconds: float
    by: str


def _match(readings: Sequence[Reading], k: int, tries: list[int], signals: dict[int, _Signals],
           matches: dict[int, tuple[Match, int]]) -> tuple[Match, int] | None:
    """How far a log is off, by the first of some placed ones that places it."""
    for j in tries:
        for n in (j, k):
            if n not in signals:
                signals[n] = _signals(readings[n])
        satellites = readings[j].clock == readings[k].clock == "gps"
        match = find_offset(signals[j], signals[k],
                            SATELLITE_SLACK_S if satellites else float("inf"))
        if match is not None:
            base = matches[j][0].offset_s if j in matches else 0.0
            return replace(match, offset_s=match.offset_s + base), j
    return None


def _trust(reading: Reading) -> tuple[int, float]:
    """Rank of a log as a measure of time for others: its kind of clock, then its length."""
    return _ORDER[reading.clock], -_seconds(reading)


def _is_lost(reading: Reading, placed: list[Reading]) -> bool:
    """Whether a log without satellite time shares no time with any that is placed."""
    return reading.clock != "gps" and not any(_overlap_s(other, reading) > 0 for other in placed)


def align_clocks(readings: Sequence[Reading]) -> tuple[list[float], list[Finding]]:
    """Offsets that put several logs on one clock.

    Parameters
    ----------
    readings : sequence of Reading

    Returns
    -------
    offsets_s : list of float
        Seconds to add to each reading's times; 0.0 where it needs none or none is clear.
    findings : list of Finding
        Each applied offset with its 95 % interval, and logs that could not be placed.

    Notes
    -----
    Files of one logger (a rotation) share one offset, the mean of those found, also where a file
    by itself (an hour moored) tells nothing.
    """
    usable = [k for k, reading in enumerate(readings) if reading.streams]
    if len(usable) < 2:
        return [0.0] * len(readings), []
    order = sorted(usable, key=lambda k: _trust(readings[k]))
    matches: dict[int, tuple[Match, int]] = {}
    lost: list[int] = []
    placed: list[int] = [order[0]]
    signals: dict[int, _Signals] = {}
    for k in order[1:]:
        tries = [j for j in placed if _worth_trying(readings[j], readings[k])]
        tries.sort(key=lambda j: (_ORDER[readings[j].clock], -_overlap_s(readings[j], readings[k])))
        match = _match(readings, k, tries[:4], signals, matches)
        if match is not None:
            matches[k] = match
        elif tries and _is_lost(readings[k], [readings[j] for j in placed]):
            lost.append(k)
        placed.append(k)
    return _applied(readings, matches, lost)


def _mean_match(matches: list[Match]) -> Match:
    """Weighted mean of the offsets of one logger's files; a tenth of a second at least."""
    weight = np.array([1.0 / match.half_width_s**2 for match in matches])
    mean = float(np.average([match.offset_s for match in matches], weights=weight))
    half = float(max(1.0 / np.sqrt(weight.sum()), 0.1))
    return Match(mean, half, sum(match.seconds for match in matches), matches[0].by)


def _family(readings: Sequence[Reading], matches: dict[int, tuple[Match, int]], k: int,
            done: set[int]) -> tuple[list[int], Match]:
    """Files of one logger that share a clock with one of them, and their common offset."""
    family = [n for n, reading in enumerate(readings)
              if n == k or (n not in done and _one_logger(readings[k], reading))]
    several = [matches[n][0] for n in family if n in matches]
    if np.ptp([match.offset_s for match in several]) > SAME_CLOCK_S:
        return [k], _mean_match([matches[k][0]])
    return family, _mean_match(several)


def _applied(readings: Sequence[Reading], matches: dict[int, tuple[Match, int]],
             lost: list[int]) -> tuple[list[float], list[Finding]]:
    """One offset a logger, where it is more than a message's delay and its own uncertainty."""
    offsets, findings = [0.0] * len(readings), []
    done: set[int] = set()
    for k, (_, base) in matches.items():
        if k in done:
            continue
        family, match = _family(readings, matches, k, done)
        done.update(family)
        satellites = readings[k].clock == readings[base].clock == "gps"
        if abs(match.offset_s) > max(LEAST_OFFSET_S[satellites], match.half_width_s):
            for n in family:
                offsets[n] = match.offset_s
            findings.append(_aligned(readings[k], readings[base], len(family), match))
    findings += [Finding(
        "clock-not-aligned", f"The {readings[k].format} log shares no time with the others "
        "and no common track or course places it; its clock was left as it is. Give --date "
        "or --timezone if it is wrong.") for k in lost if k not in done]
    return offsets, findings


def _one_logger(one: Reading, other: Reading) -> bool:
    """Whether two files look like one logger's: format, kind of clock and the same sources."""
    if one.format != other.format or one.clock != other.clock or one.clock == "gps":
        return False
    mine, theirs = ({(s.channel, s.source) for s in reading.streams} for reading in (one, other))
    return len(mine & theirs) >= 0.5 * max(len(mine), len(theirs), 1)


def _aligned(moved: Reading, base: Reading, files: int, match: Match) -> Finding:
    way = "behind" if match.offset_s > 0 else "ahead of"
    size = span_words(abs(match.offset_s))
    what = f"{moved.format} log" if files == 1 else f"{files} {moved.format} logs"
    return Finding(
        "clock-aligned", f"The clock of the {what} is {size} {way} that of the {base.format} log "
        f"({abs(match.offset_s):.1f} s, give or take {match.half_width_s:.1f} s, from "
        f"{span_words(match.seconds)} of the same {match.by}); put right.", "note")


def _seconds(reading: Reading) -> float:
    start, end = _span(reading)
    return end - start


def _span(reading: Reading) -> tuple[float, float]:
    times = [s.time_s for s in reading.streams if s.time_s.size]
    if not times:
        return 0.0, 0.0
    return min(float(t[0]) for t in times), max(float(t[-1]) for t in times)


def _overlap_s(one: Reading, other: Reading) -> float:
    (a, b), (c, d) = _span(one), _span(other)
    return min(b, d) - max(a, c)


def _worth_trying(base: Reading, other: Reading) -> bool:
    """Files that follow each other by the same kind of clock are a rotation, not a puzzle."""
    if base.format == other.format and base.clock == other.clock:
        return base.clock != "gps" and _overlap_s(base, other) > 0
    if base.clock == other.clock == "gps":
        return _overlap_s(base, other) > -SATELLITE_SLACK_S
    return True


# ------------------------------------------------------------------------------- signals
@dataclass(frozen=True)
class _Signals:
    """A log's movement on an even grid from ``start_s``; NaN where unknown."""

    start_s: float
    step_s: float
    lat: Floats
    lon: Floats
    course_deg: Floats
    speed_ms: Floats


def _best(reading: Reading, *channels: str) -> Stream | None:
    for channel in channels:
        streams = [s for s in reading.streams if s.channel == channel and s.time_s.size > 10]
        if streams:
            return max(streams, key=lambda s: s.time_s.size)
    return None


def _compared_span(reading: Reading) -> tuple[float, float]:
    """The whole span, or of a long one the ten days with most samples: memory is bounded so."""
    start, end = _span(reading)
    if end - start <= LONGEST_S:
        return start, end
    largest = max((s.time_s for s in reading.streams), key=lambda time_s: time_s.size)
    inside = np.searchsorted(largest, largest + LONGEST_S) - np.arange(largest.size)
    first = int(np.argmax(inside))
    return float(largest[first]), float(largest[first + int(inside[first]) - 1])


def _signals(reading: Reading) -> _Signals:
    start, end = _compared_span(reading)
    step = 1.0 if end - start < 2 * 86400 else 5.0
    size = int((end - start) / step) + 1
    grid: Floats = np.asarray(start + step * np.arange(size), dtype=float)
    nothing = np.full(size, np.nan)
    lat = lon = nothing
    lat_stream = _best(reading, "lat")
    if lat_stream is not None:
        twin = [s for s in reading.streams
                if s.channel == "lon" and s.source == lat_stream.source]
        if twin:
            lat = _on_grid(lat_stream.time_s, lat_stream.value, grid)
            centre = float(np.median(twin[0].value))
            lon = centre + _on_grid(twin[0].time_s, wrap180(twin[0].value - centre), grid)
            far = np.abs(lat - np.nanmedian(lat)) + np.abs(wrap180(lon - centre)) > 5.0
            lat, lon = np.where(far, np.nan, lat), np.where(far, np.nan, lon)
    course = _best(reading, "cog_deg", "hdg_deg", "hdg_mag_deg", "cog_mag_deg")
    course_deg = nothing
    if course is not None:
        east = _on_grid(course.time_s, sind(course.value), grid)
        north = _on_grid(course.time_s, cosd(course.value), grid)
        course_deg = np.degrees(np.arctan2(east, north))
    speed = _best(reading, "sog_kn", "stw_kn")
    speed_ms = nothing if speed is None else _on_grid(speed.time_s, speed.value, grid) * 1852 / 3600
    return _Signals(start, step, lat, lon, course_deg, speed_ms)


def _on_grid(time_s: Floats, value: Floats, grid: Floats) -> Floats:
    """Linear between samples no more than ``GAP_S`` apart."""
    keep = np.concatenate([[True], np.diff(time_s) > 0])
    time_s, value = time_s[keep], value[keep]
    out = np.interp(grid, time_s, value, left=np.nan, right=np.nan)
    at = np.clip(np.searchsorted(time_s, grid), 1, max(time_s.size - 1, 1))
    if time_s.size > 1:
        out[time_s[at] - time_s[at - 1] > GAP_S] = np.nan
    return out


# ------------------------------------------------------------------------------- matching
def find_offset(base: _Signals, other: _Signals, limit_s: float = float("inf")) -> Match | None:
    """The offset of one log's clock against another's, or None where it is not clear.

    Parameters
    ----------
    base, other : signals of two logs
    limit_s : float
        No larger offset is looked for.
    """
    if base.step_s != other.step_s:
        return None
    if np.isfinite(base.lat).sum() > 60 and np.isfinite(other.lat).sum() > 60:
        return _by_tracks(base, other, limit_s)
    return _by_courses(base, other, limit_s)


def _by_tracks(base: _Signals, other: _Signals, limit_s: float) -> Match | None:
    centre = float(np.nanmedian(other.lat)), float(np.nanmedian(other.lon))
    ax, ay = local_xy_m(base.lat, base.lon, *centre)
    bx, by = local_xy_m(other.lat, other.lon, *centre)
    apart = np.hypot(np.nanmedian(ax), np.nanmedian(ay))
    if not apart < 3e5:
        return None
    moving = _moving(bx, by, other.step_s)
    if moving.sum() * other.step_s < LEAST_MOVING_S:
        return None
    mean_square, count, shifts = _distances(ax + 1j * ay, np.where(moving, bx + 1j * by, np.nan))
    allowed = count >= 0.5 * moving.sum()
    allowed &= np.abs(base.start_s - other.start_s + shifts * base.step_s) <= limit_s
    if not allowed.any():
        return None
    mean_square = np.where(allowed, mean_square, np.inf)
    best = int(np.argmin(mean_square))
    error_m2 = float(mean_square[best])
    if error_m2 > APART_M**2:
        return None
    floor = max(error_m2, RECEIVER_M**2)
    away = np.abs(shifts - shifts[best]) * base.step_s > BESIDE_S
    rival = float(np.min(mean_square[away], initial=np.inf))
    if rival < 4.0 * floor:
        return None
    coarse = base.start_s - other.start_s + float(shifts[best]) * base.step_s
    refined = _refine(base, other, (ax, ay), (bx, by), moving, coarse)
    if refined is None:
        return None
    offset, half, seconds = refined
    return Match(offset, half, seconds, "tracks") if half < 0.25 * BESIDE_S else None


def _moving(x: Floats, y: Floats, step_s: float) -> Any:
    """Where a track makes way, over ten seconds."""
    span = max(1, round(10.0 / step_s))
    speed = np.full(x.size, np.nan)
    if x.size > span:
        speed[:-span] = np.hypot(x[span:] - x[:-span], y[span:] - y[:-span]) / (span * step_s)
    with np.errstate(invalid="ignore"):
        return (speed > MOVING_MS) & (speed < 40.0)


def _correlate(one: Any, other: Any) -> Any:
    """Sum of one times the other's conjugate at every shift, in the order of ``_shifts``."""
    size = 1 << int(np.ceil(np.log2(one.size + other.size)))
    return np.fft.ifft(np.fft.fft(one.astype(complex), size)
                       * np.conj(np.fft.fft(other.astype(complex), size)))


def _shifts(one: int, other: int) -> Any:
    """``other[k]`` stands beside ``one[k + shift]``."""
    size = 1 << int(np.ceil(np.log2(one + other)))
    shifts = np.arange(size)
    shifts[shifts >= one] -= size
    return shifts


def _distances(one: Any, other: Any) -> tuple[Floats, Floats, Any]:
    """Mean square distance of two complex series at every shift.

    Returns
    -------
    mean_square, count : ndarray
        Of the samples known in both.
    shifts : ndarray of int
        As ``_shifts`` gives them.
    """
    known, known2 = np.isfinite(one), np.isfinite(other)
    a, b = np.where(known, one, 0), np.where(known2, other, 0)
    count = np.round(_correlate(known, known2).real)
    square = (_correlate(np.abs(a) ** 2, known2).real + _correlate(known, np.abs(b) ** 2).real
              - 2.0 * _correlate(a, b).real)
    shifts = _shifts(one.size, other.size)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(count > 0, np.maximum(square, 0.0) / count, np.inf)
    return mean, count, shifts


def _refine(base: _Signals, other: _Signals, a: tuple[Floats, Floats], b: tuple[Floats, Floats],
            moving: Any, offset: float) -> tuple[float, float, float] | None:
    """Least squares of the time shift, with the antennas' distance free; blocks give its error."""
    grid = base.start_s + base.step_s * np.arange(a[0].size)
    time = other.start_s + other.step_s * np.arange(b[0].size)
    rows = np.flatnonzero(moving & np.isfinite(b[0]))
    half = float("inf")
    for _ in range(6):
        ax, ay = (np.interp(time[rows] + offset, grid, part, left=np.nan, right=np.nan)
                  for part in a)
        vx, vy = (np.interp(time[rows] + offset, grid, np.gradient(part, base.step_s),
                            left=np.nan, right=np.nan) for part in a)
        rx, ry = b[0][rows] - ax, b[1][rows] - ay
        good = np.isfinite(rx) & np.isfinite(vx)
        if good.sum() < 60:
            return None
        size = np.hypot(rx - np.median(rx[good]), ry - np.median(ry[good]))
        good &= size <= 4.0 * np.median(size[good]) + 1.0
        rx, ry, vx, vy = rx[good], ry[good], vx[good], vy[good]
        rx, ry, vx, vy = rx - rx.mean(), ry - ry.mean(), vx - vx.mean(), vy - vy.mean()
        power = vx * vx + vy * vy
        if power.sum() < 1e-6:
            return None
        step = float((rx * vx + ry * vy).sum() / power.sum())
        offset += step
        # Receivers' errors wander over a minute: blocks of that length are about independent.
        block = ((time[rows][good] - time[rows][good][0]) // 60.0).astype(np.int64)
        score = np.bincount(block, (rx - step * vx) * vx + (ry - step * vy) * vy)
        half = float(Z95 * np.sqrt((score**2).sum()) / power.sum())
        if abs(step) < 0.01:
            break
    return offset, max(half, 0.1), float(good.sum() * other.step_s)


def _by_courses(base: _Signals, other: _Signals, limit_s: float) -> Match | None:
    """Match courses or headings; a constant difference (variation, leeway) does not matter."""
    moving_a, moving_b = (np.isfinite(s.course_deg) & ~(s.speed_ms < MOVING_MS)
                          for s in (base, other))
    if min(moving_a.sum(), moving_b.sum()) * base.step_s < 2 * LEAST_MOVING_S:
        return None
    a = np.where(moving_a, np.exp(1j * np.radians(base.course_deg)), 0)
    b = np.where(moving_b, np.exp(1j * np.radians(other.course_deg)), 0)
    count = np.round(_correlate(moving_a, moving_b).real)
    both = _correlate(a, b)
    shifts = _shifts(a.size, b.size)
    allowed = count >= 0.6 * min(moving_a.sum(), moving_b.sum())
    allowed &= np.abs(base.start_s - other.start_s + shifts * base.step_s) <= limit_s
    if not allowed.any():
        return None
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.where(allowed, 1.0 - np.abs(both) / np.maximum(count, 1.0), np.inf)
    best = int(np.argmin(spread))
    least = max(float(spread[best]), 0.003)  # 0.003 is a scatter of 4 deg: waves and leeway
    away = np.abs(shifts - shifts[best]) * base.step_s > BESIDE_S
    rival = float(np.min(spread[away], initial=np.inf))
    # A scatter of 20 deg and more is no match; a rival half as good again leaves it open.
    if least > 0.06 or rival < 2.0 * least:
        return None
    near = np.abs(shifts - shifts[best]) * base.step_s <= BESIDE_S
    order = np.argsort(shifts[near])
    lag, value = shifts[near][order] * base.step_s, spread[near][order]
    fine = np.isfinite(value) & (np.abs(lag - shifts[best] * base.step_s) <= 15.0)
    curve = np.polyfit(lag[fine] - shifts[best] * base.step_s, value[fine], 2)
    if curve[0] <= 0:
        return None
    top = float(-curve[1] / (2.0 * curve[0]))
    # One degree of freedom in twenty seconds: heading and course swing with the waves.
    free = max(count[best] * base.step_s / 20.0, 4.0)
    half = float(np.clip(Z95 * np.sqrt(least / free / curve[0]), 0.5, 30.0))
    offset = base.start_s - other.start_s + float(shifts[best]) * base.step_s + top
    return Match(offset, half, float(count[best] * base.step_s), "courses")
