"""Rudder forces against published formulas and worked numbers."""

import numpy as np
import pytest
from published_cases import published
from pytest import approx

from sailanalysis.core.model import Boat, Rudder
from sailanalysis.helm.rudder import (
    RudderDrag,
    effective_aspect,
    hull_resistance_n,
    induced_drag_n,
    lift_slope_per_rad,
)

CASES = {row["case"]: row for row in published("rudder_cases.csv")}


@pytest.mark.parametrize("row", [r for n, r in CASES.items() if n.startswith("wf_")],
                         ids=lambda r: r["case"])
def test_lift_slope(row):
    """Whicker and Fehlner 1958, DTMB report 933."""
    parts = row["case"].split("_")
    sweep = float(parts[2].removeprefix("sweep")) if len(parts) > 2 else 0.0
    assert lift_slope_per_rad(float(parts[1][2:]), sweep) == approx(float(row["value"]), abs=1e-6)


def test_effective_aspect():
    """Prestero 2001, table 2.2."""
    aspect = effective_aspect(0.00665, 0.0857)
    assert aspect == approx(float(CASES["remus_ARe"]["value"]), abs=0.006)


@pytest.mark.parametrize("row", [r for n, r in CASES.items() if n.startswith("rudder_worked")],
                         ids=lambda r: r["case"])
def test_induced_drag_worked(row):
    """CDi = CL^2/(pi e AR), worked example of the reference table."""
    angle = float(row["case"].rsplit("_", 1)[1])
    assert induced_drag_n(0.35, 4.0, 6.5, angle) == approx(float(row["value"]),
                                                           abs=float(row["tolerance"]))


def test_drag_goes_with_the_mean_square():
    """Mean over a sine is half the steady; helm and sine add: h^2 + a^2/2."""
    wave = np.sin(np.linspace(0, 2 * np.pi, 3601)[:-1])
    steady = float(induced_drag_n(0.35, 4.0, 6.5, 4.0))
    assert induced_drag_n(0.35, 4.0, 6.5, 4 * wave).mean() / steady == approx(
        float(CASES["rudder_sine_mean"]["value"]), abs=1e-9)
    three = float(induced_drag_n(0.35, 4.0, 6.5, 3.0))
    assert induced_drag_n(0.35, 4.0, 6.5, 3 + 4 * wave).mean() / three == approx(
        float(CASES["rudder_helm_plus_sine"]["value"]), abs=1e-9)


def test_share_of_resistance_is_of_a_credible_size():
    """A 10 m boat at 6 kn: 4 deg of rudder costs one to five per cent (common practice)."""
    drag = RudderDrag.of(Boat(lwl_m=9.2, displacement_kg=5500, rudder=Rudder(1, 0.4, 1.2)))
    share = float(drag.share_of_resistance(np.array([6.0]), np.array([4.0]))[0])
    assert 0.01 < share < 0.05
    assert 0 < drag.speed_share(6.0, share) < share


def test_resistance_of_a_ten_metre_hull():
    """About 2-3 % of weight at Froude 0.35-0.4 (common practice)."""
    force = float(hull_resistance_n(9.2, 5500, 6.8))
    assert 0.012 < force / (5500 * 9.81) < 0.035
    speeds = np.linspace(1, 9, 50)
    assert (np.diff(hull_resistance_n(9.2, 5500, speeds)) > 0).all()


def test_unknown_geometry_is_unknown():
    drag = RudderDrag.of(Boat())
    assert not drag.known
    assert "area_m2" in drag.why_not
    assert np.isnan(drag.share_of_resistance(np.array([6.0]), np.array([4.0]))).all()
