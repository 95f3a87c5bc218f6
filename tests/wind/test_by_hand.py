"""Signs, windows and borders of wind and water, each worked out by hand on a few straight minutes."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from sailanalysis.core.model import Boat, Conditioned, Sensors
from sailanalysis.core.series import utc_index
from sailanalysis.wind import smooth_wind_direction, variation_deg, wind_and_water
from sailanalysis.wind.direction import is_turning
from sailanalysis.wind.heading import find_north, true_heading
from sailanalysis.wind.track_ends import in_a_stream, seconds_near, upwind_evidence

T0 = 1_750_000_000.0


def log(seconds=600, rate=1.0, native=None, **columns):
    n = int(seconds * rate)
    frame = pd.DataFrame({k: np.broadcast_to(np.asarray(v, dtype=float), n).copy()
                          for k, v in columns.items()}, index=utc_index(T0 + np.arange(n) / rate))
    return Conditioned(frame, rate, pd.DataFrame(), pd.DataFrame(),
                       dict.fromkeys(columns, rate) | (native or {}), frame.notna())


def worked(boat=None, **columns):
    samples, findings, source = wind_and_water(log(**columns), boat or Boat())
    return samples, {f.code for f in findings}, source


def test_current_is_a_mean_over_a_minute_and_a_half():
    # A current of 1 kn along the course begins at 300 s: at 270 s the window of 90 s reaches
    # 15 s into it, at 300 s 45 s, from 345 s on all of it.
    sog = np.where(np.arange(600) < 300, 6.0, 7.0)
    samples, _, _ = worked(stw_kn=6.0, hdg_deg=90.0, sog_kn=sog, cog_deg=90.0)
    drift = samples["drift_kn"].to_numpy()
    assert drift[270] == approx(15.5 / 90, abs=0.01)
    assert drift[300] == approx(45.5 / 90, abs=0.01)
    assert drift[250] == approx(0.0, abs=1e-9) and drift[350] == approx(1.0)
    assert samples["set_deg"].iloc[350] == approx(90.0)


def test_rudder_offset_is_added():
    samples, _, _ = worked(Boat(sensors=Sensors(rudder_offset_deg=2.0)), rudder_deg=5.0, stw_kn=6.0)
    assert samples["rudder_deg"].iloc[10] == approx(7.0)


def test_logged_magnetic_wind_direction_takes_the_variation_on_top():
    # Wind from 100 magnetic, variation 10 east: from 110 true; heading 70: 40 to starboard.
    samples, codes, _ = worked(twd_mag_logged_deg=100.0, tws_logged_kn=12.0, variation_deg=10.0,
                               hdg_mag_deg=60.0, stw_kn=6.0)
    row = samples.iloc[100]
    assert (row["twd_deg"], row["twa_deg"], row["hdg_deg"]) == (
        approx(110.0), approx(40.0), approx(70.0))
    assert "true-wind-logged" in codes
    # worked back: 12 kn at 40 and 6 kn of boat: 12 sin 40 / (12 cos 40 + 6)
    assert row["awa_deg"] == approx(np.degrees(np.arctan2(12 * np.sin(np.radians(40)),
                                                          12 * np.cos(np.radians(40)) + 6)))


@pytest.mark.parametrize("missing", ["sog_kn", "cog_deg"])
def test_what_one_of_speed_and_course_lacks_comes_from_the_positions(missing):
    north = 10 * 1852.0 / 3600 * np.arange(600) / 1852.0 / 60  # 10 kn due north
    columns = {"lat": 50.0 + north, "lon": -4.0, "sog_kn": 10.0, "cog_deg": 0.0}
    columns[missing] = np.nan
    samples, codes, _ = worked(**columns)
    assert samples["sog_kn"].iloc[300] == approx(10.0, rel=3e-3)
    assert np.cos(np.radians(samples["cog_deg"].iloc[300])) == approx(1.0, abs=1e-6)
    assert "speed-from-positions" in codes


def test_few_missing_speeds_are_left_alone():
    sog = np.where(np.arange(600) % 10 == 0, np.nan, 5.0)
    _, codes, _ = worked(lat=50.0, lon=-4.0, sog_kn=sog, cog_deg=0.0)
    assert "speed-from-positions" not in codes


def test_no_wind_and_no_speed_says_nothing_of_the_wind_over_ground():
    _, codes, source = worked(sog_kn=5.0, cog_deg=10.0)
    assert source == "none" and not codes & {"ground-wind", "no-boat-speed"}
    _, codes, _ = worked(aws_kn=12.0, awa_deg=40.0)
    assert "no-boat-speed" in codes
    samples, codes, _ = worked(aws_kn=12.0, awa_deg=40.0, sog_kn=5.0, cog_deg=20.0, hdg_deg=10.0)
    assert "ground-wind" in codes
    # 12 kn at 40 less 5 kn on 10 deg to starboard
    ahead = 12 * np.cos(np.radians(40)) - 5 * np.cos(np.radians(10))
    abeam = 12 * np.sin(np.radians(40)) - 5 * np.sin(np.radians(10))
    assert samples["tws_kn"].iloc[50] == approx(np.hypot(ahead, abeam))
    assert samples["twa_deg"].iloc[50] == approx(np.degrees(np.arctan2(abeam, ahead)))


def test_a_heel_column_without_a_value_is_no_heel():
    samples, _, _ = worked(aws_kn=12.0, awa_deg=40.0, stw_kn=5.0, hdg_deg=0.0, heel_deg=np.nan)
    assert samples["aws_kn"].iloc[50] == approx(12.0) and samples["awa_deg"].iloc[50] == approx(40)


@pytest.mark.parametrize(("known_s", "of_s", "source"), [
    (55, 100, "instruments"), (45, 100, "none"), (61, 600, "instruments"), (55, 600, "none")])
def test_wind_is_known_from_a_minute_or_half_the_log(known_s, of_s, source):
    aws = np.where(np.arange(of_s) < known_s, 12.0, np.nan)
    cond = log(seconds=of_s, aws_kn=aws, awa_deg=np.where(np.isfinite(aws), 40.0, np.nan),
               stw_kn=5.0, hdg_deg=0.0)
    assert wind_and_water(cond, Boat())[2] == source


@pytest.mark.parametrize(("rate_deg_s", "turns"), [(1.5, False), (3.0, True)])
def test_a_turn_is_two_degrees_a_second(rate_deg_s, turns):
    t = np.arange(300.0)
    hdg = 90.0 + rate_deg_s * np.clip(t - 140.0, 0.0, 20.0)
    got = is_turning(t, hdg)
    assert got.any() == turns
    if turns:  # the turn, and half a minute on either side of it
        assert got[150] and got[115] and got[185] and not got[95] and not got[205]


def test_smooth_wind_spans_two_minutes():
    index = utc_index(T0 + np.arange(1200.0))
    samples = pd.DataFrame({"twd_deg": np.where(np.arange(1200) < 600, 10.0, 30.0),
                            "tws_kn": 10.0, "hdg_deg": 300.0}, index=index)
    twd = smooth_wind_direction(samples)
    # two passes of one minute: nothing a minute away, half of the shift in the middle
    assert twd[535] == approx(10.0) and twd[665] == approx(30.0)
    assert twd[600] == approx(20.0, abs=0.5)
    assert 10.5 < twd[570] < 14.0


def test_models_meet_at_their_epochs():
    # The field moves by 0.2 deg a year at most here: no leap where one model takes over, and
    # beyond the last one is carried on.
    for year in (2015.0, 2020.0, 2025.0):
        before, after = (variation_deg(50.0, -4.0, year + d) for d in (-0.01, 0.01))
        assert abs(after - before) < 0.3
    assert variation_deg(50.0, -4.0, 2030.5) - variation_deg(50.0, -4.0, 2029.5) == approx(
        variation_deg(50.0, -4.0, 2029.5) - variation_deg(50.0, -4.0, 2028.5), abs=0.02)
    assert np.isfinite(variation_deg(50.0, -4.0, 2008.0))
    with pytest.raises(Exception, match="life"):  # inside its five years no model is stretched
        from pygeomag import GeoMag

        GeoMag(coefficients_file="wmm/WMM_2020.COF").calculate(50.0, -4.0, 0.0, 2025.5)


def headings(true=80.0, magnetic=70.0, rates=(1.0, 1.0), n=200, variation=10.0):
    cond = log(seconds=n, hdg_deg=true, hdg_mag_deg=magnetic, variation_deg=variation)
    frame = cond.samples
    got, findings = true_heading(frame, find_north(frame), {
        "hdg_deg": rates[0], "hdg_mag_deg": rates[1]})
    return got, {f.code for f in findings}


def test_the_faster_or_more_complete_heading_is_used():
    jitter = np.where(np.arange(200) % 2, 0.5, -0.5)  # tells the two apart
    slow, _ = headings(magnetic=70.0 + jitter, rates=(1.0, 1.0))
    assert slow == approx(np.full(200, 80.0))
    fast, _ = headings(magnetic=70.0 + jitter, rates=(1.0, 2.0))
    assert fast == approx(80.0 + jitter)
    holes = np.where(np.arange(200) % 5 == 0, np.nan, 80.0)
    full, _ = headings(true=holes, magnetic=70.0 + jitter)
    assert full == approx(80.0 + jitter)
    few = np.where(np.arange(200) % 50 == 0, np.nan, 80.0)
    filled, _ = headings(true=few, magnetic=70.0 + jitter)
    assert filled[1] == approx(80.0) and filled[0] == approx(79.5)


@pytest.mark.parametrize(("off_deg", "said"), [(2.5, False), (3.5, True), (-3.5, True)])
def test_two_headings_that_differ(off_deg, said):
    got, codes = headings(true=80.0 + off_deg)
    assert ("two-headings" in codes) == said
    # one compass and a constant: the instruments added a wrong variation
    assert got[0] == approx(80.0 if said else 80.0 + off_deg)


def turn_table(rows):
    return pd.DataFrame(rows, columns=["middle_deg", "speed_kn", "lost_share", "turn_deg"])


def test_which_end_the_wind_comes_from():
    # Two tacks through 90 deg that lose 40 % of 5 kn, two gybes through 60 that lose 10 %.
    turns = turn_table([(0.0, 5.0, 0.40, 90.0), (10.0, 5.0, 0.40, -90.0),
                        (180.0, 5.0, 0.10, 60.0), (170.0, 5.0, 0.10, -60.0)])
    # cost 0.30/0.05 capped at 4, knots ln(2.0/0.5)/0.25 capped at 2, angle 30/15 capped at 1.5
    assert upwind_evidence(turns, 0.0, (0.0, 0.0)) == approx(7.5)
    assert upwind_evidence(turns, 180.0, (0.0, 0.0)) == approx(-7.5)
    # minutes towards where the wind goes speak for it, towards where it comes from against
    assert upwind_evidence(turns, 0.0, (0.0, 150.0)) == approx(8.5)
    assert upwind_evidence(turns, 0.0, (150.0, 0.0)) == approx(6.5)
    assert upwind_evidence(turns, 0.0, (40.0, 150.0)) == approx(7.5)
    assert upwind_evidence(turns, 0.0, (0.0, 110.0)) == approx(7.5)


def test_small_differences_count_for_what_they_are():
    turns = turn_table([(0.0, 5.0, 0.22, 80.0), (10.0, 5.0, 0.22, -80.0),
                        (180.0, 5.0, 0.20, 74.0), (170.0, 5.0, 0.20, -74.0)])
    by_hand = 0.02 / 0.05 + np.log(0.22 / 0.20) / 0.25 + 6.0 / 15.0
    assert upwind_evidence(turns, 0.0, (0.0, 0.0)) == approx(by_hand)


def test_turns_at_one_end_only_are_held_against_the_usual():
    # usual: 22 % and 75 deg lie between tacks and gybes
    turns = turn_table([(0.0, 5.0, 0.30, 90.0), (10.0, 5.0, 0.30, -90.0), (5.0, 5.0, 0.30, 90.0)])
    by_hand = (0.30 - 0.22) / 0.05 + 15.0 / 15.0
    assert upwind_evidence(turns, 0.0, (0.0, 0.0)) == approx(by_hand)
    assert upwind_evidence(turns, 180.0, (0.0, 0.0)) == approx(-by_hand)
    one = pd.concat([turns, turn_table([(180.0, 5.0, 0.05, 40.0)])])
    # a single turn at the other end is no median: all are held against the usual
    assert upwind_evidence(one, 0.0, (0.0, 0.0)) == approx(by_hand)


@pytest.mark.parametrize(("slow_kn", "fast_kn", "stream"), [
    (2.4, 3.7, True), (2.6, 4.0, False), (2.4, 3.5, False)])
def test_a_slow_boat_may_be_in_a_stream(slow_kn, fast_kn, stream):
    turns = turn_table([(m, slow_kn if abs(m) < 90 else fast_kn, 0.3, 90.0)
                        for m in (0.0, 10.0, 180.0, 170.0)])
    assert in_a_stream(turns, 0.0) == stream
    assert not in_a_stream(turns.iloc[:3], 0.0)


def test_seconds_near_the_axis():
    course = np.repeat([0.0, 24.0, 26.0, 90.0, 154.0, 156.0, 180.0], 10)
    time = np.arange(70.0)
    velocity = 5.0 * np.exp(1j * np.radians(course))
    assert seconds_near(time, velocity, 0.0) == (20.0, 19.0)
    assert seconds_near(time, 0.2 * velocity / 5.0, 0.0) == (0.0, 0.0)  # hardly under way
    time[35:] += 100.0  # the hole in the log is nobody's
    assert seconds_near(time, velocity, 0.0) == (20.0, 19.0)
