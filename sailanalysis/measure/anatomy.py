"""The anatomy of each maneuver: its parts, what each cost, and traces to lay over each other."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from sailanalysis.measure.loss_reference import Response
from sailanalysis.model import Boat


@dataclass(frozen=True)
class ManeuverStudy:
    """What the day's maneuvers looked like and what set the dear ones apart.

    Attributes
    ----------
    table : DataFrame
        One row a costed maneuver: its anatomy.
    traces : dict of int to DataFrame
        By row number of the maneuvers' table: seconds from the crossing and what she did.
    by_helm, by_sails : DataFrame
        Counts, medians and intervals.
    what_matters : tuple of dict
        Rank correlations that stand after correction for their number.
    luffs : DataFrame
        Luffs and what they took: work, not mistakes.
    response : Response
    """

    table: pd.DataFrame
    traces: dict[int, pd.DataFrame]
    by_helm: pd.DataFrame
    by_sails: pd.DataFrame
    what_matters: tuple[dict[str, Any], ...]
    luffs: pd.DataFrame
    response: Response = field(default_factory=Response)


def study_maneuvers(samples: pd.DataFrame, table: pd.DataFrame, cases: list[Any],
                    response: Response, boat: Boat) -> ManeuverStudy:
    """Anatomy of every costed maneuver."""
    empty = pd.DataFrame()
    return ManeuverStudy(empty, {}, empty, empty, (), empty, response)
