"""The house has one direction: a room imports only what lies before it."""

import ast
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "sailanalysis"
ROOMS = ("core", "read", "condition", "wind", "segment", "maneuvers", "polar", "helm", "calibrate",
         "trials", "ledger", "day", "season", "figures", "report", "app")
COMPUTING = ROOMS[:ROOMS.index("figures")]


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports_of(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module if node.level == 0 else f"sailanalysis.{room_of(path)}.{node.module}")
            if node.module == "sailanalysis":
                found |= {f"sailanalysis.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return found


SOURCES = sorted(p for p in PACKAGE.rglob("*.py") if room_of(p) not in ("__init__", "__main__", "example"))


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_one_way(path):
    room = room_of(path)
    reached = {name.split(".")[1] for name in imports_of(path)
               if name.startswith("sailanalysis.")}
    reached.discard("__version__")
    later = {other for other in reached if ROOMS.index(other) > ROOMS.index(room)}
    assert not later, f"{room} lies before {later}"


@pytest.mark.parametrize("path", [p for p in SOURCES if room_of(p) in COMPUTING],
                         ids=lambda p: str(p.relative_to(PACKAGE)))
def test_computing_does_not_plot(path):
    assert not {name for name in imports_of(path) if name.split(".")[0] in ("plotly", "jinja2")}


# What is defined once: a pattern of source text, the module that may hold it, and what to use.
DEFINED_ONCE = (
    (r"\b(?:1\.96|1\.9599\d*|3\.92|1\.645|1\.6448\d*)\b", "core/stats.py", "Z95 or Z90 of core.stats"),
    (r"\b(?:1\.4826\d*|0\.6745|1\.2533\d*)\b", "core/stats.py", "MAD_TO_SD or MEDIAN_SE of core.stats"),
    (r"\.asi8\b", "core/series.py", "epoch_s of core.series"),
    (r"unit=\"s\", tz=\"UTC\"", "core/series.py", "utc_timestamp of core.series"),
    (r"Timestamp\(\"\d{4}-01-01\"", "core/series.py", "day_number of core.series"),
    (r"twa\w*\)?\s*[<>]=?\s*(?:60|65|70|115|120|125|130|135)\b|\boff\s*[<>]=?\s*(?:60|65|70|115|120|125|130|135)\b",
     "core/points.py", "is_upwind, is_downwind or point_of_sail of core.points"),
    (r"\(\s*\"upwind\",\s*\"reach\",\s*\"downwind\"", "core/points.py", "POINTS of core.points"),
)


@pytest.mark.parametrize(("pattern", "home", "use"), DEFINED_ONCE, ids=lambda x: x if "/" in x else "")
def test_defined_once(pattern, home, use):
    # reading cuts times out of bytes, where no timestamp exists yet
    elsewhere = [
        f"{path.relative_to(PACKAGE)}:{number}: {line.strip()}"
        for path in SOURCES if path != PACKAGE / home and room_of(path) != "read"
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if re.search(pattern, line.split("#")[0])]
    assert not elsewhere, f"use {use}: {elsewhere}"


LAZY = [p for p in PACKAGE.rglob("__init__.py") if "_HOMES" in p.read_text(encoding="utf-8")]


@pytest.mark.parametrize("path", LAZY, ids=lambda p: p.parent.name)
def test_lazy_names_are_visible_to_an_editor(path):
    """What loads on first use stands beside it as a plain import under TYPE_CHECKING."""
    room = importlib.import_module(".".join(("sailanalysis", *path.parent.relative_to(PACKAGE).parts)))
    shown = {alias.name for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
             if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sailanalysis")
             for alias in node.names}
    assert shown == set(room._HOMES) == set(room.__all__) - {"__version__"}
    assert all(getattr(room, name) is not None for name in room.__all__)


@pytest.mark.parametrize("room", [r for r in ROOMS if r not in ("core", "figures", "app")])
def test_a_room_is_a_table_of_contents(room):
    names = importlib.import_module(f"sailanalysis.{room}").__all__
    assert names and len(set(names)) == len(names)


@pytest.mark.parametrize("path", [p for p in SOURCES if room_of(p) in ("figures", "report")],
                         ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_record_is_read_by_its_fields(path):
    """getattr with a default would turn a renamed field into a missing figure."""
    calls = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
             if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)]
    assert not [c.lineno for c in calls if c.func.id == "hasattr" or (c.func.id == "getattr" and len(c.args) > 2)]


def modules_after(code: str) -> set[str]:
    out = subprocess.run([sys.executable, "-c", code + "\nimport sys; print(*sys.modules)"],
                         capture_output=True, text=True, check=True)
    return set(out.stdout.split())


def test_import_is_light():
    assert not modules_after("import sailanalysis") & {"numpy", "pandas", "scipy", "plotly"}


def test_help_needs_nothing_heavy():
    code = ("from sailanalysis.app.cli import main\n"
            "try:\n    main(['--help'])\nexcept SystemExit:\n    pass")
    assert not modules_after(code) & {"numpy", "pandas", "scipy", "plotly", "pyarrow"}


def test_wrong_file_name_is_answered_without_loading_the_house():
    code = "from sailanalysis.app.cli import main\nmain(['inspect', 'no-such-file'])"
    assert not modules_after(code) & {"numpy", "pandas", "scipy"}


def test_a_day_loads_no_library_for_a_filter_or_a_form(tmp_path):
    """Each of these costs a 1 Hz day a tenth of its time and serves one function."""
    code = ("from sailanalysis.app.cli import main\n"
            f"main(['demo', '--quiet', '--out', {str(tmp_path)!r}])")
    assert not modules_after(code) & {"scipy.signal", "scipy.stats", "nbformat", "plotly"}
