"""What a sensor's remaining error does to the polar: the delta method on the fitted surface.

Were the true speed ``1 + e`` times the corrected one, every point of the polar would stand ``e``
higher and, as the true wind is worked out from the speed too, at another wind and angle. So with
each sensor: the surface as it would be, to first order, is

    P(tws, twa) (1 + e) - dP/dtws * d_tws - dP/dtwa * d_twa

with the shifts from the apparent-wind triangle. Errors are drawn with their joint covariance, one
draw a replicate, the same for every sail set; so the intervals of speeds, of target angles and of
VMG all hold the sensors, and differences between sail sets do not.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, wrap180
from sailanalysis.core.stats import Z95
from sailanalysis.polar.model import LATTICE_TWA_DEG, PolarModel, Surface
from sailanalysis.wind.leeway import sail_lift
from sailanalysis.wind.triangle import apparent_wind, true_wind

SENSORS: Final = ("stw_factor", "aws_factor", "awa_offset_deg", "leeway_deg", "upwash_deg",
                  "shear_deg")
_STEP: Final = {"stw_factor": 0.01, "aws_factor": 0.01}


def lean_of(blocks: pd.DataFrame) -> float:
    """Share of steady time on starboard tack less that on port."""
    seconds = blocks["seconds"].to_numpy(dtype=float)
    side = np.where(blocks["side"].to_numpy() == "starboard", 1.0, -1.0)
    return float(np.sum(side * seconds) / seconds.sum()) if seconds.sum() > 0 else 0.0


def with_sensor_error(model: PolarModel, error: pd.DataFrame, lean: float) -> PolarModel:
    """The polar with intervals and replicates that carry the sensors.

    Parameters
    ----------
    model : PolarModel
    error : DataFrame
        Joint covariance by name (a factor's error as a share, angles in degrees).
    lean : float
        Share of steady time on starboard tack less that on port: an error that turns the wind the
        same way on both tacks cancels where they are sailed alike.
    """
    if not model.known or len(error) == 0:
        return model
    cov = error.loc[list(SENSORS), list(SENSORS)].to_numpy(dtype=float)
    root = np.linalg.cholesky(cov + 1e-12 * np.eye(len(SENSORS)))
    count = max((s.replicates_kn.shape[0] for s in model.surfaces.values()), default=0)
    draws = np.random.default_rng(0).normal(size=(count, len(SENSORS))) @ root.T
    return replace(model, surfaces={
        name: _widened(surface, model, cov, draws, lean)
        for name, surface in model.surfaces.items()})


def _widened(surface: Surface, model: PolarModel, cov: Floats, draws: Floats,
             lean: float) -> Surface:
    slopes, made = _slopes(surface, model, lean)
    variance = np.einsum("kij,kl,lij->ij", slopes, cov, slopes)
    half = Z95 * np.sqrt(np.maximum(variance, 0.0))

    def wider(end: Floats) -> Floats:
        off = end - surface.median_kn
        return np.asarray(surface.median_kn + np.sign(off) * np.hypot(off, half), dtype=float)

    shifts = np.tensordot(draws[: surface.replicates_kn.shape[0]], slopes + made, axes=1)
    return replace(surface, low_kn=wider(surface.low_kn), high_kn=wider(surface.high_kn),
                   replicates_kn=(surface.replicates_kn + shifts).astype(np.float32))


def _slopes(surface: Surface, model: PolarModel, lean: float) -> tuple[Floats, Floats]:
    """Change of the surface per unit of each error, and what leeway does to the way made good.

    Returns
    -------
    slopes, made : ndarray, shape (sensors, tws, twa)
        ``made`` is the speed that would change VMG as the leeway's error does.
    """
    speed = np.nan_to_num(surface.median_kn)
    tws, twa = np.meshgrid(model.tws_kn, LATTICE_TWA_DEG, indexing="ij")
    leeway = -model.leeway_deg  # wind from starboard sets her to port
    aws, awa = apparent_wind(tws, twa, speed, leeway)
    by_tws, by_twa = _gradients(surface.median_kn, model.tws_kn)
    slopes, made = (np.zeros((len(SENSORS), *speed.shape)) for _ in range(2))
    for k, name in enumerate(SENSORS):
        step = _STEP.get(name, 1.0)
        stw, air, angle, off, turn = speed, aws, awa, leeway, 0.0
        if name == "stw_factor":
            stw = speed * (1.0 + step)
        elif name == "aws_factor":
            air = aws * (1.0 + step)
        elif name == "awa_offset_deg":
            angle = awa + step * lean
        elif name == "upwash_deg":
            angle = awa - step * sail_lift(awa)
        elif name == "leeway_deg":
            off = leeway - step * sail_lift(awa)
        else:
            turn = step * lean
        new_tws, new_twa = true_wind(air, angle, stw, off)
        d_twa = wrap180(new_twa + turn - twa)
        change = (stw - speed) - by_tws * (new_tws - tws) - by_twa * d_twa
        slopes[k] = change / step
        if name == "leeway_deg":
            course = np.radians(twa - leeway)
            near = np.abs(np.cos(course)) > 0.3
            made[k] = np.where(near, -speed * np.tan(course), 0.0) * np.radians(sail_lift(awa))
    known = np.isfinite(surface.median_kn)
    return np.where(known, slopes, 0.0), np.where(known, made, 0.0)


def _gradients(median_kn: Floats, tws_kn: Floats) -> tuple[Floats, Floats]:
    """Slopes of the surface over wind speed and angle; one-sided at its edge."""
    step = float(tws_kn[1] - tws_kn[0]) if tws_kn.size > 1 else 1.0
    return _slope(median_kn, 0) / step, _slope(median_kn, 1)


def _slope(value: Floats, axis: int) -> Floats:
    """Mean of the differences to both neighbours, of the one that is known, else zero."""
    total, known = np.zeros(value.shape), np.zeros(value.shape)
    difference = np.diff(value, axis=axis)
    finite = np.isfinite(difference)
    for first in (0, 1):
        inside: list[slice] = [slice(None)] * value.ndim
        inside[axis] = slice(first, first + difference.shape[axis])
        total[tuple(inside)] += np.where(finite, difference, 0.0)
        known[tuple(inside)] += finite
    return total / np.maximum(known, 1.0)
