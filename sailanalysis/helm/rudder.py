"""What a rudder costs: its drag by published lift and drag, against the hull's own resistance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from sailanalysis.core.angles import Floats
from sailanalysis.core.model import Boat
from sailanalysis.core.units import GRAVITY_M_S2, KN_TO_MS, SEAWATER_KG_M3

OSWALD: Final = 0.9
"""Span efficiency of the induced drag; a usual value for a plain tapered blade."""

STALL_DEG: Final = 20.0
"""Beyond this a blade of yacht-like aspect has stalled and the formulas no longer hold."""

KINEMATIC_VISCOSITY_M2_S: Final = 1.19e-6
"""Sea water at 15 degC (ITTC round value, from memory)."""

_FROUDE: Final = (0.10, 0.15, 0.20, 0.25, 0.30, 0.35, 0.40, 0.45, 0.50, 0.55, 0.60, 1.0)
_RESIDUARY: Final = (
    0.00002, 0.0001, 0.0005, 0.0012, 0.0028, 0.0058, 0.013, 0.027, 0.041, 0.050, 0.057, 0.085)
"""Residuary resistance over weight of a moderate sailing hull: order of magnitude (common
practice), good to about a third; enough to say whether a rudder costs one per cent or ten."""

def lift_slope_per_rad(aspect: ArrayLike, sweep_deg: float = 0.0) -> Floats:
    """Lift slope of a low-aspect control surface, per radian.

    Parameters
    ----------
    aspect : array_like
        Effective aspect ratio (twice the geometric one where the hull acts as a mirror).
    sweep_deg : float
        Sweep of the quarter chord.

    References
    ----------
    .. [1] Whicker and Fehlner, Free-stream characteristics of a family of low-aspect-ratio
       all-movable control surfaces, DTMB report 933, 1958.
    """
    a = np.asarray(aspect, dtype=float)
    c = np.cos(np.radians(sweep_deg))
    return np.asarray(1.8 * np.pi * a / (1.8 + c * np.sqrt(a**2 / c**4 + 4.0)), dtype=float)


def effective_aspect(area_m2: float, span_m: float) -> float:
    """Effective aspect ratio with the hull as a mirror, ``2 b^2 / S``."""
    return 2.0 * span_m**2 / area_m2


def induced_drag_n(area_m2: float, aspect: float, stw_kn: ArrayLike, angle_deg: ArrayLike
                   ) -> Floats:
    """Induced drag of one blade, newtons: ``CL^2 / (pi e A)``; grows with the angle squared.

    Parameters
    ----------
    area_m2 : float
    aspect : float
        Effective.
    stw_kn, angle_deg : array_like, shape (n,)
        Speed and angle of attack, taken as the rudder angle from its neutral position. Limited to
        the stall angle.
    """
    v = np.asarray(stw_kn, dtype=float) * KN_TO_MS
    angle = np.clip(np.asarray(angle_deg, dtype=float), -STALL_DEG, STALL_DEG)
    lift = lift_slope_per_rad(aspect) * np.radians(angle)
    drag = lift**2 / (np.pi * OSWALD * aspect)
    return np.asarray(0.5 * SEAWATER_KG_M3 * v**2 * area_m2 * drag, dtype=float)


def hull_resistance_n(lwl_m: float, displacement_kg: float, stw_kn: ArrayLike) -> Floats:
    """Upright smooth-water resistance of a displacement sailing hull, newtons, within a third.

    Friction by the ITTC-57 line on a wetted surface ``2.6 sqrt(volume * lwl)`` with 15 % for form,
    keel and roughness; residuary resistance by Froude number from a moderate hull.

    References
    ----------
    .. [1] ITTC 1957 model-ship correlation line, ``0.075 / (log10 Re - 2)^2``.
    """
    v = np.maximum(np.asarray(stw_kn, dtype=float) * KN_TO_MS, 0.1)
    wetted = 2.6 * np.sqrt(displacement_kg / SEAWATER_KG_M3 * lwl_m)
    friction = 0.075 / (np.log10(v * 0.7 * lwl_m / KINEMATIC_VISCOSITY_M2_S) - 2.0) ** 2
    froude = v / np.sqrt(GRAVITY_M_S2 * lwl_m)
    share = np.interp(froude, _FROUDE, _RESIDUARY)
    return np.asarray(0.5 * SEAWATER_KG_M3 * v**2 * wetted * friction * 1.15
                      + share * displacement_kg * GRAVITY_M_S2, dtype=float)


@dataclass(frozen=True)
class RudderDrag:
    """Geometry of a boat's rudder and hull, where the boat file gives it.

    Attributes
    ----------
    why_not : str
        Empty, or what the boat file lacks.
    """

    area_m2: float
    aspect: float
    count: int
    lwl_m: float
    displacement_kg: float
    why_not: str = ""

    @classmethod
    def of(cls, boat: Boat) -> RudderDrag:
        """Take the geometry from a boat file.

        A boat with two rudders sails heeled on one; on an even keel both turn. The mean cost of
        the two cases lies near one blade's, which is taken. The waterline, where unknown, is
        taken as 0.9 of the length over all (common practice).
        """
        nan = float("nan")
        area, span = boat.rudder.area_m2, boat.rudder.span_m
        lwl = boat.lwl_m if boat.lwl_m else (0.9 * boat.loa_m if boat.loa_m else None)
        missing = [name for name, value in (
            ("[rudder] area_m2", area), ("[rudder] span_m", span),
            ("[boat] displacement_kg", boat.displacement_kg), ("[boat] lwl_m", lwl)) if not value]
        if missing:
            return cls(nan, nan, boat.rudder.count, nan, nan,
                       "the boat file lacks " + ", ".join(missing))
        assert area and span and lwl and boat.displacement_kg
        return cls(area, effective_aspect(area, span), boat.rudder.count, lwl,
                   boat.displacement_kg)

    @property
    def known(self) -> bool:
        """Whether a drag can be given at all."""
        return not self.why_not

    def share_of_resistance(self, stw_kn: ArrayLike, angle_deg: ArrayLike) -> Floats:
        """Induced drag over hull resistance, sample by sample; NaN where unknown."""
        speed = np.asarray(stw_kn, dtype=float)
        if not self.known:
            return np.full(speed.shape, np.nan)
        drag = induced_drag_n(self.area_m2, self.aspect, speed, angle_deg)
        return np.asarray(np.where(speed > 0.5, drag / hull_resistance_n(
            self.lwl_m, self.displacement_kg, speed), np.nan), dtype=float)

    def speed_share(self, stw_kn: float, resistance_share: float) -> float:
        """Share of speed that a share of resistance costs: divided by d ln R / d ln V."""
        if not self.known or not stw_kn > 0.5:
            return float("nan")
        low, high = hull_resistance_n(self.lwl_m, self.displacement_kg, np.array([0.97, 1.03])
                                      * stw_kn)
        return float(resistance_share / (np.log(high / low) / np.log(1.03 / 0.97)))
