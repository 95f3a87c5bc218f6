"""Tables of a report: rows that sort, filter and copy, and become cards where they do not fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from sailanalysis.report.page.safe import escape, safe_cell
from sailanalysis.report.page.words import known, number

REASONS: Final = frozenset({"remark", "why", "why_not", "advice", "said", "message", "verdict"})
"""Columns that say why or what to do: on a card they come first."""


@dataclass(frozen=True)
class Column:
    """One column of a table: which field, its heading, and how a value is printed.

    ``low`` and ``high`` name the fields of its 95 % interval, printed in the same cell.
    """

    name: str
    label: str
    digits: int | None = None
    unit: str = ""
    low: str = ""
    high: str = ""
    sign: bool = False
    show: Literal["value", "clock", "side", "duration", "yes"] = "value"


@dataclass(frozen=True)
class Table:
    """Rows that sort, filter and copy.

    Attributes
    ----------
    key, caption : str
    columns : tuple of Column
    rows : sequence of mapping
        ``_focus`` holds ``(start_s, end_s, label)`` where the row can be shown on the track.
    filterable : bool
    folded : bool
        Of second rank: shown on demand, below its caption.
    """

    key: str
    caption: str
    columns: tuple[Column, ...]
    rows: Sequence[Mapping[str, Any]]
    filterable: bool = True
    folded: bool = False


def prose(text: str) -> str:
    """Escaped text whose per-cent signs stay with their numbers."""
    return escape(text.replace(" %", "\u00a0%"))


def cell_text(row: Mapping[str, Any], column: Column) -> tuple[str, Any]:
    """Printed text and sort value of a cell."""
    from sailanalysis.report.page import words

    value = row.get(column.name)
    if column.show == "clock":
        return words.clock(value), value
    if column.show == "duration":
        return (words.duration(value) if known(value) else "–"), value
    if column.show == "yes":
        return ("yes" if bool(value) else "no"), int(bool(value))
    if column.digits is not None or (not isinstance(value, str) and known(value)):
        text = number(value, column.digits if column.digits is not None else 0, column.sign)
        if column.low and known(value):
            low, high = row.get(column.low), row.get(column.high)
            if known(low) and known(high):
                text += (f" ({number(low, column.digits or 0, column.sign)}"
                         f" to {number(high, column.digits or 0, column.sign)})")
        return text, value
    text = "" if value is None or (isinstance(value, float) and not known(value)) else str(value)
    return text, text


def table_html(table: Table) -> str:
    """A table with sort buttons, a filter and a copy button (inert without the page's script)."""
    key, focusable = escape(table.key), any("_focus" in row for row in table.rows)
    name = escape(table.caption)
    head = "".join(_head_html(c) for c in table.columns)
    if focusable:
        head = '<th scope="col"><span class="unseen">Show on the track</span></th>' + head
    body = "".join(_row_html(table, row, focusable) for row in table.rows)
    many = table.filterable and len(table.rows) > 5
    tools = (
        (f'<label class="filter">Filter <input type="search" aria-controls="t-{key}" '
         'autocomplete="off"></label>' if many else "")
        + '<button type="button" class="copy">Copy table</button>'
        + '<span class="said" role="status" aria-live="polite"></span>'
    )
    tall = " tall" if len(table.rows) > 14 else ""
    caption = f'<p class="table-caption" id="c-{key}">{prose(table.caption)}</p>'
    html = (
        f'<div class="tools">{tools}</div>{"" if table.folded else caption}'
        f'<div class="scroll{tall}" role="region" tabindex="0" aria-label="{name}">'
        f'<table id="t-{key}" aria-label="{name}">'
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
    )
    if table.folded:
        html = (f'<details class="more"><summary>{prose(table.caption)}</summary>{html}</details>')
    return f'<div class="table" data-table="{key}">{html}</div>'


def _head_html(column: Column) -> str:
    unit = f' <span class="unit">{escape(column.unit)}</span>' if column.unit else ""
    return (f'<th scope="col" aria-sort="none"><button type="button" class="sort">'
            f"{escape(column.label)}{unit}</button></th>")


def _row_html(table: Table, row: Mapping[str, Any], focusable: bool) -> str:
    cells = [_cell_html(row, column, n == 0) for n, column in enumerate(table.columns)]
    if focusable:
        cells.insert(0, _focus_html(row.get("_focus")))
    return f"<tr>{''.join(cells)}</tr>"


def _focus_html(focus: tuple[float, float, str] | None) -> str:
    if focus is None:
        return '<td class="go"></td>'
    label = escape(focus[2])
    return (f'<td class="go"><button type="button" class="focus" data-from="{float(focus[0]):.1f}" '
            f'data-to="{float(focus[1]):.1f}" data-label="{label}" '
            f'aria-label="Show {label} on the track">show</button></td>')


def _cell_html(row: Mapping[str, Any], column: Column, first: bool) -> str:
    text, raw = cell_text(row, column)
    numeric = known(raw) and not isinstance(raw, str)
    value = ""
    if numeric:
        value = f' data-v="{float(raw):{".1f" if column.show == "clock" else ".6g"}}"'
    css = ["num" if numeric or text == "–" else "txt long" if len(text) > 28 else "txt"]
    css += [f"side-{text}"] if column.show == "side" and text in ("port", "starboard") else []
    css += ["name"] if first else ["reason"] if column.name in REASONS else []
    css += ["none"] if text in ("", "–") else []
    # What a copied cell must hold to stay text in a spreadsheet.
    safe = text if numeric else str(safe_cell(text))
    copy = f' data-copy="{escape(safe)}"' if safe != text else ""
    label = escape(column.label + (f" ({column.unit})" if column.unit else ""))
    return f'<td class="{" ".join(css)}" data-l="{label}"{value}{copy}>{escape(text)}</td>'


def plain_table_html(table: Table) -> str:
    """A table for paper: caption, head and rows, nothing to press."""
    def head(column: Column) -> str:
        return escape(column.label + (f" ({column.unit})" if column.unit else ""))

    heads = "".join(f'<th scope="col">{head(c)}</th>' for c in table.columns)
    rows = "".join("<tr>" + "".join(f"<td>{escape(cell_text(row, c)[0])}</td>"
                                    for c in table.columns) + "</tr>" for row in table.rows)
    return (f"<h3>{prose(table.caption)}</h3><table><thead><tr>{heads}</tr></thead>"
            f"<tbody>{rows}</tbody></table>")
