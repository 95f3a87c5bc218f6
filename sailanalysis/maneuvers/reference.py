"""What she would have made good: the steady sailing on both sides carried through the maneuver.

The reference is a best linear prediction. Its level comes from the speed made good just before
and just after; it follows the wind's changes by the boat's polar, as far as the day's own steady
sailing answers to them; what is left over is treated as noise that is correlated in time, with
the covariance that the day's steady sailing shows, and predicted from both sides (kriging). The
same covariance gives the error of the integral.

References
----------
.. [1] Cressie, Statistics for Spatial Data, rev. ed., Wiley, 1993, sections 2.4 (variogram) and
   3.2 (ordinary kriging), 3.4 (universal kriging).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.series import recursive_filter, true_stretches
from sailanalysis.maneuvers.series import Series

if TYPE_CHECKING:
    from sailanalysis.maneuvers.build import Bounded

Bools = NDArray[np.bool_]
SpeedModel = Callable[[Floats, Floats], Floats]

BLOCK_S: Final = 5.0
"""One block holds a wave or two: shorter ones would only repeat them."""
LAGS_S: Final = (0.0, 3.0, 6.0, 12.0, 20.0, 30.0)
"""Trial times for speed to answer the wind: dinghy to heavy cruiser."""
DEFAULT_NOISE: Final = 0.04
"""Share of the speed made good that varies on its own, where the day is too short to tell: gusts
of a tenth at the square root of the wind, and a helm's two degrees at 45 deg."""


@dataclass(frozen=True)
class Response:
    """How the boat answers the wind's changes, and what varies besides.

    Attributes
    ----------
    lag_s : float
        First-order lag of speed behind the wind.
    gain : float
        Share of the polar's change that steady sailing shows (noise in the wind lowers it).
    nugget, sill : float
        Variances of the relative speed made good: of single blocks, and correlated in time.
    memory_s : float
        Correlation time of the latter.
    side_sd : float
        Relative difference from one tack to the other, beyond that noise.
    blocks : int
        Blocks of steady sailing it rests on.
    luck_deg2_s : float
        Growth per second of the variance of the angle's integral that comes of shifts followed
        late.
    widening : float
        Factor on all intervals, from mock maneuvers where nothing happened.
    """

    lag_s: float = 10.0
    gain: float = 0.7
    nugget: float = DEFAULT_NOISE**2 / 4
    sill: float = DEFAULT_NOISE**2
    memory_s: float = 30.0
    side_sd: float = 0.02
    blocks: int = 0
    luck_deg2_s: float = 10.0
    widening: float = 1.0

    def covariance(self, t1: Floats, t2: Floats) -> Floats:
        """Covariance of the relative speed made good between instants, without the nugget."""
        lag = np.abs(t1[:, None] - t2[None, :])
        return np.asarray(self.sill * np.exp(-lag / self.memory_s), dtype=float)


def expected_vmg(series: Series, model: SpeedModel | None, twa_deg: float,
                 lag_s: float) -> Floats:
    """Relative change of speed made good that the wind's changes should bring.

    Parameters
    ----------
    series : Series
    model : callable or None
        Without one, speed is taken to go with the square root of the wind: half-way between a
        boat at hull speed (0) and one in light air (1).
    twa_deg : float
        Angle she lies at, fixed: its changes are the crew's.
    lag_s : float

    Returns
    -------
    ndarray, shape (n,)
        Speed in the lagged wind over the mean one; 1 where the model is silent.
    """
    tws = series.tws_kn
    if not np.isfinite(tws).any():
        return np.ones(tws.size)
    speed = None
    if model is not None:
        grid = np.linspace(max(0.5, float(np.nanmin(tws))), float(np.nanmax(tws)) + 0.1, 40)
        table = np.asarray(model(grid, np.full(grid.size, abs(twa_deg))), dtype=float)
        known = np.isfinite(table)
        if known.sum() >= 2:
            speed = np.interp(tws, grid[known], table[known])
    if speed is None:
        speed = np.sqrt(np.maximum(tws, 0.5))
    return _lagged(speed, lag_s / series.grid.step_s)


def _lagged(value: Floats, bins: float) -> Floats:
    if bins <= 0 or not value.size:
        return value
    keep = float(np.exp(-1.0 / bins))
    start = np.nanmean(value[:max(1, int(bins))])
    return recursive_filter(value, [1.0 - keep], [1.0, -keep], before=float(start))


LEAST_MADE_GOOD_MS: Final = 0.05
USUAL_BLOCKS: Final = 36.0
"""Three minutes of steady sailing count as much as what is usual."""


