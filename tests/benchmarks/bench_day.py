"""A whole day: from raw file to report and tables, against reading it alone, in one run.

    python tests/benchmarks/bench_day.py [--hours 1 2 4 8 16] [--runs 3]

Each day is invented (`tests/seas/whole_days.py`) and written as NMEA 0183 with twelve sentences
every tenth of a second, as a full set of instruments sends: 8 h are about 130 MB. Each job is a
process of its own, so imports count. Prints the least wall and processor seconds, their ratio to
reading alone, peak memory and the report's weight, then the exponent with which the cost grows,
and last a day at 1 Hz.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from process import Taken, least
from timing import Row

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from seas import whole_days as sea
from simulator.write_nmea0183 import checksums

COMMAND = "python tests/benchmarks/bench_day.py"
READ = "from sailanalysis.read import read_logs\nraw = read_logs([sys.argv[1]])"
DAY = ("from sailanalysis.app.cli import main\n"
       "assert main(['day', sys.argv[1], '--out', sys.argv[2], '--quiet']) == 0")


def _degrees(value: np.ndarray, width: int) -> list[str]:
    minutes = np.round(np.abs(value) * 600_000).astype(int)
    return [f"{whole:0{width}d}{rest / 10_000:07.4f}"
            for whole, rest in zip(*(part.tolist() for part in np.divmod(minutes, 600_000)),
                                   strict=True)]


def bodies(day: sea.Day, hz: int, rng: np.random.Generator) -> Iterator[list[str]]:
    """Sentences without frame and checksum, one list a sentence, ``hz`` of each a second."""
    step = round(1 / hz / (day.t[1] - day.t[0]))
    t = day.t[::step]
    c = {name: np.asarray(value)[::step] for name, value in day.cols.items()
         if name not in ("who", "motor")}

    def noisy(name: str, sd: float, low: float = -np.inf) -> np.ndarray:
        return np.maximum(c[name] + rng.normal(0, sd, t.size), low)

    def turn(value: np.ndarray) -> list[float]:
        return (np.round(value % 360, 1) % 360).tolist()

    hundredths = np.round(t * 100).astype(int) % 8_640_000
    clock = [f"{h // 360_000:02d}{h // 6000 % 60:02d}{h // 100 % 60:02d}.{h % 100:02d}"
             for h in hundredths.tolist()]
    dates = np.round(t * 100).astype(int) // 8_640_000
    words = {day: (dt.date(1970, 1, 1) + dt.timedelta(days=day)).strftime("%d%m%y")
             for day in set(dates.tolist())}
    place = [f"{a},N,{b},W" for a, b in zip(_degrees(noisy("lat", 4e-6), 2),
                                            _degrees(noisy("lon", 6e-6), 3), strict=True)]
    sog, cog = noisy("sog", 0.05, 0.0).tolist(), turn(noisy("cog", 1.0))
    heading, stw = turn(noisy("hdg", 0.2)), noisy("stw", 0.06, 0.0).tolist()
    pitch, depth = rng.normal(1, 1.5, t.size).tolist(), (20 + 10 * np.sin(t / 900)).tolist()
    yield [f"GPRMC,{k},A,{p},{s:.2f},{g:.1f},{words[d]},0.0,E,A"
           for k, p, s, g, d in zip(clock, place, sog, cog, dates.tolist(), strict=True)]
    yield [f"GPGGA,{k},{p},1,09,0.9,2.1,M,44.5,M,," for k, p in zip(clock, place, strict=True)]
    yield [f"GPGLL,{p},{k},A,A" for k, p in zip(clock, place, strict=True)]
    yield [f"GPVTG,{g:.1f},T,{g:.1f},M,{s:.2f},N,{1.852 * s:.2f},K,A"
           for s, g in zip(sog, cog, strict=True)]
    yield [f"HCHDG,{h:.1f},,,0.0,E" for h in heading]
    yield [f"VWVHW,{h:.1f},T,{h:.1f},M,{v:.2f},N,{1.852 * v:.2f},K"
           for h, v in zip(heading, stw, strict=True)]
    for kind, angle, speed in (("R", "awa", "aws"), ("T", "twa", "tws")):
        yield [f"WIMWV,{a:.1f},{kind},{s:.1f},N,A" for a, s in zip(
            turn(noisy(angle, 1.5)), noisy(speed, 0.25, 0.0).tolist(), strict=True)]
    yield [f"IIRSA,{r:.1f},A,," for r in noisy("rudder", 0.1).tolist()]
    yield [f"TIROT,{60 * r:.1f},A" for r in noisy("yaw", 0.3).tolist()]
    yield [f"YXXDR,A,{h:.1f},D,ROLL,A,{p:.1f},D,PITCH"
           for h, p in zip(noisy("heel", 0.2).tolist(), pitch, strict=True)]
    yield [f"SDDPT,{d:.1f},0.4" for d in depth]


def write_log(path: Path, hours: float, hz: int) -> None:
    """One invented day as NMEA 0183, every sentence at the same rate."""
    day = sea.simulate(np.random.default_rng(7), hours=hours, tws=11.0)
    framed = [[f"${body}*{check:02X}\r\n" for body, check in
               zip(column, checksums(column).tolist(), strict=True)]
              for column in bodies(day, hz, np.random.default_rng(8))]
    with path.open("w", newline="") as log:
        log.writelines("".join(row) for row in zip(*framed, strict=True))


@dataclass(frozen=True)
class Day:
    """One day's cost: reading it alone and the whole of it; sizes in megabytes (1e6 bytes)."""

    hours: float
    hz: int
    log_mb: float
    read: Taken
    whole: Taken
    report_mb: float


