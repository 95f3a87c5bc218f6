"""The model behind the scores: rudder activity that the conditions ask for, fitted to minutes.

The rudder's activity is the helm's own plus what waves and gusts ask for. Independent sources of
movement add in power, so the expected activity is

    A^2 = (stw / v0)^(2 p) [ base^2 + wave^2 M^2 + gust^2 G^2 ],

with M the boat's roll and pitch rate in the waves' band and G the gusts' swing. ``base`` and
``wave`` are those of the point of sail. Her yaw is left out on purpose: it is what the helm makes.

The coefficients start from physics (see ``STARTING``) and are updated in one Bayesian fit, in which
every helm has an effect of their own. So the sea's part is learned from how the *same* helm differs
between smooth and rough water, never from who happened to steer when.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.points import POINTS
from sailanalysis.core.stats import MAD_TO_SD

ACTIVITY_OMEGA: Final = 2 * np.pi * 0.1
"""Activity is ``sqrt(rms * rate_rms / omega)``: the rms angle of a movement of 10 s period; far
and slow counts like near and quick, since either brakes."""

ACTIVITY_FLOOR_DEG: Final = 0.05
"""A twentieth of a degree, below any rudder sensor; keeps a lashed wheel's logarithm finite."""

TERMS: Final = ("base_upwind", "base_reach", "base_downwind", "wave_upwind", "wave_reach",
                "wave_downwind", "roll", "gust", "speed")

STARTING: Final = np.array([
    # base: rudder a person moves in smooth water with steady wind, deg (common practice: about
    # one degree close-hauled, where the sails help to steer, more off the wind).
    np.log(1.0), np.log(1.2), np.log(1.4),
    # wave: deg of rudder per deg/s of roll and pitch. A Nomoto boat of 10 m at 6 kn (K' and T' near
    # 1: K 0.3 1/s, T 3 s) needs sqrt(1 + (w T)^2) / K, some 16 deg of rudder per deg/s of yaw at
    # w = 1.5 rad/s; she yaws about a quarter as fast as she pitches, and a person, whose bandwidth
    # ends near 0.2 Hz, answers about a fifth of it. More off the wind, where seas come from behind.
    np.log(0.8), np.log(1.0), np.log(1.6),
    # roll: a degree per second of roll turns the boat less than one of pitch does.
    np.log(0.6),
    # gust: deg per knot of swing at 10 kn of wind; a 10 % gust adds a fifth to the heeling moment
    # and so to the usual 2-3 deg of weather helm.
    np.log(0.4),
    # speed: the rudder's force goes with speed squared, what it has to hold partly as well.
    -0.7,
])
STARTING_SD: Final = np.array([0.45, 0.45, 0.45, 0.5, 0.5, 0.5, 0.5, 0.7, 0.5])
"""Prior standard deviations: natural logarithms, so 0.5 is a factor of 1.65 either way."""
LEVEL: Final = np.array([1, 1, 1, 1, 1, 1, 0, 1, 0], dtype=float)
"""Terms that a rudder twice as large halves together."""
SHARED_SD: Final = 0.35
"""Part of the uncertainty that all points of sail share: the size of this boat's rudder."""

SPREAD: Final = 0.35
"""Starting standard deviation of log activity in like conditions: between a practised and a new
helm lies a factor of two to three (common practice), some three standard deviations."""
SPREAD_FLOOR: Final = 0.2
SPREAD_STRETCHES: Final = 20.0
"""How many stretches the starting spread counts for against the season's own."""

SLOPE_SD: Final = 0.25
"""Prior spread of helms' answers to the sea: one damps with it, another chases every wave. Scores
are given for one reference sea, so that a helm is the same in smooth and in rough water."""

HELM_SD: Final = 0.3
AUTOPILOT_SD: Final = 0.6
"""Prior spread of helms' effects about the boat's usual; wide for the autopilot, which therefore
teaches what the sea asks for and leaves the people's level alone."""

SPEED_SCALE_KN: Final = 6.0
AUTOPILOT: Final = "autopilot"
PROXY_DEG_S_PER_KN: Final = 0.12
"""Without roll and pitch the wind stands in for the sea: 1.5 deg/s of pitch in 12 kn."""
PUSH_SHARE: Final = 0.25
"""Without roll and pitch but with heading and rudder: a degree of rudder that would cancel the
waves' push on her heading stands for a quarter of a degree per second of pitch (by the reasoning of
``STARTING``: a person answers about a fifth of it, 0.8 deg per deg/s)."""
PUSH_SD: Final = 0.12
PROXY_SD: Final = 0.25
"""Extra standard deviation of log activity when it does: the same wind has many seas."""


