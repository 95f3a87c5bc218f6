"""A day as a text capture of an NMEA 2000 bus: frames with 29-bit identifiers."""

from __future__ import annotations

import gzip
import io
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from .boats import KNOT
from .day import SimulatedDay

ADDRESS = {"gps": 3, "compass": 35, "speed": 5, "wind": 6, "rudder": 204, "engine": 16,
           "depth": 5, "tank": 17}
PRIORITY = {126992: 3, 127237: 2, 127245: 2, 127250: 2, 127251: 2, 127257: 3, 127258: 7,
            127488: 2, 127505: 6, 128259: 2, 128267: 3, 129025: 2, 129026: 2, 129029: 3,
            130306: 2}
Frames = tuple[int, int, np.ndarray, np.ndarray]


def write_nmea2000(day: SimulatedDay, path: str | Path, form: str = "candump",
                   tanks: dict[str, float] | None = None, whole_fast: bool = False) -> Path:
    """Write the capture.

    Parameters
    ----------
    day : SimulatedDay
        The day.
    path : path
        File; ``.gz`` compresses.
    form : {"candump", "comma"}
        ``(1690000000.123456) can0 09F80115#...`` or ISO time, priority, number, source,
        destination, length, bytes.
    tanks : dict, optional
        Kind of fluid (``fuel``, ``water``) -> level 0 to 1, sent every 2.5 s.
    whole_fast : bool
        Comma form only: fast packets joined to one line, as some recorders write them.

    Returns
    -------
    Path
    """
    if form not in ("candump", "comma"):
        raise ValueError(f"unknown form {form!r}")
    times, lines = [], []
    for pgn, source, at, payload in _messages(day, tanks or {}):
        if payload.shape[1] > 8 and not (whole_fast and form == "comma"):
            at, payload = _split(at, payload)
        times.append(at)
        lines.append(_text(pgn, source, at, payload, form))
    time_s = np.concatenate(times)
    order = np.argsort(time_s, kind="stable")
    flat = [line for part in lines for line in part]
    raw = ("\n".join(flat[i] for i in order) + "\n").encode()
    path = Path(path)
    if path.name.endswith(".gz"):
        packed = io.BytesIO()
        with gzip.GzipFile(filename="", fileobj=packed, mode="wb", mtime=0) as out:
            out.write(raw)
        raw = packed.getvalue()
    path.write_bytes(raw)
    return path


def _text(pgn: int, source: int, at: np.ndarray, payload: np.ndarray, form: str) -> list[str]:
    packed = np.ascontiguousarray(payload)
    rows = [row.tobytes() for row in packed]
    priority = PRIORITY[pgn]
    if form == "candump":
        # A number with a destination byte (PDU1) would need it in the identifier; all here
        # are broadcasts.
        head = f"{(priority << 26) | (pgn << 8) | source:08X}"
        return [f"({t:.6f}) can0 {head}#{row.hex().upper()}" for t, row in
                zip(at.tolist(), rows, strict=True)]
    stamps = np.datetime_as_string((np.round(at * 1000)).astype("int64").astype("datetime64[ms]"))
    return [f"{t}Z,{priority},{pgn},{source},255,{len(row)},{row.hex(',')}" for t, row in
            zip(stamps.tolist(), rows, strict=True)]


