"""What each kind of evidence says of each state: log-likelihoods that add up.

Every function gives the log-likelihood of one kind of observation under the four states of
:data:`~sailanalysis.segment.chain.STATES`, shape (n, 6), for an independent piece of time; zeros
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
from sailanalysis.segment.chain import ADRIFT, BOTH, ENGINE, LYING, SAILING, SLOWED, STATES

BOUND: Final = 4.0
"""No kind of evidence counts for more than 1 in 55 in one independent piece of time."""
NO_GO_DEG: Final = 25.0
"""Half of all boats' sails have stopped drawing here: close-winded racers lie at 30 deg to the
true wind, cruisers at 45; the vane may be some degrees off (common practice)."""
NO_GO_SD_DEG: Final = 2.5
WAY_KN: Final = 0.45
WINDAGE: Final = 0.035
"""Way that a yacht under bare poles makes for each knot of wind (common practice: 1 kn in 25-30
kn ahead, as much to leeward)."""
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
    sail_log : float
        Log of her speed under sail against the general one's.
    engine_kn : float
        Usual speed under engine.
    heel_per_pressure : float
        Degrees of heel per square knot of apparent wind abeam; NaN where not known.
    two_hulls : bool
        A catamaran: her heel tells nothing.
    length_known : bool
        Whether hull speed comes from the boat file.
    """

    hull_kn: float
    sail_log: float = 0.0
    engine_kn: float = float("nan")
    heel_per_pressure: float = float("nan")
    two_hulls: bool = False
    length_known: bool = False


def general_boat(lwl_m: float | None, loa_m: float | None, hull: str = "") -> OwnBoat:
    """Before the day has shown anything."""
    length = lwl_m or (0.88 * loa_m if loa_m else USUAL_LWL_M)
    return OwnBoat(FROUDE_KN * float(np.sqrt(length)), two_hulls=hull == "catamaran",
                   length_known=bool(lwl_m or loa_m))


def sail_speed_kn(boat: OwnBoat, tws_kn: Floats, off_deg: Floats) -> Floats:
    """Speed that sails usually give: near that of a light wind abeam, levelling off at hull speed.

    Shape and numbers are those of published velocity predictions of cruising yachts, rounded and
    a tenth off for crew and load (common practice): 9 m of waterline make 6.2 kn abeam in 12 kn of
    wind, 5.3 at 42 deg, 5.1 running. The boat supposed corrects them by ``sail_log``.
    """
    shape = np.where(off_deg < 90.0, 1.0 - np.exp(-np.maximum(off_deg - 20.0, 0.0) / 16.0),
                     1.0 - 0.3 * np.clip((off_deg - 110.0) / 70.0, 0.0, 1.0) ** 1.5)
    top = 1.15 * boat.hull_kn
    usual = top * (1.0 - np.exp(-0.95 * tws_kn * shape / top))
    return np.asarray(usual * np.exp(boat.sail_log), dtype=float)


def _normal(x: Floats, mean: Floats | float, sd: Floats | float) -> Floats:
    return np.asarray(np.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * np.sqrt(2 * np.pi)),
                      dtype=float)


def _logs(n: int, sailing: Floats, slowed: Floats, engine: Floats, lying: Floats,
          both: Floats | None = None, adrift: Floats | None = None) -> Floats:
    """Logs of six densities; motor-sailing as the engine and adrift as lying if not told apart."""
    out = np.empty((n, len(STATES)))
    for state, value in ((SAILING, sailing), (SLOWED, slowed), (ENGINE, engine),
                         (BOTH, engine if both is None else both), (LYING, lying),
                         (ADRIFT, lying if adrift is None else adrift)):
        out[:, state] = np.log(np.maximum(value, 1e-12))
    return out


def weighed(log: Floats, known: NDArray[np.bool_], block_s: Floats,
            independent_s: float) -> Floats:
    """Bound a log-likelihood and temper it by the share of independent time in a block.

    Where any of what it takes is silent it says nothing.
    """
    known = known & np.isfinite(log).all(axis=1)
    log = np.maximum(log - log.max(axis=1, keepdims=True), -BOUND)
    share = np.minimum(block_s[:, None] / independent_s, 1.0)
    return np.asarray(np.where(known[:, None], log, 0.0) * share, dtype=float)


