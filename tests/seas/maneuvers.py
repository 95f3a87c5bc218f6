"""Boats that tack, gybe and luff in an unsteady wind, and the same boats had they not turned.

A light simulation of its own: sail coefficients against a hull's resistance in surge, a helm that
follows the felt wind, gusts and shifts as first-order noise, waves on speed and heading, sensors
that lag. Many boats run side by side as arrays. The counterfactual is the same boat in the same
wind and waves, forked at the maneuver's start and steered on as before.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

DT = 0.1
KN = 1852.0 / 3600.0


@dataclass(frozen=True)
class Craft:
    """Displacement in kg, areas in m2, lengths in m; resistance grows steeply at the hull's speed."""

    name: str
    mass: float
    sail: float
    windage: float
    wetted: float
    lwl: float
    stiffness: float  # greatest side force, share of weight
    multihull: bool = False
    upwind: float = 42.0
    downwind: float = 150.0
    tack_s: float = 9.0
    gybe_s: float = 8.0
    crew_s: float = 4.0


SLOOP = Craft("sloop", 6500, 68, 10, 27, 9.6, 0.10)
CRUISER = Craft("cruiser", 14000, 95, 18, 40, 12.5, 0.09, upwind=46, tack_s=13, crew_s=7)
SPORT = Craft("sport", 1500, 42, 4, 12, 7.2, 0.16, upwind=39, downwind=145, tack_s=6, crew_s=2.5)
CAT = Craft("catamaran", 7500, 100, 22, 34, 12.2, 0.16, multihull=True, upwind=52, downwind=148,
            tack_s=17, crew_s=8)
DINGHY = Craft("dinghy", 240, 13, 1.2, 3.2, 4.0, 0.35, upwind=44, downwind=152, tack_s=4, gybe_s=4,
               crew_s=1.5)
SIXTY = Craft("sixty", 26000, 230, 28, 75, 17.5, 0.11, upwind=40, downwind=146, tack_s=12,
              crew_s=6)
CRAFTS = (SLOOP, CRUISER, SPORT, CAT, DINGHY, SIXTY)


@dataclass(frozen=True)
class Weather:
    tws_kn: float = 12.0
    twd_deg: float = 230.0
    gust: float = 0.08
    gust_s: float = 40.0
    shift_deg: float = 4.0
    shift_s: float = 90.0
    trend_deg_h: float = 6.0
    wave_kn: float = 0.15
    yaw_deg: float = 2.0
    wave_s: float = 5.0
    felt_s: float = 4.0


@dataclass(frozen=True)
class Instruments:
    rate_hz: float = 1.0
    stw_factor: float = 1.0
    stw_lag_s: float = 1.0
    stw_noise_kn: float = 0.05
    awa_offset_deg: float = 0.0
    vane_lag_s: float = 1.0
    vane_noise_deg: float = 1.5
    vane_swing_deg: float = 2.0
    upwash_deg: float = 0.0
    aws_noise_kn: float = 0.3
    hdg_noise_deg: float = 0.5
    hdg_offset_deg: float = 0.0
    heading: bool = True
    current_kn: tuple[float, float] = (0.0, 0.0)  # east, north


@dataclass(frozen=True)
class Plan:
    """What is sailed: kind, time of start, and details of each maneuver."""

    kind: str
    start_s: float
    turn_s: float
    over_deg: float = 0.0
    to_twa_deg: float | None = None
    hold_s: float = 0.0


@dataclass(frozen=True)
class Scenario:
    craft: Craft = SLOOP
    weather: Weather = field(default_factory=Weather)
    instruments: Instruments = field(default_factory=Instruments)
    plans: tuple[Plan, ...] = ()
    minutes: float = 60.0
    start_twa_deg: float = 42.0
    seed: int = 0
    wander_deg: float = 2.0


@dataclass(frozen=True)
class Event:
    """What truly happened.

    ``loss_m`` is the cost in a wind that gusts alike but keeps its direction, so that no shift is
    credited; ``carried_m`` that of the raw fork after 90 s, with the luck of either tack in it.
    """

    kind: str
    start_s: float
    crossing_s: float
    loss_m: float
    window_s: float
    carried_m: float
    lost_m: np.ndarray


