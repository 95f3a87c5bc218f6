"""Signal K delta logs: one JSON object a line, SI units, several sources for a path.

Only paths of the open specification are read (``tests/published/signalk_paths.csv``). Angles are
positive to starboard there as here: wind angles negative to port, rudder and roll positive to
starboard, pitch positive bow up.
"""

from __future__ import annotations

import json
import re
from array import array
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, BinaryIO, Final

import numpy as np

from sailanalysis.core.angles import wrap180, wrap360
from sailanalysis.core.channels import kind_of
from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Floats, Stream
from sailanalysis.core.units import MS_TO_KN
from sailanalysis.read.clock.instants import near_the_rest, spread_repeats
from sailanalysis.read.clock.stamps import stamp_in
from sailanalysis.read.engines import busiest
from sailanalysis.read.formats import Head
from sailanalysis.read.reading import ReadContext, Reading

MAX_LINE: Final = 1 << 20
"""The whole state of a well-equipped boat in one delta is some 100 kB."""
_RAD: Final = 180.0 / np.pi
_KELVIN: Final = -273.15

PATHS: Final[dict[str, tuple[str, float, float]]] = {
    "navigation.courseOverGroundTrue": ("cog_deg", _RAD, 0.0),
    "navigation.courseOverGroundMagnetic": ("cog_mag_deg", _RAD, 0.0),
    "navigation.speedOverGround": ("sog_kn", MS_TO_KN, 0.0),
    "navigation.speedThroughWater": ("stw_kn", MS_TO_KN, 0.0),
    "navigation.speedThroughWaterLongitudinal": ("stw_kn", MS_TO_KN, 0.0),
    "navigation.headingTrue": ("hdg_deg", _RAD, 0.0),
    "navigation.headingMagnetic": ("hdg_mag_deg", _RAD, 0.0),
    "navigation.magneticVariation": ("variation_deg", _RAD, 0.0),
    "navigation.rateOfTurn": ("rate_of_turn_deg_s", _RAD, 0.0),
    "navigation.leewayAngle": ("leeway_logged_deg", _RAD, 0.0),
    "navigation.log": ("log_nm", 1 / 1852.0, 0.0),
    "navigation.attitude.roll": ("heel_deg", _RAD, 0.0),
    "navigation.attitude.pitch": ("trim_deg", _RAD, 0.0),
    "navigation.position.latitude": ("lat", 1.0, 0.0),
    "navigation.position.longitude": ("lon", 1.0, 0.0),
    "environment.wind.angleApparent": ("awa_deg", _RAD, 0.0),
    "environment.wind.speedApparent": ("aws_kn", MS_TO_KN, 0.0),
    "environment.wind.angleTrueWater": ("twa_logged_deg", _RAD, 0.0),
    "environment.wind.speedTrue": ("tws_logged_kn", MS_TO_KN, 0.0),
    "environment.wind.directionTrue": ("twd_logged_deg", _RAD, 0.0),
    "environment.wind.directionMagnetic": ("twd_mag_logged_deg", _RAD, 0.0),
    "environment.wind.speedOverGround": ("gws_logged_kn", MS_TO_KN, 0.0),
    "environment.current.setTrue": ("set_logged_deg", _RAD, 0.0),
    "environment.current.drift": ("drift_logged_kn", MS_TO_KN, 0.0),
    "environment.depth.belowSurface": ("depth_m", 1.0, 0.0),
    "environment.depth.belowTransducer": ("depth_m", 1.0, 0.0),
    "environment.heave": ("heave_m", 1.0, 0.0),
    "environment.water.temperature": ("water_temp_c", 1.0, _KELVIN),
    "environment.outside.temperature": ("air_temp_c", 1.0, _KELVIN),
    "environment.outside.pressure": ("pressure_hpa", 0.01, 0.0),
    "steering.rudderAngle": ("rudder_deg", _RAD, 0.0),
    "performance.leeway": ("leeway_logged_deg", _RAD, 0.0),
}
"""Path -> channel, factor and shift: house value = factor * SI value + shift."""

