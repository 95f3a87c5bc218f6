"""The day in states and steady sailing: who drove the boat, on one grid, at one definition."""

from sailanalysis.segment.states import States, find_states
from sailanalysis.segment.steady import steady_averages
from sailanalysis.segment.use import SURE, is_sailed, is_under_way

__all__ = ["SURE", "States", "find_states", "is_sailed", "is_under_way", "steady_averages"]
