"""The tables that other programs read: fixed columns, plain numbers, safe cells."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.app.track import write_track
from sailanalysis.core.channels import SAMPLE_COLUMNS
from sailanalysis.core.columns import ColumnInfo, ColumnKind, column_info, unit_of
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
        "gain_high_kn", "minutes_before", "minutes_after", "verdict", "twa_deg", "tws_kn", "gap_s",
        "moved_s", "tries"),
    "ledger": ("item", "minutes", "minutes_low", "minutes_high", "nm", "nm_low", "nm_high",
               "of_hours", "basis"),
    "crossovers": (
        "tws_kn", "twa_deg", "awa_deg", "aws_kn", "best_sails", "gain_kn", "next_best_sails",
        "confidence"),
    "experiments": (
        "subject", "change", "twa_low_deg", "twa_high_deg", "tws_low_kn", "tws_high_kn", "gain_kn",
        "gain_low_kn", "gain_high_kn", "days", "tries", "verdict"),
    "helm_progress": ("helm", "day", "smoothness", "smoothness_low", "smoothness_high"),
    "helm_trend": ("helm", "days", "trend", "trend_low", "trend_high", "verdict"),
    "maneuver_progress": ("helm", "kind", "day", "count", "loss_m_median"),
    "calibration": ("date", "day", "sensor", "value", "low", "high"),
    "maneuver_costs": (
        "kind", "helm", "sails", "count", "rated", "loss_m", "loss_m_low", "loss_m_high",
        "loss_s"),
    "advice": (
        "proposed", "source", "measure", "helm", "unit", "then", "then_low", "then_high", "since",
        "since_low", "since_high", "change", "change_low", "change_high", "days_before",
        "days_since", "last", "verdict"),
    "days": (),
    "fleet": ("boat", "days", "first_day", "last_day", "sailing_s", "distance_over_ground_nm",
              "tacks", "gybes", "steady_minutes"),
}
"""Columns of each table, in order; more may follow, none is missing."""

SCHEMA: Final = 2
"""Edition of the tables; grows when a published column changes its meaning."""
DAY_TABLES: Final = ("maneuvers", "legs", "polar", "targets", "helm", "trials")


def iso_utc(value: Any) -> str:
    """ISO 8601 with ``Z`` to the millisecond; empty for a missing time."""
    if value is None or value is pd.NaT or pd.isna(value):
        return ""
    stamp = pd.Timestamp(value)
    stamp = stamp.tz_localize("UTC") if stamp.tz is None else stamp.tz_convert("UTC")
    return str(stamp.isoformat(timespec="milliseconds")).replace("+00:00", "Z")


@dataclass(frozen=True)
class TableLabel:
    """What every table says of itself: the boat and the day (of a season, first/last)."""

    boat: str = ""
    day: str = ""


def with_columns(name: str, table: pd.DataFrame, label: TableLabel | None = None) -> pd.DataFrame:
    """The table with its published columns first, in their types; ``boat`` and ``day`` last.

    A column that nobody filled is empty, a table's own ``day`` stays.
    """
    wanted = COLUMNS[name]
    extra = [column for column in table.columns if column not in wanted]
    out = table.reindex(columns=[*wanted, *extra])
    for column in ("boat", "day"):
        if column not in table:
            out[column] = getattr(label or TableLabel(), column)
    return pd.DataFrame({column: typed(column, out[column], name) for column in out.columns},
                        index=out.index)


def _info(table: str, column: str) -> ColumnInfo | None:
    """What a column of a table is: of pooled costs, ``rated`` counts."""
    return column_info("rated_count" if (table, column) == ("maneuver_costs", "rated") else column)


def typed(name: str, column: pd.Series, table: str = "") -> pd.Series:
    """A column in the type that its name has everywhere, empty or not."""
    info = _info(table, name)
    if info is None:
        return column
    if info.kind == "text":
        return column.astype(object).where(column.notna(), "").astype(str).astype(object)
    if info.kind == "time":
        return pd.to_datetime(column, utc=True).astype("datetime64[us, UTC]")
    if info.kind == "flag":
        return column.astype("boolean")
    numbers = pd.to_numeric(column, errors="coerce")
    return numbers.astype("Int64") if info.kind == "integer" else numbers.astype("float64")


_TYPES: Final[dict[ColumnKind, str]] = {
    "number": "float64", "integer": "Int64", "text": "object", "time": "datetime64[us, UTC]",
    "flag": "boolean"}


def empty_table(name: str) -> pd.DataFrame:
    """A published table without rows, its columns of their types."""
    made = {}
    for column in COLUMNS[name]:
        info = _info(name, column)
        made[column] = pd.Series(dtype=_TYPES[info.kind] if info is not None else "float64")
    return pd.DataFrame(made)


def _plain(column: pd.Series) -> list[Any]:
    if pd.api.types.is_datetime64_any_dtype(column):
        return [iso_utc(value) for value in column]
    if pd.api.types.is_bool_dtype(column):
        return ["" if pd.isna(value) else "true" if value else "false" for value in column]
    if pd.api.types.is_float_dtype(column):
        text = [f"{v:.4f}".rstrip("0").rstrip(".") if math.isfinite(v) else ""
                for v in column.to_numpy(dtype=float, na_value=np.nan).tolist()]
        return ["0" if t == "-0" else t for t in text]
    if pd.api.types.is_integer_dtype(column):
        return ["" if pd.isna(value) else int(value) for value in column]
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


def write_table(name: str, table: pd.DataFrame, folder: Path, label: TableLabel) -> None:
    """Write one table twice: as CSV for people, as Parquet for programs."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    write_csv(name, table, folder / f"{name}.csv", label)
    shown = with_columns(name, table, label)
    kinds = {"number": pa.float64(), "integer": pa.int64(), "text": pa.string(),
             "time": pa.timestamp("us", tz="UTC"), "flag": pa.bool_()}
    fields = {}
    for column in shown.columns:
        info = _info(name, str(column))
        fields[str(column)] = pa.array(shown[column], type=kinds[info.kind] if info else None,
                                       from_pandas=True)
    pq.write_table(pa.table(fields), folder / f"{name}.parquet", compression="zstd")


