"""Rows of a published table under tests/published, as dictionaries."""

import csv
from pathlib import Path

HERE = Path(__file__).parent / "published"


def published(name: str, **where: str) -> list[dict[str, str]]:
    """Rows of ``tests/published/NAME`` whose columns equal ``where``; comment lines skipped."""
    with open(HERE / name, newline="", encoding="utf-8") as handle:
        lines = [line for line in handle if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    chosen = [row for row in rows if all(row[key] == value for key, value in where.items())]
    assert chosen, f"{name} has no rows where {where}"
    return chosen
