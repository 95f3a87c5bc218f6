"""Sensors' remaining errors carried through the polar: sign and size by hand."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from sailanalysis.core.stats import Z95
from sailanalysis.polar.model import LATTICE_TWA_DEG, PolarModel, Surface
from sailanalysis.polar.sensor_error import SENSORS, lean_of, with_sensor_error

TWS = np.arange(8.0, 12.1, 0.5)


def model(speed_kn):
    field = np.broadcast_to(speed_kn, (TWS.size, LATTICE_TWA_DEG.size)).astype(float)
    surface = Surface(field, field, field - 0.3, field + 0.3, np.full(field.shape, 2, np.int8), field * 0 + 600,
                      np.repeat(field[None].astype(np.float32), 4000, axis=0), 6000.0, 10)
    return PolarModel(TWS, {"all": surface}, np.zeros(field.shape), False)


def error(**sd):
    return pd.DataFrame(np.diag([sd.get(name, 0.0) ** 2 for name in SENSORS]), index=SENSORS, columns=SENSORS)


def spread(made, tws, twa):
    """Standard deviation of the draws at a point."""
    return float(made.surfaces["all"].replicates_kn[:, int((tws - 8) * 2), int(twa)].std())


def test_a_speed_error_of_a_constant_polar_is_the_same_share():
    made = with_sensor_error(model(6.0), error(stw_factor=0.02), 0.0).surfaces["all"]
    # 2 % of 6 kn is 0.12 kn, with the fit's own 0.3 as hypotenuse
    assert made.high_kn[4, 90] - 6.0 == approx(np.hypot(0.3, Z95 * 0.12), rel=0.02)
    assert 6.0 - made.low_kn[4, 90] == approx(np.hypot(0.3, Z95 * 0.12), rel=0.02)
    assert made.replicates_kn[:, 4, 90].std() == approx(0.12, rel=0.05)


def test_a_wind_speed_error_moves_a_polar_that_grows_with_the_wind():
    # Running dead before 10 kn at 5: apparent 5 kn aft; 4 % of that is 0.2 kn of true wind, at 0.5 kn a knot 0.1 kn.
    made = with_sensor_error(model(0.5 * TWS[:, None]), error(aws_factor=0.04), 0.0)
    assert spread(made, 10.0, 180) == approx(0.1, rel=0.05)


@pytest.mark.parametrize(("lean", "share"), [(0.0, 0.0), (0.5, 0.5), (1.0, 1.0)])
def test_a_shift_by_side_cancels_where_both_tacks_are_sailed_alike(lean, share):
    # 0.1 kn a degree: a shift of 2 deg on one tack alone is 0.2 kn
    made = with_sensor_error(model(0.1 * LATTICE_TWA_DEG[None, :]), error(shear_deg=2.0), lean)
    assert spread(made, 10.0, 60) == approx(0.2 * share, rel=0.05, abs=1e-3)


def test_lean_counts_seconds_by_side():
    blocks = pd.DataFrame({"side": ["starboard", "port", "starboard"], "seconds": [30.0, 20.0, 30.0]})
    assert lean_of(blocks) == approx(0.5)
    assert lean_of(blocks.iloc[:0]) == 0.0


def test_nothing_known_wrong_changes_nothing():
    same = with_sensor_error(model(6.0), error(), 0.3).surfaces["all"]
    assert same.high_kn == approx(6.3, abs=1e-4) and same.replicates_kn == approx(6.0, abs=1e-4)
