"""The boat file: TOML in, a ``Boat`` out; corrections written back with the comments kept."""

from __future__ import annotations

import math
import os
import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final, TypeGuard
from zoneinfo import ZoneInfo

from sailanalysis.core.channels import CHANNELS
from sailanalysis.core.errors import BoatFileError, Finding
from sailanalysis.core.model import Boat, Names, ReferencePolar, Rudder, Sensors, Tank
from sailanalysis.read.written.reference import read_reference_polar

MAX_BYTES: Final = 1_000_000
"""A boat file is a page of text; anything far larger is something else."""

LOGGED_AS: Final = {
    "twa_deg": "twa_logged_deg", "tws_kn": "tws_logged_kn", "twd_deg": "twd_logged_deg",
    "leeway_deg": "leeway_logged_deg", "set_deg": "set_logged_deg",
    "drift_kn": "drift_logged_kn",
}
"""Derived channels and the name under which a log's own value of them is kept."""

DIESEL_KG_L: Final = 0.84
"""Within EN 590 (0.820-0.845 kg/l at 15 degC); used for fuel tanks without ``density_kg_l``."""

_TABLES: Final = ("boat", "rudder", "sensors", "tanks", "columns", "names", "polar")
_BOAT: Final = {"loa_m": 200.0, "lwl_m": 200.0, "displacement_kg": 1e7, "mast_height_m": 100.0}
_RUDDER: Final = {"area_m2": 50.0, "span_m": 20.0}
HULLS: Final = ("monohull", "catamaran", "trimaran")
_FACTORS: Final = ("stw_factor", "aws_factor")
_OFFSETS: Final = {
    "stw_offset_kn": 20.0, "awa_offset_deg": 180.0, "heading_offset_deg": 360.0,
    "leeway_k": 1000.0, "rudder_offset_deg": 90.0,
}
_FACTOR_MAX: Final = 10.0
_SHOWN: Final = 12
"""Faults named in one message; the rest is counted."""


@dataclass
class _Check:
    """Collects every fault of a file, so that one message can name them all."""

    name: str
    faults: list[str] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)

    def table(self, parent: Mapping[str, Any], key: str, known: tuple[str, ...] | None,
              path: str | None = None) -> Mapping[str, Any]:
        """A sub-table, its unknown keys noted; empty where absent."""
        path = path or key
        value = parent.get(key, {})
        if not isinstance(value, Mapping):
            self.faults.append(f"{path} must be a table, written [{path}]")
            return {}
        if known is not None:
            for name in value:
                if name not in known:
                    near = get_close_matches(name, known, 1) if len(self.unknown) < _SHOWN else []
                    hint = f" (did you mean {near[0]}?)" if near else ""
                    self.unknown.append(f"[{path}] {name[:40]}{hint}")
        return value

    def number(self, table: Mapping[str, Any], path: str, key: str, low: float, high: float,
               above: bool = False) -> float | None:
        """A finite number within limits, or None; booleans and text are faults."""
        if key not in table:
            return None
        value = table[key]
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.faults.append(f"[{path}] {key} = {_shown(value)} is not a number")
            return None
        try:
            value = float(value)
        except OverflowError:
            value = math.inf
        if not math.isfinite(value) or not low <= value <= high or (above and value <= low):
            bound = f"above {low:g}" if above else f"at least {low:g}"
            self.faults.append(
                f"[{path}] {key} = {value:g} is not possible ({bound}, at most {high:g})")
            return None
        return value


def read_boat_file(path: str | Path) -> Boat:
    """Read a boat file; see ``read_boat_file_with_findings`` for what it says about it.

    Parameters
    ----------
    path : str or Path
        TOML; every key optional.

    Returns
    -------
    Boat

    Raises
    ------
    BoatFileError
        Naming every fault at once.
    """
    return read_boat_file_with_findings(path)[0]