SAIL_SD: Final = 0.22
"""Spread of the log of one boat's speed about her share of the general one's: trim, sea, and the
shape of her own polar (common practice: a fifth)."""
ENGINE_SD: Final = 0.2


def engine_density(boat: OwnBoat, x: Floats) -> Floats:
    """Of log(speed + 0.3 kn) under engine: at her usual speed, at another, or slow.

    No auxiliary engine climbs far over the wave she makes at hull speed; where the length is not
    known, hull speed may be half as much again.
    """
    usual = boat.engine_kn if np.isfinite(boat.engine_kn) else 0.75 * boat.hull_kn
    density = 0.6 * _normal(x, np.log(usual + 0.3), ENGINE_SD) \
        + 0.25 * _normal(x, np.log(0.75 * boat.hull_kn + 0.3), 0.4) \
        + 0.15 * _normal(x, np.log(2.0), 0.6)
    most = np.log((1.15 if boat.length_known else 1.6) * boat.hull_kn + 0.3)
    return np.asarray(density / (1.0 + np.exp((x - most) / 0.04)), dtype=float)


def speed_evidence(b: Blocks, boat: OwnBoat) -> Floats:
    """Speed against what sails give at that angle and wind, against an engine's, against none."""
    speed = b.speed_kn
    x = np.log(np.maximum(speed, 0.0) + 0.3)
    low, high = _sail_range(b, boat)
    sail = 0.88 * _between(x, low, high, 1.15 * SAIL_SD, SAIL_SD) \
        + 0.12 * _between(x, low, high, 0.5, 0.35)
    slow = 0.6 * _normal(x, 0.5 * (low + high) + np.log(0.33), 0.5) \
        + 0.4 * _normal(x, np.log(1.2), 0.6)
    # An unsure course through the water: over ground, a drift is a current too.
    still = np.where(np.isfinite(b.stw_kn), 0.2, 0.8)
    v = np.maximum(speed, 0.0)

    def rest(kn: Floats) -> Floats:
        return np.asarray((0.94 * np.exp(-v / kn) / kn + 0.06 * np.exp(-v / 1.5) / 1.5)
                          * (v + 0.3), dtype=float)

    engine = engine_density(boat, x)
    return _logs(len(b), sailing=sail, slowed=slow, engine=engine, both=_both(boat, x, low, high),
                 lying=rest(still), adrift=rest(still + WINDAGE * np.nan_to_num(b.tws_kn)))


def short_evidence(b: Blocks, boat: OwnBoat) -> Floats:
    """Less than half of what her sails give is no matter of trim or sea: it shows within minutes.
    (Logs of speed are taken 0.3 kn up, which spares the lightest airs.)
    """
    x = np.log(np.maximum(b.speed_kn, 0.0) + 0.3)
    low, _ = _sail_range(b, boat)
    near = 1.0 / (1.0 + np.exp((np.log(0.47) - (x - low)) / 0.08))
    all_same = np.ones(len(b))
    return _logs(len(b), sailing=0.1 + 0.9 * near, slowed=0.7 + 0.3 * near, engine=all_same,
                 both=0.1 + 0.9 * near, lying=all_same)


def _sail_range(b: Blocks, boat: OwnBoat) -> tuple[Floats, Floats]:
    """Log of the least and the most that her sails give, at a minute's angles, 0.3 kn added.

    The wind carries the error of boat speed and wind speed (some 0.4 kn), so that in a near calm
    a little more speed is still believed of the sails.
    """
    low, high = (np.log(sail_speed_kn(boat, np.maximum(b.tws_kn + error, 0.0),
                                      np.where(np.isfinite(off), off, 90.0)) + 0.3)
                 for error, off in ((-0.4, b.near_deg), (0.4, b.far_deg)))
    return low, high


