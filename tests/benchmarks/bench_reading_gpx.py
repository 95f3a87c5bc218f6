"""Reading GPX against gpxpy on the same file, in one run.

    python tests/benchmarks/bench_reading_gpx.py [POINTS]

prints a table; under pytest-benchmark each way is one benchmark.
"""

from __future__ import annotations

import io
import sys
import time
from datetime import UTC, datetime

import gpxpy
import numpy as np

from sailanalysis.model import Boat
from sailanalysis.read.gpx import read_gpx
from sailanalysis.read.reading import ReadContext


def log_bytes(points: int) -> bytes:
    """An invented track at 1 Hz with elevations and speeds in extensions."""
    rows = []
    for k in range(points):
        stamp = datetime.fromtimestamp(1.78e9 + k, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        rows.append(f'<trkpt lat="{50 + k * 2e-5:.7f}" lon="{-3 + k * 1e-5:.7f}"><ele>0.0</ele>'
                    f"<time>{stamp}</time><extensions><x:TrackPointExtension><x:speed>3.1"
                    "</x:speed></x:TrackPointExtension></extensions></trkpt>\n")
    return ('<?xml version="1.0"?><gpx version="1.1" creator="x" '
            'xmlns="http://www.topografix.com/GPX/1/1" xmlns:x="http://www.example.org/x">'
            f"<trk><trkseg>{''.join(rows)}</trkseg></trk></gpx>").encode()


def ours(data: bytes) -> int:
    reading = read_gpx(io.BytesIO(data), ReadContext("t.gpx", 0.0, None, UTC, Boat()))
    return len(reading.streams[0].value)


def with_gpxpy(data: bytes) -> int:
    return sum(1 for _ in gpxpy.parse(data.decode()).walk())


WAYS = {"sailanalysis": (ours, 5), "gpxpy": (with_gpxpy, 3)}


def median_s(way, data: bytes, repeats: int) -> float:
    taken = []
    for _ in range(repeats):
        start = time.perf_counter()
        way(data)
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


def test_read_gpx(benchmark):
    data = log_bytes(5_000)
    assert benchmark(ours, data) == 5_000


def test_read_gpx_gpxpy(benchmark):
    benchmark.pedantic(with_gpxpy, args=(log_bytes(5_000),), rounds=3)


def main() -> None:
    points = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    data = log_bytes(points)
    print(f"GPX, {points:,} points, {len(data) / 1e6:.0f} MB")
    seconds = {name: median_s(way, data, repeats) for name, (way, repeats) in WAYS.items()}
    for name, taken in seconds.items():
        print(f"  {name:<14} {taken:7.3f} s  {points / taken:10,.0f} points/s  "
              f"{seconds['gpxpy'] / taken:5.1f} x gpxpy's speed")


if __name__ == "__main__":
    main()
