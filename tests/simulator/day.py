"""A simulated day: its scenario, its truth, what was logged, and what each turn really cost."""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from .boats import KNOT, SLOOP, BoatModel
from .dynamics import RECORDED, STEP_S, State, Turn, Voyage
from .helms import SKILLED, HelmModel
from .plan import Leg
from .sea import SeaModel, Water, make_water
from .sensors import SensorModel, record

EARTH_A_M, EARTH_E2 = 6378137.0, 0.00669437999014


@dataclass(frozen=True)
class Scenario:
    """All that a day is made from.

    Attributes
    ----------
    boat, sea, sensors : BoatModel, SeaModel, SensorModel
        Boat, waters, instruments.
    legs : tuple of Leg
        The plan; the day ends with its last leg.
    helms : tuple of HelmModel
        First one steers first.
    start : str
        UTC, ISO 8601.
    lat, lon : float
        Start position.
    variation_deg : float
        East positive: a number of the scenario, not of a field model.
    sails : str
        Sail set at the start; empty for bare poles.
    heading_deg : float
        At the start.
    turn_variation : float
        Factor on how much tacks differ from one another.
    name : str
        For the crew log's notes.
    """

    boat: BoatModel = SLOOP
    sea: SeaModel = field(default_factory=SeaModel)
    sensors: SensorModel = field(default_factory=SensorModel)
    legs: tuple[Leg, ...] = (Leg("beat", 1800.0),)
    helms: tuple[HelmModel, ...] = (SKILLED,)
    start: str = "2026-06-14T12:00:00Z"
    lat: float = 54.30
    lon: float = 10.80
    variation_deg: float = 4.0
    sails: str = "main+jib"
    heading_deg: float | None = None
    turn_variation: float = 1.0
    name: str = ""


@dataclass(frozen=True)
class SensorErrors:
    """True corrections, as calibration.json names them."""

    stw_factor: float
    stw_offset_kn: float
    awa_offset_deg: float
    aws_factor: float
    heading_offset_deg: float
    rudder_offset_deg: float
    leeway_k: float
    deviation: tuple[float, float, float, float]


