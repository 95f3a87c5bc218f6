"""Do the tests bite? Put sampled faults into a room's modules and see whether its tests fail.

    python tests/mutation/run.py wind helm --sample 60 --seed 1

For every room: which quick tests run which lines (one traced run), then each sampled mutant
against the tests that reach it, the quickest first, until one fails. A mutant that no test
fails on has survived and is printed. A run that takes ten times as long as it should counts as
failed. Nothing on disk is changed: the changed module is compiled in a forked process.
"""

import argparse
import ast
import importlib.machinery
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
PACKAGE = ROOT / "sailanalysis"
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(HERE)]

from mutants import Mutant, mutants_of, mutated  # noqa: E402

# Tests of the neighbours that look at a room's results, besides its own folder.
MORE_TESTS = {"figures": ["tests/report"], "app": ["tests/test_day.py", "tests/test_tables.py"]}
NOT_COMPUTING = ("core/progress.py", "core/staging.py", "core/showing.py", "core/channels.py")


def tests_of(room: str) -> list[str]:
    """Folders and files that hold a room's tests."""
    own = [f"tests/{room}"] if (ROOT / "tests" / room).is_dir() else []
    return own + MORE_TESTS.get(room, [])


MOST_CALLS = 300
"""Calls of one function that are followed line by line in a test: tracing all makes hours of it."""


class Trace:
    """Pytest plugin: which package lines each test runs, and how long it takes."""

    def __init__(self):
        self.calls = Counter()
        self.lines = defaultdict(set)
        self.seconds = {}
        self.current = None
        self.prefix = str(PACKAGE)

    def _call(self, frame, event, arg):
        if not frame.f_code.co_filename.startswith(self.prefix):
            return None
        self.calls[frame.f_code] += 1
        if self.calls[frame.f_code] > MOST_CALLS:
            return None
        seen, name = self.lines[self.current], frame.f_code.co_filename
        seen.add((name, frame.f_lineno))

        def line(frame, event, arg):
            seen.add((name, frame.f_lineno))
            return line

        return line

    def pytest_runtest_logstart(self, nodeid):
        self.current = nodeid
        self.calls.clear()
        self.started = time.perf_counter()
        sys.settrace(self._call)

    def pytest_runtest_logfinish(self, nodeid):
        sys.settrace(None)
        self.seconds[nodeid] = time.perf_counter() - self.started

    def pytest_runtest_logreport(self, report):
        if report.failed:
            print(f"fails unchanged: {report.nodeid}", file=sys.stderr)


