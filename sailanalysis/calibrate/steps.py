"""Steps in time: weed on the log, a wheel that sticks and frees, a vane or compass knocked.

A sensor whose error changes in the middle of the day is found by adding the change to the joint
equations, window by window, and asking how much better they hold (a generalised least squares
score for every pair of instants at once). The current and the boat's own speed are witnesses
beside each other: a tide line moves the track and leaves the speed for the wind alone, a reef
moves the speed and leaves the track alone; weed moves both.

The vane's step is looked for in how she is sailed: close-hauled and running, the angles of the two
tacks lie alike about the bow; a knocked vane moves both the same way, a wind shift moves neither.

References
----------
.. [1] Bai and Perron, "Computation and analysis of multiple structural change models", J. Appl.
   Econometrics 18, 1-22, 2003 (one break after the other).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.calibrate.blocks import Seconds
from sailanalysis.calibrate.equations import NAMES, PRIOR, Component, Equations
from sailanalysis.calibrate.fit import BOAT_SPEED, WATER, Fit
from sailanalysis.calibrate.noise import Process
from sailanalysis.core.angles import Floats, wrap180
from sailanalysis.core.model import Conditioned
from sailanalysis.core.series import epoch_s, running_mean, true_stretches
from sailanalysis.core.stats import MAD_TO_SD, Z95

Channel = Literal["stw_kn", "hdg_deg", "awa_deg"]

_FITTED: Final[dict[Channel, str]] = {"stw_kn": "stw_factor", "hdg_deg": "heading_offset_deg"}
MAX_STEPS: Final = 4
CANDIDATES: Final = 80
"""Instants tried: every few minutes of a day."""
SCORE: Final = 7.0
"""Standard errors a step must stand out by: thousands of windows are tried, no model is exact."""
LEAST: Final[dict[Channel, float]] = {"stw_kn": 0.12, "hdg_deg": 8.0, "awa_deg": 4.0}
"""Smallest step told: a share of the speed, degrees. Below, waves, sails and tide do as much."""
WIDER: Final = 2.0
"""The usual unrest of water and boat, times: a day may be rougher than most."""
MENDED_WITHIN: Final[dict[Channel, float]] = {"stw_kn": 0.06, "hdg_deg": 3.0, "awa_deg": 2.0}
"""95 % half-width within which a window is mended; wider, it is left out."""
MOST_FACTOR: Final = 2.5
"""A wheel that reads less than this part of the truth does not turn: nothing to mend."""
WITNESS: Final = 2.5
"""Standard errors by which the boat's own speed must have seen a step of the log."""
STANDS: Final = 0.35
"""A wheel that shows less than this part of the speed over ground, against its habit, stands."""
STANDS_S: Final = 180.0
VANE_SCORE: Final = 5.0
MIN_LEG_S: Final = 60.0
MIN_PAIRS: Final = 2
REACH_DEG: Final = 12.0
"""A sum further from the others holds a reach, as long as they are few."""
MOSTLY: Final = 0.7
PAIR_GAP_S: Final = 150.0
PAIR_SD_DEG: Final = 3.0
"""Least scatter of the sum of two legs' angles (common practice: a degree or two a leg)."""
SAILED: Final = ((0.0, 60.0), (100.0, 180.0))
"""Apparent angles of beating and running, where both tacks are sailed alike."""


@dataclass(frozen=True)
class Step:
    """A time in which a sensor read otherwise than in the rest of the day.

    Attributes
    ----------
    channel : {"stw_kn", "hdg_deg", "awa_deg"}
    start_s, end_s : float
        The time in which it read wrong.
    size, low, high : float
        What makes it right there: a factor of boat speed, degrees to add; 95 % interval.
    mended : bool
        Whether the readings were mended; else they are left out.
    """

    channel: Channel
    start_s: float
    end_s: float
    size: float
    low: float
    high: float
    mended: bool


@dataclass(frozen=True)
class _Window:
    first: int
    last: int
    size: float
    sd: float
    base: float  # the error outside the window
    score: float  # standard errors it stands out by


def find_steps(data: Seconds, fit: Fit, prior: dict[str, tuple[float, float]]) -> list[Step]:
    """Steps of log, compass and vane, the plainest first.

    Parameters
    ----------
    data : Seconds
    fit : Fit
        Of the same data; its errors are where the search begins.
    prior : dict
        As the fit had it, where other than ``PRIOR``.
    """
    prior = PRIOR | prior
    now, out = data, []
    for _ in range(MAX_STEPS):
        best: tuple[Channel, _Window] | None = None
        for channel, name in _FITTED.items():
            window = _scan(now, fit, prior, name)
            if window is None or abs(window.size) < LEAST[channel]:
                continue
            if best is None or window.score > best[1].score:
                best = (channel, window)
        if best is None:
            break
        # The plainest first: what it leaves is looked at again with it mended.
        out.append(_step(data, *best))
        now = _moved(now, best[0], best[1].first, best[1].last, best[1].size)
    vane = _vane_step(data)
    return out + ([vane] if vane is not None else [])


