"""The arrival clock: sentences without a time of their own get the right one."""

import os
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx
from real_logs import real_log
from seas.nmea0183_logs import START, Bus, sentence

from sailanalysis.core.errors import LogError
from sailanalysis.read import read_logs
from sailanalysis.read.logs import merge_day, read_each

WEEKS_1024_DAYS = 1024 * 7


def read(tmp_path, data, name="day.nmea", modified=None, **options):
    path = tmp_path / name
    path.write_bytes(data)
    moment = (modified or datetime(2024, 6, 1, 18, 0, tzinfo=UTC)).timestamp()
    os.utime(path, (moment, moment))
    return read_logs([path], **options)


def stream(raw, channel, source=None):
    found = [s for s in raw.of(channel) if source in (None, s.source)]
    assert len(found) == 1, [s.source for s in raw.of(channel)]
    return found[0]


def heading_error(raw, bus):
    """Time given to each heading less its true arrival."""
    return stream(raw, "hdg_mag_deg").time_s - bus.heading_times()


def codes(raw):
    return {finding.code for finding in raw.findings}


# ------------------------------------------------------------------ by hand
def test_three_sentences_by_hand(tmp_path):
    # Fixes at 10:00:00 and 10:00:02, one heading exactly halfway between their bytes.
    fix = "GPRMC,1000{:02d}.00,A,5918.0000,N,01806.0000,E,6.5,045.0,010624,,,A"
    raw = read(tmp_path, sentence(fix.format(0)) + sentence("HCHDM,100.0,M")
               + sentence(fix.format(2)))
    lat, hdg = stream(raw, "lat"), stream(raw, "hdg_mag_deg")
    assert lat.time_s == approx([START.timestamp(), START.timestamp() + 2], abs=1e-6)
    at = len(sentence(fix.format(0))) / (len(sentence(fix.format(0))) + len(sentence("HCHDM,100.0,M")))
    assert hdg.time_s[0] - START.timestamp() == approx(2 * at, abs=1e-6)


def test_one_fix_alone(tmp_path):
    raw = read(tmp_path, sentence("GPRMC,100000.00,A,5918.0,N,01806.0,E,6.5,045.0,010624,,,A"))
    assert stream(raw, "sog_kn").time_s == approx([START.timestamp()])


# ------------------------------------------------------------------ plain days
def test_fixes_keep_their_own_time_and_headings_their_beat(tmp_path):
    bus = Bus()
    raw = read(tmp_path, bus.log())
    fix = stream(raw, "lat", "GP RMC")
    assert fix.time_s == approx(START.timestamp() + np.arange(600.0), abs=1e-6)
    # The receiver's delay cannot be known: arrival is placed within it.
    error = heading_error(raw, bus)
    assert np.abs(error).max() < bus.delay_s + 0.3
    step = np.diff(stream(raw, "hdg_mag_deg").time_s)
    assert step.mean() == approx(0.1, abs=1e-3)
    assert step.std() < 0.015


def test_fast_receiver(tmp_path):
    bus = Bus(gps_s=0.1, delay_s=0.06, seconds=120)
    assert np.abs(heading_error(read(tmp_path, bus.log()), bus)).max() < 0.2


def test_through_midnight(tmp_path):
    bus = Bus(start=datetime(2024, 12, 31, 23, 55, tzinfo=UTC))
    raw = read(tmp_path, bus.log())
    assert np.abs(heading_error(raw, bus)).max() < 0.7
    assert stream(raw, "lat", "GP GGA").time_s[-1] == approx(bus.start.timestamp() + 599, abs=0.01)


def test_date_that_changes_late_at_midnight(tmp_path):
    bus = Bus(start=datetime(2024, 6, 1, 23, 58, tzinfo=UTC), seconds=240)
    lines = bus.log().split(b"\r\n")
    wrong = [sentence(line[1:-3].decode().replace("020624", "010624")).strip()
             if line.startswith(b"$GPRMC,000000") else line for line in lines]
    assert np.abs(heading_error(read(tmp_path, b"\r\n".join(wrong)), bus)).max() < 0.7


def test_first_hour_without_a_date_over_midnight(tmp_path):
    bus = Bus(start=datetime(2024, 6, 1, 23, 30, tzinfo=UTC), seconds=4200, undated_s=3600,
              heading_s=0.5)
    assert np.abs(heading_error(read(tmp_path, bus.log()), bus)).max() < 0.8


