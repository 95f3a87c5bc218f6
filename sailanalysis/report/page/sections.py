"""What a report is made of: finished sections of text, tables and figures.

A section computes nothing. It shows itself in a notebook and in the page alike; only ``write``
touches the disk.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from sailanalysis.figures.spec import has_values
from sailanalysis.report.page.safe import escape, script_json
from sailanalysis.report.page.table import Column, Table, cell_text, prose, table_html

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


__all__ = ["Block", "Column", "Figure", "Headline", "Section", "Table", "Text", "View",
           "block_html", "cell_text", "figure_html", "figures_of", "prose", "section_html",
           "table_html"]
Block = Text | Table | Figure | View


@dataclass(frozen=True)
class Headline:
    """A finding for the first screen; `report.day.order` says which comes first.

    Attributes
    ----------
    text : str
    weight : float
    minutes : float
        What acting upon it is worth on a day like this; NaN without a price.
    sure : float
        How sure that is, 0 to 1.
    """

    text: str
    weight: float
    minutes: float = float("nan")
    sure: float = 1.0


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
    glance : tuple of str
        What stands on the first screen under the section's own title; empty for nothing.
    """

    key: str
    title: str
    verdict: str
    blocks: tuple[Block, ...] = ()
    how: tuple[str, ...] = ()
    source: tuple[str, ...] = ()
    code: str = ""
    headlines: tuple[Headline, ...] = field(default=())
    glance: tuple[str, ...] = field(default=())

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
def block_html(block: Block) -> str:
    """HTML fragment of one block; nothing for a figure without a single value."""
    if isinstance(block, Text):
        return _text_html(block)
    if isinstance(block, Table):
        return table_html(block)
    if isinstance(block, Figure):
        return figure_html(block) if has_values(block.spec) else ""
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
        f"</label><label>Pace <select class=\"pace\"><option value=\"1\">true pace</option>"
        f'<option value="5">5 ×</option><option value="20">20 ×</option>'
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


def section_html(section: Section, extra: str = "", folded: bool = False) -> str:
    """HTML of one section.

    Parameters
    ----------
    section : Section
    extra : str
        HTML that goes before the folded method.
    folded : bool
        Show title and verdict alone until the reader opens it.
    """
    key = escape(section.key)
    body = "".join(block_html(block) for block in section.blocks) + extra + _how_html(section)
    title = f'<h2 id="h-{key}" tabindex="-1">{escape(section.title)}</h2>'
    if not folded:
        return (f'<section id="{key}" aria-labelledby="h-{key}">{title}'
                f'<p class="verdict">{prose(section.verdict)}</p>{body}</section>')
    return (
        f'<section id="{key}" aria-labelledby="h-{key}"><details class="fold"><summary>{title}'
        f'<span class="verdict">{prose(section.verdict)}</span></summary>'
        f'<div class="folded">{body}</div></details></section>'
    )
