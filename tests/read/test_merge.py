"""Several files are one day: nothing lost, nothing counted twice, order without effect."""

import gzip
import itertools
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pytest import approx
from seas.nmea0183_logs import START, Bus

from sailanalysis.core.errors import LogError
from sailanalysis.read import inspect_logs, read_logs


def write(folder, **contents):
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, data in contents.items():
        path = folder / name.replace("__", ".")
        path.write_bytes(data)
        paths.append(path)
    return paths


def one(raw, channel, source=None):
    found = [s for s in raw.of(channel) if source in (None, s.source)]
    assert len(found) == 1, [s.source for s in raw.of(channel)]
    return found[0]


def assert_same(a, b):
    assert [(s.channel, s.source, s.file) for s in a.streams] == [
        (s.channel, s.source, s.file) for s in b.streams]
    for x, y in zip(a.streams, b.streams, strict=True):
        assert np.array_equal(x.time_s, y.time_s) and np.array_equal(x.value, y.value)
    assert (a.inputs, a.findings, a.breaks_s) == (b.inputs, b.findings, b.breaks_s)


def test_rotation_gives_one_stream(tmp_path):
    lines = Bus(seconds=600).log().splitlines(keepends=True)
    thirds = [b"".join(lines[i : i + 4000]) for i in range(0, len(lines), 4000)]
    paths = write(tmp_path, **{f"log{i}": part for i, part in enumerate(thirds)})
    whole = read_logs(write(tmp_path / "w", all=b"".join(lines)))
    split = read_logs(paths)
    for s in whole.streams:
        other = one(split, s.channel, s.source)
        assert np.array_equal(other.value, s.value)
        assert np.abs(other.time_s - s.time_s).max() < 0.35


def test_order_of_files_has_no_effect(tmp_path):
    lines = Bus(seconds=300).log().splitlines(keepends=True)
    paths = write(tmp_path, c=b"".join(lines[:2000]), a=b"".join(lines[1500:4000]),
                  b=b"".join(lines[3900:]))
    first = read_logs(paths)
    for order in itertools.permutations(paths):
        assert_same(first, read_logs(list(order)))


def test_rotation_with_overlap_is_not_doubled(tmp_path):
    lines = Bus(seconds=600).log().splitlines(keepends=True)
    raw = read_logs(write(tmp_path, a=b"".join(lines[:6000]), b=b"".join(lines[4000:])))
    heading = one(raw, "hdg_mag_deg")
    assert heading.time_s.size == approx(6000, abs=3)
    assert np.diff(heading.time_s).min() > 0.05
    assert "overlapping-logs" in {f.code for f in raw.findings}


def test_two_loggers_on_one_bus_fill_each_others_gaps(tmp_path):
    bus = Bus(seconds=600)
    a = replace(bus, silent=[(100.0, 160.0)])
    b = replace(bus, silent=[(400.0, 460.0)])
    raw = read_logs(write(tmp_path, a=a.log(), b=b.stamped("iso", offset_s=3600)))
    for channel, source in (("hdg_mag_deg", "HC HDG"), ("lat", "GP RMC"), ("stw_kn", "II VHW")):
        stream = one(raw, channel, source)
        expected = 600 * (10 if channel == "hdg_mag_deg" else 1)
        assert stream.time_s.size == approx(expected, rel=0.01)
        assert np.diff(stream.time_s).max() < 2.5


def test_the_same_file_twice_in_any_dress_is_read_once(tmp_path):
    data = Bus(seconds=60).log()
    single = read_logs(write(tmp_path / "x", a=data))
    paths = write(tmp_path, a=data, b=data, c__gz=gzip.compress(data))
    raw = read_logs([*paths, paths[0], str(paths[1])])
    assert len(raw.inputs) == 3
    assert sorted(r.format for r in raw.inputs) == ["NMEA 0183", "copy", "copy"]
    assert [s.value.size for s in raw.streams] == [s.value.size for s in single.streams]
    assert sum(f.code == "same-content" for f in raw.findings) == 2


def test_two_receivers_of_one_name_are_kept_apart(tmp_path):
    near, far = Bus(seconds=60), Bus(seconds=60, seed=3)
    other = far.log().replace(b"6.1,45.0", b"0.0,00.0")
    moved = b"".join(_moved(line) for line in other.splitlines(keepends=True))
    raw = read_logs(write(tmp_path, a=near.log(), b=moved))
    assert {s.source for s in raw.of("lat")} == {"GP RMC", "GP RMC #2", "GP GGA", "GP GGA #2"}
    assert "two-sensors-one-name" in {f.code for f in raw.findings}
    assert one(raw, "hdg_mag_deg").value.size == 600


