"""One study or section that fails leaves its place saying so; the report, the tables and the rest stand."""

import importlib
import json
import re

import numpy as np
import pandas as pd
import pytest
from seas import whole_days as sea

from sailanalysis.app.cli import main
from sailanalysis.app.tables import DAY_TABLES

STUDIES = {
    "wind": ("sailanalysis.wind", "wind_and_water"),
    "states": ("sailanalysis.segment", "find_states"),
    "turns": ("sailanalysis.maneuvers", "find_maneuvers"),
    "legs": ("sailanalysis.maneuvers", "find_legs"),
    "calibration": ("sailanalysis.calibrate.estimate", "estimate_calibration"),
    "health": ("sailanalysis.calibrate.health", "sensor_health"),
    "blocks": ("sailanalysis.segment.steady", "steady_averages"),
    "polar": ("sailanalysis.polar.fit", "fit_polar"),
    "targets": ("sailanalysis.polar.targets", "targets_table"),
    "maneuvers": ("sailanalysis.maneuvers.rate", "rate_maneuvers"),
    "helm": ("sailanalysis.helm.rate", "rate_helming"),
    "trials": ("sailanalysis.trials.changes", "judge_trials"),
    "load": ("sailanalysis.read.written.tanks", "tank_load_kg"),
    "gauges": ("sailanalysis.read.written.tanks", "tank_gauge_check"),
    "memory": ("sailanalysis.app.pipeline", "_memory"),
}
SECTIONS = {
    "day": ("track", "day_section"), "maneuvers": ("maneuvers", "maneuvers_section"),
    "legs": ("polar", "legs_section"), "polar": ("polar", "polar_section"), "helm": ("helm", "helm_section"),
    "trials": ("trials", "trials_section"), "load": ("trials", "load_section"),
    "instruments": ("instruments", "instruments_section"), "notes": ("inputs", "notes_section"),
    "inputs": ("inputs", "inputs_section")}


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("isolation")
    rng = np.random.default_rng(4242)
    day = sea.simulate(rng, hours=0.4, motor_s=120.0, dt=0.2)
    (folder / "log.nmea").write_text("\n".join(sea.nmea_lines(day, rng, rates={"hdg": 1, "rudder": 1, "wind": 1,
                                                                               "stw": 1, "heel": 1})))
    (folder / "crew.csv").write_text("time,item,value\n10:05,helm,Ada\n10:12,trim,mainsheet eased 20 cm\n")
    return folder


def fail(*args, **kwargs):
    raise IndexError("a made-up fault at 49.21234 N 3.12345 W")


def run(logs, tmp_path, *more):
    status = main(["day", str(logs / "log.nmea"), "--crew-log", str(logs / "crew.csv"), "--out",
                   str(tmp_path / "out"), *more])
    return status, tmp_path / "out"


def stands(out):
    for name in DAY_TABLES:
        assert len((out / f"{name}.csv").read_text().splitlines()) >= 1
    assert len(pd.read_parquet(out / "samples.parquet")) > 1000
    json.loads((out / "calibration.json").read_text())
    page = (out / "report.html").read_text(encoding="utf-8")
    return page, json.loads((out / "summary.json").read_text())


def test_nothing_failing_is_done(logs, tmp_path, capsys):
    status, out = run(logs, tmp_path)
    _, summary = stands(out)
    assert status == 0 and "could not be" not in " ".join(w["code"] for w in summary["warnings"])
    assert not [w for w in summary["warnings"] if w["code"].endswith("-failed")]


@pytest.mark.parametrize("study", STUDIES)
def test_a_failing_study_leaves_its_place(logs, tmp_path, capsys, monkeypatch, study):
    module, name = STUDIES[study]
    monkeypatch.setattr(importlib.import_module(module), name, fail)
    status, out = run(logs, tmp_path)
    page, summary = stands(out)
    failed = [w for w in summary["warnings"] if w["code"] == "study-failed"]
    assert status == 1 and len(failed) == 1 and "IndexError" in failed[0]["message"]
    assert "warning: " + failed[0]["message"] in capsys.readouterr().err
    assert "could not be worked out" in page and "made-up fault" in page
    for key in SECTIONS:
        if key != "load":
            assert f'id="{key}"' in page, key


@pytest.mark.parametrize("section", SECTIONS)
def test_a_failing_section_leaves_its_place(logs, tmp_path, monkeypatch, section):
    module, name = SECTIONS[section]
    monkeypatch.setattr(importlib.import_module(f"sailanalysis.report.day.{module}"), name, fail)
    status, out = run(logs, tmp_path, "--quiet")
    page, summary = stands(out)
    failed = [w for w in summary["warnings"] if w["code"] == "section-failed"]
    assert status == 1 and len(failed) == 1
    assert f'id="{section}"' in page and "This part of the report could not be made" in page


def test_a_section_that_does_not_fit_on_the_page_leaves_its_place(logs, tmp_path, monkeypatch):
    from sailanalysis.report.page import sections

    whole = sections.table_html
    monkeypatch.setattr(sections, "table_html", lambda t: fail() if t.key == "legs" else whole(t))
    status, out = run(logs, tmp_path, "--quiet")
    page, summary = stands(out)
    assert status == 1 and 'id="legs"' in page and "could not be put on the page" in page + str(summary)


def test_a_first_screen_that_fails_takes_nothing_with_it(logs, tmp_path, monkeypatch):
    monkeypatch.setattr(importlib.import_module("sailanalysis.report.day.head"), "day_head", fail)
    status, out = run(logs, tmp_path, "--quiet")
    page, _ = stands(out)
    assert status == 1 and 'id="helm"' in page and 'id="polar"' in page


def test_several_failures_at_once(logs, tmp_path, monkeypatch):
    for module, name in STUDIES.values():
        if name not in ("wind_and_water", "_memory"):
            monkeypatch.setattr(importlib.import_module(module), name, fail)
    status, out = run(logs, tmp_path, "--quiet")
    _, summary = stands(out)
    assert status == 1 and len([w for w in summary["warnings"] if w["code"] == "study-failed"]) >= 10


def test_debug_shows_where(logs, tmp_path, monkeypatch, capsys):
    module, name = STUDIES["helm"]
    monkeypatch.setattr(importlib.import_module(module), name, fail)
    status, _ = run(logs, tmp_path, "--debug")
    told = capsys.readouterr().err
    assert status == 1 and "Traceback" in told and re.search(r'File ".*test_isolation.py", line \d+, in fail', told)


def test_a_private_report_tells_no_place_that_a_fault_names(logs, tmp_path, monkeypatch):
    module, name = STUDIES["helm"]
    monkeypatch.setattr(importlib.import_module(module), name, fail)
    _, out = run(logs, tmp_path, "--private", "--quiet")
    for path in out.iterdir():
        if path.suffix in (".html", ".json", ".csv", ".ipynb"):
            assert "49.21234" not in path.read_text(encoding="utf-8"), path


def test_no_memory_is_no_part_left_out(logs, tmp_path, monkeypatch, capsys):
    def exhausted(*args, **kwargs):
        raise MemoryError

    module, name = STUDIES["polar"]
    monkeypatch.setattr(importlib.import_module(module), name, exhausted)
    status, out = run(logs, tmp_path)
    assert status == 1 and not (out / "report.html").exists() and "not enough memory" in capsys.readouterr().err