def test_minutes_without_a_fix_are_timed_backwards(tmp_path):
    bus = Bus(seconds=1200, void_s=300)
    raw = read(tmp_path, bus.log())
    assert np.abs(heading_error(raw, bus)).max() < 5
    assert stream(raw, "lat", "GP GGA").time_s[0] == approx(START.timestamp() + 300)


def test_cold_start_in_1980_is_no_time(tmp_path):
    bus = Bus(seconds=600)
    cold = b"".join(sentence(f"GPRMC,0000{k:02d}.00,V,,,,,,,060180,,,N") + sentence("HCHDM,1.0,M")
                    for k in range(40))
    raw = read(tmp_path, cold + bus.log())
    assert min(s.time_s[0] for s in raw.streams) > START.timestamp() - 60
    assert np.abs(stream(raw, "hdg_mag_deg", "HC HDG").time_s - bus.heading_times()).max() < 0.7


@pytest.mark.parametrize("step", [2.0, 10.0])
def test_times_truncated_to_whole_steps_are_spread(tmp_path, step):
    bus = Bus(gps_s=1.0, truncate_s=step, seconds=600)
    raw = read(tmp_path, bus.log())
    assert np.abs(heading_error(raw, bus)).max() < 2.0
    assert "coarse-time" in codes(raw)


def test_bay_log_is_spread_to_two_seconds():
    folder = real_log("bay-six-tacks-0183")
    raw = read_logs([folder / "log.nmea.gz"])
    fix = stream(raw, "lat", "EC RMC")
    # expected.json: true time = 19:43:16 + 2 s x index of the RMC sentence.
    truth = datetime(2008, 7, 14, 19, 43, 16, tzinfo=UTC).timestamp() + 2.0 * np.arange(fix.time_s.size)
    assert np.abs(fix.time_s - truth).max() < 2.0


# ------------------------------------------------------------------ pauses and disorder
def nearest_truth(found, truth):
    """How far each time lies from the nearest true sample that may be its own, in order."""
    assert 0.98 * truth.size - 5 <= found.size <= truth.size
    at = np.clip(np.searchsorted(truth, found), 1, truth.size - 1)
    return np.minimum(np.abs(found - truth[at]), np.abs(found - truth[at - 1]))


def test_a_pause_is_not_stretched_over(tmp_path):
    bus = Bus(seconds=5400, silent=[(600.4, 4800.7)], heading_s=0.5)
    raw = read(tmp_path, bus.log())
    heading = stream(raw, "hdg_mag_deg")
    assert nearest_truth(heading.time_s, bus.heading_times()).max() < 1.0
    assert np.abs(heading.time_s[:1190] - bus.heading_times()[:1190]).max() < 1.0
    assert np.abs(heading.time_s[-1190:] - bus.heading_times()[-1190:]).max() < 1.0


@settings(max_examples=25, deadline=None)
@given(cut=st.floats(30, 300), pause=st.floats(20, 40000), seed=st.integers(0, 99))
def test_a_pause_anywhere(tmp_path_factory, cut, pause, seed):
    bus = Bus(seconds=400, heading_s=0.5, seed=seed)
    t0, arrivals = START.timestamp(), bus.arrivals()
    before = [s for t, s in arrivals if t - t0 < cut]
    later = Bus(start=datetime.fromtimestamp(round(t0 + cut + pause), UTC), seconds=100,
                heading_s=0.5, seed=seed)
    raw = read(tmp_path_factory.mktemp("pause"), b"".join(before) + later.log())
    truth = np.array([t for t, s in arrivals if t - t0 < cut and s.startswith(b"$HCHDG")]
                     + list(later.heading_times()))
    assert nearest_truth(stream(raw, "hdg_mag_deg").time_s, truth).max() < 1.6


def test_single_wrong_times_are_left_out(tmp_path):
    bus = Bus(seconds=300)
    lines = bus.log().split(b"\r\n")
    rmc = [i for i, line in enumerate(lines) if line.startswith(b"$GPRMC")]
    for i, (old, new) in zip(rmc[50::60], [("010624", "010680"), ("GPRMC,10", "GPRMC,13"),
                                           ("010624", "020624"), ("GPRMC,10", "GPRMC,09")],
                             strict=False):
        lines[i] = sentence(lines[i][1:-3].decode().replace(old, new, 1)).strip()
    raw = read(tmp_path, b"\r\n".join(lines))
    assert np.abs(heading_error(raw, bus)).max() < 0.8
    assert max(s.time_s[-1] for s in raw.streams) < START.timestamp() + 301


