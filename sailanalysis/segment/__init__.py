"""The day cut into states, maneuvers and steady legs."""

from sailanalysis.segment.legs import find_legs
from sailanalysis.segment.maneuvers import find_maneuvers, maneuver_mask
from sailanalysis.segment.states import find_states

__all__ = ["find_legs", "find_maneuvers", "find_states", "maneuver_mask"]
