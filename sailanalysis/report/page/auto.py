"""Tables straight from a data frame: heading and unit from the column's own name."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pandas as pd

from sailanalysis.report.page.sections import Column, Table

_UNITS = (("_per_min", "/min", 0), ("_deg_s", "°/s", 1), ("_deg2_hz", "°²/Hz", 2),
          ("_percent", "%", 1), ("_deg", "°", 1), ("_kn", "kn", 2), ("_kg", "kg", 0),
          ("_hz", "Hz", 2), ("_nm", "NM", 1), ("_min", "min", 0), ("_ratio", "", 2), ("_s", "s", 1),
          ("_m", "m", 0), ("_l", "l", 0))


def auto_table(key: str, caption: str, frame: pd.DataFrame, *,
               labels: Mapping[str, str] | None = None, skip: tuple[str, ...] = (),
               digits: Mapping[str, int] | None = None,
               scrub: Callable[[str], str] = str) -> Table:
    """A table of every column; ``x``, ``x_low`` and ``x_high`` share a cell.

    Parameters
    ----------
    key, caption : str
    frame : DataFrame
    labels, digits : mapping, optional
        Headings and decimals by column.
    skip : tuple of str
    scrub : callable
        Cleans each text.
    """
    labels, digits = labels or {}, digits or {}
    names = [str(c) for c in frame.columns]
    ends: set[str] = set()
    columns = []
    for name in names:
        low, high = _ends(name, names)
        ends |= {low, high} - {""}
    for name in names:
        if name in ends or name in skip:
            continue
        low, high = _ends(name, names)
        stem, unit, places = _split(name)
        values = frame[name]
        numeric = pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)
        if numeric and name not in digits and (values.dropna() % 1 == 0).all() \
                and not unit and not low:
            places = 0
        columns.append(Column(
            name, labels.get(name, stem.replace("_", " ")),
            digits.get(name, places) if numeric else None, unit if name not in labels else "",
            low, high, show="yes" if pd.api.types.is_bool_dtype(values) else "value"))
    rows = [{str(k): scrub(v) if isinstance(v, str) else v for k, v in row.items()}
            for row in frame.to_dict("records")]
    return Table(key, caption, tuple(columns), rows)


def _split(name: str) -> tuple[str, str, int]:
    for ending, unit, places in _UNITS:
        if name.endswith(ending) and len(name) > len(ending):
            return name[: -len(ending)], unit, places
    return name, "", 1


def _ends(name: str, names: list[str]) -> tuple[str, str]:
    """Columns that hold the interval of ``name``, however the two are spelled."""
    stem = _split(name)[0]
    tail = name[len(stem):]
    for low, high in ((f"{name}_low", f"{name}_high"), (f"{stem}_low{tail}", f"{stem}_high{tail}")):
        if low in names and high in names:
            return low, high
    at = names.index(name)
    if names[at + 1: at + 3] == ["low", "high"]:
        return "low", "high"
    return "", ""