def _hull_and_sizes(check: _Check, data: Mapping[str, Any]) -> dict[str, Any]:
    """Fields of the boat from ``[boat]``."""
    hull = check.table(data, "boat", ("name", "hull", "zone", *_BOAT))
    label = hull.get("name", "")
    if not isinstance(label, str):
        check.faults.append(f"[boat] name = {_shown(label)} is not a text")
        label = ""
    sizes = {key: check.number(hull, "boat", key, 0.0, top, above=True)
             for key, top in _BOAT.items()}
    return {"name": " ".join(label.split()), **sizes, "hull": _hull(check, hull),
            "zone": _named_zone(check, hull)}


def _rudder(check: _Check, data: Mapping[str, Any]) -> Rudder:
    blade = check.table(data, "rudder", ("count", *_RUDDER))
    count = check.number(blade, "rudder", "count", 1, 4)
    if count is not None and count != int(count):
        check.faults.append(f"[rudder] count = {count:g} is not a whole number")
        count = None
    areas = {key: check.number(blade, "rudder", key, 0.0, top, above=True)
             for key, top in _RUDDER.items()}
    return Rudder(count=int(count or 1), **areas)


def _reference(check: _Check, data: Mapping[str, Any], beside: Path) -> ReferencePolar | None:
    """The polar that ``[polar] reference`` names, a file beside the boat file."""
    name = check.table(data, "polar", ("reference",)).get("reference")
    if name is None:
        return None
    if not isinstance(name, str) or not name:
        check.faults.append(f"[polar] reference = {_shown(name)} is not a file's name")
        return None
    try:
        return read_reference_polar(beside / name)
    except ValueError as error:
        check.faults.append(f"[polar] reference: {error}")
        return None


def read_boat_file_with_findings(path: str | Path) -> tuple[Boat, list[Finding]]:
    """Read a boat file and say which of its keys were not understood.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Boat
    list of Finding
        Unknown keys and doubtful pairs of values; none of them stops the analysis.

    Raises
    ------
    BoatFileError
        Not readable, not TOML, or values that cannot be: all faults in one message.
    """
    path = Path(path)
    data = _parse(path)
    check = _Check(path.name)
    check.unknown += [f"[{name}]" for name in data if name not in _TABLES]
    boat = Boat(
        **_hull_and_sizes(check, data), rudder=_rudder(check, data),
        sensors=_sensors(check, data), tanks=_tanks(check, data), columns=_columns(check, data),
        names=_names(check, data), reference=_reference(check, data, path.parent),
    )
    if check.faults:
        raise BoatFileError(f"{path.name}: {_some(check.faults, '; ')}")
    findings = []
    if check.unknown:
        findings.append(Finding(
            "boat-file-unknown-key",
            f"{path.name}: not understood and left out: {_some(check.unknown, ', ')}."))
    if boat.loa_m and boat.lwl_m and boat.lwl_m > boat.loa_m:
        findings.append(Finding(
            "boat-file-doubtful",
            f"{path.name}: lwl_m {boat.lwl_m:g} is longer than loa_m {boat.loa_m:g}; "
            "one of the two is wrong."))
    return boat, findings


def write_sensor_corrections(path: str | Path, corrections: Mapping[str, float]) -> Path:
    """Set keys of ``[sensors]`` in a boat file; comments, order and all else stay as they are.

    The old file is kept beside it as ``NAME.bak`` (``NAME.bak1``, ... where that exists), and the
    new one replaces it in one step, so that an interruption leaves one whole file.

    Parameters
    ----------
    path : str or Path
        Boat file that exists and is valid.
    corrections : mapping of str to float
        Keys of ``Sensors``, in the sense of the boat file (added or multiplied).

    Returns
    -------
    Path
        The backup.

    Raises
    ------
    BoatFileError
        The file, a key or a value cannot be used; nothing was written then.
    """
    import tomlkit

    path = Path(path)
    read_boat_file(path)
    check = _Check(path.name)
    for key in corrections:
        if key not in (*_FACTORS, *_OFFSETS):
            check.faults.append(f"{key} is no key of [sensors]")
    _check_sensors(check, corrections)
    if check.faults:
        raise BoatFileError(f"{path.name}: not written: {_some(check.faults, '; ')}")

    original = path.read_bytes()
    text = original.decode("utf-8-sig")
    document = tomlkit.parse(text)
    if "sensors" not in document:
        document["sensors"] = tomlkit.table()
    sensors: Any = document["sensors"]
    for key, value in corrections.items():
        sensors[key] = float(value)
    written = tomlkit.dumps(document).encode("utf-8")
    _parse_bytes(path, written)

    backup = _free_name(path)
    try:
        _replace(backup, original, path)
        _replace(path.resolve(), written, path)
    except OSError as error:
        raise BoatFileError(f"{path.name}: cannot be written: {_reason(error)}") from error
    return backup


