"""Logs in, streams out: every format recognised by content and merged onto one day.

``read_logs`` is the door for one day, ``read_days`` for many; each format has a module of its own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sailanalysis.read.days.card import read_days
    from sailanalysis.read.inspect import inspect_logs, inspect_text
    from sailanalysis.read.logs import read_logs

__all__ = ["inspect_logs", "inspect_text", "read_days", "read_logs"]

_HOMES = {"read_days": "days.card", "read_logs": "logs", "inspect_logs": "inspect",
          "inspect_text": "inspect"}


def __getattr__(name: str) -> Any:
    """Import a door's module on its first use: a wrong file name is answered at once."""
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(f"sailanalysis.read.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