def _moved(data: Seconds, channel: Channel, first: int, last: int, size: float) -> Seconds:
    """The data with a window of blocks put right."""
    ends = np.append(data.start, data.time_s.size)
    inside = slice(int(ends[first]), int(ends[last]))
    if channel == "stw_kn":
        stw, slow = data.stw_kn.copy(), data.slow_stw_kn.copy()
        stw[inside] *= 1.0 + size
        slow[inside] *= 1.0 + size
        return replace(data, stw_kn=stw, slow_stw_kn=slow)
    hdg = data.hdg_deg.copy()
    hdg[inside] += size
    return replace(data, hdg_deg=hdg)


def _step(data: Seconds, channel: Channel, window: _Window) -> Step:
    """The record of a window: where the log read low, or the compass was the further off.

    A window that reaches to an end of the day may be the sound part just as well.
    """
    ends = np.append(data.start, data.time_s.size)
    first, last = float(data.time_s[0]), float(data.time_s[-1])
    start, stop = float(data.time_s[ends[window.first]]), float(data.time_s[ends[window.last] - 1])
    rest = ((stop, last) if window.first == 0 else (first, start) if window.last == data.blocks
            else None)
    half = Z95 * window.sd
    if channel == "stw_kn":
        factor = 1.0 + window.size
        if factor < 1.0 and rest is not None:
            # She read high here, that is low in the rest of the day: weed slows a wheel.
            factor, half = 1.0 / max(factor, 0.05), half / max(factor, 0.05) ** 2
            start, stop = rest
        mended = half < MENDED_WITHIN[channel] * factor and 1 / MOST_FACTOR < factor < MOST_FACTOR
        return Step(channel, start, stop, factor, factor - half, factor + half, mended)
    size = window.size
    if rest is not None and abs(window.base) > abs(window.base + size):
        size, (start, stop) = -size, rest
    return Step(channel, start, stop, size, size - half, size + half, half < MENDED_WITHIN[channel])


def _scan(data: Seconds, fit: Fit, prior: dict[str, tuple[float, float]],
          name: str) -> _Window | None:
    """The window in which one parameter differs most plainly; None where none stands out."""
    equations = Equations(data)
    if not equations.water_blocks.size:
        return None
    theta = np.array([fit.value[n] for n in NAMES])
    parts = [c for c in equations.linear(theta, equations.alike())
             if c.process in ("water", "boat")]
    blocks = {"water": equations.water_blocks, "boat": equations.boat_blocks}
    inverse = {kind: _usual_inverse(data, kind, at) for kind, at in blocks.items() if at.size}
    edges = np.unique(np.linspace(0, data.blocks, min(CANDIDATES, data.blocks) + 1).astype(int))
    at = NAMES.index(name)
    p, m = len(NAMES), edges.size - 1
    normal = np.diag([1.0 / prior[n][1] ** 2 for n in NAMES])
    right = normal @ (np.array([prior[n][0] for n in NAMES]) - theta)
    sums = {kind: _Sums(np.zeros((m, m)), np.zeros(m), np.zeros((m, p))) for kind in inverse}
    for part in parts:
        columns = _columns(part, blocks[part.process], edges, at)
        weighted = inverse[part.process] @ part.slope
        normal += part.slope.T @ weighted
        right -= weighted.T @ part.residual
        back = inverse[part.process] @ columns
        mine = sums[part.process]
        mine.gram += columns.T @ back
        mine.score += back.T @ part.residual
        mine.cross += back.T @ part.slope
    return _best(sums, normal, right, edges, at, float(theta[at]))


def _usual_inverse(data: Seconds, kind: str, at: NDArray[np.intp]) -> Floats:
    """Inverse covariance of the usual unrest, made wider."""
    process = Process(WATER if kind == "water" else BOAT_SPEED, data.middle_s[at],
                      data.seconds[at])
    process.variance = process.variance * WIDER**2
    process.refresh()
    return process.inverse