def describe_columns(tables: Mapping[str, pd.DataFrame]) -> dict[str, dict[str, dict[str, str]]]:
    """Type, unit and meaning of every column, by table."""
    out: dict[str, dict[str, dict[str, str]]] = {}
    for name, table in tables.items():
        shown = with_columns(name, table).columns if name in COLUMNS else table.columns
        out[name] = {}
        for column in map(str, shown):
            info = _info(name, column)
            out[name][column] = {
                "type": info.kind if info else "", "unit": info.unit if info else unit_of(column),
                "meaning": info.meaning if info else ""}
    return out


def write_csv(name: str, table: pd.DataFrame, path: Path, label: TableLabel | None = None) -> None:
    """Write one table: UTF-8, decimal points, no cell that a spreadsheet would run."""
    shown = with_columns(name, table, label)
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


def write_samples(samples: pd.DataFrame, path: Path, private: bool = False,
                  label: TableLabel | None = None) -> None:
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
    label = label or TableLabel()
    for name, text in (("boat", label.boat), ("day", label.day)):
        fields[name] = pa.DictionaryArray.from_arrays(
            pa.array(np.zeros(len(samples), dtype=np.int32)), pa.array([text]))
    # Measured numbers hardly repeat: a dictionary of them would cost time and room.
    words = [name for name, value in fields.items() if pa.types.is_dictionary(value.type)]
    pq.write_table(pa.table(fields), path, compression="zstd", use_dictionary=words)


def write_day_tables(day: Day, folder: Path, private: bool = False) -> None:
    """Write all tables of a day into a (staged) folder."""
    label = TableLabel(day.boat.name, day.summary["day"])
    tables = {name: getattr(day, name) for name in DAY_TABLES}
    study = day.results.maneuvers
    tables["maneuver_costs"] = empty_table("maneuver_costs") if study is None else study.pooled
    account = day.results.ledger
    tables["ledger"] = account.table if account is not None else empty_table("ledger")
    for name, table in tables.items():
        write_table(name, table, folder, label)
    write_json(day.calibration, folder / "calibration.json")
    write_json(day.summary, folder / "summary.json")
    write_samples(day.samples, folder / "samples.parquet", private, label)
    head = day.samples.iloc[:0].reset_index()
    described = {**describe_columns(tables),
                 **describe_columns({"samples": head.assign(boat="", day="")})}
    write_json(described, folder / "columns.json")
    if not private:
        write_track(day, folder / "track.gpx")
