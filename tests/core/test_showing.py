"""Results at a prompt and in a notebook: short, and nothing of the log's own text unescaped."""

import pandas as pd

from sailanalysis.core.showing import one_line, small_html


def test_one_line():
    assert one_line("Thing", {"days": 3, "hours": 2.34567}) == "Thing(days=3, hours=2.35)"
    assert len(one_line("Thing", {"long": "x" * 1000})) < 100


def test_small_html_escapes_and_cuts():
    table = pd.DataFrame({"<b>": [f"<i>{i}" for i in range(30)]})
    html = small_html("Thing", {"name": "<script>"}, table, rows=5)
    assert "<script>" not in html and "<i>" not in html
    assert "&lt;i&gt;4" in html and "&lt;i&gt;5" not in html and "5 of 30 rows" in html
    assert "rows" not in small_html("Thing", {}, table.head(3))
