"""Ship's time: what a clock on board showed. All records stay in UTC; only what is told is shifted.

One shift holds for a whole page, that of the day's first instant: a clock on board is not put
forward under way, and no hour of the page is told twice.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final


@dataclass(frozen=True)
class ShipTime:
    """A clock on board.

    Attributes
    ----------
    zone : str
        Its name, such as ``Europe/Paris``; ``UTC`` where no other is known.
    shift_s : float
        What it showed ahead of UTC, seconds.
    label : str
        What stands behind a time of day: ``CEST``, ``UTC+4``, ``UTC``.
    """

    zone: str = "UTC"
    shift_s: float = 0.0
    label: str = "UTC"

    @property
    def against_utc(self) -> str:
        """``UTC+2``, ``UTC−3:30``, ``UTC``."""
        minutes = round(abs(self.shift_s) / 60.0)
        if minutes == 0:
            return "UTC"
        sign = "+" if self.shift_s > 0 else "−"
        return f"UTC{sign}{minutes // 60}" + (f":{minutes % 60:02d}" if minutes % 60 else "")


_UTC: Final = ShipTime()
_NOW: Final[ContextVar[ShipTime]] = ContextVar("ship_time", default=_UTC)


def ship_time_of(zone: str, time_s: float) -> ShipTime:
    """The clock on board in a zone at an instant; UTC where the zone is not known.

    Parameters
    ----------
    zone : str
        A name of the IANA time zone database.
    time_s : float
        Seconds since 1970.
    """
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    try:
        local = datetime.fromtimestamp(time_s, UTC).astimezone(ZoneInfo(zone))
    except (ZoneInfoNotFoundError, ValueError, OverflowError, OSError):
        return ShipTime()
    offset = local.utcoffset()
    shift = offset.total_seconds() if offset is not None else 0.0
    ship = ShipTime(zone, shift)
    name = local.tzname() or ""
    return ShipTime(zone, shift, name if name.isalpha() else ship.against_utc)


@contextmanager
def keeping(ship: ShipTime) -> Iterator[None]:
    """Tell times of day by a clock on board while the block runs.

    Parameters
    ----------
    ship : ShipTime
    """
    token = _NOW.set(ship)
    try:
        yield
    finally:
        _NOW.reset(token)


def now_kept() -> ShipTime:
    """The clock by which times are told."""
    return _NOW.get()


def told_s(time_s: float) -> float:
    """Seconds since 1970 as the clock on board counts them."""
    return time_s + _NOW.get().shift_s