def test_days_joined_in_the_wrong_order_come_out_in_time(tmp_path):
    first, second = Bus(seconds=300), Bus(start=datetime(2024, 6, 1, 12, tzinfo=UTC), seconds=300)
    raw = read(tmp_path, second.log() + first.log())
    truth = np.concatenate([first.heading_times(), second.heading_times()])
    found = stream(raw, "hdg_mag_deg").time_s
    assert np.all(np.diff(found) >= 0)
    assert nearest_truth(found, truth).max() < 1.5


# ------------------------------------------------------------------ dates
def test_rollover_seen_against_the_files_name(tmp_path):
    bus = Bus(days_off=-WEEKS_1024_DAYS)
    raw = read(tmp_path, bus.log(), name="2024-06-01 morning.txt",
               modified=datetime(2026, 1, 1, tzinfo=UTC))
    assert np.abs(heading_error(raw, bus)).max() < 0.7
    assert "gps-week-rollover" in codes(raw)


def test_rollover_seen_against_the_files_time_and_the_date_given(tmp_path):
    bus = Bus(days_off=-WEEKS_1024_DAYS, seconds=60)
    for options in ({}, {"date": "2024-06-01", "modified": datetime(2026, 1, 1, tzinfo=UTC)}):
        raw = read(tmp_path, bus.log(), **options)
        assert np.abs(heading_error(raw, bus)).max() < 0.7
        assert "gps-week-rollover" in codes(raw)


def test_an_old_log_is_not_taken_for_a_rollover(tmp_path):
    bus = Bus(start=datetime(2008, 7, 14, 12, tzinfo=UTC), seconds=60)
    for modified in (datetime(2026, 11, 25, tzinfo=UTC), datetime(2008, 7, 14, 20, tzinfo=UTC)):
        raw = read(tmp_path, bus.log(), modified=modified)
        assert np.abs(heading_error(raw, bus)).max() < 0.7
        assert "gps-week-rollover" not in codes(raw)


def test_rollover_during_the_log(tmp_path):
    early = Bus(seconds=120, days_off=-WEEKS_1024_DAYS)
    late = Bus(start=datetime(2024, 6, 1, 10, 2, tzinfo=UTC), seconds=300)
    raw = read(tmp_path, early.log() + late.log())
    truth = np.concatenate([early.heading_times(), late.heading_times()])
    assert np.abs(stream(raw, "hdg_mag_deg").time_s - truth).max() < 0.8


def test_no_date_anywhere(tmp_path):
    bus = Bus(dated=False, seconds=120)
    given_day = read(tmp_path, bus.log(), date="2024-06-01", modified=datetime(2026, 1, 1, tzinfo=UTC))
    named = read(tmp_path, bus.log(), name="20240601_race.log", modified=datetime(2026, 1, 1, tzinfo=UTC))
    written = read(tmp_path, bus.log(), modified=datetime(2024, 6, 1, 10, 5, tzinfo=UTC))
    for raw, warned in ((given_day, False), (named, True), (written, True)):
        assert np.abs(heading_error(raw, bus)).max() < 0.7
        assert ("no-date" in codes(raw)) is warned


def test_no_date_but_another_log_has_one(tmp_path):
    bus = Bus(dated=False, seconds=120)
    (tmp_path / "a.log").write_bytes(bus.log().replace(b"$HCHDG", b"$HCXXX"))
    (tmp_path / "b.log").write_bytes(Bus(seconds=120).log())
    os.utime(tmp_path / "a.log", (1.9e9, 1.9e9))
    raw = read_logs([tmp_path / "a.log", tmp_path / "b.log"])
    for found in raw.of("lat"):
        assert found.time_s[0] == approx(START.timestamp())


def test_a_log_without_any_time_says_so(tmp_path):
    with pytest.raises(LogError, match="no sentence and no line carries a time"):
        read(tmp_path, sentence("HCHDM,100.0,M") * 50)


@pytest.mark.parametrize("year", [1981, 1999, 2025, 2038, 2079, 2106])
def test_years(tmp_path, year):
    start = datetime(year, 3, 1, 12, 0, 0, tzinfo=UTC)
    lines = b"".join(sentence(f"GPZDA,1200{k:02d}.00,01,03,{year},00,00") + sentence("HCHDM,100.0,M")
                     for k in range(60))
    raw = read(tmp_path, lines, modified=datetime(2110, 1, 1, tzinfo=UTC))
    assert stream(raw, "hdg_mag_deg").time_s[0] == approx(start.timestamp(), abs=1.0)


