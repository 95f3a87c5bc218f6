"""The page against the axe-core rules (WCAG 2.1 A and AA): nothing serious or critical."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]


@pytest.fixture(scope="session")
def axe(tmp_path_factory) -> str:
    """Source of axe-core: from ``AXE_CORE``, else fetched by npm into a scratch folder."""
    given = os.environ.get("AXE_CORE")
    if given and Path(given).is_file():
        return Path(given).read_text(encoding="utf-8")
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("axe-core is not here: set AXE_CORE to axe.min.js, or install npm")
    folder = tmp_path_factory.mktemp("axe")
    done = subprocess.run([npm, "install", "--no-audit", "--no-fund", "--ignore-scripts", "--prefix", str(folder),
                           "axe-core@4"], capture_output=True, text=True, timeout=180, check=False)
    source = folder / "node_modules" / "axe-core" / "axe.min.js"
    if not source.is_file():
        pytest.skip(f"npm could not install axe-core: {done.stderr.strip()[-200:]}")
    return source.read_text(encoding="utf-8")


def violations(page, axe):
    # The page's own policy forbids foreign scripts; the driver runs axe as its own.
    page.js(axe + "; window.axe = axe;" if "window.axe" not in axe else axe)
    found = page.driver.execute_async_script("""
        var done = arguments[1];
        axe.run(document, {runOnly: {type: 'tag', values: arguments[0]}}).then(function (r) { done(r.violations); });""", TAGS)
    return [(v["id"], v["impact"], v["nodes"][0]["html"][:200], v["nodes"][0].get("failureSummary", "")[:300])
            for v in found if v["impact"] in ("serious", "critical")]


@pytest.mark.parametrize(("width", "night"), [(1280, False), (1280, True), (390, False)])
def test_no_serious_violation(page, report, axe, width, night):
    page.open(report, width, 900, width < 500)
    if night:
        page.click("#night")
    page.draw_all()
    page.js("document.querySelectorAll('details').forEach(function (d) { d.open = true; })")
    found = violations(page, axe)
    if night:
        page.click("#night")
    assert found == []
