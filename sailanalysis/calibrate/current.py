"""The day's mean current, and how much of it the sensors' own errors may make.

The current is what is left when the boat's way through the water is taken from her way over the
ground; so a paddle wheel that reads 5 % high makes a current of 0.3 kn at 6 kn, and a compass
3 deg off one of the same size across her course. Sailed to and fro, both cancel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind, wrap360
from sailanalysis.core.stats import Z95
from sailanalysis.wind.leeway import sail_lift

SENSORS: Final = ("stw_factor", "heading_offset_deg", "leeway_deg")
NOTHING: Final = 5.991
"""Of squared distances from a two-dimensional normal mean, 95 % lie within (chi-square tables)."""


@dataclass(frozen=True)
class MeanCurrent:
    """A day's mean current.

    Attributes
    ----------
    set_deg : float
        Where it goes to; NaN where no current is known, as all else.
    drift_kn, low_kn, high_kn : float
        With its 95 % interval from the sensors' errors; NaN ends where those are not known.
    shown : bool
        Whether the sensors' errors leave "no current" out.
    """

    set_deg: float
    drift_kn: float
    low_kn: float
    high_kn: float
    shown: bool


def mean_current(samples: pd.DataFrame, error: pd.DataFrame | None = None) -> MeanCurrent:
    """Vector mean of set and drift over the day, with the error that the sensors leave in it.

    Parameters
    ----------
    samples : DataFrame, n rows
        ``set_deg, drift_kn``; for the error ``stw_kn, hdg_deg`` and, if known, ``leeway_deg``,
        ``awa_deg``.
    error : DataFrame, optional
        Joint covariance by name (a factor's error as a share, angles in degrees).

    Returns
    -------
    MeanCurrent
    """
    if not {"set_deg", "drift_kn"} <= set(samples):
        return MeanCurrent(np.nan, np.nan, np.nan, np.nan, False)
    towards = samples["set_deg"].to_numpy(dtype=float)
    drift = samples["drift_kn"].to_numpy(dtype=float)
    good = np.isfinite(towards) & np.isfinite(drift)
    if not good.any():
        return MeanCurrent(np.nan, np.nan, np.nan, np.nan, False)
    mean = np.array([np.mean(drift[good] * sind(towards[good])),
                     np.mean(drift[good] * cosd(towards[good]))])
    size = float(np.hypot(*mean))
    set_deg = float(wrap360(arctan2d(mean[0], mean[1])))
    if error is None or not set(SENSORS) <= set(error.columns) or not (
            {"stw_kn", "hdg_deg"} <= set(samples)):
        return MeanCurrent(set_deg, size, np.nan, np.nan, False)
    slopes = _slopes(samples[good])
    cov = slopes @ error.loc[list(SENSORS), list(SENSORS)].to_numpy(dtype=float) @ slopes.T
    along = mean / size if size > 0 else np.array([0.0, 1.0])
    half = Z95 * float(np.sqrt(max(along @ cov @ along, 0.0)))
    far = float(mean @ np.linalg.solve(cov + 1e-9 * np.eye(2), mean))
    return MeanCurrent(set_deg, size, max(0.0, size - half), size + half, far > NOTHING)


def _slopes(samples: pd.DataFrame) -> Floats:
    """Mean change of the current (east, north) in knots per unit of each sensor's error."""
    def of(name: str) -> Floats:
        return np.nan_to_num(samples[name].to_numpy(dtype=float)) if name in samples \
            else np.zeros(len(samples))

    stw, course = of("stw_kn"), of("hdg_deg") + of("leeway_deg")
    ahead = np.array([sind(course), cosd(course)])
    abeam = np.array([cosd(course), -sind(course)]) * np.pi / 180.0
    # Wind from starboard sets her to port, so more leeway turns the course the other way.
    changes = (stw * ahead, stw * abeam, -stw * sail_lift(of("awa_deg")) * abeam)
    return -np.stack([change.mean(axis=1) for change in changes], axis=1)
