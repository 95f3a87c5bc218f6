"""Cells that are no plain numbers, read one by one in the spellings people use."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from sailanalysis.core.channels import CHANNELS
from sailanalysis.core.model import Floats
from sailanalysis.read.csv.layout import MISSING, NUMBER

_POSITION: Final = re.compile(
    r"\s*([NSEWnsew])?\s*([+-]?\d+(?:\.\d+)?)\s*(?:[°d:\s]\s*(\d+(?:\.\d+)?))?\s*"
    r"(?:['m:\u2032\s]\s*(\d+(?:\.\d+)?))?\s*[\"s'\u2032\u2033°]*\s*([NSEWnsew])?\s*")
_SIDED: Final = re.compile(r"\s*([PSLRpslr])?\s*([+-]?\d+(?:\.\d+)?)\s*°?\s*([PSLRpslr])?\s*")
_SWITCH: Final = {"on": 1.0, "true": 1.0, "yes": 1.0, "auto": 1.0, "engaged": 1.0, "active": 1.0,
                  "wind": 1.0, "track": 1.0, "route": 1.0, "off": 0.0, "false": 0.0, "no": 0.0,
                  "standby": 0.0, "manual": 0.0, "disengaged": 0.0, "inactive": 0.0}


@dataclass
class Unreadable:
    """Cells that are neither a number nor missing, by column."""

    count: Counter[int] = field(default_factory=Counter)
    example: dict[int, str] = field(default_factory=dict)

    def add(self, other: Unreadable) -> None:
        """Take over what a later part of the file held."""
        self.count += other.count
        self.example = {**other.example, **self.example}


def mended(cells: Any, at: int, channel: str, decimal: str, unreadable: Unreadable) -> Floats:
    """Numbers of a text column; what is no number is read in its other spellings or counted.

    Parameters
    ----------
    cells : pyarrow array of string
    at : int
        Which column this is, for ``unreadable``.
    channel : str
        Its channel; empty for a time.
    decimal : str
        The decimal mark.
    unreadable : Unreadable
        Gets the cells that are no number.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pc.utf8_trim_whitespace(cells)
    if decimal == ",":
        text = pc.replace_substring(text, ",", ".")
    text = pc.if_else(pc.is_in(text, pa.array(MISSING)), pa.scalar(None, pa.string()), text)
    good = pc.match_substring_regex(text, NUMBER)
    plain = pc.if_else(good, text, pa.scalar(None, pa.string()))
    values = np.array(pc.cast(plain, pa.float64()).to_numpy(zero_copy_only=False),
                      dtype=float)
    odd = np.flatnonzero(np.asarray(pc.fill_null(pc.invert(good), False)))
    if odd.size:
        for row, cell in zip(odd.tolist(), text.take(pa.array(odd)).to_pylist(), strict=True):
            value = _other_spelling(cell, channel)
            if value is None:
                unreadable.count[at] += 1
                unreadable.example.setdefault(at, cell[:30])
            else:
                values[row] = value
    return values


def _sided(cell: str) -> float | None:
    """An angle with its side before or after: port is negative."""
    match = _SIDED.fullmatch(cell)
    if match is None or not (match[1] or match[3]):
        return None
    return float(match[2]) * (-1.0 if (match[1] or match[3]).upper() in "PL" else 1.0)


def _with_its_unit(cell: str) -> float | None:
    """A number with its unit repeated in every cell, as in '6.2 kn'."""
    match = re.fullmatch(r"([+-]?\d+(?:\.\d+)?)\s*(°|deg|kn|kts|m|rpm|°C|C|hPa|%)", cell)
    return float(match[1]) if match else None


def _other_spelling(cell: str, channel: str) -> float | None:
    if len(cell) > 40:
        return None
    if channel in ("lat", "lon"):
        return _position(cell)
    if channel == "autopilot":
        return _SWITCH.get(cell.lower())
    if channel not in CHANNELS:
        return None
    sided = _sided(cell) if CHANNELS[channel].kind == "angle" else None
    return sided if sided is not None else _with_its_unit(cell)


def _position(cell: str) -> float | None:
    found = _POSITION.fullmatch(cell)
    if not found:
        return None
    degrees, minutes, seconds = float(found[2]), float(found[3] or 0), float(found[4] or 0)
    if minutes >= 60 or seconds >= 60:
        return None
    size = abs(degrees) + minutes / 60.0 + seconds / 3600.0
    letter = (found[1] or found[5] or "").upper()
    return -size if degrees < 0 or letter in ("S", "W") else size
