"""Days of three unrelated generators as a boat's instruments and as a phone would log them.

The phone's positions wander by some metres over a minute, half a metre over seconds, and are
written as GPX without speed or course.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from sailanalysis.condition import condition
from sailanalysis.core.angles import wrap180
from sailanalysis.core.model import Boat, CrewEntry, CrewLog, RawLog, Stream
from sailanalysis.core.series import epoch_s, runs
from sailanalysis.maneuvers import find_maneuvers
from sailanalysis.read import read_logs
from sailanalysis.segment import find_states
from sailanalysis.wind import TrackWind, wind_and_water, wind_from_track

KN = 1852.0 / 3600.0
M_PER_DEG = 111_195.0
TRACK = ("lat", "lon", "sog_kn", "cog_deg")
Turns = list[tuple[str, float]]


@dataclass(frozen=True)
class TrackDay:
    """One day: what the instruments logged, and where she truly was, second by second."""

    sea: str
    logged: dict[str, tuple[np.ndarray, np.ndarray]]
    time_s: np.ndarray
    lat: np.ndarray
    lon: np.ndarray
    twd_deg: np.ndarray
    crew: CrewLog = field(default_factory=CrewLog)

    @property
    def raw(self) -> RawLog:
        """All instruments."""
        return RawLog(tuple(Stream(name, "made", np.asarray(t, float), np.asarray(x, float))
                            for name, (t, x) in self.logged.items()), ())

    @property
    def receiver(self) -> RawLog:
        """Position, speed and course over ground alone."""
        return replace(self.raw, streams=tuple(s for s in self.raw.streams if s.channel in TRACK))

    def phone(self, every_s: float, seed: int) -> RawLog:
        """A phone's positions through the reader, one in ``every_s`` on average."""
        rng = np.random.default_rng(seed)
        steps = rng.integers(max(1, round(every_s) - 1), round(every_s) + 2, self.time_s.size)
        at = np.cumsum(steps if every_s > 1 else np.ones(self.time_s.size, dtype=int)) - 1
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "phone.gpx"
            path.write_text(gpx_text(self.time_s, self.lat, self.lon, at[at < self.time_s.size],
                                     rng))
            return read_logs([path])


def gpx_text(time_s: np.ndarray, lat: np.ndarray, lon: np.ndarray, at: np.ndarray,
             rng: np.random.Generator, metres: float = 2.5) -> str:
    """GPX of the points ``at``, ``metres`` (standard deviation a minute, an axis) out of place."""
    north, east = (wander(rng, time_s.size, 60.0, metres) + wander(rng, time_s.size, 5.0, 0.5)
                   + rng.normal(0, 0.2, time_s.size) for _ in range(2))
    lat, lon = lat + north / M_PER_DEG, lon + east / (M_PER_DEG * np.cos(np.radians(lat)))
    stamps = np.datetime_as_string((time_s[at] * 1000).round().astype("datetime64[ms]"))
    points = "\n".join(f'<trkpt lat="{a:.6f}" lon="{b:.6f}"><time>{t}Z</time></trkpt>'
                       for a, b, t in zip(lat[at], lon[at], stamps, strict=True))
    return ('<?xml version="1.0"?><gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">'
            f"<trk><trkseg>{points}</trkseg></trk></gpx>")


def wander(rng: np.random.Generator, n: int, scale_s: float, sd: float) -> np.ndarray:
    """First-order noise a second."""
    from scipy.signal import lfilter

    a = np.exp(-1.0 / scale_s)
    kick = rng.normal(0, sd * np.sqrt(1 - a * a), n)
    kick[0] = rng.normal(0, sd)
    return np.asarray(lfilter([1.0], [1.0, -a], kick))


