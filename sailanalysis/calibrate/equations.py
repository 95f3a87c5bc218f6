"""What holds in every steady block: the equations of the calibration and their parameters.

Derivation: :mod:`calibrate_fit`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.calibrate.blocks import BOARDS, MIN_WIND_KN, Seconds
from sailanalysis.core.angles import Floats, unwrap, wrap180

WANTED: Final = ("stw_factor", "awa_offset_deg", "aws_factor", "heading_offset_deg", "leeway_k")
"""Corrections as the boat file holds them."""
FITTED: Final = ("stw_factor", "awa_offset_deg", "aws_factor", "heading_offset_deg", "leeway_deg")
"""What the fit estimates; ``leeway_deg`` is the leeway close-hauled, whatever she heels."""
NUISANCE: Final = ("upwash_deg", "heel_zero_deg", "speed_side", "leeway_side_deg",
                   "leeway_reach_deg", "leeway_power", "doubtful_sails", "wheel_on_keel",
                   "lift_deg", "shear_deg", *BOARDS,
                   "dev_sin1_deg", "dev_cos1_deg", "dev_sin2_deg", "dev_cos2_deg")
ANGLE_KNOTS_DEG: Final = (30.0, 42.0, 55.0, 75.0, 100.0, 125.0, 150.0, 180.0)
WIND_KNOTS_DEG: Final = (45.0, 90.0, 150.0)
POLAR_LEVELS: Final = tuple(f"polar_{k:.0f}" for k in ANGLE_KNOTS_DEG)
POLAR_SLOPES: Final = tuple(f"polar_wind_{k:.0f}" for k in WIND_KNOTS_DEG)
NAMES: Final = (*FITTED, *NUISANCE, "polar_side", *POLAR_LEVELS, *POLAR_SLOPES)
PRIOR: Final[dict[str, tuple[float, float]]] = {
    # Mean and standard deviation before the day speaks (common practice for yachts): speed 3-10 %
    # off, vane and compass a few degrees; leeway close-hauled mostly 2-5 deg.
    "stw_factor": (1.0, 0.15), "awa_offset_deg": (0.0, 8.0), "aws_factor": (1.0, 0.15),
    "heading_offset_deg": (0.0, 8.0), "leeway_deg": (3.0, 2.5),
    "upwash_deg": (0.0, 1.0), "speed_side": (0.0, 0.006),
    # Heel shown with no side force: a sensor levelled by eye and a boat that lists with stores and
    # crew are within a degree (common practice). It reads as leeway the same way on both tacks,
    # which only the compass can answer for: k / stw^2 degrees of it.
    "heel_zero_deg": (0.0, 0.5),
    # Leeway beside the keel's law, everywhere and off the wind; how much of the leeway's cosine
    # the wheel on the keel misses.
    "leeway_side_deg": (0.0, 0.1), "leeway_reach_deg": (0.0, 0.1), "wheel_on_keel": (0.5, 0.3),
    # Straight with heel, or less: what resists heel and leeway is no straight line.
    "leeway_power": (1.0, 0.3),
    # Share of that leeway where she was taken for motoring and no engine was heard.
    "doubtful_sails": (0.5, 0.4),
    **dict.fromkeys(BOARDS, (0.0, 2.5)),
    # Who tacks on headers sails lifted: the wind's direction then goes with the side.
    "lift_deg": (0.0, 1.5),
    # The wind that the sails feel less that at the masthead (it turns with height), or a rig out
    # of tune: a few degrees, the same way on both tacks (common practice).
    "shear_deg": (0.0, 2.5),
    "dev_sin1_deg": (0.0, 0.5), "dev_cos1_deg": (0.0, 0.5),
    "dev_sin2_deg": (0.0, 0.5), "dev_cos2_deg": (0.0, 0.5),
    # The boat herself on the two tacks; her speed by angle (log of knots about the day's mean)
    # and how it grows with the wind (a power of it).
    "polar_side": (0.0, 0.006),
    **dict.fromkeys(POLAR_LEVELS, (0.0, 0.5)),
    **dict.fromkeys(POLAR_SLOPES, (0.5, 0.4)),
}
SECTORS_DEG: Final = (50.0, 80.0, 115.0)
"""Bounds of close-hauled, close reach, beam reach and broad reach to run, by apparent wind."""
FREE_DEVIATION_SD: Final = 4.0
"""Prior for each deviation term when the curve itself is asked for."""
_STEP: Final[dict[str, float]] = {"stw_factor": 5e-4, "aws_factor": 5e-4, "speed_side": 5e-4}


@dataclass
class Component:
    """One real-valued equation of all its blocks, linear about a point.

    Attributes
    ----------
    process : str
        Which variation is its noise: ``water``, ``speed``, ``direction`` or ``boat``.
    residual : ndarray, shape (n,)
    slope : ndarray, shape (n, p)
        Derivative of the residual with each parameter.
    instrument : ndarray, shape (n, p)
        Slope used for weighing: the same less the part that shares the residual's noise.
    """

    process: str
    residual: Floats
    slope: Floats
    instrument: Floats

    def moved(self, step: Floats) -> Component:
        """The same with the parameters moved by ``step``, by the linear model."""
        return Component(self.process, self.residual + self.slope @ step, self.slope,
                         self.instrument)


def compass_turn(angle_deg: Floats) -> NDArray[np.complex128]:
    """Unit vector north + i east of a bearing."""
    angle = np.radians(angle_deg)
    out = np.empty(np.shape(angle), dtype=complex)
    out.real, out.imag = np.cos(angle), np.sin(angle)
    return out


def deviation(theta: dict[str, float], hdg_deg: Floats) -> Floats:
    """Deviation at a compass heading from the four curve terms, degrees."""
    return _deviation(theta, compass_turn(np.asarray(hdg_deg, dtype=float)))


def _deviation(theta: dict[str, float], bow: NDArray[np.complex128]) -> Floats:
    """The same from the unit vector of the heading: no further trigonometry."""
    twice = bow * bow
    return np.asarray(
        theta["dev_sin1_deg"] * bow.imag + theta["dev_cos1_deg"] * bow.real
        + theta["dev_sin2_deg"] * twice.imag + theta["dev_cos2_deg"] * twice.real, dtype=float)


def bow_turn(data: Seconds, theta: dict[str, float]) -> NDArray[np.complex128]:
    """Unit vector of the corrected heading, sample by sample."""
    off = theta["heading_offset_deg"] + _deviation(theta, data.bow)
    return data.bow * compass_turn(off)


def water_way(
    data: Seconds, theta: dict[str, float], bow: NDArray[np.complex128] | None = None
) -> NDArray[np.complex128]:
    """Velocity through the water, sample by sample; ``bow`` as from :func:`bow_turn`."""
    factor = theta["stw_factor"] * (1.0 + theta["speed_side"] * data.leaning)
    leeway = np.clip(data.leeway(theta), -25.0, 25.0)
    bow = bow_turn(data, theta) if bow is None else bow
    missed = 0.5 * np.radians(leeway) ** 2
    return factor * (1.0 + theta["wheel_on_keel"] * missed) * data.stw_kn * bow * compass_turn(
        leeway)


def level_air(
    data: Seconds, theta: dict[str, float], bow: NDArray[np.complex128] | None = None
) -> NDArray[np.complex128]:
    """Apparent wind (where from) on the chart, sample by sample."""
    shown = data.shown_air * (theta["aws_factor"] * compass_turn(
        theta["awa_offset_deg"] - theta["upwash_deg"] * data.upwash_shape))
    level = np.empty(shown.shape, dtype=complex)
    level.real, level.imag = shown.real, shown.imag / data.cos_heel
    bow = bow_turn(data, theta) if bow is None else bow
    return level * bow


@dataclass
class _Seen:
    """Block values at one set of errors."""

    water: NDArray[np.complex128]
    log_speed: Floats
    from_deg: Floats
    twa_deg: Floats
    log_wind: Floats
    log_boat: Floats


class Equations:
    """Block residuals of all equations as functions of the errors."""

    def __init__(self, data: Seconds) -> None:
        self.data = data
        theta = {name: PRIOR[name][0] for name in NAMES}
        none = np.zeros(0, np.intp)
        self.ground = data.mean(data.ground_kn)
        way = data.mean(water_way(data, theta))
        self.has_ground = bool(np.isfinite(self.ground).mean() > 0.5)
        both = np.isfinite(self.ground) & np.isfinite(way)
        self.water_blocks = np.flatnonzero(both) if both.sum() >= 6 else none
        air = data.mean(level_air(data, theta))
        wind = air - (self.ground if self.has_ground else way)
        good = np.isfinite(wind) & (np.abs(np.nan_to_num(wind)) > MIN_WIND_KN)
        self.wind_blocks = np.flatnonzero(good) if good.sum() >= 6 else none
        sailed = data.mean(data.has_sails.astype(float)) > 0.5
        over_water = np.abs(np.nan_to_num(air - way))
        boat = good & sailed & np.isfinite(way) & (over_water > MIN_WIND_KN)
        self.boat_blocks = np.flatnonzero(boat) if boat.sum() >= 6 else none
        self._direction_deg = unwrap(np.degrees(np.angle(wind[self.wind_blocks])))
        self.centre_deg = float(np.median(self._direction_deg)) if good.any() else 0.0
        self.level = float(np.median(np.log(np.abs(wind[good])))) if good.any() else 0.0
        speed = np.log(np.maximum(data.mean(data.stw_kn), 0.3))
        self.log_boat = float(np.median(speed[boat])) if boat.any() else 0.0
        self._chosen_side = data.mean(data.chosen_side)[self.wind_blocks]
        self._leg, self._leg_hdg_deg = self._legs()

    def see(self, theta: dict[str, float]) -> _Seen:
        """Block values at the given errors."""
        data = self.data
        bow = bow_turn(data, theta)
        way_now, air_now = water_way(data, theta, bow), level_air(data, theta, bow)
        way, air = data.mean(way_now), data.mean(air_now)
        wind = (air - (self.ground if self.has_ground else way))[self.wind_blocks]
        off = np.degrees(np.angle(wind * compass_turn(-self._direction_deg)))
        # Over the water, seen from the bow.
        felt = data.mean((air_now - way_now) * bow.conj())[self.boat_blocks]
        return _Seen(
            water=(self.ground - way)[self.water_blocks],
            log_speed=np.log(np.maximum(np.abs(wind), 0.5)) - self.level,
            from_deg=self._direction_deg + off - self.centre_deg,
            twa_deg=np.degrees(np.angle(felt)),
            log_wind=np.log(np.maximum(np.abs(felt), 0.5)) - self.level,
            log_boat=np.log(np.maximum(np.abs(way), 0.3))[self.boat_blocks] - self.log_boat,
        )

    def water_wind(self, theta: dict[str, float]) -> NDArray[np.complex128]:
        """True wind over the water (where from) of every block."""
        return self.data.mean(level_air(self.data, theta) - water_way(self.data, theta))

    def residuals(self, theta: Floats) -> dict[str, Floats]:
        """The five real equations."""
        named = dict(zip(NAMES, theta.tolist(), strict=True))
        seen = self.see(named)
        # The sails feel the wind turned by the shear.
        basis = polar_basis(wrap180(seen.twa_deg + named["shear_deg"]), seen.log_wind)
        expected = basis @ theta[_POLAR] + named["polar_side"] * np.sign(seen.twa_deg)
        return {"north": seen.water.real, "east": seen.water.imag, "speed": seen.log_speed,
                "direction": seen.from_deg - named["lift_deg"] * self._chosen_side,
                "boat": seen.log_boat - expected}

    def linear(self, theta: Floats, alike: dict[str, Floats]) -> list[Component]:
        """All equations, linear about ``theta``: small differences, the polar's part exact."""
        here = self.residuals(theta)
        slopes = {key: np.zeros((value.size, len(NAMES))) for key, value in here.items()}
        for i, name in enumerate(NAMES[: len(FITTED) + len(NUISANCE)]):
            step = _STEP.get(name, 0.02)
            up = theta.copy()
            up[i] += step
            high = self.residuals(up)
            for key, slope in slopes.items():
                slope[:, i] = (high[key] - here[key]) / step
        named = dict(zip(NAMES, theta.tolist(), strict=True))
        seen = self.see(named)
        slopes["boat"][:, _POLAR] = -polar_basis(wrap180(seen.twa_deg + named["shear_deg"]),
                                                 seen.log_wind)
        slopes["boat"][:, NAMES.index("polar_side")] = -np.sign(seen.twa_deg)
        out = []
        for name, (key, *more) in (("water", ("north", "east")), ("speed", ("speed",)),
                                   ("direction", ("direction",)), ("boat", ("boat",))):
            if not here[key].size:
                continue
            free = self._instruments(name, [slopes[k] for k in (key, *more)], alike[name])
            out += [Component(name, here[k], slopes[k], f)
                    for k, f in zip((key, *more), free, strict=True)]
        return out

    def _instruments(self, name: str, slopes: list[Floats], alike: Floats) -> list[Floats]:
        """Slopes free of the noise of their own block.

        A gust is in the reading and in the slope alike, and a tide that turns changes the wind
        over the water, and with it speed and heading. Slopes as the boat sails that way on
        average over the day, on the mean heading of the leg, know neither.
        """
        at = self._blocks_of(name)
        heading = self._leg_hdg_deg[at]
        first = len(FITTED) + len(NUISANCE)
        if name == "water":
            turn = compass_turn(heading)[:, None]
            now = self.data.mean(self.data.bow)[at]
            now = (now / np.abs(now))[:, None]
            body = alike @ ((slopes[0] + 1j * slopes[1]) / now) * turn
            free = [body.real, body.imag]
        else:
            free = [np.hstack([alike @ s[:, :first], s[:, first:]]) for s in slopes]
        h = np.radians(heading)
        for out in free:
            per_degree = out[:, NAMES.index("heading_offset_deg")]
            for term, shape in (("dev_sin1_deg", np.sin(h)), ("dev_cos1_deg", np.cos(h)),
                                ("dev_sin2_deg", np.sin(2 * h)), ("dev_cos2_deg", np.cos(2 * h))):
                out[:, NAMES.index(term)] = per_degree * shape
        return free

    def _blocks_of(self, name: str) -> NDArray[np.intp]:
        return {"water": self.water_blocks, "boat": self.boat_blocks}.get(name, self.wind_blocks)

    def alike(self) -> dict[str, Floats]:
        """Averaging weights of blocks over the day's others sailed alike, by process.

        Alike are legs on the same side of the wind and in the same of four sectors of apparent
        wind, under the same drive. A leg goes by its mean: a block that a gust or an eddy moved
        stays with its leg. Rows sum to 1.
        """
        kind = self._sailed_as()
        out = {}
        for name in ("water", "speed", "direction", "boat"):
            at = self._blocks_of(name)
            near = (kind[at][:, None] == kind[at][None, :]).astype(float)
            out[name] = near / np.maximum(near.sum(axis=1, keepdims=True), 1.0)
        return out

    def kinds(self) -> dict[str, NDArray[np.intp]]:
        """Way of sailing of each block by process, both sides of the wind alike."""
        kind = self._sailed_as()
        both = np.where(kind > 0, (kind + 1) // 2, kind)
        return {name: both[self._blocks_of(name)]
                for name in ("water", "speed", "direction", "boat")}

    def _sailed_as(self) -> NDArray[np.intp]:
        """Way of sailing of each block's leg: a small number."""
        air = self.data.mean(compass_turn(self.data.awa_deg))
        leg_air = np.zeros(self.data.blocks, dtype=complex)
        np.add.at(leg_air, self._leg, np.nan_to_num(air))
        awa = np.angle(leg_air[self._leg], deg=True)
        sector = np.searchsorted(SECTORS_DEG, np.abs(awa))
        kind = np.where(np.abs(leg_air[self._leg]) > 0, 1 + 2 * sector + (awa > 0), 0)
        sails = self.data.mean(self.data.has_sails.astype(float)) > 0.5
        return np.asarray(np.where(sails, kind, -1), dtype=np.intp)

    def _legs(self) -> tuple[NDArray[np.intp], Floats]:
        """Number of the leg of each block, and that leg's mean heading.

        A new leg begins after a hole (a turn, a stop) and where heading or apparent wind changed
        by more than 25 deg from block to block.
        """
        data = self.data
        bow = data.mean(data.bow)
        air = data.mean(compass_turn(data.awa_deg))
        end = data.middle_s + 0.5 * data.seconds
        hole = data.middle_s[1:] - 0.5 * data.seconds[1:] - end[:-1] > 5.0
        turned = np.abs(np.angle(bow[1:] * bow[:-1].conj(), deg=True)) > 25.0
        shifted = np.abs(np.nan_to_num(np.angle(air[1:] * air[:-1].conj(), deg=True))) > 25.0
        leg = np.concatenate([[0], np.cumsum(hole | turned | shifted)]).astype(np.intp)
        total = np.zeros(leg[-1] + 1, dtype=complex)
        np.add.at(total, leg, bow * data.seconds)
        return leg, np.angle(total[leg], deg=True)


_POLAR: Final = slice(NAMES.index(POLAR_LEVELS[0]), len(NAMES))


def polar_basis(twa_deg: Floats, log_wind: Floats) -> Floats:
    """Tents over the angle off the wind, and over it times the wind's logarithm."""
    angle = np.abs(twa_deg)
    return np.hstack([_tents(angle, ANGLE_KNOTS_DEG),
                      _tents(angle, WIND_KNOTS_DEG) * log_wind[:, None]])


def _tents(x: Floats, knots: tuple[float, ...]) -> Floats:
    """Piecewise linear basis; constant beyond the first and last knot."""
    at = np.clip(x, knots[0], knots[-1])
    return np.column_stack([
        np.interp(at, knots, np.eye(len(knots))[i]) for i in range(len(knots))])
