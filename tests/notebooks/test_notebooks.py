"""The shipped notebooks run from top to bottom, offline, and so does a report's own."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

NOTEBOOKS = Path(__file__).resolve().parents[2] / "notebooks"
pytestmark = pytest.mark.notebook


def execute(path: Path, cwd: Path):
    nbformat = pytest.importorskip("nbformat")
    nbclient = pytest.importorskip("nbclient")
    pytest.importorskip("ipykernel")
    book = nbformat.read(path, as_version=4)
    client = nbclient.NotebookClient(book, timeout=300, kernel_name="python3",
                                     resources={"metadata": {"path": str(cwd)}})
    client.execute()
    return book


def texts(book) -> str:
    out = []
    for cell in book.cells:
        for output in cell.get("outputs", []):
            data = output.get("data", {})
            out += [output.get("text", ""), str(data.get("text/html", "")), str(data.get("text/plain", ""))]
    return "\n".join(out)


@pytest.mark.parametrize("name", ["reviewing_a_day", "building_a_polar", "helm_progress"])
def test_notebook_runs(name, tmp_path, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(NOTEBOOKS.parent / "tests"))  # the generator's home
    book = execute(NOTEBOOKS / f"{name}.ipynb", tmp_path)
    assert any(cell.get("outputs") for cell in book.cells)


def test_notebooks_are_shipped_without_outputs_or_paths():
    import json

    for path in sorted(NOTEBOOKS.glob("*.ipynb")):
        book = json.loads(path.read_text(encoding="utf-8"))
        for cell in book["cells"]:
            assert not cell.get("outputs") and not cell.get("execution_count"), path.name
        assert str(Path.home()) not in path.read_text() and sys.prefix not in path.read_text()


def test_a_reports_own_notebook_runs_on_its_saved_tables(tmp_path):
    from made_day import made_day

    from sailanalysis.report import write_day_report
    from sailanalysis.app.tables import write_day_tables

    day = made_day()
    write_day_tables(day, tmp_path, False)
    write_day_report(day, tmp_path)
    book = execute(tmp_path / "report.ipynb", tmp_path)
    assert "the median tack lost" in texts(book)