class SimulatedDay:
    """What happened, and what the instruments say happened.

    Attributes
    ----------
    truth : DataFrame
        10 Hz, index ``time`` (UTC), columns as the interface names them.
    logged : dict
        Channel -> (time_s since 1970, value), each at its sensor's rate.
    events : DataFrame
        True maneuvers.
    trials : DataFrame
        True trim and sail changes with the true gain in knots.
    sensor_errors : SensorErrors
        True corrections.
    crew_log : DataFrame
        time, item, value, note.
    """

    def __init__(self, scenario: Scenario, voyage: Voyage, water: Water,
                 rng: np.random.Generator, seed: int) -> None:
        self.scenario, self.seed = scenario, seed
        self._voyage, self._water = voyage, water
        self.start_s = pd.Timestamp(scenario.start).timestamp()
        self.truth, extra = _truth(scenario, voyage, water, self.start_s, rng)
        columns = {name: self.truth[name].to_numpy() for name in self.truth
                   if self.truth[name].dtype != object} | extra
        self.logged = record(columns, self.start_s, STEP_S, scenario.sensors,
                             scenario.variation_deg, rng, _metres_per_deg(scenario.lat))
        self._turns = _kept_turns(voyage, self.truth)
        self.events = _events(self)
        self.crew_log = _crew_log(self)

    @property
    def sensor_errors(self) -> SensorErrors:
        """True corrections of this day's instruments."""
        s = self.scenario.sensors
        return SensorErrors(s.stw_factor, s.stw_offset_kn, s.awa_offset_deg, s.aws_factor,
                            s.heading_offset_deg, s.rudder_offset_deg,
                            self.scenario.boat.leeway_k, s.deviation)

    def steady_speed_kn(self, tws_kn: object, twa_deg: object, sails: str | None = None,
                        thrust_factor: float = 1.0) -> np.ndarray:
        """The true polar on this day's waves: steady speed along the course, knots."""
        return self.scenario.boat.steady_speed_kn(
            tws_kn, twa_deg, self.scenario.sails if sails is None else sails, thrust_factor,
            self.scenario.sea.wave_height_m)

    @cached_property
    def trials(self) -> pd.DataFrame:
        """Trim changes with their true gain at the wind of the minutes around them."""
        rows = []
        for i, what, before, after in self._voyage.trims:
            part = slice(max(0, i - 1500), i + 1500)
            tws = float(self.truth["tws_kn"].iloc[part].median())
            twa = float(self.truth["twa_deg"].abs().iloc[part].median())
            sails = self.truth["sails"].iloc[i]
            gain = (self.steady_speed_kn(tws, twa, sails, after)
                    - self.steady_speed_kn(tws, twa, sails, before))
            rows.append((self.truth.index[i], what, float(gain), tws, twa))
        return pd.DataFrame(rows, columns=["time", "what", "gain_kn", "tws_kn", "twa_deg"])

    def logged_frame(self, rate_hz: float = 1.0) -> pd.DataFrame:
        """Logged channels on one clock: the last value sent, at most three periods old."""
        end_s = self.start_s + len(self.truth) * STEP_S
        clock = np.arange(self.start_s, end_s, 1.0 / rate_hz)
        columns: dict[str, np.ndarray] = {}
        for name, (time_s, value) in self.logged.items():
            last = np.searchsorted(time_s, clock + 0.5 / rate_hz, side="right") - 1
            age = clock - time_s[np.maximum(last, 0)]
            period = float(np.median(np.diff(time_s))) if len(time_s) > 1 else 1.0
            good = (last >= 0) & (age < 3 * max(period, 1.0 / rate_hz))
            columns[name] = np.where(good, value[np.maximum(last, 0)], np.nan)
        index = pd.to_datetime((clock * 1000).round().astype("int64"), unit="ms", utc=True)
        return pd.DataFrame(columns, index=pd.DatetimeIndex(index, name="time"))

    # What a turn cost -------------------------------------------------------------------------

    def counterfactual(self, event: int | pd.Series, reference: str = "carried_on",
                       along: str = "wind", horizon_s: float = 240.0) -> pd.DataFrame:
        """The same boat, wind and waves without the turn, second by second.

        Parameters
        ----------
        event : int or Series
            Row number of ``events``, or the row.
        reference : {"carried_on", "free_turn"}
            She keeps her old tack; or she turns at the crossing at no cost (until then the boat
            that keeps the old tack, from then on one that was on the new tack all along). The
            second is free of the noise by which a shift favours one tack over the other.
        along : {"wind", "course"}
            Metres towards the slow true wind (away from it for a gybe), or metres along the
            reference's own course.
        horizon_s : float
            Longest time looked at; the next turn ends it sooner.

        Returns
        -------
        DataFrame
            Index seconds from the turn's start; ``sailed_m``, ``reference_m`` made good,
            ``loss_m`` their difference.
        """
        number = int(event if isinstance(event, (int, np.integer)) else event["turn"])
        turn = self._turns[number]
        stop = self._until(turn, horizon_s)
        size = stop - turn.start
        old = self._rerun(turn, stop, mirrored=False)
        part = slice(turn.start, stop)
        real = {name: np.asarray(self._voyage.out[name][part]) for name in
                ("hdg_deg", "speed_m_s", "leeway_deg")}
        other = old
        crossing = turn.crossing if turn.crossing >= 0 else turn.start
        if (reference == "free_turn" or along == "course") and turn.kind in ("tack", "gybe"):
            new = self._rerun(turn, stop, mirrored=True)
            swap = np.arange(size) >= crossing - turn.start
            other = {name: np.where(swap, new[name], old[name]) for name in old}
        wind = np.radians(self._water.twd_slow_deg[part])
        if along == "wind":
            sign = -1.0 if np.abs(self.truth["twa_deg"].iloc[turn.start]) > 90 else 1.0
            axis = wind if sign > 0 else wind + np.pi
        else:
            axis = np.radians(other["hdg_deg"] + other["leeway_deg"])
        made = {}
        for name, run in (("sailed_m", real), ("reference_m", other)):
            track = np.radians(run["hdg_deg"] + run["leeway_deg"])
            made[name] = np.cumsum(run["speed_m_s"] * np.cos(track - axis)) * STEP_S
        frame = pd.DataFrame(made, index=pd.Index(np.arange(size) * STEP_S, name="after_s"))
        frame["loss_m"] = frame["reference_m"] - frame["sailed_m"]
        return frame

    def counterfactual_loss_m(self, event: int | pd.Series, reference: str = "carried_on",
                              along: str = "wind", horizon_s: float = 240.0) -> float:
        """Metres made good that the turn cost; NaN where the legs around it differ.

        Read where she is as fast as without it (``recovered_s``). What is still missing then, the
        last two percent of speed, is added from a boat that was on the new tack all along and
        meets the same gusts: in that pair nothing but the turn differs, so it converges.
        """
        number = int(event if isinstance(event, (int, np.integer)) else event["turn"])
        turn = self._turns[number]
        if turn.kind not in ("tack", "gybe", "luff") or turn.intended == "rounding":
            return float("nan")
        frame = self.counterfactual(number, reference, along, horizon_s)
        end = self.recovered_s(number) - turn.start * STEP_S
        loss = float(np.interp(end, frame.index, frame["loss_m"]))
        if turn.kind != "luff" and reference == "carried_on":
            frame = self.counterfactual(number, "free_turn", along, horizon_s)
        tail = frame["loss_m"].iloc[-1] - float(np.interp(end, frame.index, frame["loss_m"]))
        return loss + float(tail)

    def recovered_s(self, event: int | pd.Series) -> float:
        """Seconds of the day at which a turn's cost is over: as fast as without it."""
        number = int(event if isinstance(event, (int, np.integer)) else event["turn"])
        turn = self._turns[number]
        stop = self._until(turn, 240.0)
        twin = self._rerun(turn, stop, mirrored=turn.kind in ("tack", "gybe"))["speed_m_s"]
        real = np.asarray(self._voyage.out["speed_m_s"][turn.start:stop])
        settled = max(turn.end - turn.start, 1) if turn.end > 0 else 1
        gap = (twin - real) / np.maximum(twin, 0.5)
        fine = np.flatnonzero((gap < 0.02) & (np.arange(len(gap)) >= settled))
        return (turn.start + (int(fine[0]) if len(fine) else len(gap) - 1)) * STEP_S

    def _until(self, turn: Turn, horizon_s: float) -> int:
        """The step up to which nothing but the turn sets the two boats apart."""
        voyage = self._voyage
        changes = [i for events in (voyage.mode, voyage.helm_text, voyage.sails_text,
                                    voyage.trims) for i, *_ in events]
        changes += [t.start for t in self._turns]
        later = [i for i in changes if i > turn.start + 10]
        return min([*later, turn.start + int(horizon_s / STEP_S), voyage.n])

    def _rerun(self, turn: Turn, stop: int, mirrored: bool) -> dict[str, np.ndarray]:
        key = (turn.start, stop, mirrored)
        cache = self.__dict__.setdefault("_runs", {})
        if key not in cache:
            state = copy.copy(turn.before)
            if mirrored:
                _mirror(state, self._voyage.slow_from[turn.start])
            size = stop - turn.start
            out = {name: [0.0] * size for name in RECORDED}
            self._voyage.sail(state, turn.start, stop, out, crew=False, own_past=mirrored)
            cache[key] = {name: np.asarray(out[name]) for name in
                          ("hdg_deg", "speed_m_s", "leeway_deg")}
        return cache[key]


