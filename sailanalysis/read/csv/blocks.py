"""CSV blocks to columns of numbers, every line counted.

A block is parsed with the types that the first rows showed. Where a cell does not fit its type the
block is parsed again as text and mended cell by cell; that block alone pays for it.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from sailanalysis.core.model import Floats
from sailanalysis.read.csv.cells import Unreadable, mended
from sailanalysis.read.csv.layout import MISSING, Layout
from sailanalysis.read.csv.lines import plain_ends
from sailanalysis.read.csv.moments import Days, Moments, moments_of
from sailanalysis.read.csv.time import iso_seconds
from sailanalysis.read.open.limits import MAX_LINE_BYTES

_MOST_BAD_ROWS: Final = 5000
"""A ruined block is sorted out by counting separators, not one call a line."""
_NULL_NS: Final = np.iinfo(np.int64).min


@dataclass
class Block:
    """What one block of lines held, by column number.

    ``lines`` counts all of its lines, ``blank`` those without content and repeated headers,
    ``rows`` those with one.
    """

    lines: int
    blank: int = 0
    rows: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    values: dict[int, Floats] = field(default_factory=dict)
    texts: dict[int, Any] = field(default_factory=dict)
    times: Floats | None = None
    number: Floats | None = None
    moments: Moments | None = None
    dates: Days | None = None
    unreadable: Unreadable = field(default_factory=Unreadable)


class BlockReader:
    """Reads blocks of one file; blocks may be read at the same time.

    Parameters
    ----------
    layout : Layout
    """

    def __init__(self, layout: Layout) -> None:
        import pyarrow as pa

        self.layout = layout
        self.names = [str(at) for at in range(layout.width)]
        wanted = layout.wanted()
        self.channels = [(at, column.name) for at, column in wanted if column.role != "text"]
        self.words = [at for at, column in wanted if column.role == "text"]
        kinds = {"utc": pa.timestamp("ns", "UTC"), "plain": pa.timestamp("ns"),
                 "number": pa.float64(), "text": pa.string()}
        text = dict.fromkeys(self.names, pa.string())
        typed = text | {self.names[at]: pa.float64() for at, _ in self.channels}
        typed[self.names[layout.time_at]] = kinds[layout.time_kind]
        self.text = self._options(text, ".")
        self.typed = self._options(typed, layout.decimal)

    def _options(self, types: dict[str, Any], decimal: str) -> Any:
        """How pyarrow converts the columns that are needed."""
        import pyarrow.csv as pacsv

        used = [*(at for at, _ in self.channels), *self.words, self.layout.time_at,
                self.layout.date_at]
        return pacsv.ConvertOptions(
            column_types=types, include_columns=[self.names[at] for at in used if at >= 0],
            null_values=[*MISSING, *(f" {word}" for word in MISSING if word)],
            strings_can_be_null=True, decimal_point=decimal)

    def __call__(self, block: bytes) -> Block:
        """Read one block of whole lines."""
        return self.regular(block) or self.plain(block)

    # --------------------------------------------------------------------- two ways
    def regular(self, block: bytes) -> Block | None:
        """The quick way, or None for a block that needs the plain one.

        Without quotes every line end ends a row; a blank line would be a row without a time, and
        a header line amid the rows could not be read with their types. So rows and bad rows are
        all that there is to count.
        """
        import pyarrow as pa

        if not self.layout.header_shows or b'"' in block or not block.isascii():
            return None
        try:
            table, bad = self._parsed(block, self.typed, quote_char=False,
                                      ignore_empty_lines=False)
        except pa.ArrowInvalid:
            return None
        if not table.num_rows or table.column(self.names[self.layout.time_at]).null_count:
            return None
        out = Block(table.num_rows + bad)
        out.rejected["wrong number of columns"] = bad
        return self._columns(table, out)

    def plain(self, block: bytes) -> Block:
        """The way that copes with every block."""
        import pyarrow as pa

        block = plain_ends(block)
        out = Block(block.count(b"\n"))
        total = out.lines
        if self.layout.header_line and block.find(b"\n" + self.layout.header_line) >= 0:
            block, out.blank = _without_header(block, self.layout.header_line)
            total -= out.blank
        if not block.isascii():
            block = _valid_text(block)
        if b'"' in block:
            block, bad = _without_open_quotes(block)
            out.rejected["quote not closed"] = bad
            total -= bad
        try:
            table, bad = self._parsed(block, self.typed)
        except pa.ArrowInvalid:
            try:
                table, bad = self._parsed(block.replace(b"\0", b" "), self.text)
            except pa.ArrowInvalid:
                block, short = _only_full_rows(block, self.layout)
                table, bad = self._parsed(block.replace(b"\0", b" "), self.text)
                bad += short
        out.rejected["wrong number of columns"] = bad
        out.blank += max(total - bad - table.num_rows, 0)
        return self._columns(table, out)

    # --------------------------------------------------------------------- parts
    def _parsed(self, block: bytes, convert: Any, **parse: Any) -> tuple[Any, int]:
        """The wanted columns, and how many rows had another width."""
        import pyarrow as pa
        import pyarrow.csv as pacsv

        if block.isspace() or not block:
            return pa.table({}), 0
        bad = 0

        def skip(_row: object) -> str:
            nonlocal bad
            bad += 1
            return "skip" if bad <= _MOST_BAD_ROWS else "error"

        table = pacsv.read_csv(
            pa.BufferReader(block),
            read_options=pacsv.ReadOptions(
                column_names=self.names, use_threads=False, block_size=max(len(block), 1 << 16)),
            parse_options=pacsv.ParseOptions(
                delimiter=self.layout.delimiter, invalid_row_handler=skip, **parse),
            convert_options=convert)
        return table, bad

    def _columns(self, table: Any, out: Block) -> Block:
        """Take the numbers, texts and times out of a parsed block."""
        import pyarrow as pa

        out.rows = table.num_rows
        if not out.rows:
            return out
        layout, names = self.layout, self.names

        def numbers(at: int, channel: str) -> Floats:
            cells = _whole(table, names[at])
            if pa.types.is_floating(cells.type):
                return np.asarray(cells.to_numpy(zero_copy_only=False), dtype=float)
            return mended(cells, at, channel, layout.decimal, out.unreadable)

        for at, channel in self.channels:
            out.values[at] = numbers(at, channel)
        for at in self.words:
            out.texts[at] = _whole(table, names[at])
        if layout.time_kind == "number":
            out.number = numbers(layout.time_at, "")
        else:
            cells = _whole(table, names[layout.time_at])
            if pa.types.is_timestamp(cells.type):
                out.times = _seconds(cells)
            elif layout.time_kind == "text":
                out.moments = moments_of(cells)
            else:
                out.times = iso_seconds(cells, layout.time_kind == "utc")
        if layout.date_at >= 0:
            out.dates = moments_of(_whole(table, names[layout.date_at])).days
        return out


def read_blocks(blocks: Iterable[bytes], reader: BlockReader) -> Iterator[Block]:
    """Blocks in their order, read by as many threads as the machine has; few at a time."""
    import pyarrow as pa

    workers = pa.cpu_count()
    if workers < 2:
        yield from map(reader, blocks)
        return
    with ThreadPoolExecutor(workers) as pool:
        waiting: deque[Future[Block]] = deque()
        for block in blocks:
            waiting.append(pool.submit(reader, block))
            if len(waiting) > workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _whole(table: Any, name: str) -> Any:
    """A column in one piece; one that was parsed in one piece is not copied."""
    cells = table.column(name)
    return cells.chunk(0) if cells.num_chunks == 1 else cells.combine_chunks()


def _seconds(stamps: Any) -> Floats:
    """Seconds since 1970 of a column of nanoseconds, NaN for missing ones."""
    import pyarrow as pa
    import pyarrow.compute as pc

    nanos = stamps.cast(pa.int64())
    missing = bool(nanos.null_count)
    nanos = (pc.fill_null(nanos, _NULL_NS) if missing else nanos).to_numpy(zero_copy_only=False)
    whole = nanos // 1_000_000_000
    seconds = whole + (nanos - whole * 1_000_000_000) / 1e9
    return np.where(nanos == _NULL_NS, np.nan, seconds) if missing else seconds


def _valid_text(block: bytes) -> bytes:
    """The block as UTF-8; an older western encoding or rubbish is turned into it."""
    try:
        block.decode("utf-8")
        return block
    except UnicodeDecodeError:
        return block.decode("cp1252", "replace").encode()


def _without_header(block: bytes, header: bytes) -> tuple[bytes, int]:
    lines = block.split(b"\n")
    kept = [line for line in lines if line.strip() != header]
    return b"\n".join(kept), len(lines) - len(kept)


def _without_open_quotes(block: bytes) -> tuple[bytes, int]:
    """Drop lines with an odd number of quotes: no record of a log spans lines."""
    data = np.frombuffer(block, dtype=np.uint8)
    ends = np.flatnonzero(data == 10)
    odd = _count_by_line(data, ends, 34) % 2 == 1
    return (_kept(data, ends, ~odd), int(odd.sum())) if odd.any() else (block, 0)


def _only_full_rows(block: bytes, layout: Layout) -> tuple[bytes, int]:
    """Keep lines with the right number of separators; for blocks in which many have not."""
    data = np.frombuffer(block.replace(b'"', b" "), dtype=np.uint8)
    ends = np.flatnonzero(data == 10)
    marks = _count_by_line(data, ends, ord(layout.delimiter))
    length = np.diff(ends, prepend=-1)
    full = (marks == layout.width - 1) & (length <= MAX_LINE_BYTES)
    return _kept(data, ends, full), int((~full & (length > 1)).sum())


def _count_by_line(data: Any, ends: Any, byte: int) -> Any:
    return np.diff(np.searchsorted(np.flatnonzero(data == byte), ends), prepend=0)


def _kept(data: Any, ends: Any, keep: Any) -> bytes:
    """The bytes of some of the lines."""
    return bytes(data[: ends[-1] + 1][np.repeat(keep, np.diff(ends, prepend=-1))].tobytes())
