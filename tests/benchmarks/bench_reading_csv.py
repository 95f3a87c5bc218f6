"""Reading CSV against pyarrow's and pandas' own readers of the same file, in one run.

    python tests/benchmarks/bench_reading_csv.py [HOURS]

prints a table; under pytest-benchmark each way is one benchmark.
"""

from __future__ import annotations

import io
import sys
import time
from datetime import UTC

import numpy as np
import pandas as pd

from sailanalysis.model import Boat
from sailanalysis.read.csvlog import read_csv
from sailanalysis.read.reading import ReadContext

NAMES = ("Lat", "Lon", "SOG (kts)", "COG (T)", "BSP (kts)", "HDG (M)", "AWA", "AWS (m/s)",
         "Rudder", "Heel")


def log_bytes(hours: float, rate_hz: float = 10.0) -> bytes:
    """An invented log: ten channels of smooth noise."""
    n = int(hours * 3600 * rate_hz)
    rng = np.random.default_rng(7)
    columns = {name: np.round(np.cumsum(rng.normal(0, 0.01, n)) % 50, 3) for name in NAMES}
    stamp = pd.date_range("2026-07-03T08:00:00", periods=n, freq=f"{1000 / rate_hz:.0f}ms")
    table = pd.DataFrame({"Time (UTC)": stamp.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z",
                          **columns})
    return table.to_csv(index=False).encode()


def ours(data: bytes) -> int:
    context = ReadContext("log.csv", 0.0, None, UTC, Boat())
    return len(read_csv(io.BytesIO(data), context).streams[0].value)


def with_pyarrow(data: bytes) -> int:
    import pyarrow.csv as pacsv

    return pacsv.read_csv(io.BytesIO(data)).num_rows


def with_pandas(data: bytes) -> int:
    return len(pd.read_csv(io.BytesIO(data), parse_dates=[0]))


WAYS = {"sailanalysis": ours, "pyarrow.csv alone": with_pyarrow, "pandas (C engine)": with_pandas}


def median_s(way, data: bytes, repeats: int = 5) -> float:
    taken = []
    for _ in range(repeats):
        start = time.perf_counter()
        way(data)
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


def test_read_csv(benchmark):
    data = log_bytes(0.5)
    assert benchmark(ours, data) == 18_000


def test_read_csv_pyarrow_alone(benchmark):
    benchmark(with_pyarrow, log_bytes(0.5))


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 4.0
    data = log_bytes(hours)
    print(f"CSV, {hours:g} h at 10 Hz, {len(data) / 1e6:.0f} MB, {data.count(10):,} lines")
    seconds = {name: median_s(way, data) for name, way in WAYS.items()}
    for name, taken in seconds.items():
        print(f"  {name:<20} {taken:7.3f} s  {len(data) / 1e6 / taken:6.0f} MB/s  "
              f"{taken / seconds['pyarrow.csv alone']:5.2f} x pyarrow's time")


if __name__ == "__main__":
    main()
