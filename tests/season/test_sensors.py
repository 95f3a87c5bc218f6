"""The sensors over a season: drift, steps, odd days, and days that cannot tell."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from sailanalysis.season.drift import calibration_rows
from sailanalysis.season.sensors import FIRST_SD, pool, pooled_table, recorrected, season_knows
from sailanalysis.wind.triangle import apparent_wind, true_wind

DAYS = np.arange(0.0, 60.0, 3.0)


def test_a_day_that_cannot_tell_leans_on_its_neighbours():
    sd = np.full(DAYS.size, 0.004)
    sd[10] = 0.1
    value = np.where(np.arange(DAYS.size) == 10, 1.12, 0.95)
    found = pool(DAYS, value, sd, DAYS, "stw_factor")
    assert found.mean[10] == approx(0.95, abs=0.004)
    assert found.sd[10] < 0.01


def test_an_odd_day_does_not_move_them_all():
    value = np.where(np.arange(DAYS.size) == 10, 1.05, 0.95)
    found = pool(DAYS, value, np.full(DAYS.size, 0.004), DAYS, "stw_factor")
    assert found.steps == ()
    assert np.abs(np.delete(found.mean, 10) - 0.95).max() < 0.005


def test_a_cleaned_wheel_is_a_step_between_two_days():
    value = np.where(DAYS < 30, 1.08, 0.97)
    found = pool(DAYS, value, np.full(DAYS.size, 0.005), DAYS, "stw_factor")
    assert len(found.steps) == 1 and 27 < found.steps[0] < 30
    assert found.mean[DAYS < 30] == approx(1.08, abs=0.003) and found.mean[DAYS >= 30] == approx(0.97, abs=0.003)


def test_intervals_hold_a_drifting_and_stepping_truth():
    inside = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        true = 1.5 * rng.normal() + np.cumsum(rng.normal(0, 0.7 / np.sqrt(30) * np.sqrt(3), DAYS.size))
        true = true + np.where(rng.uniform(15, 45) < DAYS, rng.choice([-6.0, 0.0, 6.0]), 0.0)
        sd = rng.uniform(0.3, 2.5, DAYS.size)
        found = pool(DAYS, true + rng.normal(0, sd), sd, DAYS, "awa_offset_deg")
        inside.append(np.abs(found.mean - true) < 1.96 * found.sd)
    assert 0.90 < np.mean(inside) < 0.99


def record(value, sd, held=1.0, used=None):
    return {"boat": {"sensors": {"stw_factor": held, "aws_factor": 1.0}},
            "calibration": {"stw_factor": {"value": value, "low": value - 1.96 * sd, "high": value + 1.96 * sd,
                                           "determined": True}},
            "summary": {"corrections": [{"sensor": "stw_factor", "value": used}] if used else []}}


def test_the_whole_correction_is_pooled_whatever_the_boat_file_held():
    records = [(f"2026-06-{d:02d}", f"2026-06-{d:02d}", record(0.95 if d < 6 else 1.0, 0.003, 1.0 if d < 6 else 0.95))
               for d in range(1, 11)]
    table = pooled_table(calibration_rows(records))
    assert table["value"].to_numpy() == approx(0.95, abs=0.002)
    assert not table["stepped"].any()
    knows = season_knows(calibration_rows(records), "2026-06-12")
    assert knows.value["stw_factor"] == approx(0.95, abs=0.002) and knows.sd["stw_factor"] < 0.01
    assert season_knows(calibration_rows([]), "2026-06-12") is None


@pytest.mark.parametrize("used", [1.0, 0.95])
def test_a_polar_does_not_mix_days_calibrated_differently(used):
    # True boat 6 kn, wind 12 kn at 90 deg; the log reads 6/0.95; one day was worked as logged.
    aws, awa = apparent_wind(12.0, 90.0, 6.0)
    stw = 6.0 / 0.95 * used
    tws, twa = true_wind(float(aws), float(awa), stw)
    blocks = pd.DataFrame({"day": ["a"], "stw_kn": [stw], "aws_kn": [float(aws)], "awa_deg": [float(awa)],
                           "tws_kn": [float(tws)], "twa_deg": [float(twa)], "leeway_deg": [0.0], "vmg_kn": [0.0]})
    pooled = pd.DataFrame({"day": ["a"], "key": ["stw_factor"], "value": [0.95]})
    rows = calibration_rows([("a", "2026-06-01", record(0.95, 0.003, 1.0, used))])
    made = recorrected(blocks, rows, pooled).iloc[0]
    assert (made["stw_kn"], made["tws_kn"], made["twa_deg"]) == (approx(6.0), approx(12.0), approx(90.0))


def test_a_long_season_is_pooled_in_stretches_as_it_is_at_once(monkeypatch):
    rng = np.random.default_rng(8)
    when = np.sort(rng.uniform(0, 900, 240))
    truth = 0.96 + 0.03 * np.sin(when / 200.0) + np.where(when > 400, 0.08, 0.0)
    value, sd = truth + rng.normal(0, 0.006, when.size), np.full(when.size, 0.006)
    stretches = pool(when, value, sd, when, "stw_factor")
    monkeypatch.setattr("sailanalysis.season.sensors.STRETCH", 1000)
    whole = pool(when, value, sd, when, "stw_factor")
    assert np.abs(stretches.mean - whole.mean).max() < 0.1 * whole.sd.min()
    assert stretches.sd == approx(whole.sd, rel=0.05)
    assert len(whole.steps) == 1 and stretches.steps == approx(whole.steps)


def test_what_is_known_of_a_sensor_fades_with_the_days_since():
    # By hand: a normal prior and one reading, then a walk of 0.02 a month for ten months.
    known = 1.0 / (1.0 / FIRST_SD["stw_factor"] ** 2 + 1.0 / 0.005**2)
    found = pool(np.array([0.0]), np.array([0.95]), np.array([0.005]), np.array([0.0, 300.0]), "stw_factor")
    assert found.sd == approx(np.sqrt([known, known + 0.02**2 * 10]), rel=1e-6)


def test_the_seasons_error_is_a_typical_days_and_the_usual_where_nobody_told():
    from sailanalysis.calibrate.apply import USUAL_SD
    from sailanalysis.season.sensors import season_error

    half = 1.959964 * 0.01  # 1 % of a factor of 1.25: 0.8 % of the speed
    table = pd.DataFrame({"key": ["stw_factor"] * 3, "value": [1.25] * 3,
                          "low": [1.25 - half] * 3, "high": [1.25 + half] * 3})
    error = season_error(table)
    assert np.sqrt(error.loc["stw_factor", "stw_factor"]) == approx(0.008, rel=1e-5)
    assert np.sqrt(error.loc["aws_factor", "aws_factor"]) == approx(USUAL_SD["aws_factor"])
    assert (error.to_numpy() == np.diag(np.diag(error))).all()
    wild = season_error(table.assign(low=-9.0, high=9.0))
    assert wild.loc["stw_factor", "stw_factor"] == approx(USUAL_SD["stw_factor"] ** 2)
