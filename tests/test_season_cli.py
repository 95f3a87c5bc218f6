"""A season through the command line: file, list, re-file, remove, report."""

import os

import numpy as np
import pandas as pd
import pytest
from seas import whole_days as sea

from sailanalysis.app.cli import main
from sailanalysis.app.tables import COLUMNS

TABLES = ("days", "polar", "targets", "crossovers", "helm_progress", "helm_trend", "maneuver_progress")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two short days, a week apart, each in a folder of its own with its crew log."""
    top = tmp_path_factory.mktemp("season")
    for number in range(2):
        rng = np.random.default_rng(number)
        day = sea.simulate(rng, hours=1.2, motor_s=240.0, leg_s=(150, 260), tws=11.0, start_s=sea.T0 + 7 * 86400 * number)
        place = top / f"day{number}"
        place.mkdir()
        lines = sea.nmea_lines(day, rng, rates={"hdg": 1, "rudder": 1, "heel": 1, "wind": 1, "stw": 1}, rpm=True)
        (place / "log.nmea").write_text("\r\n".join(lines) + "\r\n")
        sea.write_crew(day, place / "crew.csv")
    return top


def ran(capsys, *words):
    status = main([*map(str, words)])
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    return status, said.out, said.err


def test_a_season_from_filing_to_report(folder, capsys):
    archive, out = folder / "archive", folder / "out"
    status, words, _ = ran(capsys, "season", archive, "--add", folder / "day0", folder / "day1", "--list", "--quiet")
    assert status == 0 and "2026-06-16" in words and "2026-06-23" in words

    # filing a day again replaces it
    status, _, _ = ran(capsys, "day", folder / "day0" / "log.nmea", "--crew-log", folder / "day0" / "crew.csv",
                       "--out", folder / "again", "--season", archive, "--quiet")
    assert status == 0
    _, listing, _ = ran(capsys, "season", archive, "--list")
    assert len(listing.splitlines()) == 3

    status, words, _ = ran(capsys, "season", archive, "--out", out, "--quiet")
    assert status == 0 and (out / "season.html").stat().st_size > 10_000
    for name in TABLES:
        head = (out / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
        assert head[: len(COLUMNS[name])] == list(COLUMNS[name]), name
    days = pd.read_csv(out / "days.csv")
    assert len(days) == 2 and (days["sailing_s"] > 1800).all()

    before = pd.read_csv(out / "polar.csv")
    assert ran(capsys, "season", archive, "--refile", "--out", out, "--quiet")[0] == 0
    after = pd.read_csv(out / "polar.csv")
    # a day filed beside a season was evened with its help: that moves speeds by tenths of a per cent
    assert list(after["twa_deg"]) == list(before["twa_deg"])
    assert np.allclose(after["stw_kn"], before["stw_kn"], rtol=0.01)

    status, _, err = ran(capsys, "season", archive, "--out", folder / "none", "--from", "2027-01-01")
    assert status == 1 and len(err.splitlines()) == 1 and not (folder / "none").exists()
    assert ran(capsys, "season", archive, "--remove", "2026-06-23", "--list")[0] == 0
    status, _, err = ran(capsys, "season", archive, "--remove", "2026-06-23")
    assert status == 1 and "2026-06-23" in err


def test_a_day_alone_in_a_folder_that_is_no_archive(folder, capsys):
    status, _, err = ran(capsys, "season", folder / "day0", "--out", folder / "x")
    assert status == 1 and len(err.splitlines()) == 1


def test_private_report_tells_no_place_nor_file(folder, capsys):
    out = folder / "private"
    status, _, _ = ran(capsys, "day", folder / "day0", "--out", out, "--private", "--quiet")
    assert status == 0
    samples = pd.read_parquet(out / "samples.parquet")
    assert not ((samples["lat"] - 49.2).abs() < 1).any() and not ((samples["lon"] + 3.1).abs() < 1).any()
    for path in out.iterdir():
        if path.suffix != ".parquet":
            text = path.read_text(encoding="utf-8")
            assert "log.nmea" not in text
            assert os.fspath(folder) not in text


def test_outputs_are_the_same_whatever_the_order_of_files(folder, capsys, tmp_path):
    text = (folder / "day0" / "log.nmea").read_text().splitlines(keepends=True)
    cut = len(text) // 2
    (tmp_path / "a.nmea").write_text("".join(text[:cut]))
    (tmp_path / "b.nmea").write_text("".join(text[cut:]))
    one, two = tmp_path / "one", tmp_path / "two"
    assert ran(capsys, "day", tmp_path / "a.nmea", tmp_path / "b.nmea", "--out", one, "--quiet")[0] == 0
    assert ran(capsys, "day", tmp_path / "b.nmea", tmp_path / "a.nmea", "--out", two, "--quiet")[0] == 0
    for name in ("maneuvers.csv", "legs.csv", "polar.csv", "helm.csv"):
        assert (one / name).read_text() == (two / name).read_text(), name
