"""The day in states and steady sailing: who drove the boat, on one grid, at one definition."""

from sailanalysis.segment.states import find_states
from sailanalysis.segment.steady import steady_averages

__all__ = ["find_states", "steady_averages"]