def _split(at: np.ndarray, payload: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Fast packets as frames of eight: sequence and frame number, then length, then bytes."""
    n, size = payload.shape
    count = 1 + -(-(size - 6) // 7)
    frames = np.full((n, count, 8), 0xFF, np.uint8)
    sequence = (np.arange(n) % 8 << 5).astype(np.uint8)
    for k in range(count):
        frames[:, k, 0] = sequence | k
    frames[:, 0, 1] = size
    frames[:, 0, 2:8] = payload[:, :6]
    for k in range(1, count):
        part = payload[:, 6 + 7 * (k - 1):6 + 7 * k]
        frames[:, k, 1:1 + part.shape[1]] = part
    times = at[:, None] + 0.0005 * np.arange(count)[None, :]
    return times.ravel(), frames.reshape(-1, 8)


def _messages(day: SimulatedDay, tanks: dict[str, float]) -> Iterable[Frames]:
    logged = day.logged
    if "lat" in logged:
        at = logged["lat"][0]
        lat, lon = logged["lat"][1], logged["lon"][1]
        late = at + 0.2
        days = np.floor(at / 86400.0)
        tenth_ms = np.round((at - days * 86400.0) * 1e4)
        sid = _sid(len(at))
        yield 129025, ADDRESS["gps"], late, _pack(
            (lat * 1e7, "<i4"), (lon * 1e7, "<i4"))
        yield 129026, ADDRESS["gps"], late + 0.002, _pack(
            (sid, "u1"), (np.full(len(at), 0xFC), "u1"),
            (_turn(logged["cog_deg"][1]), "<u2"), (logged["sog_kn"][1] * KNOT * 100, "<u2"),
            (np.full(len(at), 0xFFFF), "<u2"))
        yield 126992, ADDRESS["gps"], late + 0.004, _pack(
            (sid, "u1"), (np.full(len(at), 0xF0), "u1"), (days, "<u2"), (tenth_ms, "<u4"))
        yield 129029, ADDRESS["gps"], late + 0.006, _pack(
            (sid, "u1"), (days, "<u2"), (tenth_ms, "<u4"), (_fine(lat), "<i8"), (_fine(lon), "<i8"),
            (np.full(len(at), 2_000_000), "<i8"), (np.full(len(at), 0x10), "u1"),
            (np.full(len(at), 0xFC), "u1"), (np.full(len(at), 9), "u1"),
            (np.full(len(at), 90), "<i2"), (np.full(len(at), 150), "<i2"),
            (np.full(len(at), 4450), "<i4"), (np.full(len(at), 0), "u1"))
        pick = slice(None, None, max(1, round(1.0 / float(np.median(np.diff(at))))))
        n = len(at[pick])
        yield 127258, ADDRESS["gps"], late[pick] + 0.01, _pack(
            (_sid(n), "u1"), (np.full(n, 0xF8), "u1"), (days[pick], "<u2"),
            (_signed(logged["variation_deg"][1][pick]), "<i2"), (np.full(n, 0xFFFF), "<u2"))
    name = "hdg_mag_deg" if "hdg_mag_deg" in logged else "hdg_deg"
    if name in logged:
        at, value = logged[name]
        n = len(at)
        yield 127250, ADDRESS["compass"], at, _pack(
            (_sid(n), "u1"), (_turn(value), "<u2"), (np.full(n, 0x7FFF), "<i2"),
            (np.full(n, 0x7FFF), "<i2"),
            (np.full(n, 0xFD if name == "hdg_mag_deg" else 0xFC), "u1"))
    if "rate_of_turn_deg_s" in logged:
        at, value = logged["rate_of_turn_deg_s"]
        n = len(at)
        yield 127251, ADDRESS["compass"], at, _pack(
            (_sid(n), "u1"), (np.radians(value) / 3.125e-8, "<i4"), (np.full(n, 0xFF), "u1"),
            (np.full(n, 0xFFFF), "<u2"))
    if "heel_deg" in logged:
        at, value = logged["heel_deg"]
        n = len(at)
        yield 127257, ADDRESS["compass"], at, _pack(
            (_sid(n), "u1"), (np.full(n, 0x7FFF), "<i2"),
            (_signed(logged["trim_deg"][1]), "<i2"), (_signed(value), "<i2"),
            (np.full(n, 0xFF), "u1"))
    if "stw_kn" in logged:
        at, value = logged["stw_kn"]
        n = len(at)
        yield 128259, ADDRESS["speed"], at, _pack(
            (_sid(n), "u1"), (value * KNOT * 100, "<u2"), (np.full(n, 0xFFFF), "<u2"),
            (np.full(n, 0), "u1"), (np.full(n, 0xFFFF), "<u2"))
    if "depth_m" in logged:
        at, value = logged["depth_m"]
        n = len(at)
        yield 128267, ADDRESS["depth"], at, _pack(
            (_sid(n), "u1"), ((value - 0.4) * 100, "<u4"), (np.full(n, 400), "<i2"),
            (np.full(n, 0xFF), "u1"))
    if "awa_deg" in logged:
        at, value = logged["awa_deg"]
        n = len(at)
        yield 130306, ADDRESS["wind"], at, _pack(
            (_sid(n), "u1"), (_held(logged["aws_kn"], at) * KNOT * 100, "<u2"),
            (_turn(value), "<u2"), (np.full(n, 0xFA), "u1"), (np.full(n, 0xFFFF), "<u2"))
    if "rudder_deg" in logged:
        at, value = logged["rudder_deg"]
        n = len(at)
        yield 127245, ADDRESS["rudder"], at, _pack(
            (np.full(n, 0), "u1"), (np.full(n, 0xF8), "u1"), (np.full(n, 0x7FFF), "<i2"),
            (_signed(value), "<i2"), (np.full(n, 0xFFFF), "<u2"))
        yield from _autopilot(day)
    if "engine_rpm" in logged:
        at, value = logged["engine_rpm"]
        n = len(at)
        yield 127488, ADDRESS["engine"], at, _pack(
            (np.full(n, 0), "u1"), (value * 4, "<u2"), (np.full(n, 0xFFFF), "<u2"),
            (np.full(n, 0x7F), "u1"), (np.full(n, 0xFFFF), "<u2"))
    at = np.arange(day.start_s + 1.0, day.start_s + len(day.truth) / 10, 2.5)
    for kind, level in tanks.items():
        n = len(at)
        code = {"fuel": 0, "water": 1}[kind]
        yield 127505, ADDRESS["tank"], at, _pack(
            (np.full(n, code << 4), "u1"), (np.full(n, level * 100 / 0.004), "<i2"),
            (np.full(n, 2000), "<u4"), (np.full(n, 0xFF), "u1"))


def _autopilot(day: SimulatedDay) -> Iterable[Frames]:
    """Heading control every second: the mode tells whether the autopilot steers."""
    step = day.truth.iloc[::10]
    on = (step["helm"] == "autopilot").to_numpy()
    if not on.any():
        return
    n = len(step)
    at = day.start_s + np.arange(n) + 0.33
    mode = np.where(on, 3, 0)  # heading control standalone, or main steering
    none16 = np.full(n, 0x7FFF)
    any16 = np.full(n, 0xFFFF)
    yield 127237, ADDRESS["rudder"], at, _pack(
        (np.full(n, 0xFF), "u1"), (mode | (0x7 << 3), "u1"), (np.full(n, 0xFF), "u1"),
        (none16, "<i2"), (any16, "<u2"), (any16, "<u2"), (any16, "<u2"), (any16, "<u2"),
        (none16, "<i2"), (none16, "<i2"), (none16, "<i2"),
        (any16, "<u2"))


def _pack(*fields: tuple[np.ndarray, str]) -> np.ndarray:
    """Columns to rows of bytes, little endian."""
    parts = []
    for value, form in fields:
        kind = np.dtype(form)
        whole = np.asarray(value)
        if whole.dtype.kind == "f":
            whole = np.round(whole)
        parts.append(np.ascontiguousarray(whole.astype(kind)).view(np.uint8).reshape(
            len(whole), kind.itemsize))
    return np.concatenate(parts, axis=1)


def _sid(n: int) -> np.ndarray:
    return np.arange(n) % 253


def _turn(deg: np.ndarray) -> np.ndarray:
    """Angle 0 to 2 pi in units of 0.1 mrad."""
    return np.minimum(np.round(np.radians(np.asarray(deg) % 360.0) * 1e4), 62831)


def _signed(deg: np.ndarray) -> np.ndarray:
    return np.radians(deg) * 1e4


def _fine(deg: np.ndarray) -> np.ndarray:
    """Degrees in units of 1e-16, by way of integers of 1e-9 that a double holds exactly."""
    return np.round(deg * 1e9).astype(np.int64) * 10_000_000


def _held(series: tuple[np.ndarray, np.ndarray], at: np.ndarray) -> np.ndarray:
    time_s, value = series
    return value[np.maximum(np.searchsorted(time_s, at + 1e-6, side="right") - 1, 0)]
