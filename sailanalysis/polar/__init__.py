"""The boat's own polar: fitted from steady sailing, with intervals, targets and crossovers.

`fit_polar` takes the blocks of `sailanalysis.segment.steady_averages` and gives a `PolarModel`,
which is called like a function; the tables are made from it.
"""

from sailanalysis.polar.crossovers import (
    crossover_angles,
    crossovers_table,
    faster_ranges,
    sail_change_pairs,
)
from sailanalysis.polar.fit import fit_polar, no_polar
from sailanalysis.polar.model import Effect, PolarModel, Surface, polar_table
from sailanalysis.polar.ratio import leg_polar_ratio
from sailanalysis.polar.targets import targets_table

__all__ = [
    "Effect", "PolarModel", "Surface", "crossover_angles", "crossovers_table", "faster_ranges",
    "fit_polar",
    "leg_polar_ratio", "no_polar", "polar_table", "sail_change_pairs", "targets_table",
]
