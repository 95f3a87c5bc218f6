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
from collections.abc import Iterable
from itertools import chain
from pathlib import Path

import numpy as np
from timing import Row, as_table

KEPT = Path(__file__).resolve().parent / "ratios.csv"
#: A ratio below this share of the kept one fails the guard.
LEAST_SHARE = 0.5
MODULES = ("bench_imports", "bench_reading_nmea0183", "bench_reading_nmea2000", "bench_reading_signalk",
           "bench_reading_csv", "bench_reading_gpx", "bench_day", "bench_polar", "bench_season",
           "bench_fleet")


def measure(names: Iterable[str], small: bool) -> dict[str, list[Row]]:
    """Rows of some benchmarks, by module."""
    rows = {}
    for name in names:
        print(f"{name} ...", file=sys.stderr, flush=True)
        rows[name] = importlib.import_module(name).rows(small)
    return rows


def ratios(rows: Iterable[Row]) -> dict[str, float]:
    """Ratio by job and peer."""
    return {f"{row.name}, against {row.peer}": row.ratio for row in rows}


def kept_ratios() -> dict[str, float]:
    """Ratios of the last small run that was kept."""
    with KEPT.open(newline="") as table:
        return {row["job"]: float(row["ratio"]) for row in csv.DictReader(table)}


def keep(rows: Iterable[Row]) -> None:
    """Write the ratios for later runs to be held against."""
    with KEPT.open("w", newline="") as table:
        writer = csv.writer(table, lineterminator="\n")
        writer.writerow(("job", "ratio"))
        writer.writerows((job, f"{ratio:.3g}") for job, ratio in ratios(rows).items())


def fallen(rows: Iterable[Row]) -> list[str]:
    """A sentence for every ratio that fell by half, and for every kept job that was not run."""
    kept, measured = kept_ratios(), ratios(rows)
    said = [f"{job}: the ratio is {measured[job]:.3g}, it was {ratio:.3g}"
            for job, ratio in kept.items()
            if job in measured and not measured[job] >= LEAST_SHARE * ratio]
    return said + [f"{job}: not measured" for job in kept if job not in measured]


def held(rows: dict[str, list[Row]]) -> list[str]:
    """What fell by half twice: a busy moment of the machine does not fail the guard."""
    complaints = fallen(chain(*rows.values()))
    if complaints:
        suspects = [name for name, mine in rows.items()
                    if any(said.startswith(job + ":") for said in complaints for job in ratios(mine))]
        complaints = fallen(chain(*(rows | measure(suspects, True)).values()))
    return complaints


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--small", action="store_true", help="smaller jobs, for the guard")
    parser.add_argument("--only", nargs="+", metavar="WORD")
    parser.add_argument("--hold", action="store_true", help="fail when a kept ratio fell by half")
    parser.add_argument("--keep", action="store_true", help="keep the ratios of this run")
    options = parser.parse_args()
    if (options.hold or options.keep) and (options.only or not options.small):
        parser.error("the kept ratios are those of the whole small run")
    names = [n for n in MODULES if not options.only or any(word in n for word in options.only)]
    rows = measure(names, options.small)
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}\n")
    print(as_table(list(chain(*rows.values()))))
    if options.keep:
        keep(chain(*rows.values()))
    complaints = held(rows) if options.hold else []
    for complaint in complaints:
        print(f"fell by half: {complaint}", file=sys.stderr)
    return 1 if complaints else 0


if __name__ == "__main__":
    raise SystemExit(main())
