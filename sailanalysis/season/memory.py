"""What earlier days lend to a new one: the season's polar and each helm's usual, kept ready.

Beside the days the archive keeps, for each boat, a bounded sample of all steady blocks
(:mod:`sample`), the newest helm rows, each day's estimates of the sensors' errors, and what was
last fitted to them. A day more costs the
reading of that day and one fit of bounded size. Days that are gone are taken out; where that
leaves a cell short of what older days would give, the sample is made again from the folders. So
the outcome depends on the filed days alone, not on the order or the history of their filing.

All of it can be made again from the days: a kept file that is damaged or missing costs time.
"""

from __future__ import annotations

import io
import json
import os
import uuid
import zipfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.day import Memory
from sailanalysis.helm.usual import Usual, fit_usual
from sailanalysis.polar.fit import fit_polar
from sailanalysis.polar.model import Effect, PolarModel, Surface
from sailanalysis.season.records import Entry
from sailanalysis.season.sample import A_CELL, SPARE, grouped_days, newest, thin_day
from sailanalysis.season.sensors import pooled_table, recorrected
from sailanalysis.season.store import bytes_digest, parse_table, text_digest, to_json, write_table

FORMAT: Final = 2
"""Of the kept file; raised whenever the sample or the fits change."""
HELM_ROWS: Final = 120
"""Stretches of one helm on one point of sail that are used."""
_FITS: Final = 2
"""The season's, and the one without the last day."""
_FIELDS: Final = ("median_kn", "best_kn", "low_kn", "high_kn", "basis", "seconds")



@dataclass(frozen=True, eq=False)
class Lent:
    """What one day lends: its blocks, its helm rows, its sensors (`calibration_rows`)."""

    blocks: pd.DataFrame
    helm: pd.DataFrame
    sensors: pd.DataFrame


Read = Callable[[Entry], Lent | None]
"""None where the day is damaged."""


@dataclass(frozen=True, eq=False)
class Kept:
    """A boat's sample, and what was fitted to it.

    Attributes
    ----------
    folders : frozenset of str
        The days that it rests on.
    blocks, helm : DataFrame
        With ``cell`` and ``folder``.
    sensors : DataFrame
        Of all days, with ``folder``.
    full : frozenset of str
        Cells of which older rows were left out.
    fits : tuple of (str, Memory)
        By the digest of the days they rest on, the last first.
    """

    folders: frozenset[str] = frozenset()
    blocks: pd.DataFrame = field(default_factory=pd.DataFrame)
    helm: pd.DataFrame = field(default_factory=pd.DataFrame)
    sensors: pd.DataFrame = field(default_factory=pd.DataFrame)
    full: frozenset[str] = frozenset()
    fits: tuple[tuple[str, Memory], ...] = ()


