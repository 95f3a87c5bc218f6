"""From raw streams to one table on one clock, with what was left out and whom it believes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from sailanalysis.condition.choose import (
    TOGETHER,
    Candidate,
    fill_gaps,
    noise_level,
    order_candidates,
    why_chosen,
)
from sailanalysis.condition.clock import (
    CLOCK_CHANNELS,
    ROW_CHANNELS,
    common_rate_hz,
    covered_stretches,
    grid_s,
    is_reading,
    merge_equal_times,
    onto_clock,
    pace,
    phase_s,
)
from sailanalysis.condition.marks import (
    Bools,
    is_out_of_range,
    is_position_jump,
    is_spike,
    is_stuck,
    may_be_stuck,
)
from sailanalysis.core.angles import Floats, cosd, wrap180
from sailanalysis.core.channels import CHANNELS
from sailanalysis.core.errors import Finding, LogError
from sailanalysis.core.geo import radii_m
from sailanalysis.core.model import Boat, Conditioned, RawLog
from sailanalysis.core.series import resample, utc_index
from sailanalysis.core.units import MS_TO_KN

SOURCE_COLUMNS = ("channel", "source", "chosen", "count", "share", "rate_hz", "noise", "why")
LEFT_OUT_COLUMNS = ("channel", "source", "reason", "start", "end", "count", "share")
_POSITION = ("lat", "lon")
_GROUND = ("sog_kn", "cog_deg", "cog_mag_deg", "lat", "lon")


@dataclass
class _Cleaning:
    """What the work on one log gathers."""

    streams: dict[tuple[str, str], tuple[Floats, Floats]]
    logged: dict[tuple[str, str], int]
    left_out: list[dict[str, object]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    jump_breaks: dict[str, Floats] = field(default_factory=dict)

    def leave_out(self, key: tuple[str, str], marked: Bools, reason: str) -> None:
        """Write down and remove marked samples of one stream."""
        count = int(marked.sum())
        if not count:
            return
        channel, source = key
        t, x = self.streams[key]
        gone = np.flatnonzero(marked)
        self.left_out.append({
            "channel": channel, "source": source, "reason": reason,
            "start": utc_index(t[gone[:1]])[0], "end": utc_index(t[gone[-1:]])[0],
            "count": count, "share": count / max(self.logged[key], 1),
        })
        self.streams[key] = (t[~marked], x[~marked])


def _covered(chosen: dict[str, Candidate], fills: dict[str, list[tuple[Candidate, float, float]]]
             ) -> list[tuple[float, float]]:
    """Stretches in which something that makes a row was logged."""
    covered: list[tuple[float, float]] = []
    for name in ROW_CHANNELS:
        if name in chosen:
            covered += covered_stretches(chosen[name].time_s, chosen[name].pace.gap_s,
                                         chosen[name].breaks_s)
            covered += [(a, b) for _, a, b in fills[name]]
    return covered


def _clock(chosen: dict[str, Candidate], fills: dict[str, list[tuple[Candidate, float, float]]]
           ) -> tuple[Floats, float]:
    """Instants and rate of the common clock, in step with the sensor that sets it."""
    pacing = [c for name, c in chosen.items() if name in CLOCK_CHANNELS]
    rate = common_rate_hz([c.pace for c in pacing])
    setter = max(pacing, key=lambda c: c.pace.covered_s, default=None)
    return grid_s(_covered(chosen, fills), rate,
                  phase_s(setter.time_s, rate) if setter else 0.0), rate


def condition(raw: RawLog, boat: Boat | None = None) -> Conditioned:
    """Clean the streams, choose the sources, and bring all onto one clock.

    Parameters
    ----------
    raw : RawLog
    boat : Boat, optional
        Not needed yet: no rule depends on the boat's size.

    Returns
    -------
    Conditioned
        Logged channel names, before any correction. Rows are whole multiples of the clock's
        step; where nothing was logged there is no row.

    Raises
    ------
    LogError
        When no channel that says where or how the boat was holds a single usable sample.
    """
    cleaning = _gather(raw)
    _leave_out_impossible(cleaning)
    _leave_out_jumps(cleaning)
    _leave_out_stuck(cleaning, _under_way(cleaning))
    ordered = _order(_candidates(cleaning, raw))
    chosen = {channel: ranked[0] for channel, ranked in ordered.items()}
    fills = {channel: fill_gaps(ranked[0], ranked[1:]) for channel, ranked in ordered.items()}
    clock_s, rate = _clock(chosen, fills)
    if clock_s.size == 0:
        raise LogError("the logs hold no position, speed, heading or wind that could be used; "
                       "sailanalysis inspect shows what they hold and why lines were rejected")
    columns = {name: _on_clock_with_fills(chosen[name], fills[name], clock_s, rate)
               for name in CHANNELS if name in ordered}
    samples = pd.DataFrame({name: value for name, (value, _) in columns.items()},
                           index=utc_index(clock_s))
    readings = pd.DataFrame({name: read for name, (_, read) in columns.items()},
                            index=samples.index)
    return Conditioned(
        samples=samples,
        is_reading=readings,
        rate_hz=rate,
        sources=_sources_table(ordered, fills),
        left_out=pd.DataFrame(cleaning.left_out, columns=list(LEFT_OUT_COLUMNS)),
        native_rate_hz={name: chosen[name].pace.rate_hz for name in columns},
        findings=tuple(cleaning.findings) + tuple(_left_out_findings(cleaning, chosen)),
    )


def _gather(raw: RawLog) -> _Cleaning:
    """Join streams of one channel and source (several files), one sample an instant."""
    parts: dict[tuple[str, str], list[tuple[Floats, Floats]]] = {}
    for stream in raw.streams:
        if stream.channel in CHANNELS and stream.value.size:
            pair = (np.asarray(stream.time_s, dtype=float), np.asarray(stream.value, dtype=float))
            parts.setdefault((stream.channel, stream.source), []).append(pair)
    streams, logged = {}, {}
    for key, pieces in parts.items():
        t = np.concatenate([p[0] for p in pieces])
        x = np.concatenate([p[1] for p in pieces])
        streams[key] = merge_equal_times(key[0], t, x)
        logged[key] = streams[key][0].size
    return _Cleaning(streams=streams, logged=logged)


def _leave_out_impossible(cleaning: _Cleaning) -> None:
    """Out of range, then spikes."""
    for key in list(cleaning.streams):
        cleaning.leave_out(key, is_out_of_range(key[0], cleaning.streams[key][1]), "out of range")
        cleaning.leave_out(key, is_spike(key[0], *cleaning.streams[key]), "spike")


def _leave_out_jumps(cleaning: _Cleaning) -> None:
    """Position jumps, judged with the same source's speed where it has one."""
    for source in sorted({s for c, s in cleaning.streams if c == "lat"}):
        lat_key, lon_key = ("lat", source), ("lon", source)
        if lon_key not in cleaning.streams:
            continue
        t, lat = cleaning.streams[lat_key]
        lon = resample(*cleaning.streams[lon_key], t, 0.5, circular=True)
        # No fix: 0 N 0 E is where receivers without one say they are.
        null = (np.abs(lat) < 1e-6) & (np.abs(lon) < 1e-6)
        sog_key = _speed_for(cleaning, source)
        sog = None
        if sog_key is not None:
            sog = resample(*cleaning.streams[sog_key], t, 10.0)
        jump, breaks = is_position_jump(t, np.where(null, np.nan, lat), lon, sog)
        cleaning.jump_breaks[source] = breaks
        for key in (lat_key, lon_key):
            for reason, when in (("no fix", t[null]), ("position jump", t[jump & ~null])):
                cleaning.leave_out(key, np.isin(cleaning.streams[key][0], when), reason)
        if breaks.size:
            cleaning.findings.append(Finding(
                "position-break", f"The position of {source} leaps {breaks.size} time(s) to a "
                "place the boat cannot have reached and stays there; the track is cut there.",
                channel="lat", start_s=float(breaks[0]), end_s=float(breaks[-1])))