_DELTA: Final = re.compile(rb"^[^{\r\n]{0,80}\{.*\"updates\"\s*:")
_OBJECTS: Final = frozenset(("navigation.position", "navigation.attitude", "environment.current"))
"""Paths whose value is an object of leaves."""
_TANKS: Final = {"fuel": "fuel", "freshWater": "water", "wasteWater": "gray water",
                 "blackWater": "black water", "liveWell": "live well", "lubrication": "oil"}
_STEERS: Final = frozenset(("auto", "wind", "route", "track", "enabled", "engaged", "truewind",
                            "apparentwind", "compass", "heading", "nav"))
_STANDS_BY: Final = frozenset(("standby", "off", "disabled", "disengaged", "alarm", "manual"))
_ONLY_OURS: Final = ("environment.", "steering.", "propulsion.", "tanks.",
                     "navigation.speedThroughWater", "navigation.headingMagnetic",
                     "navigation.attitude", "navigation.log")
"""Paths that no other vessel's transponder sends."""


@dataclass
class _Vessel:
    """What one context said: values by channel, path and source."""

    values: dict[tuple[str, str, str], tuple[array[float], array[float]]] = field(
        default_factory=dict)
    deltas: int = 0
    own_kind: int = 0


@dataclass
class _Log:
    vessels: dict[str, _Vessel] = field(default_factory=dict)
    own: str | None = None
    last_s: float = float("nan")
    without_stamp: int = 0
    without_path: int = 0
    not_finite: int = 0
    stamped: int = 0
    text: str = ""
    text_s: float = float("nan")


def recognise(head: Head) -> float:
    """How many lines are JSON objects with updates, with or without a receive time in front.

    Parameters
    ----------
    head : Head

    Returns
    -------
    float
    """
    return sum(1 for line in head.lines if _DELTA.match(line[:4096]))


def read(handle: BinaryIO, context: ReadContext) -> Reading:
    """Read a log of Signal K deltas.

    Parameters
    ----------
    handle : binary stream
        JSON lines, with or without a receive time in front of each.
    context : ReadContext

    Returns
    -------
    Reading
        One stream a channel, path and source, named ``sk SOURCE``. Deltas of other vessels are
        used and ignored. An update without a timestamp takes the one received before it.
    """
    reading = Reading("Signal K", clock="stamped")
    log = _Log()
    for line in _lines(handle, reading):
        reading.lines += 1
        fault = _take_line(line, log)
        if fault is None:
            reading.used += 1
        elif fault == "":
            reading.used += 1
            reading.ignored += 1
        else:
            reading.rejected[fault] += 1
    own = _own_vessel(log)
    others = 0
    for name, vessel in log.vessels.items():
        if name != own:
            reading.ignored += vessel.deltas
            others += 1
    _say(log, others, reading, context)
    if own is not None:
        _streams(log.vessels[own], reading, context)
    if not reading.streams:
        reading.clock = "none"
        reading.findings.append(Finding(
            "signalk-nothing", f"{context.name}: holds no value with a time that an analysis "
            "needs."))
    return reading


def _lines(handle: BinaryIO, reading: Reading) -> Iterator[bytes]:
    while True:
        line = handle.readline(MAX_LINE)
        if not line:
            return
        if len(line) >= MAX_LINE and not line.endswith(b"\n"):
            reading.lines += 1
            reading.rejected["line too long"] += 1
            while line and not line.endswith(b"\n"):
                line = handle.readline(MAX_LINE)
            continue
        yield line


# ------------------------------------------------------------------------------- one line
def _delta_of(line: bytes, log: _Log) -> tuple[dict[str, Any], bytes] | str:
    """A line's delta and what stands before it; else why not, "" where it is of no concern."""
    if not line.strip(b" \t\r\n\0"):
        return ""
    start = line.find(b"{")
    if start < 0:
        return "" if line.lstrip()[:1] == b"#" else "not JSON"
    if not any(word in line for word in (b'"updates"', b'"self"', b'"version"')):
        return "not a delta"
    try:
        delta = json.loads(line[start:].decode("utf-8-sig", "replace"))
    except RecursionError:
        return "nested too deeply"
    except ValueError:
        return "not JSON"
    if not isinstance(delta, dict):
        return "not a delta"
    return (delta, line[:start]) if isinstance(delta.get("updates"), list) else (
        _take_greeting(delta, log))


