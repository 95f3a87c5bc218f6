"""Best VMG against closed forms."""

import numpy as np
import pytest
from published_cases import published

from sailanalysis.polar.model import LATTICE_TWA_DEG, PolarModel, Surface
from sailanalysis.polar.targets import best_vmg, targets_table

ANGLE = LATTICE_TWA_DEG


def value(case):
    return float(published("polar_vmg_cases.csv", case=case)[0]["value"])


@pytest.mark.parametrize(("speed", "angle_case", "vmg_case", "sign"), [
    (lambda a: 8 * np.sin(np.radians(a)), "sin_up_angle", "sin_up_vmg", 1),
    (lambda a: 8 * np.sin(np.radians(a)), "sin_dn_angle", None, -1),
    (lambda a: 6 * (1 - np.cos(np.radians(a))), "cardioid_up_angle", "cardioid_up_vmg", 1),
    (lambda a: 7 * np.sqrt(np.sin(np.radians(a))), "sqrtsin_up_angle", "sqrtsin_up_vmg", 1),
])
def test_best_vmg_of_closed_form_polars(speed, angle_case, vmg_case, sign):
    half = ANGLE <= 90 if sign > 0 else ANGLE >= 90
    made = np.where(half, speed(ANGLE) * np.cos(np.radians(ANGLE)), np.nan)
    angle, vmg, edge = best_vmg(ANGLE, made[None, :], sign)
    assert not edge[0]
    assert angle[0] == pytest.approx(value(angle_case), abs=0.01)
    if vmg_case:
        assert vmg[0] == pytest.approx(value(vmg_case), rel=1e-5)


@pytest.mark.parametrize("beta", [15, 20, 25, 30, 35])
def test_best_vmg_by_the_course_theorem(beta):
    """Constant apparent angle: V = W sin(TWA - b) / sin b, best up at 45 + b/2, down 135 + b/2."""
    b = np.radians(beta)
    speed = np.maximum(10 * np.sin(np.radians(ANGLE) - b) / np.sin(b), 0)
    made = speed * np.cos(np.radians(ANGLE))
    for sign, centre, case in ((1, 45, f"beta_up_{beta}"), (-1, 135, f"beta_dn_{beta}")):
        half = ANGLE <= 90 if sign > 0 else ANGLE >= 90
        angle, vmg, _ = best_vmg(ANGLE, np.where(half, made, np.nan)[None, :], sign)
        assert angle[0] == pytest.approx(centre + beta / 2, abs=0.02)
        assert sign * vmg[0] == pytest.approx(value(case), rel=1e-4)


def test_best_vmg_is_scipys_optimum():
    from scipy.optimize import minimize_scalar

    def speed(a):
        return 6.5 * np.tanh(np.sin(np.radians(a)) * 2.2) * (1 - 0.2 * (a / 180) ** 2)

    found = minimize_scalar(lambda a: -speed(a) * np.cos(np.radians(a)), bounds=(20, 80),
                            method="bounded", options={"xatol": 1e-9})
    made = np.where(ANGLE <= 90, speed(ANGLE) * np.cos(np.radians(ANGLE)), np.nan)
    angle, vmg, _ = best_vmg(ANGLE, made[None, :], 1.0)
    assert angle[0] == pytest.approx(found.x, abs=0.02)
    assert vmg[0] == pytest.approx(-found.fun, rel=1e-5)


def model_of(speed_kn, known, leeway=None):
    """One wind speed range 8-12 kn with the same curve."""
    tws = np.arange(8.0, 12.1, 0.5)
    field = np.where(known, speed_kn, np.nan) * np.ones((tws.size, 1))
    basis = np.where(known, 2, 0).astype(np.int8) * np.ones((tws.size, 1), np.int8)
    cloud = np.repeat(field[None].astype(np.float32), 5, axis=0)
    surface = Surface(field, field, field, field, basis, basis * 600.0, cloud, 3600.0, 10)
    drift = np.zeros(field.shape) if leeway is None else np.full(field.shape, leeway)
    return PolarModel(tws, {"all": surface}, drift, leeway is not None)


def test_no_target_where_the_optimum_was_not_sailed():
    speed = 8 * np.sin(np.radians(ANGLE))  # best at 45
    table = targets_table(model_of(speed, (ANGLE >= 50) & (ANGLE <= 120)))
    assert len(table) == 0
    table = targets_table(model_of(speed, (ANGLE >= 40) & (ANGLE <= 120)))
    assert set(table["direction"]) == {"upwind"}


def test_dead_downwind_may_be_the_optimum():
    speed = 5 + 0 * ANGLE
    table = targets_table(model_of(speed, ANGLE >= 150))
    assert table["twa_deg"].tolist() == pytest.approx([180.0] * 3)
    assert table["vmg_kn"].tolist() == pytest.approx([-5.0] * 3)


def test_apparent_wind_at_the_target_by_hand():
    speed = 8 * np.sin(np.radians(ANGLE))
    row = targets_table(model_of(speed, ANGLE < 90)).iloc[0]  # 8 kn wind, 45 deg, 5.657 kn
    assert row["stw_kn"] == pytest.approx(5.657, abs=2e-3)
    # ahead 5.657 + 5.657, abeam 5.657: angle atan(1/2), speed 12.649
    assert row["awa_deg"] == pytest.approx(26.565, abs=0.02)
    assert row["aws_kn"] == pytest.approx(12.649, abs=0.01)


def test_leeway_lowers_the_vmg():
    speed = 8 * np.sin(np.radians(ANGLE))
    with_leeway = targets_table(model_of(speed, ANGLE < 90, leeway=4.0)).iloc[0]
    # best of sin(a) cos(a + 4): at a = 43, VMG 8 (sin 90 - sin 4) / 2
    assert with_leeway["twa_deg"] == pytest.approx(43.0, abs=0.02)
    assert with_leeway["vmg_kn"] == pytest.approx(4 * (1 - np.sin(np.radians(4))), abs=1e-3)