def _between(x: Floats, low: Floats, high: Floats, sd_below: float, sd_above: float) -> Floats:
    """Density that falls off outside ``low`` to ``high``."""
    below, above = np.minimum(x - low, 0.0), np.maximum(x - high, 0.0)
    return _normal(below / sd_below + above / sd_above, 0.0, 1.0) / sd_above


def _both(boat: OwnBoat, x: Floats, low: Floats, high: Floats) -> Floats:
    """Of log(speed + 0.3 kn) under engine and sails: resistance grows with the square of speed and
    thrusts add up, so that speeds add up as powers of two to three.
    """
    engine = boat.engine_kn if np.isfinite(boat.engine_kn) else 0.75 * boat.hull_kn
    sd = SAIL_SD
    slow, fast = (np.log(np.cbrt(np.exp(3.0 * sails) + (share * engine + 0.3) ** 3))
                  for sails, share in ((low, 0.5), (high, 1.0)))
    return np.asarray(0.97 * _between(x, slow, fast, sd, sd) / (1.0 + 0.4 * (fast - slow) / sd)
                      + 0.03 * 0.3, dtype=float)


def angle_evidence(b: Blocks) -> Floats:
    """No sail draws close to the wind; an engine goes there, and often does.

    Only what speaks against sailing is taken: that she is at an angle where one can sail proves
    nothing new each minute.
    """
    off = b.far_deg
    can = 1.0 / (1.0 + np.exp(-(off - NO_GO_DEG) / NO_GO_SD_DEG))
    fades = np.where(b.fading > 0, 0.35, 0.02)  # a luff carries her way for some seconds
    sail = fades + (1.0 - fades) * can
    # A mainsail sheeted flat stands some degrees closer under engine.
    flat = 1.0 / (1.0 + np.exp(-(off - NO_GO_DEG + 7.0) / NO_GO_SD_DEG))
    return _logs(len(b), sailing=sail, slowed=0.35 + 0.65 * np.minimum(can, ~is_downwind(off)),
                 engine=np.ones(len(b)) + 0.7 * np.exp(-0.5 * (off / 15.0) ** 2),
                 both=0.1 + 0.9 * flat, lying=np.ones(len(b)))


def way_evidence(b: Blocks) -> Floats:
    """Without steerage way, half a knot (common practice), sails set for minutes are no sailing."""
    way = 1.0 / (1.0 + np.exp(-np.clip((b.speed_kn - WAY_KN) / 0.08, -50.0, 50.0)))
    return _logs(len(b), sailing=0.06 + 0.94 * way, slowed=0.15 + 0.85 * way,
                 engine=0.15 + 0.85 * way, lying=1.0 - 0.7 * way)


_HABIT_KN: Final = (0.0, 3.0, 5.0, 7.0, 10.0, 14.0, 20.0, 30.0)
_HABIT: Final = {
    "sailing": (0.10, 0.35, 0.70, 1.00, 1.15, 1.20, 1.15, 1.00),
    "slowed": (0.30, 0.30, 0.50, 0.80, 1.00, 1.00, 1.50, 2.00),
    "engine": (3.00, 2.20, 1.50, 1.00, 0.70, 0.55, 0.60, 0.80),
    "both": (1.00, 1.60, 1.60, 1.40, 0.80, 0.50, 0.50, 0.60),
    "lying": (1.0,) * 8,
    "adrift": (1.50, 1.50, 1.20, 1.00, 1.00, 0.80, 0.80, 0.80)}
"""How much more often than on average a crew does each in so much wind (common practice: in a calm
they motor, up to some 8 kn the engine helps, in a sailing breeze it is off)."""


def habit_evidence(b: Blocks) -> Floats:
    """What crews do in so much wind; decided anew about once an hour, so that it adds up slowly."""
    return _logs(len(b), **{name: np.interp(b.tws_kn, _HABIT_KN, value)
                            for name, value in _HABIT.items()})


