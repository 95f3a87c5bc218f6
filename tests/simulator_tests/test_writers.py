"""What the writers write, independent decoders read back."""

import csv
import gzip
import json

import gpxpy
import numpy as np
import pandas as pd
import pynmea2
import pytest
from nmea2000.decoder import NMEA2000Decoder
from simulator import (
    write_boat_file,
    write_crew_log,
    write_csv,
    write_gpx,
    write_nmea0183,
    write_nmea2000,
    write_signalk,
)
from simulator_tests.short_days import short_day

KNOT = 1852 / 3600


def test_nmea0183_reads_back_with_pynmea2(tmp_path):
    """Every line parses with its checksum (pynmea2 1.19), and the values are those logged."""
    day = short_day()
    [path] = write_nmea0183(day, tmp_path / "log.nmea")
    seen = {}
    for line in path.read_text("ascii").splitlines()[:12000]:
        message = pynmea2.parse(line, check=True)
        seen.setdefault(type(message).__name__, []).append(message)
    assert {"RMC", "GGA", "VTG", "ZDA", "VHW", "MWV", "HDG", "RSA", "XDR", "ROT", "DPT", "RPM"} <= \
        set(seen)
    first = seen["RMC"][0]
    assert first.latitude == pytest.approx(day.logged["lat"][1][0], abs=1e-6)
    assert first.longitude == pytest.approx(day.logged["lon"][1][0], abs=1e-6)
    assert first.datetime.timestamp() == pytest.approx(day.logged["lat"][0][0], abs=0.01)

    def values(kind, field):
        return np.array([float(getattr(m, field)) for m in seen[kind]])
    for kind, field, channel in (("VHW", "water_speed_knots", "stw_kn"),
                                 ("HDG", "heading", "hdg_mag_deg"),
                                 ("RSA", "rsa_starboard", "rudder_deg"),
                                 ("MWV", "wind_speed", "aws_kn"),
                                 ("RMC", "spd_over_grnd", "sog_kn")):
        got = values(kind, field)
        assert got == pytest.approx(day.logged[channel][1][:len(got)], abs=0.051), channel
    angle = values("MWV", "wind_angle")
    apart = (angle - day.logged["awa_deg"][1][:len(angle)] + 180) % 360 - 180
    assert np.abs(apart).max() < 0.051


def test_rotated_files_join_to_the_whole(tmp_path):
    day = short_day()
    [whole] = write_nmea0183(day, tmp_path / "whole.nmea")
    parts = write_nmea0183(day, tmp_path / "log.nmea.gz", rotate_s=600.0)
    assert len(parts) == 4
    assert b"".join(gzip.decompress(p.read_bytes()) for p in parts) == whole.read_bytes()


def test_faults_are_as_many_as_asked(tmp_path):
    day = short_day()
    [path] = write_nmea0183(day, tmp_path / "log.nmea", bad_checksum_share=0.01, prefix="iso")
    lines = path.read_text("latin-1").splitlines()
    bad = 0
    for line in lines[:10000]:
        stamp, sentence = line.split(" ", 1)
        assert stamp.endswith("Z")
        try:
            pynmea2.parse(sentence, check=True)
        except pynmea2.ParseError:
            bad += 1
    assert 60 < bad < 140


@pytest.mark.parametrize("prefix", ["epoch_s", "epoch_ms", "tag"])
def test_receive_times_lie_on_the_day(tmp_path, prefix):
    day = short_day()
    [path] = write_nmea0183(day, tmp_path / "log.nmea", prefix=prefix)
    line = path.read_text("ascii").splitlines()[5000]
    if prefix == "tag":
        inner, sentence = line[1:].split("\\")
        text, check = inner.split("*")
        assert int(check, 16) == pynmea2.NMEASentence.checksum(text)
        at = float(dict(part.split(":") for part in text.split(","))["c"])
    else:
        stamp, sentence = line.split(" ")
        at = float(stamp) / (1000 if prefix == "epoch_ms" else 1)
    pynmea2.parse(sentence, check=True)
    assert 0 <= at - day.start_s + 1 < 2400


def test_no_date_and_week_rollover(tmp_path):
    day = short_day()
    [path] = write_nmea0183(day, tmp_path / "a.nmea", no_date=True)
    text = path.read_text("ascii")
    assert "ZDA" not in text
    assert all(pynmea2.parse(line).datestamp is None for line in text.splitlines()[:2000]
               if "RMC" in line)
    [path] = write_nmea0183(day, tmp_path / "b.nmea", weeks_early=1024)
    line = next(line for line in path.read_text("ascii").splitlines() if "RMC" in line)
    early = pynmea2.parse(line).datetime.timestamp()
    assert day.start_s - early == pytest.approx(1024 * 7 * 86400, abs=2)


