"""Wind and water: definitions, corrections, true wind, current, wind from the track."""

from sailanalysis.wind.direction import smooth_wind_direction
from sailanalysis.wind.track import TrackWind, wind_from_track
from sailanalysis.wind.triangle import apparent_wind, current, true_wind
from sailanalysis.wind.variation import variation_deg
from sailanalysis.wind.water import wind_and_water

__all__ = [
    "TrackWind", "apparent_wind", "current", "smooth_wind_direction", "true_wind",
    "variation_deg", "wind_and_water", "wind_from_track",
]
