"""Wind with height against published formulas."""

import re

import pytest
from published_cases import published
from pytest import approx

from sailanalysis.wind import profile

ROWS = published("wind_profile_cases.csv")


@pytest.mark.parametrize("row", [r for r in ROWS if r["case"].startswith("log_")],
                         ids=lambda r: r["case"])
def test_log_law(row):
    z0, z = re.search(r"z0 ([\d.]+) m, z (\d+)", row["inputs"]).groups()
    assert float(profile.log_law(float(z), float(z0))) == approx(float(row["value"]), abs=1e-6)


@pytest.mark.parametrize("row", [r for r in ROWS if r["case"].startswith("charnock_ustar")],
                         ids=lambda r: r["case"])
def test_friction_velocity(row):
    wind = float(row["case"].rsplit("_", 1)[1])
    assert float(profile.friction_velocity_ms(wind)) == approx(float(row["value"]), abs=1e-6)


@pytest.mark.parametrize("row", [r for r in ROWS if r["case"].startswith("charnock_z0")],
                         ids=lambda r: r["case"])
def test_roughness(row):
    wind = float(row["case"].rsplit("_", 1)[1])
    assert float(profile.roughness_m(wind)) == approx(float(row["value"]), rel=1e-3)
