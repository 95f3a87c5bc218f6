"""What every benchmark shares: a row of the table, two ways timed in one run, peak memory."""

from __future__ import annotations

import argparse
import inspect
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Row:
    """One line of the table of ratios.

    Attributes
    ----------
    name : str
        What was done, and on how much.
    ours_s, peer_s : float
        Seconds, from one run; NaN where nothing was compared.
    peer : str
        What it is compared with: a peer that does the same job, or a floor.
    asked : str
        What ``ratio`` should be, in words.
    command : str
        Prints this row again.
    peak_mb : float, optional
        Peak memory of this package's way above the process before it, in megabytes (1e6 bytes).
    """

    name: str
    ours_s: float
    peer: str
    peer_s: float
    asked: str
    command: str
    peak_mb: float | None = None

    @property
    def ratio(self) -> float:
        """How many times faster than the peer; below 1 it is slower."""
        return self.peer_s / self.ours_s


def seconds_of(work: Callable[[], object]) -> float:
    """Wall-clock seconds of one call."""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def side_by_side(ours: Callable[[], object], peer: Callable[[], object],
                 runs: int = 9) -> tuple[float, float]:
    """Least seconds of two ways, called in turn so that both meet the same machine.

    The least and not the median: whatever else the machine does only adds, and more to a way that
    wants both cores.

    Returns
    -------
    ours_s, peer_s : float
    """
    taken = [(seconds_of(ours), seconds_of(peer)) for _ in range(runs)]
    return min(a for a, _ in taken), min(b for _, b in taken)


_PEAK = """
import sys

def peak_kb():
    # VmHWM and not ru_maxrss: that one remembers the process that started this one.
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) for line in status if line.startswith("VmHWM"))

{setup}
before = peak_kb()
{work}
print(peak_kb() - before)
"""


READ = ("""
import tempfile
from pathlib import Path
from sailanalysis.read import read_logs
import sailanalysis.read.merge.align, sailanalysis.read.merge.merge
# A few lines of the log first, so that what the reader imports is not counted as its memory.
with tempfile.TemporaryDirectory() as folder:
    few = Path(folder) / "few"
    with open(sys.argv[1], "rb") as log:
        few.write_bytes(b"".join(log.readline() for _ in range(200)))
    read_logs([few])
""", "raw = read_logs([sys.argv[1]])")
"""Set-up and work for ``peak_mb``: reading the log that is its only word."""


def peak_mb(setup: str, work: str, *words: str | Path) -> float:
    """Peak memory that some code needs in a process of its own, above the process before it.

    Parameters
    ----------
    setup : str
        Python code run first: imports, and a small run that loads what the work imports lazily.
    work : str
        Python code whose memory is asked for; ``sys.argv[1:]`` are ``words``.

    Returns
    -------
    float
        Megabytes (1e6 bytes). Linux only.
    """
    done = subprocess.run([sys.executable, "-c", _PEAK.format(setup=setup, work=work),
                           *map(str, words)], capture_output=True, text=True, check=True)
    return int(done.stdout.split()[-1]) * 1024 / 1e6


def as_table(rows: list[Row]) -> str:
    """Rows as a table in Markdown."""
    lines = ["| what | seconds | against | seconds | ratio | asked | peak MB | command |",
             "| --- | --- | --- | --- | --- | --- | --- | --- |"]
    for row in rows:
        peak = "" if row.peak_mb is None else f"{row.peak_mb:.0f}"
        lines.append(f"| {row.name} | {row.ours_s:.3g} | {row.peer} | {row.peer_s:.3g} | "
                     f"{row.ratio:.2f} x | {row.asked} | {peak} | `{row.command}` |")
    return "\n".join(lines)


def print_rows(rows: Callable[..., list[Row]], doc: str) -> None:
    """Run a benchmark from the command line and print its table.

    Parameters
    ----------
    rows : callable
        ``rows(small, ...)``; what it takes besides becomes options, of their defaults' types.
    doc : str
        What ``--help`` says.
    """
    parser = argparse.ArgumentParser(description=doc)
    for name, taken in list(inspect.signature(rows).parameters.items())[1:]:
        parser.add_argument(f"--{name}", type=type(taken.default), default=taken.default)
    print(as_table(rows(False, **vars(parser.parse_args()))))
