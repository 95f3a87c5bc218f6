"""What is kept of a season: the same whatever the history of its filing, and bounded."""

import random
import shutil
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from seas.season import Sea, cruiser, sail_season

from sailanalysis.season import Archive
from sailanalysis.season.memory import kept_path, read_kept
from sailanalysis.season.sample import A_CELL, A_DAY, newest, thin_day

sys.path.insert(0, str(Path(__file__).parent))
from days import small_day

DAYS = 5


@pytest.fixture(scope="module")
def made():
    days = sail_season(cruiser, DAYS, Sea(hours=1.0), seed=4)
    return [replace(small_day(), samples=samples, legs=legs, maneuvers=maneuvers.assign(
        kind="tack", loss_m=20.0, rated=True, why_not="", helm="Ada", sails="main+jib"))
        for _, (samples, legs, maneuvers) in days]


def speeds(memory):
    tws, twa = np.meshgrid(np.arange(5.0, 18.0), np.arange(35.0, 180.0, 5.0))
    return memory.polar.speed_kn(tws, twa)


def test_kept_and_made_anew_are_the_same(made, tmp_path):
    one = Archive(tmp_path / "one", create=True)
    for day in made:
        one.file_day(day)
        one.renew()
    two = Archive(tmp_path / "two", create=True)
    for number in (3, 0, 4, 1, 2, 3):
        two.file_day(made[number])
    assert not (tmp_path / "two" / "kept").exists()
    kept, anew = one.memory(), two.memory()
    assert np.array_equal(speeds(kept), speeds(anew), equal_nan=True)
    assert kept.polar.days == DAYS and np.isfinite(speeds(kept)).sum() > 30
    assert kept.polar.effects == anew.polar.effects


def test_a_kept_fit_is_used_and_no_block_is_read(made, tmp_path, monkeypatch):
    archive = Archive(tmp_path / "one", create=True)
    for day in made:
        archive.file_day(day)
    archive.renew()
    archive.file_day(made[0])
    archive.renew()

    def never(*_, **__):
        raise AssertionError("read or fitted again")

    monkeypatch.setattr("sailanalysis.season.memory.fit_polar", never)
    monkeypatch.setattr(Archive, "_sampled", never)
    assert archive.memory().polar.days == DAYS


def test_the_day_itself_lends_nothing_to_itself(made, tmp_path):
    archive = Archive(tmp_path / "one", create=True)
    for day in made:
        archive.file_day(day)
    archive.renew()
    index = made[2].samples.index
    without = archive.memory((index[0].timestamp(), index[-1].timestamp()))
    other = Archive(tmp_path / "other", create=True)
    for number in (0, 1, 3, 4):
        other.file_day(made[number])
    assert without.polar.days == DAYS - 1
    assert np.array_equal(speeds(without), speeds(other.memory()), equal_nan=True)


def test_a_hundred_bits_flipped_in_the_kept_file_cost_nothing_but_time(made, tmp_path):
    archive = Archive(tmp_path / "one", create=True)
    archive.file_day(made[0])
    archive.renew()
    path = kept_path(tmp_path / "one" / "kept", "skarv")
    whole = path.read_bytes()
    assert read_kept(path).folders
    rng = random.Random(1)
    for _ in range(100):
        data = bytearray(whole)
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        path.write_bytes(data)
        assert read_kept(path).folders == frozenset()
    right = speeds(archive.memory())
    shutil.rmtree(path.parent)
    assert np.array_equal(right, speeds(archive.memory()), equal_nan=True)


def blocks_of(day, count, rng, tws=10.0):
    return pd.DataFrame({
        "time": pd.date_range(day, periods=count, freq="30s", tz="UTC"), "day": day, "leg": 0,
        "tws_kn": tws + rng.uniform(0, 1.9, count), "twa_deg": rng.uniform(91, 99, count),
        "stw_kn": rng.normal(6, 0.1, count), "sails": "main+jib"})


def test_a_day_gives_a_cell_its_share_spread_over_the_day():
    blocks = thin_day(blocks_of("2026-05-02", 40, np.random.default_rng(1)))
    assert len(blocks) == A_DAY
    assert np.allclose(np.diff(blocks["time"].astype("int64") / 1e9) / 30.0, 10, atol=1e-6) or (
        np.ptp(np.diff(blocks["time"].dt.tz_localize(None).to_numpy())) == np.timedelta64(0))
    assert len(thin_day(blocks_of("2026-05-02", A_DAY, np.random.default_rng(1)))) == A_DAY


def test_the_newest_of_a_union_is_the_newest_of_its_parts():
    rng = np.random.default_rng(2)
    days = [thin_day(blocks_of(f"2026-05-{d:02d}", 30, rng)) for d in range(1, 29)]
    order = ["time", "day", "leg"]
    whole = newest(pd.concat(days), A_CELL, order)
    assert len(whole) == A_CELL
    rng.shuffle(days)
    part = days[0]
    for more in days[1:]:
        part = newest(pd.concat([part, more]), A_CELL, order)
    pd.testing.assert_frame_equal(whole.reset_index(drop=True), part.reset_index(drop=True))


def many(archive, count, rng):
    for d in range(count):
        date = pd.Timestamp("2026-05-01") + pd.Timedelta(d, "D")
        day = small_day(f"{date:%Y-%m-%d} 10:00", minutes=2, speed=5 + rng.uniform(0, 1))
        blocks = blocks_of(f"{date:%Y-%m-%d}", 30, rng).assign(
            seconds=30.0, helm="Ada", boards="", load_kg=np.nan, side="starboard",
            stw_sd_kn=0.1, tws_sd_kn=0.5, twa_sd_deg=1.0, tws_twa_cov=0.0, vmg_kn=0.0,
            leeway_deg=np.nan, heel_deg=np.nan, aws_kn=12.0, awa_deg=60.0, surf_share=0.0,
            lag_s=8.0)
        archive.file_day(replace(day, results=replace(day.results, blocks=blocks)))


def test_days_taken_out_make_room_for_older_ones_again(tmp_path):
    """More days than a cell holds, then the newest removed one by one."""
    archive = Archive(tmp_path / "one", create=True)
    many(archive, 16, np.random.default_rng(3))
    archive.renew()
    for last in (16, 15, 14, 13):
        archive.remove(f"2026-05-{last:02d}")
        shutil.copytree(tmp_path / "one", tmp_path / f"copy{last}",
                        ignore=shutil.ignore_patterns("kept"))
        kept, anew = archive.memory(), Archive(tmp_path / f"copy{last}").memory()
        assert np.array_equal(speeds(kept), speeds(anew), equal_nan=True)
        archive.renew()
    sample = read_kept(kept_path(tmp_path / "one" / "kept", "skarv"))
    assert sample.blocks["cell"].value_counts().max() >= A_CELL
