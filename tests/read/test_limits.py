"""What hostile and broken files can make the readers do, and what each gets."""

import gzip
import io
import os
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest
from seas.nmea0183_logs import Bus, sentence

from sailanalysis.core.errors import LogError
from sailanalysis.read import read_logs
from sailanalysis.read.logs import merge_day, read_each
from sailanalysis.read.open import limits
from sailanalysis.read.open.limits import open_log, stopped_by

FIX = sentence("GPRMC,100000.00,A,5918.0,N,01806.0,E,6.5,045.0,010624,,,A")


def write(tmp_path, data, name="day.log"):
    path = tmp_path / name
    path.write_bytes(data)
    return path


def codes(raw):
    return {f.code for f in raw.findings}


# ------------------------------------------------------------------ gzip
def test_gzip_of_several_members_and_of_any_name(tmp_path):
    data = Bus(seconds=20).log()
    path = write(tmp_path, gzip.compress(data[:9000]) + gzip.compress(data[9000:]), "x.nmea")
    assert read_logs([path]).inputs[0].lines == data.count(b"\n")


@pytest.mark.parametrize("keep", [0.1, 0.5, 0.95, 0.999])
def test_a_gzip_still_being_written_gives_what_is_there(tmp_path, keep):
    data = Bus(seconds=300).log()
    packed = gzip.compress(data)
    raw = read_logs([write(tmp_path, packed[: int(keep * len(packed))])])
    assert "damaged-compression" in codes(raw)
    assert raw.inputs[0].lines > 0.6 * keep * data.count(b"\n")


