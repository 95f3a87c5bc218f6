"""The boat file: every key, every fault at once, corrections written with the comments kept."""

import os
import stat

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sailanalysis.core.errors import BoatFileError
from sailanalysis.core.model import Boat, Rudder, Sensors, Tank
from sailanalysis.read.written.boatfile import (
    read_boat_file,
    read_boat_file_with_findings,
    write_sensor_corrections,
)

WHOLE = """# our boat
[boat]
name = "Kittiwake"   # painted on the stern
loa_m = 11.2
lwl_m = 9.8
displacement_kg = 5400
mast_height_m = 16.5

[rudder]
count = 2
area_m2 = 0.45
span_m = 1.4

[sensors]
stw_factor = 1.04      # measured mile, May
awa_offset_deg = -2.5

[tanks.fuel_port]
capacity_l = 180
[tanks."water fore"]
capacity_l = 210.5
density_kg_l = 1.0

[columns]
"Bt Spd" = "stw_kn"
"TWS" = "tws_kn"
"""


@pytest.fixture(scope="module")
def scratch(tmp_path_factory):
    return tmp_path_factory.mktemp("any")


def write(tmp_path, text, name="boat.toml"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_every_key_is_read(tmp_path):
    boat, findings = read_boat_file_with_findings(write(tmp_path, WHOLE))
    assert boat == Boat(
        name="Kittiwake", loa_m=11.2, lwl_m=9.8, displacement_kg=5400.0, mast_height_m=16.5,
        rudder=Rudder(2, 0.45, 1.4), sensors=Sensors(stw_factor=1.04, awa_offset_deg=-2.5),
        tanks={"fuel_port": Tank(180.0, 0.84), "water fore": Tank(210.5, 1.0)},
        columns={"Bt Spd": "stw_kn", "TWS": "tws_kn"},
    )
    assert findings == []


@pytest.mark.parametrize("text", ["", "\n# nothing yet\n", "[boat]\n", b"\xef\xbb\xbf[boat]\r\n"])
def test_all_of_it_is_optional(tmp_path, text):
    assert read_boat_file(write(tmp_path, text)) == Boat()


def test_unknown_keys_are_named_with_the_nearest_known(tmp_path):
    _, findings = read_boat_file_with_findings(
        write(tmp_path, "[sensors]\nstw_facor = 1.0\n[kettle]\nlitres = 1\n"))
    assert [f.code for f in findings] == ["boat-file-unknown-key"]
    assert "stw_facor" in findings[0].message and "stw_factor" in findings[0].message
    assert "[kettle]" in findings[0].message


def test_all_faults_stand_in_one_line(tmp_path):
    text = """
[boat]
loa_m = -11
lwl_m = nan
mast_height_m = "tall"
[sensors]
stw_factor = 0
awa_offset_deg = inf
leeway_k = true
[tanks.fuel]
density_kg_l = 0.84
[columns]
"Spd" = "speed_through_soup"
"""
    with pytest.raises(BoatFileError) as caught:
        read_boat_file(write(tmp_path, text))
    message = str(caught.value)
    assert "\n" not in message and message.startswith("boat.toml: ")
    for name in ("loa_m", "lwl_m", "mast_height_m", "stw_factor", "awa_offset_deg", "leeway_k",
                 "tanks.fuel", "speed_through_soup"):
        assert name in message


@pytest.mark.parametrize("text", [
    "[boat\n", "boat = 3\n", "tanks = []\n", "[tanks]\nfuel = 3\n", b"\xff\xfe\x00", "\0",
    "a = " + "[" * 100_000, "[rudder]\ncount = 1.5\n", "[boat]\nname = 7\n",
    "[boat]\nloa_m = " + "9" * 5000, "[columns]\nx = 3\n", "x" * 1_100_000,
    "[boat]\nloa_m = 1\nloa_m = 2\n",
])
def test_a_file_that_cannot_be_is_refused_in_one_line(tmp_path, text):
    with pytest.raises(BoatFileError) as caught:
        read_boat_file(write(tmp_path, text))
    assert "boat.toml" in str(caught.value) and len(str(caught.value)) < 400


def test_a_missing_file_or_a_folder_is_named(tmp_path):
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(BoatFileError, match=path.name):
            read_boat_file(path)


def test_corrections_keep_comments_order_and_the_old_file(tmp_path):
    path = write(tmp_path, WHOLE)
    path.chmod(0o640)
    backup = write_sensor_corrections(path, {"stw_factor": 1.061, "heading_offset_deg": 3.2})
    assert backup.read_text() == WHOLE
    text = path.read_text()
    assert text.replace("stw_factor = 1.061", "stw_factor = 1.04").replace(
        "heading_offset_deg = 3.2\n", "") == WHOLE
    assert "# measured mile, May" in text
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert read_boat_file(path).sensors == Sensors(1.061, 0.0, -2.5, 1.0, 3.2)
    again = write_sensor_corrections(path, {"stw_factor": 1.0})
    assert again != backup and backup.read_text() == WHOLE
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "boat.toml", "boat.toml.bak", "boat.toml.bak1"]


def test_corrections_make_the_table_where_there_is_none(tmp_path):
    path = write(tmp_path, '[boat]\nname = "Tern"')
    write_sensor_corrections(path, {"awa_offset_deg": 1.5})
    assert read_boat_file(path).sensors.awa_offset_deg == 1.5


@pytest.mark.parametrize("corrections", [
    {"stw_factor": float("nan")}, {"stw_factor": -1.0}, {"stw_speed": 1.0},
    {"awa_offset_deg": float("inf")},
])
def test_impossible_corrections_write_nothing(tmp_path, corrections):
    path = write(tmp_path, WHOLE)
    with pytest.raises(BoatFileError):
        write_sensor_corrections(path, corrections)
    assert [p.name for p in tmp_path.iterdir()] == ["boat.toml"] and path.read_text() == WHOLE


@pytest.mark.skipif(os.geteuid() == 0, reason="root writes everywhere")
def test_a_folder_that_cannot_be_written_is_said(tmp_path):
    path = write(tmp_path, WHOLE)
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(BoatFileError, match="cannot be written"):
            write_sensor_corrections(path, {"stw_factor": 1.0})
    finally:
        tmp_path.chmod(0o700)


@given(st.binary(max_size=300) | st.text(max_size=300).map(lambda t: t.encode("utf-8", "ignore")))
def test_any_bytes_give_a_boat_or_one_clear_error(scratch, content):
    path = scratch / "boat.toml"
    path.write_bytes(content)
    try:
        assert isinstance(read_boat_file(path), Boat)
    except BoatFileError as error:
        assert "boat.toml" in str(error)
