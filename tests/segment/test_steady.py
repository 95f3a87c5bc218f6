"""The rules for steady blocks, one by one, on toys whose answer is known."""

import numpy as np
import pandas as pd
import pytest

from sailanalysis.segment.steady import (
    BLOCK_COLUMNS,
    LAG_UNKNOWN_S,
    empty_blocks,
    steady_averages,
)


def toy(seconds=600, rate_hz=1.0, **columns):
    n = int(seconds * rate_hz)
    index = pd.date_range("2026-06-01 12:00", periods=n, freq=f"{1 / rate_hz}s", tz="UTC",
                          name="time").as_unit("us")
    base = {"stw_kn": 6.0, "tws_kn": 12.0, "twa_deg": 90.0, "twd_deg": 200.0, "leeway_deg": -2.0,
            "sails": "main+jib", "helm": "Ada", "boards": "", "state": "sailing"}
    table = pd.DataFrame({k: columns.get(k, v) for k, v in base.items()}, index=index)
    return table.astype(dict.fromkeys(("sails", "helm", "boards", "state"), object))


def leg(samples, a=0.0, b=None):
    start = samples.index[0]
    end = samples.index[-1] + pd.Timedelta(1, "s") if b is None else start + pd.Timedelta(b, "s")
    return pd.DataFrame({"start": [start + pd.Timedelta(a, "s")], "end": [end]})


NONE = pd.DataFrame({"start": [], "end": []})


def test_constant_sailing_gives_equal_half_minute_blocks():
    samples = toy(600)
    blocks = steady_averages(samples, leg(samples), NONE)
    assert list(blocks.columns) == list(BLOCK_COLUMNS)
    assert len(blocks) == 20 and blocks["seconds"].tolist() == [30.0] * 20
    assert np.allclose(blocks["stw_kn"], 6) and np.allclose(blocks["tws_kn"], 12)
    assert np.allclose(blocks["twa_deg"], 90) and np.allclose(blocks["twa_sd_deg"], 0, atol=1e-6)
    assert np.allclose(blocks["leeway_deg"], 2.0)  # set to port, wind from starboard: to leeward
    assert set(blocks["side"]) == {"starboard"} and set(blocks["day"]) == {"2026-06-01"}


@pytest.mark.parametrize("rate_hz", [0.5, 1.0, 5.0, 10.0])
def test_the_rate_of_the_log_does_not_matter(rate_hz):
    samples = toy(600, rate_hz)
    blocks = steady_averages(samples, leg(samples), NONE)
    assert blocks["seconds"].sum() == pytest.approx(600, rel=0.02)
    assert np.allclose(blocks["stw_kn"], 6)


def test_nothing_under_engine():
    samples = toy(600)
    samples.loc[samples.index[:300], "state"] = "motoring"
    samples.loc[samples.index[:300], "stw_kn"] = 9.0
    blocks = steady_averages(samples, leg(samples), NONE)
    assert blocks["seconds"].sum() == pytest.approx(300, abs=10)
    assert blocks["stw_kn"].max() == pytest.approx(6.0)


def test_time_near_a_maneuver_is_left_out():
    samples = toy(600)
    turn = pd.DataFrame({"start": [samples.index[295]], "end": [samples.index[305]],
                         "recovery_s": [60.0]})
    blocks = steady_averages(samples, leg(samples), turn)
    start = (blocks["time"] - samples.index[0]).dt.total_seconds()
    end = start + blocks["seconds"]
    assert ((end <= 291) | (start >= 365 - 1)).all()
    assert (start >= 365 - 1).any()


def test_only_legs_count():
    samples = toy(600)
    blocks = steady_averages(samples, leg(samples, 100, 250), NONE)
    assert blocks["seconds"].sum() == pytest.approx(150, abs=2)


def test_a_sail_change_starts_a_new_block():
    samples = toy(600)
    samples.loc[samples.index[310:], "sails"] = "main+reacher"
    blocks = steady_averages(samples, leg(samples), NONE)
    by = blocks.groupby("sails")["seconds"].sum()
    assert by["main+jib"] == pytest.approx(310) and by["main+reacher"] == pytest.approx(290)


def test_a_gap_is_not_bridged():
    samples = toy(600).drop(toy(600).index[200:260])
    blocks = steady_averages(samples, leg(samples), NONE)
    start = (blocks["time"] - samples.index[0]).dt.total_seconds().to_numpy()
    inside = (start < 200) & (start + blocks["seconds"].to_numpy() > 201)
    assert not inside.any()
    assert blocks["seconds"].sum() == pytest.approx(540, abs=3)


def test_missing_speed_is_not_zero():
    samples = toy(600)
    samples.loc[samples.index[100:160], "stw_kn"] = np.nan
    blocks = steady_averages(samples, leg(samples), NONE)
    assert np.allclose(blocks["stw_kn"], 6.0)
    assert blocks["seconds"].sum() == pytest.approx(540, abs=3)


def test_surfing_bursts_abaft_the_beam_are_left_out():
    speed = np.full(600, 6.0)
    speed[200:208] = 9.0
    samples = toy(600, twa_deg=150.0, stw_kn=speed)
    blocks = steady_averages(samples, leg(samples), NONE)
    assert blocks["stw_kn"].max() == pytest.approx(6.0)
    assert (blocks["surf_share"] * 30).sum() == pytest.approx(8, abs=1)
    forward = steady_averages(toy(600, twa_deg=60.0, stw_kn=speed), leg(samples), NONE)
    assert forward["stw_kn"].max() > 6.5


def test_angles_either_side_of_dead_downwind_average_on_the_circle():
    angle = np.where(np.arange(600) % 2, 176.0, -176.0)
    blocks = steady_averages(toy(600, twa_deg=angle), leg(toy(600)), NONE)
    assert np.allclose(np.abs(blocks["twa_deg"]), 180, atol=0.5)


@pytest.mark.parametrize("lag_s", [4.5, 12.0, 28.0])
def test_the_boats_response_is_found(lag_s):
    """A first-order boat in gusts; the ladder's step next to it may be taken."""
    rng = np.random.default_rng(int(lag_s))
    n = 5400
    gust = np.repeat(rng.normal(0, 1.5, n // 15), 15)
    wind = 12 + gust
    speed, v = np.empty(n), 6.0
    for i in range(n):
        v += (0.4 * wind[i] + 1.2 - v) * (1 - np.exp(-1 / lag_s))
        speed[i] = v + 0.05 * rng.standard_normal()
    samples = toy(n, tws_kn=wind, stw_kn=speed)
    legs = pd.DataFrame({"start": samples.index[::900], "end": samples.index[::900]
                         + pd.Timedelta(890, "s")})
    blocks = steady_averages(samples, legs, NONE)
    assert lag_s / 1.5 < blocks["lag_s"].iloc[0] < lag_s * 1.5


def test_a_day_without_gusts_takes_the_usual_response():
    samples = toy(900)
    assert steady_averages(samples, leg(samples), NONE)["lag_s"].iloc[0] == LAG_UNKNOWN_S


def test_nothing_to_average():
    samples = toy(60)
    assert len(steady_averages(samples, NONE, NONE)) == 0
    assert len(steady_averages(samples.drop(columns="tws_kn"), leg(samples), NONE)) == 0
    assert list(empty_blocks().columns) == list(BLOCK_COLUMNS)
    samples["tws_kn"] = np.nan
    assert len(steady_averages(samples, leg(samples), NONE)) == 0
