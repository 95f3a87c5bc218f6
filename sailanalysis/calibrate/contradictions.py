"""Sensors held against each other: what cannot all be true, the likeliest culprit, what it spoils.

Each check states its limit. A contradiction is data; its words are the report's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.calibrate.apply import Corrections
from sailanalysis.calibrate.health import turn_instants
from sailanalysis.core.angles import Floats, cosd, sind, unwrap, wrap180
from sailanalysis.core.model import Conditioned, RawLog, Stream
from sailanalysis.core.series import epoch_s, running_mean
from sailanalysis.core.stats import MAD_TO_SD
from sailanalysis.wind.direction import is_turning
from sailanalysis.wind.track import find_track_wind

WIND_BY_TACK_DEG: Final = 15.0
"""True wind that steps by more from tack to tack, always the same way, is no wind."""
WITHHELD_DEG: Final = 25.0
"""Beyond this nothing that rests on the true wind is told."""
MIN_TACKS: Final = 3
BEFORE_S: Final = 80.0
SETTLE_S: Final = 15.0
HEELED_DEG: Final = 6.0
WINDWARD_SHARE: Final = 0.8
"""A boat leaning to windward so much of the time wears her heel sensor, or her vane, the wrong way
round."""
SPEED_SHARE: Final = 0.2
TURNED_DEG: Final = 12.0
"""Drift that goes with the bow: boat speed this much off, or heading."""
BEYOND: Final = {"stw_factor": (0.8, 1.25), "aws_factor": (0.75, 1.33),
                 "awa_offset_deg": (-10.0, 10.0), "heading_offset_deg": (-15.0, 15.0)}
"""Corrections beyond these are no calibration: something is broken or set up wrongly."""
SOURCES_APART: Final = {"stw_kn": 0.15, "sog_kn": 0.15, "aws_kn": 0.2,
                        "hdg_deg": 12.0, "hdg_mag_deg": 12.0, "awa_deg": 12.0}
"""Two sources of one thing: medians further apart (a share of speed, degrees) contradict."""
MIN_SOURCE_S: Final = 300.0


TRUE_WIND: Final = ("twa_deg", "tws_kn", "twd_deg", "vmg_kn")
TRACK_WIND_DEG: Final = 25.0
"""The wind's direction by the vane and by the tacks and gybes of the track alone: on sound days
they differ by up to 14 deg (shear, an uncalibrated vane and compass); more is a fault."""
MIRRORED_DEG: Final = 60.0
"""A vane wired the wrong way round turns the true wind by twice its angle at every turn."""
MIN_TURNS: Final = 4


class Contradiction(StrEnum):
    """What does not go together."""

    VANE_MIRRORED = "vane-mirrored"
    WIND_BY_TRACK = "wind-by-track"
    WIND_BY_TACK = "wind-by-tack"
    LEANS_TO_WINDWARD = "leans-to-windward"
    DRIFT_BY_HEADING = "drift-by-heading"
    FAR_OFF = "far-off"
    TWO_SOURCES = "two-sources"


@dataclass(frozen=True)
class Doubt:
    """One contradiction.

    Attributes
    ----------
    kind : Contradiction
    culprit : str
        Channel of the likeliest culprit; empty where it cannot be named.
    size : float
        How far apart, in the unit of the check.
    count : int
        Pieces of evidence.
    withheld : tuple of str
        Channels left out for it.
    sources : tuple of str
        Of two sources, the used one first.
    """

    kind: Contradiction
    culprit: str
    size: float
    count: int
    withheld: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()



def doubts_of(samples: pd.DataFrame, maneuvers: pd.DataFrame, corrections: Corrections,
              raw: RawLog) -> tuple[Doubt, ...]:
    """Everything about the corrected day that cannot all be true.

    Parameters
    ----------
    samples : DataFrame
        Corrected.
    maneuvers : DataFrame
        With ``kind, start, end, from_side``.
    corrections : Corrections
    raw : RawLog
        For second sources.
    """
    found = [wind_by_tack(samples, maneuvers), drift_by_heading(samples),
             *far_off(corrections), *two_sources(raw)]
    return tuple(doubt for doubt in found if doubt is not None)


def _jumps_deg(samples: pd.DataFrame, tacks: pd.DataFrame) -> Floats:
    """Turn of the true wind over each tack, positive clockwise from port to starboard."""
    time = epoch_s(samples.index)
    twd = samples["twd_deg"].to_numpy(dtype=float)
    jumps = []
    for start, end, side in zip(epoch_s(pd.DatetimeIndex(tacks["start"])),
                                epoch_s(pd.DatetimeIndex(tacks["end"])), tacks["from_side"],
                                strict=True):
        before = _direction(time, twd, start - BEFORE_S, start - 5.0)
        after = _direction(time, twd, end + SETTLE_S, end + SETTLE_S + BEFORE_S)
        jump = float(wrap180(after - before))
        jumps.append(jump if side == "port" else -jump)
    known: Floats = np.asarray(jumps, dtype=float)
    known = known[np.isfinite(known)]
    return known


def wind_by_tack(samples: pd.DataFrame, maneuvers: pd.DataFrame) -> Doubt | None:
    """Direction of the true wind before and after each tack."""
    if len(maneuvers) == 0 or "twd_deg" not in samples:
        return None
    jump_deg = _jumps_deg(samples, maneuvers[maneuvers["kind"] == "tack"])
    if jump_deg.size < MIN_TACKS:
        return None
    middle = float(np.median(jump_deg))
    scatter = max(MAD_TO_SD * float(np.median(np.abs(jump_deg - middle))), 3.0)
    if abs(middle) < WIND_BY_TACK_DEG or abs(middle) < 4.0 * scatter / np.sqrt(jump_deg.size):
        return None
    withheld = TRUE_WIND if abs(middle) > WITHHELD_DEG else ()
    return Doubt(Contradiction.WIND_BY_TACK, "awa_deg" if abs(middle) > 60.0 else "aws_kn", middle,
                 jump_deg.size, withheld)


def _direction(time: Floats, twd: Floats, start: float, stop: float) -> float:
    lo, hi = np.searchsorted(time, [start, stop])
    part = twd[lo:hi][np.isfinite(twd[lo:hi])]
    if part.size < 5:
        return float("nan")
    return float(np.degrees(np.arctan2(sind(part).mean(), cosd(part).mean())))


def vane_mirrored(samples: pd.DataFrame) -> Doubt | None:
    """Direction of the true wind before and after every turn, as it is and mirrored."""
    if not {"twa_deg", "hdg_deg"} <= set(samples):
        return None
    time = epoch_s(samples.index)
    hdg, twa = (samples[name].to_numpy(dtype=float) for name in ("hdg_deg", "twa_deg"))
    if not np.isfinite(twa).any() or not np.isfinite(hdg).any():
        return None
    jumps = np.array([[wrap180(_direction(time, hdg + sign * twa, t + SETTLE_S, t + BEFORE_S)
                               - _direction(time, hdg + sign * twa, t - BEFORE_S, t - SETTLE_S))
                       for sign in (1.0, -1.0)] for t in turn_instants(time, unwrap(hdg))])
    jumps = jumps[np.isfinite(jumps).all(axis=1)] if jumps.size else jumps
    if len(jumps) < MIN_TURNS:
        return None
    as_is, mirrored = np.median(np.abs(jumps), axis=0)
    if as_is < MIRRORED_DEG or mirrored > 0.25 * as_is:
        return None
    return Doubt(Contradiction.VANE_MIRRORED, "awa_deg", float(as_is), len(jumps))


def mirrored_back(cond: Conditioned) -> Conditioned:
    """Conditioned readings with the vane's angle to the other side."""
    if "awa_deg" not in cond.samples:
        return cond
    return replace(cond, samples=cond.samples.assign(awa_deg=-cond.samples["awa_deg"]))