def _take_greeting(delta: dict[str, Any], log: _Log) -> str:
    """The name of the vessel from a server's first message; "" where it is one."""
    if isinstance(delta.get("self"), str):
        log.own = delta["self"]
        return ""
    return "" if "version" in delta or "roles" in delta else "not a delta"


def _take_line(line: bytes, log: _Log) -> str | None:
    """Keep a delta's values; None when used, "" when of no concern, else why it is rejected."""
    taken = _delta_of(line, log)
    if isinstance(taken, str):
        return taken
    delta, before = taken
    name = delta.get("context")
    name = name if isinstance(name, str) and name else "vessels.self"
    vessel = log.vessels.setdefault(name, _Vessel())
    vessel.deltas += 1
    received = stamp_in(before) if before else None
    received_s = received.seconds if received and received.kind == "utc" else None
    for update in delta["updates"]:
        if isinstance(update, dict) and isinstance(update.get("values"), list):
            _take_update(update, received_s, vessel, log)
    return None


def _time_of(update: dict[str, Any], received_s: float | None, log: _Log) -> float:
    """An update's time: its own, else when it was received, else that of the one before."""
    time_s = _stamp(update.get("timestamp"), log)
    if time_s is None:
        log.without_stamp += 1
        return received_s if received_s is not None else log.last_s
    log.stamped += 1
    log.last_s = time_s
    return time_s


def _take_update(update: dict[str, Any], received_s: float | None, vessel: _Vessel,
                 log: _Log) -> None:
    time_s = _time_of(update, received_s, log)
    source = _source(update)
    for entry in update["values"]:
        if not isinstance(entry, dict):
            continue
        path = entry.get("path")
        if not isinstance(path, str) or not path:
            log.without_path += path is None
            continue
        value = entry.get("value")
        if path in _OBJECTS and isinstance(value, dict):
            for leaf, part in value.items():
                _take_value(f"{path}.{leaf}", part, time_s, source, vessel, log)
        else:
            _take_value(path, value, time_s, source, vessel, log)