def _columns(part: Component, blocks: NDArray[np.intp], edges: NDArray[np.intp],
             at: int) -> Floats:
    """Slope with the parameter within each piece of the day."""
    piece = np.searchsorted(edges, blocks, side="right") - 1
    out = np.zeros((blocks.size, edges.size - 1))
    out[np.arange(blocks.size), piece] = part.slope[:, at]
    return out


@dataclass
class _Sums:
    """Normal equations of the pieces' columns, of one kind of equation."""

    gram: Floats
    score: Floats
    cross: Floats


def _best(sums: dict[str, _Sums], normal: Floats, right: Floats, edges: NDArray[np.intp],
          at: int, value: float) -> _Window | None:
    """Window of pieces with the highest score, all other errors fitted beside it."""
    m = edges.size - 1
    spread = np.linalg.inv(normal)
    shift = spread @ right
    i, j = np.triu_indices(m + 1, 1)
    gram = np.sum([one.gram for one in sums.values()], axis=0)
    score = np.sum([one.score for one in sums.values()], axis=0)
    cross = np.sum([one.cross for one in sums.values()], axis=0)
    quad, along = _windows(gram - cross @ spread @ cross.T, score + cross @ shift, i, j)
    short = (j - i < min(3, m // 4)) | (j - i == m) | (quad < 1e-9)
    size = -along / np.where(short, 1.0, quad)
    z = np.where(short, 0.0, np.abs(size) * np.sqrt(np.where(short, 0.0, quad)))
    if NAMES[at] == "stw_factor" and "boat" in sums:
        # The boat's own speed for the wind must have seen it too: a tide line moves only the track.
        own = sums["boat"]
        boat_quad, boat_along = _windows(own.gram - own.cross @ spread @ own.cross.T,
                                         own.score + own.cross @ shift, i, j)
        seen = -boat_along / np.sqrt(np.maximum(boat_quad, 1e-9))
        z = np.where(np.sign(size) * seen > WITNESS, z, 0.0)
    best = int(np.argmax(z))
    if z[best] < SCORE:
        return None
    moved = (shift - spread @ (cross[i[best]:j[best]].sum(axis=0) * size[best]))[at]
    base = value + float(moved)
    scale = base if NAMES[at] == "stw_factor" else 1.0
    return _Window(int(edges[i[best]]), int(edges[j[best]]), float(size[best]) / scale,
                   float(1.0 / np.sqrt(quad[best])) / scale, base, float(z[best]))


def _windows(gram: Floats, score: Floats, i: NDArray[np.intp], j: NDArray[np.intp]
             ) -> tuple[Floats, Floats]:
    """Sums over windows of pieces i to j, by differences of running sums."""
    m = score.size
    total = np.zeros((m + 1, m + 1))
    total[1:, 1:] = np.cumsum(np.cumsum(gram, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(score)])
    return total[j, j] - total[i, j] - total[j, i] + total[i, i], along[j] - along[i]


# ------------------------------------------------------------------------------------ vane
def _vane_step(data: Seconds) -> Step | None:
    """A shift of the angles of both tacks from one tack or gybe on.

    A boat lies alike about the bow before and after a tack: the sum of the two angles is twice
    the vane's error, whatever the wind does. That sum steps.
    """
    when, pair = _pairs(_legs(data))
    best: tuple[float, float, float, int] | None = None
    for k in range(MIN_PAIRS, when.size - MIN_PAIRS + 1):
        before, after = _beating(pair[:k]), _beating(pair[k:])
        centres = [float(np.median(x)) for x in (before, after)]
        off = np.concatenate([before - centres[0], after - centres[1]])
        scatter = max(MAD_TO_SD * float(np.median(np.abs(off))), PAIR_SD_DEG)
        # The median of normal values has pi/2 the variance of the mean; neighbours share a leg.
        sd = scatter * float(np.sqrt(1.57 * (1 / before.size + 1 / after.size)))
        shift = centres[1] - centres[0]
        if best is None or abs(shift) / sd > best[0]:
            best = (abs(shift) / sd, 0.5 * shift, 0.5 * sd, k)
    if best is None or best[0] < VANE_SCORE or abs(best[1]) < LEAST["awa_deg"]:
        return None
    _, size, sd, k = best
    half = Z95 * sd
    middle = 0.5 * float(when[k - 1] + when[k])
    return Step("awa_deg", middle, float(data.time_s[-1]), -size, -size - half, -size + half,
                half < MENDED_WITHIN["awa_deg"])


def _beating(pair: Floats) -> Floats:
    """Sums without the few in which one of the two legs was a reach."""
    near = np.abs(pair - np.median(pair)) < REACH_DEG
    return pair[near] if near.mean() >= MOSTLY else pair


def _pairs(legs: pd.DataFrame) -> tuple[Floats, Floats]:
    """Time between, and sum of the angles of, legs that one tack or gybe parts."""
    if len(legs) < 2:
        return np.zeros(0), np.zeros(0)
    awa, way = legs["awa_deg"].to_numpy(dtype=float), legs["way"].to_numpy()
    end, start = legs["end_s"].to_numpy(dtype=float)[:-1], legs["start_s"].to_numpy(dtype=float)[1:]
    total = wrap180(awa[1:] + awa[:-1])
    good = (awa[1:] * awa[:-1] < 0) & (way[1:] == way[:-1]) & (start - end < PAIR_GAP_S) & (
        np.abs(total) < 45.0)
    return 0.5 * (end + start)[good], total[good]


def _legs(data: Seconds) -> pd.DataFrame:
    """Mean apparent angle of every stretch on one side of the wind, beating or running."""
    awa = np.degrees(np.angle(data.mean(np.exp(1j * np.radians(data.awa_deg)))))
    sails = data.mean((data.has_sails | data.doubtful).astype(float)) > 0.5
    way = np.select([(np.abs(awa) >= lo) & (np.abs(awa) < hi) for lo, hi in SAILED], [1, 2], 0)
    code = np.where(np.isfinite(awa) & sails, np.sign(np.nan_to_num(awa)) * way, 0.0)
    new = np.flatnonzero(np.diff(code) != 0) + 1
    rows = []
    for part in np.split(np.arange(data.blocks), new):
        if code[part[0]] == 0 or data.seconds[part].sum() < MIN_LEG_S:
            continue
        rows.append((data.middle_s[part[0]] - 0.5 * data.seconds[part[0]],
                     data.middle_s[part[-1]] + 0.5 * data.seconds[part[-1]],
                     float(np.median(awa[part])), int(way[part[0]])))
    return pd.DataFrame(rows, columns=["start_s", "end_s", "awa_deg", "way"])


def standing_wheel(samples: pd.DataFrame) -> list[Step]:
    """Times in which the log's wheel stood or crept while the boat went on.

    Boat speed under ``STANDS`` of the speed over ground for three minutes and more, on a day that
    otherwise shows most of it, is no current.
    """
    time = epoch_s(samples.index)
    stw, sog = (samples[name].to_numpy(dtype=float) for name in ("stw_kn", "sog_kn"))
    slow, over = running_mean(time, stw, 30.0), running_mean(time, sog, 30.0)
    going = np.isfinite(slow) & (np.nan_to_num(over) > 2.5)
    if not going.any() or time.size < 2:
        return []
    ratio = np.where(going, slow / np.maximum(over, 0.1), np.nan)
    if not np.nanmedian(ratio) > 2 * STANDS:
        return []
    pieces: list[tuple[float, float]] = []
    for s in true_stretches(going & (np.nan_to_num(ratio, nan=1.0) < STANDS)):
        start, stop = float(time[s.start]), float(time[s.stop - 1])
        if pieces and start - pieces[-1][1] < STANDS_S:
            start = pieces.pop()[0]
        pieces.append((start, stop))
    nan = float("nan")
    return [Step("stw_kn", start - 20.0, stop + 20.0, nan, nan, nan, False)
            for start, stop in pieces if stop - start >= STANDS_S]


def mend(cond: Conditioned, steps: Sequence[Step], left_out: Sequence[str] = ()) -> Conditioned:
    """Conditioned readings with every step mended, or its time left out.

    Parameters
    ----------
    cond : Conditioned
    steps : sequence of Step
    left_out : sequence of str
        Channels not believed at all.
    """
    samples = cond.samples.drop(columns=[name for name in left_out if name in cond.samples]).copy()
    time = epoch_s(samples.index)
    for step in steps:
        inside = (time >= step.start_s) & (time <= step.end_s)
        for name in _columns_of(step.channel):
            if name not in samples:
                continue
            value = samples[name].to_numpy(dtype=float).copy()
            if not step.mended:
                value[inside] = np.nan
            elif step.channel == "stw_kn":
                value[inside] *= step.size
            elif step.channel == "awa_deg":
                value[inside] = wrap180(value[inside] + step.size)
            else:
                value[inside] = (value[inside] + step.size) % 360.0
            samples[name] = value
    return replace(cond, samples=samples)


def _columns_of(channel: Channel) -> tuple[str, ...]:
    return ("hdg_deg", "hdg_mag_deg") if channel == "hdg_deg" else (channel,)