def learn_response(stretches: list[tuple[Series, Bools, float]], model: SpeedModel | None,
                   usual: Response | None = None) -> Response:
    """Response and noise from steady sailing.

    Parameters
    ----------
    stretches : list of (Series, mask, twa_deg)
        Where she sailed steadily at about one angle to the wind.
    model : callable or None
    usual : Response, optional
        To which the estimate is drawn by ``USUAL_BLOCKS``; a common boat's by default.
    """
    usual = usual or Response()
    best: tuple[float, Response, list[tuple[Floats, Floats]]] | None = None
    for lag in LAGS_S:
        runs = []
        for series, mask, twa in stretches:
            expected = expected_vmg(series, model, twa, lag)
            # A stretch that makes nothing good says nothing of how speed follows the wind.
            runs += [run for run in _blocks(series, mask, expected)
                     if min(run[1].mean(), run[2].mean()) > LEAST_MADE_GOOD_MS]
        if sum(t.size for t, _, _ in runs) < 8:
            return usual
        x = np.concatenate([p / p.mean() - 1.0 for _, _, p in runs])
        y = np.concatenate([v / v.mean() - 1.0 for _, v, _ in runs])
        gain = float(np.clip(np.dot(x, y) / max(np.dot(x, x), 1e-12), 0.0, 1.2))
        left = float(np.sum((y - gain * x) ** 2))
        if best is None or left < best[0]:
            residual = [(t, v / v.mean() - gain * (p / p.mean())) for t, v, p in runs]
            best = (left, Response(lag, gain, blocks=x.size), residual)
    assert best is not None
    nugget, sill, memory = fit_variogram(best[2])
    blocks = best[1].blocks
    share = blocks / (blocks + USUAL_BLOCKS)
    return replace(
        usual, lag_s=best[1].lag_s if blocks >= USUAL_BLOCKS else usual.lag_s, blocks=blocks,
        gain=share * best[1].gain + (1.0 - share) * usual.gain,
        nugget=share * nugget + (1.0 - share) * usual.nugget,
        sill=share * sill + (1.0 - share) * usual.sill,
        memory_s=memory**share * usual.memory_s ** (1.0 - share))


def _blocks(series: Series, mask: Bools,
            expected: Floats) -> list[tuple[Floats, Floats, Floats]]:
    """Block means of time, speed made good and expectation, for each unbroken part."""
    size = series.grid.bins(BLOCK_S)
    vmg = np.abs(series.vmg_ms)
    out = []
    for part in true_stretches(mask & np.isfinite(vmg)):
        count = (part.stop - part.start) // size
        if count < 8:
            continue
        cut = slice(part.start, part.start + count * size)
        t, v, p = (a[cut].reshape(count, size).mean(axis=1)
                   for a in (series.time_s, vmg, expected))
        if v.mean() > 0.1:
            out.append((t, v, p))
    return out


