r"""The joint fit: sensor errors with wind and current as slowly varying unknowns.

Three equations hold in every steady block (complex numbers, north + i east; compass angles as
exponents):

.. math:: G = f s\, e^{i(H + h + L)} + C(t),\qquad
          W(t) = f_a V e^{i(H + h + A + a)}_{level} - G,\qquad
          \ln f s = P(|TWA|, TWS) + B(t)

with velocity over ground G, logged boat speed s, heading H, apparent wind V and A (levelled for
heel), leeway ``L = l S`` of the angle l close-hauled (S: heel, or the wind's side force, over the
square of the speed, 1 close-hauled), current C and the wind over the ground W (where from).
C, the speed and direction of W, and what sea and trim do to the boat (B) vary as
:mod:`calibrate_noise` describes. The first equation holds the speed factor, the compass and
leeway: heading, speed and leeway against the track with a slowly turning current. The second
holds the wind sensor: the wind must neither jump from tack to tack nor differ upwind and down
beyond what real shifts do. The third holds the vane's offset, which turns the wind the same way
on both tacks and so hardly shows in it: the boat's speed P is the same on both tacks, a smooth
function of the true wind fitted with all the rest. They share compass, speed and leeway, so one
fit serves all, and no error is pushed from one into another.

Blocks are weighed by how each way of sailing responds on average over the day, not by how each
block did: a gust or an eddy is in a block's reading and in its response alike, and would pull the
estimate (the method of instrumental variables, with its own covariance).

Nuisance terms that a real boat has and nobody asked for (upwash at the masthead, a heel sensor
off zero, compass deviation, a speed sensor or a boat that differs on the two tacks, leeway by
another law, a wheel that runs along the keel, a helm who tacks on headers and so sails lifted on
both tacks) are carried with modest priors: they make the intervals as wide as they should be.
A wind that turns with height, or a rig out of tune, shifts the angles of the two tacks just as a
crooked vane does; only the wind's direction upwind against downwind tells them apart, and one
day seldom does.

References
----------
.. [1] Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press, 2006, section
   2.7 (explicit basis functions beside a process).
.. [2] Bowden and Turkington, Instrumental Variables, Cambridge, 1984, chapter 2.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.calibrate.blocks import Seconds
from sailanalysis.calibrate.equations import NAMES, PRIOR, Component, Equations
from sailanalysis.calibrate.noise import Process, Scale, Variation
from sailanalysis.core.angles import Floats
from sailanalysis.core.stats import MAD_TO_SD

ADAPTED: Final = (("upwash_deg",),
                  ("dev_sin1_deg", "dev_cos1_deg", "dev_sin2_deg", "dev_cos2_deg"))
"""Nuisances whose prior spread the day itself widens or narrows, group by group."""
MAX_STEP: Final = 1.0
"""Longest step of a round, in standard deviations of the prior."""
ADAPT_DOF: Final = 1.0
"""Observations the usual spread is worth: one, so that a large nuisance soon shows."""

WATER: Final = Variation(3.0, (
    # Knots: wave and helm wander, eddies, the boat's way through a sheared tide, the tide.
    Scale(180.0, 0.03), Scale(1200.0, 0.05), Scale(7200.0, 0.5, smooth=True)), white_sd=0.04,
    dof=1.0)
WIND_DIRECTION: Final = Variation(90.0, (
    # Degrees: gusts, oscillating shifts (which swing on through a tack), slow shifts, a front or a
    # sea breeze.
    Scale(120.0, 3.0), Scale(200.0, 3.0, smooth=True), Scale(3600.0, 5.0),
    Scale(10800.0, 8.0, smooth=True)), white_sd=2.0)
WIND_SPEED: Final = Variation(2.0, (
    # Natural logarithm: gusts, lulls, freshening.
    Scale(120.0, 0.06), Scale(600.0, 0.07), Scale(3600.0, 0.08), Scale(10800.0, 0.15, smooth=True)),
    white_sd=0.05)

BOAT_SPEED: Final = Variation(1.0, (
    # Logarithm, beside what wind and angle explain: waves, trim, sails, load, stores.
    Scale(60.0, 0.02), Scale(600.0, 0.02), Scale(3600.0, 0.03), Scale(10800.0, 0.04, smooth=True)),
    white_sd=0.015)


@dataclass
class Fit:
    """What the joint fit found.

    Attributes
    ----------
    value, sd : dict of str to float
        Estimates and posterior standard deviations, by name.
    covariance : ndarray, shape (p, p)
        In the order of ``NAMES``.
    processes : dict of str to Process
        The variations with their strengths; absent where an equation had no data.
    components : list of Component
        The equations at the estimates.
    wind_from_deg, wind_kn : ndarray
        Wind over the ground of each wind block at the estimates.
    twa_deg : ndarray
        Of each block of the boat's own equation.
    water_blocks, wind_blocks : ndarray of int
        Blocks used by each equation.
    """

    value: dict[str, float]
    sd: dict[str, float]
    covariance: Floats
    processes: dict[str, Process]
    components: list[Component]
    wind_from_deg: Floats
    wind_kn: Floats
    twa_deg: Floats
    water_blocks: NDArray[np.intp]
    wind_blocks: NDArray[np.intp]


def _step(processes: dict[str, Process], about: list[Component], theta: Floats, at: Floats,
          precision: Floats, mean: Floats) -> tuple[Floats, Floats]:
    """Gauss-Newton step of the errors and their covariance after it."""
    normal, meat = precision.copy(), precision.copy()
    right = precision @ (mean - theta)
    for part in (c.moved(theta - at) for c in about):
        weighted = processes[part.process].inverse @ part.instrument
        normal += weighted.T @ part.slope
        meat += weighted.T @ part.instrument
        right -= weighted.T @ part.residual
    bread = np.linalg.inv(normal)
    return bread @ right, bread @ meat @ bread.T


def _widened(precision: Floats, groups: list[list[int]], theta: Floats, covariance: Floats
             ) -> None:
    """Let the day widen or narrow the spread of each group of nuisances, in place."""
    for group in groups:
        usual, n = PRIOR[NAMES[group[0]]][1], len(group)
        seen2 = float(np.sum(theta[group] ** 2 + np.diag(covariance)[group]))
        spread2 = (ADAPT_DOF * usual**2 + seen2) / (ADAPT_DOF + n)
        precision[group, group] = 1.0 / spread2


def _strengthen(processes: dict[str, Process], now: list[Component], root: Floats,
                kinds: dict[str, NDArray[np.intp]], scale: dict[str, Floats], weigh: bool) -> None:
    """One step on the strengths of wind and current; blocks far from the others lose weight."""
    for name, process in processes.items():
        mine = [c for c in now if c.process == name]
        process.step([c.residual for c in mine],
                     [process.inverse @ (c.instrument @ root) for c in mine])
        if weigh:
            off = np.abs([process.leave_one_out(c.residual) for c in mine])
            scale[name] = _sector_scale(scale[name], kinds[name], off)
            far = np.max(off, axis=0)
            outlier = np.where(far > 2.5, (2.5 / np.maximum(far, 2.5)) ** 2, 1.0)
            process.weight = outlier / scale[name] ** 2
        process.refresh()


def fit_errors(data: Seconds, prior: dict[str, tuple[float, float]] | None = None,
               start: Fit | None = None, rounds: int = 12, adapt: bool = True) -> Fit:
    """Estimate the errors, the strengths of wind and current, and the posterior.

    Gauss-Newton on the errors and one step on the strengths in turn; blocks far from what all
    the others say lose weight.

    Parameters
    ----------
    data : Seconds
    prior : dict, optional
        Mean and standard deviation by name, where other than ``PRIOR``.
    start : Fit, optional
        Begin with its estimates and strengths.
    rounds : int
    adapt : bool
        Let the day widen or narrow the nuisances' prior spread (expectation maximisation).
    """
    prior = PRIOR | (prior or {})
    mean, spread = np.array([prior[n] for n in NAMES]).T
    precision = np.diag(1.0 / spread**2)
    groups = [[NAMES.index(n) for n in group] for group in ADAPTED
              if adapt and all(prior[n] == PRIOR[n] for n in group)]
    equations = Equations(data)
    processes = _processes(data, equations, start)
    alike = equations.alike()
    theta = np.array([start.value[n] for n in NAMES]) if start else mean.copy()
    covariance = np.linalg.inv(precision)
    kinds = equations.kinds()
    scale = {name: np.ones(kind.size) for name, kind in kinds.items()}
    at, about = theta, equations.linear(theta, alike)
    for turn in range(rounds):
        if turn in (1, 2, 4, 7):
            at, about = theta, equations.linear(theta, alike)
        step, covariance = _step(processes, about, theta, at, precision, mean)
        theta = theta + _held_back(step, spread)
        theta[[0, 2]] = np.clip(theta[[0, 2]], 0.3, 3.0)
        if turn == rounds - 1:
            break
        _widened(precision, groups, theta, covariance)
        root = np.asarray(np.linalg.cholesky(0.5 * (covariance + covariance.T)), dtype=float)
        _strengthen(processes, [c.moved(theta - at) for c in about], root, kinds, scale, turn >= 2)
    value = dict(zip(NAMES, theta.tolist(), strict=True))
    seen = equations.see(value)
    return Fit(
        value=value, sd=dict(zip(NAMES, np.sqrt(np.diag(covariance)).tolist(), strict=True)),
        covariance=np.asarray(covariance, dtype=float), processes=processes,
        components=equations.linear(theta, alike),
        wind_from_deg=seen.from_deg + equations.centre_deg,
        wind_kn=np.exp(seen.log_speed + equations.level), twa_deg=seen.twa_deg,
        water_blocks=equations.water_blocks, wind_blocks=equations.wind_blocks)


def _held_back(step: Floats, spread: Floats) -> Floats:
    """A step no longer than what was believed beforehand in any direction: no running away."""
    return step / max(1.0, float(np.max(np.abs(step) / (MAX_STEP * spread))))


def _sector_scale(scale: Floats, kind: NDArray[np.intp], off: Floats) -> Floats:
    """Standard deviation of each way of sailing's own noise against the common one.

    Close-hauled a degree of wind is more speed than on a reach, and downwind a shift is more
    degrees: each way of sailing gets the noise it shows (half a step at a time), the typical
    block keeping 1.
    """
    out = scale.copy()
    for one in np.unique(kind):
        mine = kind == one
        if mine.sum() >= 8:
            shown = MAD_TO_SD * float(np.median(off[:, mine]))
            out[mine] = scale[mine] * np.sqrt(np.clip(shown, 0.25, 4.0))
    return np.asarray(np.clip(out / np.exp(np.mean(np.log(out))), 0.25, 4.0), dtype=float)


def _processes(data: Seconds, equations: Equations, start: Fit | None) -> dict[str, Process]:
    """One variation for each kind of quantity that has data."""
    kinds = {"water": (WATER, equations.water_blocks),
             "speed": (WIND_SPEED, equations.wind_blocks),
             "direction": (WIND_DIRECTION, equations.wind_blocks),
             "boat": (BOAT_SPEED, equations.boat_blocks)}
    out = {}
    for name, (kind, at) in kinds.items():
        if at.size:
            out[name] = Process(kind, data.middle_s[at], data.seconds[at])
            if start is not None and name in start.processes:
                out[name].variance = start.processes[name].variance.copy()
                out[name].weight = start.processes[name].weight.copy()
                out[name].refresh()
    return out
