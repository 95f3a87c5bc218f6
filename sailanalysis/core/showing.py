"""How a result shows itself at a prompt and in a notebook: one line, and a small table."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


def one_line(name: str, facts: Mapping[str, object]) -> str:
    """Line for a prompt, e.g. ``PolarModel(days=3, legs=112)``.

    Parameters
    ----------
    name : str
        Of the class.
    facts : mapping of str to object
        Few and short; floats are shown with three digits.
    """
    inside = ", ".join(f"{key}={_short(value)}" for key, value in facts.items())
    return f"{name}({inside})"


def small_html(name: str, facts: Mapping[str, object], table: pd.DataFrame | None = None,
               rows: int = 12) -> str:
    """Fragment of HTML for a notebook: the facts, and the head of one table.

    Parameters
    ----------
    name : str
        Of the class.
    facts : mapping of str to object
    table : DataFrame, optional
    rows : int
        Rows of the table at most; how many there are in all is said below it.

    Returns
    -------
    str
        Everything escaped.
    """
    parts = [f"<b>{escape(name)}</b> " + "; ".join(
        f"{escape(key)} {escape(_short(value))}" for key, value in facts.items())]
    if table is not None and len(table):
        parts.append(table.head(rows).to_html(index=False, escape=True, border=0, na_rep="",
                                              float_format=lambda x: f"{x:.4g}"))
        if len(table) > rows:
            parts.append(f"{rows} of {len(table)} rows")
    return "<div>" + "<br>".join(parts) + "</div>"


def _short(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.3g}"
    text = str(value)
    return text if len(text) <= 80 else text[:77] + "..."
