"""A season from archive to record and tables."""

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from seas.season import Sea, cruiser, sail_day, sail_season

from sailanalysis.season import (
    Archive,
    fit_season,
    helm_card,
    polar_json,
    season_tables,
)
from sailanalysis.season.coverage import COVERAGE_COLUMNS, coverage_table, sail_next
from sailanalysis.season.drift import calibration_rows, drift_trends, step_change, trend
from sailanalysis.season.season import maneuver_progress
from sailanalysis.season.tables import POLAR_WORDS

sys.path.insert(0, str(Path(__file__).parent))
from days import small_day

DAYS = 6


def as_day(parts, number=0):
    samples, legs, maneuvers = parts
    maneuvers = maneuvers.assign(kind="tack", loss_m=20.0 + number, rated=True, why_not="",
                                 helm="Ada", sails="main+jib")
    value = 1.0 + 0.004 * number
    return replace(
        small_day(), samples=samples, legs=legs, maneuvers=maneuvers,
        calibration={"stw_factor": {"value": value, "low": value - .01, "high": value + .01,
                                    "determined": True, "why_not": ""},
                     "awa_offset_deg": {"value": None, "low": None, "high": None,
                                        "determined": False, "why_not": "one tack only"}},
        summary={"start": str(samples.index[0]), "tacks": len(maneuvers), "gybes": 0,
                 "duration_s": 5400.0, "wind_source": "instruments", "warnings": [],
                 "channels": ["stw_kn"]})


@pytest.fixture(scope="module")
def made():
    days = sail_season(cruiser, DAYS, Sea(hours=1.5, kg_sd=300.0), seed=3)
    return [as_day(parts, k) for k, (_, parts) in enumerate(days)]


@pytest.fixture(scope="module")
def archive(made, tmp_path_factory):
    out = Archive(tmp_path_factory.mktemp("season"), create=True)
    for day in made:
        out.file_day(day)
    return out


@pytest.fixture(scope="module")
def season(archive):
    return fit_season(archive)


def test_the_published_tables_have_their_columns(season):
    wanted = {
        "polar": ("sails", "tws_kn", "twa_deg", "stw_kn", "stw_kn_low", "stw_kn_high",
                  "stw_best_kn", "minutes", "basis"),
        "targets": ("sails", "tws_kn", "direction", "twa_deg", "twa_low_deg", "twa_high_deg",
                    "stw_kn", "vmg_kn", "vmg_low_kn", "vmg_high_kn", "awa_deg", "aws_kn"),
        "crossovers": ("tws_kn", "twa_deg", "awa_deg", "aws_kn", "best_sails", "gain_kn",
                       "next_best_sails", "confidence"),
        "experiments": ("subject", "change", "twa_low_deg", "twa_high_deg", "tws_low_kn",
                        "tws_high_kn", "gain_kn", "gain_low_kn", "gain_high_kn", "days", "tries",
                        "verdict"),
        "helm_progress": ("helm", "day", "smoothness", "smoothness_low", "smoothness_high"),
        "helm_trend": ("helm", "days", "trend", "trend_low", "trend_high", "verdict"),
        "maneuver_progress": ("helm", "kind", "day", "count", "loss_m_median"),
        "calibration": ("date", "day", "sensor", "value", "low", "high"),
        "advice": ("proposed", "measure", "then", "since", "change", "change_low", "change_high", "verdict"),
        "days": ("day", "start", "end", "tacks", "polar_ratio", "speed_factor", "stw_factor"),
    }
    tables = season_tables(season)
    assert set(tables) == set(wanted)
    for name, columns in wanted.items():
        assert set(columns) <= set(tables[name].columns), name
    assert tables["polar"]["basis"].isin(["measured", "interpolated"]).all()
    assert (tables["polar"]["tws_kn"] % 2 == 0).all()
    assert (tables["polar"]["twa_deg"] % 5 == 0).all()
    assert tables["polar"]["twa_deg"].between(30, 180).all()


def test_the_polar_is_the_boats(season):
    table = season.polar[season.polar["sails"] == "main+jib"]
    true = np.array([float(cruiser(r.tws_kn, r.twa_deg, "main+jib")) for r in table.itertuples()])
    error = np.abs(table["stw_kn"] / true - 1)
    assert np.median(error) < 0.015
    assert (error < 0.06).all()