def test_a_damaged_gzip_is_no_traceback(tmp_path):
    packed = bytearray(gzip.compress(Bus(seconds=300).log()))
    packed[len(packed) // 2 : len(packed) // 2 + 50] = os.urandom(50)
    raw = read_logs([write(tmp_path, bytes(packed))])
    assert "damaged-compression" in codes(raw)
    for head in (b"\x1f\x8b", b"\x1f\x8b\x08\x00garbage", packed[:12]):
        with pytest.raises(LogError):
            read_logs([write(tmp_path, bytes(head))])


def test_a_decompression_bomb_stops_at_the_limit(tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "RATIO_FREE_BYTES", 1 << 20)
    packer = zlib.compressobj(9, wbits=31)
    line = FIX * 1000
    bomb = b"".join(packer.compress(line) for _ in range(400)) + packer.flush()
    unpacked = 400 * len(line)
    assert unpacked > 200 * len(bomb)
    path = write(tmp_path, bomb)
    with open_log(path) as handle:
        given = sum(len(piece) for piece in iter(lambda: handle.read(1 << 16), b""))
        assert stopped_by(handle).code == "decompression-limit"
    assert given == max(1 << 20, limits.MAX_RATIO * len(bomb))
    assert "decompression-limit" in codes(read_logs([path]))


# ------------------------------------------------------------------ lines
def test_ten_million_one_byte_lines(tmp_path):
    count = 1_000_000 if os.environ.get("CI") else 10_000_000
    raw = read_logs([write(tmp_path, FIX + b"a\n" * count)])
    report = raw.inputs[0]
    assert report.lines == count + 1 and report.rejected == {"not a sentence": count}


@pytest.mark.parametrize("filler", [b"a", b"\0", b"$", b"$GPRMC,", b"*", b",", b"\\", b"!AIVDM,1*"])
def test_an_endless_line(tmp_path, filler):
    data = FIX + filler * (4_000_000 // len(filler)) + b"\n" + FIX
    raw = read_logs([write(tmp_path, data)])
    report = raw.inputs[0]
    assert report.used == 2
    assert report.lines == report.used + sum(report.rejected.values())


def test_a_log_in_one_endless_line(tmp_path):
    data = Bus(seconds=600).log().replace(b"\r\n", b"")
    raw = read_logs([write(tmp_path, data * 2 if False else data)])
    assert raw.inputs[0].used == Bus(seconds=600).log().count(b"\n")


def test_nothing_but_line_ends_and_returns(tmp_path):
    raw = read_logs([write(tmp_path, FIX + b"\r\n\r\r\n\n" * 5000 + FIX)])
    assert (raw.inputs[0].lines, raw.inputs[0].used) == (2, 2)


def test_a_clock_that_leaps_to_and_fro_ends(tmp_path):
    fix = "GPRMC,{}00{:02d}.00,A,5918.0,N,01806.0,E,6.5,045.0,010624,,,A"
    block = [b"".join(sentence(fix.format(f"{h:02d}", s)) + sentence("HCHDM,1.0,M") for s in range(60))
             for h in range(24)]
    rng = np.random.default_rng(1)
    data = b"".join(block[h] for h in rng.integers(0, 24, 400))
    raw = merge_day(read_each([write(tmp_path, data)]))
    assert all(np.all(np.diff(s.time_s) >= 0) for s in raw.streams)
    mixed = b"".join(sentence(fix.format(f"{h:02d}", s)) for h, s in rng.integers(0, (24, 60), (5000, 2)))
    raw = merge_day(read_each([write(tmp_path, mixed)]))
    assert all(np.all(np.diff(s.time_s) >= 0) for s in raw.streams)


# ------------------------------------------------------------------ numbers
@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e999", "9" * 400, "-" * 50, "0x7f", "१२"])
def test_no_field_can_bring_in_a_number_that_is_none(tmp_path, text):
    kinds = ("GPRMC,{0},A,{0},N,{0},E,{0},{0},{0},{0},E,A", "IIVHW,{0},T,{0},M,{0},N,{0},K",
             "WIMWV,{0},R,{0},N,A", "IIRSA,{0},A,{0},A", "IIXDR,A,{0},D,ROLL", "SDDPT,{0},{0}",
             "GPZDA,{0},{0},{0},{0},,", "GPGGA,{0},{0},N,{0},E,{0},8,1,1,M,1,M,,", "TIROT,{0},A")
    lines = b"".join(sentence(kind.format(text)) for kind in kinds)
    raw = read_logs([write(tmp_path, FIX + lines + FIX)])
    for stream in raw.streams:
        assert np.isfinite(stream.value).all() and np.isfinite(stream.time_s).all()


def test_poles_and_the_date_line(tmp_path):
    lines = [f"GPRMC,1000{k:02d}.00,A,{lat},{lon},6.5,045.0,010624,,,A" for k, (lat, lon) in enumerate(
        [("9000.0000,N", "00000.0000,E"), ("9000.0000,S", "18000.0000,W"), ("8959.9999,N", "17959.9999,E"),
         ("9000.0001,N", "00000.0000,E"), ("0000.0000,N", "18000.0001,E"), ("5960.0000,N", "01800.0,E")])]
    raw = read_logs([write(tmp_path, b"".join(map(sentence, lines)))])
    lat, lon = raw.of("lat")[0].value, raw.of("lon")[0].value
    assert np.abs(lat).max() == 90.0 and np.abs(lon).max() <= 180.0
    assert lat.size == 4  # 90 deg 0.0001 min and 60 minutes are no latitude


# ------------------------------------------------------------------ memory and time
def test_memory_stays_within_three_times_the_log(tmp_path):
    psutil = pytest.importorskip("psutil")
    del psutil
    data = Bus(seconds=1800, gps_s=0.1, delay_s=0.05).log()
    path = write(tmp_path, data * 1)
    script = ("import resource, sys\n"
              "from sailanalysis.read import read_logs\n"
              "import pandas, sailanalysis.read.logs, sailanalysis.read.nmea0183.reader, sailanalysis.read.merge.align\n"
              "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
              "raw = read_logs([sys.argv[1]])\n"
              "print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024)\n")
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run([sys.executable, "-c", script, str(path)], cwd=root, check=True,
                          capture_output=True, text=True)
    # Twenty megabytes more for what any read needs: pieces, code, tables.
    assert int(done.stdout) < 3 * len(data) + 20e6


def test_a_log_still_being_written_reads_to_its_end(tmp_path):
    data = Bus(seconds=60).log()
    for cut in (len(data) - 1, len(data) - 5, len(data) - 20):
        raw = read_logs([write(tmp_path, data[:cut])])
        assert raw.inputs[0].used >= data.count(b"\n") - 1


def test_unreadable_and_special_files(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(LogError, match="not a file or folder"):
        read_logs([pipe])
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    with pytest.raises(LogError):
        read_logs([loop])
    with pytest.raises(LogError):
        read_logs(["x" * 5000])
    with pytest.raises(LogError):
        read_logs(["a\0b"])
    write(tmp_path, FIX)
    (tmp_path / "again").symlink_to(tmp_path / "day.log")
    (tmp_path / "self").symlink_to(tmp_path)
    assert len(read_logs([tmp_path]).inputs) == 1


def test_a_stream_that_fails_meanwhile_is_said(tmp_path, monkeypatch):
    path = write(tmp_path, Bus(seconds=20).log())

    class Failing(io.BytesIO):
        def readinto(self, buffer):
            raise OSError(5, "Input/output error")

    from sailanalysis.read import logs

    first = [True]

    def broken(p):
        if first:
            first.clear()
            return open_log(p)
        return Failing(b"x")

    monkeypatch.setattr(logs, "open_log", broken)
    with pytest.raises(LogError, match="Input/output error"):
        read_logs([path])


# ------------------------------------------------------------------ imports
@pytest.mark.parametrize(("text", "absent"), [
    (FIX * 3, ("pandas", "scipy", "pyarrow.csv", "pyarrow.parquet", "pyarrow.dataset")),
    (b'{"updates":[{"timestamp":"2026-07-03T10:00:00Z","values":[{"path":'
     b'"navigation.speedThroughWater","value":3.1}]}]}\n', ("pandas", "pyarrow", "scipy")),
    (b"time,BSP\n2026-07-03T10:00:00Z,6\n", ("scipy", "pyarrow.parquet", "pyarrow.dataset")),
], ids=["nmea0183", "signalk", "csv"])
def test_a_reader_imports_only_what_its_format_needs(tmp_path, text, absent):
    code = ("import sys; from sailanalysis.read import read_logs; read_logs([sys.argv[1]]); "
            "print(*sys.modules)")
    run = subprocess.run([sys.executable, "-c", code, str(write(tmp_path, text))], check=True,
                         capture_output=True, text=True, cwd=Path(__file__).resolve().parents[2])
    assert not set(run.stdout.split()) & set(absent)
