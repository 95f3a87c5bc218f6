"""The records that pass from room to room. They hold data and compute nothing."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.errors import Finding

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]


# ---------------------------------------------------------------- what a person writes
@dataclass(frozen=True)
class LeewayLaw:
    """How much leeway a boat makes close-hauled, and what it goes with.

    Leeway is ``close_hauled_deg`` times a shape that is about 1 close-hauled: heel over the
    square of the speed, or the apparent wind's side force over the square of the speed, each
    divided by ``reference``, its usual value close-hauled.

    Attributes
    ----------
    close_hauled_deg, low_deg, high_deg : float
        With its 95 % interval; to leeward positive.
    by : {"heel", "wind"}
    reference : float
        Of corrected sensors; NaN: the day's own, taken where the law is used.
    power : float
        Of the shape: 1 where leeway goes straight with heel or side force.
    heel_zero_deg : float
        Heel shown by the boat upright.
    boards : tuple of (str, float)
        Where the crew log has boards: each position with its own leeway close-hauled.
    """

    close_hauled_deg: float
    low_deg: float
    high_deg: float
    by: str = "wind"
    reference: float = float("nan")
    power: float = 1.0
    heel_zero_deg: float = 0.0
    boards: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Sensors:
    """Corrections: added to (offset) or multiplied with (factor) the logged value.

    ``leeway_k`` in ``leeway_deg = k * heel_deg / stw_kn**2``; None where nobody knows it. A
    ``leeway`` law, where there is one, stands before it. ``upwash_deg`` is the bend of the wind at
    the masthead close-hauled.
    """

    stw_factor: float = 1.0
    stw_offset_kn: float = 0.0
    awa_offset_deg: float = 0.0
    aws_factor: float = 1.0
    heading_offset_deg: float = 0.0
    leeway_k: float | None = None
    rudder_offset_deg: float | None = None
    upwash_deg: float = 0.0
    leeway: LeewayLaw | None = None


@dataclass(frozen=True)
class Rudder:
    """Rudder geometry; None where the boat file is silent."""

    count: int = 1
    area_m2: float | None = None
    span_m: float | None = None


@dataclass(frozen=True)
class Tank:
    """One tank: capacity and the density of what it holds."""

    capacity_l: float
    density_kg_l: float = 1.0


@dataclass(frozen=True)
class Names:
    """What the crew calls helms and sails: each name with its other spellings."""

    helms: dict[str, tuple[str, ...]] = field(default_factory=dict)
    sails: dict[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class ReferencePolar:
    """A polar that somebody else worked out, to hold the boat's own against.

    ``points`` are true wind speed (kn), true wind angle (deg, 0-180) and boat speed (kn), sorted.
    """

    name: str
    points: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class Boat:
    """The boat file. Every field may be unknown.

    ``hull`` is ``monohull``, ``catamaran``, ``trimaran`` or empty; ``zone`` the time zone of her
    crew log, empty where the boat file names none.
    """

    name: str = ""
    loa_m: float | None = None
    lwl_m: float | None = None
    displacement_kg: float | None = None
    mast_height_m: float | None = None
    rudder: Rudder = field(default_factory=Rudder)
    sensors: Sensors = field(default_factory=Sensors)
    tanks: dict[str, Tank] = field(default_factory=dict)
    columns: dict[str, str] = field(default_factory=dict)
    hull: str = ""
    zone: str = ""
    names: Names = field(default_factory=Names)
    reference: ReferencePolar | None = None


@dataclass(frozen=True)
class CrewEntry:
    """One line of the crew log, its time made absolute, and where it came from.

    ``local`` is True where the time was written without an offset, so that a zone was assumed.
    """

    time_s: float
    item: str
    value: str
    note: str = ""
    origin: str = field(default="", compare=False)
    local: bool = field(default=False, compare=False)


@dataclass(frozen=True)
class CrewLog:
    """The crew log in order of time."""

    entries: tuple[CrewEntry, ...] = ()

    def of(self, item: str) -> list[CrewEntry]:
        """Entries of one item, in order."""
        return [entry for entry in self.entries if entry.item == item]


# ---------------------------------------------------------------- what the readers give
@dataclass(frozen=True)
class Stream:
    """One channel from one source, as logged, on the repaired clock.

    Attributes
    ----------
    channel : str
        A name of ``channels.CHANNELS`` or ``tank:NAME``.
    source : str
        Who says so, e.g. ``GP RMC`` or ``n2k 35 129026`` or ``csv track.csv``.
    time_s : ndarray, shape (n,)
        Seconds since 1970 UTC, not decreasing.
    value : ndarray, shape (n,)
        In the channel's unit; no infinities.
    file : int
        Index into ``RawLog.inputs`` of the (first) file it came from.
    """

    channel: str
    source: str
    time_s: Floats
    value: Floats
    file: int = 0


@dataclass(frozen=True)
class InputReport:
    """What became of one file. ``lines == used + sum(rejected.values())``, always.

    ``used`` counts lines understood, also those whose content is not needed (``ignored`` says how
    many of the used ones those were). For GPX and other unlined forms a record is a line.
    """

    file: str
    format: str
    lines: int
    used: int
    rejected: dict[str, int]
    ignored: int = 0
    bytes: int = 0
    start_s: float = float("nan")
    end_s: float = float("nan")


@dataclass(frozen=True)
class RawLog:
    """All streams of all files of one day."""

    streams: tuple[Stream, ...]
    inputs: tuple[InputReport, ...]
    findings: tuple[Finding, ...] = ()
    breaks_s: tuple[float, ...] = ()
    """Instants across which nothing may be interpolated (a new track segment)."""
    written: tuple[CrewEntry, ...] = ()
    """What text columns of the logs say of helm, sails and boards, in order of time."""

    def of(self, channel: str) -> list[Stream]:
        """Streams of one channel."""
        return [stream for stream in self.streams if stream.channel == channel]

    def without(self, *channels: str) -> RawLog:
        """The same log less some channels."""
        return replace(self, streams=tuple(s for s in self.streams if s.channel not in channels))


# ---------------------------------------------------------------- one day, conditioned
@dataclass(frozen=True)
class Conditioned:
    """Logged channels on one common clock, before any correction.

    Attributes
    ----------
    samples : DataFrame
        UTC index ``time``, regular within runs, gaps left open; logged channel names.
    rate_hz : float
    sources : DataFrame
        One row a channel and source: ``channel, source, chosen, count, share, rate_hz, noise,
        why``.
    left_out : DataFrame
        What was marked and left out: ``channel, source, reason, start, end, count, share``.
    native_rate_hz : dict of str to float
        The chosen source's own rate, by channel.
    is_reading : DataFrame of bool
        Shaped as ``samples``: True where a reading lies within half a step of the clock; False
        where a value is missing or only drawn between two readings.
    """

    samples: pd.DataFrame
    rate_hz: float
    sources: pd.DataFrame
    left_out: pd.DataFrame
    native_rate_hz: dict[str, float]
    is_reading: pd.DataFrame
    findings: tuple[Finding, ...] = ()
