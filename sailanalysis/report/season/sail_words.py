"""Which sails where, as one sailor tells it another."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import pandas as pd

MOST: Final = 6
"""Sentences that a reader keeps in mind on the foredeck."""


def crossover_sentences(faster: pd.DataFrame, most: int = MOST) -> list[str]:
    """Say where each sail set is surely faster, what lies between, the widest first.

    Parameters
    ----------
    faster : DataFrame
        As from :func:`sailanalysis.polar.faster_ranges`.
    most : int
    """
    rows: list[Any] = list(faster.itertuples(index=False))
    told: list[tuple[float, str]] = []
    left = list(range(len(rows)))
    for i, row in enumerate(rows):
        partner = next((j for j in left if j != i and i in left and _below(rows[j], row)), None)
        if partner is None:
            continue
        near = rows[partner]
        low, high = max(row.tws_low_kn, near.tws_low_kn), min(row.tws_high_kn, near.tws_high_kn)
        told.append((_size(row) + _size(near),
                     f"In {_span(low, high)} kn {row.sails} from about {_angles(row)}, "
                     f"{near.sails} at {_angles(near)}; between, no difference shown."))
        left = [k for k in left if k not in (i, partner)]
    for i in left:
        row = rows[i]
        told.append((_size(row), f"In {_span(row.tws_low_kn, row.tws_high_kn)} kn {row.sails} "
                                 f"beats {row.over} at {_angles(row)}, by {row.gain_kn:.1f} kn."))
    return [text for _, text in sorted(told, key=lambda t: -t[0])[:most]]


def not_worth(names: Iterable[str], faster: pd.DataFrame) -> list[str]:
    """Pairs of sail sets between which no difference was shown anywhere."""
    listed = sorted(set(names))
    shown = {frozenset(p) for p in zip(faster["sails"], faster["over"], strict=True)} \
        if len(faster) else set()
    return [f"{one} and {two}" for k, one in enumerate(listed) for two in listed[k + 1:]
            if frozenset((one, two)) not in shown]


def _below(near: Any, far: Any) -> bool:
    """Whether the other set of the same pair is faster closer to the wind, in a wind of both."""
    return bool((near.sails, near.over) == (far.over, far.sails)
                and near.twa_high_deg < far.twa_low_deg
                and near.tws_low_kn <= far.tws_high_kn and far.tws_low_kn <= near.tws_high_kn)


def _size(row: Any) -> float:
    return float((row.tws_high_kn - row.tws_low_kn + 2.0) * (
        row.twa_high_deg - row.twa_low_deg + 5.0))


def _span(low: float, high: float) -> str:
    return f"{low:.0f}" if low == high else f"{low:.0f} to {high:.0f}"


def _angles(row: Any) -> str:
    return (f"{_span(row.twa_low_deg, row.twa_high_deg)}° "
            f"(apparent {_span(round(row.awa_low_deg), round(row.awa_high_deg))}°)")
