"""What a day's summary keeps for later days: its numbers and the exercises it set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from typing import Any, Final

import pandas as pd

from sailanalysis.ledger.exercises import Check, Exercise, PracticeDay, Tomorrow
from sailanalysis.ledger.numbers import BY_NAME, Number

ADVICE_COLUMNS: Final = (
    "proposed", "source", "measure", "helm", "unit", "then", "then_low", "then_high", "since",
    "since_low", "since_high", "change", "change_low", "change_high", "days_before", "days_since",
    "last", "verdict", "rate_then_deg_s", "rate_since_deg_s", "aim")
"""``then``, ``since`` and ``change`` stand in ``unit``; less is better in every measure."""
_DAYS: Final = ("days_before", "days_since")
_TEXTS: Final = ("proposed", "source", "measure", "helm", "unit", "last", "verdict", "aim")


def to_record(tomorrow: Tomorrow | None) -> dict[str, list[dict[str, Any]]]:
    """Plain values for ``summary.json``.

    Parameters
    ----------
    tomorrow : Tomorrow or None
    """
    if tomorrow is None:
        return {"numbers": [], "exercises": []}
    return {"numbers": [asdict(n) for n in tomorrow.numbers],
            "exercises": [asdict(e) for e in tomorrow.exercises]}


def from_record(date: str, record: Mapping[str, Any] | None) -> PracticeDay:
    """What a filed day kept; empty for a day that was filed before there was any.

    Parameters
    ----------
    date : str
    record : mapping or None
        As :func:`to_record` gave it; fields of another edition are left out.
    """
    held = record or {}
    return PracticeDay(
        date, tuple(Number(**_known(Number, one)) for one in held.get("numbers") or ()),
        tuple(Exercise(**_known(Exercise, one)) for one in held.get("exercises") or ()))


def _known(kind: type[Number] | type[Exercise], held: Mapping[str, Any]) -> dict[str, Any]:
    """Fields by name; a null of JSON is an unknown number."""
    return {f.name: float("nan") if held[f.name] is None else held[f.name]
            for f in fields(kind) if f.name in held}


def advice_table(checks: Sequence[Check]) -> pd.DataFrame:
    """Which advice helped, one row an exercise that could be checked.

    Parameters
    ----------
    checks : sequence of Check

    Returns
    -------
    DataFrame
        ``ADVICE_COLUMNS``.
    """
    rows = []
    for one in checks:
        e = one.exercise
        values = {f.name: getattr(one, f.name) for f in fields(Check) if f.name != "exercise"}
        rows.append({**values, "proposed": e.proposed, "source": e.source, "measure": e.measure,
                     "helm": e.helm, "unit": BY_NAME[e.measure].unit, "aim": e.aim})
    table = pd.DataFrame(rows, columns=list(ADVICE_COLUMNS))
    for name in ADVICE_COLUMNS:
        kind = object if name in _TEXTS else "int64" if name in _DAYS else float
        table[name] = table[name].astype(kind)
    return table
