"""Colours by meaning: every figure names a role, the page or the notebook fills in the colour.

A role is a string that starts with ``~``. Two palettes exist: paper by day, dim red by night.
Categories follow the eight colours of Okabe and Ito, which readers with any common colour-vision
deficiency tell apart; the speed scale is a cut of viridis, even in lightness. No colour is ever
the only cue: dashes, marker shapes and labels say the same.

References
----------
.. [1] Okabe and Ito, "Color Universal Design", 2008 (revised palette).
.. [2] Smith and van der Walt, "A better default colormap for matplotlib", SciPy 2015 (viridis).
"""

from __future__ import annotations

from typing import Any, Final

DAY: Final[dict[str, str]] = {
    "~ink": "#1d2733",
    "~soft": "#55606c",
    "~faint": "#c9ced3",
    "~grid": "#e4e4df",
    "~paper": "#fdfcf9",
    "~land": "#d8d2c0",
    "~accent": "#1b5a7d",
    "~shade": "rgba(27,90,125,0.13)",
    "~band": "rgba(85,96,108,0.16)",
    "~port": "#b3261e",
    "~starboard": "#0a7d5c",
    "~none": "#8b949d",
    "~c0": "#0072b2", "~c1": "#d55e00", "~c2": "#009e73", "~c3": "#cc79a7",
    "~c4": "#8a6d00", "~c5": "#56b4e9", "~c6": "#6b4c9a", "~c7": "#7a7a7a",
    "~s0": "#440154", "~s1": "#443983", "~s2": "#31688e", "~s3": "#21918c",
    "~s4": "#35b779", "~s5": "#7cc13d", "~s6": "#c9b800",
    "~d0": "#8c510a", "~d1": "#c98a34", "~d2": "#8b949d", "~d3": "#35978f", "~d4": "#01665e",
    "~sailing": "#56b4e9", "~motoring": "#d58a3c", "~stopped": "#b9bec3",
}
"""Light page."""

NIGHT: Final[dict[str, str]] = {
    "~ink": "#ef4029",
    "~soft": "#e23d28",
    "~faint": "#5a150c",
    "~grid": "#2c0a06",
    "~paper": "#0b0100",
    "~land": "#4a1008",
    "~accent": "#f2452b",
    "~shade": "rgba(242,69,43,0.16)",
    "~band": "rgba(242,69,43,0.14)",
    "~port": "#ff5238",
    "~starboard": "#a32413",
    "~none": "#6b180d",
    "~c0": "#ff5a3c", "~c1": "#a62514", "~c2": "#d93a22", "~c3": "#7d1c0f",
    "~c4": "#f2745c", "~c5": "#c22f1b", "~c6": "#93200f", "~c7": "#6b180d",
    "~s0": "#4a1008", "~s1": "#6b180d", "~s2": "#8c2012", "~s3": "#ad2917",
    "~s4": "#cf331d", "~s5": "#f04a30", "~s6": "#ff8068",
    "~d0": "#4a1008", "~d1": "#7d1c0f", "~d2": "#a62514", "~d3": "#d93a22", "~d4": "#ff6a4e",
    "~sailing": "#cf331d", "~motoring": "#7d1c0f", "~stopped": "#3a0d07",
}
"""Night page: red only, told apart by brightness, dash and shape."""

CATEGORIES: Final = ("~c0", "~c1", "~c2", "~c3", "~c4", "~c5", "~c6", "~c7")
STEPS: Final = ("~s0", "~s1", "~s2", "~s3", "~s4", "~s5", "~s6")
DIVERGING: Final = ("~d0", "~d1", "~d2", "~d3", "~d4")
DASHES: Final = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
PATTERNS: Final = ("", "/", ".", "\\", "x", "-", "|", "+")


def category(position: int) -> dict[str, str]:
    """Colour role, dash and pattern of the ``position``-th category."""
    return {
        "color": CATEGORIES[position % len(CATEGORIES)],
        "dash": DASHES[position % len(DASHES)],
        "pattern": PATTERNS[position % len(PATTERNS)],
    }


def painted(spec: Any, palette: dict[str, str] = DAY) -> Any:
    """Copy of a figure's plain dictionary with roles replaced by a palette's colours."""
    if isinstance(spec, str):
        return palette.get(spec, spec)
    if isinstance(spec, dict):
        return {key: painted(value, palette) for key, value in spec.items()}
    if isinstance(spec, (list, tuple)):
        return [painted(value, palette) for value in spec]
    return spec
