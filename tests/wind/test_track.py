"""The wind from the track alone, and when the track cannot tell."""

from dataclasses import replace

import numpy as np
import pytest
from real_logs import real_log
from seas.calibration import sail

from sailanalysis.condition import condition
from sailanalysis.core.angles import wrap180
from sailanalysis.core.model import Boat
from sailanalysis.wind import smooth_wind_direction, wind_and_water, wind_from_track
from sailanalysis.wind.track import find_track_wind


def from_track(day):
    keep = ("lat", "lon", "sog_kn", "cog_deg")
    raw = replace(day.raw, streams=tuple(s for s in day.raw.streams if s.channel in keep))
    samples, _, source = wind_and_water(condition(raw), Boat())
    assert source == "none"
    return wind_from_track(samples)


def slow_truth(day, at):
    smooth = np.convolve(np.unwrap(np.radians(day.twd_deg)), np.ones(601) / 601, "same")
    smooth[:300], smooth[-300:] = smooth[300], smooth[-301]
    return np.degrees(np.interp(at, day.time_s, smooth))


def test_a_beat_and_a_run_show_the_wind():
    misses, shares = [], []
    for seed in range(6):
        day = sail(seed + 50, "mixed", 2.5, tide_kn=1.0)
        samples, source, result, found = from_track(day)
        if source == "none":
            assert result.why_not
            assert found[0].code == "no-wind"
            continue
        off = np.abs(wrap180(result.twd_along_deg - slow_truth(day, result.time_s)))
        misses.append(np.median(off))
        shares.append(np.mean(off < 1.96 * result.sd_along_deg))
        assert samples["twa_deg"].notna().mean() > 0.5
        assert samples["tws_kn"].isna().all()
    assert len(misses) >= 4
    assert np.median(misses) < 5.0
    assert np.mean(shares) > 0.85


def test_mirror_courses_by_hand():
    # Wind from north, 45 deg either side, 6 kn, in a current of 2 kn setting east, tacking every
    # four minutes and losing two thirds of the speed: the current drops out of the difference.
    t = np.arange(0.0, 2400.0)
    leg = (t // 240).astype(int)
    course = np.where(leg % 2 == 0, 45.0, -45.0)
    into = t % 240
    speed = np.where((leg > 0) & (into < 10), 2.0, 6.0)
    way = speed * np.exp(1j * np.radians(course)) + 2.0j
    result = find_track_wind(t, np.abs(way), np.degrees(np.angle(way)) % 360)
    assert result.known
    assert abs(float(wrap180(result.twd_deg))) < 1.0
    assert set(result.turns.loc[result.turns["agrees"], "kind"]) == {"tack"}


def test_the_estimate_turns_with_the_chart():
    t = np.arange(0.0, 2400.0)
    leg = (t // 240).astype(int)
    speed = np.where((leg > 0) & (t % 240 < 10), 2.0, 6.0)
    course = np.where(leg % 2 == 0, 45.0, -45.0)
    base = find_track_wind(t, speed, course % 360)
    for turn in (90.0, 137.0, 260.0):
        other = find_track_wind(t, speed, (course + turn) % 360)
        assert abs(float(wrap180(other.twd_deg - base.twd_deg - turn))) < 1e-6


def test_sparse_and_irregular_fixes_without_speed_give_the_same_wind():
    day = sail(52, "mixed", 2.5, tide_kn=0.8)
    fixes = {s.channel: s for s in day.raw.streams}
    steps = np.random.default_rng(0).choice([1, 2, 3, 5, 8, 15], 9000)
    found = []
    for at in (np.arange(9000), np.arange(0, 9000, 5), np.cumsum(steps)[np.cumsum(steps) < 9000]):
        raw = replace(day.raw, streams=tuple(
            replace(fixes[c], time_s=fixes[c].time_s[at], value=fixes[c].value[at])
            for c in ("lat", "lon")))
        samples, _, _ = wind_and_water(condition(raw), Boat())
        _, source, result, _ = wind_from_track(samples)
        assert source == "track"
        found.append(result.twd_deg)
    assert np.ptp(wrap180(np.array(found) - found[0])) < 3.0


@pytest.mark.parametrize("kind", ["one_heading", "out_and_back", "no_tacks"])
def test_a_track_that_cannot_tell_says_so(kind):
    for seed in range(4):
        samples, source, result, found = from_track(sail(seed, kind, 2.0))
        assert source == "none"
        assert samples["twd_deg"].isna().all()
        assert np.isnan(result.twd_deg)
        assert "judged by the wind" in found[0].message


def test_a_river_under_engine_is_no_beat():
    rng = np.random.default_rng(7)
    t = np.arange(0.0, 7200.0)
    bends = np.repeat(np.cumsum(rng.normal(0, 40, 24)), 300)
    course = np.convolve(np.pad(bends, 15, "edge"), np.ones(31) / 31, "valid")
    result = find_track_wind(t, np.full(t.size, 5.5), course % 360)
    assert not result.known


@pytest.mark.parametrize("name", ["passage-gps-only-0183", "moored-gps-0183"])
def test_recorded_passage_and_mooring_tell_no_wind(name):
    from sailanalysis.read import read_logs

    samples, _, source = wind_and_water(condition(read_logs([real_log(name)])), Boat())
    assert source == "none"
    assert wind_from_track(samples)[1] == "none"


def test_smooth_direction_goes_through_a_tack_and_follows_a_shift():
    day = sail(3, "beat", 1.5, tide_kn=0.0, errors={
        "stw_factor": 1.0, "awa_offset_deg": 0.0, "aws_factor": 1.0, "heading_offset_deg": 0.0,
        "leeway_k": 9.0})
    samples, _, _ = wind_and_water(condition(day.raw), Boat())
    smooth = smooth_wind_direction(samples)
    assert np.isfinite(smooth).all()
    off = np.abs(wrap180(smooth - slow_truth(day, samples.index.as_unit("ms").asi8 / 1e3)))
    assert np.median(off) < 4.0
    # A mask of everything leaves what was measured, not nothing.
    assert np.isfinite(smooth_wind_direction(samples, np.ones(len(samples), dtype=bool))).all()