def _moved(line):
    from seas.nmea0183_logs import sentence

    if b",N,018" not in line:
        return line
    # 0.02 minutes of longitude are 19 m at 59 degrees north: another place on the same boat.
    return sentence(re.sub(r"(?<=,N,018)\d\d\.\d+", lambda m: f"{float(m[0]) + 0.02:08.5f}",
                           line[1 : line.index(b"*")].decode()))


def test_a_folder_with_everything_in_it(tmp_path):
    sub = tmp_path / "2024" / "june"
    sub.mkdir(parents=True)
    (tmp_path / ".hidden").write_bytes(b"\xff" * 50)
    (tmp_path / ".git").mkdir()
    (tmp_path / ".git" / "log").write_bytes(Bus(seconds=30).log())
    (tmp_path / "crew.csv").write_bytes(b"time,item,value\n10:00,helm,Ida\n")
    (tmp_path / "boat.toml").write_bytes(b"[boat]\nloa_m = 11\n")
    (tmp_path / "picture.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)))
    (tmp_path / "empty.log").write_bytes(b"")
    (sub / "day.nmea").write_bytes(Bus(seconds=30).log())
    raw = read_logs([tmp_path])
    assert {r.format for r in raw.inputs} == {"NMEA 0183", "crew log", "boat file", "unknown", "empty"}
    assert one(raw, "hdg_mag_deg").value.size == 300
    said = [f for f in raw.findings if f.code == "not-a-log"]
    assert len(said) == 2 and all(f.level == "note" for f in said)
    for report in raw.inputs:
        assert report.lines == report.used + sum(report.rejected.values())


def test_days_apart_are_not_one_day(tmp_path):
    later = Bus(start=START + timedelta(days=9), seconds=60)
    paths = write(tmp_path, a=Bus(seconds=60).log(), b=later.log())
    with pytest.raises(LogError, match=r"2 days.*sailanalysis day"):
        read_logs(paths)
    assert "days-apart" in {f["code"] for f in inspect_logs(paths)["findings"]}


def test_another_logs_rollover_is_put_right(tmp_path):
    late = Bus(seconds=60, days_off=-1024 * 7)
    paths = write(tmp_path, a=Bus(seconds=60).log(), b=late.log().replace(b"HCHDG", b"HEXXX"))
    import os
    for path in paths:
        os.utime(path, (1.9e9, 1.9e9))
    raw = read_logs(paths)
    assert {f.code for f in raw.findings} >= {"gps-week-rollover"}
    assert all(abs(r.start_s - START.timestamp()) < 2 for r in raw.inputs)


@settings(max_examples=20, deadline=None)
@example(cuts=[225, 260, 300], back=3)
@given(cuts=st.lists(st.integers(50, 2500), min_size=1, max_size=4), back=st.integers(0, 400))
def test_any_cut_and_overlap_gives_every_sample_once(tmp_path_factory, cuts, back):
    lines = Bus(seconds=150).log().splitlines(keepends=True)
    edges = [0, *sorted(set(cuts)), len(lines)]
    parts = {f"p{i}": b"".join(lines[max(0, a - back) : b])
             for i, (a, b) in enumerate(itertools.pairwise(edges))}
    raw = read_logs(write(tmp_path_factory.mktemp("cut"), **parts))
    heading = one(raw, "hdg_mag_deg")
    # A piece of some seconds does not know its own beat and may gain or lose a sample.
    assert abs(heading.value.size - 1500) <= 3 * len(parts)
    assert np.all(np.diff(heading.time_s) >= 0)


def test_midnight_between_two_files(tmp_path):
    a = Bus(start=datetime(2024, 6, 1, 23, 59, tzinfo=UTC), seconds=60)
    b = Bus(start=datetime(2024, 6, 2, 0, 0, tzinfo=UTC), seconds=60)
    raw = read_logs(write(tmp_path, b=b.log(), a=a.log()))
    heading = one(raw, "hdg_mag_deg")
    assert heading.time_s.size == 1200
    assert heading.time_s[-1] - heading.time_s[0] == approx(119.9, abs=1)
