"""Units that no header names, told by what the columns say of each other."""

from datetime import UTC, date

import numpy as np
import pytest
from seas.cards import at

from sailanalysis.core.errors import BoatFileError
from sailanalysis.core.model import Boat
from sailanalysis.read.csv import read as read_csv
from sailanalysis.read.reading import ReadContext
from sailanalysis.read.written.boatfile import read_boat_file

MS = 1852.0 / 3600.0
HEAD = "time,lat,lon,sog,cog,stw,aws,awa,heading,rudder,heel"


def sail(minutes=40, seed=0):
    """A beat of eight legs in house units, one row a second."""
    rng = np.random.default_rng(seed)
    n = int(minutes * 60)
    side = np.where(np.arange(n) // 300 % 2 == 0, 1.0, -1.0)
    heading = (220.0 - 45.0 * side) % 360.0
    speed = 6.0 + 0.5 * np.sin(np.arange(n) / 90.0)
    east = np.cumsum(speed * MS * np.sin(np.radians(heading)))
    north = np.cumsum(speed * MS * np.cos(np.radians(heading)))
    lat = 50.0 + north / 111_200.0
    return {"time": [f"2026-05-02T{10 + k // 3600:02d}:{k // 60 % 60:02d}:{k % 60:02d}Z" for k in range(n)],
            "lat": lat, "lon": 1.0 + east / (111_320.0 * np.cos(np.radians(50.0))),
            "sog": speed + rng.normal(0, 0.05, n), "cog": heading + rng.normal(0, 1, n),
            "stw": 0.95 * speed, "aws": 15.0 + rng.normal(0, 1, n), "awa": 32.0 * side + rng.normal(0, 2, n),
            "heading": heading, "rudder": 4.0 + rng.normal(0, 3, n), "heel": -18.0 * side}


def text(day, head=HEAD):
    names = head.split(",")
    lines = [head] + [",".join(row) for row in zip(*(
        day["time"] if name == "time" else [f"{v:.7f}" for v in day[name]] for name in HEAD.split(",")),
        strict=True)]
    assert len(names) == len(HEAD.split(","))
    return "\n".join(lines) + "\n"


def read(content, boat=None):
    import io
    reading = read_csv(io.BytesIO(content.encode()), ReadContext("log.csv", at(3, 0), date(2026, 5, 2), UTC, boat or Boat()))
    return {s.channel: s.value for s in reading.streams}, [f for f in reading.findings if "unit" in f.code], reading


def in_si(day):
    out = dict(day)
    for name in ("sog", "stw", "aws"):
        out[name] = day[name] * MS
    for name in ("cog", "awa", "heading", "rudder", "heel"):
        out[name] = np.radians(day[name])
    return out


NAMES = {"sog": "sog_kn", "cog": "cog_deg", "stw": "stw_kn", "aws": "aws_kn", "awa": "awa_deg",
         "heading": "hdg_deg", "rudder": "rudder_deg", "heel": "heel_deg"}


@pytest.mark.parametrize("seed", range(3))
def test_si_numbers_without_units_are_read_and_said(seed):
    day = sail(seed=seed)
    got, said, _ = read(text(in_si(day)))
    for name, channel in NAMES.items():
        away = got[channel] - day[name]
        if name in ("cog", "heading"):
            away = (away + 180) % 360 - 180
        assert np.abs(away).max() < 1e-3, name
    assert [f.code for f in said] == ["csv-unit-by-evidence"] * 2
    assert "m/s" in said[0].message and "'aws'" in said[0].message
    assert "radians" in said[1].message and "'rudder'" in said[1].message and "'heel'" in said[1].message


@pytest.mark.parametrize("seed", range(3))
def test_house_units_stay_and_nothing_is_said(seed):
    day = sail(seed=seed)
    got, said, _ = read(text(day))
    assert not said and np.abs(got["sog_kn"] - day["sog"]).max() < 1e-6
    assert np.abs(got["rudder_deg"] - day["rudder"]).max() < 1e-6


def test_kilometres_an_hour():
    day = sail()
    fast = {**day, "sog": day["sog"] * 1.852, "stw": day["stw"] * 1.852}
    got, said, _ = read(text(fast))
    assert np.abs(got["sog_kn"] - day["sog"]).max() < 1e-3 and "km/h" in said[0].message


def test_a_unit_that_is_named_is_believed():
    day = sail()
    slow = {**day, "sog": day["sog"] * MS}
    got, said, _ = read(text(slow, HEAD.replace("sog", "sog (kn)")))
    assert np.abs(got["sog_kn"] - slow["sog"]).max() < 1e-6 and not said


def test_a_log_that_reads_low_is_no_log_in_metres_a_second():
    day = sail()
    low = {**day, "stw": 0.83 * day["sog"]}
    assert not read(text(low))[1]
    # Half of it may be: asked, not changed.
    half = {**day, "stw": 0.51 * day["sog"]}
    got, said, _ = read(text(half))
    assert np.abs(got["stw_kn"] - half["stw"]).max() < 1e-6
    assert [f.code for f in said] == ["csv-doubtful-unit"]
    assert '"stw" = "stw_kn (m/s)" under [columns]' in said[0].message


def test_a_minute_lying_still_tells_nothing():
    day = {name: value[:60] for name, value in in_si(sail()).items()}
    got, said, _ = read(text(day))
    assert np.abs(got["sog_kn"] - day["sog"]).max() < 1e-6 and not said


def test_columns_of_the_boat_file_take_a_unit(tmp_path):
    path = tmp_path / "boat.toml"
    path.write_text('[columns]\n"Fahrt" = "sog_kn (km/h)"\n"Kurs" = "cog_deg rad"\n"Tiefe" = "depth_m"\n')
    boat = read_boat_file(path)
    content = "time,Fahrt,Kurs,Tiefe\n" + "".join(
        f"2026-05-02T10:00:{k:02d}Z,18.52,3.14159265,5\n" for k in range(10))
    got, _, _ = read(content, boat)
    assert got["sog_kn"] == pytest.approx(10.0) and got["cog_deg"] == pytest.approx(180.0)
    path.write_text('[columns]\n"Fahrt" = "sog_kn (furlongs)"\n')
    with pytest.raises(BoatFileError, match="furlongs is no unit of sog_kn"):
        read_boat_file(path)


def test_an_engine_column_of_noughts_and_ones_is_a_switch():
    rows = "".join(f"2026-05-02T10:00:{k:02d}Z,6.0,{int(k < 20)}\n" for k in range(60))
    got, _, reading = read("time,stw (kn),engine\n" + rows)
    assert "engine_rpm" not in got
    assert [(round(t - at(2, 10)), item, value) for t, item, value in reading.modes] == [
        (0, "engine", "on"), (20, "engine", "off")]
    got, _, reading = read("time,stw (kn),engine\n" + rows.replace(",1\n", ",1800\n"))
    assert got["engine_rpm"].max() == 1800 and not reading.modes
