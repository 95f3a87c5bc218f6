"""A day's scores, and where they lie among those of earlier days."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.day import UsualFigure

LEAST_DAYS: Final = 3
"""Fewer days have no usual (common practice)."""
SCORES: Final = ("tack_loss_s", "gybe_loss_s", "sailing_h", "distance_nm")
"""What is set beside the usual day, in this order."""


def day_scores(maneuvers: pd.DataFrame, sailing_s: float, distance_nm: float) -> dict[str, float]:
    """A day in a few numbers; what is not known is left out.

    Parameters
    ----------
    maneuvers : DataFrame
        As published: medians of the rated ones are taken.
    sailing_s, distance_nm : float
    """
    out = {"sailing_h": sailing_s / 3600.0, "distance_nm": distance_nm}
    if len(maneuvers):
        rated = maneuvers[maneuvers["rated"].astype(bool)]
        for kind in ("tack", "gybe"):
            out[f"{kind}_loss_s"] = float(rated.loc[rated["kind"] == kind, "loss_s"].median())
    return {name: float(value) for name, value in out.items() if np.isfinite(value)}


def usual_figures(today: Mapping[str, float],
                  earlier: Sequence[Mapping[str, float]]) -> tuple[UsualFigure, ...]:
    """Today's scores beside the middle half of the earlier days'.

    Parameters
    ----------
    today : mapping of str to float
        As `day_scores`.
    earlier : sequence of mapping
        Those of other days.
    """
    out = []
    for name in SCORES:
        past = np.array([day[name] for day in earlier if name in day], dtype=float)
        if name in today and past.size >= LEAST_DAYS:
            low, middle, high = np.percentile(past, [25, 50, 75])
            out.append(UsualFigure(name, today[name], float(low), float(middle), float(high),
                                   float(past.min()), float(past.max()), past.size))
    return tuple(out)