def in_child(work, limit_s: float) -> int:
    """Exit status of some work in a forked process; 99 where it takes longer than the limit."""
    pid = os.fork()
    if pid == 0:
        os.setpgid(0, 0)
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, 1)
        try:
            os._exit(int(work()))
        except BaseException:
            os._exit(98)
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.02)
    os.killpg(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    return 99


def pytest_run(arguments: list[str], plugins: list | None = None) -> int:
    """Run pytest in this process."""
    import pytest

    os.chdir(ROOT)
    return int(pytest.main([*arguments, "-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist",
                            "-p", "no:randomly", "--no-header", "--tb=no"], plugins=plugins))


def traced(room: str) -> tuple[dict[str, dict[int, list[str]]], dict[str, float]]:
    """Tests by the lines they run, and their seconds."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "trace.json"

        def work() -> int:
            trace = Trace()
            pytest_run(tests_of(room), [trace])
            # By function, not by parameters: a changed constant may stand in a parameter's name.
            lines, seconds = defaultdict(set), defaultdict(float)
            for test, seen in trace.lines.items():
                if test:
                    lines[test.split("[")[0]] |= seen
                    seconds[test.split("[")[0]] += trace.seconds.get(test, 0.0)
            out.write_text(json.dumps([{k: sorted(v) for k, v in lines.items()}, seconds]))
            return 0

        if in_child(work, 1800.0):
            raise SystemExit(f"{room}: the unchanged tests could not be run")
        lines, seconds = json.loads(out.read_text())
    where = defaultdict(lambda: defaultdict(list))
    for test, seen in lines.items():
        for name, line in seen:
            where[name][line].append(test)
    return where, seconds


def lines_of(mutant: Mutant) -> set[int]:
    """Lines whose tests can notice: the changed one, or those that use the changed constant."""
    tree = ast.parse(mutant.path.read_text(encoding="utf-8"))
    if mutant.name:
        return {node.lineno for node in ast.walk(tree)
                if isinstance(node, ast.Name) and node.id == mutant.name
                and isinstance(node.ctx, ast.Load)}
    # A statement over several lines is traced by some of them.
    inner = [n for n in ast.walk(tree) if isinstance(n, ast.stmt) and not hasattr(n, "body")
             and n.lineno <= mutant.line <= n.end_lineno]
    heads = [n.test for n in ast.walk(tree) if isinstance(n, (ast.If, ast.While))
             and n.test.lineno <= mutant.line <= n.test.end_lineno]
    lines = {mutant.line}
    for node in inner + heads:
        lines |= set(range(node.lineno, node.end_lineno + 1))
    return lines


def runs_on_import(mutant: Mutant) -> bool:
    """Whether the changed line stands in no function: no test is seen to run it."""
    tree = ast.parse(mutant.path.read_text(encoding="utf-8"))
    return not any(isinstance(node, ast.FunctionDef) and node.lineno <= mutant.line <= node.end_lineno
                   for node in ast.walk(tree))


def survives(mutant: Mutant, tests: list[str], limit_s: float) -> bool:
    """Whether every test passes with the change."""
    tree = mutated(mutant)

    def work() -> int:
        plain = importlib.machinery.SourceFileLoader.get_code

        def get_code(self, name):
            if self.path and Path(self.path) == mutant.path:
                return compile(tree, str(mutant.path), "exec")
            return plain(self, name)

        importlib.machinery.SourceFileLoader.get_code = get_code
        return pytest_run(tests)

    return in_child(work, limit_s) == 0


def check_room(room: str, sample: int, seed: int, budget_s: float,
               only: str = "") -> tuple[int, int, list[Mutant]]:
    """Sample a room: how many were tried, how many were caught, which survived."""
    files = [p for p in sorted((PACKAGE / room).rglob("*.py"))
             if p.name != "__init__.py" and str(p.relative_to(PACKAGE)) not in NOT_COMPUTING
             and only in str(p)]
    every = [m for path in files for m in mutants_of(path)]
    random.Random(seed).shuffle(every)
    where, seconds = traced(room)
    begun, tried, caught, survivors = time.monotonic(), 0, 0, []
    for mutant in every:
        if tried >= sample or time.monotonic() - begun > budget_s:
            break
        reached = where.get(str(mutant.path), {})
        tests = sorted({t for line in lines_of(mutant) for t in reached.get(line, [])},
                       key=lambda t: seconds.get(t, 9.9))
        if runs_on_import(mutant):  # a constant, a table: whatever test may use it
            tests = sorted(seconds, key=seconds.get)
        tried += 1
        usual = sum(seconds.get(t, 1.0) for t in tests)
        alive = not tests or survives(mutant, tests, 30.0 + 10.0 * usual)
        caught += not alive
        if alive:
            survivors.append(mutant)
            print(f"  survived {mutant.path.relative_to(ROOT)}:{mutant.line} "
                  f"{mutant.operator}: {mutant.before[:90]} -> {mutant.after[:90]}"
                  f"{'' if tests else '  (no test runs it)'}", flush=True)
    return tried, caught, survivors


def main() -> int:
    """Print a score a room."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("rooms", nargs="+")
    parser.add_argument("--sample", type=int, default=40, help="mutants a room (default 40)")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--budget", type=float, default=1e9, help="seconds a room at most")
    parser.add_argument("--only", default="", help="part of a module's path")
    parser.add_argument("--least", type=float, default=0.0,
                        help="exit 1 if fewer per cent of all are caught")
    options = parser.parse_args()
    import hypothesis  # noqa: F401  what every child would load again
    import pandas  # noqa: F401
    import pytest  # noqa: F401
    import scipy.linalg
    import scipy.optimize
    import scipy.sparse
    import scipy.special  # noqa: F401

    all_tried = all_caught = 0
    for room in options.rooms:
        tried, caught, _ = check_room(room, options.sample, options.seed, options.budget,
                                      options.only)
        all_tried, all_caught = all_tried + tried, all_caught + caught
        print(f"{room}: {caught} of {tried} caught ({100 * caught / max(tried, 1):.0f} %)",
              flush=True)
    score = 100 * all_caught / max(all_tried, 1)
    print(f"all: {all_caught} of {all_tried} caught ({score:.0f} %)")
    return int(score < options.least)


if __name__ == "__main__":
    raise SystemExit(main())
