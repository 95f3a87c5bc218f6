"""A generator of sailing days with known truth, for the example, the tests and the benchmarks.

It stands apart: it imports nothing from the analysis, and shares no constant with it.
"""

from .boats import BOATS, CATAMARAN, DINGHY, LONG_KEELER, SLOOP, BoatModel, SailSet
from .day import Scenario, SensorErrors, SimulatedDay, simulate_day
from .helms import AUTOPILOT, LEARNER, SKILLED, HelmModel
from .plan import Action, Leg, turns
from .scenarios import KINDS, UNUSUAL, random_scenario, season, unusual
from .sea import SeaModel
from .sensors import Fault, SensorModel
from .write_nmea0183 import LogFaults, write_nmea0183
from .write_nmea2000 import write_nmea2000
from .write_text import write_boat_file, write_crew_log, write_csv, write_gpx, write_signalk

__all__ = [
    "AUTOPILOT", "BOATS", "CATAMARAN", "DINGHY", "KINDS", "LEARNER", "LONG_KEELER", "SKILLED",
    "SLOOP", "UNUSUAL",
    "Action", "BoatModel", "Fault", "HelmModel", "Leg", "LogFaults", "SailSet", "Scenario",
    "SeaModel", "SensorErrors", "SensorModel", "SimulatedDay", "random_scenario", "season",
    "simulate_day", "turns", "unusual",
    "write_boat_file", "write_crew_log", "write_csv", "write_gpx", "write_nmea0183",
    "write_nmea2000", "write_signalk",
]