def wind_by_track(samples: pd.DataFrame) -> Doubt | None:
    """Direction of the true wind by the instruments, and by the turns of the track alone."""
    if not {"twd_deg", "sog_kn", "cog_deg"} <= set(samples) or not samples["twd_deg"].notna().any():
        return None
    time = epoch_s(samples.index)
    sog, cog, twd = (samples[n].to_numpy(dtype=float) for n in ("sog_kn", "cog_deg", "twd_deg"))
    track = find_track_wind(time, sog, cog)
    if not track.known:
        return None
    off = wrap180(twd - track.twd_along_deg)
    if "hdg_deg" in samples:  # a compass that is off turns the wind too: that is found by itself
        bow = wrap180(cog - samples["hdg_deg"].to_numpy(dtype=float))
        under_way = np.isfinite(bow) & (sog > 2.0)
        compass = float(np.median(bow[under_way])) if under_way.any() else 0.0
        off = wrap180(off + (compass if abs(compass) > TURNED_DEG else 0.0))
    off = off[np.isfinite(off) & (track.sd_along_deg < 0.5 * TRACK_WIND_DEG)]
    if off.size == 0:
        return None
    middle = float(np.degrees(np.angle(np.mean(np.exp(1j * np.radians(off))))))
    # Half a circle apart is the track's own doubt: which of two ends of its axis is upwind.
    if not TRACK_WIND_DEG < abs(middle) < 180.0 - 2.0 * TRACK_WIND_DEG:
        return None
    return Doubt(Contradiction.WIND_BY_TRACK, "awa_deg", middle,
                 int(track.turns["agrees"].sum()), (*TRUE_WIND, "awa_deg"))


