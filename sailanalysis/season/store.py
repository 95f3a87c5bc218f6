"""Files that are either whole or not there: write aside, force to disk, rename.

Columns go to Parquet (zstd); what is small and ragged goes to JSON. Nothing here knows what a
day is.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

_WIDE: Final = ("lat", "lon", "time_s", "start_s", "end_s")
"""Columns that keep double precision; the rest is far coarser than single precision."""


def plain(value: Any) -> Any:
    """Turn a value into what JSON can hold: NaN to null, records to objects, times to ISO."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return [plain(v) for v in value.tolist()]
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    if value is None or isinstance(value, str):
        return value
    return str(value)


def to_json(value: Any) -> str:
    """JSON text with sorted keys, so that the same content gives the same text."""
    return json.dumps(plain(value), sort_keys=True, allow_nan=False)


def write_table(path: Path, table: pd.DataFrame, *, small: bool = False) -> None:
    """Write a table as Parquet and force it to disk.

    Parameters
    ----------
    small : bool
        Store numbers in single precision (samples).
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    arrow = pa.Table.from_pandas(_storable(table, small), preserve_index=table.index.name == "time")
    # Measured numbers hardly repeat: a dictionary of them costs room; their bytes, each with its
    # like, take less.
    measured = [f.name for f in arrow.schema if pa.types.is_floating(f.type)]
    words = [f.name for f in arrow.schema if f.name not in measured]
    with open(path, "wb") as handle:
        pq.write_table(arrow, handle, compression="zstd", use_dictionary=words,
                       use_byte_stream_split=measured)
        handle.flush()
        os.fsync(handle.fileno())


def parse_table(data: bytes, columns: list[str] | None = None) -> pd.DataFrame:
    """Table of a Parquet file's bytes; text columns as plain objects."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    table: pd.DataFrame = pq.read_table(pa.BufferReader(data), columns=columns,
                                        use_threads=False).to_pandas()
    for name in table.columns:
        if isinstance(table[name].dtype, pd.StringDtype):
            table[name] = table[name].astype(object)
    return table


def write_text(path: Path, text: str) -> None:
    """Write text and force it to disk."""
    with open(path, "w", encoding="utf-8") as handle:
        handle.write(text)
        handle.flush()
        os.fsync(handle.fileno())


def sync_folder(path: Path) -> None:
    """Force a folder's entries to disk, where the system knows how."""
    try:
        number = os.open(path, os.O_RDONLY)
    except OSError:  # a system that does not open folders (Windows) keeps renames in order itself
        return
    try:
        os.fsync(number)
    finally:
        os.close(number)


def bytes_digest(data: bytes) -> str:
    """SHA-256 of some bytes."""
    return hashlib.sha256(data).hexdigest()


def file_digest(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    with open(path, "rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def text_digest(parts: Iterable[str]) -> str:
    """SHA-256 of some texts in order."""
    total = hashlib.sha256()
    for part in parts:
        total.update(part.encode("utf-8"))
        total.update(b"\x00")
    return total.hexdigest()


def _storable(table: pd.DataFrame, small: bool) -> pd.DataFrame:
    out = {}
    for name in table.columns:
        column = table[name]
        if column.dtype == object:
            kinds = {type(v) for v in column if v is not None and v == v}
            if kinds <= {bool, np.bool_}:
                column = column.astype("boolean")
            elif not kinds <= {float, int, np.float64, np.int64}:
                column = column.map(lambda v: "" if v is None or v != v else str(v)).astype(object)
            else:
                column = column.astype(float)
        elif small and column.dtype == np.float64 and name not in _WIDE:
            column = column.astype(np.float32)
        out[name] = column
    return pd.DataFrame(out, index=table.index)
