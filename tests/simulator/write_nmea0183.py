"""A day as an NMEA 0183 (IEC 61162-1) log, tidy or as untidy as loggers are."""

from __future__ import annotations

import gzip
import io
import itertools
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from .day import SimulatedDay

Columns = dict[str, tuple[np.ndarray, np.ndarray]]


@dataclass(frozen=True)
class LogFaults:
    """What goes wrong between instrument and file.

    Attributes
    ----------
    bad_checksum_share, cut_share, rubbish_share, empty_share : float
        Share of lines so spoilt: wrong checksum, cut short, binary bytes, fields left empty.
    no_checksum : bool
        No checksum at all.
    no_date : bool
        Neither RMC's date nor ZDA.
    dateless_s : float
        That long at the start without a date or fix.
    weeks_early : int
        Dates this many weeks early (1024 is the receiver's week rollover).
    prefix : {"", "iso", "epoch_s", "epoch_ms", "tag"}
        Receive time in front of each line; ``tag`` is a TAG block.
    logger_clock_error_s : float
        The receive times are wrong by this much.
    gps_latency_s : float
        From fix to line.
    second_gps : bool
        Another, poorer receiver on the same wire.
    foreign : bool
        Proprietary and AIS lines in between.
    true_wind : bool
        The instruments' own true wind (from uncorrected values), once a second.
    variation : bool
        The log gives the magnetic variation.
    heading : {"HDG", "HDM", "HDT"}
        Which sentence carries the heading.
    wind : {"MWV", "VWR"}
        Which sentence carries the apparent wind.
    positions : tuple of str
        Which of RMC, GGA, GLL, VTG, ZDA are sent.
    crlf : bool
        Line ends.
    seed : int
        Of the faults.
    """

    bad_checksum_share: float = 0.0
    cut_share: float = 0.0
    rubbish_share: float = 0.0
    empty_share: float = 0.0
    no_checksum: bool = False
    no_date: bool = False
    dateless_s: float = 0.0
    weeks_early: int = 0
    prefix: str = ""
    logger_clock_error_s: float = 0.0
    gps_latency_s: float = 0.2
    second_gps: bool = False
    foreign: bool = False
    true_wind: bool = False
    variation: bool = True
    heading: str = "HDG"
    wind: str = "MWV"
    positions: tuple[str, ...] = ("RMC", "GGA", "VTG", "ZDA")
    crlf: bool = True
    seed: int = 1


def write_nmea0183(day: SimulatedDay, path: str | Path, rotate_s: float | None = None,
                   faults: LogFaults | None = None, **changes: Any) -> list[Path]:
    """Write the log.

    Parameters
    ----------
    day : SimulatedDay
        The day.
    path : path
        A file; compressed where it ends in ``.gz``. With ``rotate_s`` a number is put before the
        suffixes: ``log.nmea.gz`` becomes ``log-01.nmea.gz``.
    rotate_s : float, optional
        Seconds after which a new file is begun.
    faults : LogFaults, optional
        Untidiness; its fields may also be given by keyword.

    Returns
    -------
    list of Path
        Files in order.
    """
    faults = replace(faults or LogFaults(), **changes)
    time_s, lines = sentences(day, faults)
    path = Path(path)
    if rotate_s is None:
        _write(path, lines)
        return [path]
    edges = np.searchsorted(time_s, np.arange(day.start_s, time_s[-1] + rotate_s, rotate_s))
    parts = [(i, j) for i, j in itertools.pairwise(edges) if j > i]
    stem, *suffixes = path.name.split(".")
    paths = []
    for number, (i, j) in enumerate(parts, start=1):
        target = path.with_name(".".join([f"{stem}-{number:02d}", *suffixes]))
        _write(target, lines[i:j])
        paths.append(target)
    return paths


def sentences(day: SimulatedDay, faults: LogFaults) -> tuple[np.ndarray, list[bytes]]:
    """All lines with line ends, in order of arrival, and the times they arrived at."""
    rng = np.random.default_rng([day.seed, faults.seed, 183])
    groups = list(_bodies(day, faults, rng))
    end = b"\r\n" if faults.crlf else b"\n"
    times, texts = [], []
    for at, bodies in groups:
        times.append(at)
        texts.append(_close(bodies, faults))
    time_s = np.concatenate(times)
    lines = [line for text in texts for line in text]
    order = np.argsort(time_s, kind="stable")
    time_s = time_s[order]
    lines = [lines[i] for i in order]
    lines = _spoil(lines, faults, rng)
    if faults.prefix:
        lines = _stamp(time_s + faults.logger_clock_error_s, lines, faults.prefix)
    return time_s, [line + end for line in lines]