def leans_to_windward(samples: pd.DataFrame) -> Doubt | None:
    """Heel against the side of the wind."""
    if not {"heel_deg", "awa_deg"} <= set(samples):
        return None
    time = epoch_s(samples.index)
    heel = running_mean(time, samples["heel_deg"].to_numpy(dtype=float), 20.0)
    awa = running_mean(time, samples["awa_deg"].to_numpy(dtype=float), 20.0)
    state = samples["state"].to_numpy() if "state" in samples else np.full(time.size, "sailing")
    firm = (np.abs(heel) > HEELED_DEG) & (np.abs(awa) > 15.0) & (np.abs(awa) < 100.0) & (
        state == "sailing")
    both = min((firm & (heel > 0)).sum(), (firm & (heel < 0)).sum())
    step = float(np.median(np.diff(time))) if time.size > 1 else 1.0
    if firm.sum() * step < MIN_SOURCE_S or both * step < 60.0:
        return None
    share = float(np.mean(np.sign(heel[firm]) == np.sign(awa[firm])))
    if share < WINDWARD_SHARE:
        return None
    return Doubt(Contradiction.LEANS_TO_WINDWARD, "heel_deg", 100.0 * share,
                 int(firm.sum() * step / 60.0), ("heel_deg",))


def _with_the_bow(time: Floats, way: NDArray[np.complex128], drift: NDArray[np.complex128]
                  ) -> tuple[float, float]:
    """The part of the drift that goes with the bow: share of her speed, and degrees turned."""
    # The rest is a stream that turns slowly.
    x = 2.0 * (time - time[0]) / max(float(np.ptp(time)), 1.0) - 1.0
    design = np.column_stack([np.ones(x.size), x, x**2, way])
    part, *_ = np.linalg.lstsq(design.astype(complex), drift, rcond=None)
    return float(part[3].real), float(np.degrees(np.angle(1.0 + part[3])))


