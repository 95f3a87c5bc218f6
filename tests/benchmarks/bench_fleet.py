"""Many days through the executor: two processes on this machine against one after another.

    python tests/benchmarks/bench_fleet.py [DAYS] [HOURS]

DAYS (default 12) of HOURS (default 3) with every sensor at 10 Hz, filed in a fresh archive by
``season --add``. The floor of two cores is a ratio of 2; starting processes and filing, which one
process does alone, take their part.
"""

from __future__ import annotations

import io
import sys
import tempfile
from contextlib import redirect_stdout
from pathlib import Path

import numpy as np
from timing import Row, as_table, seconds_of

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas import whole_days as sea

from sailanalysis.app.cli import main as sailanalysis


def write_days(folder: Path, days: int, hours: float) -> list[str]:
    """Folders of one NMEA 0183 log each, a week apart."""
    for number in range(days):
        rng = np.random.default_rng(number)
        day = sea.simulate(rng, hours=hours, start_s=sea.T0 + 7 * 86400 * number)
        rates = dict.fromkeys(("hdg", "wind", "stw", "gps", "rudder", "heel"), 10)
        place = folder / f"day{number}"
        place.mkdir()
        (place / "log.nmea").write_text("\r\n".join(sea.nmea_lines(day, rng, rates=rates)) + "\r\n")
    return [str(folder / f"day{number}") for number in range(days)]


def rows(small: bool, days: int = 12, hours: float = 3.0) -> list[Row]:
    """One row: ``season --add --workers 2`` against the same without; none of a small run.

    A small season would time the start of the processes.
    """
    if small:
        return []
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        logs = write_days(folder, days, hours)

        def add(archive: str, *words: str) -> None:
            with redirect_stdout(io.StringIO()):
                status = sailanalysis(["season", str(folder / archive), "--add", *logs, *words])
            if status:
                raise RuntimeError(f"season --add ended with status {status}")

        add("warm")  # imports
        one = seconds_of(lambda: add("one"))
        two = seconds_of(lambda: add("two", "--workers", "2"))
    return [Row(f"filing {days} days of {hours:g} h at 10 Hz, two processes", two, "one process", one,
                "towards 2", f"python tests/benchmarks/bench_fleet.py {days} {hours:g}")]


if __name__ == "__main__":
    print(as_table(rows(False, *(kind(word) for kind, word in zip((int, float), sys.argv[1:], strict=False)))))