def _write(path: Path, lines: list[bytes]) -> None:
    raw = b"".join(lines)
    if path.name.endswith(".gz"):
        packed = io.BytesIO()
        # No name and no time in the header: the same day gives the same bytes.
        with gzip.GzipFile(filename="", fileobj=packed, mode="wb", compresslevel=9, mtime=0) as out:
            out.write(raw)
        raw = packed.getvalue()
    path.write_bytes(raw)


def checksums(bodies: list[str]) -> np.ndarray:
    """XOR of each body's characters, all at once, shape (n,)."""
    table = np.array(bodies, dtype="S")
    bytes_ = table.view(np.uint8).reshape(len(bodies), table.itemsize)
    # The padding is zero and leaves an XOR as it is.
    return np.bitwise_xor.reduce(bytes_, axis=1)


def _close(bodies: list[str], faults: LogFaults) -> list[bytes]:
    if faults.no_checksum:
        return [b"$%b" % body.encode() for body in bodies]
    return [b"$%b*%02X" % (body.encode(), check)
            for body, check in zip(bodies, checksums(bodies).tolist(), strict=True)]


def _bodies(day: SimulatedDay, faults: LogFaults, rng: np.random.Generator,
            ) -> Iterable[tuple[np.ndarray, list[str]]]:
    logged = day.logged
    if "lat" in logged:
        yield from _position(logged, faults, rng, day.scenario.variation_deg, "GP")
        if faults.second_gps:
            other = dict(logged)
            for name, spread in (("lat", 4e-5), ("lon", 6e-5), ("sog_kn", 0.25)):
                at, value = logged[name]
                other[name] = (at, np.abs(value + spread * rng.standard_normal(len(value)))
                               if name == "sog_kn" else
                               value + spread * rng.standard_normal(len(value)))
            at, value = logged["cog_deg"]
            other["cog_deg"] = (at, (value + 4 * rng.standard_normal(len(value))) % 360.0)
            yield from _position(other, faults, rng, day.scenario.variation_deg, "II")
    variation = day.scenario.variation_deg
    name = "hdg_mag_deg" if "hdg_mag_deg" in logged else "hdg_deg"
    if name in logged:
        at, value = logged[name]
        yield at, _heading(value, name, variation, faults)
    if "stw_kn" in logged:
        at, value = logged["stw_kn"]
        yield at, [f"VWVHW,,T,,M,{v:.2f},N,{k:.2f},K" for v, k in
                   zip(value.tolist(), (value * 1.852).tolist(), strict=True)]
    if "awa_deg" in logged:
        at, angle = logged["awa_deg"]
        speed = _at(logged["aws_kn"], at)
        if faults.wind == "MWV":
            yield at, ["WIMWV,{:.1f},R,{:.1f},N,A".format(*pair) for pair in
                       zip((np.round(angle, 1) % 360.0).tolist(), speed.tolist(), strict=True)]
        else:
            yield at, [f"WIVWR,{abs(a):.0f},{'R' if a >= 0 else 'L'},{s:.1f},N,,M,,K" for a, s in
                       zip(angle.tolist(), speed.tolist(), strict=True)]
    if "rudder_deg" in logged:
        at, value = logged["rudder_deg"]
        yield at, [f"IIRSA,{v:.1f},A,," for v in value.tolist()]
    if "heel_deg" in logged:
        at, value = logged["heel_deg"]
        yield at, ["IIXDR,A,{:.1f},D,ROLL,A,{:.1f},D,PITCH".format(*pair) for pair in
                   zip(value.tolist(), _at(logged["trim_deg"], at).tolist(), strict=True)]
    if "rate_of_turn_deg_s" in logged:
        at, value = logged["rate_of_turn_deg_s"]
        yield at, [f"TIROT,{v:.1f},A" for v in (value * 60.0).tolist()]
    if "depth_m" in logged:
        at, value = logged["depth_m"]
        yield at, ["SDDPT,%.1f,0.4" % (v - 0.4) for v in value.tolist()]
    if "engine_rpm" in logged:
        at, value = logged["engine_rpm"]
        yield at, [f"IIRPM,E,1,{v:.0f},,A" for v in value.tolist()]
    if faults.true_wind and {"awa_deg", "stw_kn", name} <= set(logged):
        yield from _own_true_wind(logged, name, variation)
    if faults.foreign:
        at = np.sort(rng.uniform(day.start_s, day.start_s + len(day.truth) / 10, 200))
        yield at, ["PVEND,1,2,3" if i % 2 else "GPGSV,1,1,00" for i in range(len(at))]


