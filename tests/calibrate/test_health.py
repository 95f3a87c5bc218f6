"""Sensor health on generated sailing with known faults."""

from dataclasses import replace

import numpy as np
import pytest
from pytest import approx
from seas.calibration import sail

from sailanalysis.calibrate.health import sensor_health
from sailanalysis.condition import condition
from sailanalysis.core.model import Boat
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
