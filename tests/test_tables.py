"""The tables other programs read."""

import json
import math
import re

import gpxpy
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from sailanalysis.app.cli import main
from sailanalysis.app.tables import (
    COLUMNS,
    DAY_TABLES,
    TableLabel,
    empty_table,
    iso_utc,
    to_json,
    with_columns,
    write_csv,
    write_json,
    write_table,
)


def test_iso_utc_has_z_and_milliseconds():
    assert iso_utc(pd.Timestamp("2026-07-18 14:03:02.1", tz="Europe/Paris")) == "2026-07-18T12:03:02.100Z"
    assert iso_utc(pd.NaT) == ""


def test_missing_values_are_empty_cells_and_columns_complete(tmp_path):
    table = pd.DataFrame({"kind": ["tack"], "loss_m": [np.nan], "rated": [False],
                          "start": [pd.Timestamp("2026-07-18T12:00:00Z")]})
    write_csv("maneuvers", table, tmp_path / "m.csv")
    head, row = (tmp_path / "m.csv").read_text().splitlines()
    assert head == ",".join((*COLUMNS["maneuvers"], "boat", "day"))
    cells = dict(zip(head.split(","), row.split(","), strict=True))
    assert cells["loss_m"] == "" and cells["rated"] == "false"
    assert cells["start"] == "2026-07-18T12:00:00.000Z"


@pytest.mark.parametrize("text", ["=1+1", "+SUM(A1)", "-2+3", "@x", "\t=1", "\r=1"])
def test_no_cell_runs_as_a_formula(tmp_path, text):
    write_csv("trials", pd.DataFrame({"what": [text], "gain_kn": [-0.25]}), tmp_path / "t.csv")
    back = pd.read_csv(tmp_path / "t.csv")
    assert not back["what"][0].startswith(("=", "+", "-", "@", "\t", "\r"))
    assert back["gain_kn"][0] == -0.25  # a negative number stays a number


def test_numbers_are_plain_decimals(tmp_path):
    write_csv("polar", pd.DataFrame({"stw_kn": [1e-5, 123456.0, 6.25, -0.00001]}), tmp_path / "p.csv")
    column = [line.split(",")[3] for line in (tmp_path / "p.csv").read_text().splitlines()[1:]]
    assert column == ["0", "123456", "6.25", "0"]


def test_json_is_strict(tmp_path):
    write_json({"a": math.nan, "b": np.float32(1.5), "c": [np.inf, np.int64(3)], "d": np.bool_(True)},
               tmp_path / "x.json")
    assert json.loads((tmp_path / "x.json").read_text()) == {"a": None, "b": 1.5, "c": [None, 3], "d": True}
    assert to_json(pd.Timestamp("2026-01-01T00:00:00Z")) == "2026-01-01T00:00:00.000Z"


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tables") / "out"
    assert main(["demo", "--out", str(folder), "--quiet"]) == 0
    return folder


def test_every_table_says_boat_and_day_and_has_a_twin(out):
    for name in DAY_TABLES:
        cells, twin = pd.read_csv(out / f"{name}.csv"), pd.read_parquet(out / f"{name}.parquet")
        assert list(cells) == list(twin) and len(cells) == len(twin) > 0
        assert set(cells["boat"]) == {"Quiet Fathom"} and set(cells["day"]) == {"2026-08-08"}
        for column in twin.select_dtypes("float64"):
            np.testing.assert_allclose(cells[column].to_numpy(dtype=float), twin[column].to_numpy(), atol=6e-5)
    samples = pd.read_parquet(out / "samples.parquet", columns=["boat", "day"])
    assert set(samples["boat"]) == {"Quiet Fathom"} and set(samples["day"]) == {"2026-08-08"}


def test_every_column_is_described(out):
    told = json.loads((out / "columns.json").read_text())
    assert set(told) == {*DAY_TABLES, "ledger", "maneuver_costs", "samples"}
    for table, columns in told.items():
        assert list(columns) == list(pd.read_parquet(out / f"{table}.parquet"))
        for name, info in columns.items():
            assert info["type"] and info["meaning"], (table, name)
            assert info["unit"] or not re.search(r"_(kn|deg|m|s|nm|deg_s)(_low|_high)?$", name), (table, name)


@pytest.mark.parametrize("name", DAY_TABLES)
def test_an_empty_table_has_the_types_of_a_full_one(out, tmp_path, name):
    write_table(name, empty_table(name), tmp_path, TableLabel("b", "d"))
    empty, full = (pq.read_schema(folder / f"{name}.parquet") for folder in (tmp_path, out))
    assert {c: empty.field(c).type for c in empty.names} == {c: full.field(c).type for c in empty.names}
    bare = with_columns(name, pd.DataFrame())
    assert {c: str(bare[c].dtype) for c in COLUMNS[name]} == {
        c: str(with_columns(name, empty_table(name))[c].dtype) for c in COLUMNS[name]}


def test_the_track_is_read_back_by_a_gpx_library(out):
    gpx = gpxpy.parse((out / "track.gpx").read_text(encoding="utf-8"))
    samples = pd.read_parquet(out / "samples.parquet", columns=["time", "lat", "lon"]).dropna()
    points = [p for track in gpx.tracks for segment in track.segments for p in segment.points]
    times = pd.DatetimeIndex([p.time for p in points])
    at = pd.DatetimeIndex(samples["time"]).get_indexer(times, method="nearest")
    assert len(points) > 5000 and (times[1:] > times[:-1]).all()
    assert np.abs([p.latitude for p in points] - samples["lat"].to_numpy()[at]).max() < 1e-6
    kinds = [w.type for w in gpx.waypoints]
    assert kinds.count("tack") == 14 and kinds.count("gybe") == 8 and kinds.count("trim") == 6
    assert next(w.name for w in gpx.waypoints if w.type == "trim").startswith("trim: ")


def test_the_summary_says_who_made_it_of_what(out):
    summary = json.loads((out / "summary.json").read_text())
    assert summary["program"].startswith("sailanalysis ") and summary["schema"] == 2
    assert (summary["boat"], summary["day"], summary["zone"]) == ("Quiet Fathom", "2026-08-08", "UTC")
    assert summary["settings"] == {"as_logged": False}
