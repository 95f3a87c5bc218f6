"""Transducer sentences (XDR): heel, trim, rudder, temperatures and pressure by their names.

The standard's groups are type, value, unit, name, but loggers misframe them (a field too many in
front of the value) and name them freely. So the name is looked for first and the value is read
from its place two fields before it, which is the same in both forms.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

_PATTERNS: Final = (
    (re.compile(r"^(ROLL|HEEL)([ _-]?ANGLE)?$|(^|[ _-])(ROLL|HEEL)$"), "heel_deg"),
    (re.compile(r"^(PITCH|PTCH|TRIM)([ _-]?ANGLE)?$|(^|[ _-])(PITCH|TRIM)$"), "trim_deg"),
    (re.compile(r"^(RUDDER|RUDR|RUD)([ _-]?(ANGLE|0|1))?$"), "rudder_deg"),
    (re.compile(r"^(RUDDER|RUDR|RUD)[ _-]?2$"), "rudder2_deg"),
    (re.compile(r"^(AIR|TEMPAIR|AIR[ _-]?TEMP(ERATURE)?|TEMP[ _-]?AIR|OUTSIDE[ _-]?TEMP)$"),
     "air_temp_c"),
    (re.compile(r"^(WATER|SEA)[ _-]?(TEMP(ERATURE)?)?$|^TEMP[ _-]?(WATER|SEA)$"), "water_temp_c"),
    (re.compile(r"^(BARO(METER|METRIC)?([ _-]?PRESSURE)?|AIR[ _-]?PRESSURE|PRESS?(URE)?)$"),
     "pressure_hpa"),
)

_SCALE: Final = {
    "heel_deg": {"D": (1.0, 0.0), "": (1.0, 0.0)},
    "trim_deg": {"D": (1.0, 0.0), "": (1.0, 0.0)},
    "rudder_deg": {"D": (1.0, 0.0), "": (1.0, 0.0)},
    "rudder2_deg": {"D": (1.0, 0.0), "": (1.0, 0.0)},
    "air_temp_c": {"C": (1.0, 0.0), "K": (1.0, -273.15), "F": (1 / 1.8, -32 / 1.8)},
    "water_temp_c": {"C": (1.0, 0.0), "K": (1.0, -273.15), "F": (1 / 1.8, -32 / 1.8)},
    "pressure_hpa": {"B": (1000.0, 0.0), "P": (0.01, 0.0), "H": (1.0, 0.0)},
}


@dataclass(frozen=True)
class Place:
    """Where a channel stands: ``value = factor * number + offset`` from ``fields[index]``."""

    channel: str
    index: int
    factor: float
    offset: float


def channel_of_name(name: str) -> str | None:
    """Channel of a transducer's name, or None: ``"HEEL"`` gives ``"heel_deg"``.

    Parameters
    ----------
    name : str
        As the transducer is called.

    Returns
    -------
    str or None
    """
    text = name.strip().upper()
    for pattern, channel in _PATTERNS:
        if pattern.search(text):
            return channel
    return None


def layout(fields: list[str]) -> list[Place]:
    """Where the wanted values stand in one sentence.

    Parameters
    ----------
    fields : list of str
        Fields after the address.

    Returns
    -------
    list of Place
        The first of each channel.
    """
    places: dict[str, Place] = {}
    for index in range(2, len(fields)):
        channel = channel_of_name(fields[index]) if len(fields[index]) > 2 else None
        if channel is None or channel in places:
            continue
        scale = _SCALE[channel].get(fields[index - 1].strip().upper())
        if scale is not None:
            places[channel] = Place(channel, index - 2, *scale)
    return list(places.values())
