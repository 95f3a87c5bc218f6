"""Cut a day into what a helm can be judged by: steady sailing, minute by minute.

A *piece* is unbroken steady sailing of one helm on one leg; a *window* is about a minute of a
piece; a *stretch* (a row of ``helm.csv``) is what one helm sailed at one point of sail between
taking over and handing over.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, unwrap, wrap180
from sailanalysis.core.points import point_of_sail
from sailanalysis.core.series import epoch_s, step_s
from sailanalysis.helm.steering import (
    BAND_HZ,
    MIN_RATE_HZ,
    MOVING_DEG_S,
    REVERSAL_GAP_DEG,
    SLOW_MEAN_S,
    band_pass_rate,
    low_pass,
    reversals,
    slow_mean,
    to_work_rate,
)
from sailanalysis.segment.use import is_sailed

BEFORE_MANEUVER_S: Final = 10.0
AFTER_MANEUVER_S: Final = 20.0
"""Settling on the new course is part of the maneuver, not of steering straight."""
AFTER_HANDOVER_S: Final = 15.0
SHORTEST_PIECE_S: Final = 30.0
"""Half a slow mean; a shorter piece has no mean to steer about."""
WINDOW_S: Final = 60.0
REST_S: Final = 1200.0
"""A pause longer than this ends a stretch."""
LONGEST_STRETCH_S: Final = 3600.0

MOTION_LOW_HZ: Final = 0.06
"""Slowest waves met: a period of 16 s. Slower roll and pitch is heel and trim."""

GUST_SMOOTH_S: Final = 5.0
GUST_SLOW_S: Final = 120.0


@dataclass(frozen=True)
class Piece:
    """Unbroken steady sailing of one helm on one leg; ``part`` indexes the samples."""

    part: slice
    helm: str
    point: str
    stint: int


def helm_names(samples: pd.DataFrame) -> NDArray[np.object_]:
    """Who steers at each sample, ``""`` where unknown; the autopilot spelt one way."""
    if "helm" not in samples:
        return np.full(len(samples), "", dtype=object)
    column = samples["helm"]
    words = {name: "" if pd.isna(name) else str(name).strip() for name in column.unique()}
    words = {name: "autopilot" if word.lower() == "autopilot" else word
             for name, word in words.items()}
    return np.array(column.map(words).fillna("").to_numpy(), dtype=object)


def steady_pieces(
    samples: pd.DataFrame, legs: pd.DataFrame, maneuvers: pd.DataFrame,
    valid: NDArray[np.bool_] | None = None,
) -> list[Piece]:
    """Pieces of steady sailing: on a leg, under sail, away from maneuvers and handovers.

    Parameters
    ----------
    samples, legs, maneuvers : DataFrame
        As in the published tables; ``samples`` may lack ``helm`` and ``state``.
    valid : ndarray of bool, shape (n,), optional
        Samples that hold what is to be measured.

    Returns
    -------
    list of Piece
        In order of time, each at least ``SHORTEST_PIECE_S`` long.
    """
    time = epoch_s(samples.index)
    if time.size < 2 or legs.empty:
        return []
    helm = helm_names(samples)
    changed = np.flatnonzero(helm[1:] != helm[:-1]) + 1
    leg = _leg_of(samples, time, legs, maneuvers)
    if valid is not None:
        leg[~valid] = -1
    for first in changed:
        leg[first:np.searchsorted(time, time[first] + AFTER_HANDOVER_S)] = -1
    turn = np.cumsum(np.isin(np.arange(time.size), changed))
    cut = (leg[1:] != leg[:-1]) | (turn[1:] != turn[:-1]) | (np.diff(time) > 2.5 * step_s(time))
    edges = np.concatenate([[0], np.flatnonzero(cut) + 1, [time.size]])
    twa = legs.get("twa_deg", pd.Series(np.nan, legs.index)).to_numpy(dtype=float)
    pieces: list[Piece] = []
    stint, last_end, last_turn = 0, -np.inf, -1
    for a, b in pairwise(edges):
        if leg[a] < 0 or time[b - 1] - time[a] < SHORTEST_PIECE_S:
            continue
        if turn[a] != last_turn or time[a] - last_end > REST_S:
            stint += 1
        last_turn, last_end = int(turn[a]), float(time[b - 1])
        pieces.append(Piece(slice(int(a), int(b)), str(helm[a] or ""),
                            point_of_sail(twa[leg[a]]), stint))
    return pieces


def _leg_of(samples: pd.DataFrame, time: Floats, legs: pd.DataFrame, maneuvers: pd.DataFrame
            ) -> NDArray[np.int_]:
    """Row of the leg each sample lies on, under sail and away from maneuvers; -1 elsewhere."""
    leg = np.full(time.size, -1)
    for k, (a, b) in enumerate(zip(epoch_s(legs["start"]), epoch_s(legs["end"]), strict=True)):
        leg[np.searchsorted(time, a):np.searchsorted(time, b, side="right")] = k
    if not maneuvers.empty:
        for a, b in zip(epoch_s(maneuvers["start"]), epoch_s(maneuvers["end"]), strict=True):
            leg[np.searchsorted(time, a - BEFORE_MANEUVER_S):
                np.searchsorted(time, b + AFTER_MANEUVER_S)] = -1
    if "state" in samples:
        leg[~is_sailed(samples)] = -1
    return leg


def fill_short(value: Floats, rate_hz: float, longest_s: float = 3.0) -> Floats:
    """Bridge missing samples up to a few seconds by a straight line; longer ones stay NaN."""
    good = np.isfinite(value)
    if good.all() or not good.any():
        return value
    at = np.arange(value.size)
    filled = np.interp(at, at[good], value[good])
    previous = np.maximum.accumulate(np.where(good, at, -1))
    following = np.minimum.accumulate(np.where(good, at, value.size)[::-1])[::-1]
    bridge = (following - previous <= longest_s * rate_hz + 1) & (previous >= 0)
    return np.where(good | (bridge & (following < value.size)), filled, np.nan)


def own_samples(value: Floats, rate_hz: float, native_hz: float) -> tuple[Floats, float, int, int]:
    """Undo interpolation: keep the samples a slower sensor really gave.

    Interpolated samples lie inside the corners of the polygon and make a rudder look quieter than
    it was. The phase is the one whose samples hold the corners (largest second difference).

    Returns
    -------
    value, rate_hz, stride, phase
    """
    if not np.isfinite(native_hz) or native_hz <= 0 or native_hz > 0.7 * rate_hz:
        return value, rate_hz, 1, 0
    stride = max(1, round(rate_hz / native_hz))
    if value.size < 3 * stride:
        return value[::stride], rate_hz / stride, stride, 0
    bend = np.abs(np.diff(value, 2, prepend=value[0], append=value[-1]))
    sums = [float(np.nansum(bend[phase::stride][1:-1])) for phase in range(stride)]
    phase = int(np.argmax(sums))
    return value[phase::stride], rate_hz / stride, stride, phase


@dataclass(frozen=True)
class Track:
    """Signals of one piece that later steps need whole: rudder about its slow mean, rate, yaw."""

    piece: Piece
    start_s: float
    rate_hz: float
    rudder_deg: Floats
    deviation_deg: Floats
    heading_deg: Floats


def _window_means(value: Floats, edges: NDArray[np.int_]) -> Floats:
    """Mean of the finite values between consecutive edges; NaN where under half are finite."""
    good = np.isfinite(value)
    first = np.minimum(edges[:-1], value.size - 1)
    total = np.add.reduceat(np.where(good, value, 0.0), first)
    count = np.add.reduceat(good.astype(float), first)
    size = np.maximum(np.diff(edges), 1)
    return np.where(count >= 0.5 * size, total / np.maximum(count, 1.0), np.nan)


def _about_slow(value: Floats, rate_hz: float, window_s: float = SLOW_MEAN_S) -> Floats:
    filled = fill_short(value, rate_hz, 10.0)
    if not np.isfinite(filled).all():
        return np.full(value.shape, np.nan)
    return filled - slow_mean(filled, rate_hz, window_s)


def measure_windows(
    samples: pd.DataFrame, pieces: list[Piece], rudder_deg: Floats,
    native_rate_hz: dict[str, float], rudder_native_hz: float, noise_deg2: float = 0.0,
    gap_deg: float = REVERSAL_GAP_DEG, turning: tuple[float, float] | None = None,
) -> tuple[pd.DataFrame, list[Track]]:
    """Measure every minute of every piece.

    Parameters
    ----------
    samples : DataFrame
    pieces : list of Piece
    rudder_deg : ndarray, shape (n,)
        Rudder on the samples' clock, its offset removed, measured or inferred.
    native_rate_hz : dict
        Rates at which channels were logged.
    rudder_native_hz : float
        That of the rudder.
    noise_deg2 : float
        Variance of the sensor's own noise, taken off the variances.
    gap_deg : float
        Dead band of reversals.
    turning : (float, float), optional
        K (1/s) and T (s) of the boat; where given, the waves' push on her heading is measured too.

    Returns
    -------
    DataFrame
        A row a window: where, who, variances of rudder (deg^2), its rate in the common band
        (NaN when logged too slowly), heading, wind angle, roll, pitch and yaw rates, gusts; means.
    list of Track
        A piece each.
    """
    time = epoch_s(samples.index)
    grid_hz = 1.0 / step_s(time) if time.size > 1 else float("nan")
    columns: dict[str, Floats] = {name: samples[name].to_numpy(dtype=float) for name in (
        "stw_kn", "tws_kn", "twa_deg", "heel_deg", "trim_deg", "hdg_deg") if name in samples}
    missing = np.full(time.size, np.nan)

    def channel(name: str) -> Floats:
        return columns.get(name, missing)

    def motion(name: str, part: slice, edges: NDArray[np.int_]) -> Floats:
        """Mean square rate of a roll, pitch or yaw angle in the waves' band, per window."""
        out = np.full(edges.size - 1, np.nan)
        values = fill_short(channel(name)[part], grid_hz)
        if not np.isfinite(values).all():
            return out
        if name == "hdg_deg":
            values = unwrap(values)
        own, rate, stride, _ = own_samples(values, grid_hz, native_rate_hz.get(name, grid_hz))
        if rate < MIN_RATE_HZ:
            return out
        turning = band_pass_rate(own, rate, MOTION_LOW_HZ, BAND_HZ)
        return _window_means(turning**2, np.minimum(edges // stride, turning.size))

    def push(part: slice, edges: NDArray[np.int_]) -> Floats:
        """Mean square of what turns her besides the rudder, as rudder angle, in the waves' band.

        ``(T r' + r) / K - rudder`` of the first-order response: the helm's own doing is taken off,
        which a plain rate of turn would count as sea.
        """
        out = np.full(edges.size - 1, np.nan)
        rate = min(grid_hz, native_rate_hz.get("hdg_deg", grid_hz), rudder_native_hz)
        heading = unwrap(fill_short(channel("hdg_deg")[part], grid_hz))
        rudder = fill_short(rudder_deg[part], grid_hz)
        if turning is None or rate < MIN_RATE_HZ or not np.isfinite(heading + rudder).all():
            return out
        K, T = turning
        turn = band_pass_rate(heading, grid_hz, MOTION_LOW_HZ, BAND_HZ)
        bend = band_pass_rate(turn, grid_hz, MOTION_LOW_HZ, BAND_HZ)
        # The rudder in the same band: the derivative of its integral.
        steered = band_pass_rate(np.cumsum(rudder - rudder.mean()) / grid_hz, grid_hz,
                                 MOTION_LOW_HZ, BAND_HZ)
        return _window_means(((T * bend + turn) / K - steered) ** 2, edges)

    blocks: list[dict[str, object]] = []
    tracks: list[Track] = []
    for number, piece in enumerate(pieces):
        part = piece.part
        rudder = fill_short(rudder_deg[part], grid_hz)
        if not np.isfinite(rudder).all():
            rudder = np.interp(np.arange(rudder.size), np.flatnonzero(np.isfinite(rudder)),
                               rudder[np.isfinite(rudder)])
        seconds = time[part.stop - 1] - time[part.start]
        count = max(1, round(seconds / WINDOW_S))
        edges = np.round(np.linspace(0, rudder.size, count + 1)).astype(int)
        own, rate, stride, _ = own_samples(rudder, grid_hz, rudder_native_hz)
        own_edges = np.minimum(edges // stride, own.size)
        deviation = own - slow_mean(own, rate)
        angle_var = _window_means(deviation**2, own_edges) - noise_deg2
        rate_var = np.full(count, np.nan)
        moving = np.full(count, np.nan)
        turned = np.full(count, np.nan)
        if rate >= MIN_RATE_HZ:
            fine, fine_hz = to_work_rate(own, rate)
            fine_edges = np.minimum(np.round(edges * fine_hz / grid_hz).astype(int), fine.size)
            fine_edges[-1] = fine.size
            speed = band_pass_rate(fine, fine_hz, 1.0 / SLOW_MEAN_S, BAND_HZ)
            # White noise of variance s2 at rate f has density 2 s2/f; differentiated over the band.
            noise_rate = noise_deg2 * 2.0 / rate * (2 * np.pi) ** 2 * BAND_HZ**3 / 3.0
            rate_var = _window_means(speed**2, fine_edges) - noise_rate
            moving = _window_means((np.abs(speed) > MOVING_DEG_S).astype(float), fine_edges)
            ends = np.array([end for _, end in reversals(low_pass(fine, fine_hz, BAND_HZ),
                                                         gap_deg)], dtype=int)
            turned = np.diff(np.searchsorted(ends, fine_edges)).astype(float)
        heading = unwrap(channel("hdg_deg")[part])
        wind_angle = unwrap(channel("twa_deg")[part])
        tws = channel("tws_kn")[part]
        smooth_tws = fill_short(tws, grid_hz, 10.0)
        if np.isfinite(smooth_tws).all():
            smooth_tws = slow_mean(smooth_tws, grid_hz, GUST_SMOOTH_S)
        blocks.append({
            "piece": np.full(count, number), "stint": np.full(count, piece.stint),
            "helm": np.full(count, piece.helm, dtype=object),
            "point_of_sail": np.full(count, piece.point, dtype=object),
            "start_s": time[part][edges[:-1]], "end_s": time[part][edges[1:] - 1],
            "seconds": np.diff(edges) / grid_hz,
            "rudder_var": np.maximum(angle_var, 0.0), "rate_var": np.maximum(rate_var, 0.0),
            "moving_share": moving, "reversals": turned,
            "rudder_mean_deg": _window_means(rudder, edges),
            "rudder_square": _window_means(rudder**2, edges) - noise_deg2,
            "course_var": _window_means(_about_slow(heading, grid_hz) ** 2, edges),
            "twa_var": _window_means(_about_slow(wind_angle, grid_hz) ** 2, edges),
            "roll_var": motion("heel_deg", part, edges),
            "pitch_var": motion("trim_deg", part, edges),
            "yaw_var": motion("hdg_deg", part, edges), "push_var": push(part, edges),
            "gust_var": _window_means(_about_slow(smooth_tws, grid_hz, GUST_SLOW_S) ** 2, edges),
            "tws_kn": _window_means(tws, edges),
            "twa_deg": wrap180(_window_means(wind_angle, edges)),
            "stw_kn": _window_means(channel("stw_kn")[part], edges),
            "heel_deg": _window_means(channel("heel_deg")[part], edges),
        })
        tracks.append(Track(piece, float(time[part.start]), rate, own, deviation,
                            heading[::stride][:own.size]))
    if not blocks:
        return pd.DataFrame(), []
    return pd.DataFrame({key: np.concatenate([block[key] for block in blocks])
                         for key in blocks[0]}), tracks
