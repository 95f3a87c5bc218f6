"""A reference polar that somebody wrote down: a designer's, a rating office's, a sister ship's.

Either a plain table with the columns ``tws_kn, twa_deg, stw_kn`` in any order, or a matrix: the
first column holds true wind angles, the first row true wind speeds, the cells boat speeds in
knots; cells may be empty. Comma or semicolon between, a decimal point.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Final

from sailanalysis.core.model import ReferencePolar

PLAIN: Final = ("tws_kn", "twa_deg", "stw_kn")
_MOST_BYTES: Final = 1_000_000
_MOST_KN: Final = 100.0


def read_reference_polar(path: str | Path) -> ReferencePolar:
    """Read a reference polar.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    ReferencePolar

    Raises
    ------
    ValueError
        In one line, what is wrong with the file.
    """
    path = Path(path)
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise ValueError(f"{path.name} is too large for a polar")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ValueError(f"{path.name} cannot be read as text") from error
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    if len(lines) < 2:
        raise ValueError(f"{path.name} holds no table")
    between = ";" if lines[0].count(";") > lines[0].count(",") else ","
    rows = [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=between)]
    names = [name.lower() for name in rows[0]]
    plain = set(PLAIN) <= set(names)
    points = _plain(path.name, names, rows) if plain else _matrix(path.name, rows)
    for tws, twa, stw in points:
        if not (0 < tws < _MOST_KN and 0 <= twa <= 180 and 0 <= stw < _MOST_KN):
            raise ValueError(f"{path.name}: {stw:g} kn at {twa:g} deg in {tws:g} kn cannot be")
    if not points:
        raise ValueError(f"{path.name} holds no boat speed")
    return ReferencePolar(path.stem, tuple(sorted(points)))


def _plain(name: str, names: list[str], rows: list[list[str]]) -> list[tuple[float, float, float]]:
    at = [names.index(column) for column in PLAIN]
    out = []
    for number, row in enumerate(rows[1:], 2):
        cells = [row[i] if i < len(row) else "" for i in at]
        if cells[2]:
            tws, twa, stw = (_value(name, number, cell) for cell in cells)
            out.append((tws, abs(twa), stw))
    return out


def _matrix(name: str, rows: list[list[str]]) -> list[tuple[float, float, float]]:
    winds = [_value(name, 1, cell) for cell in rows[0][1:]]
    return [(tws, abs(_value(name, number, row[0])), _value(name, number, cell))
            for number, row in enumerate(rows[1:], 2)
            for tws, cell in zip(winds, row[1:], strict=False) if cell]


def _value(name: str, number: int, cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        raise ValueError(f"{name}, line {number}: {cell[:20]!r} is not a number") from None