def _speed_for(cleaning: _Cleaning, source: str) -> tuple[str, str] | None:
    """Speed over ground of the same source, else of any."""
    keys = [key for key in cleaning.streams if key[0] == "sog_kn" and cleaning.streams[key][0].size]
    same = [key for key in keys if key[1] == source]
    keys = same or sorted(keys, key=lambda key: -cleaning.streams[key][0].size)
    return keys[0] if keys else None


def _longest(cleaning: _Cleaning, keys: list[tuple[str, str]]) -> tuple[str, str] | None:
    """The stream with the most samples."""
    return max(keys, key=lambda key: cleaning.streams[key][0].size, default=None)


def _under_way(cleaning: _Cleaning) -> dict[str, tuple[Floats, Floats]]:
    """Speed by satellite and by the water, for judging the other sensors."""
    speed: dict[str, tuple[Floats, Floats]] = {}
    streams = cleaning.streams
    for channel in ("sog_kn", "stw_kn"):
        key = _longest(cleaning, [k for k in streams if k[0] == channel and streams[k][0].size])
        if key is not None:
            speed[channel] = streams[key]
    made = None if "sog_kn" in speed else _way_made(cleaning)
    return speed if made is None else speed | {"sog_kn": made}


def _way_made(cleaning: _Cleaning) -> tuple[Floats, Floats] | None:
    """Speed between the positions; None where there are none."""
    streams = cleaning.streams
    key = _longest(cleaning, [k for k in streams if k[0] == "lat" and ("lon", k[1]) in streams])
    made = _speed_from_positions(cleaning, key[1]) if key is not None else None
    return made if made is not None and made[0].size else None


