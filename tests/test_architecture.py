"""The house has one direction: a room imports only what lies before it."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "sailanalysis"
ROOMS = ("core", "read", "condition", "wind", "segment", "maneuvers", "polar", "helm", "calibrate",
         "trials", "season", "figures", "report", "app")
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
