"""The notebook-style report: finished sections, one page, a notebook beside it."""

from __future__ import annotations

from typing import Any

_HOMES = {
    "Section": "sections", "Text": "sections", "Table": "sections", "Figure": "sections",
    "day_sections": "day", "render": "render", "write_day_report": "write",
    "report_notebook": "notebook", "open_day": "notebook", "studied": "notebook",
    "private_day": "private",
    "season_sections": "season", "write_season_report": "season_write", "safe_cell": "safe",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(f"sailanalysis.report.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'sailanalysis.report' has no attribute {name!r}")
