"""Reading NMEA 2000 text against the PyPI package nmea2000 on the same messages, in one run.

    python tests/benchmarks/bench_reading_nmea2000.py [MINUTES]

prints a table; under pytest-benchmark each way is one benchmark. The package is restricted to the
messages that are read here, and reads a part of the log whose length is scaled up.
"""

from __future__ import annotations

import io
import sys
import time
from datetime import UTC

import numpy as np

from sailanalysis.model import Boat
from sailanalysis.read.nmea2000 import read_nmea2000
from sailanalysis.read.nmea2000_fields import WANTED
from sailanalysis.read.reading import ReadContext

RATES_HZ = {127245: 10, 127250: 10, 127251: 10, 127257: 10, 128259: 5, 129025: 10, 129026: 4,
            130306: 10, 128267: 1, 127258: 1, 127488: 10, 65280: 10, 130824: 20}
"""A bus with ten-hertz sensors and some makers' own messages; 129029 comes at 1 Hz besides."""
PART = 40_000


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


def median_s(way, data, repeats: int = 5) -> float:
    taken = []
    for _ in range(repeats):
        start = time.perf_counter()
        way(data)
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


def test_read_nmea2000(benchmark):
    lines = log_lines(3)
    data = "\n".join(lines).encode()
    assert benchmark(ours, data) == len(lines)


def test_read_nmea2000_library(benchmark):
    benchmark.pedantic(with_library, args=(log_lines(1),), rounds=3)


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    lines = log_lines(minutes)
    data = "\n".join(lines).encode()
    print(f"NMEA 2000, {minutes:g} min, {len(data) / 1e6:.0f} MB, {len(lines):,} frames")
    own = len(lines) / median_s(ours, data)
    theirs = PART / median_s(with_library, lines[:PART], 3)
    print(f"  sailanalysis      {own / 1e6:6.2f} million frames/s   {own / theirs:5.1f} x")
    print(f"  nmea2000 package  {theirs / 1e6:6.2f} million frames/s     1.0 x")


if __name__ == "__main__":
    main()
