"""How soon the package answers: imports, help and a wrong file name, each a process of its own.

    python tests/benchmarks/bench_imports.py [--runs 9]

The floors are Python alone and ``import pandas``, which every analysis needs. Last, everything that
a whole day of analysis imports, without the analysis.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys

from process import least
from timing import Row, as_table

COMMAND = "python tests/benchmarks/bench_imports.py"
HELP = "from sailanalysis.app.cli import main\ntry:\n    main(['--help'])\nexcept SystemExit:\n    pass"
WRONG = "from sailanalysis.app.cli import main\nmain(['day', 'no-such-file', '--out', 'nowhere'])"
_LOADED = """
import json, sys, tempfile
from sailanalysis.app.cli import main
bare = set(sys.modules)
with tempfile.TemporaryDirectory() as folder:
    main(["demo", "--quiet", "--out", folder])
print(json.dumps(sorted(set(sys.modules) - bare)))
"""
_AGAIN = """
import importlib, json
for name in json.loads(sys.argv[1]):
    try:
        importlib.import_module(name)
    except ImportError:  # a name that its own package made up
        pass
"""


def modules_of_a_day() -> list[str]:
    """Names of all modules that the shipped example day loads."""
    done = subprocess.run([sys.executable, "-c", _LOADED], capture_output=True, text=True, check=True)
    return [str(name) for name in json.loads(done.stdout.splitlines()[-1])]


def rows(small: bool, runs: int | None = None) -> list[Row]:
    """Rows of the table; a small run only repeats less."""
    names = json.dumps(modules_of_a_day())
    bare, pandas, package, say_help, wrong, day = (one.wall_s for one in least(
        [("pass", ()), ("import pandas", ()), ("import sailanalysis", ()), (HELP, ()), (WRONG, ()),
         (_AGAIN, (names,))], runs or (5 if small else 9)))
    return [
        Row("import sailanalysis", package, "Python alone", bare, "a hundredth of a second more", COMMAND),
        Row("sailanalysis --help", say_help, "import pandas", pandas, "under 0.3 s", COMMAND),
        Row("a wrong file name", wrong, "import pandas", pandas, "under 0.3 s", COMMAND),
        Row("all that a day imports", day, "import pandas", pandas, "at least 0.25 x", COMMAND),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=9)
    print(as_table(rows(False, parser.parse_args().runs)))


if __name__ == "__main__":
    main()
