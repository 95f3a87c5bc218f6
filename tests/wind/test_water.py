"""Wind and water put together: corrections, fall-backs, and what is said of them."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from real_logs import real_log

from sailanalysis.core.angles import wrap180
from sailanalysis.core.channels import SAMPLE_COLUMNS
from sailanalysis.core.model import Boat, Conditioned, CrewEntry, CrewLog, Sensors
from sailanalysis.core.series import utc_index
from sailanalysis.wind import apparent_wind, wind_and_water
from sailanalysis.wind.mast import shown_wind
from sailanalysis.wind.triangle import track

T0 = 1_750_000_000.0


def conditioned(rate=1.0, seconds=300, **columns):
    n = int(seconds * rate)
    index = utc_index(T0 + np.arange(n) / rate)
    frame = pd.DataFrame({k: np.broadcast_to(np.asarray(v, dtype=float), n).copy()
                          for k, v in columns.items()}, index=index)
    return Conditioned(frame, rate, pd.DataFrame(), pd.DataFrame(),
                       dict.fromkeys(columns, rate), frame.notna())


def codes(findings):
    return {f.code for f in findings}


def sailed(tws=12.0, twa=45.0, stw=6.0, hdg=20.0, heel=-15.0, k=9.0, set_=100.0, drift=1.0):
    """Every reading of one steady minute, by the definitions alone."""
    leeway = k * heel / stw**2
    aws, awa = apparent_wind(tws, twa, stw, leeway)
    ahead, abeam = shown_wind(aws * np.cos(np.radians(awa)), aws * np.sin(np.radians(awa)), heel)
    cog, sog = track(hdg + leeway, stw, set_, drift)
    return {"aws_kn": np.hypot(ahead, abeam), "awa_deg": np.degrees(np.arctan2(abeam, ahead)),
            "stw_kn": stw, "hdg_deg": hdg, "heel_deg": heel, "cog_deg": cog, "sog_kn": sog}


def test_the_current_is_a_mean_over_ninety_seconds():
    # It sets in half-way: 30 s before, the half window of 45 s reaches 15 s into it, a sixth;
    # 30 s after, five sixths; 50 s before and after, nothing and all of it.
    drift = np.where(np.arange(300) < 150, 0.0, 1.2)
    samples, _, _ = wind_and_water(conditioned(**sailed(drift=drift)), Boat(sensors=Sensors(leeway_k=9.0)))
    got = samples["drift_kn"].to_numpy()[[100, 120, 180, 200]]
    assert got == approx([0.0, 0.2, 1.0, 1.2], abs=0.02)


def test_all_is_put_right_again():
    read = sailed()
    # Sensors with errors: the boat file's corrections put them right.
    read["stw_kn"] = (read["stw_kn"] - 0.2) / 1.05
    read["awa_deg"] += 3.0
    read["aws_kn"] /= 0.95
    read["hdg_deg"] -= 4.0
    boat = Boat(sensors=Sensors(1.05, 0.2, -3.0, 0.95, 4.0, 9.0))
    samples, _, source = wind_and_water(conditioned(**read), boat)
    row = samples.iloc[150]
    assert source == "instruments"
    assert row["tws_kn"] == approx(12.0)
    assert row["twa_deg"] == approx(45.0)
    assert row["twd_deg"] == approx(65.0)
    assert row["leeway_deg"] == approx(-3.75)
    assert (row["set_deg"], row["drift_kn"]) == (approx(100.0), approx(1.0))
    assert row["vmg_kn"] == approx(6.0 * np.cos(np.radians(48.75)))


def test_columns_are_the_published_ones_first():
    samples, _, _ = wind_and_water(conditioned(**sailed()), Boat())
    assert tuple(samples.columns[:len(SAMPLE_COLUMNS)]) == SAMPLE_COLUMNS
    assert samples[["helm", "sails", "state"]].eq("").all().all()


def test_port_and_starboard_are_mirror_images():
    a, _, _ = wind_and_water(conditioned(**sailed(twa=45, heel=-15, hdg=0, drift=0)),
                             Boat(sensors=Sensors(leeway_k=9.0)))
    b, _, _ = wind_and_water(conditioned(**sailed(twa=-45, heel=15, hdg=0, drift=0)),
                             Boat(sensors=Sensors(leeway_k=9.0)))
    for name in ("twa_deg", "leeway_deg", "awa_deg"):
        assert a[name].to_numpy() == approx(-b[name].to_numpy())
    for name in ("tws_kn", "vmg_kn"):
        assert a[name].to_numpy() == approx(b[name].to_numpy())


def test_magnetic_heading_takes_the_logs_variation_then_the_models():
    read = sailed(hdg=20.0)
    read["hdg_mag_deg"] = read.pop("hdg_deg") - 6.0
    samples, found, _ = wind_and_water(conditioned(**read, variation_deg=6.0), Boat())
    assert samples["hdg_deg"].iloc[0] == approx(20.0)
    # Nobody set the variation: the model's for this bay in June 2025 is some 2.6 deg east.
    read |= {"lat": 54.3, "lon": 10.8, "variation_deg": 0.0}
    samples, found, _ = wind_and_water(conditioned(**read), Boat())
    assert "variation-not-set" in codes(found)
    assert 19.0 > samples["hdg_deg"].iloc[0] - 0.0 > 16.0
    read.pop("variation_deg")
    again, found, _ = wind_and_water(conditioned(**read), Boat())
    assert again["hdg_deg"].iloc[0] == approx(samples["hdg_deg"].iloc[0])
    samples, found, _ = wind_and_water(conditioned(**read, variation_deg=12.0), Boat())
    assert "variation-doubtful" in codes(found)
    assert samples["hdg_deg"].iloc[0] == approx(26.0)


def test_without_boat_speed_the_wind_is_over_the_ground_and_says_so():
    read = sailed(k=0.0, drift=1.5, set_=200.0)
    read.pop("stw_kn")
    samples, found, source = wind_and_water(conditioned(**read), Boat())
    assert source == "instruments"
    assert "ground-wind" in codes(found)
    assert samples["stw_kn"].isna().all()
    assert samples["vmg_kn"].isna().all()
    # Air over ground: true wind's own way (towards 245) plus the current's.
    going = 12.0 * np.exp(1j * np.radians(65.0 + 180)) + 1.5 * np.exp(1j * np.radians(200.0))
    assert samples["tws_kn"].iloc[9] == approx(abs(going))
    blows_from = np.degrees(np.angle(-going))
    assert float(wrap180(samples["twd_deg"].iloc[9] - blows_from)) == approx(0.0, abs=1e-6)


def test_logged_true_wind_is_used_where_there_is_no_other():
    cond = conditioned(twa_logged_deg=50.0, tws_logged_kn=14.0, stw_kn=6.0, hdg_deg=350.0)
    samples, found, source = wind_and_water(cond, Boat())
    assert source == "instruments"
    assert "true-wind-logged" in codes(found)
    assert samples["twd_deg"].iloc[0] == approx(40.0)
    aws, awa = apparent_wind(14.0, 50.0, 6.0)
    assert samples["aws_kn"].iloc[0] == approx(float(aws))
    assert samples["awa_deg"].iloc[0] == approx(float(awa))


def test_logged_true_wind_is_used_where_the_vane_has_no_wind_speed():
    # 9 kn at 60 deg and 5 kn of boat: ahead 9.5, abeam 7.794, apparent 39.4 deg; the vane shows 40.
    cond = conditioned(awa_deg=40.0, tws_logged_kn=9.0, twa_logged_deg=60.0, stw_kn=5.0,
                       hdg_deg=10.0)
    samples, found, source = wind_and_water(cond, Boat())
    assert source == "instruments"
    assert samples["twd_deg"].iloc[0] == approx(70.0)
    assert samples["tws_kn"].iloc[0] == approx(9.0)
    assert "no-wind-speed" not in codes(found)


@pytest.mark.parametrize(("vane_deg", "kept"), [(53.0, True), (56.0, False)])
def test_a_computed_wind_speed_that_the_vane_denies_is_left_out(vane_deg, kept):
    # apparent 39.4 deg by the computed wind: 13.6 deg off is believed, 16.6 is not.
    cond = conditioned(awa_deg=vane_deg, tws_logged_kn=9.0, twa_logged_deg=60.0, stw_kn=5.0,
                       hdg_deg=10.0)
    samples, found, source = wind_and_water(cond, Boat())
    assert source == "instruments"
    assert samples["tws_kn"].notna().any() == kept
    assert ("true-wind-contradicts" in codes(found)) != kept
    assert samples["twa_deg"].iloc[0] == approx(60.0)


@pytest.mark.parametrize(("wind_kn", "source"), [(5.1, "none"), (5.4, "instruments")])
def test_a_wind_that_is_the_boats_own_speed_is_no_wind(wind_kn, source):
    cond = conditioned(twa_logged_deg=30.0, tws_logged_kn=wind_kn, stw_kn=5.0, sog_kn=5.0,
                       cog_deg=10.0, hdg_deg=10.0)
    _, found, made = wind_and_water(cond, Boat())
    assert made == source
    assert ("wind-is-own-way" in codes(found)) == (source == "none")


def test_speed_and_course_come_from_positions_where_the_log_has_none():
    t = np.arange(300.0)
    lat = 50.0 + t * 6.0 * 0.514444 / 111_229.0  # metres a degree of latitude at 50 N
    samples, found, _ = wind_and_water(conditioned(lat=lat, lon=-5.0), Boat())
    assert samples["sog_kn"].iloc[150] == approx(6.0, rel=1e-3)
    assert abs(float(wrap180(samples["cog_deg"].iloc[150]))) < 0.01
    assert "speed-from-positions" in codes(found)


def test_masthead_roll_is_taken_off_a_quick_sensor():
    t = np.arange(0.0, 300.0, 0.1)
    roll = 10.0 * np.sin(2 * np.pi * t / 4.0)
    abeam = 10.0 + np.radians(np.gradient(roll, 0.1)) * 18.0 * 3600 / 1852
    read = {"awa_deg": np.degrees(np.arctan2(abeam * np.cos(np.radians(roll)), 12.0)),
            "aws_kn": np.hypot(abeam * np.cos(np.radians(roll)), 12.0), "heel_deg": roll,
            "stw_kn": 5.0, "hdg_deg": 0.0}
    cond = conditioned(10.0, 300, **read)
    still, _, _ = wind_and_water(cond, Boat(mast_height_m=18.0))
    moving, _, _ = wind_and_water(cond, Boat())
    assert still["awa_deg"].std() < 0.25 * moving["awa_deg"].std()


def test_crew_log_and_autopilot_name_the_helm():
    crew = CrewLog((CrewEntry(T0 + 10, "helm", "Ada"), CrewEntry(T0 + 20, "sails", "main+jib"),
                    CrewEntry(T0 + 30, "load", "450")))
    pilot = np.where(np.arange(300) > 200, 1.0, 0.0)
    samples, _, _ = wind_and_water(conditioned(**sailed(), autopilot=pilot), Boat(), crew)
    assert samples["helm"].iloc[[0, 15, 250]].tolist() == ["", "Ada", "autopilot"]
    assert samples["sails"].iloc[[0, 50]].tolist() == ["", "main+jib"]
    assert np.isnan(samples["load_kg"].iloc[0])
    assert samples["load_kg"].iloc[40] == 450.0


@pytest.mark.parametrize("name", ["bay-six-tacks-0183", "gulf-reach-n2k"])
def test_recorded_wind_is_steadier_than_the_boat(name):
    from sailanalysis.condition import condition
    from sailanalysis.read import read_logs

    samples, _, source = wind_and_water(condition(read_logs([real_log(name)])), Boat())
    assert source == "instruments"
    good = samples.dropna(subset=["twd_deg", "twa_deg"])
    assert len(good) > 500
    # Over all headings sailed the wind keeps its direction within 20 deg.
    assert wrap180(good["twd_deg"] - good["twd_deg"].median()).std() < 20.0
