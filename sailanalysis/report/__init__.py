"""The notebook-style report: finished sections, one page, a notebook beside it."""

from __future__ import annotations

from typing import Any

_HOMES = {
    "Section": "page.sections", "Text": "page.sections", "Table": "page.sections",
    "Figure": "page.sections", "render": "page.render", "safe_cell": "page.safe",
    "day_sections": "day.sections", "write_day_report": "day.write",
    "report_notebook": "day.notebook", "open_day": "day.notebook", "studied": "day.notebook",
    "private_day": "day.private",
    "season_sections": "season.sections", "write_season_report": "season.write",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(f"sailanalysis.report.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'sailanalysis.report' has no attribute {name!r}")