def fit_variogram(runs: list[tuple[Floats, Floats]]) -> tuple[float, float, float]:
    """Nugget, sill and memory of an exponential variogram, from runs of (time, value).

    Differences need no mean, so that short legs do not hide slow changes.
    """
    sums, counts = np.zeros(36), np.zeros(36)
    for _, x in runs:
        for lag in range(1, min(36, x.size)):
            d = x[lag:] - x[:-lag]
            square = np.sort(d * d)
            # A squared median stands against a wave or wake that is not noise.
            middle = 0.5 * (square[(d.size - 1) // 2] + square[d.size // 2])
            sums[lag] += np.sum(np.minimum(square, 9.0 * middle + 1e-12))
            counts[lag] += d.size
    lags = np.flatnonzero(counts > 20)
    if lags.size < 4:
        return DEFAULT_NOISE**2 / 2, DEFAULT_NOISE**2, 30.0
    gamma = 0.5 * sums[lags] / counts[lags]
    h, weight = lags * BLOCK_S, np.sqrt(counts[lags])
    best = (np.inf, 0.0, 0.0, 30.0)
    for memory in (10.0, 20.0, 40.0, 80.0, 160.0):
        design = np.column_stack([np.ones(h.size), 1.0 - np.exp(-h / memory)])
        coef, *_ = np.linalg.lstsq(design * weight[:, None], gamma * weight, rcond=None)
        nugget, sill = np.maximum(coef, 0.0)
        left = float(np.sum((weight * (gamma - design @ [nugget, sill])) ** 2))
        if left < best[0]:
            best = (left, float(nugget), float(sill), memory)
    return max(best[1], 1e-6), max(best[2], 1e-6), best[3]


@dataclass(frozen=True)
class Reference:
    """Speed made good had she not turned, and the error of its integral.

    Attributes
    ----------
    speed_ms : ndarray, shape (m,)
        On the bins of the window asked for.
    before_ms, after_ms : float
        Mean levels of the two sides.
    tail_m : float
        What was still to be lost when the window ended.
    sd_m : float
        Standard error of the integral over the window and of the tail together.
    covariance_m2 : ndarray, shape (m, m)
        Of the errors of each bin's metres.
    """

    speed_ms: Floats
    before_ms: float
    after_ms: float
    tail_m: float
    sd_m: float
    covariance_m2: Floats


def predict(case: Bounded, shape: Floats, response: Response) -> Reference:
    """Carry the two sides of a maneuver through its window.

    Parameters
    ----------
    case : Bounded
        Its sides may differ (another tack) or are the same (a luff). What is missing yet when the
        window ends decays as the day's builds do, and is estimated from the sailing that
        follows.
    shape : ndarray, shape (n,)
        Expected relative course of what is made good (:func:`expected_vmg`).
    response : Response
    """
    series, window, lacking_share = case.place.series, case.window, case.lacking
    build_s = case.tail_s
    measure, before, after = case.sides.measure, case.sides.before, case.sides.after
    grid = series.grid
    level = float(np.mean(measure[before | after]))
    centre = float(np.mean(shape[before | after]))
    # Where the model says that nothing is made good, it cannot carry the wind's changes.
    share = np.divide(shape, centre, out=np.ones_like(shape * centre), where=centre > 0)
    relative = 1.0 + response.gain * (share - 1.0)
    t, y, s, weight = _observed(series, measure / (relative * level), before, after)
    at = series.time_s[window]
    side = np.where(np.arange(window.start, window.stop) < case.place.crossing, -0.5, 0.5)
    if not case.place.two_sided:
        s, side = 0.0 * s, 0.0 * side
    lacking = np.where(t > at[-1], np.exp(-(t - at[-1]) / build_s), 0.0)
    side_var, lack_var = response.side_sd**2, case.lacking_sd**2
    y = y + lacking_share * lacking
    cov = response.covariance(t, t) + np.diag(response.nugget * weight) \
        + side_var * np.outer(s, s) + lack_var * np.outer(lacking, lacking)
    to = response.covariance(at, t) + side_var * np.outer(side, s)
    share = relative[window] * level * grid.step_s
    tail = build_s * level
    # The whole is one linear functional of the observations; so is its error.
    cross = share @ to - tail * lack_var * lacking
    ones, values, weights = np.linalg.solve(cov, np.column_stack([np.ones(t.size), y, cross])).T
    # Ordinary kriging: the level is unknown, the weights of each prediction sum to one.
    one = ones.sum()
    mean = values.sum() / one
    left = values - mean * ones
    predicted = mean + to @ left
    lack = lacking_share - lack_var * float(lacking @ left)
    own = share @ (response.covariance(at, at) + side_var * np.outer(side, side)) @ share \
        + tail**2 * lack_var
    variance = own - cross @ weights + (share.sum() - weights.sum()) ** 2 / one
    spans = np.linalg.solve(cov, to.T)
    free = 1.0 - spans.sum(axis=0)
    error = response.covariance(at, at) + side_var * np.outer(side, side) - to @ spans \
        + np.outer(free, free) / one
    return Reference(predicted * relative[window] * level, _level(measure, before),
                     _level(measure, after), lack * tail, float(np.sqrt(max(variance, 0.0))),
                     share[:, None] * error * share[None, :])


def _observed(series: Series, value: Floats, before: Bools,
              after: Bools) -> tuple[Floats, Floats, Floats, Floats]:
    """Block means on both sides: time, value, side (-1/2 before), share of the nugget."""
    size = series.grid.bins(BLOCK_S)
    parts = []
    for mask, side in ((before, -0.5), (after, 0.5)):
        index = np.flatnonzero(mask & np.isfinite(value))
        whole = index.size - index.size % size
        for block in (index[:whole].reshape(-1, size), index[whole:][None, :]):
            if block.size:
                parts.append((series.time_s[block].mean(axis=1), value[block].mean(axis=1),
                              np.full(len(block), side),
                              np.full(len(block), size / block.shape[1])))
    t, y, s, weight = (np.concatenate(column) for column in zip(*parts, strict=True))
    return t, y, s, weight


def _level(measure: Floats, mask: Bools) -> float:
    return float(np.mean(measure[mask])) if mask.any() else float("nan")