@dataclass(frozen=True)
class Conditions:
    """What the sea and the wind asked for, window by window or stretch by stretch."""

    point: NDArray[np.object_]
    stw_kn: Floats
    tws_kn: Floats
    gust_kn: Floats
    roll_deg_s: Floats
    pitch_deg_s: Floats
    push_deg: Floats

    @classmethod
    def of(cls, table: pd.DataFrame) -> Conditions:
        """From a table with ``point_of_sail, stw_kn, tws_kn`` and the motions' rms columns."""
        def column(name: str) -> Floats:
            return (table[name].to_numpy(dtype=float) if name in table
                    else np.full(len(table), np.nan))
        return cls(table["point_of_sail"].to_numpy(dtype=object), column("stw_kn"),
                   column("tws_kn"), column("gust_kn"), column("roll_rate_rms_deg_s"),
                   column("pitch_rate_rms_deg_s"), column("wave_push_deg"))

    @property
    def motion(self) -> str:
        """What says how the sea moved the boat: ``roll and pitch``, ``heading`` or ``wind``."""
        if np.mean(np.isfinite(self.roll_deg_s) | np.isfinite(self.pitch_deg_s)) > 0.5:
            return "roll and pitch"
        return "heading" if np.mean(np.isfinite(self.push_deg)) > 0.5 else "wind"


@dataclass(frozen=True)
class Usual:
    """What this boat's sailing asks for: coefficients, their uncertainty, the spread of helms.

    Attributes
    ----------
    mean : ndarray, shape (9,)
        In the order of ``TERMS``.
    cov : ndarray, shape (9, 9)
    spread : float
        Standard deviation of log activity in like conditions; ten points.
    stretches, days : int
        What it rests on beyond the starting model.
    minutes : float
    sea : float
        Reference sea: by how much (log) it raises the expected activity; NaN: the day's own.
    turning : dict
        The boat's own turning response, ``K`` and ``T`` for a boat length and speed, if known.
    helms : dict
        Per helm, the usual smoothness of the season: ``value, low, high, days``.
    slopes : dict
        Per helm, how their activity grows with the sea beyond the boat's usual.
    """

    mean: Floats = field(default_factory=lambda: STARTING.copy())
    cov: Floats = field(default_factory=lambda: starting_cov())
    spread: float = SPREAD
    stretches: int = 0
    days: int = 0
    minutes: float = 0.0
    sea: float = float("nan")
    turning: dict[str, float] = field(default_factory=dict)
    helms: dict[str, dict[str, float]] = field(default_factory=dict)
    slopes: dict[str, float] = field(default_factory=dict)

    @property
    def from_archive(self) -> bool:
        """Whether any earlier sailing stands behind it."""
        return self.stretches > 0

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {"mean": self.mean.tolist(), "cov": self.cov.tolist(), "spread": self.spread,
                "stretches": self.stretches, "days": self.days, "minutes": self.minutes,
                "sea": self.sea if np.isfinite(self.sea) else None,
                "turning": dict(self.turning),
                "helms": {k: dict(v) for k, v in self.helms.items()},
                "slopes": dict(self.slopes), "terms": list(TERMS)}

    @classmethod
    def from_dict(cls, value: dict[str, Any]) -> Usual:
        """Back from :meth:`to_dict`; the starting model if the terms differ."""
        if list(value.get("terms", ())) != list(TERMS):
            return cls()
        return cls(np.array(value["mean"], dtype=float), np.array(value["cov"], dtype=float),
                   float(value["spread"]), int(value["stretches"]), int(value["days"]),
                   float(value["minutes"]),
                   float("nan") if value.get("sea") is None else float(value["sea"]),
                   dict(value.get("turning", {})),
                   {k: dict(v) for k, v in value.get("helms", {}).items()},
                   {k: float(v) for k, v in value.get("slopes", {}).items()})

    def inferred(self) -> Usual:
        """The same for a rudder inferred from the boat's turning: less of the waves, less sure."""
        cov = self.cov.copy()
        cov[3:6, 3:6] += 0.5**2
        cov[:6, :6] += 0.4**2
        mean = self.mean.copy()
        mean[3:6] -= np.log(2.0)
        return replace(self, mean=mean, cov=cov)


def starting_cov() -> Floats:
    """Prior covariance: own uncertainty of each term plus what all levels share."""
    return np.asarray(np.diag(STARTING_SD**2 * np.where(LEVEL > 0, 0.7, 1.0))
                      + SHARED_SD**2 * np.outer(LEVEL, LEVEL), dtype=float)


