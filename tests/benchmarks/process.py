"""Whole processes timed as a user meets them: start, imports, work, end."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

_WRAP = """
import sys
{work}
import resource
usage = resource.getrusage(resource.RUSAGE_SELF)
# VmHWM and not ru_maxrss: that one remembers the process that started this one.
with open("/proc/self/status") as status:
    peak = next(int(line.split()[1]) for line in status if line.startswith("VmHWM"))
print(usage.ru_utime + usage.ru_stime, peak, file=sys.stderr)
"""


@dataclass(frozen=True)
class Taken:
    """What one process took: wall and processor seconds, peak memory in megabytes (1e6 bytes)."""

    wall_s: float
    cpu_s: float
    peak_mb: float


@cache
def _bytecode() -> tempfile.TemporaryDirectory[str]:
    """Compiled modules of this run's own, as an installed package has them."""
    return tempfile.TemporaryDirectory(prefix="compiled-")


def take(work: str, *words: str | Path) -> Taken:
    """Run Python code in a process of its own; ``sys.argv[1:]`` are ``words``. Linux only."""
    place = {name: value for name, value in os.environ.items()
             if name != "PYTHONDONTWRITEBYTECODE"} | {"PYTHONPYCACHEPREFIX": _bytecode().name}
    begin = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", _WRAP.format(work=work), *map(str, words)],
                          capture_output=True, text=True, env=place, check=True)
    wall = time.perf_counter() - begin
    cpu, peak = done.stderr.split()[-2:]
    return Taken(wall, float(cpu), int(peak) * 1024 / 1e6)


def least(jobs: Sequence[tuple[str, tuple[str | Path, ...]]], runs: int) -> list[Taken]:
    """Least seconds and largest memory of several jobs, run in turn after one run unseen.

    In turn, so that all meet the same machine; the least, because whatever else the machine does
    only adds; once unseen, so that modules are compiled and files are in memory.
    """
    for work, words in jobs:
        take(work, *words)
    all_taken = [[take(work, *words) for work, words in jobs] for _ in range(runs)]
    return [Taken(min(t.wall_s for t in one), min(t.cpu_s for t in one),
                  max(t.peak_mb for t in one)) for one in zip(*all_taken, strict=True)]