# ------------------------------------------------------------------ receive stamps
@pytest.mark.parametrize("form", ["iso", "iso-z", "comma", "epoch", "ms", "time", "tag"])
def test_a_right_logger_clock_is_believed(tmp_path, form):
    bus = Bus(seconds=300)
    raw = read(tmp_path, bus.stamped(form))
    assert np.abs(heading_error(raw, bus)).max() < 2e-3
    assert "logger-clock-offset" not in codes(raw)


@pytest.mark.parametrize("form", ["iso", "ms", "time"])
@pytest.mark.parametrize("offset", [-7200.0, 3 * 3600.0 + 17.25, -400.3 * 86400.0])
def test_a_logger_clock_hours_wrong(tmp_path, form, offset):
    bus = Bus(seconds=300)
    raw = read(tmp_path, bus.stamped(form, offset_s=offset))
    # Satellite time wins; the fix's delay stays unknown.
    assert np.abs(heading_error(raw, bus) + bus.delay_s).max() < 0.1
    if form != "time":
        assert "logger-clock-offset" in codes(raw)


def test_a_logger_clock_that_is_set_meanwhile(tmp_path):
    bus = Bus(seconds=600)
    half = START.timestamp() + 300
    wrong, right = bus.stamped("ms", offset_s=-5e8).split(b"\r\n"), bus.stamped("ms").split(b"\r\n")
    arrivals = [t for t, _ in bus.arrivals()]
    mixed = [a if t < half else b for a, b, t in zip(wrong, right, arrivals, strict=False)]
    raw = read(tmp_path, b"\r\n".join(mixed) + b"\r\n")
    assert np.abs(heading_error(raw, bus)).max() < bus.delay_s + 0.2


def test_stamps_without_gps_are_the_clock(tmp_path):
    bus = Bus(seconds=60)
    lines = [line for line in bus.stamped("iso-z").split(b"\r\n") if b"$GP" not in line]
    raw = read(tmp_path, b"\r\n".join(lines))
    assert np.abs(heading_error(raw, bus)).max() < 2e-3


def test_stamps_without_a_zone_and_gps_are_in_the_zone_given(tmp_path):
    bus = Bus(seconds=60)
    lines = [line for line in bus.stamped("iso", offset_s=7200).split(b"\r\n") if b"$GP" not in line]
    raw = read(tmp_path, b"\r\n".join(lines), timezone="Europe/Stockholm")
    assert np.abs(heading_error(raw, bus)).max() < 2e-3


def test_whole_second_stamps_keep_the_beat(tmp_path):
    bus = Bus(seconds=120)
    lines = [b"%d " % int(t) + s for t, s in bus.arrivals()]
    raw = read(tmp_path, b"".join(lines))
    assert np.abs(heading_error(raw, bus)).max() < 0.6
    assert np.diff(stream(raw, "hdg_mag_deg").time_s).std() < 0.03


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 86399), st.sampled_from(["RMC", "GGA", "GLL", "ZDA"]),
                          st.sampled_from("AV"), st.integers(1, 12)), min_size=1, max_size=60))
def test_times_never_go_back_whatever_the_marks(tmp_path_factory, marks):
    lines = []
    for second, kind, status, month in marks:
        clock = f"{second // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}"
        place = "5918.0,N,01806.0,E"
        lines.append(sentence({
            "RMC": f"GPRMC,{clock},{status},{place},6.5,045.0,01{month:02d}24,,,A",
            "GGA": f"GPGGA,{clock},{place},{'AV'.index(status)},08,1,1,M,1,M,,",
            "GLL": f"GPGLL,{place},{clock},{status},A",
            "ZDA": f"GPZDA,{clock},01,{month:02d},2024,00,00"}[kind]))
        lines.append(sentence("HCHDM,100.0,M") * 3)
    path = tmp_path_factory.mktemp("marks") / "log"
    path.write_bytes(b"".join(lines))
    raw = merge_day(read_each([path]))
    for found in raw.streams:
        assert np.all(np.diff(found.time_s) >= 0)
        assert np.isfinite(found.time_s).all() and np.isfinite(found.value).all()