def _take_value(path: str, value: Any, time_s: float, source: str, vessel: _Vessel,
                log: _Log) -> None:
    known = PATHS.get(path)
    if known is not None:
        channel, factor, shift = known
    else:
        found = _other_path(path)
        if found is None:
            return
        channel, factor, shift = found
        if channel == "autopilot":
            value = _steering(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return
    if path.startswith(_ONLY_OURS):
        vessel.own_kind += 1
    try:
        value = float(value) * factor + shift
    except OverflowError:
        value = float("inf")
    if not abs(value) < 1e12:
        log.not_finite += 1
        return
    key = channel, path, source
    pair = vessel.values.get(key)
    if pair is None:
        pair = vessel.values[key] = array("d"), array("d")
    pair[0].append(time_s)
    pair[1].append(value)


def _other_path(path: str) -> tuple[str, float, float] | None:
    """Paths with a name in the middle: engines and tanks; and the autopilot's state."""
    if path == "steering.autopilot.state":
        return "autopilot", 1.0, 0.0
    parts = path.split(".")
    if parts[0] == "propulsion" and len(parts) == 3 and parts[2] == "revolutions":
        return "engine_rpm", 60.0, 0.0
    if parts[0] == "tanks" and len(parts) == 4 and parts[3] == "currentLevel" and (
            parts[1] in _TANKS):
        return f"tank:{_TANKS[parts[1]]} {parts[2]}", 1.0, 0.0
    return None


def _steering(value: Any) -> float | None:
    word = value.strip().lower() if isinstance(value, str) else ""
    return 1.0 if word in _STEERS else 0.0 if word in _STANDS_BY else None


def _first_text(source: dict[str, Any], *names: str) -> str:
    """The first of some entries that says something, as text."""
    value = next((source[name] for name in names if source.get(name)), "")
    return str(value) if isinstance(value, str | int) else ""


def _source(update: dict[str, Any]) -> str:
    """A short name of who said it: the reference, or device and message of the source object."""
    name = update.get("$source")
    if not isinstance(name, str):
        source = update.get("source")
        source = source if isinstance(source, dict) else {}
        name = (f"{_first_text(source, 'src', 'label', 'talker')} "
                f"{_first_text(source, 'pgn', 'sentence')}")
    return " ".join(name.split())[:60]


def _stamp(text: Any, log: _Log) -> float | None:
    if not isinstance(text, str):
        return None
    if text == log.text:
        return log.text_s
    try:
        moment = datetime.fromisoformat(text)
        seconds = moment.replace(tzinfo=moment.tzinfo or UTC).timestamp()
    except (ValueError, OverflowError):
        return None
    log.text, log.text_s = text, seconds
    return seconds


# ------------------------------------------------------------------------------- the end
def _own_vessel(log: _Log) -> str | None:
    """The context the log was made on: named, else the one with instruments, else the busiest."""
    for name in (log.own, f"vessels.{log.own}", "vessels.self", "self"):
        if name in log.vessels:
            return name
    vessels = {name: vessel for name, vessel in log.vessels.items()
               if name.startswith("vessels.") or len(log.vessels) == 1}
    if not vessels:
        return None
    return max(vessels, key=lambda name: (vessels[name].own_kind, vessels[name].deltas))


def _say(log: _Log, others: int, reading: Reading, context: ReadContext) -> None:
    if others:
        reading.findings.append(Finding(
            "signalk-other-vessels", f"{context.name}: deltas of {others} other vessels were left "
            "out.", "note"))
    if log.without_stamp:
        total = log.without_stamp + log.stamped
        reading.findings.append(Finding(
            "signalk-no-timestamp", f"{context.name}: {log.without_stamp} of {total} updates carry "
            "no timestamp; they were given the one received before them.", "note",
            share=log.without_stamp / total))
    if log.without_path:
        reading.findings.append(Finding(
            "signalk-no-path", f"{context.name}: {log.without_path} values name no path and were "
            "left out.", "note"))
    if log.not_finite:
        reading.findings.append(Finding(
            "signalk-not-finite", f"{context.name}: {log.not_finite} values are no finite numbers "
            "and count as missing."))


def _in_order(time: Floats, value: Floats, reading: Reading, name: str
              ) -> tuple[Floats, Floats, int]:
    """Timed values in order, and how many stepped back."""
    fine = np.isfinite(time) & np.isfinite(value)
    time, value = time[fine], value[fine]
    time = near_the_rest(time, reading.findings, name)
    fine = np.isfinite(time)
    time, value = time[fine], value[fine]
    back = int((np.diff(time) < 0).sum())
    if back:
        order = np.argsort(time, kind="stable")
        time, value = time[order], value[order]
    return time, value, back


def _streams(vessel: _Vessel, reading: Reading, context: ReadContext) -> None:
    doubled = Counter((channel, source) for channel, _, source in vessel.values)
    engines: list[tuple[Floats, Floats]] = []
    out_of_order = 0
    for (channel, path, source), (times, values) in vessel.values.items():
        time, value, back = _in_order(np.array(times), _house(channel, np.array(values)), reading,
                                      context.name)
        if not time.size:
            continue
        out_of_order += back
        # Whole-second stamps of a faster sensor: its values follow one another within the second.
        time = spread_repeats(time)
        if channel == "engine_rpm":
            engines.append((time, value))
            continue
        label = f"sk {source}".strip()
        if doubled[channel, source] > 1:
            label += f" {path.rpartition('.')[2]}"
        reading.streams.append(Stream(channel, label, time, value, context.file))
    if engines:
        reading.streams.append(Stream("engine_rpm", "sk propulsion", *busiest(engines),
                                      context.file))
    if out_of_order:
        reading.findings.append(Finding(
            "time-out-of-order", f"{context.name}: {out_of_order} timestamps step back; values "
            "were put in order of time.", "note"))


def _house(channel: str, value: Floats) -> Floats:
    kind = kind_of(channel)
    if channel in ("lat", "lon"):
        limit = 90.0 if channel == "lat" else 180.0
        return np.where(np.abs(value) <= limit, value, np.nan)
    if kind == "bearing":
        return wrap360(value)
    if kind == "angle" and channel.startswith(("awa", "twa")):
        return wrap180(value)
    return value
