"""A day as CSV, GPX 1.1 and Signal K deltas, and the two files a person writes."""

from __future__ import annotations

import csv
import gzip
import io
import json
from pathlib import Path

import numpy as np
import pandas as pd

from .boats import KNOT
from .day import SimulatedDay

HEADERS = {
    "lat": "Latitude", "lon": "Longitude", "sog_kn": "SOG (kn)", "cog_deg": "COG (deg)",
    "stw_kn": "STW (kn)", "hdg_mag_deg": "HDG (M)", "hdg_deg": "HDG (T)", "awa_deg": "AWA",
    "aws_kn": "AWS (kn)", "rudder_deg": "Rudder", "heel_deg": "Heel", "trim_deg": "Trim",
    "rate_of_turn_deg_s": "Rate of turn (deg/s)", "depth_m": "Depth (m)", "engine_rpm": "RPM",
    "variation_deg": "Variation"}
DECIMALS = {"lat": 7, "lon": 7, "stw_kn": 2, "rate_of_turn_deg_s": 2}


def write_csv(day: SimulatedDay, path: str | Path, rate_hz: float = 1.0, delimiter: str = ",",
              decimal: str = ".", headers: dict[str, str] | None = None,
              time_form: str = "iso") -> Path:
    """Write the logged channels on one clock.

    Parameters
    ----------
    day : SimulatedDay
        The day.
    path : path
        File; ``.gz`` compresses.
    rate_hz : float
        Rows a second.
    delimiter, decimal : str
        As in the file.
    headers : dict, optional
        Channel -> header; by default plain trade names.
    time_form : {"iso", "epoch", "date_time"}
        One ISO column, seconds since 1970, or two columns.
    """
    frame = day.logged_frame(rate_hz)
    frame = frame[[name for name in (headers or HEADERS) if name in frame]]
    names = headers or HEADERS
    time = frame.index
    columns: dict[str, object] = {}
    if time_form == "iso":
        columns["Time (UTC)"] = time.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z"
    elif time_form == "epoch":
        columns["epoch_s"] = [f"{t:.3f}" for t in time.as_unit("ms").asi8 / 1000.0]
    else:
        columns["Date"] = time.strftime("%d/%m/%Y")
        columns["Time"] = time.strftime("%H:%M:%S.%f").str[:-3]
    for name in frame:
        places = DECIMALS.get(str(name), 1)
        text = ["" if np.isnan(v) else f"{v:.{places}f}" for v in frame[name]]
        columns[names[str(name)]] = [t.replace(".", decimal) for t in text]
    table = pd.DataFrame(columns)
    _save(Path(path), table.to_csv(index=False, sep=delimiter, lineterminator="\n"))
    return Path(path)


def write_gpx(day: SimulatedDay, path: str | Path, every_s: float = 1.0,
              gaps_s: tuple[tuple[float, float], ...] = (), extensions: bool = True,
              clock_offset_s: float = 0.0) -> Path:
    """Write the track as GPX 1.1; a new segment after each gap (start, end in seconds of the day).

    ``clock_offset_s`` is added to the times: a phone whose clock is wrong.
    """
    at, lat = day.logged["lat"]
    lon, sog, cog = (day.logged[name][1] for name in ("lon", "sog_kn", "cog_deg"))
    step = max(1, round(every_s / float(np.median(np.diff(at)))))
    lines = ['<?xml version="1.0" encoding="UTF-8"?>',
             '<gpx version="1.1" creator="sailanalysis" '
             'xmlns="http://www.topografix.com/GPX/1/1">',
             "<trk><name>a day's sail</name><trkseg>"]
    last_gap = -1
    for i in range(0, len(at), step):
        since = at[i] - day.start_s
        inside = [k for k, (a, b) in enumerate(gaps_s) if a <= since < b]
        if inside:
            if inside[0] != last_gap:
                lines.append("</trkseg><trkseg>")
                last_gap = inside[0]
            continue
        stamp = str(np.datetime64(round((at[i] + clock_offset_s) * 1000), "ms")) + "Z"
        more = (f"<extensions><speed>{sog[i] * KNOT:.2f}</speed><course>{cog[i]:.1f}</course>"
                "</extensions>" if extensions else "")
        lines.append(f'<trkpt lat="{lat[i]:.7f}" lon="{lon[i]:.7f}"><time>{stamp}</time>{more}'
                     "</trkpt>")
    lines.append("</trkseg></trk></gpx>\n")
    _save(Path(path), "\n".join(lines))
    return Path(path)


