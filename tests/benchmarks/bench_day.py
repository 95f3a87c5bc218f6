"""A whole day: from raw file to report and tables, against reading it alone, in one run.

    python tests/benchmarks/bench_day.py [--hours 1 4 8] [--runs 3]

Each day is invented (`tests/seas/whole_days.py`), every sensor at 10 Hz, written as NMEA 0183. Each
job is a process of its own, so imports count. Prints a table in Markdown: median seconds, the ratio
to reading alone, peak memory. The last rows: a 1 Hz day, and how soon the command answers.
"""

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from seas import whole_days as sea

READ = "import sys; from sailanalysis.read import read_logs; read_logs([sys.argv[1]])"
DAY = "import sys; from sailanalysis.cli import main; sys.exit(main(['day', sys.argv[1], '--out', sys.argv[2], '--quiet']))"
HELP = "from sailanalysis.cli import main; main(['--help'])"
WRONG = "import sys; from sailanalysis.cli import main; sys.exit(main(['inspect', 'no-such-file']))"


def write_log(path, hours, hz):
    day = sea.simulate(np.random.default_rng(7), hours=hours, tws=11.0)
    rates = dict.fromkeys(("hdg", "wind", "stw", "gps", "rudder", "heel"), hz)
    path.write_text("\r\n".join(sea.nmea_lines(day, np.random.default_rng(8), rates=rates, rpm=True)) + "\r\n")


def timed(code, *words, runs):
    """Median wall seconds of whole processes, and the largest memory of any child so far, MB."""
    seconds = []
    for _ in range(runs):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-c", code, *map(str, words)], stdout=subprocess.DEVNULL,
                       stderr=subprocess.DEVNULL, check=False)
        seconds.append(time.perf_counter() - began)
    return statistics.median(seconds), resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e3


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, nargs="+", default=[1.0, 4.0, 8.0])
    parser.add_argument("--runs", type=int, default=3)
    options = parser.parse_args()
    print("| job | log MB | read alone s | whole day s | ratio | peak MB so far |\n| --- | --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        for hz, hours in [*((10, h) for h in sorted(options.hours)), (1, 6.0)]:
            log = folder / f"{hz}hz{hours}.nmea"
            write_log(log, hours, hz)
            read, _ = timed(READ, log, runs=options.runs)
            whole, peak = timed(DAY, log, folder / "out", runs=options.runs)
            print(f"| {hours:g} h at {hz} Hz | {log.stat().st_size / 1e6:.0f} | {read:.2f} | {whole:.2f} | {whole / read:.1f} | {peak:.0f} |",
                  flush=True)
            log.unlink()
    for name, code in (("--help", HELP), ("a wrong file name", WRONG)):
        print(f"| {name} | | | {timed(code, runs=options.runs)[0]:.2f} | | |")


if __name__ == "__main__":
    main()
