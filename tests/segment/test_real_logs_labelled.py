"""Every labelled log through the whole `day` command, held against its labels."""

import importlib.util

import pandas as pd
import pytest
from real_logs import FOLDER, expected

from sailanalysis.app.cli import main

NAMES = sorted(p.parent.name for p in FOLDER.glob("*/expected.json")) or ["none"]
pytestmark = [pytest.mark.slow, pytest.mark.skipif(
    not FOLDER.is_dir(), reason="the recorded logs are not beside this checkout")]


def scorer():
    spec = importlib.util.spec_from_file_location("score", FOLDER / "score.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.score


@pytest.mark.parametrize("name", NAMES)
def test_labels_hold(name, tmp_path):
    label = expected(name)
    logs = [str(p) for p in (FOLDER / name).iterdir() if p.name not in ("expected.json", "SOURCE.txt")]
    date = ["--date", "2014-08-15"] if "--date" in label.get("note", "") else []
    main(["day", *logs, "--out", str(tmp_path / "out"), "--quiet", *date])
    out = next((p.parent for p in (tmp_path / "out").rglob("maneuvers.csv")), tmp_path)
    result = scorer()(FOLDER / name, out)
    assert result["missed"] == [] and result["false"] == [] and result["wrong_kind"] == 0
    wrong = {k: n for k, n in result["states"].items()
             if k.split(" said ")[0] in ("sailing", "motoring", "stopped") and len(set(k.split(" said "))) == 2}
    total = sum(result["states"].values())
    assert sum(wrong.values()) <= 0.03 * max(total, 1), result["states"]
    if name == "engine-to-windward-0183":
        assert len(pd.read_csv(out / "polar.csv")) == 0
        assert len(pd.read_csv(out / "maneuvers.csv").query("kind in ('tack', 'gybe')")) == 0