def logged_channel(name: str) -> str | None:
    """Channel under which a logged column of this name is kept, or None where there is none.

    ``tws_kn`` is kept as ``tws_logged_kn``: what the instruments computed is never mixed with
    what the analysis derives.
    """
    name = name.strip()
    name = LOGGED_AS.get(name, name)
    if name.startswith("tank:") and len(name) > 5:
        return name
    channel = CHANNELS.get(name)
    return name if channel is not None and channel.logged else None


def _hull(check: _Check, table: Mapping[str, Any]) -> str:
    value = table.get("hull", "")
    if value in ("", *HULLS):
        return str(value)
    check.faults.append(f"[boat] hull = {_shown(value)} is none of {', '.join(HULLS)}")
    return ""


def _named_zone(check: _Check, table: Mapping[str, Any]) -> str:
    value = table.get("zone", "")
    try:
        return str(value) if not value else ZoneInfo(value).key
    except (KeyError, ValueError, OSError, TypeError, AttributeError):
        check.faults.append(f"[boat] zone = {_shown(value)} is no time zone like Europe/Paris")
        return ""


def _names(check: _Check, data: Mapping[str, Any]) -> Names:
    table = check.table(data, "names", ("helms", "sails"))
    return Names(_spellings(check, table, "helms"), _spellings(check, table, "sails"))


def _is_texts(value: Any) -> TypeGuard[list[str]]:
    """Whether a value is a list of texts."""
    return isinstance(value, list) and all(isinstance(text, str) for text in value)


def _spellings(check: _Check, table: Mapping[str, Any], key: str) -> dict[str, tuple[str, ...]]:
    """``["Marit", "Jonas"]``, or ``{ reacher = ["Code 0"] }`` with other spellings."""
    value = table.get(key, [])
    if _is_texts(value):
        value = {name: [] for name in value}
    if not isinstance(value, Mapping) or not all(_is_texts(forms) for forms in value.values()):
        check.faults.append(f'[names] {key} must be written ["NAME", ...] or '
                            '{ NAME = ["other spelling", ...] }')
        return {}
    return {" ".join(str(name).split()): tuple(forms) for name, forms in value.items()}


def mapped_channel(text: str) -> tuple[str, str]:
    """Channel and unit of an entry under ``[columns]``.

    ``"stw_kn (km/h)"`` and ``"stw_kn km/h"`` give ``("stw_kn", "km/h")``; no unit is empty.
    """
    text = text.strip()
    if text.startswith("tank:"):
        return text, ""
    name, _, unit = text.partition(" ")
    return name, unit.strip().removeprefix("(").removesuffix(")").strip().lower()


def _sensors(check: _Check, data: Mapping[str, Any]) -> Sensors:
    table = check.table(data, "sensors", (*_FACTORS, *_OFFSETS))
    found: dict[str, Any] = {key: value for key, value in _check_sensors(check, table).items()
                             if value is not None}
    return replace(Sensors(), **found)


def _check_sensors(check: _Check, table: Mapping[str, Any]) -> dict[str, float | None]:
    found = {key: check.number(table, "sensors", key, 0.0, _FACTOR_MAX, above=True)
             for key in _FACTORS}
    for key, top in _OFFSETS.items():
        found[key] = check.number(table, "sensors", key, -top, top)
    return found


