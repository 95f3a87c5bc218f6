"""Boats that are never built: sail forces against resistance, and the steady polar they make.

A small velocity prediction: sail coefficients over the apparent wind angle, heel by righting
moment, easing of sails beyond the heel the crew likes, frictional and wave-making resistance,
induced drag of the keel, windage, the drag of the rudder that holds weather helm. The same
equations, stepped in time, are in ``dynamics``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

KNOT = 1852.0 / 3600.0
AIR_KG_M3 = 1.22
WATER_KG_M3 = 1025.0
GRAVITY = 9.81
STALLED = 0.14
"""Most that the keel's drag can be of its side force: the tangent of half the largest leeway."""

# Coefficients over the apparent wind angle, shaped after published sail-force tables for a
# main with a headsail and a main with a spinnaker; rounded, not copied (common practice).
_ANGLES = (0, 8, 14, 18, 22, 27, 32, 40, 50, 60, 75, 90, 110, 130, 150, 165, 180)
_CL_WHITE = (0, 0, .35, .85, 1.2, 1.42, 1.5, 1.52, 1.5, 1.46, 1.35, 1.2, .95, .68, .4, .2, 0)
_CD_WHITE = (.06, .06, .08, .12, .17, .215, .24, .26, .29, .34, .46, .62, .82, .93, .95, .84, .74)
_CL_KITE = (0, 0, 0, 0, .02, .05, .1, .3, .75, 1.15, 1.38, 1.4, 1.2, .92, .58, .3, 0)
_CD_KITE = (.06, .06, .07, .08, .09, .1, .12, .18, .28, .38, .5, .64, .88, 1.05, 1.13, 1.04, .92)


@dataclass(frozen=True)
class SailSet:
    """A set of sails.

    Attributes
    ----------
    name : str
        As the crew log writes it.
    area_m2 : float
        Area the coefficients refer to.
    kind : {"white", "kite", "none"}
        Which coefficients.
    centre_m : float
        Height of the centre of effort above the centre of lateral resistance.
    efficiency : float
        Factor on lift.
    """

    name: str
    area_m2: float
    kind: str = "white"
    centre_m: float = 7.0
    efficiency: float = 1.0

    def coefficients(self) -> tuple[np.ndarray, np.ndarray]:
        """Lift and drag coefficient at each whole degree 0 to 180 of apparent wind angle."""
        from scipy.interpolate import PchipInterpolator

        grid = np.arange(181.0)
        if self.kind == "none":
            return np.zeros(181), np.zeros(181)
        lift, drag = (_CL_KITE, _CD_KITE) if self.kind == "kite" else (_CL_WHITE, _CD_WHITE)
        return (self.efficiency * PchipInterpolator(_ANGLES, lift)(grid),
                PchipInterpolator(_ANGLES, drag)(grid))


BARE = SailSet("", 0.0, "none")


