"""Sensor health on generated sailing with known faults."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from seas.calibration import sail

from sailanalysis.calibrate.health import sensor_health
from sailanalysis.condition import condition
from sailanalysis.core.model import Boat
from sailanalysis.core.series import epoch_s
from sailanalysis.wind import wind_and_water


def judged(raw):
    cond = condition(raw)
    samples, _, _ = wind_and_water(cond, Boat())
    return sensor_health(cond, samples)


def spoiled(raw, channel, change):
    streams = tuple(replace(s, value=change(s.time_s, s.value.copy())) if s.channel == channel
                    else s for s in raw.streams)
    return replace(raw, streams=streams)


@pytest.fixture(scope="module")
def day():
    return sail(6, "mixed", 2.0, vane_lag_s=0.0, speed_lag_s=0.0)


def test_sound_sensors_are_called_good(day):
    health = judged(day.raw)
    assert set(health.sensors["verdict"]) == {"good"}
    assert health.sensors["present_share"].min() > 0.99


def test_a_dead_anemometer_is_the_first_thing_said(day):
    health = judged(spoiled(day.raw, "aws_kn", lambda t, x: np.zeros(x.size)))
    assert "Apparent wind speed" in health.sentences[0]
    row = health.sensors.set_index("channel").loc["aws_kn"]
    assert row["verdict"] == "poor"
    assert row["stuck_share"] == approx(1.0)


def test_dropouts_and_spikes_are_counted(day):
    def drop(t, x):
        x[1000:2500] = np.nan
        x[[100, 3000, 4000]] += 20.0
        return x

    row = judged(spoiled(day.raw, "stw_kn", drop)).sensors.set_index("channel").loc["stw_kn"]
    assert row["spikes"] == 3
    assert row["longest_gap_s"] == approx(1500.0, abs=2.0)
    assert row["verdict"] == "poor"


def test_lag_is_the_one_put_in(day):
    late = 4.0

    def delay(t, x):
        return np.interp(t - late, t, np.unwrap(x, period=360.0))

    def wrapped(t, x):
        return (delay(t, x) + 180.0) % 360.0 - 180.0

    health = judged(spoiled(spoiled(day.raw, "awa_deg", wrapped), "stw_kn", delay))
    lags = health.lags.set_index("sensor")["lag_s"]
    base = judged(day.raw).lags.set_index("sensor")["lag_s"]
    for sensor in ("apparent wind angle", "boat speed"):
        assert lags[sensor] - base[sensor] == approx(late, abs=0.6)
    assert any("damping" in s for s in health.sentences)


def test_a_crooked_vane_shows_as_asymmetry():
    shows = []
    for seed in (1, 2, 3):
        crooked = sail(seed, "beat", 3.0, errors={"awa_offset_deg": 6.0})
        rows = judged(crooked.raw).asymmetry.set_index("quantity")
        shows.append(rows.loc["apparent wind angle", "difference"])
        assert rows.loc["apparent wind angle", "low"] < shows[-1]
    # Six degrees to add: the starboard reading is six short, the port one six long.
    assert np.median(shows) == approx(-12.0, abs=3.0)


def test_legs_are_compared_in_like_wind_only():
    """Starboard tack in 12 kn, port tack in 18: nothing is alike, nothing is said."""
    from sailanalysis.calibrate.health import _asymmetry

    def day(port_tws):
        side = np.repeat([1, -1] * 6, 150)
        t = np.arange(side.size, dtype=float)
        noise = np.random.default_rng(2).normal(0, 0.02, side.size)
        return pd.DataFrame({
            "awa_deg": 30.0 * side, "tws_kn": np.where(side > 0, 12.0, port_tws), "stw_kn": 6.0 + (side < 0) + noise,
            "heel_deg": 15.0, "rudder_deg": np.nan, "sails": "main+jib", "helm": "Ada"}), t

    assert _asymmetry(*day(18.0)).empty
    row = _asymmetry(*day(12.5)).set_index("quantity").loc["boat speed"]
    assert row["difference"] == approx(-1.0, abs=0.01) and row["legs_starboard"] == 6 and row["advice"]


def test_what_does_not_matter_is_not_told(day):
    def late(t, x):
        x[:600] = np.nan
        return x

    health = judged(spoiled(day.raw, "stw_kn", late))
    assert health.sensors.set_index("channel").loc["stw_kn", "verdict"] == "good"
    assert not any(s.startswith("Boat speed") for s in health.sentences)


def test_a_gap_in_the_course_over_ground_counts_under_way_alone(day):
    cond = condition(spoiled(day.raw, "cog_deg", lambda t, x: np.where((t > t[3000]) & (t < t[4000]), np.nan, x)))
    samples, _, _ = wind_and_water(cond, Boat())
    time = epoch_s(samples.index)
    rest = (time > time[0] + 2900) & (time < time[0] + 4100)
    told = [sensor_health(cond, samples.assign(state=np.where(rest & moored, "stopped", "sailing"))).sentences[0]
            for moored in (True, False)]
    assert not told[0].startswith("Course over ground drops out")
    assert told[1].startswith("Course over ground drops out")


@pytest.mark.parametrize(("aws", "verdict"), [(6.0, "good"), (25.0, "fair")])
def test_a_vane_that_swings_with_the_masthead_is_no_fault_in_little_wind(day, aws, verdict):
    """11 deg from reading to reading: at 6 kn a masthead that swings at 2 kn turns it by 18, at 25 kn by 5."""
    rng = np.random.default_rng(4)
    shaken = spoiled(spoiled(day.raw, "awa_deg", lambda t, x: x + rng.normal(0, 11.0, x.size)), "aws_kn",
                     lambda t, x: aws + rng.normal(0, 0.3, x.size))
    row = judged(shaken).sensors.set_index("channel").loc["awa_deg"]
    assert row["noise"] == approx(11.0, rel=0.1) and row["verdict"] == verdict
