"""A sea, a boat and people at her helm, for checking what is said about steering.

First-order turning boat, waves and gusts as resonated noise, and helms who see their error late and
roughly. Every helm steers the whole day on the same sea, so that the true difference between them
is known; the log is a mosaic of their turns. Nothing here is shared with the package.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class Craft:
    """Turning response K = k V / L, T = t L / V, and how the sea moves her."""

    length_m: float = 10.0
    k: float = 0.9
    t: float = 0.8
    knots: float = 6.0
    yaw_of_sea: float = 1.0
    pitch_of_sea: float = 2.0
    roll_of_sea: float = 2.5
    weather_helm_deg: float = 2.5


@dataclass(frozen=True)
class Helm:
    """Proportional and rate gains, what they see and how late, and their own restlessness."""

    name: str
    gain: float = 0.8
    rate_gain: float = 1.0
    delay_s: float = 0.4
    restless_deg: float = 0.8
    dead_deg: float = 0.5
    gear_deg_s: float = 12.0


CRAFTS = {
    "sloop": Craft(),
    "dinghy": Craft(4.5, 1.2, 0.5, 5.0, 1.6, 3.5, 5.0, 1.0),
    "heavy": Craft(14.0, 0.8, 1.2, 7.0, 0.7, 1.3, 1.8, 4.0),
    "catamaran": Craft(12.0, 0.6, 0.9, 9.0, 0.6, 2.2, 1.0, 0.5),
}


def coloured(rng, shape, n, rate, seconds):
    """First-order noise of unit sd."""
    from scipy.signal import lfilter

    keep = np.exp(-1.0 / (rate * seconds))
    x = rng.standard_normal((*shape, n))
    return lfilter([np.sqrt(1 - keep**2)], [1, -keep], x, axis=-1)


def waves(rng, shape, n, rate, hz, width=0.18):
    """Resonated noise of unit sd about a frequency."""
    from scipy.signal import butter, sosfilt

    sos = butter(2, [hz * (1 - width) / (rate / 2), hz * (1 + width) / (rate / 2)], "band",
                 output="sos")
    x = sosfilt(sos, rng.standard_normal((*shape, n)), axis=-1)
    return x / x.std(axis=-1, keepdims=True)


def sail(helms, days=1, hours=2.0, craft="sloop", seed=0, turn_min=20.0, rate=10.0,
         sea=(0.3, 2.0), wind=(7.0, 18.0), legs=("upwind", "downwind", "upwind", "reach")):
    """Sail ``days`` days with every helm on the same sea.

    Returns
    -------
    list of dict
        A day each: ``samples, legs, maneuvers`` as the analysis takes them, and ``truth``: helm ->
        rms rudder about a 60 s mean over the whole day, and over the smooth and the rough half.
    """
    rng = np.random.default_rng(seed)
    boat = CRAFTS[craft] if isinstance(craft, str) else craft
    n, h = int(hours * 3600 * rate), len(helms)
    shape = (days,)
    turns = int(np.ceil(hours * 60 / turn_min))
    turn_of = np.minimum((np.arange(n) / rate / 60 / turn_min).astype(int), turns - 1)
    part = np.arange(n) / rate / 60 / turn_min % 1.0
    leg_of = np.array([legs[int(p * len(legs)) % len(legs)] for p in part], dtype=object)
    level = np.exp(rng.uniform(np.log(sea[0]), np.log(sea[1]), (days, turns)))[:, turn_of]
    for d in range(days):
        level[d] = np.convolve(np.pad(level[d], 300, mode="edge"), np.ones(601) / 601, "valid")
    mean_wind = rng.uniform(*wind, (days, turns))[:, turn_of]
    gust = coloured(rng, shape, n, rate, 20.0) * 0.11 * mean_wind
    tws = mean_wind + gust
    off = {"upwind": 42.0, "reach": 95.0, "downwind": 150.0}
    hz = {"upwind": 0.32, "reach": 0.22, "downwind": 0.15}
    seaway = {"upwind": 1.0, "reach": 1.1, "downwind": 1.3}
    yaw_sea = np.zeros((days, n))
    pitch = np.zeros((days, n))
    roll = np.zeros((days, n))
    for name in set(legs):
        on = leg_of == name
        yaw_sea[:, on] = waves(rng, shape, n, rate, hz[name])[:, on] * seaway[name]
        pitch[:, on] = waves(rng, shape, n, rate, hz[name])[:, on] / hz[name] * 0.32
        roll[:, on] = waves(rng, shape, n, rate, hz[name] * 0.9)[:, on] / hz[name] * 0.32
    pitch *= level * boat.pitch_of_sea / 2.0
    roll *= level * boat.roll_of_sea / 2.0
    yaw_sea *= level * boat.yaw_of_sea * 1.2
    twd = 220.0 + 4.0 * coloured(rng, shape, n, rate, 240.0)
    side = np.where((turn_of + (part * len(legs)).astype(int)) % 2 == 0, 1.0, -1.0)
    speed = boat.knots * np.clip(tws / 12.0, 0.3, 1.2) ** 0.5
    stw = speed + 0.1 * waves(rng, shape, n, rate, 0.3) * level
    v = speed * 0.514
    K, T = boat.k * v / boat.length_m, boat.t * boat.length_m / v
    # She wants to luff with the wind's pressure: the rudder that holds her.
    balance = -side * boat.weather_helm_deg * (tws / 12.0) ** 2 * np.where(leg_of == "upwind", 1, .6)
    # People suit their hand to the boat: a boat that turns quicker gets less rudder.
    quick = (boat.k / boat.length_m / boat.t * boat.knots) / (0.9 / 10.0 / 0.8 * 6.0)
    gain = np.array([x.gain for x in helms]) / np.sqrt(quick)
    rate_gain = np.array([x.rate_gain for x in helms]) / quick
    dead = np.array([x.dead_deg for x in helms])
    gear = np.array([x.gear_deg_s for x in helms])
    delay = np.array([max(1, round(x.delay_s * rate)) for x in helms])
    restless = np.array([x.restless_deg for x in helms])
    # A hand moves smoothly: nothing above half a hertz.
    own = waves(rng, (days, h), n, rate, 0.15, 0.8) * restless[:, None]
    steer = coloured(rng, shape, n, rate, 60.0) * 2.0
    psi = np.zeros((days, h))
    turn = np.zeros((days, h))
    rudder = np.zeros((days, h))
    slow = np.zeros((days, h))
    depth = int(delay.max()) + 1
    seen = np.zeros((depth, days, h))
    rows, cols = np.arange(days)[:, None], np.arange(h)[None, :]
    log_psi = np.zeros((days, h, n), dtype=np.float32)
    log_rudder = np.zeros((days, h, n), dtype=np.float32)
    dt = 1.0 / rate
    for i in range(n):
        seen[i % depth] = gain * (psi - steer[:, i, None]) + rate_gain * turn
        late = seen[(i - delay[None, :]) % depth, rows, cols]
        late = np.where(np.abs(late) > dead, late - np.sign(late) * dead, 0.0)
        slow += dt / 25.0 * late
        want = -late - slow + own[:, :, i]
        rudder += np.clip(want - rudder, -gear * dt, gear * dt)
        k, t = K[:, i, None], T[:, i, None]
        turn += dt / t * (k * (rudder - balance[:, i, None]) + yaw_sea[:, i, None] * 2.0 - turn)
        psi += dt * turn
        log_psi[:, :, i], log_rudder[:, :, i] = psi, rudder
    time = pd.date_range("2031-06-01 10:00", periods=n, freq=pd.Timedelta(seconds=dt), tz="UTC",
                         name="time").as_unit("us")
    angle = np.array([off[name] for name in leg_of]) * side
    cut = np.flatnonzero(angle[1:] != angle[:-1]) + 1
    edges = np.concatenate([[0], cut, [n]])
    legs_table = pd.DataFrame({"start": time[edges[:-1]] + pd.Timedelta(seconds=20),
                               "end": time[edges[1:] - 1],
                               "twa_deg": [angle[a] for a in edges[:-1]]})
    turned = pd.DataFrame({"start": time[cut], "end": time[cut] + pd.Timedelta(seconds=20)})
    out = []
    window = int(60 * rate)
    for d in range(days):
        who = rng.permutation(np.arange(turns) % h)
        take = who[turn_of]
        at = np.arange(n)
        heading = (twd[d] * 0 + 220.0 - angle + log_psi[d, take, at]) % 360.0
        wind_angle = (twd[d] - heading + 180.0) % 360.0 - 180.0
        names = np.array([x.name for x in helms], dtype=object)[take]
        rough = level[d] > np.median(level[d])
        truth = {}
        for j, x in enumerate(helms):
            r = log_rudder[d, j].astype(float)
            dev = r - pd.Series(r).rolling(window, center=True, min_periods=1).mean().to_numpy()
            ok = np.ones(n, dtype=bool)
            for c in edges[1:-1]:
                ok[max(0, c - 300):c + 600] = False
            truth[x.name] = {"rms": float(np.sqrt(np.mean(dev[ok] ** 2))),
                             "rate_rms": float(np.sqrt(np.mean(np.diff(r)[ok[1:]] ** 2)) * rate),
                             "log": float(np.mean([
                                 0.25 * np.log(np.mean(dev[o] ** 2)
                                               * np.mean(np.gradient(r)[o] ** 2) * rate**2)
                                 for o in np.array_split(np.flatnonzero(ok), int(60 * hours))])),
                             "smooth": float(np.sqrt(np.mean(dev[ok & ~rough] ** 2))),
                             "rough": float(np.sqrt(np.mean(dev[ok & rough] ** 2)))}
        samples = pd.DataFrame({
            "stw_kn": stw[d], "hdg_deg": heading + 0.1 * rng.standard_normal(n),
            "twa_deg": wind_angle + rng.standard_normal(n), "tws_kn": tws[d],
            "rudder_deg": np.round((log_rudder[d, take, at] + 0.05 * rng.standard_normal(n)) / 0.1)
            * 0.1,
            "heel_deg": angle / np.abs(angle) * -8.0 * (tws[d] / 12.0) + roll[d],
            "trim_deg": pitch[d], "helm": names,
            "state": np.full(n, "sailing", dtype=object)}, index=time)
        out.append({"samples": samples, "legs": legs_table, "maneuvers": turned, "truth": truth,
                    "level": level[d], "rough": rough, "take": take})
    return out


def helm_of_skill(rng, name):
    """Somebody at the wheel: from steady (few, small, timely movements) to restless and late."""
    unrest = rng.uniform(0, 1)
    return Helm(name, gain=0.6 + 0.9 * unrest, rate_gain=1.3 - 0.8 * unrest,
                delay_s=0.25 + 0.5 * unrest, restless_deg=0.4 + 1.4 * unrest * rng.uniform(0.6, 1.4),
                dead_deg=rng.uniform(0.1, 0.8))


PILOT = Helm("autopilot", gain=0.7, rate_gain=1.2, delay_s=0.2, restless_deg=0.1, dead_deg=1.0)
