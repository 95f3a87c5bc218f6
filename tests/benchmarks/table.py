"""Every figure of speed in one table, each with its peer or floor taken in the same run.

    python tests/benchmarks/table.py [--small] [--only WORD ...] [--hold | --keep]

``--small`` takes minutes off the sizes, for a quick look and for the guard below; ``--only`` keeps the
benchmarks whose module name holds one of the words. ``--keep`` writes the ratios of the small run
to ``ratios.csv`` beside this file; ``--hold`` compares with them and ends with status 1 when one has
fallen by half: seconds are a machine's, ratios travel.
"""

from __future__ import annotations

import argparse
import csv
import importlib
import platform
import sys
from pathlib import Path

import numpy as np
from timing import Row, as_table

KEPT = Path(__file__).resolve().parent / "ratios.csv"
#: A ratio below this share of the kept one fails the guard.
LEAST_SHARE = 0.5
MODULES = ("bench_imports", "bench_reading_nmea0183", "bench_reading_nmea2000", "bench_reading_signalk",
           "bench_reading_csv", "bench_reading_gpx", "bench_day", "bench_polar", "bench_season",
           "bench_fleet")


def kept_ratios() -> dict[str, float]:
    """Ratios of the last small run that was kept, by job."""
    with KEPT.open(newline="") as table:
        return {row["job"]: float(row["ratio"]) for row in csv.DictReader(table)}


def keep(rows: list[Row]) -> None:
    """Write the ratios for later runs to be held against."""
    with KEPT.open("w", newline="") as table:
        writer = csv.writer(table, lineterminator="\n")
        writer.writerow(("job", "ratio"))
        writer.writerows((row.name, f"{row.ratio:.3g}") for row in rows)


def fallen(rows: list[Row]) -> list[str]:
    """A sentence for every ratio that fell by half, and for every kept job that was not run."""
    kept = kept_ratios()
    measured = {row.name: row.ratio for row in rows}
    said = [f"{job}: the ratio is {measured[job]:.3g}, it was {ratio:.3g}"
            for job, ratio in kept.items()
            if job in measured and not measured[job] >= LEAST_SHARE * ratio]
    return said + [f"{job}: not measured" for job in kept if job not in measured]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--small", action="store_true", help="smaller jobs, for the guard")
    parser.add_argument("--only", nargs="+", default=[""], metavar="WORD")
    parser.add_argument("--hold", action="store_true", help="fail when a kept ratio fell by half")
    parser.add_argument("--keep", action="store_true", help="keep the ratios of this run")
    options = parser.parse_args()
    if (options.hold or options.keep) and not options.small:
        parser.error("the kept ratios are those of the small run: add --small")
    rows: list[Row] = []
    for name in MODULES:
        if any(word in name for word in options.only):
            print(f"{name} ...", file=sys.stderr, flush=True)
            rows += importlib.import_module(name).rows(options.small)
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}\n")
    print(as_table(rows))
    if options.keep:
        keep(rows)
    complaints = fallen(rows) if options.hold else []
    for complaint in complaints:
        print(f"fell by half: {complaint}", file=sys.stderr)
    return 1 if complaints else 0


if __name__ == "__main__":
    raise SystemExit(main())
