"""A light season of steady sailing with known polars, made of nothing but numpy.

Physics of its own: gusts on three scales of which the hull feels the slower two, a first-order
surge response, a helm that wanders, days and legs that differ, sensors that are noisy. It shares
no line with the package's simulator nor with its analysis.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

Truth = Callable[[np.ndarray, np.ndarray, str], np.ndarray]


# ---------------------------------------------------------------- polars, known exactly
_KNOTS = np.array([0, 22, 30, 40, 50, 60, 75, 90, 105, 120, 135, 150, 165, 180.0])
_VALUE = np.array([0, .22, .53, .78, .89, .95, .99, 1.0, .99, .95, .875, .77, .655, .60])


def _even_curve():
    from scipy.interpolate import PchipInterpolator

    both = np.concatenate([-_KNOTS[:0:-1], _KNOTS, 360 - _KNOTS[-2::-1]])
    value = np.concatenate([_VALUE[:0:-1], _VALUE, _VALUE[-2::-1]])
    fine = np.arange(-30, 210.05, 0.1)
    raw = PchipInterpolator(both, value)(fine)
    kernel = np.exp(-0.5 * (np.arange(-200, 201) / 50.0) ** 2)  # 5 deg: no corners
    smooth = np.convolve(np.pad(raw, 200, mode="edge"), kernel / kernel.sum(), mode="valid")
    return fine, smooth


_FINE, _CURVE = _even_curve()


def cruiser(tws, twa, sails="main+jib"):
    """A displacement boat with three sail sets that cross over."""
    tws, a = np.asarray(tws, float), np.abs(np.asarray(twa, float))
    angle = np.interp(a, _FINE, _CURVE)
    top = 7.6 + 0.5 * np.sin(np.radians(a)) ** 2
    v = top * (1 - np.exp(-((0.16 * tws * angle) ** 1.15)))
    return v * sail_factor(tws, a, sails)


def sail_factor(tws, a, sails):
    """Speed of a sail set against the plain one: crossings near 105 and 125 deg."""
    if sails == "main+reacher":
        return 1 + 0.09 * np.tanh((a - 75) / 18) * (1 - np.clip((a - 118) / 45, 0, 2))
    if sails == "main+kite":
        return 1 + 0.13 * np.tanh((a - 112 - 0.8 * (tws - 12)) / 16)
    return np.ones(np.broadcast(tws, a).shape)


def light_catamaran(tws, twa, sails="main+jib"):
    """A light boat: faster than the wind when reaching, slow dead downwind."""
    tws, a = np.asarray(tws, float), np.abs(np.asarray(twa, float))
    b = np.radians(a)
    v = tws * 1.15 * np.sin(b / 2) ** 0.9 * (1 + 0.75 * np.sin(b) ** 2 - 0.35 * np.sin(b / 2) ** 6)
    v = v * (a / (a + 12.0))
    return 24 * np.tanh(v / 24)


def heavy_sixty(tws, twa, sails="main+jib"):
    """A heavy 60-footer: slow to wake, then pressed against her hull speed."""
    tws, a = np.asarray(tws, float), np.abs(np.asarray(twa, float))
    b = np.radians(a)
    drive = np.clip(np.sin(np.clip(b - 0.30, 0, None) * np.pi / 2 / (1.75 - 0.30)), 0, 1) ** 0.6
    drive = np.where(b < 1.75, drive, 1 - 0.42 * ((b - 1.75) / (np.pi - 1.75)) ** 2 * (
        3 - 2 * (b - 1.75) / (np.pi - 1.75)))
    x = tws * drive / 13.0
    return 10.4 * x**1.3 / (1 + x**3.2) ** (1.3 / 3.2)


def dinghy(tws, twa, sails="main+jib"):
    """A dinghy that planes: the best angles leap when she does."""
    tws, a = np.asarray(tws, float), np.abs(np.asarray(twa, float))
    b = np.radians(a)
    pull = tws * (1 - np.exp(-((a / 33.0) ** 2))) * (1 - 0.45 * ((1 - np.cos(b)) / 2) ** 3)
    afloat = 5.4 * np.tanh(pull / 8.0)
    plane = 1 / (1 + np.exp(-(pull * np.sin(b) ** 0.3 - 12.5) / 1.0))
    return afloat * (1 + 0.75 * plane * np.sin(b) ** 0.5)


def sine(tws, twa, sails=""):
    """V = 8 sin TWA at all winds above: best VMG at 45 and 135 deg (published closed form)."""
    return 8 * np.tanh(np.asarray(tws, float) / 11) * np.sin(np.radians(np.abs(twa)))


def cardioid(tws, twa, sails=""):
    """V = 6 (1 - cos TWA): best upwind VMG at 60 deg (published closed form)."""
    return 6 * np.tanh(np.asarray(tws, float) / 11) * (1 - np.cos(np.radians(np.abs(twa))))


# ---------------------------------------------------------------- noise
def wander(rng, n, dt, scale_s, sd):
    """Ornstein-Uhlenbeck noise."""
    from scipy.signal import lfilter

    a = np.exp(-dt / scale_s)
    drive = rng.standard_normal(n) * sd * np.sqrt(1 - a * a)
    drive[0] = rng.standard_normal() * sd
    return lfilter([1.0], [1.0, -a], drive)


@dataclass(frozen=True)
class Sea:
    """How a day is sailed."""

    hours: float = 3.0
    rate_hz: float = 1.0
    gust: float = 0.10
    slow_gust: float = 0.12
    masthead: float = 0.08
    response_s: float = 12.0
    day_sd: float = 0.012
    leg_sd: float = 0.012
    trim_sd: float = 0.025
    helm_sd_deg: float = 2.5
    vane_sd_deg: float = 2.0
    wind_noise_kn: float = 0.4
    log_noise_kn: float = 0.12
    kg_sd: float = 0.0
    kg_effect: float = -0.03
    hull_effect: float = 0.0
    """Share of speed lost from the first day of a season to the last."""


def point_of_sail(rng):
    """A target angle as cruising legs have them, and the sails set for it."""
    kind = rng.choice(3, p=[0.4, 0.3, 0.3])
    if kind == 0:
        angle = rng.normal(44, 4)
    elif kind == 1:
        angle = rng.uniform(55, 125)
    else:
        angle = rng.normal(150, 13)
    return float(np.clip(angle, 32, 179))


def choose_sails(rng, angle):
    """Often the right ones, sometimes not; sails change near the crossings."""
    if angle < 72:
        return "main+jib"
    if angle < 105:
        return str(rng.choice(["main+jib", "main+reacher"]))
    if angle < 135:
        return str(rng.choice(["main+jib", "main+reacher", "main+kite"]))
    return str(rng.choice(["main+jib", "main+kite", "main+kite"]))


def sail_day(truth: Truth, date: str, mean_tws: float, sea: Sea = Sea(), seed: int = 0,
             slower: float = 0.0):
    """One day: samples, legs and maneuvers as the analysis takes them."""
    rng = np.random.default_rng(seed)
    dt = 1.0 / sea.rate_hz
    n = int(sea.hours * 3600 / dt)
    base = mean_tws * (1 + np.clip(wander(rng, n, dt, 1500, sea.slow_gust), -0.4, 0.5))
    felt = np.maximum(base * (1 + wander(rng, n, dt, 40, sea.gust)), 0.5)
    seen = np.maximum(felt * (1 + wander(rng, n, dt, 4, sea.masthead))
                      + rng.standard_normal(n) * sea.wind_noise_kn, 0.1)
    shift = 240 + wander(rng, n, dt, 400, 6.0)
    starts, targets, sails, side = [0], [], [], []
    while starts[-1] < n:
        targets.append(point_of_sail(rng))
        side.append(1 if rng.random() < 0.5 else -1)
        sails.append(choose_sails(rng, targets[-1]))
        starts.append(starts[-1] + int(rng.uniform(180, 540) / dt))
    starts[-1] = n
    leg = np.repeat(np.arange(len(targets)), np.diff(starts))[:n]
    helm = wander(rng, n, dt, 14, sea.helm_sd_deg) + wander(rng, n, dt, 90, 1.5)
    off = np.clip(np.array(targets)[leg] + helm, 5, 180)
    twa = off * np.array(side)[leg]
    factor = (1 + rng.normal(0, sea.day_sd)) * (1 + rng.normal(0, sea.leg_sd, len(targets))[leg])
    factor = factor * (1 + wander(rng, n, dt, 45, sea.trim_sd)) * (1 - slower)
    kg = rng.normal(0, sea.kg_sd) if sea.kg_sd else 0.0
    factor = factor * (1 + sea.kg_effect * kg / 1000)
    goal = np.zeros(n)
    name = np.array(sails, dtype=object)[leg]
    for one in set(sails):
        here = name == one
        goal[here] = truth(felt[here], off[here], one)
    goal = goal * factor
    speed = np.empty(n)
    v = goal[0] * 0.8
    gain = 1 - np.exp(-dt / sea.response_s)
    turn = set(starts[1:-1])
    for i in range(n):
        if i in turn:
            v *= 0.65
        v += (goal[i] - v) * gain
        speed[i] = v
    logged = np.maximum(speed + rng.standard_normal(n) * sea.log_noise_kn, 0)
    vane = rng.standard_normal(n) * sea.vane_sd_deg
    t = pd.Timestamp(date, tz="UTC") + pd.to_timedelta(np.arange(n) * dt, unit="s")
    samples = pd.DataFrame({
        "stw_kn": logged, "tws_kn": seen, "twa_deg": (twa + vane + 180) % 360 - 180,
        "twd_deg": (shift + vane) % 360, "vmg_kn": logged * np.cos(np.radians(twa)),
        "leeway_deg": 0.0, "heel_deg": 10.0 * np.sign(twa), "aws_kn": seen, "awa_deg": twa,
        "helm": np.full(n, "Ada", dtype=object), "sails": name,
        "boards": np.full(n, "", dtype=object), "state": np.full(n, "sailing", dtype=object),
        "load_kg": np.full(n, 500.0 + kg),
    }, index=pd.DatetimeIndex(t, name="time").as_unit("us"))
    cuts = np.array(starts[1:-1])
    turn_s = int(12 / dt)
    maneuvers = pd.DataFrame({"start": samples.index[np.maximum(cuts - turn_s // 2, 0)],
                              "end": samples.index[np.minimum(cuts + turn_s // 2, n - 1)],
                              "recovery_s": np.nan})
    first = np.concatenate([[0], cuts + int(20 / dt)])
    last = np.concatenate([cuts - turn_s, [n - 1]])
    ok = last - first > 60 / dt
    legs = pd.DataFrame({"start": samples.index[first[ok]], "end": samples.index[last[ok]],
                         "side": np.where(np.array(side)[ok] > 0, "starboard", "port"),
                         "sails": np.array(sails, dtype=object)[ok],
                         "twa_deg": (np.array(targets) * np.array(side))[ok]})
    return samples, legs, maneuvers


def sail_season(truth: Truth, days: int, sea: Sea = Sea(), seed: int = 0, winds=(6.0, 17.0)):
    """A season's days, dated a week apart."""
    rng = np.random.default_rng(seed)
    dates = pd.date_range("2026-05-02 10:00", periods=days, freq="7D")
    means = rng.uniform(*winds, days)
    for k in range(days):
        slower = sea.hull_effect * k / max(days - 1, 1)
        yield dates[k].strftime("%Y-%m-%d"), sail_day(
            truth, str(dates[k]), means[k], sea, seed * 1000 + k, slower)
