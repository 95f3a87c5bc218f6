"""The mean current and what the sensors' errors make of it: by hand."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from sailanalysis.calibrate.current import SENSORS, mean_current


def sailed(headings, stw=6.0, set_deg=90.0, drift=0.5, awa=90.0):
    return pd.DataFrame({"hdg_deg": headings, "stw_kn": stw, "leeway_deg": 0.0, "awa_deg": awa,
                         "set_deg": set_deg, "drift_kn": drift})


def error(**sd):
    return pd.DataFrame(np.diag([sd.get(n, 0.0) ** 2 for n in SENSORS]), index=list(SENSORS), columns=list(SENSORS))


def test_a_wheel_read_five_per_cent_wrong_is_a_current_along_the_course():  # 0.05 * 6 = 0.3 kn
    found = mean_current(sailed([90.0] * 10), error(stw_factor=0.05))
    assert (found.set_deg, found.drift_kn) == (approx(90.0), approx(0.5))
    assert (found.low_kn, found.high_kn) == (0.0, approx(0.5 + 1.96 * 0.3, abs=1e-3)) and not found.shown


def test_to_and_fro_the_error_cancels():
    found = mean_current(sailed([90.0, 270.0] * 5), error(stw_factor=0.05, heading_offset_deg=3.0))
    assert (found.low_kn, found.high_kn) == (approx(0.5, abs=1e-6), approx(0.5, abs=1e-6)) and found.shown


def test_a_compass_three_degrees_off_is_a_current_across_the_course():  # 6 * sin 3 deg = 0.314
    across = mean_current(sailed([0.0] * 10), error(heading_offset_deg=3.0))
    along = mean_current(sailed([90.0] * 10), error(heading_offset_deg=3.0))
    assert across.high_kn - across.drift_kn == approx(1.96 * 6 * np.radians(3.0), rel=1e-3)
    assert along.high_kn == approx(along.drift_kn) and along.shown


@pytest.mark.parametrize(("name", "step"), [("stw_factor", 0.01), ("heading_offset_deg", 1.0), ("leeway_deg", 1.0)])
def test_the_slopes_are_those_of_the_current_itself(name, step):
    from sailanalysis.calibrate.current import _slopes
    from sailanalysis.wind.leeway import sail_lift

    rng = np.random.default_rng(5)
    day = sailed(rng.uniform(0, 140, 200), awa=rng.uniform(-120, 120, 200)).assign(stw_kn=rng.uniform(3, 9, 200))

    def water(stw=1.0, turn=0.0):
        course = np.radians(day["hdg_deg"] + turn)
        return np.array([(day["stw_kn"] * stw * np.sin(course)).mean(), (day["stw_kn"] * stw * np.cos(course)).mean()])

    moved = {"stw_factor": water(stw=1 + step), "heading_offset_deg": water(turn=step),
             "leeway_deg": water(turn=-step * sail_lift(day["awa_deg"].to_numpy()))}[name]
    got = _slopes(day)[:, SENSORS.index(name)]
    assert got == approx(-(moved - water()) / step, abs=0.02 * np.hypot(*got) + 1e-3)


def test_without_what_it_needs_nothing_is_said():
    assert np.isnan(mean_current(pd.DataFrame({"stw_kn": [1.0]})).drift_kn)
    known = mean_current(sailed([0.0]))
    assert known.drift_kn == approx(0.5) and np.isnan(known.low_kn) and not known.shown
