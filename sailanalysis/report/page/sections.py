"""What a report is made of: finished sections of text, tables and figures.

A section computes nothing. It shows itself in a notebook and in the page alike; only ``write``
touches the disk.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from sailanalysis.report.page.safe import escape, safe_cell, script_json
from sailanalysis.report.page.words import known, number

Spec = dict[str, Any]


@dataclass(frozen=True)
class Text:
    """Paragraphs of plain text; escaped when shown.

    Attributes
    ----------
    paragraphs : tuple of str
    kind : {"prose", "caution", "unknown", "list", "heading"}
        ``caution`` and ``unknown`` are set apart; ``list`` makes each paragraph an item.
    """

    paragraphs: tuple[str, ...]
    kind: Literal["prose", "caution", "unknown", "list", "heading"] = "prose"


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
    """

    key: str
    caption: str
    columns: tuple[Column, ...]
    rows: Sequence[Mapping[str, Any]]
    filterable: bool = True


@dataclass(frozen=True)
class Figure:
    """A drawing with a caption that stands alone and words for who cannot see it.

    ``wide`` takes the page's full width; two ``half`` ones in a row stand side by side.
    """

    key: str
    caption: str
    alt: str
    spec: Spec
    wide: bool = False
    half: bool = False

    @property
    def height(self) -> int:
        """Height in pixels."""
        return int(self.spec["layout"].get("height", 380))

    def plotly(self) -> Any:
        """Plotly Figure, validated."""
        from sailanalysis.figures.spec import to_plotly

        return to_plotly(self.spec)


@dataclass(frozen=True)
class View:
    """The track and the strip charts, linked, with the replay slider.

    ``detail`` holds the finer samples that the page draws from when zoomed in.
    """

    key: str
    track: Figure | None
    strips: Figure
    detail: dict[str, Any]
    colourings: tuple[tuple[str, str], ...] = ()
    channels: tuple[tuple[str, str, bool], ...] = ()


Block = Text | Table | Figure | View


@dataclass(frozen=True)
class Headline:
    """A finding for the first screen; the weightiest stand first."""

    text: str
    weight: float


@dataclass(frozen=True)
class Section:
    """One question answered.

    Attributes
    ----------
    key : str
        Stable: link, replace, omit.
    title : str
    verdict : str
        The finding in a sentence.
    blocks : tuple of Text, Table, Figure or View
    how : tuple of str
        How it was computed.
    source : tuple of str
        Publications the method rests on.
    code : str
        The lines that make it in the notebook.
    headlines : tuple of Headline
        What of it belongs on the first screen.
    """

    key: str
    title: str
    verdict: str
    blocks: tuple[Block, ...] = ()
    how: tuple[str, ...] = ()
    source: tuple[str, ...] = ()
    code: str = ""
    headlines: tuple[Headline, ...] = field(default=())

    def figure(self, key: str) -> Figure:
        """One figure by its key.

        Raises
        ------
        KeyError
            Names the figures that there are.
        """
        here = {f.key: f for f in figures_of(self)}
        if key not in here:
            raise KeyError(f"section {self.key!r} has no figure {key!r}; it has {sorted(here)}")
        return here[key]

    def weight_kb(self) -> int:
        """Size of the section in the page, in kilobytes."""
        return len(section_html(self).encode()) // 1024

    def __repr__(self) -> str:
        kinds = ", ".join(type(b).__name__.lower() for b in self.blocks) or "empty"
        return f"<Section {self.key!r}: {self.verdict} [{kinds}; {self.weight_kb()} kB]>"

    def _repr_html_(self) -> str:
        return section_html(self)

    def _ipython_display_(self) -> None:
        from IPython.display import HTML, display

        display(HTML(f"<h2>{escape(self.title)}</h2><p><b>{escape(self.verdict)}</b></p>"))
        for block in self.blocks:
            if isinstance(block, Figure):
                display(block.plotly())
            elif isinstance(block, View):
                if block.track is not None:
                    display(block.track.plotly())
                display(block.strips.plotly())
            else:
                display(HTML(block_html(block)))
            if isinstance(block, Figure) and block.caption:
                display(HTML(f"<p><i>{escape(block.caption)}</i></p>"))
        display(HTML(_how_html(self)))