def drift_by_heading(samples: pd.DataFrame) -> Doubt | None:
    """What is shown as current, against the bow: a stream knows nothing of her heading."""
    needed = {"sog_kn", "cog_deg", "stw_kn", "hdg_deg"}
    if not needed <= set(samples):
        return None
    time = epoch_s(samples.index)
    hdg, stw, sog, cog = (samples[n].to_numpy(dtype=float) for n in
                          ("hdg_deg", "stw_kn", "sog_kn", "cog_deg"))
    state = samples["state"].to_numpy() if "state" in samples else np.full(time.size, "sailing")
    good = np.isfinite(hdg + stw + sog + cog) & (state != "stopped") & (np.nan_to_num(stw) > 1.5)
    if good.sum() < 600 or np.median(np.diff(time)) * good.sum() < 1200.0:
        return None
    good[good] &= ~is_turning(time[good], hdg[good])
    index = np.flatnonzero(good)
    index = index[:: max(1, index.size // 4000)]
    if index.size < 300:
        return None
    leeway = np.nan_to_num(samples["leeway_deg"].to_numpy(dtype=float)[index])
    way = stw[index] * np.exp(1j * np.radians(hdg[index] + leeway))
    drift = sog[index] * np.exp(1j * np.radians(cog[index])) - way
    spread = 1.0 - abs(np.mean(way / np.abs(way)))
    if spread < 0.25:
        return None
    speed, turned = _with_the_bow(time[index], way, drift)
    if abs(speed) < SPEED_SHARE and abs(turned) < TURNED_DEG:
        return None
    by_speed = abs(speed) / SPEED_SHARE > abs(turned) / TURNED_DEG
    return Doubt(Contradiction.DRIFT_BY_HEADING, "stw_kn" if by_speed else "hdg_deg",
                 100.0 * speed if by_speed else turned, index.size, ("set_deg", "drift_kn"))


def far_off(corrections: Corrections) -> list[Doubt]:
    """Corrections that are no calibration any more: corrected, and said."""
    channel = {"stw_factor": "stw_kn", "aws_factor": "aws_kn", "awa_offset_deg": "awa_deg",
               "heading_offset_deg": "hdg_deg"}
    out = []
    for item in corrections.items:
        low, high = BEYOND.get(item.sensor, (-np.inf, np.inf))
        if item.source != "boat file" and not low <= item.value <= high:
            size = (100.0 * (1.0 / item.value - 1.0) if item.sensor.endswith("_factor")
                    else -item.value)
            out.append(Doubt(Contradiction.FAR_OFF, channel[item.sensor], size, 1))
    return out


def two_sources(raw: RawLog) -> list[Doubt]:
    """Two sources of one thing, minute by minute."""
    out = []
    for channel, limit in SOURCES_APART.items():
        streams = sorted(raw.of(channel), key=lambda s: -s.time_s.size)[:2]
        if len(streams) < 2:
            continue
        apart, count = _apart(streams[0], streams[1], channel)
        if count * 60.0 >= MIN_SOURCE_S and abs(apart) > limit:
            share = channel.endswith("_kn")
            out.append(Doubt(Contradiction.TWO_SOURCES, channel, 100.0 * apart if share else apart,
                             count, sources=(streams[0].source, streams[1].source)))
    return out


def _apart(first: Stream, second: Stream, channel: str) -> tuple[float, int]:
    """Median difference of minute means, second less first, and how many minutes."""
    means = []
    for stream in (first, second):
        good = np.isfinite(stream.value)
        minute = (stream.time_s[good] // 60.0).astype(np.int64)
        keys, inverse = np.unique(minute, return_inverse=True)
        value = stream.value[good]
        if channel.endswith("_deg"):
            east, north = (np.bincount(inverse, f(value)) for f in (sind, cosd))
            means.append(pd.Series(np.degrees(np.arctan2(east, north)), index=keys))
        else:
            means.append(pd.Series(np.bincount(inverse, value) / np.bincount(inverse), index=keys))
    both = pd.concat(means, axis=1, join="inner").to_numpy(dtype=float)
    if channel.endswith("_deg"):
        apart = wrap180(both[:, 1] - both[:, 0])
    else:
        both = both[both[:, 0] > 1.5]
        apart = both[:, 1] / np.maximum(both[:, 0], 0.1) - 1.0
    return (float(np.median(apart)), apart.size) if apart.size else (0.0, 0)


def without(samples: pd.DataFrame, doubts: tuple[Doubt, ...],
            blanked: tuple[str, ...] = ()) -> pd.DataFrame:
    """Samples with what the doubts withhold left empty, but what was blanked before."""
    gone = {name for doubt in doubts for name in doubt.withheld} & set(samples.columns)
    gone -= set(blanked)
    return samples.assign(**dict.fromkeys(gone, np.nan)) if gone else samples
