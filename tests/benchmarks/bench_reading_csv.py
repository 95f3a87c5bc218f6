"""Reading CSV against pyarrow's and pandas' readers doing the same job, in one run.

    python tests/benchmarks/bench_reading_csv.py [--hours 4] [--runs 9]

Prints a table in Markdown. The same job: times to a UTC index, numbers to float64. Peak memory is
that of reading 100 MB of such a log in a process of its own.
"""

from __future__ import annotations

import io
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from benchmarks.timing import READ, Row, peak_mb, print_rows, side_by_side

from sailanalysis.core.model import Boat
from sailanalysis.read.csv import read as read_csv
from sailanalysis.read.reading import ReadContext

COMMAND = "python tests/benchmarks/bench_reading_csv.py"
NAMES = ("Lat", "Lon", "SOG (kts)", "COG (T)", "BSP (kts)", "HDG (M)", "AWA", "AWS (m/s)",
         "Rudder", "Heel")
PARIS = ZoneInfo("Europe/Paris")


def columns(hours: float, rate_hz: float) -> tuple[pd.DatetimeIndex, dict[str, np.ndarray]]:
    """Ten channels of smooth invented noise."""
    n = int(hours * 3600 * rate_hz)
    rng = np.random.default_rng(7)
    stamp = pd.date_range("2026-07-03T08:00:00", periods=n, freq=f"{1000 / rate_hz:.0f}ms")
    return stamp, {name: np.round(np.cumsum(rng.normal(0, 0.01, n)) % 50, 3) for name in NAMES}


def iso_log(hours: float, rate_hz: float = 10.0) -> bytes:
    stamp, values = columns(hours, rate_hz)
    time = stamp.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z"
    return pd.DataFrame({"Time (UTC)": time, **values}).to_csv(index=False).encode()


def epoch_log(hours: float) -> bytes:
    stamp, values = columns(hours, 10.0)
    time = stamp.as_unit("ms").asi8 / 1e3
    return pd.DataFrame({"epoch": time, **values}).to_csv(index=False).encode()


def local_log(hours: float) -> bytes:
    stamp, values = columns(hours, 10.0)
    frame = pd.DataFrame({"Date": stamp.strftime("%d/%m/%Y"),
                          "Time": stamp.strftime("%H:%M:%S.%f").str[:-4], **values})
    return frame.to_csv(index=False).encode()


def comma_log(hours: float) -> bytes:
    stamp, values = columns(hours, 10.0)
    time = stamp.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z"
    return pd.DataFrame({"Time (UTC)": time, **values}).to_csv(
        index=False, sep=";", decimal=",", lineterminator="\r\n").encode()


def ours(data: bytes, zone: tzinfo = UTC) -> int:
    context = ReadContext("log.csv", 0.0, None, zone, Boat())
    return len(read_csv(io.BytesIO(data), context).streams[0].value)


def arrow_frame(data: bytes, **options) -> pd.DataFrame:
    import pyarrow.csv as pacsv

    return pacsv.read_csv(io.BytesIO(data), **options).to_pandas()


def arrow_iso(data: bytes) -> pd.DataFrame:
    return arrow_frame(data).set_index("Time (UTC)")


def arrow_epoch(data: bytes) -> pd.DataFrame:
    frame = arrow_frame(data)
    return frame.set_index(pd.to_datetime(frame.pop("epoch"), unit="s", utc=True))


def arrow_local(data: bytes) -> pd.DataFrame:
    frame = arrow_frame(data)
    time = pd.to_datetime(frame.pop("Date") + " " + frame.pop("Time").astype(str),
                          format="%d/%m/%Y %H:%M:%S.%f")
    return frame.set_index(pd.DatetimeIndex(time).tz_localize(PARIS).tz_convert("UTC"))


def arrow_comma(data: bytes) -> pd.DataFrame:
    import pyarrow.csv as pacsv

    return arrow_frame(data, parse_options=pacsv.ParseOptions(delimiter=";"),
                       convert_options=pacsv.ConvertOptions(decimal_point=",")
                       ).set_index("Time (UTC)")


def pandas_iso(data: bytes) -> pd.DataFrame:
    return pd.read_csv(io.BytesIO(data), parse_dates=[0], index_col=0)


@dataclass(frozen=True)
class Kind:
    """One way of writing a log, and a peer that reads it."""

    name: str
    log: Callable[[float], bytes]
    peer: str
    read: Callable[[bytes], pd.DataFrame]
    zone: tzinfo = UTC


KINDS = (
    Kind("10 Hz, ISO times", iso_log, "pyarrow.csv", arrow_iso),
    Kind("10 Hz, ISO times", iso_log, "pandas, C engine", pandas_iso),
    Kind("10 Hz, epoch seconds", epoch_log, "pyarrow.csv", arrow_epoch),
    Kind("10 Hz, local date and time", local_log, "pyarrow.csv", arrow_local, PARIS),
    Kind("10 Hz, decimal comma, semicolons", comma_log, "pyarrow.csv", arrow_comma),
    Kind("1 Hz, ISO times", lambda hours: iso_log(hours, 1.0), "pyarrow.csv", arrow_iso),
)


def rows(small: bool, hours: float = 4.0, runs: int = 9) -> list[Row]:
    """One row for each way of writing a log; ``small`` takes a few seconds."""
    if small:
        hours, runs = 1.0, 5
    out = []
    for kind in KINDS:
        data = kind.log(hours)
        assert ours(data, kind.zone) == len(kind.read(data))
        seconds = side_by_side(lambda kind=kind, data=data: ours(data, kind.zone),
                               lambda kind=kind, data=data: kind.read(data), runs)
        out.append(Row(f"CSV {kind.name}, {len(data) / 1e6:.0f} MB", seconds[0], kind.peer,
                       seconds[1], "about 1 (their speed)", COMMAND,
                       None if small else peak_of(kind)))
    return out


def peak_of(kind: Kind) -> float:
    """Peak memory of reading 100 MB, in megabytes."""
    data = kind.log(1.0)
    head, body = data[:data.find(b"\n") + 1], data[data.find(b"\n") + 1:]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_bytes(head + body * (100_000_000 // len(body)))
        return peak_mb(*READ, path)


def test_read_csv(benchmark):
    data = iso_log(0.5)
    assert benchmark(ours, data) == 18_000


def test_read_csv_pyarrow(benchmark):
    assert len(benchmark(arrow_iso, iso_log(0.5))) == 18_000


if __name__ == "__main__":
    print_rows(rows, __doc__)
