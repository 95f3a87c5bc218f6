"""What a day on the water was worth: sailing logs in, an honest report out.

The names below load on first use; everything else is reached by its room, e.g.
``sailanalysis.wind.triangle``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # what an editor and a type checker see; loaded on first use below
    from sailanalysis.app.pipeline import analyse, analyse_season
    from sailanalysis.app.shipped import example_folder
    from sailanalysis.core.model import Boat
    from sailanalysis.day import Day
    from sailanalysis.read import read_logs
    from sailanalysis.read.written.boatfile import read_boat_file
    from sailanalysis.read.written.crewlog import read_crew_log
    from sailanalysis.report import day_sections
    from sailanalysis.season import Archive

__version__ = "0.1.0"

_HOMES = {
    "analyse": "sailanalysis.app.pipeline",
    "analyse_season": "sailanalysis.app.pipeline",
    "read_logs": "sailanalysis.read",
    "read_boat_file": "sailanalysis.read.written.boatfile",
    "read_crew_log": "sailanalysis.read.written.crewlog",
    "Archive": "sailanalysis.season",
    "Day": "sailanalysis.day",
    "Boat": "sailanalysis.core.model",
    "day_sections": "sailanalysis.report",
    "example_folder": "sailanalysis.app.shipped",
}
__all__ = ["Archive", "Boat", "Day", "__version__", "analyse", "analyse_season", "day_sections",
           "example_folder", "read_boat_file", "read_crew_log", "read_logs"]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'sailanalysis' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
