"""Can the instruments be believed: sensor errors with their uncertainty, and sensor health."""

from sailanalysis.calibrate.estimate import (
    CalibrationResult,
    SensorEstimate,
    estimate_calibration,
)
from sailanalysis.calibrate.health import HealthResult, sensor_health

__all__ = ["CalibrationResult", "HealthResult", "SensorEstimate", "estimate_calibration",
           "sensor_health"]