@dataclass(frozen=True)
class Sailed:
    scenario: Scenario
    samples: pd.DataFrame
    events: tuple[Event, ...]
    truth: pd.DataFrame


def beat_and_run(craft: Craft, minutes: float, seed: int, every_s: float = 240.0,
                 over_deg: float = 6.0, first_s: float = 150.0) -> tuple[Plan, ...]:
    """Half the time tacking upwind, a bear-away, then gybing downwind; a luff among them."""
    rng = np.random.default_rng(seed + 977)
    plans, t, half = [], first_s, minutes * 30.0
    while t < half - every_s * 0.8:
        if rng.random() < 0.12:
            plans.append(Plan("luff", t, 5.0, to_twa_deg=rng.uniform(5, 16),
                              hold_s=rng.uniform(8, 25)))
        else:
            plans.append(Plan("tack", t, craft.tack_s * rng.uniform(0.8, 1.4),
                              over_deg * rng.uniform(-0.3, 1.5)))
        t += every_s * rng.uniform(0.8, 1.2)
    plans.append(Plan("bear_away", half, 10.0, to_twa_deg=craft.downwind))
    t = half + every_s
    while t < minutes * 60.0 - 200.0:
        plans.append(Plan("gybe", t, craft.gybe_s * rng.uniform(0.8, 1.4),
                          over_deg * rng.uniform(-0.3, 1.2)))
        t += every_s * rng.uniform(0.8, 1.2)
    return tuple(plans)


