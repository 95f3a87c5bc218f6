"""The sensors over a season: drift, steps, odd days, and days that cannot tell."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from sailanalysis.season.drift import calibration_rows
from sailanalysis.season.sensors import pool, pooled_table, recorrected, season_knows
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
    made = recorrected(blocks, [("a", "2026-06-01", record(0.95, 0.003, 1.0, used))], pooled).iloc[0]
    assert (made["stw_kn"], made["tws_kn"], made["twa_deg"]) == (approx(6.0), approx(12.0), approx(90.0))
