"""The quick ways through a CSV log and the plain ones agree to the last bit."""

import io
from dataclasses import fields
from datetime import UTC
from unittest.mock import patch

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sailanalysis.core.model import Boat
from sailanalysis.read.csv import blocks as csvlog_blocks
from sailanalysis.read.csv import lines as csvlog_lines
from sailanalysis.read.csv import moments as csvlog_moments
from sailanalysis.read.csv import read as read_csv
from sailanalysis.read.csv.layout import find_layout
from sailanalysis.read.reading import ReadContext, Reading

CONTEXT = ReadContext("log.csv", 1.78e9, None, UTC, Boat())


def bits(reading):
    return (reading.lines, reading.used, reading.ignored, reading.rejected, reading.clock,
            reading.modes, [(f.code, f.message) for f in reading.findings],
            [(s.channel, s.source, s.time_s.tobytes(), s.value.tobytes())
             for s in reading.streams])


def read(data):
    return bits(read_csv(io.BytesIO(data), CONTEXT))


def read_plainly(data):
    with patch.object(csvlog_blocks.BlockReader, "regular", lambda self, block: None):
        return read(data)


number = st.one_of(st.floats(-400, 400).map(lambda v: f"{v:.3f}"), st.integers(-999, 999).map(str),
                   st.sampled_from(["", "-", "NaN", " 7 ", "1e3", "-0.0", "+5", ".5", "6.", "360"]))
odd = st.sampled_from(["x", "35P", "1e999", '"6"', "54°30'N", "\0", "6,5", "time"])
line = st.one_of(
    st.tuples(st.integers(0, 10**6), st.lists(st.one_of(number, number, odd), min_size=2, max_size=2)),
    st.tuples(st.integers(0, 10**6), st.lists(number, min_size=2, max_size=2)),
    st.tuples(st.integers(0, 10**6), st.lists(number, max_size=4)),
    st.sampled_from(["", " ", "time,BSP,AWA", ",,", "never,1,2", "9" * 30]))


@settings(max_examples=200, deadline=None)
@given(st.lists(line, max_size=30), st.sampled_from(["\n", "\r\n", "\r"]))
def test_regular_and_plain_blocks_agree(lines, end):
    rows = [part if isinstance(part, str) else
            ",".join([f"2026-07-{3 + part[0] // 86400:02d}T{part[0] // 3600 % 24:02d}:"
                      f"{part[0] // 60 % 60:02d}:{part[0] % 60:02d}Z", *part[1]]) for part in lines]
    data = end.join(["time,BSP,AWA", *rows, ""]).encode()
    assert read(data) == read_plainly(data)


@pytest.mark.parametrize("faults", [0, 3, 40])
def test_a_long_log_is_the_same_either_way_and_with_any_threads(faults):
    rng = np.random.default_rng(faults)
    rows = [f"{1783072800 + k / 10:.1f},{k % 70 / 10},{k % 360},{'AB'[k // 9000 % 2]}"
            for k in range(40_000)]
    for k in rng.integers(0, len(rows), faults):
        rows[k] = ["", "time,BSP,HDG (T),helm", rows[k] + ",1", rows[k].replace(",", ",x", 1),
                   rows[k][:7], '"' + rows[k]][k % 6]
    data = "\r\n".join(["time,BSP,HDG (T),helm", *rows]).encode()
    assert len(data) > 4 * csvlog_lines._FIRST_PIECE_BYTES
    expected = read(data)
    assert expected == read_plainly(data)
    with patch.object(pa, "cpu_count", lambda: 1):
        assert expected == read(data)
    assert expected[0] == len(rows) + 1 and len(expected[-1]) == 2


def test_a_regular_log_takes_the_quick_way():
    layout = find_layout(b"time,BSP\n" + b"1783072800.1,6\n" * 5, CONTEXT, Reading("CSV"))
    reader = csvlog_blocks.BlockReader(layout)
    assert reader.regular(b"1783072800.1,6\n1783072800.2,7\n").rows == 2
    for block in (b"1783072800.1,6\n\n", b"1783072800.1,6\ntime,BSP\n", b'1783072800.1,"6"\n',
                  b"1783072800.1,x\n", b",6\n", b"\n", b"1783072800.1,\xff\n"):
        assert reader.regular(block) is None


def test_a_header_that_could_be_a_row_is_looked_for():
    layout = find_layout(b"1,2\n1783072800.1,6\n", ReadContext(
        "log.csv", 0.0, None, UTC, Boat(columns={"1": "time", "2": "stw_kn"})), Reading("CSV"))
    assert not layout.header_shows
    assert csvlog_blocks.BlockReader(layout)(b"1783072800.1,6\n1,2\n").blank == 1