def course_evidence(b: Blocks) -> Floats:
    """Crews sail close-hauled a third of their time, where an engine's course falls by chance, and
    motor-sail most where the course lies too close to the wind for the sails alone (common
    practice). A new leg says something new, not a new minute.
    """
    off = b.off_deg
    close = 1.0 / (1.0 + np.exp(-(off - 34.0) / 2.5)) / (1.0 + np.exp((off - 54.0) / 2.5))
    fore = 1.0 / (1.0 + np.exp(-(off - 20.0) / 2.5)) / (1.0 + np.exp((off - 62.0) / 4.0))
    any_way = np.full(len(b), 1.0 / 180.0)
    return _logs(len(b), sailing=0.35 * close / 20.0 + 0.65 / 150.0, slowed=any_way,
                 engine=any_way, both=0.45 * fore / 42.0 + 0.55 / 160.0, lying=any_way)


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
    # Thrust that holds on takes its share of the drive, and of the answer with it.
    both = 0.5 * at(0.35 * taken, 0.25) + 0.5 * at(0.12, 0.15)
    return _logs(len(b), sailing=sail, slowed=at(0.4, 0.6), engine=engine, both=both,
                 lying=at(0.2, 0.8))


def evenness_evidence(b: Blocks) -> Floats:
    """Without wind in the log: an engine's speed is evener than a sail's (a weak sign)."""
    x = np.log(b.uneven)

    def at(mean: float, sd: float) -> Floats:
        return _normal(x, np.log(mean), sd) + 0.08

    return _logs(len(b), sailing=at(0.07, 0.5), slowed=at(0.2, 0.6), engine=at(0.03, 0.7),
                 both=at(0.045, 0.6), lying=at(0.2, 0.9))


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
                 engine=bare, both=0.7 * sail + 0.3 * bare, lying=bare)


def place_evidence(b: Blocks) -> Floats:
    """The patch she covers: as her speed through the water and a stream make it, or nearly none.

    At a mooring the log reads the stream, and the place is kept; adrift the place goes with it.
    """
    made = b.made_kn
    water = np.where(np.isfinite(b.stw_kn), b.stw_kn, b.sog_kn)

    def way(sd: float) -> Floats:
        return 0.5 * np.exp(-np.abs(made - water) / sd) / sd + 0.01

    lying = 0.75 * np.exp(-made / 0.12) / 0.12 + 0.25 * np.exp(-made / 0.6) / 0.6
    drift = 0.6 + WINDAGE * np.nan_to_num(b.tws_kn)
    return _logs(len(b), sailing=way(0.7), slowed=way(0.7), engine=way(0.7), lying=lying,
                 adrift=np.exp(-made / drift) / drift)


def kept_evidence(b: Blocks) -> Floats:
    """Over ten minutes a boat with way on covers ground; one at anchor keeps within her circle."""
    kept = b.kept_kn

    def within(kn: float) -> Floats:
        return np.asarray(np.exp(-kept / kn) / kn, dtype=float)

    # In the lightest airs, tacking, she covers no more than half of what she sails.
    least = np.minimum(0.3, 0.45 * np.nan_to_num(b.speed_kn))
    away = 1.0 / (1.0 + np.exp(-(kept - least) / 0.05))
    way = 0.02 + 0.25 * away
    return _logs(len(b), sailing=way, slowed=way, engine=way,
                 lying=0.75 * within(0.12) + 0.25 * within(0.5) + 0.02,
                 adrift=within(0.6) + 0.02)


def crab_evidence(b: Blocks) -> Floats:
    """Under way she goes where she points, less leeway and stream; adrift she goes anyhow."""
    water = np.maximum(b.speed_kn, 0.2)
    sd = np.minimum(8.0 + 35.0 / water, 90.0)
    ahead = 0.9 * np.exp(-b.crab_deg / sd) / sd / (1.0 - np.exp(-180.0 / sd)) + 0.1 / 180.0
    any_way = np.full(len(b), 1.0 / 180.0)
    return _logs(len(b), sailing=ahead, slowed=0.5 * (ahead + any_way), engine=ahead, lying=any_way)


