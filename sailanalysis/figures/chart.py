"""A flat chart of the day: positions to metres, graticule, round scale lengths, coastlines."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from sailanalysis.core.angles import arctan2d, cosd, sind, wrap180, wrap360
from sailanalysis.core.errors import SailAnalysisError
from sailanalysis.core.geo import radii_m

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Chart:
    """An equirectangular chart about one point: straight graticule, true scale at ``lat0``.

    Attributes
    ----------
    lat0, lon0 : float
        Origin; NaN on a chart without places (shared privately).
    kx, ky : float
        Metres per degree of longitude and latitude at the origin.
    places : bool
        False where only distances from the start may be shown.
    turned_deg : float
        Rotation of a private chart; north is unknown when not zero.
    """

    lat0: float
    lon0: float
    kx: float
    ky: float
    places: bool = True
    turned_deg: float = 0.0

    def xy(self, lat: ArrayLike, lon: ArrayLike) -> tuple[Floats, Floats]:
        """East and north metres from the origin (rotated on a private chart)."""
        x = wrap180(np.asarray(lon, dtype=float) - self.lon0) * self.kx
        y = (np.asarray(lat, dtype=float) - self.lat0) * self.ky
        if self.turned_deg:
            c, s = float(cosd(self.turned_deg)), float(sind(self.turned_deg))
            x, y = x * c + y * s, -x * s + y * c
        return x, y


def chart_of(lat: ArrayLike, lon: ArrayLike, private: bool = False,
             turned_deg: float = 0.0) -> Chart | None:
    """Chart about the middle of a track (its start, when private); None without positions."""
    la, lo = np.asarray(lat, dtype=float), np.asarray(lon, dtype=float)
    good = np.flatnonzero(np.isfinite(la) & np.isfinite(lo))
    if good.size < 2:
        return None
    la, lo = la[good], lo[good]
    if private:
        lat0, lon0 = float(la[0]), float(lo[0])
    else:
        lat0 = float((la.min() + la.max()) / 2)
        east = wrap180(lo - lo[0])
        lon0 = float(wrap180(lo[0] + (east.min() + east.max()) / 2))
    meridian, prime = radii_m(lat0)
    kx = float(np.radians(1.0) * prime * max(float(cosd(lat0)), 1e-6))
    return Chart(lat0, lon0, kx, float(np.radians(1.0) * meridian), not private, turned_deg)


def round_length_m(span_m: float) -> tuple[float, str]:
    """A round length of about a fifth of ``span_m`` for a scale bar, with its label."""
    goal = max(span_m, 1.0) / 5.0
    nautical = np.array([0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100]) * 1852.0
    metric = np.array([1, 2, 5, 10, 20, 50, 100.0])
    table = metric if goal < 150 else nautical
    length = float(table[np.argmin(np.abs(np.log(table / goal)))])
    return length, (f"{length:.0f} m" if table is metric else f"{length / 1852:g} NM")


def _geojson(path: Path) -> Any:
    """What a file holds."""
    try:
        if path.stat().st_size > 20_000_000:
            raise SailAnalysisError(f"{path.name}: a coastline over 20 MB would swamp the "
                                    "report; cut it to the waters sailed")
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise SailAnalysisError(f"{path.name}: not a readable GeoJSON file") from error


def read_coastline(source: str | Path | dict[str, Any]) -> list[Floats]:
    """Lines of a GeoJSON file or object (RFC 7946): arrays of shape (n, 2), longitude first.

    Raises
    ------
    SailAnalysisError
        If it is no GeoJSON with lines or polygons, or larger than 20 MB.
    """
    lines: list[Floats] = []
    queue: list[Any] = [source if isinstance(source, dict) else _geojson(Path(source))]
    while queue:
        item = queue.pop()
        if not isinstance(item, dict):
            continue
        kind, points = item.get("type"), item.get("coordinates")
        queue += [*(item.get("features") or []), *(item.get("geometries") or []),
                  item.get("geometry")]
        for ring in _rings(str(kind), points or []):
            line = np.array([p[:2] for p in ring], dtype=float)
            if line.ndim == 2 and len(line) > 1 and np.isfinite(line).all():
                lines.append(line)
    if not lines:
        raise SailAnalysisError("the coastline file holds no lines or polygons (GeoJSON, RFC 7946)")
    return lines


def _rings(kind: str, points: list[Any]) -> list[Any]:
    if kind == "LineString":
        return [points] if points else []
    if kind == "MultiPolygon":
        return [ring for part in points for ring in part]
    return points if kind in ("MultiLineString", "Polygon") else []


def positions(samples: pd.DataFrame) -> tuple[Floats, Floats]:
    """Latitude and longitude columns, NaN where the log has none."""
    n = len(samples)
    lat = samples["lat"].to_numpy(dtype=float) if "lat" in samples else np.full(n, np.nan)
    lon = samples["lon"].to_numpy(dtype=float) if "lon" in samples else np.full(n, np.nan)
    return lat, lon


def is_moving(samples: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether the boat was under way at each sample, sail or engine."""
    if "state" not in samples:
        return np.ones(len(samples), dtype=bool)
    return np.asarray(samples["state"].to_numpy(dtype=object) != "stopped", dtype=bool)


def mean_wind(samples: pd.DataFrame) -> tuple[float, float]:
    """Vector-mean direction (from) and mean speed of the true wind while not stopped."""
    moving = is_moving(samples)
    if not {"twd_deg", "tws_kn"} <= set(samples) or not moving.any():
        return float("nan"), float("nan")
    twd, tws = (samples[name].to_numpy(dtype=float)[moving] for name in ("twd_deg", "tws_kn"))
    weight = np.where(np.isfinite(tws), tws, 1.0)
    good = np.isfinite(twd)
    if not good.any():
        return float("nan"), _mean(tws)
    east = np.sum(weight[good] * sind(twd[good]))
    north = np.sum(weight[good] * cosd(twd[good]))
    return float(wrap360(arctan2d(east, north))), _mean(tws)


def _mean(value: Floats) -> float:
    value = value[np.isfinite(value)]
    return float(value.mean()) if value.size else float("nan")
