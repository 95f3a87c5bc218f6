"""The generator stands apart, and the shipped day is what it makes."""

import ast
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "tests" / "simulator"


def test_generator_imports_nothing_of_the_analysis():
    allowed = {"numpy", "pandas", "scipy"} | set(sys.stdlib_module_names)
    for path in FOLDER.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                names = [alias.name.split(".")[0] for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [] if node.level == 1 else [(node.module or "").split(".")[0]]
                assert node.level <= 1, path
            else:
                continue
            assert set(names) <= allowed, (path.name, names)


def test_shipped_day_is_small_and_complete():
    data = ROOT / "data"
    logs = sorted((data / "logs").glob("*.nmea.gz"))
    assert len(logs) >= 5
    assert max(p.stat().st_size for p in logs) < 1_500_000
    events = pd.read_csv(data / "truth" / "events.csv")
    counts = events.kind.value_counts()
    assert counts["tack"] >= 13
    assert counts["gybe"] >= 8
    assert counts["luff"] == 3
    assert events.loss_m[events.kind == "tack"].between(2, 80).all()
    assert len(pd.read_csv(data / "truth" / "trials.csv")) >= 3


@pytest.mark.slow
def test_shipped_day_comes_out_of_the_generator_again(tmp_path):
    """To the byte with the same numpy and scipy; else the same day but for last digits."""
    from simulator.demo import write_demo
    write_demo(tmp_path)
    for name in ("boat.toml", "README.md", "crew.csv"):
        assert (tmp_path / name).read_bytes() == (ROOT / "data" / name).read_bytes()
    made, kept = (pd.read_csv(folder / "truth" / "events.csv") for folder in
                  (tmp_path, ROOT / "data"))
    assert made.kind.tolist() == kept.kind.tolist()
    apart = pd.to_datetime(made.crossing) - pd.to_datetime(kept.crossing)
    assert np.abs(apart.dt.total_seconds()).max() < 1.0


@pytest.mark.slow
def test_every_kind_of_day_can_be_drawn():
    from simulator import KINDS, UNUSUAL, random_scenario, simulate_day, unusual
    for number, kind in enumerate(KINDS):
        scenario = random_scenario(np.random.default_rng(number), kind, hours=0.7)
        day = simulate_day(scenario, number)
        numbers = day.truth.select_dtypes("number")
        assert np.isfinite(numbers.to_numpy()).all(), kind
    for number, name in enumerate(UNUSUAL):
        scenario = random_scenario(np.random.default_rng(number), "maneuvers", hours=0.5)
        day = simulate_day(unusual(scenario, name), number)
        assert np.isfinite(day.truth.select_dtypes("number").to_numpy()).all(), name


@pytest.mark.slow
def test_no_turns_happen_that_were_not_meant():
    """Rough straight days and light shifty days hold no tack or gybe in the true heading."""
    from simulator import random_scenario, simulate_day
    for kind in ("rough_straight", "light_shifty"):
        for seed in range(4):
            day = simulate_day(random_scenario(np.random.default_rng(seed), kind, hours=1.0), seed)
            off = ((day.truth.twd_slow_deg - day.truth.hdg_deg + 180) % 360 - 180).to_numpy()
            assert (off > 0).all() or (off < 0).all(), (kind, seed)