# ---------------------------------------------------------------------------------- physics
def _coefficients(awa: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lift and drag of the rig by apparent angle in degrees; sails flog close to the wind."""
    draw = np.clip((awa - 10.0) / 14.0, 0.0, 1.0)
    draw = draw * draw * (3.0 - 2.0 * draw)
    far = np.clip((awa - 60.0) / 110.0, 0.0, 1.0)
    lift = draw * (1.45 * (1 - far) + 0.15 * far)
    drag = 0.07 + 0.12 * lift**2 + 1.25 * far * draw
    return lift, drag


class _Fleet:
    """Parameters of all boats as arrays of shape (boats,)."""

    def __init__(self, crafts: list[Craft]) -> None:
        for name in ("mass", "sail", "windage", "wetted", "lwl", "stiffness", "multihull",
                     "crew_s"):
            setattr(self, name, np.array([getattr(c, name) for c in crafts], dtype=float))

    def thrust(self, aws: np.ndarray, awa: np.ndarray, drive: np.ndarray) -> np.ndarray:
        a = np.abs(awa)
        lift, drag = _coefficients(a)
        q = 0.6125 * aws**2
        rad = np.radians(a)
        side = q * self.sail * (lift * np.cos(rad) + drag * np.sin(rad))
        limit = self.stiffness * self.mass * 9.81
        depower = np.minimum(1.0, limit / np.maximum(side, 1e-6))
        ahead = q * self.sail * (lift * np.sin(rad) - drag * np.cos(rad)) * depower * drive
        flog = q * self.sail * 0.07 * np.cos(rad) * (1.0 - drive)
        return ahead - flog - q * self.windage * 0.8 * np.cos(rad)

    def resistance(self, u: np.ndarray, rate: np.ndarray) -> np.ndarray:
        froude = np.abs(u) / np.sqrt(9.81 * self.lwl)
        barrier = np.where(self.multihull > 0.5, 0.6 * (froude / 0.4) ** 2,
                           1.6 * (froude / 0.4) ** 6)
        barrier = np.minimum(barrier, 4.0 + 2.0 * froude)
        turn = 30.0 * np.minimum(np.radians(np.abs(rate)), 0.4) ** 2 * (1 + self.multihull)
        return 0.5 * 1025.0 * self.wetted * 0.0045 * u * np.abs(u) * (1.0 + barrier + 8 * turn)

    def step(self, u, drive, awa_before, tws_ms, twa, rate):
        ahead, abeam = tws_ms * np.cos(np.radians(twa)) + u, tws_ms * np.sin(np.radians(twa))
        aws, awa = np.hypot(ahead, abeam), np.degrees(np.arctan2(abeam, ahead))
        flipped = (awa * awa_before < 0)
        drive = np.where(flipped, drive * np.where(np.abs(awa) < 90, 0.05, 0.5), drive)
        drive = drive + DT / self.crew_s * (1.0 - drive)
        u = u + DT * (self.thrust(aws, awa, drive) - self.resistance(u, rate)) / (1.06 * self.mass)
        return u, drive, awa, aws


def steady_speed_kn(craft: Craft, tws_kn: np.ndarray, twa_deg: np.ndarray) -> np.ndarray:
    """Boat speed of the craft in a steady wind, by letting her run."""
    tws, twa = np.broadcast_arrays(np.asarray(tws_kn, float), np.asarray(twa_deg, float))
    fleet = _Fleet([craft] * tws.size)
    u, drive = np.full(tws.size, 1.0), np.ones(tws.size)
    awa = np.abs(twa.ravel())
    for _ in range(3000):
        u, drive, awa, _ = fleet.step(u, drive, awa, tws.ravel() * KN, np.abs(twa.ravel()), 0.0 * u)
    return (u / KN).reshape(tws.shape)


def polar_of(craft: Craft):
    """A quick table of :func:`steady_speed_kn` as a callable (tws_kn, twa_deg)."""
    from scipy.interpolate import RegularGridInterpolator

    tws = np.arange(1.0, 36.0, 1.0)
    twa = np.arange(20.0, 181.0, 4.0)
    grid = steady_speed_kn(craft, *np.meshgrid(tws, twa, indexing="ij"))
    table = RegularGridInterpolator((tws, twa), grid, bounds_error=False, fill_value=np.nan)
    return lambda w, a: table(np.column_stack([np.ravel(w), np.abs(np.ravel(a))])).reshape(
        np.shape(w))


def _noise(rng, n: int, sd: float, tau_s: float) -> np.ndarray:
    from scipy.signal import lfilter

    a = np.exp(-DT / tau_s)
    white = rng.normal(0.0, sd * np.sqrt(1 - a * a), n)
    white[0] = rng.normal(0.0, sd)
    return lfilter([1.0], [1.0, -a], white)


def _wanted_twa(scenario: Scenario, n: int) -> tuple[np.ndarray, list[tuple[Plan, float]]]:
    """Continuous wanted wind angle; 0 and 360 are the bow, 180 the stern. And the angle held."""
    t = np.arange(n) * DT
    wanted = np.full(n, scenario.start_twa_deg, dtype=float)
    held = []
    angle = float(scenario.start_twa_deg)
    for plan in scenario.plans:
        held.append((plan, angle))
        s = np.clip((t - plan.start_s) / plan.turn_s, 0.0, 1.0)
        s = s * s * (3 - 2 * s)
        near = (angle + 180.0) % 360.0 - 180.0
        base = angle - near
        if plan.kind in ("tack", "reach_tack"):
            new = base - near
        elif plan.kind == "gybe":
            new = base + (360.0 - near if near > 0 else -360.0 - near)
        elif plan.kind == "circle":
            new = angle + np.sign(near) * -360.0
        elif plan.kind in ("bear_away", "head_up"):
            new = base + np.sign(near) * plan.to_twa_deg
        else:
            low = base + np.sign(near) * plan.to_twa_deg
            back = np.clip((t - plan.start_s - plan.turn_s - plan.hold_s) / plan.turn_s, 0, 1)
            back = back * back * (3 - 2 * back)
            wanted = np.where(t >= plan.start_s, angle + (low - angle) * (s - back), wanted)
            continue
        way = np.sign(new - angle)
        over = plan.over_deg * way * s * np.exp(-np.clip(t - plan.start_s - plan.turn_s - 4, 0,
                                                         None) / 8.0)
        wanted = np.where(t >= plan.start_s, angle + (new - angle) * s + over, wanted)
        angle = float(new)
    return wanted, held


def sail_all(scenarios: list[Scenario]) -> list[Sailed]:
    """Sail boats side by side (all for the longest time asked), with their counterfactuals."""
    n = int(max(s.minutes for s in scenarios) * 60.0 / DT)
    fleet = _Fleet([s.craft for s in scenarios])
    wind = [_wind(s, n) for s in scenarios]
    wanted, held = zip(*(_wanted_twa(s, n) for s in scenarios), strict=True)
    run = _run(fleet, wind, np.array(wanted)) | {"wanted": np.array(wanted)}
    out = []
    forks = []
    for b, scenario in enumerate(scenarios):
        starts = [p.start_s for p in scenario.plans] + [n * DT]
        for k, (plan, angle) in enumerate(held[b]):
            window = min(starts[k + 1] - plan.start_s, 150.0)
            forks.append((b, k, int(plan.start_s / DT), int(window / DT), angle))
    losses = _forks(scenarios, run, wind, forks)
    for b, scenario in enumerate(scenarios):
        out.append(_record(scenario, run, wind[b], b,
                           [(f, loss) for f, loss in zip(forks, losses, strict=True) if f[0] == b]))
    return out


def _wind(scenario: Scenario, n: int) -> dict[str, np.ndarray]:
    w, rng = scenario.weather, np.random.default_rng(scenario.seed)
    t = np.arange(n) * DT
    twd = w.twd_deg + w.trend_deg_h * t / 3600.0 + _noise(rng, n, w.shift_deg, w.shift_s)
    twd = _lowpass(twd, 5.0)
    tws = w.tws_kn * np.maximum(0.1, 1.0 + _lowpass(_noise(rng, n, w.gust, w.gust_s), 3.0))
    felt = _lowpass(twd, w.felt_s)
    phase = 2 * np.pi * np.cumsum(DT / w.wave_s * (1 + 0.15 * _noise(rng, n, 1.0, 20.0)))
    swell = np.abs(1.0 + _noise(rng, n, 0.4, 30.0))
    return {"twd": twd, "tws": tws, "felt": felt, "wave": w.wave_kn * swell * np.sin(phase),
            "yaw": w.yaw_deg * swell * np.sin(phase + 1.0),
            "wander": _noise(rng, n, scenario.wander_deg, 12.0), "phase": phase}


def _lowpass(x: np.ndarray, tau_s: float) -> np.ndarray:
    from scipy.signal import lfilter

    a = np.exp(-DT / max(tau_s, 1e-3))
    return lfilter([1 - a], [1.0, -a], x, zi=[a * x[0]])[0]


def _run(fleet, wind, wanted, start=None):
    boats, n = wanted.shape
    stack = {k: np.array([w[k] for w in wind]) for k in ("twd", "tws", "felt", "yaw", "wander")}
    # Wander is the helm's, towards and away from the wind: the same on either tack.
    side = np.clip(2.0 * np.sin(np.radians(wanted)), -1.0, 1.0)
    stack["yaw"] = stack["yaw"] - side * stack["wander"]
    aim = stack["felt"] - wanted
    u_all, psi_all, s_all = (np.empty((boats, n)) for _ in range(3))
    awa_all, aws_all = np.empty((boats, n)), np.empty((boats, n))
    if start is None:
        u = np.full(boats, 2.0)
        drive, psi, awa = np.ones(boats), aim[:, 0].copy(), wanted[:, 0].copy()
    else:
        u, drive, psi, awa = (x.copy() for x in start)
    for i in range(n):
        rate = (aim[:, i] - psi) / 1.5
        psi = psi + DT * rate
        head = psi + stack["yaw"][:, i]
        twa = stack["twd"][:, i] - head
        u, drive, awa, aws = fleet.step(u, drive, awa, stack["tws"][:, i] * KN, twa, rate)
        u_all[:, i], psi_all[:, i], s_all[:, i] = u, psi, drive
        awa_all[:, i], aws_all[:, i] = awa, aws
    return {"head": psi_all + stack["yaw"], "u": u_all, "psi": psi_all, "drive": s_all, "awa": awa_all, "aws": aws_all}


def _forks(scenarios, run, wind, forks):
    """Metres lost towards (upwind) or away from (downwind) the true wind, as they add up."""
    if not forks:
        return []
    size = max(f[3] for f in forks)
    fleet = _Fleet([scenarios[f[0]].craft for f in forks])
    parts, wanted, start = [], np.empty((len(forks), size)), [[], [], [], []]
    for row, (b, _, i0, _, angle) in enumerate(forks):
        index = np.minimum(np.arange(i0, i0 + size), wind[b]["twd"].size - 1)
        parts.append({k: v[index] for k, v in wind[b].items()})
        wanted[row] = angle
        for store, name in zip(start, ("u", "drive", "psi", "awa"), strict=True):
            store.append(run[name][b, i0 - 1])
    start = [np.array(x) for x in start]
    free = _run(fleet, parts, wanted, start)
    # The same pair in a wind that gusts alike but does not shift: no luck of either tack.
    still = [{**p, "twd": np.full(size, p["felt"][0]), "felt": np.full(size, p["felt"][0])}
             for p in parts]
    plan = np.empty_like(wanted)
    for row, (b, _, i0, count, _) in enumerate(forks):
        row_plan = run["wanted"][b, i0:i0 + count]
        plan[row, :count], plan[row, count:] = row_plan, row_plan[-1]
    fair_free, fair_real = _run(fleet, still, wanted, start), _run(fleet, still, plan, start)
    losses = []
    for row, (b, _, i0, count, angle) in enumerate(forks):
        sign = 1.0 if np.cos(np.radians(angle)) > 0 else -1.0
        real = {k: run[k][b, i0:i0 + count] for k in ("u", "head")}
        pairs = ((free, real, parts), (fair_free, fair_real, still))
        made = []
        for a, z, wind_of in pairs:
            twd = wind_of[row]["twd"][:count]
            made.append(sum(k * _made(r, row, count, twd) for k, r in ((1, a), (-1, z))))
        losses.append([sign * np.cumsum(m) * DT for m in made])
    return losses


def _made(run, row, count, twd):
    u, head = (run[k] if run[k].ndim == 1 else run[k][row, :count] for k in ("u", "head"))
    return u * np.cos(np.radians(twd - head))


def _record(scenario, run, wind, b, forked):
    n = run["u"].shape[1]
    keep = slice(0, int(scenario.minutes * 60.0 / DT))
    head = run["head"][b]
    t = np.arange(n) * DT
    steady = _centred(wind["twd"], 301)
    events = []
    for (_, k, i0, count, _), loss in forked:
        plan = scenario.plans[k]
        a = steady[i0:i0 + count] - head[i0:i0 + count]
        crossing = np.nan
        if plan.kind in ("tack", "reach_tack", "gybe", "circle"):
            side = np.floor((a if plan.kind != "gybe" else a - 180.0) / 360.0)
            change = np.flatnonzero(np.diff(side) != 0)
            crossing = t[i0 + int(change[0]) + 1] if change.size else np.nan
        kind = "tack" if plan.kind == "reach_tack" else plan.kind
        carried, fair = loss
        events.append(Event(kind, plan.start_s, crossing, float(fair[-1]), count * DT,
                            float(carried[min(count, int(90 / DT)) - 1]), carried))
    truth = pd.DataFrame({"t": t, "u_kn": run["u"][b] / KN, "hdg": head % 360.0,
                          "twd": wind["twd"], "tws": wind["tws"]})[keep]
    return Sailed(scenario, _sense(scenario, run, wind, b, head),
                  tuple(events), truth)


def _centred(x, width):
    pad = width // 2
    sums = np.cumsum(np.concatenate([[0.0], np.pad(x, pad, mode="edge")]))
    return (sums[width:] - sums[:-width]) / width


def _sense(scenario, run, wind, b, head):
    """What the instruments log, and the wind worked out from it."""
    s, rng = scenario.instruments, np.random.default_rng(scenario.seed + 5)
    n = int(scenario.minutes * 60.0 / DT)
    u = run["u"][b, :n] / KN + wind["wave"][:n]
    awa = run["awa"][b, :n]
    swing = s.vane_swing_deg * np.sin(wind["phase"][:n] + 2.0)
    east = _lowpass(np.sin(np.radians(awa + swing)), s.vane_lag_s)
    north = _lowpass(np.cos(np.radians(awa + swing)), s.vane_lag_s)
    vane = np.degrees(np.arctan2(east, north))
    every = max(1, round(1.0 / (s.rate_hz * DT)))
    pick = slice(0, n, every)
    m = len(range(0, n, every))
    vane = vane[pick] + s.awa_offset_deg + s.upwash_deg * np.sin(np.radians(vane[pick])) \
        + rng.normal(0, s.vane_noise_deg, m)
    stw = np.maximum(0, _lowpass(u, s.stw_lag_s)[pick] * s.stw_factor
                     + rng.normal(0, s.stw_noise_kn, m))
    aws = np.maximum(0.05, _lowpass(run["aws"][b, :n] / KN, 0.7)[pick]
                     + rng.normal(0, s.aws_noise_kn, m))
    hdg = _lowpass(head[:n], 0.3)[pick] + s.hdg_offset_deg + rng.normal(0, s.hdg_noise_deg, m)
    ahead, abeam = aws * np.cos(np.radians(vane)) - stw, aws * np.sin(np.radians(vane))
    twa, tws = np.degrees(np.arctan2(abeam, ahead)), np.hypot(ahead, abeam)
    over = run["u"][b, :n] / KN
    east, north = (_lowpass(over * f(np.radians(head[:n])) + c, 0.7)[pick] + rng.normal(0, 0.06, m)
                   for f, c in ((np.sin, s.current_kn[0]), (np.cos, s.current_kn[1])))
    cog = np.degrees(np.arctan2(east, north)) % 360.0
    frame = pd.DataFrame({
        "sog_kn": np.hypot(east, north), "cog_deg": cog,
        "stw_kn": stw, "hdg_deg": hdg % 360.0, "awa_deg": (vane + 180) % 360 - 180, "aws_kn": aws,
        "twa_deg": twa, "tws_kn": tws, "twd_deg": (hdg + twa) % 360.0})
    frame["vmg_kn"] = stw * np.cos(np.radians(twa))
    if not s.heading:
        frame["twd_deg"] = (cog + twa) % 360.0
        frame["hdg_deg"] = np.nan
    frame["state"] = "sailing"
    frame["helm"], frame["sails"] = "", ""
    stamp = 1_750_000_000.0 + np.arange(n)[pick] * DT
    frame.index = pd.DatetimeIndex((stamp * 1e6).round().astype("int64").astype("datetime64[us]"),
                                   tz="UTC", name="time")
    return frame


START_S = 1_750_000_000.0


def varied(seed: int, minutes: float = 60.0, crafts: tuple[Craft, ...] = CRAFTS,
           calibrated: bool = True) -> Scenario:
    """A scenario drawn at random: boat, wind, sea, rate and sensor errors.

    Calibrated means what a good calibration leaves: 1 % of speed, 0.7 deg of vane.
    """
    rng = np.random.default_rng(seed)
    craft = crafts[int(rng.integers(len(crafts)))]
    low, high = (4.0, 22.0) if craft is DINGHY else (4.0, 30.0)
    tws = float(rng.uniform(low, high))
    weather = Weather(
        tws, float(rng.uniform(0, 360)), rng.uniform(0.03, 0.12), rng.uniform(20, 80),
        rng.uniform(1.5, 6.0) * (1.5 if tws < 6 else 1.0), rng.uniform(60, 200),
        rng.uniform(-15, 15), rng.uniform(0.02, 0.25), rng.uniform(0.5, 5.0),
        rng.uniform(3.0, 7.0))
    instruments = Instruments(
        rate_hz=float(rng.choice([1.0, 1.0, 2.0, 5.0, 10.0])),
        stw_factor=1.0 + rng.uniform(-1, 1) * (0.02 if calibrated else 0.06), stw_lag_s=rng.uniform(0.3, 3.0),
        stw_noise_kn=rng.uniform(0.02, 0.1), awa_offset_deg=rng.normal(0, 0.7 if calibrated else 3.0),
        vane_lag_s=rng.uniform(0.3, 4.0), vane_noise_deg=rng.uniform(0.5, 4.0),
        vane_swing_deg=rng.uniform(0.5, 5.0), upwash_deg=rng.uniform(-1, 1) * (1.5 if calibrated else 4.0),
        hdg_offset_deg=rng.normal(0, 3.0), current_kn=tuple(rng.uniform(-1.0, 1.0, 2)))
    scenario = Scenario(craft, weather, instruments, (), minutes,
                        craft.upwind * float(rng.choice([-1, 1])), seed, rng.uniform(1.0, 3.5))
    plans = beat_and_run(craft, minutes, seed, every_s=float(rng.uniform(180, 300)))
    return replace(scenario, plans=plans)
