"""A small day afloat for the readers' tests, with physics of its own and written in any form.

A point boat beats and runs between marks at a speed that depends on the wind angle, with slow
swings of course, noise of two receivers and a current; nothing here is shared with the program.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

EARTH_M = 6371008.8


@dataclass
class Outing:
    """True movement at 1 Hz."""

    time_s: np.ndarray
    lat: np.ndarray
    lon: np.ndarray
    heading_deg: np.ndarray
    stw_ms: np.ndarray
    cog_deg: np.ndarray
    sog_ms: np.ndarray
    twa_deg: np.ndarray


def outing(seed: int = 1, minutes: float = 90, start_s: float = 1783072800.0, moored_s: float = 300,
           lat0: float = 54.0, lon0: float = 10.0) -> Outing:
    """Moored, a beat of tacks, a run of gybes, moored again."""
    rng = np.random.default_rng(seed)
    n = int(minutes * 60)
    heading, speed, twa = np.zeros(n), np.zeros(n), np.zeros(n)
    wind, side, now, target = 240.0, 1.0, 200.0, 45.0
    turn_at = moored_s + rng.uniform(200, 500)
    v = 0.0
    for k in range(n):
        under_way = moored_s < k < n - moored_s
        if k > turn_at:
            side = -side
            turn_at = k + rng.uniform(150, 600)
        target = 45.0 if k < n / 2 else 150.0
        goal = wind - side * target + 4 * np.sin(k / 37.0) + 3 * np.sin(k / 11.0 + 1)
        off = (goal - now + 180) % 360 - 180
        if under_way:
            now = (now + np.clip(off, -9, 9)) % 360
        angle = (wind - now + 180) % 360 - 180
        pull = 3.4 * np.sin(np.radians(min(abs(angle), 150) * 0.9)) if under_way else 0.0
        if abs(angle) < 30:
            pull *= 0.3
        v += (pull - v) / 12.0
        heading[k], speed[k], twa[k] = now, v, angle
    east = speed * np.sin(np.radians(heading)) + 0.3
    north = speed * np.cos(np.radians(heading)) - 0.2
    still = speed < 0.05
    east[still] = north[still] = 0.0
    lat = lat0 + np.degrees(np.cumsum(north) / EARTH_M)
    lon = lon0 + np.degrees(np.cumsum(east) / EARTH_M / np.cos(np.radians(lat0)))
    return Outing(start_s + np.arange(n, dtype=float), lat, (lon + 180) % 360 - 180, heading, speed,
                  np.degrees(np.arctan2(east, north)) % 360, np.hypot(east, north), twa)


def wandering(rng: np.random.Generator, n: int, sd_m: float = 2.0, over_s: float = 60.0):
    """A receiver's error: metres that wander over about a minute."""
    keep = np.exp(-1.0 / over_s)
    noise = rng.normal(0, sd_m * np.sqrt(1 - keep**2), n)
    out = np.zeros(n)
    for k in range(1, n):
        out[k] = keep * out[k - 1] + noise[k]
    return out


def seen(day: Outing, seed: int, sd_m: float = 2.0):
    """Latitude and longitude as one receiver saw them."""
    rng = np.random.default_rng(seed)
    north, east = wandering(rng, day.lat.size, sd_m), wandering(rng, day.lat.size, sd_m)
    lat = day.lat + np.degrees(north / EARTH_M)
    lon = day.lon + np.degrees(east / EARTH_M / np.cos(np.radians(day.lat)))
    return lat, (lon + 180) % 360 - 180
