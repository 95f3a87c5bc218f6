"""Logs of many days on a card: a boat on her way east, a file a day."""

from datetime import UTC, datetime

import numpy as np

from .nmea0183_logs import sentence


def at(day, hour, minute=0):
    """Seconds since 1970 of a time in May 2026, UTC."""
    return datetime(2026, 5, day, hour, minute, tzinfo=UTC).timestamp()


def log(start, minutes, lat=43.0, lon=7.0, speed_kn=6.0, step_s=2, extra=None):
    """A boat on her way east, NMEA 0183."""
    out = []
    for k in range(0, int(minutes * 60), step_s):
        when = datetime.fromtimestamp(start + k, UTC)
        east = lon + speed_kn * 1852 / 3600 * k / (111_320 * np.cos(np.radians(lat)))
        place = (f"{int(lat):02d}{lat % 1 * 60:08.5f},N,"
                 f"{int(abs(east)):03d}{abs(east) % 1 * 60:08.5f},{'E' if east >= 0 else 'W'}")
        out.append(sentence(f"GPRMC,{when:%H%M%S}.00,A,{place},{speed_kn:.1f},90.0,{when:%d%m%y},,,A"))
        out.append(extra or sentence("IIVHW,,T,90.0,M,6.0,N,,K"))
    return b"".join(out)


def put(folder, name, data):
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    path.write_bytes(data)
    return path


def days_on(folder, days=(2, 3, 4), minutes=90):
    """A file a day, from ten o'clock."""
    return [put(folder, f"{day}.nmea", log(at(day, 10), minutes)) for day in days]