def _mirror(state: State, wind_from_deg: float) -> None:
    """Put the boat on the other tack as she is: reflected in the wind's line."""
    state.heading = (2 * wind_from_deg - state.heading) % 360.0
    state.course = (2 * wind_from_deg - state.course) % 360.0
    state.side = -state.side
    for name in ("yaw", "heel", "roll", "heel_slow", "leeway", "rudder", "rudder_set",
                 "helm_trim"):
        setattr(state, name, -getattr(state, name))


def _metres_per_deg(lat: float) -> tuple[float, float]:
    """Metres per degree of latitude and longitude on the ellipsoid."""
    sin2 = np.sin(np.radians(lat)) ** 2
    w = 1 - EARTH_E2 * sin2
    return (np.pi / 180 * EARTH_A_M * (1 - EARTH_E2) / w**1.5,
            np.pi / 180 * EARTH_A_M / np.sqrt(w) * np.cos(np.radians(lat)))


def simulate_day(scenario: Scenario, seed: int = 0) -> SimulatedDay:
    """Sail a day.

    Parameters
    ----------
    scenario : Scenario
        Boat, waters, plan, helms, instruments.
    seed : int
        The same seed gives the same day to the last bit.

    Returns
    -------
    SimulatedDay
    """
    rng = np.random.default_rng([seed, 20260614])
    longest = sum(leg.length_s for leg in scenario.legs)
    n = int(longest / STEP_S)
    water = make_water(scenario.sea, n, STEP_S, rng)
    voyage = Voyage(scenario.boat, water, scenario.legs,
                    {helm.name: helm for helm in scenario.helms}, rng, n, scenario.sails,
                    scenario.helms[0].name, scenario.sea.wave_period_s, scenario.turn_variation)
    first = scenario.legs[0]
    state = State(side=first.side or 1, sails=scenario.sails, helm=scenario.helms[0].name)
    polar = scenario.boat.polar(scenario.sails or scenario.boat.sails[0].name)
    tws = float(water.felt_m_s[0]) / KNOT
    angle = (float(polar.best_angle_deg(tws, first.kind == "beat"))
             if first.kind in ("beat", "run") else first.twa_deg)
    if scenario.heading_deg is not None:
        state.heading = scenario.heading_deg
    elif first.kind in ("motor", "course"):
        state.heading = first.heading_deg
    else:
        state.heading = float(water.twd_slow_deg[0] - state.side * angle) % 360.0
    state.angle = angle
    state.speed = (2.5 if first.kind in ("motor", "hoist") else 0.0 if first.kind == "stop" else
                   float(polar(tws, angle)) * KNOT)
    used = voyage.sail(state, 0, n)
    if used < n:
        voyage.cut(used)
    return SimulatedDay(scenario, voyage, water, rng, seed)


