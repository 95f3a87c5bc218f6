"""The notebook-style report: finished sections, one page, a notebook beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # what an editor and a type checker see; loaded on first use below
    from sailanalysis.report.day.notebook import open_day, report_notebook, studied
    from sailanalysis.report.day.sections import day_sections
    from sailanalysis.report.day.write import write_day_report
    from sailanalysis.report.page.render import render
    from sailanalysis.report.page.safe import safe_cell
    from sailanalysis.report.page.sections import Figure, Section, Table, Text
    from sailanalysis.report.private import private_day
    from sailanalysis.report.season.sections import season_sections
    from sailanalysis.report.season.write import write_season_report

_HOMES = {
    "Section": "page.sections", "Text": "page.sections", "Table": "page.sections",
    "Figure": "page.sections", "render": "page.render", "safe_cell": "page.safe",
    "day_sections": "day.sections", "write_day_report": "day.write",
    "report_notebook": "day.notebook", "open_day": "day.notebook", "studied": "day.notebook",
    "private_day": "private",
    "season_sections": "season.sections", "write_season_report": "season.write",
}
__all__ = [
    "Figure", "Section", "Table", "Text", "day_sections", "open_day", "private_day", "render",
    "report_notebook", "safe_cell", "season_sections", "studied", "write_day_report",
    "write_season_report",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(f"sailanalysis.report.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'sailanalysis.report' has no attribute {name!r}")
