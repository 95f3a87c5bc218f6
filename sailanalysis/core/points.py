"""Point of sail, defined once: what counts as upwind, reaching and downwind.

A table, a figure and a sentence about the same leg use the same word for it, because all of them
ask here.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

PointOfSail = Literal["upwind", "reach", "downwind", ""]

UPWIND_TWA_DEG: Final = 65.0
"""She sails upwind forward of this angle: the widest angle at which cruising boats make their best
speed to windward is about 60 deg (a heavy catamaran), and a helm strays some 5 deg about it
(common practice)."""
DOWNWIND_TWA_DEG: Final = 125.0
"""She sails downwind abaft this angle: the highest angle at which boats make their best speed
downwind is about 130 deg (fast catamarans and sport boats in a breeze), and a helm strays some
5 deg about it (common practice)."""

POINTS: Final[tuple[PointOfSail, ...]] = ("upwind", "reach", "downwind")

SECTORS: Final = (
    ("close-hauled", 30.0, 52.5), ("close reach", 52.5, 77.5), ("beam reach", 77.5, 102.5),
    ("broad reach", 102.5, 142.5), ("run", 142.5, 180.0),
)
"""Five courses by their everyday names, each 25 deg or more about its usual angle (common
practice), for saying what to sail next: name, first and last true wind angle in degrees. Where a
result is sorted by point of sail, the three ``POINTS`` are used."""


def is_upwind(twa_deg: ArrayLike) -> NDArray[np.bool_]:
    """Whether each true wind angle (signed or not, degrees) is sailed upwind; False for NaN."""
    return np.asarray(np.abs(np.asarray(twa_deg, dtype=float)) < UPWIND_TWA_DEG)


def is_downwind(twa_deg: ArrayLike) -> NDArray[np.bool_]:
    """Whether each true wind angle (signed or not, degrees) is sailed downwind; False for NaN."""
    return np.asarray(np.abs(np.asarray(twa_deg, dtype=float)) > DOWNWIND_TWA_DEG)


def point_of_sail(twa_deg: float) -> PointOfSail:
    """Name the point of sail of one true wind angle.

    Parameters
    ----------
    twa_deg : float
        True wind angle off the bow, -180..180; the side does not matter.

    Returns
    -------
    {"upwind", "reach", "downwind", ""}
        ``upwind`` below ``UPWIND_TWA_DEG``, ``downwind`` above ``DOWNWIND_TWA_DEG``, ``reach``
        between them and on the bounds themselves; empty where the angle is not known.
    """
    if not np.isfinite(twa_deg):
        return ""
    if is_upwind(twa_deg):
        return "upwind"
    return "downwind" if is_downwind(twa_deg) else "reach"