def leeward_evidence(b: Blocks) -> Floats:
    """Bare poles lie beam to the wind or fall off from there, and go down it, give or take the
    stream; hove-to or reefing she is held some 50 deg to it (common practice); sails and engines
    go anywhere.
    """
    down = (np.exp(-0.5 * (b.lee_way_deg / 40.0) ** 2) * 2.0 / (40.0 * np.sqrt(2.0 * np.pi)))
    any_way = np.full(len(b), 1.0 / 180.0)
    held = any_way * (0.5 + 0.5 * 180.0 * _normal(b.off_deg, 52.0, 14.0))
    return _logs(len(b), sailing=any_way, slowed=held, engine=any_way, lying=any_way,
                 adrift=(0.6 * down + 0.4 * any_way)
                 * (0.3 + 0.7 * 180.0 * _normal(b.off_deg, 105.0, 30.0)))


def steering_evidence(b: Blocks) -> Floats:
    """By what she is steered: sails by the wind, by hand or vane, or by a compass; engines mostly
    by a compass (common practice). Her heading follows the wind's shifts in whole, or not at all.
    """
    def at(mean: float) -> Floats:
        return _normal(b.follows, mean, np.hypot(0.3, b.follows_sd)) + 0.05

    wind, compass = at(1.0), at(0.0)
    return _logs(len(b), sailing=0.6 * wind + 0.4 * compass, slowed=0.5 * wind + 0.5 * compass,
                 engine=0.2 * wind + 0.8 * compass, both=0.35 * wind + 0.65 * compass,
                 lying=0.5 * wind + 0.5 * compass)


def turn_evidence(b: Blocks) -> Floats:
    """Turns between mirrored angles are what sails are for; an engine goes straight there."""
    tack, gybe, wide = b.tacked == 1.0, b.tacked < 0, b.tacked == 0.5

    def seldom(at_tack: float, at_gybe: float, at_wide: float) -> Floats:
        return np.where(tack, at_tack, np.where(gybe, at_gybe, np.where(wide, at_wide, 1.0)))

    return _logs(len(b), sailing=np.ones(len(b)), slowed=seldom(0.5, 0.5, 1.0),
                 engine=seldom(0.08, 0.4, 0.5), both=seldom(0.25, 0.5, 0.6),
                 lying=seldom(0.08, 0.3, 0.4))


def all_evidence(b: Blocks, boats: list[OwnBoat]) -> Floats:
    """Sum of all that a log has, for each boat she may be: shape (n, k, 6)."""
    same = np.sum(list(evidence_parts(b, boats[0]).values()), axis=0)
    return np.asarray(same[:, None, :] + np.stack([speed_part(b, boat) for boat in boats], axis=1),
                      dtype=float)


def speed_part(b: Blocks, boat: OwnBoat) -> Floats:
    """What her speed says, shape (n, 6): the one kind of evidence that hangs on the boat's own."""
    wind, speed = np.isfinite(b.tws_kn), np.isfinite(b.speed_kn)
    if wind.any():
        use = speed & wind
        return weighed(speed_evidence(b, boat), use, b.block_s, INDEPENDENT_S["speed"]) \
            + weighed(short_evidence(b, boat), use, b.block_s, INDEPENDENT_S["short"])
    return _speed_alone(b, boat, speed)


def _speed_alone(b: Blocks, boat: OwnBoat, known: NDArray[np.bool_]) -> Floats:
    """Without wind: whether she makes way shows in minutes; whose way it is, speed hardly tells."""
    log = _no_wind_speed(b, boat)
    going = [SAILING, ENGINE, BOTH]
    way, whose = log.copy(), np.zeros_like(log)
    mean = np.log(np.exp(log[:, going]).mean(axis=1, keepdims=True))
    way[:, going] = mean
    whose[:, going] = log[:, going] - mean
    return weighed(way, known, b.block_s, INDEPENDENT_S["way alone"]) \
        + weighed(whose, known, b.block_s, INDEPENDENT_S["speed alone"])