# ------------------------------------------------------------------------------- generators
def force_days(count: int, seed: int) -> Iterator[TrackDay]:
    """Sail forces against resistance: dinghy to sixty-footer, catamaran included."""
    from seas.maneuvers import DT, START_S, sail_all, varied

    scenarios = [varied(seed + k, 90.0) for k in range(count)]
    scenarios = [replace(s, instruments=replace(s.instruments, rate_hz=1.0)) for s in scenarios]
    for day in sail_all(scenarios):
        course, speed = np.radians(day.truth["hdg"].to_numpy()), day.truth["u_kn"].to_numpy()
        east, north = day.scenario.instruments.current_kn
        lat = 50.0 + np.cumsum(speed * np.cos(course) + north) * DT * KN / M_PER_DEG
        lon = -3.0 + np.cumsum(speed * np.sin(course) + east) * DT * KN / (
            M_PER_DEG * np.cos(np.radians(50.0)))
        time, second = START_S + day.truth["t"].to_numpy(), slice(None, None, round(1.0 / DT))
        at = epoch_s(day.samples.index)
        logged = {name: (at, day.samples[name].to_numpy(dtype=float)) for name in (
            "stw_kn", "hdg_deg", "awa_deg", "aws_kn", "sog_kn", "cog_deg")}
        logged |= {"lat": (at, np.interp(at, time, lat)), "lon": (at, np.interp(at, time, lon))}
        yield TrackDay("sail forces", logged, time[second], lat[second], lon[second],
                       day.truth["twd"].to_numpy()[second] % 360.0)


def whole_days(count: int, seed: int) -> Iterator[TrackDay]:
    """A prescribed heading and a closed-form polar; she motors out and home, and says so."""
    from seas import whole_days as sea

    for k in range(count):
        rng = np.random.default_rng(seed + k)
        boat = sea.Boat(
            top_kn=rng.uniform(5.5, 12), ease_kn=rng.uniform(5, 11), tau_up_s=rng.uniform(12, 45),
            tau_down_s=rng.uniform(4, 10), upwind_deg=rng.uniform(38, 50),
            downwind_deg=rng.uniform(138, 165), leeway_k=rng.uniform(5, 15))
        day = sea.simulate(
            rng, boat=boat, hours=2.5, tws=rng.uniform(6, 20), twd=rng.uniform(0, 360),
            waves=rng.uniform(0.2, 1.5), shift_sd=rng.uniform(2, 8), gust=rng.uniform(0.05, 0.2),
            tide_kn=rng.uniform(0, 2.0))
        second = slice(None, None, 10)
        time = day.t[second]
        noise = {"sog_kn": 0.05, "cog_deg": 1.0, "stw_kn": 0.06, "hdg_deg": 0.2, "awa_deg": 1.5,
                 "aws_kn": 0.25, "lat": 5e-6, "lon": 5e-6}
        logged = {name: (time, day.cols[name.split("_")[0]][second]
                         + rng.normal(0, sd, time.size)) for name, sd in noise.items()}
        for name in ("sog_kn", "stw_kn", "aws_kn"):
            logged[name] = (time, np.maximum(logged[name][1], 0.0))
        logged["heel_deg"] = (time, day.cols["heel"][second])
        for name in ("cog_deg", "hdg_deg"):
            logged[name] = (time, logged[name][1] % 360.0)
        edge = np.flatnonzero(np.diff(day.cols["motor"].astype(int))) + 1
        crew = CrewLog((CrewEntry(day.t[0], "engine", "on"), *(
            CrewEntry(day.t[i], "engine", "on" if day.cols["motor"][i] else "off")
            for i in edge)))
        yield TrackDay("whole days", logged, time, day.cols["lat"][second],
                       day.cols["lon"][second], day.cols["twd"][second], crew)


def simulated(kind: str, count: int, seed: int) -> Iterator[TrackDay]:
    """The package's simulator: helms, seas, inertia and stalls; the four boats in turn."""
    from simulator import BOATS, random_scenario, simulate_day

    for k in range(count):
        rng = np.random.default_rng([seed + k, 55])
        boat = list(BOATS.values())[k % len(BOATS)]
        scenario = random_scenario(rng, kind, rate_hz=1.0, boat=boat)
        rates = dict.fromkeys(("gps", "speed", "heading", "wind", "attitude", "engine"), 1.0)
        day = simulate_day(replace(scenario, sensors=replace(scenario.sensors, rates_hz=rates)),
                           seed + k)
        truth = day.truth.iloc[::10]
        yield TrackDay("simulator", day.logged, epoch_s(truth.index), truth["lat"].to_numpy(),
                       truth["lon"].to_numpy(), truth["twd_deg"].to_numpy())