def activity_deg(angle_var: Floats, rate_var: Floats) -> Floats:
    """Rudder activity from the variances of angle (deg^2) and rate (deg^2/s^2)."""
    power = np.sqrt(np.maximum(angle_var, 0.0) * np.maximum(rate_var, 0.0)) / ACTIVITY_OMEGA
    return np.asarray(np.maximum(np.sqrt(power), ACTIVITY_FLOOR_DEG), dtype=float)


def expected_log_activity(mean: Floats, at: Conditions) -> tuple[Floats, Floats]:
    """Expected log activity (deg) in given conditions, and its gradient.

    Returns
    -------
    ndarray, shape (n,)
    ndarray, shape (n, 9)
    """
    expected, grad, _ = expected_and_sea(mean, at)
    return expected, grad


def expected_and_sea(mean: Floats, at: Conditions) -> tuple[Floats, Floats, Floats]:
    """Expected log activity, its gradient, and by how much the sea raises it (log, not below 0)."""
    n = at.point.size
    which = np.select([at.point == POINTS[0], at.point == POINTS[2]], [0, 2], 1)
    row = np.arange(n)
    pitch, roll = at.pitch_deg_s, at.roll_deg_s
    rolled = np.exp(2 * mean[6]) * np.nan_to_num(roll) ** 2
    pitched = np.nan_to_num(pitch) ** 2
    both = np.isfinite(pitch) & np.isfinite(roll)
    none = ~np.isfinite(pitch) & ~np.isfinite(roll)
    tws = np.where(np.isfinite(at.tws_kn), at.tws_kn, 10.0)
    motion = np.where(both, 0.5 * (pitched + rolled), pitched + rolled)
    stand_in = np.where(np.isfinite(at.push_deg), PUSH_SHARE * at.push_deg,
                        PROXY_DEG_S_PER_KN * tws)
    motion = np.where(none, stand_in**2, motion)
    gusts = (np.nan_to_num(at.gust_kn) * tws / 10.0) ** 2
    base = np.exp(2 * mean[which])
    wave = np.exp(2 * mean[3 + which]) * motion
    gust = np.exp(2 * mean[7]) * gusts
    total = base + wave + gust
    speed = np.where(np.isfinite(at.stw_kn), np.clip(at.stw_kn, 1.0, 40.0), SPEED_SCALE_KN)
    fast = np.log(speed / SPEED_SCALE_KN)
    grad = np.zeros((n, len(TERMS)))
    grad[row, which] = base / total
    grad[row, 3 + which] = wave / total
    share = np.divide(rolled, pitched + rolled, out=np.zeros(n), where=(pitched + rolled) > 0)
    grad[:, 6] = np.where(none, 0.0, wave / total * share)
    grad[:, 7] = gust / total
    grad[:, 8] = fast
    return 0.5 * np.log(total) + mean[8] * fast, grad, 0.5 * np.log(total / base)


@dataclass(frozen=True)
class Fit:
    """Outcome of :func:`fit_conditions`.

    Attributes
    ----------
    mean, cov : ndarray
        Coefficients after the data.
    helms : tuple of str
    effect, effect_cov : ndarray, shape (h,), (h, h)
        Each helm's log activity about the usual, in the reference sea.
    slope : ndarray, shape (h,)
        How much more (or less) than usual each helm's activity grows with the sea.
    residual : ndarray, shape (n,)
        Log activity less expected, brought to the reference sea; the helm's effect still inside.
    sea : ndarray, shape (n,)
        How far the sea raised the expected activity, log, about the reference sea.
    slope_cov : ndarray, shape (h, 9 + 1)
        Covariance of each helm's slope with the coefficients, and its variance last.
    sd : float
        Of one item about its helm.
    inflation : float
        Items per independent item (lag-1 autocorrelation).
    """

    mean: Floats
    cov: Floats
    helms: tuple[str, ...]
    effect: Floats
    effect_cov: Floats
    slope: Floats
    slope_cov: Floats
    residual: Floats
    sea: Floats
    sd: float
    inflation: float
    joint_cov: Floats

    def about(self, weight: Floats) -> tuple[Floats, Floats]:
        """Coefficients whose level is the weighted mean of the helms, and their covariance.

        What all helms of a boat do on average is known far better than what helms at large do.
        """
        p, k = self.mean.size, self.effect.size
        shift = np.zeros((p, p + 2 * k))
        shift[:, :p] = np.eye(p)
        shift[:, p:p + k] = np.outer(LEVEL, weight)
        return (self.mean + LEVEL * float(weight @ self.effect),
                np.asarray(shift @ self.joint_cov @ shift.T, dtype=float))


