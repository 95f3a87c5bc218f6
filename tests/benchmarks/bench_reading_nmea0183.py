"""Reading NMEA 0183: this package against pynmea2 and the floor, in one run.

    python tests/benchmarks/bench_reading_nmea0183.py [--hours 8] [--runs 5]

Prints a table in Markdown. The log is an invented 10 Hz day, one line in a thousand corrupted;
both ways verify checksums and convert the same fields to numbers. pynmea2 is timed on a part of
the log and scaled, because it needs so long. The floor only counts the newlines.
"""

from __future__ import annotations

import io
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from benchmarks.timing import READ, Row, peak_mb, print_rows, side_by_side

COMMAND = "python tests/benchmarks/bench_reading_nmea0183.py"


def _checked(body: str) -> str:
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"${body}*{total:02X}\r\n"


def invented_log(hours: float, seed: int = 1) -> bytes:
    """A 10 Hz day: eleven sentences every tenth of a second, 0.1 % of the lines damaged."""
    rng = np.random.default_rng(seed)
    minutes = 10
    n = minutes * 600
    block = []
    heading = np.cumsum(rng.normal(0, 0.2, n)) % 360
    for i in range(n):
        h, v = heading[i], 6.5 + rng.normal(0, 0.2)
        tenth = i % 10
        lat, lon = 20 + i * 1e-4, 30 + i * 1.3e-4
        block.append((
            f"GPRMC,%s.{tenth}0,A,59{lat:08.5f},N,018{lon:08.5f},E,{v:.2f},{h:.1f},010624,6.5,E,A",
            f"GPVTG,{h:.1f},T,{(h - 6.5) % 360:.1f},M,{v:.2f},N,{v * 1.852:.2f},K,A",
            f"IIVHW,,T,{(h - 6.5) % 360:.1f},M,{v:.2f},N,{v * 1.852:.2f},K",
            f"HCHDG,{(h - 6.5) % 360:.1f},,,6.5,E",
            f"WIMWV,{rng.uniform(20, 60):.1f},R,{rng.uniform(8, 16):.1f},N,A",
            f"WIMWV,{rng.uniform(30, 80):.1f},T,{rng.uniform(8, 16):.1f},N,A",
            f"IIRSA,{rng.normal(0, 3):.1f},A,,V",
            f"TIROT,{rng.normal(0, 60):.1f},A",
            f"YXXDR,A,{rng.normal(15, 3):.1f},D,ROLL,A,{rng.normal(2, 1):.1f},D,PITCH",
            f"SDDPT,{rng.uniform(5, 60):.1f},0.4",
            f"WIMWD,{rng.uniform(0, 360):.1f},T,{rng.uniform(0, 360):.1f},M,10.5,N,5.4,M",
        ))
    fixed = ["".join(_checked(s) for s in row[1:]) for row in block]
    out = io.StringIO()
    for k in range(round(hours * 3600 / (minutes * 60))):
        for i, row in enumerate(block):
            second = 7200 + k * minutes * 60 + i // 10
            clock = f"{second // 3600 % 24:02d}{second // 60 % 60:02d}{second % 60:02d}"
            out.write(_checked(row[0] % clock))
            out.write(fixed[i])
    data = bytearray(out.getvalue().encode())
    lines = data.count(b"\n")
    for at in rng.integers(0, len(data), lines // 1000):
        if data[at] not in b"\r\n":
            data[at] = ord("x")
    return bytes(data)


def with_pynmea2(data: bytes) -> int:
    """Parse, verify checksums and read as numbers the fields that an analysis needs."""
    import pynmea2

    wanted = {
        "RMC": ("latitude", "longitude", "spd_over_grnd", "true_course", "mag_variation"),
        "VTG": ("true_track", "mag_track", "spd_over_grnd_kts"),
        "VHW": ("heading_magnetic", "water_speed_knots"), "HDG": ("heading", "variation"),
        "MWV": ("wind_angle", "wind_speed"), "RSA": ("rsa_starboard",), "ROT": ("rate_of_turn",),
        "DPT": ("depth", "offset"),
        "MWD": ("direction_true", "direction_magnetic", "wind_speed_knots"),
    }
    count = 0
    for line in data.decode("latin-1").splitlines():
        try:
            message = pynmea2.parse(line, check=True)
        except pynmea2.ParseError:
            continue
        kind = message.sentence_type
        if kind == "RMC":
            _ = message.timestamp, message.datestamp
        if kind == "XDR":
            for i in range(0, len(message.data) - 3, 4):
                _ = float(message.data[i + 1])
        for name in wanted.get(kind, ()):
            value = getattr(message, name)
            if value not in (None, ""):
                _ = float(value)
        count += 1
    return count


def rows(small: bool, hours: float = 8.0, runs: int = 5) -> list[Row]:
    """Against pynmea2 and, unless ``small``, against the floor, which times the machine's memory."""
    from sailanalysis.read import read_logs

    if small:
        hours, runs = 1.0, 3
    data = invented_log(hours)
    lines = data.count(b"\n")
    part = data[: data.rfind(b"\n", 0, len(data) // max(1, round(hours * 6))) + 1]
    name = f"NMEA 0183, {hours:g} h at 10 Hz, {len(data) / 1e6:.0f} MB"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "day.nmea"
        path.write_bytes(data)

        def ours() -> object:
            return read_logs([path])

        def floor() -> object:
            return path.read_bytes().count(b"\n")

        ours_s, peer_s = side_by_side(ours, lambda: with_pynmea2(part), runs)
        peer_s *= lines / part.count(b"\n")
        if small:
            return [Row(name, ours_s, "pynmea2", peer_s, "20 or more", COMMAND)]
        again_s, floor_s = side_by_side(ours, floor, runs)
        return [Row(name, ours_s, "pynmea2", peer_s, "20 or more", COMMAND, peak_mb(*READ, path)),
                Row(name, again_s, "counting its newlines", floor_s, "the floor", COMMAND)]


if __name__ == "__main__":
    print_rows(rows, __doc__)
