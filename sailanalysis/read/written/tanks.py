"""Tank levels: weight above light ship through the day, and whether a gauge can be believed.

Which logged tank is which tank of the boat file, in this order:

1. the names are the same but for spaces, dashes and case (``tank:fuel 0`` and ``[tanks.fuel_0]``);
2. logged and written tanks hold the same (fuel, water, ...) and there are as many of one as of the
   other: the lowest instance is the first in the boat file, and so on;
3. else nobody knows, and the tank is named in a finding and left out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np

from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Boat, CrewLog, Floats, RawLog, Stream, Tank
from sailanalysis.core.series import running_median
from sailanalysis.core.stats import Z95

SMOOTH_S: Final = 1200.0
"""A gauge swings with heel and slosh on every tack; a level changes over hours."""
STEP_S: Final = 60.0
FULL: Final = 1.05
"""Gauges overshoot a little; a level above this is no level."""
SETTLE_S: Final = 300.0
"""A noted time is good to some minutes and a fill takes as long: both sides of it stay unused."""
WINDOW_S: Final = 1800.0
BLOCK_S: Final = 300.0
"""A damped gauge on a heeling boat wanders over minutes: five of them are about one reading."""
COARSE: Final = 0.05
"""Step assumed of a gauge that showed too few values to tell; common practice for senders."""

_KINDS: Final = (
    ("black water", ("black", "holding", "blackwater")),
    ("gray water", ("gray", "grey", "waste", "graywater", "greywater", "wastewater")),
    ("water", ("water", "freshwater", "fresh")),
    ("fuel", ("fuel", "diesel", "petrol", "gasoline")),
    ("oil", ("oil", "lube", "lubrication")),
    ("live well", ("livewell", "live", "bait")),
)


@dataclass(frozen=True)
class GaugeCheck:
    """What fills say about one tank's gauge.

    Attributes
    ----------
    tank : str
        Name in the boat file, or as the crew wrote it.
    fills : int
        Fills the error rests on.
    filled_l, gauge_l : float
        Litres the crew filled, and the rise the gauge showed.
    error_l, error_low_l, error_high_l : float
        Gauge less filled, with its 95 % interval; NaN where the log cannot tell.
    sentence : str
        The finding in a sailor's words.
    """

    tank: str
    fills: int
    filled_l: float
    gauge_l: float
    error_l: float
    error_low_l: float
    error_high_l: float
    sentence: str


def _crew_load(crew: CrewLog, time: Floats, before_kg: float) -> Floats | float:
    """What the crew wrote down, each until the next; ``before_kg`` before the first."""
    loads = crew.of("load")
    if not loads:
        return 0.0
    value = np.array([float(entry.value) for entry in loads])
    last = np.searchsorted([entry.time_s for entry in loads], time, side="right") - 1
    return np.where(last >= 0, value[np.maximum(last, 0)], before_kg)


def _not_logged(boat: Boat, levels: dict[str, Stream]) -> list[Finding]:
    """Says whose level is missing while others are logged."""
    silent = [name for name in boat.tanks if name not in levels]
    if not silent or not levels:
        return []
    return [Finding("tank-not-logged", f"No level is logged for {', '.join(silent)}; the load "
                    "leaves what is in there out.", "note")]


def tank_load_kg(raw: RawLog, boat: Boat, crew: CrewLog
                 ) -> tuple[tuple[Floats, Floats] | None, list[Finding]]:
    """Weight above light ship through the day.

    Parameters
    ----------
    raw : RawLog
        Levels as ``tank:NAME`` streams, ratio 0-1.
    boat : Boat
        Capacities and densities.
    crew : CrewLog
        ``load`` entries, kilograms, each until the next; added to the tanks' content.

    Returns
    -------
    (time_s, kg) or None
        Once a minute over the log, with a pair of instants at each step; None where nothing tells.
    list of Finding
        Tanks that could not be told apart, or whose level is not logged.
    """
    levels, findings = _levels(raw, boat)
    steps = np.array([entry.time_s for entry in crew.of("load")])
    span = _span(raw)
    if span is None or not (levels or steps.size):
        return None, findings
    grid = np.arange(span[0], span[1] + STEP_S, STEP_S)
    inner = steps[(steps > grid[0]) & (steps < grid[-1])]
    time = np.unique(np.concatenate([grid, inner - 1e-3, inner]))
    total = np.zeros(time.size)
    for name, stream in levels.items():
        tank = boat.tanks[name]
        smooth = running_median(stream.time_s, stream.value, SMOOTH_S)
        total += np.interp(time, stream.time_s, smooth) * tank.capacity_l * tank.density_kg_l
    # Before the first entry the crew's load is not known to be there.
    total += _crew_load(crew, time, 0.0 if levels else float("nan"))
    return (time, total), findings + _not_logged(boat, levels)


def tank_gauge_check(raw: RawLog, boat: Boat, crew: CrewLog) -> list[GaugeCheck]:
    """Compare what was filled with what the gauges showed.

    Parameters
    ----------
    raw : RawLog
    boat : Boat
    crew : CrewLog
        ``fill`` entries, ``TANK LITRES``.

    Returns
    -------
    list of GaugeCheck
        One a tank, in the order of the first fill; empty where nothing was filled.

    Notes
    -----
    The gauge's rise is the difference of its medians over half an hour before and after, without
    the minutes around the fill. Its error follows from the scatter of five-minute
    blocks (Student's t) and the gauge's own step; several fills of a tank add up.
    """
    levels, _ = _levels(raw, boat)
    fills: dict[str, list[tuple[float, float]]] = {}
    for entry in crew.of("fill"):
        written, _, litres = entry.value.rpartition(" ")
        name = _written_tank(written, boat)
        fills.setdefault(name or written, []).append((entry.time_s, float(litres)))
    return [_check(name, events, boat.tanks.get(name), levels.get(name), boat)
            for name, events in fills.items()]


@dataclass(frozen=True)
class _Fill:
    """One fill whose gauge was logged on both sides: levels, litres, variance and freedom."""

    litres: float
    before: float
    after: float
    variance: float
    free: int


def _fill(level: Stream, time_s: float, litres: float) -> _Fill | None:
    """The gauge before and after a fill; None where it was not logged on both sides."""
    low = _window(level, time_s - SETTLE_S - WINDOW_S, time_s - SETTLE_S)
    high = _window(level, time_s + SETTLE_S, time_s + SETTLE_S + WINDOW_S)
    if low is None or high is None:
        return None
    return _Fill(litres, low[0], high[0], low[1] ** 2 + high[1] ** 2, low[2] + high[2])


def _fills(level: Stream | None, events: list[tuple[float, float]]) -> list[_Fill]:
    """The fills whose gauge was logged on both sides."""
    if level is None:
        return []
    return [fill for event in events if (fill := _fill(level, *event)) is not None]


def _gauge_words(error: float, half: float) -> str:
    if abs(error) <= half:
        return f"the gauge agrees within {half:.0f} l"
    return (f"the gauge shows {abs(error):.0f} l too {'much' if error > 0 else 'little'} "
            f"(between {min(abs(error - half), abs(error + half)):.0f} and "
            f"{max(abs(error - half), abs(error + half)):.0f} l)")


def _why_unchecked(tank: Tank | None, level: Stream | None, fills: list[_Fill], boat: Boat) -> str:
    """Why fills say nothing of a gauge; empty where they do."""
    if tank is None:
        return f"the boat file has no such tank (it has: {', '.join(boat.tanks) or 'none'})"
    if level is None:
        return "its gauge is not in the logs"
    return "" if fills else "the gauge was not logged on both sides of it"


def _brim_words(fills: list[_Fill], tank: Tank) -> str:
    """What one fill to the brim says of what was left before."""
    left = tank.capacity_l - fills[0].litres
    if len(fills) != 1 or fills[0].after < 0.95 or left <= 0:
        return ""
    return (f" Filled to the brim, {left:.0f} l were left before; "
            f"the gauge said {fills[0].before * tank.capacity_l:.0f} l.")


def _check(name: str, events: list[tuple[float, float]], tank: Tank | None,
           level: Stream | None, boat: Boat) -> GaugeCheck:
    fills = _fills(level, events)
    why = _why_unchecked(tank, level, fills, boat)
    if tank is None or why:
        written, nothing = sum(litres for _, litres in events), float("nan")
        return GaugeCheck(name, 0, written, nothing, nothing, nothing, nothing,
                          f"{written:.0f} l were filled into {name}, but {why}.")
    litres = sum(fill.litres for fill in fills)
    rise = sum((fill.after - fill.before) * tank.capacity_l for fill in fills)
    variance = sum(fill.variance * tank.capacity_l**2 for fill in fills)
    error = rise - litres
    half = _student(sum(fill.free for fill in fills)) * float(np.sqrt(variance))
    return GaugeCheck(name, len(fills), litres, rise, error, error - half, error + half,
                      f"{litres:.0f} l were filled into {name} and the gauge rose by "
                      f"{rise:.0f} l: {_gauge_words(error, half)}." + _brim_words(fills, tank))


def _window(level: Stream, start_s: float, end_s: float) -> tuple[float, float, int] | None:
    """Median level between two instants, its standard error and degrees of freedom."""
    inside = (level.time_s >= start_s) & (level.time_s < end_s)
    time, value = level.time_s[inside], level.value[inside]
    if value.size < 3:
        return None
    _, block = np.unique((time - start_s) // BLOCK_S, return_inverse=True)
    means = np.bincount(block, value) / np.bincount(block)
    step = _resolution(level.value) / np.sqrt(12.0)
    if means.size < 3:
        # One or two blocks: nothing tells how far the gauge swings over minutes.
        return float(np.median(means)), float(max(np.ptp(value), COARSE)), 1
    error = float(np.std(means, ddof=1)) / np.sqrt(means.size)
    # A median's standard error is sqrt(pi/2) times a mean's.
    return (float(np.median(means)), float(np.hypot(np.sqrt(np.pi / 2.0) * error, step)),
            means.size - 1)


def _student(free: int) -> float:
    """Two-sided 95 % point of Student's t, from the normal's (Cornish and Fisher's expansion)."""
    z, n = Z95, max(free, 1)
    return z + (z**3 + z) / (4 * n) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * n * n)


def _resolution(value: Floats) -> float:
    """Smallest step a gauge shows."""
    seen = np.unique(value)
    return float(np.diff(seen).min()) if seen.size >= 5 else COARSE


# ------------------------------------------------------------------------------- which tank
def _best_levels(raw: RawLog) -> dict[str, Stream]:
    """The stream of each logged tank with the most usable samples."""
    logged: dict[str, Stream] = {}
    for stream in raw.streams:
        if stream.channel.startswith("tank:") and stream.time_s.size:
            usable = _usable(stream)
            kept = logged.get(stream.channel)
            if usable.time_s.size > (kept.time_s.size if kept is not None else 0):
                logged[stream.channel] = usable
    return logged


def _levels(raw: RawLog, boat: Boat) -> tuple[dict[str, Stream], list[Finding]]:
    """The best level stream of every tank of the boat file that can be told."""
    logged = _best_levels(raw)
    pairs, unclear = match_tanks([name.removeprefix("tank:") for name in logged],
                                 list(boat.tanks))
    findings = []
    if unclear and boat.tanks:
        findings.append(Finding(
            "tank-unclear", f"Logged tank{'s' if len(unclear) > 1 else ''} {', '.join(unclear)} "
            f"cannot be told among {', '.join(boat.tanks)} of the boat file and count for "
            "nothing; give them the same names."))
    elif unclear:
        findings.append(Finding(
            "tank-unknown-size", f"Levels of {', '.join(unclear)} are logged; with [tanks.NAME] "
            "capacity_l in the boat file their weight could be counted.", "note"))
    return {name: logged[f"tank:{seen}"] for seen, name in pairs.items()}, findings


def _usable(stream: Stream) -> Stream:
    value = stream.value
    if value.size and float(np.median(value)) > 1.5:
        value = value / 100.0  # a column of per cent whose header does not say so
    fine = np.isfinite(value) & (value >= 0.0) & (value <= FULL)
    keep = fine & np.concatenate([[True], np.diff(stream.time_s) > 0])
    return Stream(stream.channel, stream.source, stream.time_s[keep],
                  np.minimum(value[keep], 1.0), stream.file)


def _pair_by_kind(kind: str, logged: list[str], written: list[str], pairs: dict[str, str]) -> None:
    """Pair what is left of a kind by its instance, where there are as many of both."""
    left = sorted((seen for seen in logged if seen not in pairs and _kind(seen) == kind),
                  key=_instance)
    free = [name for name in written if name not in pairs.values() and _kind(name) == kind]
    if left and len(left) == len(free):
        pairs.update(zip(left, free, strict=True))


def match_tanks(logged: list[str], written: list[str]) -> tuple[dict[str, str], list[str]]:
    """Pair logged tanks with those of the boat file.

    Parameters
    ----------
    logged : list of str
        ``fuel 0``, ``water 1``, ``fuel port``, ...
    written : list of str
        Names in the boat file, in its order.

    Returns
    -------
    pairs : dict of str to str
        Logged to written.
    unclear : list of str
        Logged tanks that could not be paired.
    """
    pairs: dict[str, str] = {}
    for seen in logged:
        same = [name for name in written if _plain(name) == _plain(seen)]
        if len(same) == 1 and same[0] not in pairs.values():
            pairs[seen] = same[0]
    for kind in sorted({_kind(name) for name in [*logged, *written]} - {""}):
        _pair_by_kind(kind, logged, written, pairs)
    return pairs, [seen for seen in logged if seen not in pairs]


def _written_tank(text: str, boat: Boat) -> str | None:
    """The boat file's tank that the crew means; their kind alone does where there is one of it."""
    same = [name for name in boat.tanks if _plain(name) == _plain(text)]
    if not same:
        same = [name for name in boat.tanks if _kind(name) and _kind(name) == _kind(text)]
    return same[0] if len(same) == 1 else None


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


def _kind(name: str) -> str:
    words = re.findall(r"[a-z]+", name.lower())
    for kind, forms in _KINDS:
        if any(word in forms for word in words):
            return kind
    return ""


def _instance(name: str) -> tuple[int, str]:
    digits = re.findall(r"\d+", name)
    return (int(digits[-1][:9]) if digits else 10**9), name


def _span(raw: RawLog) -> tuple[float, float] | None:
    times = [s.time_s for s in raw.streams if s.time_s.size]
    if not times:
        return None
    start, end = min(float(t[0]) for t in times), max(float(t[-1]) for t in times)
    return (start, end) if end - start < 400 * 86400 else None
