"""Reading NMEA 2000 text against the PyPI package nmea2000 on the same messages, in one run.

    python tests/benchmarks/bench_reading_nmea2000.py [--minutes 60] [--runs 5]

Prints a table in Markdown. The package is restricted to the messages that are read here, and reads
a part of the log whose seconds are scaled up. Peak memory is that of reading 100 MB of such a log.
"""

from __future__ import annotations

import io
import sys
import tempfile
from datetime import UTC
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from benchmarks.timing import READ, Row, peak_mb, print_rows, side_by_side

from sailanalysis.core.model import Boat
from sailanalysis.read.nmea2000 import read as read_nmea2000
from sailanalysis.read.nmea2000.fields import WANTED
from sailanalysis.read.reading import ReadContext

RATES_HZ = {127245: 10, 127250: 10, 127251: 10, 127257: 10, 128259: 5, 129025: 10, 129026: 4,
            130306: 10, 128267: 1, 127258: 1, 127488: 10, 65280: 10, 130824: 20}
"""A bus with ten-hertz sensors and some makers' own messages; 129029 comes at 1 Hz besides."""
PART = 40_000
COMMAND = "python tests/benchmarks/bench_reading_nmea2000.py"


def log_lines(minutes: float) -> list[str]:
    rng = np.random.default_rng(5)
    rows: list[tuple[float, str]] = []
    for pgn, rate in RATES_HZ.items():
        identifier = f"{2 << 26 | pgn << 8 | 35:08X}"
        count = int(minutes * 60 * rate)
        data = rng.integers(0, 120, (count, 8), dtype=np.uint8)
        data[:, 0] = 0
        data[:, 7] = 0xFD
        at = 1.78e9 + np.arange(count) / rate + pgn % 97 / 1e3
        rows += [(t, f"({t:.6f}) can0 {identifier}#{d.tobytes().hex().upper()}")
                 for t, d in zip(at.tolist(), data, strict=True)]
    fix = f"{2 << 26 | 129029 << 8 | 35:08X}"
    for second in range(int(minutes * 60)):
        body = bytes([1]) + (20602 + 0).to_bytes(2, "little") + int(
            (1.78e9 + second) % 86400 * 1e4).to_bytes(4, "little") + rng.bytes(36)
        t = 1.78e9 + second + 0.3
        frames = [bytes([second % 8 << 5, 43]) + body[:6]] + [
            bytes([second % 8 << 5 | k + 1]) + body[6 + 7 * k:13 + 7 * k].ljust(7, b"\xff")
            for k in range(6)]
        rows += [(t + k / 1e4, f"({t + k / 1e4:.6f}) can0 {fix}#{d.hex().upper()}")
                 for k, d in enumerate(frames)]
    rows.sort()
    return [line for _, line in rows]


def ours(data: bytes) -> int:
    reading = read_nmea2000(io.BytesIO(data), ReadContext("x", 0.0, None, UTC, Boat()))
    return reading.used


def with_library(lines: list[str]) -> int:
    from nmea2000.decoder import NMEA2000Decoder

    decoder = NMEA2000Decoder(include_pgns=[*WANTED])
    decode = decoder.decode
    return sum(decode(line) is not None for line in lines)


def rows(small: bool, minutes: float = 60.0, runs: int = 5) -> list[Row]:
    """One row; ``small`` takes a few seconds."""
    if small:
        minutes, runs = 10.0, 3
    lines = log_lines(minutes)
    data = "\n".join(lines).encode()
    part = lines[:PART]
    seconds = side_by_side(lambda: ours(data), lambda: with_library(part), runs)
    return [Row(f"NMEA 2000 text, {minutes:g} min, {len(data) / 1e6:.0f} MB", seconds[0],
                "nmea2000 package", seconds[1] * len(lines) / len(part), "10 or more", COMMAND,
                None if small else peak_of_100_mb())]


def peak_of_100_mb() -> float:
    minutes = 100e6 / len("\n".join(log_lines(1.0)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bus.log"
        path.write_text("\n".join(log_lines(minutes)))
        return peak_mb(*READ, path)


def test_read_nmea2000(benchmark):
    lines = log_lines(3)
    data = "\n".join(lines).encode()
    assert benchmark(ours, data) == len(lines)


def test_read_nmea2000_library(benchmark):
    benchmark.pedantic(with_library, args=(log_lines(1),), rounds=3)


if __name__ == "__main__":
    print_rows(rows, __doc__)
