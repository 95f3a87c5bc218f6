"""The archive and the season: seconds, megabytes, and a day added.

    python tests/benchmarks/bench_season.py [DAYS] [HOURS]

DAYS (default 60) of HOURS (default 8) at 10 Hz, made of noise and steady sailing; the floor is
reading the same columns back with pyarrow.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from timing import Row

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "season"))

from days import small_day
from seas.season import Sea, cruiser, sail_season

from sailanalysis.season import Archive, fit_season


def ten_hertz(samples: pd.DataFrame) -> pd.DataFrame:
    """The same day at 10 Hz: numbers interpolated, words held."""
    index = pd.date_range(samples.index[0], samples.index[-1], freq="100ms", name="time")
    number = samples.select_dtypes("number")
    x = samples.index.asi8.astype(float)
    out = {c: np.interp(index.as_unit(samples.index.unit).asi8, x, number[c]) for c in number}
    table = pd.DataFrame(out, index=index)
    rows = np.minimum(np.arange(len(index)) // 10, len(samples) - 1)
    for name in samples.columns.difference(number.columns):
        table[name] = samples[name].to_numpy()[rows]
    return table


@dataclass(frozen=True)
class Taken:
    """Seconds of one core, and megabytes on disk."""

    filing: float
    blocks: float
    season: float
    one_more: float
    floor: float
    disk_mb: float


def measure(days: int, hours: float) -> Taken:
    """File a made season in an archive of its own, then ask for its results."""
    with tempfile.TemporaryDirectory() as folder:
        archive = Archive(folder, create=True)

        def seconds(work: Callable[[], object]) -> float:
            began = time.process_time()
            work()
            return time.process_time() - began

        spent = []
        for _, (samples, legs, maneuvers) in sail_season(cruiser, days, Sea(hours=hours), seed=0):
            maneuvers = maneuvers.assign(kind="tack", loss_m=20.0, rated=True, why_not="",
                                         helm="Ada", sails="main+jib")
            day = replace(small_day(), samples=ten_hertz(samples), legs=legs, maneuvers=maneuvers)
            spent.append(seconds(lambda day=day: archive.file_day(day)))
        size = sum(p.stat().st_size for p in Path(folder).rglob("*") if p.is_file()) / 1e6
        late = pd.Timedelta(400, "D")
        one_more = replace(day, samples=day.samples.shift(1, freq="400D"),
                           legs=legs.assign(start=legs["start"] + late, end=legs["end"] + late),
                           maneuvers=maneuvers.iloc[:0])

        def read_columns() -> None:
            for row in archive.days().itertuples():
                archive.load(row.day).samples(["time", "stw_kn", "tws_kn", "twa_deg"])

        return Taken(float(np.median(spent)), seconds(archive.blocks),
                     seconds(lambda: fit_season(archive)),
                     seconds(lambda: (archive.file_day(one_more), fit_season(archive))),
                     seconds(read_columns), size)


def rows(small: bool, days: int = 60, hours: float = 8.0) -> list[Row]:
    """The season's results and a day more, against reading three columns of all samples."""
    if small:
        days, hours = 6, 4.0
    taken = measure(days, hours)
    what = f"{days} days of {hours:g} h at 10 Hz"
    floor = "reading three columns of all samples"
    command = f"python tests/benchmarks/bench_season.py {days} {hours:g}"
    return [Row(f"season results, {what}", taken.season, floor, taken.floor, "under 12 s", command),
            Row(f"a day more filed and fitted, {what}", taken.one_more, floor, taken.floor, "",
                command)]


def main(days: int, hours: float) -> None:
    taken = measure(days, hours)
    print(f"{days} days of {hours:g} h at 10 Hz: {taken.disk_mb:.0f} MB on disk\n")
    print(f"| step | s of one core |\n| --- | --- |\n"
          f"| filing a day, averages included | {taken.filing:.2f} |\n"
          f"| reading the steady blocks | {taken.blocks:.2f} |\n"
          f"| season results | {taken.season:.2f} |\n"
          f"| a day more, filed and fitted | {taken.one_more:.2f} |\n"
          f"| floor: three columns of all samples | {taken.floor:.2f} |")
    print(f"\npeak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60,
         float(sys.argv[2]) if len(sys.argv) > 2 else 8.0)