def fit_conditions(
    log_activity: Floats, at: Conditions, helm: NDArray[np.object_], prior: Usual,
    order: NDArray[np.int_] | None = None, item_sd: Floats | None = None,
    group: NDArray[np.int_] | None = None,
) -> Fit:
    """Update the expected activity with data, every helm with an effect of their own.

    Parameters
    ----------
    log_activity : ndarray, shape (n,)
    at : Conditions
    helm : ndarray of str, shape (n,)
    prior : Usual
    order : ndarray of int, shape (n,), optional
        Piece each item belongs to, for the autocorrelation of consecutive items.
    group : ndarray of int, shape (n,), optional
        Stretch each item belongs to: what a stretch's minutes have in common widens every interval.
    item_sd : ndarray, shape (n,), optional
        Known standard deviation of each item; estimated as one number when not given.

    Returns
    -------
    Fit

    Notes
    -----
    Gauss-Newton steps of the maximum a posteriori estimate with Huber weights; its curvature is
    the covariance.
    """
    names = tuple(sorted({str(h) for h in helm}))
    index = np.array([names.index(str(h)) for h in helm], dtype=int)
    k, p, n = len(names), len(TERMS), log_activity.size
    effect_sd = np.array([AUTOPILOT_SD if h == AUTOPILOT else HELM_SD for h in names])
    precision = np.zeros((p + 2 * k, p + 2 * k))
    precision[:p, :p] = np.linalg.inv(prior.cov)
    precision[p:p + k, p:p + k] = np.diag(1.0 / effect_sd**2)
    precision[p + k:, p + k:] = np.eye(k) / SLOPE_SD**2
    start = np.concatenate([prior.mean, np.zeros(k),
                            [prior.slopes.get(h, 0.0) for h in names]])
    x = start.copy()
    dummies = np.zeros((n, k))
    dummies[np.arange(n), index] = 1.0
    sd, inflation = SPREAD, 1.0
    info = precision
    people = np.array([h != AUTOPILOT for h in names])[index]
    people = people if people.any() else np.ones(n, dtype=bool)
    sea = np.zeros(n)
    for _ in range(25):
        expected, grad, raised = expected_and_sea(x[:p], at)
        reference = prior.sea if np.isfinite(prior.sea) else float(np.mean(raised[people]))
        sea = raised - reference
        residual = log_activity - expected - x[p:p + k][index] - x[p + k:][index] * sea
        if item_sd is None and n >= 8:
            sd = max(0.1, MAD_TO_SD * float(np.median(np.abs(residual - np.median(residual)))))
            inflation = _inflation(residual, sd, order, group)
        each = np.full(n, sd) if item_sd is None else item_sd
        weight = np.minimum(1.0, 2.0 * each / np.maximum(np.abs(residual), 1e-12))
        weight = weight / (each**2 * inflation)
        design = np.hstack([grad, dummies, dummies * sea[:, None]])
        info = precision + design.T @ (design * weight[:, None])
        step = np.linalg.solve(info, design.T @ (weight * residual) - precision @ (x - start))
        size = float(np.max(np.abs(step)))
        x = x + step * min(1.0, 0.7 / max(size, 1e-12))
        if size < 1e-5:
            break
    cov = np.asarray(np.linalg.inv(info), dtype=float)
    expected, _, raised = expected_and_sea(x[:p], at)
    slope = x[p + k:]
    slopes = slice(p + k, p + 2 * k)
    return Fit(x[:p], cov[:p, :p], names, x[p:p + k], cov[p:p + k, p:p + k], slope,
               np.hstack([cov[slopes, :p], np.diag(cov[slopes, slopes])[:, None]]),
               log_activity - expected - slope[index] * sea, sea, sd, inflation, cov)


def _inflation(residual: Floats, sd: float, order: NDArray[np.int_] | None,
               group: NDArray[np.int_] | None) -> float:
    """Items per independent item: from neighbours in a piece, and from what a stretch shares.

    The first is that of a first-order autoregression; the second compares the scatter of stretch
    means with what independent items would give, leaning on the first while stretches are few. The
    larger counts.
    """
    near = 1.5
    if order is not None and residual.size >= 12:
        same = order[1:] == order[:-1]
        if same.sum() >= 8:
            spread = float(np.mean(residual**2))
            rho = float(np.mean(residual[:-1][same] * residual[1:][same])) / max(spread, 1e-12)
            rho = float(np.clip(rho + 1.0 / same.sum(), 0.0, 0.8))
            near = (1.0 + rho) / (1.0 - rho)
    if group is None:
        return near
    size = np.bincount(group).astype(float)
    size[size == 0] = np.nan
    limited = np.clip(residual, -3 * sd, 3 * sd)
    means = np.bincount(group, weights=limited) / size
    good = np.isfinite(means)
    shared = float(np.sum(size[good] * means[good] ** 2)) / sd**2
    return max(near, (6.0 * near + shared) / (6.0 + max(int(good.sum()) - 4, 0)))