# ------------------------------------------------------------------ the sample
def advance(kept: Kept, entries: Sequence[Entry], read: Read) -> Kept:
    """Bring the sample to rest on these days: read what is new, take out what is gone."""
    wanted = {e.folder for e in entries}
    if kept.folders - wanted:
        kept = _without(kept, wanted)
    blocks, helm, sensors = [kept.blocks], [kept.helm], [kept.sensors]
    folders = set(kept.folders)
    for entry in entries:
        if entry.folder in folders:
            continue
        lent = read(entry)
        if lent is None:
            continue
        folders.add(entry.folder)
        blocks.append(_marked(thin_day(lent.blocks.assign(day=entry.day_id)), entry))
        helm.append(_marked(_helm_cells(lent.helm, entry), entry))
        sensors.append(_marked(lent.sensors, entry))
    block_rows, full = _trimmed(blocks, A_CELL + SPARE, ["time", "day", "leg"])
    helm_rows, more = _trimmed(helm, HELM_ROWS * 5 // 4, ["start", "day", "point_of_sail"])
    return Kept(frozenset(folders), block_rows, helm_rows, _in_order(sensors),
                kept.full | full | more, kept.fits)


def _in_order(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    filled = [p for p in parts if len(p)]
    if not filled:
        return pd.DataFrame()
    return pd.concat(filled, ignore_index=True).sort_values(["day", "key"], ignore_index=True)


def _without(kept: Kept, wanted: set[str]) -> Kept:
    """The sample less the days that are gone; nothing of it where a cell falls short."""
    blocks, helm, sensors = (t[t["folder"].isin(wanted)] if len(t) else t
                             for t in (kept.blocks, kept.helm, kept.sensors))
    counts: dict[str, int] = {}
    for table in (blocks, helm):
        if len(table):
            counts |= table["cell"].value_counts().to_dict()
    for cell in kept.full:
        if counts.get(cell, 0) < (HELM_ROWS if cell.startswith("helm ") else A_CELL):
            return Kept(fits=kept.fits)
    return replace(kept, folders=kept.folders & wanted, blocks=blocks, helm=helm,
                   sensors=sensors)


def _trimmed(parts: Iterable[pd.DataFrame], count: int,
             order: list[str]) -> tuple[pd.DataFrame, frozenset[str]]:
    """The newest rows of each cell, and the cells of which rows were left out."""
    filled = [p for p in parts if len(p)]
    if not filled:
        return pd.DataFrame(), frozenset()
    table = pd.concat(filled, ignore_index=True)
    out = newest(table, count, order).reset_index(drop=True)
    before, after = table["cell"].value_counts(), out["cell"].value_counts()
    return out, frozenset(before.index[before > after.reindex(before.index)])


def _helm_cells(rows: pd.DataFrame, entry: Entry) -> pd.DataFrame:
    if len(rows) == 0 or not {"helm", "point_of_sail", "start"} <= set(rows.columns):
        return pd.DataFrame()
    cell = "helm " + rows["helm"].fillna("").astype(str) + " " + rows["point_of_sail"].astype(str)
    return rows.assign(cell=cell, day=entry.date)


def _marked(rows: pd.DataFrame, entry: Entry) -> pd.DataFrame:
    return rows.assign(folder=entry.folder)


# ------------------------------------------------------------------ the fits
def fit_key(folders: Iterable[str]) -> str:
    """Digest of the days that a fit rests on."""
    return text_digest([str(FORMAT), *sorted(folders)])


def fitted(kept: Kept) -> Memory:
    """The fits to a sample: kept ones where they rest on the same days, else made now."""
    held = dict(kept.fits).get(fit_key(kept.folders))
    if held is not None:
        return held
    model, usual = None, None
    blocks = newest(kept.blocks, A_CELL, ["time", "day", "leg"]) if len(kept.blocks) else None
    if blocks is not None:
        if len(kept.sensors):
            blocks = recorrected(blocks, kept.sensors, pooled_table(kept.sensors))
        polar = fit_polar(grouped_days(blocks.drop(columns=["cell", "folder"])), replicates=2,
                          shares=False)
        model = _slim(polar, len(kept.folders)) if polar.known else None
    if len(kept.helm):
        rows = newest(kept.helm, HELM_ROWS, ["start", "day", "point_of_sail"])
        usual = fit_usual(rows.drop(columns=["cell", "folder"]))
    return Memory(model, usual)


def renewed(kept: Kept) -> Kept:
    """The sample with its fits; of earlier ones the one that lacks just one of its days.

    That day may be analysed once more, after a line was added to its crew log.
    """
    key = fit_key(kept.folders)
    less = {fit_key(kept.folders - {folder}) for folder in kept.folders}
    others = sorted((f for f in kept.fits if f[0] != key), key=lambda f: f[0] not in less)
    return replace(kept, fits=((key, fitted(kept)), *others)[:_FITS])


def _slim(model: PolarModel, days: int) -> PolarModel:
    """The model without its draws and the tables of its own days and legs."""
    surfaces = {name: replace(s, replicates_kn=s.replicates_kn[:0])
                for name, s in model.surfaces.items()}
    return replace(model, surfaces=surfaces, days=days, day_factors=pd.DataFrame(),
                   leg_shares=pd.DataFrame())


# ------------------------------------------------------------------ the kept file
def kept_path(folder: Path, boat_key: str) -> Path:
    """File of a boat's sample."""
    return folder / f"{bytes_digest(boat_key.encode())[:16]}.kept"


def read_kept(path: Path) -> Kept:
    """Read a kept file; an empty sample where it is missing, damaged or of another format."""
    try:
        data = path.read_bytes()
    except OSError:
        return Kept()
    seal, _, body = data.partition(b"\n")
    if seal != bytes_digest(body).encode():
        return Kept()
    with zipfile.ZipFile(io.BytesIO(body)) as held:
        state = json.loads(held.read("state.json"))
        if state["format"] != FORMAT:
            return Kept()
        fits = tuple((key, _memory_of(held, f"{number}", one))
                     for number, (key, one) in enumerate(state["fits"]))
        return Kept(frozenset(state["folders"]), parse_table(held.read("blocks.parquet")),
                    parse_table(held.read("helm.parquet")),
                    parse_table(held.read("sensors.parquet")), frozenset(state["full"]), fits)


def write_kept(path: Path, kept: Kept) -> None:
    """Write a kept file, whole or not at all."""
    path.parent.mkdir(exist_ok=True)
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as out:
        fits = []
        for number, (key, memory) in enumerate(kept.fits):
            fits.append([key, _memory_state(out, f"{number}", memory)])
        for name, table in (("blocks", kept.blocks), ("helm", kept.helm),
                            ("sensors", kept.sensors)):
            part = path.with_name(f"{path.name}.{uuid.uuid4().hex[:8]}")
            try:
                write_table(part, table)
                out.writestr(f"{name}.parquet", part.read_bytes(), zipfile.ZIP_STORED)
            finally:
                part.unlink(missing_ok=True)
        out.writestr("state.json", to_json({"format": FORMAT, "folders": sorted(kept.folders),
                                            "full": sorted(kept.full), "fits": fits}))
    body = buffer.getvalue()
    aside = path.with_name(f"{path.name}.{uuid.uuid4().hex[:8]}")
    try:
        with open(aside, "wb") as handle:
            handle.write(bytes_digest(body).encode() + b"\n" + body)
            handle.flush()
            os.fsync(handle.fileno())
        os.replace(aside, path)
    finally:
        aside.unlink(missing_ok=True)


def _memory_state(out: zipfile.ZipFile, name: str, memory: Memory) -> dict[str, Any]:
    model, state = memory.polar, {}
    if model is not None:
        arrays = {"tws_kn": model.tws_kn, "leeway_deg": model.leeway_deg}
        for sails, surface in enumerate(model.surfaces.values()):
            arrays |= {f"{sails} {key}": getattr(surface, key) for key in _FIELDS}
        buffer = io.BytesIO()
        np.savez(buffer, allow_pickle=False, **arrays)
        out.writestr(f"polar{name}.npz", buffer.getvalue())
        state["polar"] = {
            "sails": [[key, s.total_seconds, s.legs] for key, s in model.surfaces.items()],
            "leeway_known": model.leeway_known, "effects": [asdict(e) for e in model.effects],
            "days": model.days, "legs": model.legs, "seconds": model.seconds,
            "notes": model.notes}
    if memory.usual is not None:
        state["usual"] = memory.usual.to_dict()
    return state


def _memory_of(held: zipfile.ZipFile, name: str, state: dict[str, Any]) -> Memory:
    model = None
    if "polar" in state:
        polar = state["polar"]
        with np.load(io.BytesIO(held.read(f"polar{name}.npz")), allow_pickle=False) as arrays:
            surfaces = {}
            for number, (sails, seconds, legs) in enumerate(polar["sails"]):
                fields = {key: arrays[f"{number} {key}"] for key in _FIELDS}
                none = np.zeros((0, *fields["median_kn"].shape), dtype=np.float32)
                surfaces[sails] = Surface(**fields, replicates_kn=none, total_seconds=seconds,
                                          legs=legs)
            model = PolarModel(
                arrays["tws_kn"], surfaces, arrays["leeway_deg"], polar["leeway_known"],
                tuple(Effect(e.pop("name"), **_numbers(e)) for e in polar["effects"]),
                polar["days"], polar["legs"], polar["seconds"],
                notes=_numbers(polar["notes"]))
    usual = Usual.from_dict(state["usual"]) if "usual" in state else None
    return Memory(model, usual)


def _numbers(values: dict[str, float | None]) -> dict[str, float]:
    """Numbers back from JSON, which has no NaN."""
    return {key: float("nan") if value is None else value for key, value in values.items()}
