"""Boats, days and sensors drawn at random, and the steady blocks that their days give.

Four kinds of hull, each drawn anew (size, wind scale, where the sails begin to draw, how far she
slows dead downwind, whether and when she planes). Truth is one smooth polar; a day is up to some
per cent faster or slower all over, tilts a little with angle (sea, trim), and each leg differs.
The hull answers by a first-order lag of 2-25 s. The vane's noise is part white, part yaw of a few
seconds. Sensors are right, or wrong by a constant of the season that nobody knows, of which only
the covariance is told; they are wrong before the true wind is worked out, as on a boat.

It shares no line with the package. The lag is filtered exactly, so a day costs some hundredths of a second.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import pandas as pd
from scipy.signal import lfilter

KINDS = ("cruiser", "catamaran", "sixty", "dinghy")
SENSORS = ("stw_factor", "aws_factor", "awa_offset_deg", "leeway_deg", "upwash_deg", "shear_deg")
SENSOR_SD = {"stw_factor": 0.03, "aws_factor": 0.03, "awa_offset_deg": 0.3, "leeway_deg": 0.0,
             "upwash_deg": 1.0, "shear_deg": 0.0}
"""How wrong unknown sensors are once a day's analysis has done what it can (shares, degrees)."""


@dataclass(frozen=True)
class Hull:
    """A boat's polar in closed form, and how she answers."""

    kind: str
    top_kn: float
    wind_kn: float
    rise_deg: float
    drop: float
    bulge: float
    plane: float
    plane_kn: float
    rise_power: float
    lag_s: float
    beat_deg: float
    run_deg: float

    def speed_kn(self, tws_kn, twa_deg):
        """Steady speed, even about 0 and 180 deg."""
        tws, a = np.asarray(tws_kn, float), np.abs(np.asarray(twa_deg, float))
        b = np.minimum(np.radians(a), np.pi)
        drive = 1.0 - np.exp(-((a / self.rise_deg) ** self.rise_power))
        drive = drive * (1.0 + self.bulge * np.sin(b) ** 2 - self.drop * np.sin(b / 2) ** 8)
        pull = tws / self.wind_kn * drive
        v = self.top_kn * pull / (1.0 + pull**2.4) ** (1 / 2.4)
        step = 1.0 / (1.0 + np.exp(-(tws * drive * np.maximum(np.sin(b), 0) ** 0.3 - self.plane_kn) / 1.5))
        return v * (1.0 + self.plane * step * np.maximum(np.sin(b), 0) ** 0.5)


def draw_hull(kind, rng):
    """Draw a boat of a kind."""
    size = rng.uniform(0.9, 1.1)
    usual = {"cruiser": (7.6, 9.0, 34, 0.33, 0.0, 0.0), "catamaran": (17.0, 13.0, 42, 0.45, 0.45, 0.0),
             "sixty": (10.3, 11.5, 36, 0.36, 0.05, 0.0), "dinghy": (5.8, 8.0, 33, 0.30, 0.05, 0.65)}
    top, wind, rise, drop, bulge, plane = usual[kind]
    lags = {"cruiser": (6, 18), "catamaran": (3, 10), "sixty": (12, 25), "dinghy": (2, 6)}
    # from boats that point and hardly slow to ones that stop when pinched
    rise, power = rise * rng.uniform(0.75, 1.15), rng.uniform(1.5, 2.6)
    hull = Hull(kind, top * size, wind * rng.uniform(0.9, 1.1), rise, drop * rng.uniform(0.8, 1.2),
                bulge * rng.uniform(0.7, 1.3), plane * rng.uniform(0.8, 1.2), rng.uniform(11, 14),
                power, rng.uniform(*lags[kind]), 0.0, 0.0)
    fine = np.arange(20.0, 180.1, 0.1)
    made = hull.speed_kn(11.0, fine) * np.cos(np.radians(fine))
    # crews sail near, not at, the best
    return replace(hull, beat_deg=float(fine[np.argmax(made)]) + rng.normal(0, 2),
                   run_deg=min(float(fine[np.argmin(made)]) + rng.normal(0, 5), 176.0))


@dataclass(frozen=True)
class Sailing:
    """How days are sailed and logged; ``errors`` by sensor, as true = logged (1 + e), + e."""

    hours: float = 2.5
    step_s: float = 1.0
    day_sd: float = 0.02
    tilt_sd: float = 0.01
    leg_sd: float = 0.012
    trim_sd: float = 0.025
    vane_sd_deg: float = 2.0
    yaw_sd_deg: float = 1.0
    helm_sd_deg: float = 2.5
    gust: float = 0.10
    masthead: float = 0.08
    errors: dict = field(default_factory=dict)


def draw_sailing(rng, unknown):
    """Draw the manner of a season; with ``unknown`` sensors wrong all season long."""
    errors = {k: float(rng.normal(0, sd)) for k, sd in SENSOR_SD.items()} if unknown else {}
    noise = rng.uniform(1.0, 5.0)
    share = rng.uniform(0.2, 0.6)
    return Sailing(hours=rng.uniform(1.5, 3.5), vane_sd_deg=noise * np.sqrt(1 - share),
                   yaw_sd_deg=noise * np.sqrt(share) * 0.6, helm_sd_deg=rng.uniform(1.5, 3.5),
                   gust=rng.uniform(0.06, 0.14), trim_sd=rng.uniform(0.015, 0.035),
                   day_sd=rng.uniform(0.01, 0.025), errors=errors)


def error_covariance(unknown):
    """Covariance of what is left in the sensors, as the analysis is told it."""
    sd = np.array([SENSOR_SD[k] if unknown else 0.0 for k in SENSORS])
    return pd.DataFrame(np.diag(sd**2), index=list(SENSORS), columns=list(SENSORS))


