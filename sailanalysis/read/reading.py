"""What every format reader takes and gives: one context in, one reading out."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import date, tzinfo
from typing import Literal

from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Boat, Stream

ClockKind = Literal["gps", "stamped", "local", "none"]
"""``gps``: satellite time inside the log; ``stamped``: a time before each line from the logger's
own clock; ``local``: times whose zone had to be assumed; ``none``: no usable time at all."""


@dataclass(frozen=True)
class ReadContext:
    """What a reader may need beyond the bytes.

    Attributes
    ----------
    name : str
        File name for messages and for a date in it; not a path.
    modified_s : float
        The file's modification time, seconds since 1970 (last resort for a date).
    date : date or None
        ``--date``: the day of a log that has none.
    zone : tzinfo
        Zone of local times (``--timezone``).
    boat : Boat
        For ``[columns]``, tanks.
    file : int
        Index of the file among the inputs, for ``Stream.file``.
    """

    name: str
    modified_s: float
    date: date | None
    zone: tzinfo
    boat: Boat
    file: int = 0


@dataclass
class Reading:
    """Everything one reader took from one file. ``lines == used + sum(rejected.values())``."""

    format: str
    streams: list[Stream] = field(default_factory=list)
    lines: int = 0
    used: int = 0
    ignored: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    findings: list[Finding] = field(default_factory=list)
    clock: ClockKind = "none"
    breaks_s: list[float] = field(default_factory=list)
    modes: list[tuple[float, str, str]] = field(default_factory=list)
    """Text events from the log itself: (time_s, item, value), e.g. ``(t, "helm", "autopilot")``."""
    ignored_kinds: Counter[str] = field(default_factory=Counter)
    """What the ignored lines were, e.g. ``{"GSV": 6066, "!AIVDM": 3473}``."""
