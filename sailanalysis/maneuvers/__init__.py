"""Tacks, gybes, luffs and what they cost; the steady legs between them."""

from sailanalysis.maneuvers.find import find_maneuvers, maneuver_mask
from sailanalysis.maneuvers.legs import find_legs
from sailanalysis.maneuvers.rate import rate_maneuvers

__all__ = ["find_legs", "find_maneuvers", "maneuver_mask", "rate_maneuvers"]