def figures_of(section: Section) -> list[Figure]:
    """All figures of a section, those of a linked view included."""
    found: list[Figure] = []
    for block in section.blocks:
        if isinstance(block, Figure):
            found.append(block)
        elif isinstance(block, View):
            found += ([block.track] if block.track else []) + [block.strips]
    return found


# ---------------------------------------------------------------- HTML
def prose(text: str) -> str:
    """Escaped text whose per-cent signs stay with their numbers."""
    return escape(text.replace(" %", "\u00a0%"))


def block_html(block: Block) -> str:
    """HTML fragment of one block."""
    if isinstance(block, Text):
        return _text_html(block)
    if isinstance(block, Table):
        return table_html(block)
    if isinstance(block, Figure):
        return figure_html(block)
    return view_html(block)


def _text_html(block: Text) -> str:
    if block.kind == "heading":
        return "".join(f"<h3>{escape(p)}</h3>" for p in block.paragraphs)
    if block.kind == "list":
        items = "".join(f"<li>{prose(p)}</li>" for p in block.paragraphs)
        return f'<ul class="plain">{items}</ul>'
    body = "".join(f"<p>{prose(p)}</p>" for p in block.paragraphs)
    if block.kind == "prose":
        return body
    label = {"caution": "Caution", "unknown": "Not known"}[block.kind]
    return f'<div class="{block.kind}" role="note"><p class="label">{label}</p>{body}</div>'


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
    focusable = any("_focus" in row for row in table.rows)
    head = "".join(
        f'<th scope="col" aria-sort="none"><button type="button" class="sort">{escape(c.label)}'
        + (f' <span class="unit">{escape(c.unit)}</span>' if c.unit else "")
        + "</button></th>"
        for c in table.columns
    )
    if focusable:
        head = '<th scope="col"><span class="unseen">Show on the track</span></th>' + head
    body = []
    for row in table.rows:
        cells = []
        for column in table.columns:
            text, raw = cell_text(row, column)
            numeric = known(raw) and not isinstance(raw, str)
            attributes = f' data-v="{float(raw):.6g}"' if numeric and column.show != "clock" else (
                f' data-v="{float(raw):.1f}"' if numeric else "")
            css = "num" if (numeric or text == "–") else ("txt long" if len(text) > 28 else "txt")
            if column.show == "side" and text in ("port", "starboard"):
                css += f" side-{text}"
            # What a copied cell must hold to stay text in a spreadsheet.
            safe = str(safe_cell(text)) if not numeric else text
            copy = f' data-copy="{escape(safe)}"' if safe != text else ""
            cells.append(f'<td class="{css}"{attributes}{copy}>{escape(text)}</td>')
        if focusable:
            focus = row.get("_focus")
            cells.insert(0, '<td class="go"></td>' if focus is None else (
                f'<td class="go"><button type="button" class="focus" '
                f'data-from="{float(focus[0]):.1f}" data-to="{float(focus[1]):.1f}" '
                f'data-label="{escape(focus[2])}" '
                f'aria-label="Show {escape(focus[2])} on the track">show</button></td>'))
        body.append(f"<tr>{''.join(cells)}</tr>")
    many = table.filterable and len(table.rows) > 5
    tools = (
        (f'<label class="filter">Filter <input type="search" '
         f'aria-controls="t-{escape(table.key)}" autocomplete="off"></label>' if many else "")
        + '<button type="button" class="copy">Copy table</button>'
        + '<span class="said" role="status" aria-live="polite"></span>'
    )
    tall = " tall" if len(table.rows) > 14 else ""
    return (
        f'<div class="table" data-table="{escape(table.key)}"><div class="tools">{tools}</div>'
        f'<p class="table-caption" id="c-{escape(table.key)}">{prose(table.caption)}</p>'
        f'<div class="scroll{tall}" role="region" tabindex="0" '
        f'aria-labelledby="c-{escape(table.key)}">'
        f'<table id="t-{escape(table.key)}" aria-labelledby="c-{escape(table.key)}">'
        f"<thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody></table></div></div>"
    )