@dataclass(frozen=True)
class BoatModel:
    """One boat.

    Attributes
    ----------
    name : str
        Which model.
    loa_m, lwl_m, displacement_kg, mast_height_m : float
        Main dimensions; mast height is of the wind sensor above the water.
    sails : tuple of SailSet
        First the working sails.
    wetted_m2, friction : float
        Wetted surface and total frictional coefficient.
    residuary : tuple of float
        Wave-making resistance over weight at Froude numbers 0, .15, .2, ... .6, .8, 1.2.
    gm_m : float
        Metacentric height, crew weight to windward included.
    heel_max_deg : float
        Heel beyond which the crew eases sails.
    leeway_k : float
        leeway_deg = leeway_k * heel_deg / stw_kn**2.
    keel_span_m : float
        Effective span of keel and hull, for induced drag.
    rudder_area_m2, rudder_aspect, rudder_max_deg : float
        Rudder.
    weather_helm : float
        Degrees of rudder per degree of heel in balance.
    nomoto_k, nomoto_t : float
        First order yaw, made non-dimensional with length over speed.
    added_mass : float
        Share of displacement that surges along.
    roll_period_s, roll_damping : float
        Natural roll period and damping ratio under sail.
    windage_m2 : float
        Drag area of hull and rig head to wind.
    engine_speed_kn : float
        Speed in calm at full revolutions.
    rpm_max : float
        Full revolutions.
    sway_lag_s : float
        Time constant with which leeway follows.
    backing_deg_s : float
        Turning rate a backed sail gives a boat in irons.
    port_factor : float
        Unusual: factor on driving force on port tack (a bent rig, a fouled side).
    """

    name: str = "sloop"
    loa_m: float = 10.5
    lwl_m: float = 9.3
    displacement_kg: float = 5200.0
    mast_height_m: float = 16.0
    sails: tuple[SailSet, ...] = field(default_factory=lambda: (
        SailSet("main+jib", 58.0, centre_m=7.2),
        SailSet("main+genoa", 69.0, centre_m=7.0),
        SailSet("reefed main+jib", 45.0, centre_m=6.2),
        SailSet("main+spinnaker", 118.0, "kite", 7.6)))
    wetted_m2: float = 25.0
    friction: float = 0.0034
    residuary: tuple[float, ...] = (
        0, .0004, .0010, .0022, .0045, .0095, .0200, .0370, .0540, .0800, .110, .150)
    gm_m: float = 1.15
    heel_max_deg: float = 22.0
    leeway_k: float = 9.0
    keel_span_m: float = 2.3
    rudder_area_m2: float = 0.38
    rudder_aspect: float = 3.2
    rudder_max_deg: float = 32.0
    weather_helm: float = 0.16
    nomoto_k: float = 1.15
    nomoto_t: float = 0.65
    added_mass: float = 0.08
    roll_period_s: float = 3.4
    roll_damping: float = 0.28
    windage_m2: float = 6.0
    engine_speed_kn: float = 6.9
    rpm_max: float = 3000.0
    sway_lag_s: float = 2.0
    backing_deg_s: float = 3.0
    port_factor: float = 1.0

    @property
    def mass_kg(self) -> float:
        """Surging mass."""
        return self.displacement_kg * (1.0 + self.added_mass)

    @cached_property
    def resistance_n(self) -> np.ndarray:
        """Upright resistance in N every 0.01 m/s from 0 to 20 m/s."""
        from scipy.interpolate import PchipInterpolator

        froude = np.array([0, .15, .2, .25, .3, .35, .4, .45, .5, .6, .8, 1.2, 2.4])
        share = np.append(self.residuary, self.residuary[-1] * 1.6)
        speed = np.arange(0, 20.005, 0.01)
        wave = PchipInterpolator(froude, share)(
            np.minimum(speed / np.sqrt(GRAVITY * self.lwl_m), 2.4))
        return (0.5 * WATER_KG_M3 * self.wetted_m2 * self.friction * speed**2
                + wave * self.displacement_kg * GRAVITY)

    def sail_set(self, name: str) -> SailSet:
        """The sail set of that name; bare poles for an empty name."""
        if not name:
            return BARE
        for sails in self.sails:
            if sails.name == name:
                return sails
        raise ValueError(f"boat {self.name!r} has no sail set {name!r}")

    def engine_thrust_n(self, rpm: float) -> float:
        """Bollard-like thrust at revolutions; falls to 60 % at full speed in ``dynamics``."""
        full = self.engine_speed_kn * KNOT
        return float(self.resistance_n[round(full * 100)]) / 0.6 * (rpm / self.rpm_max) ** 2

    def steady_speed_kn(self, tws_kn: object, twa_deg: object, sails: str,
                        thrust_factor: float = 1.0, wave_height_m: float = 0.0) -> np.ndarray:
        """Speed in a steady wind, solved, not tabulated.

        Parameters
        ----------
        tws_kn, twa_deg : array_like
            True wind over water; the angle off the bow.
        sails : str
            Sail set.
        thrust_factor : float
            Factor on the sails' driving force (trim).
        wave_height_m : float
            Significant height, for the added resistance.

        Returns
        -------
        ndarray
            Speed along the course in knots.
        """
        speed, _, _ = steady_state(self, np.asarray(tws_kn, float), np.asarray(twa_deg, float),
                                   self.sail_set(sails), thrust_factor, wave_height_m)
        return speed / KNOT

    def polar(self, sails: str, wave_height_m: float = 0.0) -> Polar:
        """The steady polar as a table (made once, kept)."""
        key = (self, sails, round(wave_height_m, 3))
        if key not in _POLARS:
            _POLARS[key] = Polar(self, sails, wave_height_m)
        return _POLARS[key]


_POLARS: dict = {}


def added_wave_resistance(boat: BoatModel, height_m: object, twa_deg: object) -> np.ndarray:
    """Mean added resistance in waves in N, largest head on; grows with height squared."""
    ahead = 0.5 + 0.5 * np.cos(np.radians(twa_deg))
    return (0.012 * boat.displacement_kg * GRAVITY
            * np.square(np.asarray(height_m) / boat.lwl_m * 5.0) * ahead**1.5)


