"""The tables that other programs read: fixed columns, plain numbers, safe cells."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.core.channels import SAMPLE_COLUMNS
from sailanalysis.core.columns import ColumnKind, column_info
from sailanalysis.day import Day
from sailanalysis.report.page.safe import safe_cell

COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "maneuvers": (
        "kind", "start", "end", "crossing", "from_side", "to_side", "twa_before_deg",
        "twa_after_deg", "tws_kn", "turn_deg", "max_rate_of_turn_deg_s", "stw_before_kn",
        "stw_min_kn", "stw_after_kn", "recovery_s", "loss_m", "loss_m_low", "loss_m_high",
        "loss_s", "rated", "why_not", "helm", "sails"),
    "legs": (
        "start", "end", "duration_s", "side", "twa_deg", "tws_kn", "twd_deg", "stw_kn",
        "stw_sd_kn", "sog_kn", "vmg_kn", "heel_deg", "leeway_deg", "rudder_mean_deg", "helm",
        "sails", "polar_ratio"),
    "polar": (
        "sails", "tws_kn", "twa_deg", "stw_kn", "stw_kn_low", "stw_kn_high", "stw_best_kn",
        "minutes", "basis"),
    "targets": (
        "sails", "tws_kn", "direction", "twa_deg", "twa_low_deg", "twa_high_deg", "stw_kn",
        "vmg_kn", "vmg_low_kn", "vmg_high_kn", "awa_deg", "aws_kn"),
    "helm": (
        "helm", "point_of_sail", "start", "end", "minutes", "tws_kn", "rudder_rms_deg",
        "rudder_mean_deg", "rudder_rate_rms_deg_s", "reversals_per_min", "course_sd_deg",
        "twa_sd_deg", "steering_cost", "rudder_drag_ratio", "smoothness", "smoothness_low",
        "smoothness_high"),
    "trials": (
        "time", "what", "stw_before_kn", "stw_after_kn", "gain_kn", "gain_low_kn",
        "gain_high_kn", "minutes_before", "minutes_after", "verdict"),
    "crossovers": (
        "tws_kn", "twa_deg", "awa_deg", "aws_kn", "best_sails", "gain_kn", "next_best_sails",
        "confidence"),
    "helm_progress": ("helm", "day", "smoothness", "smoothness_low", "smoothness_high"),
    "helm_trend": ("helm", "days", "trend", "trend_low", "trend_high", "verdict"),
    "maneuver_progress": ("helm", "kind", "day", "count", "loss_m_median"),
    "days": (),
}
"""Columns of each table, in order; more may follow, none is missing."""

DAY_TABLES: Final = ("maneuvers", "legs", "polar", "targets", "helm", "trials")


def with_columns(name: str, table: pd.DataFrame) -> pd.DataFrame:
    """The table with its published columns first; a column nobody filled is NaN."""
    wanted = COLUMNS[name]
    extra = [column for column in table.columns if column not in wanted]
    return table.reindex(columns=[*wanted, *extra])


def iso_utc(value: Any) -> str:
    """ISO 8601 with ``Z`` to the millisecond; empty for a missing time."""
    if value is None or value is pd.NaT or pd.isna(value):
        return ""
    stamp = pd.Timestamp(value)
    stamp = stamp.tz_localize("UTC") if stamp.tz is None else stamp.tz_convert("UTC")
    return str(stamp.isoformat(timespec="milliseconds")).replace("+00:00", "Z")


_TYPES: Final[dict[ColumnKind, str]] = {
    "number": "float64", "integer": "Int64", "text": "object", "time": "datetime64[us, UTC]",
    "flag": "boolean"}


def empty_table(name: str) -> pd.DataFrame:
    """A published table without rows, its columns of their types."""
    made = {}
    for column in COLUMNS[name]:
        info = column_info(column)
        made[column] = pd.Series(dtype=_TYPES[info.kind] if info is not None else "float64")
    return pd.DataFrame(made)


def _plain(column: pd.Series) -> list[Any]:
    if pd.api.types.is_datetime64_any_dtype(column):
        return [iso_utc(value) for value in column]
    if pd.api.types.is_bool_dtype(column):
        return ["true" if value else "false" for value in column]
    if pd.api.types.is_float_dtype(column):
        text = [f"{v:.4f}".rstrip("0").rstrip(".") if math.isfinite(v) else ""
                for v in column.to_numpy(dtype=float, na_value=np.nan).tolist()]
        return ["0" if t == "-0" else t for t in text]
    if pd.api.types.is_integer_dtype(column):
        return list(column)
    return [_text_cell(value) for value in column]


def _text_cell(value: Any) -> Any:
    if value is None or (isinstance(value, float) and math.isnan(value)) or value is pd.NaT:
        return ""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, pd.Timestamp):
        return iso_utc(value)
    if isinstance(value, float | np.floating):
        return f"{value:.4f}".rstrip("0").rstrip(".")
    return safe_cell(" ".join(str(value).split("\r")).replace("\n", " "))


def write_csv(name: str, table: pd.DataFrame, path: Path) -> None:
    """Write one table: UTF-8, decimal points, no cell that a spreadsheet would run."""
    shown = with_columns(name, table)
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(shown.columns)
        writer.writerows(zip(*(_plain(shown[column]) for column in shown.columns), strict=True))


def to_json(value: Any) -> Any:
    """Plain JSON values: NaN and infinity become null, times ISO, arrays lists."""
    if isinstance(value, dict):
        return {str(key): to_json(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [to_json(item) for item in value]
    if isinstance(value, np.ndarray):
        return to_json(value.tolist())
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, pd.Timestamp):
        return iso_utc(value)
    return value


def write_json(value: Any, path: Path) -> None:
    """Write strict JSON, readable by eye."""
    text = json.dumps(to_json(value), indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def write_samples(samples: pd.DataFrame, path: Path, private: bool = False) -> None:
    """Write ``samples.parquet``: ``time`` in UTC, the published columns, then what more there is.

    Numbers are 32-bit but for the position; text columns are dictionaries.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    extra = [column for column in samples.columns if column not in SAMPLE_COLUMNS]
    fields: dict[str, pa.Array] = {
        "time": pa.array(samples.index.tz_convert("UTC").as_unit("us"))}
    for name in (*SAMPLE_COLUMNS, *extra):
        column = samples[name] if name in samples else pd.Series(np.nan, index=samples.index)
        if name in ("lat", "lon"):
            values = np.full(len(samples), np.nan) if private else column.to_numpy(dtype=float)
            fields[name] = pa.array(values, type=pa.float64())
        elif column.dtype == object or isinstance(column.dtype, pd.StringDtype):
            fields[name] = pa.array(column.to_numpy(dtype=object), type=pa.string(),
                                    from_pandas=True).dictionary_encode()
        elif pd.api.types.is_bool_dtype(column):
            fields[name] = pa.array(column.to_numpy())
        else:
            fields[name] = pa.array(column.to_numpy(dtype=np.float32), type=pa.float32())
    # Measured numbers hardly repeat: a dictionary of them would cost time and room.
    words = [name for name, value in fields.items() if pa.types.is_dictionary(value.type)]
    pq.write_table(pa.table(fields), path, compression="zstd", use_dictionary=words)


def write_day_tables(day: Day, folder: Path, private: bool = False) -> None:
    """Write all tables of a day into a (staged) folder."""
    for name in DAY_TABLES:
        write_csv(name, getattr(day, name), folder / f"{name}.csv")
    write_json(day.calibration, folder / "calibration.json")
    write_json(day.summary, folder / "summary.json")
    write_samples(day.samples, folder / "samples.parquet", private)