def _truth(scenario: Scenario, voyage: Voyage, water: Water, start_s: float,
           rng: np.random.Generator) -> tuple[pd.DataFrame, dict[str, np.ndarray]]:
    n = voyage.n
    out = {name: np.asarray(values[:n]) for name, values in voyage.out.items()}
    wind, wind_from = water.tws_m_s[:n], water.twd_deg[:n]
    heading, speed, lee = out["hdg_deg"], out["speed_m_s"], np.radians(out["leeway_deg"])
    moored = np.zeros(n, bool)
    state = np.empty(n, object)
    for (i, mode), (j, _) in zip(voyage.mode, [*voyage.mode[1:], (n, "")], strict=True):
        state[i:j] = mode
        moored[i:j] = mode == "stopped"
    current = np.where(moored, 0.0, 1.0)
    track = np.radians(heading) + lee
    east = speed * np.sin(track) + current * water.current_east_m_s[:n]
    north = speed * np.cos(track) + current * water.current_north_m_s[:n]
    per_lat, per_lon = _metres_per_deg(scenario.lat)
    lat = scenario.lat + out["north_m"] / per_lat
    # Longitude shrinks with latitude: taken at each latitude.
    lon = scenario.lon + out["east_m"] / (per_lon * np.cos(np.radians(lat))
                                          / np.cos(np.radians(scenario.lat)))
    angle = np.radians((wind_from - heading + 180.0) % 360.0 - 180.0)
    ahead = wind * np.cos(angle) + speed * np.cos(lee)
    abeam = wind * np.sin(angle) + speed * np.sin(lee)
    pitch = _pitch(scenario, voyage, water, heading, n)
    sensors = scenario.sensors
    mast = scenario.boat.mast_height_m
    mast_ahead, mast_abeam = ahead, abeam
    if sensors.mast_motion:
        # Bow up carries the masthead aft; starboard down carries it to starboard.
        mast_ahead = mast_ahead - mast * np.radians(np.gradient(pitch, STEP_S))
        mast_abeam = mast_abeam + mast * np.radians(out["roll_rate_deg_s"])
    if sensors.heeled_vane:
        mast_abeam = mast_abeam * np.cos(np.radians(out["heel_deg"]))
    set_kn = np.hypot(water.current_east_m_s[:n], water.current_north_m_s[:n]) / KNOT
    course = np.degrees(np.arctan2(east, north)) % 360.0
    depth = 14.0 + 4.0 * np.sin(np.arange(n) * STEP_S / 700.0)
    time = pd.to_datetime((np.round(start_s * 10) + np.arange(n)).astype("int64") * 100,
                          unit="ms", utc=True)
    frame = pd.DataFrame({
        "lat": lat, "lon": lon, "sog_kn": np.hypot(east, north) / KNOT, "cog_deg": course,
        "stw_kn": speed / KNOT, "hdg_deg": heading, "twa_deg": np.degrees(angle),
        "tws_kn": wind / KNOT, "twd_deg": wind_from,
        "twd_slow_deg": (water.twd_slow_deg[:n] + water.shear_deg) % 360.0,
        "awa_deg": np.degrees(np.arctan2(abeam, ahead)), "aws_kn": np.hypot(ahead, abeam) / KNOT,
        "rudder_deg": out["rudder_deg"], "heel_deg": out["heel_deg"], "trim_deg": pitch,
        "rate_of_turn_deg_s": out["yaw_rate_deg_s"], "leeway_deg": out["leeway_deg"],
        "set_deg": np.degrees(np.arctan2(water.current_east_m_s[:n],
                                         water.current_north_m_s[:n])) % 360.0,
        "drift_kn": set_kn, "vmg_kn": speed / KNOT * np.cos(angle - lee), "depth_m": depth,
        "engine_rpm": out["rpm"]}, index=pd.DatetimeIndex(time, name="time"))
    frame["helm"] = _held(voyage.helm_text, n)
    frame["sails"] = _held(voyage.sails_text, n)
    frame["state"] = state
    extra = {"awa_mast_deg": np.degrees(np.arctan2(mast_abeam, mast_ahead)),
             "aws_mast_kn": np.hypot(mast_ahead, mast_abeam) / KNOT}
    return frame, extra