def wander(rng, n, step_s, scale_s, sd):
    """Ornstein-Uhlenbeck noise."""
    a = np.exp(-step_s / scale_s)
    drive = rng.standard_normal(n) * sd * np.sqrt(1 - a * a)
    drive[0] = rng.standard_normal() * sd
    return lfilter([1.0], [1.0, -a], drive)


def _plan(rng, hull, n, step_s):
    """Start, target angle and side of each leg."""
    starts, target, side = [0], [], []
    share = rng.dirichlet([4, 3, 3])
    while starts[-1] < n:
        kind = rng.choice(3, p=share)
        angle = (hull.beat_deg + rng.normal(0, 2.0) if kind == 0
                 else rng.uniform(60, 130) if kind == 1 else hull.run_deg + rng.normal(0, 7))
        target.append(float(np.clip(angle, 28, 178)))
        side.append(1 if rng.random() < 0.5 else -1)
        starts.append(starts[-1] + int(rng.uniform(180, 600) / step_s))
    starts[-1] = n
    return np.array(starts), np.array(target), np.array(side)


def _triangle(aws, awa_deg, stw):
    x = aws * np.cos(np.radians(awa_deg)) - stw
    y = aws * np.sin(np.radians(awa_deg))
    return np.hypot(x, y), np.degrees(np.arctan2(y, x))


def sail(hull, how, date, mean_tws_kn, rng):
    """One day: samples, legs and maneuvers as the analysis takes them."""
    dt, n = 1.0, int(how.hours * 3600)
    base = mean_tws_kn * (1 + np.clip(wander(rng, n, dt, 1500, 0.12), -0.4, 0.5))
    felt = np.maximum(base * (1 + wander(rng, n, dt, 40, how.gust)), 0.5)
    starts, target, side = _plan(rng, hull, n, dt)
    leg = np.repeat(np.arange(target.size), np.diff(starts))
    off = np.clip(target[leg] + wander(rng, n, dt, 14, how.helm_sd_deg)
                  + wander(rng, n, dt, 90, 1.5), 12, 180)
    tilt = rng.normal(0, how.tilt_sd) * np.cos(np.radians(off))
    factor = (1 + rng.normal(0, how.day_sd) + tilt) * (
        1 + rng.normal(0, how.leg_sd, target.size)[leg]) * (1 + wander(rng, n, dt, 45, how.trim_sd))
    goal = hull.speed_kn(felt, off) * factor
    a, speed, before = np.exp(-dt / hull.lag_s), np.empty(n), goal[0]
    for first, last in pairwise(starts):
        speed[first:last], _ = lfilter([1 - a], [1, -a], goal[first:last], zi=[a * before])
        before = 0.65 * speed[last - 1]
    truth = off * side[leg]
    masthead = np.maximum(felt * (1 + wander(rng, n, dt, 4, how.masthead)), 0.1)
    seen = truth + rng.standard_normal(n) * how.vane_sd_deg + wander(rng, n, dt, 3, how.yaw_sd_deg)
    ahead = masthead * np.cos(np.radians(seen)) + speed
    abeam = masthead * np.sin(np.radians(seen))
    e = {k: how.errors.get(k, 0.0) for k in SENSORS}
    awa = np.degrees(np.arctan2(abeam, ahead))
    awa = awa - e["awa_offset_deg"] + e["upwash_deg"] * _lift(awa) * np.sign(awa)
    aws = np.hypot(ahead, abeam) / (1 + e["aws_factor"])
    stw = np.maximum(speed + rng.standard_normal(n) * 0.12, 0) / (1 + e["stw_factor"])
    tws, twa = _triangle(aws, awa, stw)
    shift = 240 + wander(rng, n, dt, 400, 6.0)
    index = pd.DatetimeIndex(pd.Timestamp(date, tz="UTC") + pd.to_timedelta(np.arange(n), unit="s"),
                             name="time").as_unit("us")
    samples = pd.DataFrame({
        "stw_kn": stw, "tws_kn": tws, "twa_deg": twa, "twd_deg": (shift + twa - truth) % 360,
        "vmg_kn": stw * np.cos(np.radians(twa)), "leeway_deg": 0.0, "heel_deg": 0.0, "aws_kn": aws,
        "awa_deg": awa, "helm": "Ada", "sails": "main+jib", "boards": "", "state": "sailing",
        "load_kg": np.nan}, index=index)
    return samples, *_legs(index, starts, target * side)


def _lift(awa_deg):
    """Share of full lift of the sails: all upwind, none beyond 120 deg."""
    return np.clip((120.0 - np.abs(awa_deg)) / 75.0, 0.0, 1.0)


def _legs(index, starts, twa):
    cuts, n = starts[1:-1], len(index)
    maneuvers = pd.DataFrame({"start": index[np.maximum(cuts - 6, 0)],
                              "end": index[np.minimum(cuts + 6, n - 1)], "recovery_s": np.nan})
    first, last = np.append(0, cuts + 20), np.append(cuts - 12, n - 1)
    ok = last - first > 60
    return pd.DataFrame({
        "start": index[first[ok]], "end": index[last[ok]], "sails": "main+jib",
        "side": np.where(twa[ok] > 0, "starboard", "port"), "twa_deg": twa[ok]}), maneuvers


def days_of(hull, how, count, seed, winds=(6.0, 17.0)):
    """A season's days, dated a week apart: date, samples, legs, maneuvers."""
    rng = np.random.default_rng([seed, 77])
    for date in pd.date_range("2026-05-02 10:00", periods=count, freq="7D"):
        yield str(date)[:10], *sail(hull, how, str(date), rng.uniform(*winds), rng)
