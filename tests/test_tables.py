"""The tables other programs read."""

import json
import math

import numpy as np
import pandas as pd
import pytest

from sailanalysis.app.tables import COLUMNS, iso_utc, to_json, write_csv, write_json


def test_iso_utc_has_z_and_milliseconds():
    assert iso_utc(pd.Timestamp("2026-07-18 14:03:02.1", tz="Europe/Paris")) == "2026-07-18T12:03:02.100Z"
    assert iso_utc(pd.NaT) == ""


def test_missing_values_are_empty_cells_and_columns_complete(tmp_path):
    table = pd.DataFrame({"kind": ["tack"], "loss_m": [np.nan], "rated": [False],
                          "start": [pd.Timestamp("2026-07-18T12:00:00Z")]})
    write_csv("maneuvers", table, tmp_path / "m.csv")
    head, row = (tmp_path / "m.csv").read_text().splitlines()
    assert head == ",".join(COLUMNS["maneuvers"])
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