def _heading(value: np.ndarray, name: str, variation: float, faults: LogFaults) -> list[str]:
    if faults.heading == "HDT" or name == "hdg_deg":
        true = value if name == "hdg_deg" else (value + variation) % 360.0
        return [f"HCHDT,{v:.1f},T" for v in true.tolist()]
    if faults.heading == "HDM":
        return [f"HCHDM,{v:.1f},M" for v in value.tolist()]
    tail = f"{abs(variation):.1f},{'E' if variation >= 0 else 'W'}" if faults.variation else ","
    return [f"HCHDG,{v:.1f},,,{tail}" for v in value.tolist()]


def _position(logged: Columns, faults: LogFaults, rng: np.random.Generator, variation: float,
              talker: str) -> Iterable[tuple[np.ndarray, list[str]]]:
    at, lat = logged["lat"]
    lon = logged["lon"][1]
    sog, cog = logged["sog_kn"][1], logged["cog_deg"][1]
    arrival = at + faults.gps_latency_s + rng.uniform(0, 0.04, len(at))
    clock = [_hms(t) for t in at.tolist()]
    date = [_dmy(t - faults.weeks_early * 604800.0) for t in at.tolist()]
    place = _places(lat, lon)
    dated = (at - at[0] >= faults.dateless_s) & (not faults.no_date)
    seen = at - at[0] >= faults.dateless_s
    tail = f"{abs(variation):.1f},{'E' if variation >= 0 else 'W'}" if faults.variation else ","
    if "RMC" in faults.positions:
        yield arrival, [
            f"{talker}RMC,{c},A,{p},{s:.1f},{g:.1f},{d if known else ''},{tail},A" if ok else
            f"{talker}RMC,{c},V,,,,,,,,,,N"
            for c, p, s, g, d, known, ok in zip(clock, place, sog.tolist(), cog.tolist(), date,
                                                dated.tolist(), seen.tolist(), strict=True)]
    if "GGA" in faults.positions:
        yield arrival + 0.02, [f"{talker}GGA,{c},{p if ok else ',,,'},{1 if ok else 0},09,0.9,"
                               f"2.1,M,44.5,M,,"
                               for c, p, ok in zip(clock, place, seen.tolist(), strict=True)]
    if "GLL" in faults.positions:
        yield arrival + 0.03, [f"{talker}GLL,{p if ok else ',,,'},{c},{'A' if ok else 'V'},A"
                               for c, p, ok in zip(clock, place, seen.tolist(), strict=True)]
    if "VTG" in faults.positions:
        magnetic = np.round((cog - variation) % 360.0, 1) % 360.0
        yield arrival + 0.04, [
            f"{talker}VTG,{g:.1f},T,{m:.1f},M,{s:.1f},N,{k:.1f},K,A" for g, m, s, k in
            zip(cog.tolist(), magnetic.tolist(), sog.tolist(), (sog * 1.852).tolist(),
                strict=True)]
    if "ZDA" in faults.positions and not faults.no_date:
        pick = np.flatnonzero((np.arange(len(at)) % max(1, round(10 / _period(at))) == 0) & seen)
        yield arrival[pick] + 0.05, [
            f"{talker}ZDA,{clock[i]},{_dmy_long(at[i] - faults.weeks_early * 604800.0)},00,00"
            for i in pick.tolist()]


def _own_true_wind(logged: Columns, name: str, variation: float,
                   ) -> Iterable[tuple[np.ndarray, list[str]]]:
    """What instruments show as true wind: from raw values, no leeway."""
    start = max(logged[key][0][0] for key in ("awa_deg", "stw_kn", name))
    end = min(logged[key][0][-1] for key in ("awa_deg", "stw_kn", name))
    at = np.arange(np.ceil(start), end) + 0.6
    angle = np.radians(_at(logged["awa_deg"], at))
    speed, stw = _at(logged["aws_kn"], at), _at(logged["stw_kn"], at)
    ahead, abeam = speed * np.cos(angle) - stw, speed * np.sin(angle)
    tws, twa = np.hypot(ahead, abeam), np.degrees(np.arctan2(abeam, ahead))
    yield at, ["WIMWV,{:.1f},T,{:.1f},N,A".format(*pair) for pair in
               zip((np.round(twa % 360.0, 1) % 360.0).tolist(), tws.tolist(), strict=True)]
    heading = _at(logged[name], at)
    magnetic = heading if name == "hdg_mag_deg" else heading - variation
    true = np.round((magnetic + variation + twa) % 360.0, 1) % 360.0
    yield at + 0.01, ["WIMWD,{:.1f},T,{:.1f},M,{:.1f},N,{:.1f},M".format(*row) for row in
                      zip(true.tolist(), (np.round(true - variation, 1) % 360.0).tolist(),
                          tws.tolist(), (tws * 1852 / 3600).tolist(), strict=True)]