def test_a_row_a_day_in_order(season):
    assert len(season.days) == DAYS
    assert season.days["day"].is_monotonic_increasing
    assert (season.days["steady_minutes"] > 20).all()
    assert season.days["polar_ratio"].between(0.9, 1.1).all()
    assert season.days["start"].str.endswith("Z").all()
    assert (season.start, season.end) == (season.days["day"].iloc[0], season.days["day"].iloc[-1])
    assert season.boat_name == "Skarv"


def test_filed_in_another_order_or_again_it_prints_the_same(made, season, tmp_path):
    other = Archive(tmp_path, create=True)
    for number in (3, 0, 5, 1, 4, 2, 3):
        other.file_day(made[number])
    again = fit_season(other)
    for name, table in season_tables(season).items():
        drop = [c for c in ("filed",) if c in table.columns]
        pd.testing.assert_frame_equal(table.drop(columns=drop),
                                      season_tables(again)[name].drop(columns=drop), obj=name)


def test_from_and_to(archive, season):
    second, third = season.days["day"].iloc[1], season.days["day"].iloc[2]
    part = fit_season(archive, second, third)
    assert part.days["day"].tolist() == [second, third]
    assert part.model.days == 2


def test_the_trend_of_a_drifting_sensor_is_seen(season):
    assert season.calibration["determined"].sum() == DAYS
    row = season.calibration_trend.set_index("key").loc["stw_factor"]
    per_30 = 0.004 * 30 / 7  # the days lie a week apart
    assert row["low"] < per_30 < row["high"]
    assert season.calibration_trend.set_index("key").loc["awa_offset_deg", "verdict"] == (
        "too few days")


def test_maneuver_progress_counts_rated_ones(season):
    table = season.maneuver_progress
    assert table["day"].tolist() == season.days["day"].tolist()
    assert table["loss_m_median"].tolist() == [20.0 + k for k in range(DAYS)]
    rows = pd.DataFrame({"helm": "Ada", "kind": ["tack", "tack", "luff"], "date": "2026-05-02",
                         "loss_m": [10.0, 30.0, 5.0], "rated": [True, False, True]})
    one = maneuver_progress(rows)
    assert one[["count", "loss_m_median"]].to_numpy().tolist() == [[1, 10.0]]


def test_coverage_and_what_to_sail_next(season, archive):
    table = coverage_table(season.model, archive.blocks())
    assert list(table.columns) == list(COVERAGE_COLUMNS)
    total = archive.blocks()["seconds"].sum() / 60
    assert 0.9 * total < table["minutes"].sum() <= total
    assert (table.loc[table["more_minutes"] == 0, "priority"] == 0).all()
    words = sail_next(table, 3)
    assert len(words) <= 3 and all("minutes of" in w for w in words)
    empty = table[table["minutes"] < 1]
    assert (empty["more_minutes"] >= 20).all()


def test_the_card_and_the_json(season):
    card = helm_card(season)
    assert card["tws_kn"].is_monotonic_increasing
    known = card[np.isfinite(card["up_twa_deg"])]
    assert len(known) >= 3
    assert (known["up_awa_deg"] < known["up_twa_deg"]).all()
    targets = season.targets[season.targets["sails"] != "all"]
    for row in card.itertuples():
        for word, direction in (("up", "upwind"), ("down", "downwind")):
            here = targets[(targets["tws_kn"] == row.tws_kn) & (targets["direction"] == direction)]
            vmg, sails = getattr(row, f"{word}_vmg_kn"), getattr(row, f"{word}_sails")
            if len(here):  # sails of every leg were logged: some set gives each number or none
                assert abs(vmg) == here["vmg_kn"].abs().max()
                assert sails in set(here["sails"])
            else:
                assert sails == ""
        speeds = [season.model.speed_kn(row.tws_kn, 90.0, sails) for sails in season.model.surfaces
                  if sails != "all"]
        if np.isfinite(speeds).any():
            assert np.fmax.reduce(speeds) == row.reach_90_kn
    text = json.loads(polar_json(season.polar, season.boat_name))
    assert text["boat"] == "Skarv" and list(text["columns"]) == list(POLAR_WORDS)
    assert len(text["rows"]) == len(season.polar)


