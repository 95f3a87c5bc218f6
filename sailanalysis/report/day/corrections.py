"""The line that every page opens with: what was corrected, by how much, and who says so."""

from __future__ import annotations

from typing import Final

from sailanalysis.calibrate.apply import AppliedCorrection, Corrections, is_factor
from sailanalysis.calibrate.estimate import Correction
from sailanalysis.report.page.words import amount, interval, known, number

EVENED_TOLD_DEG: Final = 0.75
"""A smaller difference between the tacks is nobody's fault."""
NAMES: Final[dict[str, tuple[str, int]]] = {
    "stw_factor": ("boat speed", 3), "awa_offset_deg": ("vane", 1),
    "aws_factor": ("wind speed", 2), "heading_offset_deg": ("compass", 1),
    "upwash_deg": ("upwash", 1), "leeway_deg": ("leeway", 1), "leeway_k": ("leeway", 1),
}
"""What a correction is called, and its digits."""
SOURCES: Final = {
    "boat file": "from the boat file", "season": "from the season", "today": "from today's sailing",
    "season and today": "from the season and today", "usual": "a usual value, nobody measured it",
}


def correction_name(name: str) -> str:
    """``boat-speed correction``."""
    return NAMES[name][0].replace(" ", "-") + " correction"


def corrections_line(corrections: Corrections | None, as_logged: bool = False) -> str:
    """One line on what the numbers were corrected with."""
    if corrections is None:
        return ""
    told = [_words(c) for c in corrections.items
            if c.matters and c.sensor not in ("leeway_deg", "leeway_k")]
    leeway = [_leeway(c) for c in corrections.items if c.sensor in ("leeway_deg", "leeway_k")]
    if not corrections.items:
        return "Numbers here are as logged: no correction was made."
    first = (f"Numbers here are corrected: {', '.join(told)}" if told
             else "No sensor is corrected here")
    return "; ".join([first, *leeway, *_evening(corrections)]) + "."


def _evening(corrections: Corrections) -> list[str]:
    """What was done about tacks whose angles differ."""
    shift = corrections.vane_left_deg + corrections.shear_deg
    if abs(shift) < EVENED_TOLD_DEG:
        return []
    return [f"the tacks, whose angles differ by {amount(2 * abs(shift), '°', 0)}, are evened for "
            "polar and targets (a crooked vane, a wind that turns with height or a rig out of "
            "tune: today cannot tell which)"]


def _words(c: AppliedCorrection) -> str:
    name, digits = NAMES[c.sensor]
    if is_factor(c.sensor):
        text = f"{name} × {number(c.value, digits)}"
        ends = f"{number(c.low, digits)} to {number(c.high, digits)}"
    else:
        value = -c.value if c.sensor == "upwash_deg" else c.value
        text = f"{name} {number(value, digits, True)}°"
        low, high = sorted((-c.low, -c.high) if c.sensor == "upwash_deg" else (c.low, c.high))
        ends = f"{number(low, digits, True)} to {number(high, digits, True)}"
    return f"{text} ({ends})" if known(c.low) else f"{text} (boat file)"


def _leeway(c: AppliedCorrection) -> str:
    if c.sensor == "leeway_k":
        return f"leeway by the boat file's coefficient {number(c.value, 1)}"
    return (f"leeway {interval(c.value, c.low, c.high, '°', 1)} close-hauled, "
            f"{SOURCES[c.source]}")


def calibration_lines(estimates: dict[str, Correction]) -> list[str]:
    """What the ``calibrate`` command prints: a line a correction."""
    lines = []
    for name, found in estimates.items():
        label = correction_name(name) + (" (coefficient)" if name == "leeway_k" else "")
        if not found["determined"] or found["value"] is None:
            lines.append(f"{label:<32} not determined: {found['why_not'] or 'unknown'}")
            continue
        unit = "times " if is_factor(name) else "plus " if "offset" in name else ""
        lines.append(f"{label:<32} {unit}{found['value']:.3f}  (95 % interval {found['low']:.3f} "
                     f"to {found['high']:.3f}, beyond what the boat file holds)")
    return lines
