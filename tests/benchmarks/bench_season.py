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
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

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


def main(days: int, hours: float) -> None:
    with tempfile.TemporaryDirectory() as folder:
        archive = Archive(folder)
        spent = []
        made = list(sail_season(cruiser, days, Sea(hours=hours), seed=0))
        for _, (samples, legs, maneuvers) in made:
            maneuvers = maneuvers.assign(kind="tack", loss_m=20.0, rated=True, why_not="",
                                         helm="Ada", sails="main+jib")
            day = replace(small_day(), samples=ten_hertz(samples), legs=legs, maneuvers=maneuvers)
            began = time.process_time()
            archive.file_day(day)
            spent.append(time.process_time() - began)
        size = sum(p.stat().st_size for p in Path(folder).rglob("*") if p.is_file()) / 1e6
        rows = [("filing a day, averages included", float(np.median(spent)))]
        began = time.process_time()
        blocks = archive.blocks()
        rows.append((f"reading {len(blocks)} steady blocks", time.process_time() - began))
        began = time.process_time()
        fit_season(archive)
        rows.append(("season results", time.process_time() - began))
        began = time.process_time()
        archive.file_day(replace(day, samples=day.samples.shift(1, freq="400D"), legs=legs.assign(
            start=legs["start"] + pd.Timedelta(400, "D"), end=legs["end"] + pd.Timedelta(400, "D")),
            maneuvers=maneuvers.iloc[:0]))
        fit_season(archive)
        rows.append(("a day more, filed and fitted", time.process_time() - began))
        began = time.process_time()
        for row in archive.days().itertuples():
            archive.load(row.day).samples(["time", "stw_kn", "tws_kn", "twa_deg"])
        rows.append(("floor: three columns of all samples", time.process_time() - began))
        print(f"{days} days of {hours:g} h at 10 Hz: {size:.0f} MB on disk\n")
        print(pd.DataFrame(rows, columns=["step", "s of one core"]).round(2).to_string(index=False))
        print(f"\npeak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60,
         float(sys.argv[2]) if len(sys.argv) > 2 else 8.0)