def _pitch(scenario: Scenario, voyage: Voyage, water: Water, heading: np.ndarray,
           n: int) -> np.ndarray:
    from_bow = np.radians(water.twd_slow_deg[:n] - heading)
    c, s = np.cos(from_bow), np.abs(np.sin(from_bow))
    wave = (np.where(c > 0, water.pitch_deg["ahead"][:n] * c, -water.pitch_deg["astern"][:n] * c)
            + 0.3 * water.pitch_deg["abeam"][:n] * s)
    return 0.55 * voyage.slope_deg * wave


def _held(changes: list[tuple[int, str]], n: int) -> np.ndarray:
    column = np.empty(n, object)
    for (i, text), (j, _) in zip(changes, [*changes[1:], (n, "")], strict=True):
        column[i:j] = text
    return column


def _kept_turns(voyage: Voyage, truth: pd.DataFrame) -> list[Turn]:
    """Turns with their crossing: the heading passes the slow wind's line."""
    heading, slow = truth["hdg_deg"].to_numpy(), truth["twd_slow_deg"].to_numpy()
    off = (slow - heading + 180.0) % 360.0 - 180.0
    for number, turn in enumerate(voyage.turns):
        following = [t.start for t in voyage.turns[number + 1:number + 2]]
        stop = min([*following, voyage.n])
        if turn.end < 0:
            turn.end = stop - 1
        if turn.kind in ("tack", "gybe"):
            part = off[turn.start:max(turn.end, turn.start + 300)]
            line = part if turn.kind == "tack" else (part % 360.0) - 180.0
            crossed = np.flatnonzero((line[:-1] * line[1:] < 0) & (np.abs(np.diff(line)) < 90))
            if len(crossed):
                turn.crossing = turn.start + int(crossed[0]) + 1
        elif turn.kind == "luff":
            turn.crossing = turn.start + int(np.argmin(np.abs(off[turn.start:turn.end + 1])))
        else:
            turn.crossing = (turn.start + turn.end) // 2
    return voyage.turns


def _events(day: SimulatedDay) -> pd.DataFrame:
    truth = day.truth
    slow = ((truth["twd_slow_deg"] - truth["hdg_deg"] + 180) % 360 - 180).to_numpy()
    side = {1: "starboard", -1: "port"}
    rows: list[dict[str, Any]] = []
    for number, turn in enumerate(day._turns):
        if turn.crossing < 0:
            continue
        i, j = turn.start, min(turn.end, len(truth) - 1)
        after = float(np.median(slow[j:j + 200]))
        rows.append({
            "turn": number, "kind": turn.kind, "intended": turn.intended,
            "start": truth.index[i], "crossing": truth.index[turn.crossing],
            "end": truth.index[j], "from_side": side[turn.from_side],
            "to_side": side[1 if after >= 0 else -1],
            "twa_before_deg": float(np.median(slow[max(0, i - 200):i + 1])),
            "twa_after_deg": after,
            "tws_kn": float(truth["tws_kn"].iloc[max(0, i - 300):j + 300].mean()),
            "stw_min_kn": float(truth["stw_kn"].iloc[i:j + 1].min()),
            "helm": turn.helm, "sails": turn.sails})
    columns = ["turn", "kind", "intended", "start", "crossing", "end", "from_side", "to_side",
               "twa_before_deg", "twa_after_deg", "tws_kn", "stw_min_kn", "helm", "sails"]
    return pd.DataFrame(rows, columns=columns)


def _crew_log(day: SimulatedDay) -> pd.DataFrame:
    voyage, index = day._voyage, day.truth.index
    rows = [(index[0], "helm", voyage.first_helm, "")]
    if voyage.first_sails:
        rows.append((index[0], "sails", voyage.first_sails, ""))
    rows += [(index[min(i, len(index) - 1)], item, value, "") for i, item, value in voyage.notes]
    return pd.DataFrame(rows, columns=["time", "item", "value", "note"])
