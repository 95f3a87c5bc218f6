import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sailanalysis.report.page.safe import escape, safe_cell, script_json


@pytest.mark.parametrize("text", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1",
                                  " =1", "|x", "%x"])
def test_a_formula_becomes_text(text):  # starting characters: OWASP, CSV Injection
    assert safe_cell(text) == "'" + text


@pytest.mark.parametrize("value", ["-12.5", "+3", "main+jib", "", "Ada", 3.5, None, True])
def test_numbers_and_plain_words_pass(value):
    assert safe_cell(value) == value


@given(st.text())
def test_no_cell_starts_a_formula(text):
    cell = safe_cell(text)
    if cell.startswith(("=", "@")):
        raise AssertionError(cell)
    if cell.startswith(("+", "-")):
        float(cell)


@given(st.recursive(st.none() | st.booleans() | st.floats() | st.text(),
                    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner)))
def test_script_json_cannot_close_the_script_and_reads_back(value):
    text = script_json(value)
    assert not set(text) & set("<>&\u2028\u2029")

    def plain(v):
        if isinstance(v, float) and not math.isfinite(v):
            return None
        if isinstance(v, list):
            return [plain(x) for x in v]
        if isinstance(v, dict):
            return {k: plain(x) for k, x in v.items()}
        return v

    assert json.loads(text) == plain(value)


def test_arrays_travel_as_little_endian_typed_arrays():
    import base64

    record = json.loads(script_json(np.array([1.0, np.nan, -2.5], dtype=np.float32)))
    back = np.frombuffer(base64.b64decode(record["bdata"]), dtype="<" + record["dtype"])
    np.testing.assert_array_equal(back, np.float32([1.0, np.nan, -2.5]))


@given(st.text())
def test_escaped_text_holds_no_markup(text):
    assert not set(escape(text)) & set("<>\"'")
