"""An evening's `day --season` on archives of few and many days: CPU seconds, and bytes a day.

    python tests/benchmarks/bench_evening.py [DAYS ...] [--hours H] [--seed S]

Archives of DAYS days (default 5 100 500) of H hours are made of noise and steady sailing, with the
helm rows of a whole day at each date. On each, the same whole log of 2.5 hours is analysed, reported
and filed by the command itself, in a process of its own: a first time, and once more as after a
correction of the crew log.
"""

import argparse
import os
import resource
import subprocess
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
from seas import whole_days
from seas.season import Sea, cruiser, sail_season

from sailanalysis.app import pipeline
from sailanalysis.season import Archive

ROOT = Path(__file__).resolve().parents[2]


def write_log(folder, seed):
    """A whole day's log with its crew log."""
    rng = np.random.default_rng(seed)
    day = whole_days.simulate(rng, hours=2.5, tws=11.0)
    rates = {"hdg": 2, "rudder": 2, "heel": 1, "wind": 1, "stw": 1}
    log = folder / "log.nmea"
    log.write_text("\r\n".join(whole_days.nmea_lines(day, rng, rates=rates, rpm=True)) + "\r\n")
    whole_days.write_crew(day, folder / "crew.csv")
    return log


def fill(folder, count, hours, seed, helm):
    """File days; the seconds that one takes, and that the kept polar takes at the end."""
    archive = Archive(folder, create=True)
    spent = []
    for _, (samples, legs, maneuvers) in sail_season(cruiser, count, Sea(hours=hours), seed=seed):
        start = samples.index[0]
        rows = helm.assign(start=start, end=start + pd.Timedelta("1h"))
        day = replace(small_day(), samples=samples, legs=legs, helm=rows,
                      maneuvers=maneuvers.assign(kind="tack", loss_m=20.0, rated=True, why_not="",
                                                 helm="Ada", sails="main+jib"))
        began = time.process_time()
        archive.file_day(day)
        spent.append(time.process_time() - began)
    began = time.process_time()
    archive.renew()
    return float(np.median(spent)), time.process_time() - began


def evening(log, season, out, note):
    """CPU seconds of the command, children included."""
    crew = log.with_name("crew.csv")
    with open(crew, "a", encoding="utf-8") as handle:
        handle.write(f"12:00,note,{note}\n")
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-m", "sailanalysis", "day", str(log), "--crew-log", str(crew),
                    "--out", str(out), "--season", str(season), "--quiet"], check=True,
                   env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("days", nargs="*", type=int, default=[5, 100, 500])
    parser.add_argument("--hours", type=float, default=3.0)
    parser.add_argument("--seed", type=int, default=11)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        log = write_log(folder, options.seed)
        helm = pipeline.analyse(log, crew_log=folder / "crew.csv").helm
        print("| days | first evening, CPU s | again | against the least days | filing a day | kept made "
              "anew | kB a day |\n| --- | --- | --- | --- | --- | --- | --- |", flush=True)
        base = None
        for count in options.days:
            season = folder / f"season{count}"
            filing, renewing = fill(season, count, options.hours, options.seed, helm)
            size = sum(p.stat().st_size for p in (season / "days").rglob("*") if p.is_file())
            first = evening(log, season, folder / "out", "first")
            again = evening(log, season, folder / "out", "again")
            base = base or first
            print(f"| {count} | {first:.1f} | {again:.1f} | {first / base:.2f}, {again / base:.2f} | "
                  f"{filing:.2f} | {renewing:.1f} | {size / count / 1e3:.0f} |", flush=True)


if __name__ == "__main__":
    main()