_RAD = np.pi / 180.0
SIGNAL_K = {
    "sog_kn": ("navigation.speedOverGround", KNOT), "cog_deg": ("navigation.courseOverGroundTrue",
                                                                _RAD),
    "stw_kn": ("navigation.speedThroughWater", KNOT),
    "hdg_mag_deg": ("navigation.headingMagnetic", _RAD), "hdg_deg": ("navigation.headingTrue",
                                                                     _RAD),
    "variation_deg": ("navigation.magneticVariation", _RAD),
    "awa_deg": ("environment.wind.angleApparent", _RAD),
    "aws_kn": ("environment.wind.speedApparent", KNOT),
    "rudder_deg": ("steering.rudderAngle", _RAD),
    "rate_of_turn_deg_s": ("navigation.rateOfTurn", _RAD),
    "depth_m": ("environment.depth.belowSurface", 1.0),
    "engine_rpm": ("propulsion.main.revolutions", 1.0 / 60.0)}


def write_signalk(day: SimulatedDay, path: str | Path) -> Path:
    """Write Signal K deltas (SI units), one JSON object a line, in order of time."""
    rows: list[tuple[float, int, str, object]] = []
    for name, (at, value) in day.logged.items():
        if name in SIGNAL_K:
            key, factor = SIGNAL_K[name]
            rows += [(t, 0, key, round(v * factor, 6)) for t, v in
                     zip(at.tolist(), value.tolist(), strict=True)]
    if "lat" in day.logged:
        at, lat = day.logged["lat"]
        rows += [(t, 1, "navigation.position", {"longitude": round(b, 7), "latitude": round(a, 7)})
                 for t, a, b in zip(at.tolist(), lat.tolist(), day.logged["lon"][1].tolist(),
                                    strict=True)]
    if "heel_deg" in day.logged:
        at, roll = day.logged["heel_deg"]
        trim = day.logged["trim_deg"][1]
        rows += [(t, 2, "navigation.attitude", {"roll": round(r * _RAD, 5),
                                                "pitch": round(p * _RAD, 5), "yaw": None})
                 for t, r, p in zip(at.tolist(), roll.tolist(), trim.tolist(), strict=True)]
    rows.sort(key=lambda row: (row[0], row[1], row[2]))
    lines = []
    for at, _, key, value in rows:
        stamp = str(np.datetime64(round(at * 1000), "ms")) + "Z"
        lines.append(json.dumps({"context": "vessels.self", "updates": [
            {"$source": "bus.1", "timestamp": stamp, "values": [{"path": key, "value": value}]}]},
            separators=(",", ":")))
    _save(Path(path), "\n".join(lines) + "\n")
    return Path(path)


def write_crew_log(day: SimulatedDay, path: str | Path, iso: bool = False) -> Path:
    """Write the crew log; times as HH:MM:SS of the day unless ``iso``."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["time", "item", "value", "note"])
    for row in day.crew_log.itertuples():
        form = "%Y-%m-%dT%H:%M:%SZ" if iso else "%H:%M:%S"
        writer.writerow([row.time.strftime(form), row.item, row.value, row.note])
    _save(Path(path), out.getvalue())
    return Path(path)


def write_boat_file(day: SimulatedDay, path: str | Path, name: str = "Test Boat",
                    with_corrections: bool = False) -> Path:
    """Write a boat file with the main dimensions and, if wanted, the true corrections."""
    boat, errors = day.scenario.boat, day.sensor_errors
    lines = ["[boat]", f'name = "{name}"', f"loa_m = {boat.loa_m}", f"lwl_m = {boat.lwl_m}",
             f"displacement_kg = {boat.displacement_kg}",
             f"mast_height_m = {boat.mast_height_m}", "", "[rudder]", "count = 1",
             f"area_m2 = {boat.rudder_area_m2}",
             f"span_m = {np.sqrt(boat.rudder_area_m2 * boat.rudder_aspect / 2):.2f}"]
    if with_corrections:
        lines += ["", "[sensors]"] + [f"{key} = {getattr(errors, key)}" for key in (
            "stw_factor", "stw_offset_kn", "awa_offset_deg", "aws_factor", "heading_offset_deg",
            "leeway_k", "rudder_offset_deg")]
    _save(Path(path), "\n".join(lines) + "\n")
    return Path(path)


def _save(path: Path, text: str) -> None:
    raw = text.encode("utf-8")
    if path.name.endswith(".gz"):
        packed = io.BytesIO()
        with gzip.GzipFile(filename="", fileobj=packed, mode="wb", compresslevel=9, mtime=0) as out:
            out.write(raw)
        raw = packed.getvalue()
    path.write_bytes(raw)