def rudder_drag_n(boat: BoatModel, speed_m_s: object, angle_deg: object) -> np.ndarray:
    """Induced drag of the rudder at an angle of attack, lifting-line slope with aspect ratio."""
    aspect = boat.rudder_aspect
    slope = 2.0 * np.pi * aspect / (aspect + 2.0)
    lift = slope * np.sin(np.radians(angle_deg))
    return (0.5 * WATER_KG_M3 * boat.rudder_area_m2 * np.square(speed_m_s)
            * lift**2 / (np.pi * aspect * 0.9))


def steady_state(boat: BoatModel, tws_kn: np.ndarray, twa_deg: np.ndarray, sails: SailSet,
                 thrust_factor: float = 1.0, wave_height_m: float = 0.0,
                 ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Speed (m/s), heel (deg, magnitude) and leeway (deg, magnitude) in a steady wind."""
    tws, twa = np.broadcast_arrays(tws_kn * KNOT, np.abs(twa_deg))
    speed = np.minimum(0.5 * tws, 2.0)
    heel = np.zeros_like(speed)
    leeway = np.zeros_like(speed)
    ease = np.ones_like(speed)
    lift_table, drag_table = sails.coefficients()
    weight = boat.displacement_kg * GRAVITY
    side_max = weight * boat.gm_m * np.sin(np.radians(boat.heel_max_deg)) / max(sails.centre_m, 1.0)
    step = 0.35
    for turn in range(900):
        lee = np.radians(leeway)
        ahead = tws * np.cos(np.radians(twa)) + speed * np.cos(lee)
        # Leeway carries her away from the wind, so it takes from the wind abeam.
        abeam = tws * np.sin(np.radians(twa)) - speed * np.sin(lee)
        aws = np.hypot(ahead, abeam)
        angle = np.degrees(np.arctan2(np.abs(abeam), ahead))
        lift0 = np.interp(angle, np.arange(181.0), lift_table)
        drag0 = np.interp(angle, np.arange(181.0), drag_table)
        beta = np.radians(angle)
        pressure = 0.5 * AIR_KG_M3 * aws**2 * np.cos(np.radians(heel)) ** 2
        side_full = pressure * sails.area_m2 * (lift0 * np.cos(beta) + drag0 * np.sin(beta))
        ease += 0.3 * (np.clip(side_max / np.maximum(side_full, 1.0), 0.15, 1.0) - ease)
        lift = ease * lift0
        drag = 0.06 + (drag0 - 0.06) * ease**1.5
        side = pressure * sails.area_m2 * (lift * np.cos(beta) + drag * np.sin(beta))
        drive = pressure * (thrust_factor * sails.area_m2
                            * (lift * np.sin(beta) - drag * np.cos(beta))
                            - boat.windage_m2 * np.cos(beta))
        heel += 0.3 * (np.degrees(np.arcsin(np.clip(
            side * sails.centre_m / (weight * boat.gm_m), 0, 0.9))) - heel)
        knots = np.maximum(speed / KNOT, 0.8)
        leeway += 0.3 * (np.minimum(boat.leeway_k * heel / knots**2, 16.0) - leeway)
        fluid = 0.5 * WATER_KG_M3 * np.maximum(speed, 0.8) ** 2 * np.pi * boat.keel_span_m**2
        loss = (np.interp(speed, np.arange(0, 20.005, 0.01), boat.resistance_n)
                + np.minimum(side**2 / fluid, STALLED * side)
                + rudder_drag_n(boat, speed, boat.weather_helm * heel)
                + added_wave_resistance(boat, wave_height_m, twa))
        change = step * (drive - loss) / boat.mass_kg
        speed = np.clip(speed + change, 0.0, 19.9)
        if turn > 60 and float(np.max(np.abs(change))) < 1e-6:
            break
    return speed, heel, leeway


class Polar:
    """Steady speed tabulated over 0-45 kn and 0-180 deg, with the best angles up and down."""

    def __init__(self, boat: BoatModel, sails: str, wave_height_m: float = 0.0) -> None:
        from scipy.interpolate import RegularGridInterpolator

        self.tws_kn = np.concatenate([np.arange(0, 20), np.arange(20, 46, 2.5)]).astype(float)
        self.twa_deg = np.arange(0, 181, 2.5)
        tws, twa = np.meshgrid(self.tws_kn, self.twa_deg, indexing="ij")
        speed, _, leeway = steady_state(boat, tws, twa, boat.sail_set(sails), 1.0, wave_height_m)
        self.speed_kn = speed / KNOT
        self._interpolate = RegularGridInterpolator((self.tws_kn, self.twa_deg), self.speed_kn,
                                                    bounds_error=False, fill_value=None)
        vmg = self.speed_kn * np.cos(np.radians(twa + leeway))
        self.best_up_deg = self._peak(np.where((twa > 20) & (twa < 80), vmg, -99))
        self.best_down_deg = self._peak(np.where(twa > 100, -vmg, -99))

    def _peak(self, vmg: np.ndarray) -> np.ndarray:
        top = np.clip(np.argmax(vmg, axis=1), 1, vmg.shape[1] - 2)
        row = np.arange(len(top))
        left, mid, right = vmg[row, top - 1], vmg[row, top], vmg[row, top + 1]
        bend = left - 2 * mid + right
        shift = np.where((bend < -1e-9) & (left > -90) & (right > -90),
                         0.5 * (left - right) / np.where(bend < -1e-9, bend, -1.0), 0.0)
        return self.twa_deg[top] + 2.5 * np.clip(shift, -1, 1)

    def __call__(self, tws_kn: object, twa_deg: object) -> np.ndarray:
        """Speed in knots at any true wind."""
        tws, twa = np.broadcast_arrays(np.asarray(tws_kn, float),
                                       np.abs(np.asarray(twa_deg, float)))
        points = np.stack([np.clip(tws, 0, 45), np.clip(twa, 0, 180)], axis=-1)
        return self._interpolate(points).reshape(tws.shape)

    def best_angle_deg(self, tws_kn: object, upwind: bool) -> np.ndarray:
        """Angle of best speed made good towards or away from the wind."""
        return np.interp(np.asarray(tws_kn, float), self.tws_kn,
                         self.best_up_deg if upwind else self.best_down_deg)


SLOOP = BoatModel()
CATAMARAN = BoatModel(
    name="catamaran", loa_m=8.0, lwl_m=7.8, displacement_kg=1300.0, mast_height_m=12.5,
    sails=(SailSet("main+jib", 46.0, centre_m=5.6),
           SailSet("main+gennaker", 92.0, "kite", 6.2),
           SailSet("reefed main+jib", 34.0, centre_m=4.8)),
    wetted_m2=14.0, friction=0.0036,
    residuary=(0, .0004, .0010, .0020, .0045, .0090, .0150, .0220, .0280, .0370, .055, .085),
    gm_m=10.0, heel_max_deg=6.0, leeway_k=26.0, keel_span_m=1.9, rudder_area_m2=0.30,
    rudder_aspect=3.0, weather_helm=0.25, nomoto_k=0.75, nomoto_t=0.55, added_mass=0.06,
    roll_period_s=1.8, roll_damping=0.5, windage_m2=3.5, engine_speed_kn=6.0, sway_lag_s=1.2,
    backing_deg_s=4.0)
DINGHY = BoatModel(
    name="dinghy", loa_m=4.8, lwl_m=4.4, displacement_kg=290.0, mast_height_m=6.8,
    sails=(SailSet("main+jib", 13.5, centre_m=2.9), SailSet("main+spinnaker", 27.0, "kite", 3.1)),
    wetted_m2=4.3, friction=0.0038,
    residuary=(0, .0005, .0013, .0030, .0070, .0140, .0270, .0430, .0540, .0680, .085, .120),
    gm_m=2.3, heel_max_deg=12.0, leeway_k=8.0, keel_span_m=1.15, rudder_area_m2=0.11,
    rudder_aspect=3.0, weather_helm=0.2, nomoto_k=0.95, nomoto_t=0.45, added_mass=0.06,
    roll_period_s=1.7, roll_damping=0.4, windage_m2=1.2, engine_speed_kn=4.0, rpm_max=4500.0,
    sway_lag_s=0.8, backing_deg_s=8.0)
LONG_KEELER = BoatModel(
    name="long_keeler", loa_m=12.0, lwl_m=9.4, displacement_kg=11800.0, mast_height_m=16.5,
    sails=(SailSet("main+genoa", 76.0, centre_m=7.0), SailSet("main+jib", 60.0, centre_m=7.0),
           SailSet("reefed main+jib", 46.0, centre_m=6.0),
           SailSet("main+gennaker", 118.0, "kite", 7.4)),
    wetted_m2=38.0, friction=0.0036,
    residuary=(0, .0006, .0014, .0030, .0060, .0125, .0260, .0480, .0680, .1000, .140, .190),
    gm_m=1.0, heel_max_deg=24.0, leeway_k=12.0, keel_span_m=2.0, rudder_area_m2=0.75,
    rudder_aspect=1.3, weather_helm=0.28, nomoto_k=0.75, nomoto_t=0.95, added_mass=0.10,
    roll_period_s=4.6, roll_damping=0.25, windage_m2=9.0, engine_speed_kn=6.6, sway_lag_s=3.0,
    backing_deg_s=2.0)
BOATS = {boat.name: boat for boat in (SLOOP, CATAMARAN, DINGHY, LONG_KEELER)}