def _speed_from_positions(cleaning: _Cleaning, source: str) -> tuple[Floats, Floats]:
    """Speed made between fixes ten seconds apart."""
    t, lat = cleaning.streams[("lat", source)]
    lon = resample(*cleaning.streams[("lon", source)], t, 0.5, circular=True)
    if t.size < 3:
        return np.zeros(0), np.zeros(0)
    ahead = np.clip(np.searchsorted(t, t + 10.0), 0, t.size - 1)
    dt = t[ahead] - t
    meridian, prime = radii_m(lat)
    north = np.radians(lat[ahead] - lat) * meridian
    east = np.radians(wrap180(lon[ahead] - lon)) * prime * cosd(lat)
    good = (dt > 0) & (dt < 60.0)
    return t[good], np.hypot(east, north)[good] / dt[good] * MS_TO_KN


def _judge_of(channel: str, speed: dict[str, tuple[Floats, Floats]]
              ) -> tuple[Floats, Floats] | None:
    """The other speed that says the boat is under way, for a channel that may be stuck."""
    if channel == "stw_kn":
        return speed.get("sog_kn")
    first, second = ("stw_kn", "sog_kn") if channel in ("sog_kn", "lat", "lon") else (
        "sog_kn", "stw_kn")
    return speed.get(first, speed.get(second))


def _movement(cleaning: _Cleaning, source: str) -> Floats | None:
    """Way made in degrees: on a meridian the longitude rests, so both count together."""
    lat, lon = cleaning.streams["lat", source], cleaning.streams.get(("lon", source))
    if lon is None or lon[0].size != lat[0].size:
        return None
    moved = np.abs(np.diff(lat[1])) + np.abs(np.diff(lon[1]))
    return np.concatenate([[0.0], np.cumsum(moved)])


def _leave_out_stuck(cleaning: _Cleaning, speed: dict[str, tuple[Floats, Floats]]) -> None:
    """Stuck sensors, judged by another sensor that says the boat is under way."""
    for channel, source in list(cleaning.streams):
        judge = _judge_of(channel, speed)
        t, x = cleaning.streams[channel, source]
        if judge is None or channel == "lon" or t.size < 20:
            continue
        held = _movement(cleaning, source) if channel == "lat" else x
        if held is not None and may_be_stuck(channel, t, held):
            stuck = is_stuck(channel, t, held, resample(*judge, t, 60.0))
            for name in ("lat", "lon") if channel == "lat" else (channel,):
                cleaning.leave_out((name, source), stuck, "stuck")


def _candidates(cleaning: _Cleaning, raw: RawLog) -> dict[str, list[Candidate]]:
    """Sources by channel, with pace and noise."""
    out: dict[str, list[Candidate]] = {}
    for (channel, source), (t, x) in cleaning.streams.items():
        breaks = np.asarray(raw.breaks_s, dtype=float) if channel in _GROUND else np.zeros(0)
        if channel in _POSITION and source in cleaning.jump_breaks:
            breaks = np.concatenate([breaks, cleaning.jump_breaks[source]])
        if t.size == 0:
            continue
        out.setdefault(channel, []).append(Candidate(
            channel, source, t, x, pace(t), noise_level(channel, x),
            cleaning.logged[(channel, source)], np.sort(breaks)))
    return out


