"""Reading GPX against gpxpy on the same file, in one run.

    python tests/benchmarks/bench_reading_gpx.py [--points 100000] [--runs 5]

Prints a table in Markdown. Peak memory is that of reading 100 MB of such a track.
"""

from __future__ import annotations

import io
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import gpxpy

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from benchmarks.timing import READ, Row, peak_mb, print_rows, side_by_side

from sailanalysis.core.model import Boat
from sailanalysis.read.gpx import read as read_gpx
from sailanalysis.read.reading import ReadContext

COMMAND = "python tests/benchmarks/bench_reading_gpx.py"


def log_bytes(points: int) -> bytes:
    """An invented track at 1 Hz with elevations and speeds in extensions."""
    rows = []
    for k in range(points):
        stamp = datetime.fromtimestamp(1.78e9 + k, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        rows.append(f'<trkpt lat="{50 + k % 100000 * 2e-5:.7f}" lon="{-3 + k % 100000 * 1e-5:.7f}">'
                    f"<ele>0.0</ele><time>{stamp}</time><extensions><x:TrackPointExtension>"
                    "<x:speed>3.1</x:speed></x:TrackPointExtension></extensions></trkpt>\n")
    return ('<?xml version="1.0"?><gpx version="1.1" creator="x" '
            'xmlns="http://www.topografix.com/GPX/1/1" xmlns:x="http://www.example.org/x">'
            f"<trk><trkseg>{''.join(rows)}</trkseg></trk></gpx>").encode()


def ours(data: bytes) -> int:
    reading = read_gpx(io.BytesIO(data), ReadContext("t.gpx", 0.0, None, UTC, Boat()))
    return len(reading.streams[0].value)


def with_gpxpy(data: bytes) -> int:
    return sum(1 for _ in gpxpy.parse(data.decode()).walk())


def rows(small: bool, points: int = 100_000, runs: int = 5) -> list[Row]:
    """One row; ``small`` takes a few seconds."""
    if small:
        points, runs = 10_000, 3
    data = log_bytes(points)
    assert ours(data) == with_gpxpy(data) == points
    seconds = side_by_side(lambda: ours(data), lambda: with_gpxpy(data), runs)
    return [Row(f"GPX, {points:,} points, {len(data) / 1e6:.0f} MB", seconds[0], "gpxpy",
                seconds[1], "1 or more", COMMAND, None if small else peak_of_100_mb())]


def peak_of_100_mb() -> float:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "track.gpx"
        path.write_bytes(log_bytes(540_000))
        return peak_mb(*READ, path)


def test_read_gpx(benchmark):
    data = log_bytes(5_000)
    assert benchmark(ours, data) == 5_000


def test_read_gpx_gpxpy(benchmark):
    benchmark.pedantic(with_gpxpy, args=(log_bytes(5_000),), rounds=3)


if __name__ == "__main__":
    print_rows(rows, __doc__)
