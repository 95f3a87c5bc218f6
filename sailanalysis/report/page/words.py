"""Numbers as a sailor reads them: unit beside the number, interval beside the estimate."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from sailanalysis.core.ship_time import now_kept, told_s

NARROW = "\u202f"
"""A narrow no-break space between number and unit."""


def known(value: Any) -> bool:
    """Whether a value is a finite number."""
    try:
        return value is not None and math.isfinite(float(value))
    except (TypeError, ValueError):
        return False


def number(value: Any, digits: int = 1, sign: bool = False) -> str:
    """A number with a true minus sign; an en dash where unknown."""
    if not known(value):
        return "–"
    text = f"{float(value):+.{digits}f}" if sign else f"{float(value):.{digits}f}"
    if float(text) == 0:
        text = text.replace("-", "").replace("+", "")
    return text.replace("-", "−")


def amount(value: Any, unit: str, digits: int = 1, sign: bool = False) -> str:
    """A number with its unit: ``6.2 kn``, ``41°``."""
    glue = "" if unit in ("", "°", "%") else NARROW
    return number(value, digits, sign) + (glue + unit if known(value) else "")


def interval(value: Any, low: Any, high: Any, unit: str = "", digits: int = 1,
             sign: bool = False) -> str:
    """An estimate with its 95 % interval: ``12 m (8 to 17)``; says so where there is none."""
    if not known(value):
        return "unknown"
    text = amount(value, unit, digits, sign)
    if known(low) and known(high):
        return f"{text} ({number(low, digits, sign)} to {number(high, digits, sign)})"
    return f"{text} (interval unknown)"


def count(n: int, one: str, many: str | None = None) -> str:
    """``no tacks``, ``1 tack``, ``7 tacks``."""
    n = int(n)
    word = one if n == 1 else (many or one + "s")
    return f"{'no' if n == 0 else n} {word}"


def duration(seconds: Any) -> str:
    """``42 s``, ``7 min``, ``3 h 05 min``."""
    if not known(seconds):
        return "unknown"
    s = float(seconds)
    if s < 99.5:
        return f"{s:.0f}{NARROW}s"
    minutes = round(s / 60)
    if minutes < 60:
        return f"{minutes}{NARROW}min"
    return f"{minutes // 60}{NARROW}h {minutes % 60:02d}{NARROW}min"


def _stamp(time_s: float) -> Any:
    return np.datetime64(math.floor(told_s(time_s)), "s").astype(object)


def clock(time_s: Any, seconds: bool = True) -> str:
    """Time of day by the clock on board."""
    if not known(time_s):
        return "–"
    return str(_stamp(float(time_s)).strftime("%H:%M:%S" if seconds else "%H:%M"))


def zone() -> str:
    """What stands behind a time of day: ``UTC``, ``CEST``."""
    return now_kept().label


def date_words(time_s: Any) -> str:
    """``Saturday 14 June 2025``."""
    if not known(time_s):
        return "date unknown"
    stamp = _stamp(float(time_s))
    return f"{stamp.strftime('%A')} {stamp.day} {stamp.strftime('%B %Y')}"


def bearing(value: Any) -> str:
    """Three figures, true: ``045°``."""
    return f"{round(float(value)) % 360:03d}°" if known(value) else "–"


def listed(words: Iterable[str], last: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    items = [w for w in words if w]
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def position(lat: Any, lon: Any) -> str:
    """``54°12.3′N 010°04.5′E``, to a tenth of a minute."""
    if not (known(lat) and known(lon)):
        return ""
    out = []
    for value, width, letters in ((float(lat), 2, "NS"), (float(lon), 3, "EW")):
        tenths = round(abs(value) * 600)
        out.append(f"{tenths // 600:0{width}d}°{tenths % 600 / 10:04.1f}′"
                   f"{letters[0] if value >= 0 else letters[1]}")
    return " ".join(out)


def sentence(text: str) -> str:
    """First letter upper case, a full stop at the end."""
    text = text.strip()
    if not text:
        return ""
    text = text[0].upper() + text[1:]
    return text if text[-1] in ".!?:" else text + "."