def _spoil(lines: list[bytes], faults: LogFaults, rng: np.random.Generator) -> list[bytes]:
    shares = (faults.bad_checksum_share, faults.cut_share, faults.rubbish_share,
              faults.empty_share)
    if not any(shares):
        return lines
    lucky = rng.random(len(lines))
    edges = np.cumsum(shares)
    for i in np.flatnonzero(lucky < edges[-1]).tolist():
        line = lines[i]
        kind = int(np.searchsorted(edges, lucky[i], side="right"))
        if kind == 0:
            at = int(rng.integers(7, max(8, len(line) - 3)))
            lines[i] = line[:at] + bytes([48 + (line[at] - 47) % 10]) + line[at + 1:]
        elif kind == 1:
            lines[i] = line[:int(rng.integers(1, max(2, len(line) - 3)))]
        elif kind == 2:
            lines[i] = rng.integers(1, 256, int(rng.integers(5, 60)), dtype=np.uint8).tobytes(
                ).replace(b"\n", b"?").replace(b"\r", b"?")
        else:
            body = line[1:].split(b"*")[0].decode("latin-1").split(",")
            empty = ",".join([body[0], *[""] * (len(body) - 1)])
            lines[i] = _close([empty], faults)[0]
    return lines


def _stamp(time_s: np.ndarray, lines: list[bytes], prefix: str) -> list[bytes]:
    stamped = []
    for at, line in zip(time_s.tolist(), lines, strict=True):
        if prefix == "iso":
            head = (_iso(at) + " ").encode()
        elif prefix == "epoch_s":
            head = b"%.3f " % at
        elif prefix == "epoch_ms":
            head = b"%d " % round(at * 1000)
        elif prefix == "tag":
            inner = f"s:log,c:{int(at)}"
            head = f"\\{inner}*{checksums([inner])[0]:02X}\\".encode()
        else:
            raise ValueError(f"unknown prefix {prefix!r}")
        stamped.append(head + line)
    return stamped


def _at(series: tuple[np.ndarray, np.ndarray], at: np.ndarray) -> np.ndarray:
    """The last value sent."""
    time_s, value = series
    return value[np.maximum(np.searchsorted(time_s, at + 1e-6, side="right") - 1, 0)]


def _period(at: np.ndarray) -> float:
    return float(np.median(np.diff(at))) if len(at) > 1 else 1.0


def _places(lat: np.ndarray, lon: np.ndarray) -> list[str]:
    def half(value: np.ndarray, width: int, letters: str) -> list[str]:
        # Minutes to four places; rounded as a whole so that 60.0000 cannot come out.
        units = np.round(np.abs(value) * 600000.0).astype(np.int64)
        degrees, rest = units // 600000, units % 600000
        return [f"{d:0{width}d}{m:07.4f},{letters[0] if p else letters[1]}" for d, m, p in
                zip(degrees.tolist(), (rest / 10000.0).tolist(), (value >= 0).tolist(),
                    strict=True)]
    return [f"{a},{b}" for a, b in zip(half(lat, 2, "NS"), half(lon, 3, "EW"), strict=True)]


def _hms(at: float) -> str:
    hundredths = round(at * 100) % 8640000
    whole, part = divmod(hundredths, 100)
    return f"{whole // 3600:02d}{whole // 60 % 60:02d}{whole % 60:02d}.{part:02d}"


def _date(at: float) -> np.datetime64:
    return np.datetime64(round(at * 100) // 8640000, "D")


def _dmy(at: float) -> str:
    year, month, day = str(_date(at)).split("-")
    return f"{day}{month}{year[2:]}"


def _dmy_long(at: float) -> str:
    year, month, day = str(_date(at)).split("-")
    return f"{day},{month},{year}"


def _iso(at: float) -> str:
    return str(np.datetime64(round(at * 1000), "ms")) + "Z"