def test_a_season_without_sailing_says_so(tmp_path):
    archive = Archive(tmp_path, create=True)
    day = small_day()
    archive.file_day(replace(day, samples=day.samples.assign(state="motoring")))
    season = fit_season(archive)
    assert not season.model.known and len(season.polar) == 0
    assert {f.code for f in season.findings} == {"no-polar", "no-steady-sailing"}
    assert len(helm_card(season)) == 0
    for table in season_tables(season).values():
        assert isinstance(table, pd.DataFrame)


def test_memory_lends_the_polar_of_other_days(archive, season):
    whole = archive.memory()
    assert np.isfinite(whole.polar.speed_kn(12.0, 45.0))
    first = archive.days().iloc[0]
    without = archive.memory(without=(first["start"].timestamp(), first["end"].timestamp()))
    assert without.polar.days == DAYS - 1
    assert Archive(archive.path).memory().polar.days == DAYS


def test_a_hull_that_grows_foul_is_seen():
    from seas.season_score import season_blocks

    from sailanalysis.polar.fit import TREND, fit_polar

    blocks = season_blocks(cruiser, 10, Sea(hours=1.5, hull_effect=0.08), seed=5)
    effect = fit_polar(blocks, sail_sets=False).effect(TREND)
    per_30_days = -8.0 / (9 * 7 / 30)
    assert effect.low < per_30_days < effect.high and effect.high < 0


def test_load_effect_over_days():
    from seas.season_score import season_blocks

    from sailanalysis.polar.fit import fit_polar

    blocks = season_blocks(cruiser, 10, Sea(hours=1.5, kg_sd=600.0, kg_effect=-0.04), seed=6)
    effect = fit_polar(blocks, sail_sets=False).effect("load per 1000 kg")
    assert effect.low < -4.0 < effect.high


def test_trend_by_hand():
    exact = trend(np.arange(5.0), 2.0 + 0.5 * np.arange(5.0), np.full(5, 0.1))
    assert exact.value == pytest.approx(0.5)
    # no scatter beyond the errors: half width t(0.975, 3) * 0.1 / sqrt(10)
    assert 0.5 * (exact.high - exact.low) == pytest.approx(3.182446 * 0.1 / np.sqrt(10), rel=1e-5)
    assert not trend(np.arange(3.0), np.arange(3.0), np.ones(3)).known


def test_a_step_is_dated_and_noise_is_not():
    rng = np.random.default_rng(1)
    noise = rng.normal(0, 0.01, 16)
    found = step_change(np.arange(16.0), 1 + noise + 0.05 * (np.arange(16) >= 9), np.full(16, .01))
    assert found["index"] == 9 and found["p_value"] < 0.01
    assert found["low"] < 0.05 < found["high"]
    alarms = sum(step_change(np.arange(12.0), rng.normal(1, .01, 12), np.full(12, .01),
                             shuffles=99)["p_value"] < 0.05 for _ in range(40))
    assert alarms <= 7  # 5 % of 40 is 2


def test_calibration_adds_what_the_boat_file_held():
    record = {"boat": {"sensors": {"stw_factor": 1.05, "awa_offset_deg": 2.0}},
              "calibration": {"stw_factor": {"value": 1.02, "low": 1.0, "high": 1.04,
                                             "determined": True},
                              "awa_offset_deg": {"value": -0.5, "low": -1, "high": 0,
                                                 "determined": True}}}
    rows = calibration_rows([("a", "2026-05-01", record)]).set_index("key")
    assert rows.loc["stw_factor", "total"] == pytest.approx(1.071)
    assert rows.loc["awa_offset_deg", "total"] == pytest.approx(1.5)
    assert drift_trends(rows.reset_index())["verdict"].tolist() == ["too few days"] * 2


def test_one_day_of_the_made_season_by_itself():
    samples, legs, maneuvers = sail_day(cruiser, "2026-05-02 10:00", 12.0, Sea(hours=0.5), 1)
    assert len(samples) == 1800 and len(legs) and len(maneuvers)