def measure(hours: float, hz: int, runs: int) -> Day:
    """Read and analyse one day, in turn."""
    with tempfile.TemporaryDirectory() as scratch:
        log, out = Path(scratch) / "day.nmea", Path(scratch) / "out"
        write_log(log, hours, hz)
        read, whole = least([(READ, (log,)), (DAY, (log, out))], runs)
        return Day(hours, hz, log.stat().st_size / 1e6, read, whole,
                   (out / "report.html").stat().st_size / 1e6)


def exponent(days: list[Day]) -> float:
    """Slope of log processor seconds over log hours, what is not the log's (imports) taken off.

    The share that does not grow is the one that leaves the rest the straightest line.
    """
    hours = np.array([day.hours for day in days])
    cpu = np.array([day.whole.cpu_s for day in days])
    fits = []
    for fixed in np.linspace(0.0, 0.95 * cpu.min(), 200):
        slope, left = np.polyfit(np.log(hours), np.log(cpu - fixed), 1, full=True)[:2]
        fits.append((float(left[0]), float(slope[0])))
    return min(fits)[1]


def rows(small: bool, runs: int | None = None) -> list[Row]:
    """Rows of the table: a day at 10 Hz, one at 1 Hz."""
    runs = runs or 3
    fast, slow = (measure(hours, hz, runs) for hours, hz in
                  ([(1.0, 10), (2.0, 1)] if small else [(8.0, 10), (6.0, 1)]))
    return [Row(f"a day of {day.hours:g} h at {day.hz} Hz, {day.log_mb:.0f} MB, to its report",
                day.whole.wall_s, "reading it alone", day.read.wall_s, asked, COMMAND,
                day.whole.peak_mb)
            for day, asked in ((fast, "at least 0.2 x, under 1500 MB"), (slow, "under 2.5 s"))]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, nargs="+", default=[1.0, 2.0, 4.0, 8.0, 16.0])
    parser.add_argument("--runs", type=int, default=3)
    options = parser.parse_args()
    print("| day | log MB | read alone s (CPU) | whole day s (CPU) | ratio (CPU) | peak MB | "
          "report MB |\n| --- | --- | --- | --- | --- | --- | --- |")
    days = []
    for hours, hz in [*((h, 10) for h in sorted(options.hours)), (6.0, 1)]:
        day = measure(hours, hz, options.runs)
        read, whole = day.read, day.whole
        print(f"| {hours:g} h at {hz} Hz | {day.log_mb:.0f} | {read.wall_s:.2f} ({read.cpu_s:.2f}) | "
              f"{whole.wall_s:.2f} ({whole.cpu_s:.2f}) | {whole.wall_s / read.wall_s:.1f} "
              f"({whole.cpu_s / read.cpu_s:.1f}) | {whole.peak_mb:.0f} | {day.report_mb:.1f} |",
              flush=True)
        days += [day] if hz == 10 else []
    if len(days) > 2:
        print(f"\nProcessor seconds at 10 Hz grow with the hours to the power {exponent(days):.2f}.")


if __name__ == "__main__":
    main()