def _tanks(check: _Check, data: Mapping[str, Any]) -> dict[str, Tank]:
    tanks = {}
    for name in check.table(data, "tanks", None):
        path = f"tanks.{name}"
        table = check.table(data["tanks"], name, ("capacity_l", "density_kg_l"), path)
        capacity = check.number(table, path, "capacity_l", 0.0, 1e6, above=True)
        density = check.number(table, path, "density_kg_l", 0.0, 20.0, above=True)
        if capacity is None:
            if isinstance(data["tanks"][name], Mapping) and "capacity_l" not in table:
                check.faults.append(f"[{path}] needs capacity_l")
            continue
        if density is None:
            holds_fuel = any(word in name.lower() for word in ("fuel", "diesel"))
            density = DIESEL_KG_L if holds_fuel else 1.0
        tanks[name] = Tank(capacity_l=capacity, density_kg_l=density)
    return tanks


def _columns(check: _Check, data: Mapping[str, Any]) -> dict[str, str]:
    columns = {}
    for header, channel in check.table(data, "columns", None).items():
        if not isinstance(channel, str):
            check.faults.append(f'[columns] "{header}" = {_shown(channel)} is not a channel name')
            continue
        wanted = channel.strip()
        name, unit = mapped_channel(wanted)
        if name not in ("", "time", "date") and logged_channel(name) is None:
            few = len(check.faults) < _SHOWN
            near = get_close_matches(name, [*CHANNELS, *LOGGED_AS], 1) if few else []
            hint = f"; did you mean {near[0]}?" if near else ""
            check.faults.append(f'[columns] "{header}" = {_shown(wanted)} is no channel{hint}')
            continue
        if unit and not _understood(name, unit):
            check.faults.append(f'[columns] "{header}" = {_shown(wanted)}: {unit} is no unit of '
                                f"{name} known here")
            continue
        columns[header] = wanted
    return columns


def _understood(channel: str, unit: str) -> bool:
    from sailanalysis.read.csv.header import understands

    return channel not in ("", "time", "date") and understands(channel, unit)


def _parse(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as handle:
            raw = handle.read(MAX_BYTES + 1)
    except OSError as error:
        raise BoatFileError(f"{path.name}: cannot be read: {_reason(error)}") from error
    if len(raw) > MAX_BYTES:
        raise BoatFileError(f"{path.name}: larger than {MAX_BYTES // 1_000_000} MB, which is no "
                            "boat file")
    return _parse_bytes(path, raw)


def _parse_bytes(path: Path, raw: bytes) -> dict[str, Any]:
    try:
        return tomllib.loads(raw.decode("utf-8-sig").replace("\r\n", "\n"))
    except UnicodeDecodeError as error:
        raise BoatFileError(f"{path.name}: is not UTF-8 text (byte {error.start})") from error
    except RecursionError as error:
        raise BoatFileError(f"{path.name}: is nested too deeply for a boat file") from error
    except ValueError as error:  # TOMLDecodeError, and int() refusing thousands of digits
        raise BoatFileError(f"{path.name}: is not valid TOML: {error}") from error


def _free_name(path: Path) -> Path:
    backup = path.with_name(path.name + ".bak")
    number = 0
    while backup.exists():
        number += 1
        backup = path.with_name(f"{path.name}.bak{number}")
    return backup


def _replace(target: Path, content: bytes, like: Path) -> None:
    """Write aside, then rename; the permissions are those of the boat file."""
    descriptor, aside = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    try:
        with os.fdopen(descriptor, "wb") as handle:
            handle.write(content)
            handle.flush()
            os.fsync(handle.fileno())
        os.chmod(aside, like.stat().st_mode & 0o7777)
        os.replace(aside, target)
    except BaseException:
        Path(aside).unlink(missing_ok=True)
        raise


def _reason(error: OSError) -> str:
    return (error.strerror or str(error)).lower()


def _some(items: list[str], mark: str) -> str:
    more = f"{mark}and {len(items) - _SHOWN} more" if len(items) > _SHOWN else ""
    return mark.join(items[:_SHOWN]) + more


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."
