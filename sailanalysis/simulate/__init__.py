"""A generator of sailing days with known truth, for the example, the tests and the benchmarks.

It stands apart: it imports nothing from the analysis, and shares no constant with it.
"""

from .boats import BOATS, CATAMARAN, DINGHY, LONG_KEELER, SLOOP, BoatModel, SailSet
from .day import Scenario, SensorErrors, SimulatedDay, simulate_day
from .helms import AUTOPILOT, LEARNER, SKILLED, HelmModel
from .plan import Action, Leg, turns
from .sea import SeaModel
from .sensors import Fault, SensorModel

__all__ = [
    "AUTOPILOT", "BOATS", "CATAMARAN", "DINGHY", "LEARNER", "LONG_KEELER", "SKILLED", "SLOOP",
    "Action", "BoatModel", "Fault", "HelmModel", "Leg", "SailSet", "Scenario", "SeaModel",
    "SensorErrors", "SensorModel", "SimulatedDay", "simulate_day", "turns",
]