def evidence_parts(b: Blocks, boat: OwnBoat) -> dict[str, Floats]:
    """Each kind of evidence but speed by name, shape (n, 6).

    Seconds of independence stand in :data:`INDEPENDENT_S`.
    """
    wind, speed, off = (np.isfinite(v) for v in (b.tws_kn, b.speed_kn, b.off_deg))
    moving = speed & (np.nan_to_num(b.speed_kn) > 0.8)
    going = b.sog_kn > 0.4
    answers = np.isfinite(b.answer)
    heels = np.isfinite(b.lee_deg) & np.isfinite(b.aws_kn) & np.isfinite(b.apparent_deg)
    s = INDEPENDENT_S
    gusts_s = np.where(b.block_s > COARSE_S, s["answer"] / GUST_ROWS, b.block_s)
    heel = s["heel own"] if np.isfinite(boat.heel_per_pressure) else s["heel"]

    def part(log: Floats, known: NDArray[np.bool_], seconds: float,
             block_s: Floats = b.block_s) -> Floats:
        return weighed(log, known, block_s, seconds)

    return {
        "way": part(way_evidence(b), speed, s["way"]),
        "angle": part(angle_evidence(b), moving & off, s["angle"]),
        "habit": part(habit_evidence(b), wind, s["habit"]),
        "course": part(course_evidence(b), moving & off, s["course"]),
        "steering": part(steering_evidence(b), moving & np.isfinite(b.follows), s["steering"]),
        "leeward": part(leeward_evidence(b), np.isfinite(b.lee_way_deg) & going & (b.tws_kn > 6.0),
                        s["leeward"]),
        "answer": part(answer_evidence(b, boat), moving & answers, s["answer"], gusts_s),
        "evenness": part(evenness_evidence(b), moving & np.isfinite(b.uneven) & ~answers,
                         s["evenness"]),
        "heel": part(heel_evidence(b, boat), heels & (not boat.two_hulls), heel),
        "place": part(place_evidence(b), np.isfinite(b.made_kn) & speed, s["place"]),
        "kept": part(kept_evidence(b), (b.kept_kn < 0.4) & speed, s["kept"]),
        "crab": part(crab_evidence(b), np.isfinite(b.crab_deg) & going, s["crab"]),
        "turn": part(turn_evidence(b), (b.tacked != 0.0) & (b.speed_kn > WAY_KN)
                     & ~(b.made_kn < np.minimum(MADE_KN, 0.4 * b.speed_kn)),
                     s["turn"])}


def _no_wind_speed(b: Blocks, boat: OwnBoat) -> Floats:
    """Speed alone, where no wind is logged: way or none."""
    v = np.maximum(b.speed_kn, 0.0)
    x = np.log(v + 0.3)
    sail = 0.9 * _normal(x, np.log(0.65 * boat.hull_kn), 0.5) + 0.1 * _normal(x, np.log(1.2), 0.6)
    still = np.where(np.isfinite(b.stw_kn), 0.2, 0.6)
    lying = (0.94 * np.exp(-v / still) / still + 0.06 * np.exp(-v / 1.5) / 1.5) * (v + 0.3)
    return _logs(len(b), sailing=sail, slowed=_normal(x, np.log(1.2), 0.5),
                 engine=0.7 * _normal(x, np.log(0.7 * boat.hull_kn), 0.45)
                 + 0.3 * _normal(x, np.log(2.0), 0.6),
                 both=_normal(x, np.log(0.8 * boat.hull_kn), 0.4), lying=lying)


INDEPENDENT_S: Final = {
    "speed": 600.0, "short": 120.0, "way alone": 300.0, "speed alone": 3600.0, "way": 90.0,
    "angle": 60.0, "habit": 3600.0, "course": 2400.0, "steering": 900.0, "answer": 450.0,
    "evenness": 1800.0, "heel": 900.0, "heel own": 300.0, "place": 240.0, "kept": 200.0,
    "crab": 240.0, "leeward": 600.0, "turn": 160.0}
"""Seconds after which each kind of evidence says something new. Gusts come by the minute; trim, sea
and how the boat is steered hold for a leg; wind without a sensor, and plans, for an hour."""
