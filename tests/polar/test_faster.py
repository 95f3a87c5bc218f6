"""A sail set is called faster only where an interval for all cells at once leaves zero out."""

from dataclasses import replace

import numpy as np
import pytest

from sailanalysis.polar.crossovers import RANGE_COLUMNS, _ranges, crossovers_table, faster_ranges
from sailanalysis.polar.model import LATTICE_TWA_DEG, PolarModel, Surface

WINDS = np.arange(8.0, 12.5, 0.5)


def surface(speed, draws):
    shape = (WINDS.size, LATTICE_TWA_DEG.size)
    value = np.broadcast_to(speed, shape).astype(float)
    return Surface(value, value, value, value, np.full(shape, 2, np.int8), np.full(shape, 600.0),
                   (value + draws).astype(np.float32), 1e4, 20)


def model(gain, sd, days=4, seed=0):
    """Two sets that differ by ``gain`` knots at each angle; errors of cells apart."""
    rng = np.random.default_rng(seed)
    shape = (400, WINDS.size, LATTICE_TWA_DEG.size)
    one, other = (surface(6.0 + g, sd / np.sqrt(2) * rng.standard_normal(shape))
                  for g in (0.0, gain))
    return PolarModel(WINDS, {"all": one, "main+jib": one, "main+kite": other},
                      np.zeros(shape[1:]), False, days=days)


def test_after_one_day_no_set_is_ranked():
    lone = model(2.0, 0.1, days=1)
    assert len(crossovers_table(lone)) == 0 and list(faster_ranges(lone).columns) == list(RANGE_COLUMNS)
    assert len(faster_ranges(lone)) == 0
    assert crossovers_table(replace(lone, days=2))["faster"].all()


def test_the_interval_holds_in_all_cells_at_once():
    # 93 cells that err apart: 1 - 0.05 = (2 Phi(z) - 1)^93 gives z = 3.45 (Sidak 1967)
    table = crossovers_table(model(0.28, 0.1))
    reach = (table["gain_kn"] - table["gain_low_kn"]) / 0.1
    assert len(table) == 93 and np.median(reach) == pytest.approx(3.45, abs=0.2)
    assert (table["confidence"] > 0.98).all() and not table["faster"].any()
    assert crossovers_table(model(0.42, 0.1))["faster"].mean() > 0.8


def test_ranges_by_hand():
    gain = np.where(LATTICE_TWA_DEG >= 120, 1.0, np.where(LATTICE_TWA_DEG <= 90, -1.0, 0.0))
    found = faster_ranges(model(gain, 0.05)).set_index("sails")
    kite, jib = found.loc["main+kite"], found.loc["main+jib"]
    assert (kite["twa_low_deg"], kite["twa_high_deg"]) == (120.0, 180.0)
    assert (jib["twa_low_deg"], jib["twa_high_deg"]) == (30.0, 90.0)
    assert (kite["tws_low_kn"], kite["tws_high_kn"], kite["gain_kn"]) == (8.0, 12.0, pytest.approx(1.0))
    # 10 kn true at 90 deg on 6 kn: the apparent wind is at atan(10 / 6)
    assert jib["awa_high_deg"] == pytest.approx(np.degrees(np.arctan2(10, 6)), abs=0.01)


def test_winds_join_while_their_angles_are_alike():
    sure = np.zeros((4, 8), bool)
    sure[0, 2:5] = sure[1, 2:6] = True  # three of four in common
    sure[2, 5:8] = True  # one of three: another range
    assert _ranges(sure) == [([0, 1], [2, 3, 4]), ([2], [5, 6, 7])]
    assert _ranges(np.zeros((3, 3), bool)) == []