def figure_html(figure: Figure, tools: bool = True) -> str:
    """A place for the figure and its data; the page's script draws it when it comes into view."""
    key = escape(figure.key)
    buttons = (
        f'<span class="tools"><button type="button" class="save" data-save="png" '
        f'aria-label="Save figure {key} as PNG">PNG</button> '
        f'<button type="button" class="save" data-save="svg" '
        f'aria-label="Save figure {key} as SVG">SVG</button></span>' if tools else ""
    )
    width = "wide" if figure.wide else "half" if figure.half else ""
    return (
        f'<figure id="fig-{key}" class="{width}">'
        f'<div class="plot" role="group" aria-roledescription="figure" '
        f'aria-label="{escape(figure.alt)}" data-figure="{key}" '
        f'style="min-height:{figure.height}px"></div>'
        f'<script type="application/json" id="spec-{key}">{script_json(figure.spec)}</script>'
        f"<figcaption>{prose(figure.caption)} {buttons}</figcaption></figure>"
    )


def view_html(view: View) -> str:
    """Track, strips, their choices and the replay slider."""
    options = "".join(f'<option value="{escape(k)}">{escape(label)}</option>'
                      for k, label in view.colourings)
    boxes = "".join(
        f'<label><input type="checkbox" value="{escape(k)}"{" checked" if on else ""}> '
        f"{escape(label)}</label>"
        for k, label, on in view.channels
    )
    colour = (f'<label>Colour the track by <select class="colour-by">{options}</select></label>'
              if view.track is not None and options else "")
    track = (
        f'<div class="tools">{colour}'
        f'<button type="button" class="zoom" data-zoom="in">Closer</button>'
        f'<button type="button" class="zoom" data-zoom="out">Wider</button>'
        f'<button type="button" class="whole">Whole day</button></div>'
        + (f'<p class="legend" aria-live="polite"></p>{figure_html(view.track)}'
           if view.track is not None else "")
    )
    return (
        f'<div class="view" id="view-{escape(view.key)}">'
        f'<p class="focus-said" role="status" aria-live="polite"></p>'
        f"{track}"
        f'<div class="replay"><button type="button" class="play" aria-pressed="false">Play</button>'
        f'<label>Replay <input type="range" class="at" min="0" max="1000" value="0" step="1">'
        f"</label><label>Pace <select class=\"pace\"><option value=\"20\">20 ×</option>"
        f'<option value="60" selected>60 ×</option><option value="240">240 ×</option></select>'
        f'</label></div><div class="readout"><svg class="rose" viewBox="-50 -50 100 100" '
        f'role="img" aria-label="Bow, wind and current at this moment" width="84" height="84">'
        f'<circle r="47" class="ring"/><path class="hull" d="M0-34C9-18 11 4 8 28H-8C-11 4-9-18 '
        f'0-34Z"/><path class="wind" d="M0-18V-46M0-18l-5-9M0-18l5-9"/>'
        f'<path class="tide" d="M0 20V44M0 44l-4-7M0 44l4-7"/></svg>'
        f'<dl class="values"></dl></div>'
        f'<details class="choose"><summary>Choose the strips</summary>'
        f'<fieldset class="channels"><legend class="unseen">Channels shown</legend>{boxes}'
        f"</fieldset></details>"
        f"{figure_html(view.strips)}"
        f'<script type="application/json" class="detail">{script_json(view.detail)}</script></div>'
    )


def _how_html(section: Section) -> str:
    if not (section.how or section.source or section.code):
        return ""
    body = "".join(f"<p>{escape(p)}</p>" for p in section.how)
    if section.source:
        body += '<p class="label">Source</p><ul class="sources">' + "".join(
            f"<li>{escape(s)}</li>" for s in section.source) + "</ul>"
    if section.code:
        body += (f'<p class="label">In the notebook</p><pre tabindex="0"><code>'
                 f"{escape(section.code)}</code></pre>")
    return f'<details class="how"><summary>How this was computed</summary>{body}</details>'


def section_html(section: Section, extra: str = "") -> str:
    """HTML of one section; ``extra`` (already HTML) goes before the folded method."""
    key = escape(section.key)
    blocks = "".join(block_html(block) for block in section.blocks)
    return (
        f'<section id="{key}" aria-labelledby="h-{key}"><h2 id="h-{key}" tabindex="-1">'
        f'{escape(section.title)}</h2><p class="verdict">{prose(section.verdict)}</p>'
        f"{blocks}{extra}{_how_html(section)}</section>"
    )