def _order(candidates: dict[str, list[Candidate]]) -> dict[str, list[Candidate]]:
    """Best source first for every channel; pairs keep to one source."""
    ordered: dict[str, list[Candidate]] = {}
    partner_of = dict(TOGETHER) | {b: a for a, b in TOGETHER}
    for channel, sources in candidates.items():
        other = candidates.get(partner_of.get(channel, ""), [])
        ordered[channel] = order_candidates(sources, {c.source: c.pace.covered_s for c in other})
    for first, second in TOGETHER:
        if first in ordered and second in ordered:
            best = ordered[first][0].source
            ordered[second].sort(key=lambda c: c.source != best)
    return ordered


def _on_clock_with_fills(
    best: Candidate, fills: list[tuple[Candidate, float, float]], clock_s: Floats, rate_hz: float
) -> tuple[Floats, Bools]:
    """The chosen source on the clock, others inside its gaps; and where there is a reading."""
    value = onto_clock(best.channel, best.time_s, best.value, clock_s, best.pace.gap_s, rate_hz,
                       best.breaks_s)
    read = is_reading(clock_s, best.time_s, rate_hz)
    for other, start, end in fills:
        lo, hi = np.searchsorted(clock_s, [start, end], side="left")
        part = onto_clock(other.channel, other.time_s, other.value, clock_s[lo:hi],
                          other.pace.gap_s, rate_hz, other.breaks_s)
        value[lo:hi] = np.where(np.isfinite(value[lo:hi]), value[lo:hi], part)
        read[lo:hi] |= is_reading(clock_s[lo:hi], other.time_s, rate_hz)
    return value, read & np.isfinite(value)


def _sources_table(
    ordered: dict[str, list[Candidate]],
    fills: dict[str, list[tuple[Candidate, float, float]]],
) -> pd.DataFrame:
    """One row a channel and source, with why."""
    rows = []
    for channel in (name for name in CHANNELS if name in ordered):
        ranked = ordered[channel]
        for place, (c, why) in enumerate(
            zip(ranked, why_chosen(ranked, CHANNELS[channel].unit), strict=True)
        ):
            lent = sum(b - a for other, a, b in fills[channel] if other is c)
            if lent:
                why += f"; used for {lent / 60:.0f} min where {ranked[0].source} is silent"
            rows.append({
                "channel": channel, "source": c.source, "chosen": place == 0,
                "count": int(c.time_s.size), "share": c.share_good, "rate_hz": c.pace.rate_hz,
                "noise": c.noise, "why": why,
            })
    return pd.DataFrame(rows, columns=list(SOURCE_COLUMNS))


_ADVICE = {
    "out of range": "readings no such sensor can honestly give",
    "spike": "single readings that leap away and straight back",
    "no fix": "positions of a receiver without a fix",
    "position jump": "fixes the boat cannot have reached at her speed",
    "stuck": "the very same reading for minutes while the boat sailed",
}


def _percent(share: float) -> str:
    """Share in words that neither boast digits nor hide a single sample."""
    if share >= 0.995:
        return "all of them"
    return f"{100 * share:.1f} %" if share >= 0.001 else "below 0.1 %"


def _left_out_finding(row: Mapping[str, object], gone_whole: bool) -> Finding:
    """What was left out of one channel, why, and what to do."""
    channel, source, reason = str(row["channel"]), str(row["source"]), str(row["reason"])
    share, count = float(str(row["share"])), int(str(row["count"]))
    label = CHANNELS[channel].label if channel != "lat" else "position"
    text = (f"{label.capitalize()} ({source}): {count} {'sample' if count == 1 else 'samples'} "
            f"left out ({_percent(share)}): {_ADVICE[reason]}.")
    stuck = reason == "stuck"
    return Finding(
        reason.replace(" ", "-") + "-sensor" * stuck,
        text + " Nothing of this channel is left." * gone_whole,
        level="warning" if stuck or share > 0.01 else "note", channel=channel,
        start_s=pd.Timestamp(str(row["start"])).timestamp(),
        end_s=pd.Timestamp(str(row["end"])).timestamp(), share=share)


def _left_out_findings(cleaning: _Cleaning, chosen: dict[str, Candidate]) -> list[Finding]:
    """One finding for each chosen channel and reason; a silent loss is never allowed."""
    findings = []
    for row in cleaning.left_out:
        channel = str(row["channel"])
        gone_whole = channel not in chosen
        matters = gone_whole or row["reason"] == "stuck" or (
            chosen[channel].source == row["source"])
        if channel != "lon" and matters:
            findings.append(_left_out_finding(row, gone_whole))
    return findings
