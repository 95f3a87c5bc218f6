"""Which boat a day is: names made comparable, and tracks that cannot be one boat's."""

from __future__ import annotations

import unicodedata
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, cosd, sind
from sailanalysis.core.series import epoch_s

CLOCK_S: Final = 900.0
"""Clocks of two loggers of one boat that disagree by more are not compared instant by instant."""
APART_M: Final = 300.0
"""Typical distance of two tracks above which they are two boats': a receiver errs by some 10 m,
boats in company keep some boat lengths and drift farther apart."""
ELSEWHERE_M: Final = 5 * 1852.0
"""Two tracks of one name and time that never come nearer are not one boat's."""
_STEP_S: Final = 30.0
_LEAST: Final = 10
_EARTH_M: Final = 6_371_008.8
"""Mean radius (IUGG)."""


def boat_key(name: str) -> str:
    """A boat's name made comparable: case, accents' spelling, spaces and signs do not count.

    >>> boat_key(" S/Y  Skarv ") == boat_key("sy skarv")
    True
    """
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    letters = "".join(c for c in folded if c.isalnum())
    return letters or folded.strip()


def metres_apart(one: pd.DataFrame, other: pd.DataFrame) -> float:
    """Typical distance of two tracks at the same instants, at the best shift of their clocks.

    Parameters
    ----------
    one, other : DataFrame
        Indexed by time, with ``lat`` and ``lon``.

    Returns
    -------
    float
        Median metres over the common time, least over shifts of up to :data:`CLOCK_S`; NaN where
        the tracks share less than five minutes with positions.
    """
    a, b = _track(one), _track(other)
    best = float("nan")
    for shift in np.arange(-CLOCK_S, CLOCK_S + 1.0, _STEP_S):
        best = float(np.fmin(best, _median_m(a, b, float(shift))))
    return best


def closest_m(one: pd.DataFrame, other: pd.DataFrame) -> float:
    """Least distance between two tracks, whatever their clocks say, in metres.

    NaN where one has no position.
    """
    a, b = _track(one), _track(other)
    if a[0].size == 0 or b[0].size == 0:
        return float("nan")
    lat, lon = b[1][::4], b[2][::4]
    return float(min(np.min(_distance_m(np.full(lat.shape, y), np.full(lon.shape, x), lat, lon))
                     for y, x in zip(a[1][::4], a[2][::4], strict=True)))


def _track(samples: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
    """Seconds, latitude and longitude, a fix every half minute."""
    if not {"lat", "lon"} <= set(samples.columns):
        return np.zeros(0), np.zeros(0), np.zeros(0)
    time = epoch_s(samples.index)
    lat, lon = (samples[name].to_numpy(dtype=float) for name in ("lat", "lon"))
    known = np.isfinite(lat) & np.isfinite(lon)
    time, lat, lon = time[known], lat[known], lon[known]
    _, first = np.unique(np.floor(time / _STEP_S), return_index=True)
    return time[first], lat[first], lon[first]


def _median_m(a: tuple[Floats, Floats, Floats], b: tuple[Floats, Floats, Floats],
              shift_s: float) -> float:
    """Median distance where a fix of one lies within half a step of one of the other."""
    if a[0].size == 0 or b[0].size == 0:
        return float("nan")
    moved = b[0] + shift_s
    near = np.clip(np.searchsorted(moved, a[0]), 1, max(moved.size - 1, 1))
    left = np.minimum(near - 1, moved.size - 1)
    right = np.minimum(near, moved.size - 1)
    index = np.where(np.abs(moved[left] - a[0]) <= np.abs(moved[right] - a[0]), left, right)
    common = np.abs(moved[index] - a[0]) <= _STEP_S / 2
    if common.sum() < _LEAST:
        return float("nan")
    i = index[common]
    return float(np.median(_distance_m(a[1][common], a[2][common], b[1][i], b[2][i])))


def _distance_m(lat: Floats, lon: Floats, other_lat: Floats, other_lon: Floats) -> Floats:
    """Distance on the sphere by the haversine, good to half a per cent at any distance."""
    half = (sind((other_lat - lat) / 2) ** 2
            + cosd(lat) * cosd(other_lat) * sind((other_lon - lon) / 2) ** 2)
    return np.asarray(2 * _EARTH_M * np.arcsin(np.sqrt(np.clip(half, 0.0, 1.0))), dtype=float)
