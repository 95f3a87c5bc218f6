"""The steady wind's direction, carried through turns from the sailing around them.

While a boat turns, a vane swings, lags and is driven by the masthead's own motion, so that the
measured direction is worth little from the turn's start until some time after its end. The
direction is therefore averaged over steady sailing only, as vectors, in windows that widen until
they hold enough of it; through a turn that leaves the mean of both sides, with whatever shift
lies between them.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats, arctan2d, cosd, sind, unwrap, wrap180
from sailanalysis.core.series import true_stretches
from sailanalysis.segment.grid import Grid, box_mean, fill_short, side_mean

Bools = NDArray[np.bool_]

TURN_DEG: Final = 12.0
"""Mean heading of eight seconds against the eight before: more than yaw in a seaway leaves."""
TURN_SPAN_S: Final = 8.0
SETTLE_S: Final = 15.0
"""A damped vane (time constants of 2-5 s are usual) needs three of them to come to rest."""
WINDOWS_S: Final = (40.0, 120.0, 300.0, 900.0)


def heading(grid: Grid) -> tuple[Floats, str]:
    """Unwrapped direction of the bow, with short holes filled.

    Returns
    -------
    heading_deg : ndarray, shape (n,)
        Heading where the log has it for most of the stretch, else course over ground while she
        makes a knot of way. A wind without a speed was told by the track, and so was the angle off
        it: the course is then the one it was judged by, without the current across the wind.
    basis : {"heading", "track", "none"}
    """
    hdg, cog = grid.column["hdg_deg"], grid.column["cog_deg"]
    if np.isfinite(hdg).mean() >= 0.5:
        chosen, basis = hdg, "heading"
    elif is_from_track(grid):
        chosen, basis = wrap180(grid.column["twd_deg"] - grid.column["twa_deg"]), "track"
    elif np.isfinite(cog).any():
        slow = grid.column["sog_kn"] < 0.8  # a receiver's course is noise without way
        chosen, basis = np.where(slow, np.nan, cog), "track"
    else:
        return np.full(len(grid), np.nan), "none"
    return fill_short(unwrap(chosen), grid.bins(20.0)), basis


def is_from_track(grid: Grid) -> bool:
    """Whether the wind's direction was told by the track: no log gives it without a speed."""
    def known(name: str) -> bool:
        return name in grid.column and bool(np.isfinite(grid.column[name]).any())

    return known("twa_deg") and not known("tws_kn") and not known("hdg_deg")


def is_turning(heading_deg: Floats, grid: Grid) -> Bools:
    """Whether she turns or has just turned, so that the vane is not to be believed."""
    before, after = side_mean(heading_deg, grid.bins(TURN_SPAN_S))
    with np.errstate(invalid="ignore"):
        turning = np.abs(after - before) > TURN_DEG
    out = turning.copy()
    lead, settle = grid.bins(TURN_SPAN_S / 2), grid.bins(SETTLE_S)
    for part in true_stretches(turning):
        out[max(0, part.start - lead):part.stop + settle] = True
    return out


def steady_wind_deg(grid: Grid, turning: Bools, usable: Bools | None = None) -> Floats:
    """Smooth direction the wind comes from, unwrapped.

    Parameters
    ----------
    grid : Grid
        ``twd_deg`` and, where there is one, ``tws_kn``: a puff counts for more than a lull.
    turning : ndarray of bool, shape (n,)
    usable : ndarray of bool, shape (n,), optional
        Where the wind may be used at all (motoring is left in: the vane works there too).

    Returns
    -------
    ndarray, shape (n,)
        NaN only where fifteen minutes around hold no wind.
    """
    twd, tws = grid.column["twd_deg"], grid.column["tws_kn"]
    good = np.isfinite(twd)
    if usable is not None:
        good &= usable
    if not good.any():
        return np.full(len(grid), np.nan)
    strength = np.where(np.isfinite(tws), np.clip(tws, 0.3, None), np.nanmedian(tws)
                        if np.isfinite(tws).any() else 1.0)
    strength = strength / np.median(strength[good])
    # Turning samples keep a trace of weight: a boat that never steadies still has a wind.
    weight = np.where(good, np.where(turning, 0.003, 1.0) * strength, 0.0)
    direction = _smooth(twd, weight, grid)
    # Again without what lies far off: a vane stuck in a lull, a knot in the wiring.
    off = np.abs(wrap180(twd - direction))
    scale = max(10.0, 1.5 * float(np.median(off[good & np.isfinite(off)])))
    with np.errstate(invalid="ignore"):
        weight = weight / (1.0 + (np.nan_to_num(off, nan=180.0) / (2.0 * scale)) ** 4)
    return unwrap(_smooth(twd, weight, grid))


def _smooth(twd: Floats, weight: Floats, grid: Grid) -> Floats:
    east, north = sind(twd), cosd(twd)
    east, north = np.nan_to_num(east), np.nan_to_num(north)
    total_e, total_n = np.zeros(len(grid)), np.zeros(len(grid))
    need = np.ones(len(grid))
    enough_s = 15.0
    for window_s in WINDOWS_S:
        bins = grid.bins(window_s)
        seconds = box_mean(weight, bins) * min(bins, len(grid)) * grid.step_s
        # Twice boxed is a triangle: near sailing counts for more, and nothing jumps.
        e = box_mean(box_mean(east * weight, bins), bins)
        n = box_mean(box_mean(north * weight, bins), bins)
        share = box_mean(box_mean(weight, bins), bins)
        use = need * np.clip(seconds / enough_s, 0.0, 1.0)
        total_e += use * np.divide(e, share, out=np.zeros_like(e), where=share > 1e-12)
        total_n += use * np.divide(n, share, out=np.zeros_like(n), where=share > 1e-12)
        need = need - use
    known = np.hypot(total_e, total_n) > 1e-9
    return np.asarray(np.where(known, arctan2d(total_e, total_n), np.nan), dtype=float)