# ------------------------------------------------------------------ lines
@settings(max_examples=200, deadline=None)
@given(st.text(alphabet="ab\r\n", max_size=200), st.integers(1, 40), st.booleans())
def test_pieces_of_any_size_give_the_same_lines(text, size, wide):
    data = text.encode("utf-16" if wide else "utf-8")
    with (patch.object(csvlog_lines, "_FIRST_PIECE_BYTES", size + 2),
          patch.object(csvlog_lines, "PIECE_BYTES", size + 2)):
        blocks = list(csvlog_lines.whole_blocks(io.BytesIO(data), Reading("CSV")))
    lines = csvlog_lines.plain_ends(text.encode())
    assert b"".join(map(csvlog_lines.plain_ends, blocks)) == (
        lines if not lines or lines.endswith(b"\n") else lines + b"\n")


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 300), st.sampled_from(["\n", "\r\n", "\r"])), max_size=12),
       st.integers(1, 90))
def test_lines_too_long_are_cut_out_and_counted(lines, size):
    data = "".join("x" * length + end for length, end in lines).encode()
    reading = Reading("CSV")
    with (patch.object(csvlog_lines, "_FIRST_PIECE_BYTES", size),
          patch.object(csvlog_lines, "PIECE_BYTES", size),
          patch.object(csvlog_lines, "MAX_LINE_BYTES", 100)):
        kept = b"".join(map(csvlog_lines.plain_ends,
                            csvlog_lines.whole_blocks(io.BytesIO(data), reading)))
    expected = csvlog_lines.plain_ends(data)
    assert kept.count(b"\n") + reading.lines == expected.count(b"\n")
    short = [line for line in expected.split(b"\n") if len(line) <= 100]
    assert [line for line in kept.split(b"\n") if len(line) <= 100] == short


# ------------------------------------------------------------------ moments
FORMS = ["%Y-%m-%dT%H:%M:%SZ", "%Y-%m-%d %H:%M:%S.%f", "%d.%m.%Y %H:%M:%S", "%m/%d/%Y %I:%M:%S %p",
         "%d %b %Y %H:%M:%S UTC", "%Y%m%dT%H%M%S", "%Y%m%d", "%H:%M:%S,%f", "%Hh%Mm%Ss", "%d/%m/%y",
         "%Y-%m-%dT%H:%M:%S+02:00", "%d %B %Y", "%H:%M", " %H:%M:%S ", "%Y-%m-%dT%H:%M:%S-0330"]
cell = st.one_of(
    st.tuples(st.datetimes(), st.sampled_from(FORMS)).map(lambda pair: pair[0].strftime(pair[1])),
    st.text(alphabet="0123456789:-/. TZ+aAmpPM", max_size=14), st.none(),
    st.sampled_from(["25:61:00", "13:00 PM", "00:30 AM", "32.13.2026", "3 Foo 2026", "\u00a010:00",
                     "2026-07-03T10:00:60Z", "x" * 50]))


def numbers_of(moments):
    days = moments.days
    return [moments.clock_s, *(days.by_row(getattr(days, item.name)) for item in fields(days)
                               if item.name != "rows")]


@settings(max_examples=300, deadline=None)
@given(st.lists(cell, min_size=1, max_size=20))
def test_columns_of_digits_and_single_cells_agree(cells):
    cells = pa.array(cells * 2, pa.string())
    quick = numbers_of(csvlog_moments.moments_of(cells))
    with patch.object(csvlog_moments, "_by_columns", lambda cells, out: np.arange(len(cells))):
        single = numbers_of(csvlog_moments.moments_of(cells))
    for one, other in zip(quick, single, strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("form", FORMS)
def test_cells_written_alike_need_no_matching(form):
    import pandas as pd

    cells = pa.array(pd.date_range("2026-07-03T10:00:00", periods=50, freq="31s").strftime(form).tolist(), pa.string())
    with patch.object(csvlog_moments, "_one_by_one", None):
        moments = csvlog_moments.moments_of(cells)
    assert np.isfinite(moments.clock_s).all() or np.isfinite(moments.days.d1).all()


def test_a_day_of_rows_is_one_run():
    cells = pa.array(["03.07.2026"] * 5 + ["04.07.2026"] * 2)
    days = csvlog_moments.moments_of(cells).days
    assert days.rows.tolist() == [5, 2] and days.d1.tolist() == [3, 4]