def light_days(kind: str, count: int, seed: int) -> Iterator[TrackDay]:
    """The calibration's light sea: eddies in the tide, every leg at an angle of its own."""
    from seas.calibration import sail

    for k in range(count):
        day = sail(seed + k, kind, 2.5, tide_kn=0.5 * (k % 4))
        logged = {s.channel: (s.time_s, s.value) for s in day.raw.streams}
        yield TrackDay("light sea", logged, day.time_s, logged["lat"][1], logged["lon"][1],
                       day.twd_deg)


# ------------------------------------------------------------------------------- results
def tacks_and_gybes(maneuvers: pd.DataFrame) -> Turns:
    """Kind and crossing in seconds."""
    chosen = maneuvers[maneuvers["kind"].isin(("tack", "gybe"))]
    return list(zip(chosen["kind"], epoch_s(chosen["crossing"]), strict=True))


def by_instruments(day: TrackDay) -> Turns:
    """Tacks and gybes found with all instruments."""
    samples, _, source = wind_and_water(condition(day.raw), Boat(), day.crew)
    assert source == "instruments"
    samples["state"] = find_states(samples, day.crew).state
    return tacks_and_gybes(find_maneuvers(samples, Boat()))


def by_track(raw: RawLog, crew: CrewLog) -> tuple[pd.DataFrame, TrackWind, pd.DataFrame]:
    """Samples, wind and maneuvers of a track alone."""
    samples, _, source = wind_and_water(condition(raw), Boat(), crew)
    assert source == "none"
    samples, _, wind, _ = wind_from_track(samples)
    samples["state"] = find_states(samples, crew).state
    return samples, wind, find_maneuvers(samples, Boat())


def paired(wanted: Turns, found: Turns, within_s: float = 10.0) -> int:
    """How many of the wanted are found, kind and time, each once."""
    near = sorted((abs(a - b), i, j) for i, (kind, a) in enumerate(wanted)
                  for j, (other, b) in enumerate(found) if kind == other and abs(a - b) <= within_s)
    left, right = set[int](), set[int]()
    for _, i, j in near:
        if i not in left and j not in right:
            left.add(i)
            right.add(j)
    return len(left)


def slow_twd_deg(day: TrackDay, at_s: np.ndarray, over_s: int = 600) -> np.ndarray:
    """The true wind's direction over ten minutes, unwrapped: a track cannot tell more."""
    twd = np.degrees(np.unwrap(np.radians(day.twd_deg)))
    out = np.empty(twd.size)
    for run in runs(day.time_s):
        padded = np.pad(twd[run], over_s // 2, mode="edge")
        sums = np.cumsum(np.insert(padded, 0, 0.0))
        out[run] = ((sums[over_s:] - sums[:-over_s]) / over_s)[:twd[run].size]
    return np.interp(at_s, day.time_s, out)


def middle_twd_deg(day: TrackDay) -> float:
    """Mean of the true wind's directions over the day."""
    return float(np.degrees(np.angle(np.mean(np.exp(1j * np.radians(day.twd_deg))))) % 360.0)


def direction_error_deg(day: TrackDay, wind: TrackWind) -> float:
    """Median error of the direction through the day."""
    return float(np.median(np.abs(wrap180(wind.twd_along_deg - slow_twd_deg(day, wind.time_s)))))


def interval_holds(day: TrackDay, wind: TrackWind) -> bool:
    """Whether the day's interval covers the true middle."""
    half = 0.5 * float(wrap180(wind.twd_high_deg - wind.twd_low_deg))
    return abs(float(wrap180(wind.twd_deg - middle_twd_deg(day)))) <= half
