"""What each kind of evidence says of each state: log-likelihoods that add up.

Every function gives the log-likelihood of one kind of observation under the four states of
:data:`~sailanalysis.segment.chain.STATES`, shape (n, 4), for an independent piece of time; zeros
where the log is silent. :func:`weighed` bounds what a single kind may say (nothing is certain: a
sensor may lie) and counts each block as the share of independent time that it is. The densities are
broad on purpose: they hold what yachts of all kinds do, and the day's own boat narrows them
(:class:`OwnBoat`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.points import is_downwind
from sailanalysis.segment.blocks import COARSE_S, GUST_ROWS, Blocks
from sailanalysis.segment.chain import ENGINE, LYING, SAILING, SLOWED

BOUND: Final = 4.0
"""No kind of evidence counts for more than 1 in 55 in one independent piece of time."""
NO_GO_DEG: Final = 25.0
"""Half of all boats' sails have stopped drawing here: close-winded racers lie at 30 deg to the
true wind, cruisers at 45; the vane may be some degrees off (common practice)."""
NO_GO_SD_DEG: Final = 2.5
WAY_KN: Final = 0.45
MADE_KN: Final = 0.8
"""A boat sheering at anchor swings to and fro through the wind as in tacks, but keeps her place."""
FROUDE_KN: Final = 2.43
"""Hull speed in knots over the square root of the waterline in metres: a wave as long as the
waterline runs at sqrt(g L / 2 pi) = 1.25 m/s sqrt(L / m)."""
USUAL_LWL_M: Final = 8.5


@dataclass(frozen=True)
class OwnBoat:
    """What is known of this boat, before the day (a guess) or from its surest parts.

    Attributes
    ----------
    hull_kn : float
        Hull speed, from the waterline where it is known.
    sail_log : tuple of three float
        Log of her speed under sail against the general one: close-hauled, reaching, running.
    sail_sd : float
        Spread of that log.
    engine_kn, engine_sd : float
        Usual speed under engine, and the spread of its log.
    heel_per_pressure : float
        Degrees of heel per square knot of apparent wind abeam; NaN where not known.
    known : bool
        Whether the day has shown what she does under sail.
    """

    hull_kn: float
    sail_log: tuple[float, float, float] = (0.0, 0.0, 0.0)
    sail_sd: float = 0.42
    engine_kn: float = float("nan")
    engine_sd: float = 0.45
    heel_per_pressure: float = float("nan")
    known: bool = False


def general_boat(lwl_m: float | None, loa_m: float | None) -> OwnBoat:
    """Before the day has shown anything."""
    length = lwl_m or (0.88 * loa_m if loa_m else USUAL_LWL_M)
    return OwnBoat(FROUDE_KN * float(np.sqrt(length)))


def sail_speed_kn(boat: OwnBoat, tws_kn: Floats, off_deg: Floats) -> Floats:
    """Speed that sails usually give: some 0.6 of a light wind abeam, levelling off at hull speed.

    Shape and numbers are those of published velocity predictions of cruising yachts, rounded
    (common practice); the day's own boat corrects it by ``sail_log``.
    """
    x = np.clip((off_deg - 20.0) / 70.0, 0.0, 1.0)
    shape = np.where(off_deg < 90.0, np.sqrt(np.maximum(x, 0.0)),
                     1.0 - 0.3 * np.clip((off_deg - 110.0) / 70.0, 0.0, 1.0) ** 1.5)
    top = 1.15 * boat.hull_kn
    usual = top * (1.0 - np.exp(-0.62 * tws_kn * shape / top))
    close, abeam, aft = boat.sail_log
    own = np.interp(off_deg, [50.0, 75.0, 115.0, 145.0], [close, abeam, abeam, aft])
    return np.asarray(usual * np.exp(own), dtype=float)


def _normal(x: Floats, mean: Floats | float, sd: Floats | float) -> Floats:
    return np.asarray(np.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * np.sqrt(2 * np.pi)),
                      dtype=float)


def _logs(n: int, **by_state: Floats) -> Floats:
    out = np.zeros((n, 4))
    for state, name in ((SAILING, "sailing"), (SLOWED, "slowed"), (ENGINE, "engine"),
                        (LYING, "lying")):
        out[:, state] = np.log(np.maximum(by_state[name], 1e-12))
    return out


def weighed(log: Floats, known: NDArray[np.bool_], block_s: Floats,
            independent_s: float | tuple[float, float, float, float]) -> Floats:
    """Bound a log-likelihood and temper it by the share of independent time in a block.

    ``independent_s`` may differ by state: what a state falls short of the best by.
    """
    log = np.maximum(log - log.max(axis=1, keepdims=True), -BOUND)
    share = np.minimum(block_s[:, None] / np.atleast_1d(np.asarray(independent_s, dtype=float)),
                       1.0)
    return np.asarray(np.where(known[:, None], log, 0.0) * share, dtype=float)


def engine_density(boat: OwnBoat, x: Floats) -> Floats:
    """Of log(speed + 0.3 kn) under engine: cruising at three quarters of hull speed, or slow."""
    usual = 0.75 * boat.hull_kn
    broad = 0.7 * _normal(x, np.log(usual + 0.3), 0.33) + 0.3 * _normal(x, np.log(2.0), 0.6)
    if not np.isfinite(boat.engine_kn):
        return broad
    return 0.5 * broad + 0.5 * _normal(x, np.log(boat.engine_kn + 0.3), boat.engine_sd)


def speed_evidence(b: Blocks, boat: OwnBoat) -> Floats:
    """Speed against what sails give at that angle and wind, against an engine's, against none.

    The wind carries the error of boat speed and wind speed (some 0.4 kn), so that in a near calm
    a little more speed is still believed of the sails.
    """
    speed = b.speed_kn
    x = np.log(np.maximum(speed, 0.0) + 0.3)
    low, high = (np.log(sail_speed_kn(boat, np.maximum(b.tws_kn + error, 0.0),
                                      np.where(np.isfinite(off), off, 90.0)) + 0.3)
                 for error, off in ((-0.4, b.near_deg), (0.4, b.far_deg)))
    below, above = np.minimum(x - low, 0.0), np.maximum(x - high, 0.0)
    sd = boat.sail_sd
    sail = 0.97 * _normal(below / (1.15 * sd) + above / sd, 0.0, 1.0) / sd + 0.03 * 0.3
    slow = 0.9 * _normal(x, 0.5 * (low + high) + np.log(0.33), 0.5) \
        + 0.1 * _normal(x, np.log(0.8), 0.6)
    # An unsure course through the water: over ground, a drift is a current too.
    still = np.where(np.isfinite(b.stw_kn), 0.2, 0.8)
    v = np.maximum(speed, 0.0)
    lying = (0.94 * np.exp(-v / still) / still + 0.06 * np.exp(-v / 1.5) / 1.5) * (v + 0.3)
    return _logs(len(b), sailing=sail, slowed=slow, engine=engine_density(boat, x), lying=lying)


def angle_evidence(b: Blocks) -> Floats:
    """No sail draws close to the wind; an engine goes there, and often does.

    Only what speaks against sailing is taken: that she is at an angle where one can sail proves
    nothing new each minute.
    """
    off = b.far_deg
    can = 1.0 / (1.0 + np.exp(-(off - NO_GO_DEG) / NO_GO_SD_DEG))
    fades = np.where(b.fading > 0, 0.35, 0.02)  # a luff carries her way for some seconds
    sail = fades + (1.0 - fades) * can
    return _logs(len(b), sailing=sail, slowed=0.35 + 0.65 * np.minimum(can, ~is_downwind(off)),
                 engine=np.ones(len(b)) + 0.7 * np.exp(-0.5 * (off / 15.0) ** 2),
                 lying=np.ones(len(b)))


def way_evidence(b: Blocks) -> Floats:
    """Without steerage way, half a knot (common practice), sails set for minutes are no sailing."""
    way = 1.0 / (1.0 + np.exp(-np.clip((b.speed_kn - WAY_KN) / 0.08, -50.0, 50.0)))
    return _logs(len(b), sailing=0.06 + 0.94 * way, slowed=0.15 + 0.85 * way,
                 engine=0.15 + 0.85 * way, lying=1.0 - 0.7 * way)


def habit_evidence(b: Blocks) -> Floats:
    """What crews do: sail in a sailing breeze, motor in a calm, and sail close-hauled a third of
    their time, where an engine's course falls by chance (common practice). A new leg says
    something new, not a new minute.
    """
    off = b.off_deg
    breeze = np.where(b.tws_kn < 4.5, 0.6, np.where((b.tws_kn > 7.0) & (off > 35.0), 2.5, 1.0))
    close = 1.0 / (1.0 + np.exp(-(off - 34.0) / 2.5)) / (1.0 + np.exp((off - 54.0) / 2.5))
    sail = 0.35 * close / 20.0 + 0.65 / 150.0
    return _logs(len(b), sailing=breeze * sail, slowed=np.full(len(b), 1.0 / 180.0),
                 engine=np.full(len(b), 1.0 / 180.0), lying=np.full(len(b), 1.0 / 180.0))


def answer_evidence(b: Blocks, boat: OwnBoat) -> Floats:
    """Gusts drive a sailing boat and leave an engine's speed as it is, or hold it up.

    Where speed levels off towards a top as v = top (1 - exp(-w)), a gust's share that is taken up
    is w (1 - v / top) / (v / top): nearly all of it in light air, a third near the top. Inertia
    leaves three quarters of that.
    """
    def at(mean: Floats | float, sd: float) -> Floats:
        return _normal(b.answer, mean, np.hypot(sd, b.answer_sd)) + 0.02

    share = np.clip(np.nan_to_num(b.speed_kn) / (1.25 * boat.hull_kn), 0.05, 0.9)
    taken = -np.log(1.0 - share) * (1.0 - share) / share
    # Rows far apart catch a gust or miss it, and the share looks smaller or like none.
    sail = np.where(b.block_s > COARSE_S, 0.5 * at(0.4 * taken, 0.25) + 0.5 * at(0.1, 0.15),
                    0.85 * at(0.75 * taken, 0.25) + 0.15 * at(0.2, 0.2))
    engine = 0.75 * at(0.0, 0.1) + 0.25 * at(0.2, 0.25)
    return _logs(len(b), sailing=sail, slowed=at(0.4, 0.6), engine=engine, lying=at(0.2, 0.8))


def evenness_evidence(b: Blocks) -> Floats:
    """Without wind in the log: an engine's speed is evener than a sail's (a weak sign)."""
    x = np.log(b.uneven)

    def at(mean: float, sd: float) -> Floats:
        return _normal(x, np.log(mean), sd) + 0.08

    return _logs(len(b), sailing=at(0.07, 0.5), slowed=at(0.2, 0.6), engine=at(0.03, 0.7),
                 lying=at(0.2, 0.9))


def side_pressure(b: Blocks) -> Floats:
    """Square knots of apparent wind that heel her, as a share of what they do close-hauled.

    Lift on the sails is athwart the wind: it heels her close-hauled, drives her on a reach, and
    with the wind on the quarter it takes up what drag there is to leeward. Crews reef: no more
    than a fresh breeze's.
    """
    share = np.maximum(np.cos(np.radians(b.apparent_deg / 1.5)), 0.0)
    return np.asarray(np.minimum(b.aws_kn**2 * share, 350.0), dtype=float)


def heel_evidence(b: Blocks, boat: OwnBoat) -> Floats:
    """Sails heel her to leeward in proportion to the wind's pressure; bare poles hardly.

    A monohull heels 20 deg close-hauled in 18 kn of apparent wind, two hulls 3-5 (common practice).
    Where neither the day nor the boat file tells which she is, both are thought possible.
    """
    pressure = side_pressure(b)

    def at(per: float) -> Floats:
        sd = 1.5 + 0.4 * per * pressure
        return 0.5 * np.exp(-np.abs(b.lee_deg - per * pressure) / sd) / sd + 0.003

    if np.isfinite(boat.heel_per_pressure):
        k = boat.heel_per_pressure
        sail, bare = at(k), at(min(0.006, 0.12 * k))
    else:
        sail, bare = 0.5 * at(0.065) + 0.25 * at(0.02) + 0.25 * at(0.009), at(0.005)
    return _logs(len(b), sailing=sail, slowed=0.5 * sail + 0.5 * bare,
                 engine=0.75 * bare + 0.25 * sail, lying=bare)


def place_evidence(b: Blocks) -> Floats:
    """The patch she covers: as her speed through the water and a stream make it, or nearly none.

    At a mooring the log reads the stream, and the place is kept; adrift the place goes with it.
    """
    made = b.made_kn
    water = np.where(np.isfinite(b.stw_kn), b.stw_kn, b.sog_kn)

    def way(sd: float) -> Floats:
        return 0.5 * np.exp(-np.abs(made - water) / sd) / sd + 0.01

    lying = 0.6 * np.exp(-made / 0.12) / 0.12 + 0.4 * np.exp(-made / 0.9) / 0.9
    return _logs(len(b), sailing=way(0.7), slowed=way(0.7), engine=way(0.7), lying=lying)


def kept_evidence(b: Blocks) -> Floats:
    """Over ten minutes a boat with way on covers ground; one at anchor keeps within her circle."""
    kept = b.kept_kn

    def within(kn: float) -> Floats:
        return np.asarray(np.exp(-kept / kn) / kn, dtype=float)

    away = 1.0 / (1.0 + np.exp(-(kept - 0.3) / 0.05))
    way = 0.02 + 0.25 * away
    return _logs(len(b), sailing=way, slowed=way, engine=way,
                 lying=0.6 * within(0.12) + 0.4 * within(0.9) + 0.02)


def crab_evidence(b: Blocks) -> Floats:
    """Under way she goes where she points, less leeway and stream; adrift she goes anyhow."""
    water = np.maximum(b.speed_kn, 0.2)
    sd = np.minimum(8.0 + 35.0 / water, 90.0)
    ahead = 0.9 * np.exp(-b.crab_deg / sd) / sd / (1.0 - np.exp(-180.0 / sd)) + 0.1 / 180.0
    any_way = np.full(len(b), 1.0 / 180.0)
    return _logs(len(b), sailing=ahead, slowed=0.5 * (ahead + any_way), engine=ahead, lying=any_way)


def turn_evidence(b: Blocks) -> Floats:
    """Turns between mirrored angles are what sails are for; an engine goes straight there."""
    tack, gybe, wide = b.tacked == 1.0, b.tacked < 0, b.tacked == 0.5
    other = np.where(tack, 0.08, np.where(gybe, 0.3, np.where(wide, 0.4, 1.0)))
    return _logs(len(b), sailing=np.ones(len(b)), slowed=np.where(tack | gybe, 0.5, 1.0),
                 engine=other, lying=other)


def all_evidence(b: Blocks, boat: OwnBoat) -> Floats:
    """Sum of all that a log has; seconds of independence in :data:`INDEPENDENT_S`."""
    wind = np.isfinite(b.tws_kn)
    speed = np.isfinite(b.speed_kn)
    moving = speed & (np.nan_to_num(b.speed_kn) > 0.8)
    s = INDEPENDENT_S
    slow = s["speed"]
    # What she is seen to do under sail she does all day: falling short of it for minutes counts.
    own = (s["speed short"], slow, slow, slow) if boat.known else slow
    heel = s["heel own"] if np.isfinite(boat.heel_per_pressure) else s["heel"]
    return np.asarray(
        weighed(speed_evidence(b, boat) if wind.any() else _no_wind_speed(b, boat),
                speed & wind if wind.any() else speed, b.block_s, own)
        + weighed(way_evidence(b), speed, b.block_s, s["way"])
        + weighed(angle_evidence(b), moving & np.isfinite(b.off_deg), b.block_s, s["angle"])
        + weighed(habit_evidence(b), moving & np.isfinite(b.off_deg), b.block_s, s["habit"])
        + weighed(answer_evidence(b, boat), moving & np.isfinite(b.answer),
                  np.where(b.block_s > COARSE_S, s["answer"] / GUST_ROWS, b.block_s), s["answer"])
        + weighed(evenness_evidence(b), moving & np.isfinite(b.uneven) & ~np.isfinite(b.answer),
                  b.block_s, s["evenness"])
        + weighed(heel_evidence(b, boat), np.isfinite(b.lee_deg) & np.isfinite(b.aws_kn)
                  & np.isfinite(b.apparent_deg), b.block_s, heel)
        + weighed(place_evidence(b), np.isfinite(b.made_kn) & speed, b.block_s, s["place"])
        + weighed(kept_evidence(b), (b.kept_kn < 0.4) & speed, b.block_s, s["kept"])
        + weighed(crab_evidence(b), np.isfinite(b.crab_deg) & (b.sog_kn > 0.4), b.block_s,
                  s["crab"])
        + weighed(turn_evidence(b), (b.tacked != 0.0) & moving & ~(b.made_kn < MADE_KN),
                  b.block_s, s["turn"]), dtype=float)


def _no_wind_speed(b: Blocks, boat: OwnBoat) -> Floats:
    """Speed alone, where no wind is logged: way or none."""
    v = np.maximum(b.speed_kn, 0.0)
    x = np.log(v + 0.3)
    sail = 0.9 * _normal(x, np.log(0.65 * boat.hull_kn), 0.5) + 0.1 * _normal(x, np.log(1.2), 0.6)
    still = np.where(np.isfinite(b.stw_kn), 0.2, 0.6)
    lying = (0.94 * np.exp(-v / still) / still + 0.06 * np.exp(-v / 1.5) / 1.5) * (v + 0.3)
    return _logs(len(b), sailing=sail, slowed=_normal(x, np.log(1.2), 0.5),
                 engine=0.7 * _normal(x, np.log(0.7 * boat.hull_kn), 0.45)
                 + 0.3 * _normal(x, np.log(2.0), 0.6), lying=lying)


INDEPENDENT_S: Final = {
    "speed": 300.0, "speed short": 90.0, "way": 90.0, "angle": 60.0, "habit": 1200.0,
    "answer": 200.0, "evenness": 1800.0,
    "heel": 600.0, "heel own": 150.0, "place": 120.0, "kept": 200.0, "crab": 240.0, "turn": 160.0}
"""Seconds after which each kind of evidence says something new. What is unknown of the boat
(her speed, her stiffness) is the same all day, so that a minute more says little of it."""
