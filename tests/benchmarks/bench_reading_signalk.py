"""Reading Signal K deltas against a plain loop over json.loads, in one run.

    python tests/benchmarks/bench_reading_signalk.py [--minutes 60] [--runs 5]

Prints a table in Markdown. The loop does the least that reading takes: parse each line, its
timestamp, and keep every value by path. It knows neither units nor sources, checks nothing and
makes no streams. Peak memory is that of reading 100 MB of such a log.
"""

from __future__ import annotations

import io
import json
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from benchmarks.timing import READ, Row, peak_mb, print_rows, side_by_side

from sailanalysis.core.model import Boat
from sailanalysis.read.reading import ReadContext
from sailanalysis.read.signalk import read as read_signalk

COMMAND = "python tests/benchmarks/bench_reading_signalk.py"
PATHS = (("navigation.headingMagnetic",), ("environment.wind.angleApparent",
         "environment.wind.speedApparent"), ("navigation.speedThroughWater",),
         ("steering.rudderAngle",), ("navigation.courseOverGroundTrue",
         "navigation.speedOverGround"))


def log_bytes(minutes: float) -> bytes:
    """An invented bus at 10 Hz: a delta for each message, as gateways write them."""
    rng = np.random.default_rng(3)
    rows = []
    for k in range(int(minutes * 600)):
        stamp = datetime.fromtimestamp(1.78e9 + k / 10, UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3]
        for number, paths in enumerate(PATHS):
            values = ",".join(f'{{"path":"{path}","value":{rng.uniform(0, 3):.4f}}}'
                              for path in paths)
            rows.append(f'{{"context":"vessels.self","updates":[{{"$source":"can0.{number}",'
                        f'"timestamp":"{stamp}Z","values":[{values}]}}]}}')
    return ("\n".join(rows) + "\n").encode()


def ours(data: bytes) -> int:
    reading = read_signalk(io.BytesIO(data), ReadContext("x", 0.0, None, UTC, Boat()))
    return sum(len(stream.value) for stream in reading.streams)


def with_json(data: bytes) -> int:
    times: dict[str, list[float]] = {}
    kept: dict[str, list[float]] = {}
    for line in io.BytesIO(data):
        for update in json.loads(line)["updates"]:
            time_s = datetime.fromisoformat(update["timestamp"]).timestamp()
            for entry in update["values"]:
                times.setdefault(entry["path"], []).append(time_s)
                kept.setdefault(entry["path"], []).append(float(entry["value"]))
    return sum(np.array(values).size for values in kept.values())


def rows(small: bool, minutes: float = 60.0, runs: int = 5) -> list[Row]:
    """One row; ``small`` takes a few seconds."""
    if small:
        minutes, runs = 5.0, 3
    data = log_bytes(minutes)
    assert ours(data) == with_json(data)
    seconds = side_by_side(lambda: ours(data), lambda: with_json(data), runs)
    return [Row(f"Signal K, {minutes:g} min, {len(data) / 1e6:.0f} MB", seconds[0],
                "json.loads and nothing else", seconds[1], "the floor", COMMAND,
                None if small else peak_of_100_mb())]


def peak_of_100_mb() -> float:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "deltas.log"
        path.write_bytes(log_bytes(100e6 / len(log_bytes(1.0))))
        return peak_mb(*READ, path)


def test_read_signalk(benchmark):
    assert benchmark(ours, log_bytes(1.0)) == 7 * 600


if __name__ == "__main__":
    print_rows(rows, __doc__)