@pytest.mark.parametrize("form", ["candump", "comma"])
def test_nmea2000_reads_back_with_an_independent_decoder(tmp_path, form):
    """The nmea2000 package (2026.10), built on the canboat database, gives the logged values."""
    day = short_day()
    path = write_nmea2000(day, tmp_path / "log.txt", form=form, tanks={"fuel": 0.5})
    decoder = NMEA2000Decoder()
    seen = {}
    for line in path.read_text("ascii").splitlines()[:6000]:
        if form == "comma":
            stamp, rest = line.split("Z,", 1)
            line = stamp.replace("T", "-") + "," + rest
        message = decoder.decode(line)
        if message is not None:
            seen.setdefault(message.PGN, []).append({f.id: f.value for f in message.fields})

    def check(pgn, field, channel, factor, tolerance, turn=False):
        got = np.array([m[field] for m in seen[pgn]]) * factor
        want = day.logged[channel][1][:len(got)]
        apart = got - want
        if turn:
            apart = (apart + 180) % 360 - 180
        assert len(got) > 3
        assert np.abs(apart).max() < tolerance, channel
    degrees = 180 / np.pi
    check(127250, "heading", "hdg_mag_deg", degrees, 0.01, True)
    check(127245, "position", "rudder_deg", degrees, 0.01)
    check(127257, "roll", "heel_deg", degrees, 0.01)
    check(127251, "rate", "rate_of_turn_deg_s", degrees, 0.001)
    check(128259, "speedWaterReferenced", "stw_kn", 1 / KNOT, 0.011)
    check(129025, "latitude", "lat", 1.0, 1e-7)
    check(129029, "longitude", "lon", 1.0, 1e-7)
    check(129026, "cog", "cog_deg", degrees, 0.01, True)
    check(130306, "windAngle", "awa_deg", degrees, 0.01, True)
    check(130306, "windSpeed", "aws_kn", 1 / KNOT, 0.011)
    check(127488, "speed", "engine_rpm", 1.0, 0.2)
    check(127258, "variation", "variation_deg", degrees, 0.01)
    assert seen[127505][0]["level"] == pytest.approx(50.0)
    assert seen[126992][0]["date"].isoformat() == "2026-06-14"


def test_csv_gpx_and_signalk_hold_the_logged_values(tmp_path):
    day = short_day()
    frame = pd.read_csv(write_csv(day, tmp_path / "log.csv"))
    assert frame["STW (kn)"].to_numpy() == pytest.approx(
        day.logged_frame(1.0)["stw_kn"].to_numpy(), abs=0.006, nan_ok=True)
    comma = write_csv(day, tmp_path / "de.csv", delimiter=";", decimal=",", time_form="date_time")
    assert pd.read_csv(comma, sep=";", decimal=",")["Latitude"].iloc[10] == pytest.approx(
        frame["Latitude"].iloc[10])

    with open(write_gpx(day, tmp_path / "track.gpx", gaps_s=((600.0, 700.0),))) as file:
        track = gpxpy.parse(file).tracks[0]
    assert len(track.segments) == 2
    point = track.segments[0].points[30]
    assert (point.latitude, point.longitude) == (
        pytest.approx(day.logged["lat"][1][30], abs=1e-7),
        pytest.approx(day.logged["lon"][1][30], abs=1e-7))

    speeds = []
    for line in write_signalk(day, tmp_path / "deltas.jsonl").read_text().splitlines():
        value = json.loads(line)["updates"][0]["values"][0]
        if value["path"] == "navigation.speedThroughWater":
            speeds.append(value["value"] / KNOT)
    assert speeds == pytest.approx(day.logged["stw_kn"][1], abs=1e-5)


def test_crew_log_and_boat_file_are_well_formed(tmp_path):
    import tomllib
    day = short_day()
    with open(write_crew_log(day, tmp_path / "crew.csv"), newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == ["time", "item", "value", "note"]
    assert [r["value"] for r in rows if r["item"] == "helm"] == ["skilled", "autopilot", "learner"]
    boat = tomllib.loads(write_boat_file(day, tmp_path / "boat.toml",
                                         with_corrections=True).read_text())
    assert boat["sensors"]["stw_factor"] == 0.95


def test_logged_values_carry_the_stated_errors():
    """Corrected by the stated error, the logged value is the truth but for noise and lag."""
    day = short_day()
    truth = day.truth
    for channel, right in (("stw_kn", lambda v: v * 0.95), ("hdg_mag_deg", lambda v: v - 2.0 + 4.0)):
        time_s, value = day.logged[channel]
        index = np.round((time_s - day.start_s) * 10).astype(int)
        name = "stw_kn" if channel == "stw_kn" else "hdg_deg"
        steady = np.abs(truth.rate_of_turn_deg_s.to_numpy()[index]) < 1.0
        apart = (right(value) - truth[name].to_numpy()[index] + 180) % 360 - 180
        assert abs(np.median(apart[steady])) < 0.05, channel
