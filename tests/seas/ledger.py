"""A boat whose losses are known one by one: the same hours sailed again without each of them.

One second a step. Speed follows a smooth polar with a time constant; legs differ by a factor (trim);
helms sail off the best angle by a bias; the rudder's drag takes a share of speed; turns and luffs are
sailed through the wind with sails that flog and refill. Every run of one day has the same wind, waves,
helm's wander and leg factors, so that the difference of two runs is the one thing that was changed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from sailanalysis.core.model import Boat, Rudder
from sailanalysis.helm import rate_helming
from sailanalysis.ledger import Reference, make_ledger
from sailanalysis.ledger.cells import cut_cells
from sailanalysis.maneuvers import find_legs, find_maneuvers
from sailanalysis.maneuvers.rate import rate_maneuvers
from sailanalysis.polar import fit_polar, targets_table
from sailanalysis.segment import steady_averages

START_S = 1_750_000_000.0
WELL = 1.2815515655446004
SETS = ("main+jib", "main+code")
BOAT = Boat(name="", loa_m=11.0, lwl_m=9.8, displacement_kg=6500.0, rudder=Rudder(1, 0.55, 1.3))


@dataclass(frozen=True)
class Craft:
    vmax_kn: float = 9.0
    tau_s: float = 9.0
    leg_sd: float = 0.02
    turn_s: float = 9.0
    crew_s: float = 5.0
    rudder_true: float = 1.0  # true drag over the textbook's


@dataclass(frozen=True)
class Habits:
    """How a day is sailed: what the runs without a loss take out."""

    turns: bool = True
    luffs: bool = True
    rudder: bool = True
    trim: bool = True  # legs' own factors; else all as the best tenth
    right_sail: bool = False
    best_angle: bool = False


def speed_kn(craft: Craft, tws, twa, sails=SETS[0]):
    a = np.abs(twa)
    draw = np.maximum(np.tanh((a - 20.0) / 16.0), 0.0) * (0.55 + 0.75 * np.exp(-(((a - 105.0) / 45.0) ** 2)))
    code = 0.80 + 0.38 / (1.0 + np.exp(-(a - 88.0) / 10.0))
    draw = draw * np.where(np.asarray(sails) == SETS[1], code, 1.0)
    return craft.vmax_kn * (1.0 - np.exp(-np.asarray(tws) / 8.0 * draw))


def best_angle(craft: Craft, tws, aim):
    """On a lattice of winds, interpolated."""
    winds = np.arange(2.0, 31.0, 1.0)
    angles = np.arange(25.0, 88.0, 0.25) if aim > 0 else np.arange(95.0, 180.0, 0.25)
    vmg = speed_kn(craft, winds[:, None], angles[None, :]) * np.cos(np.radians(angles)) * aim
    return np.interp(tws, winds, angles[np.argmax(vmg, axis=1)])


def ou(rng, n, sd, tau_s):
    from scipy.signal import lfilter

    keep = np.exp(-1.0 / tau_s)
    x = rng.normal(0.0, sd * np.sqrt(1 - keep**2), n)
    x[0] = rng.normal(0.0, sd)
    return lfilter([1.0], [1.0, -keep], x)


@dataclass
class Day:
    """One day's fixed part: wind, plan, factors, noise."""

    craft: Craft
    seed: int
    tws_kn: float
    bias: tuple[float, float]  # degrees off the best angle, upwind and downwind
    rudder_deg: float
    reach: tuple[float, str]
    minutes: tuple[float, float, float] = (36.0, 14.0, 26.0)

    def __post_init__(self):
        rng = np.random.default_rng([self.seed, 71])
        beat, reach, run = (int(60 * m) for m in self.minutes)
        n = self.n = beat + reach + run
        self.t = np.arange(n, dtype=float)
        self.tws = self.tws_kn * np.maximum(0.3, 1 + ou(rng, n, 0.09, 300.0) + ou(rng, n, 0.05, 30.0))
        self.twd = 210.0 + ou(rng, n, 4.0, 250.0) + ou(rng, n, 1.5, 40.0)
        self.felt = pd.Series(self.twd).ewm(alpha=0.2).mean().to_numpy()
        self.slow = pd.Series(self.tws).ewm(alpha=0.03).mean().to_numpy()
        self.aim = np.where(self.t < beat, 1, np.where(self.t < beat + reach, 0, -1))
        self.sails = np.where(self.aim == 0, self.reach[1], SETS[0]).astype(object)
        self.wander = ou(rng, n, 2.0, 12.0)
        wave = np.sin(2 * np.pi * np.cumsum(1.0 / 5.5 * (1 + 0.2 * ou(rng, n, 1.0, 15.0))))
        self.rudder = self.rudder_deg * (wave * np.sqrt(1.2) + ou(rng, n, 0.6, 3.0)) \
            * np.abs(1 + ou(rng, n, 0.25, 60.0))
        self.yaw = 0.8 * wave
        self.turns, self.luffs = [], []  # (start, kind)
        t = 200
        while t < n - 200:
            if abs(t - beat) < 150 or beat - 60 < t < beat + reach + 150:
                t += 60
                continue
            self.turns.append(t)
            t += int(rng.uniform(230, 360))
        for a, b in pairwise(self.turns):
            if b - a > 320 and b < beat:
                self.luffs.append((a + b) // 2 + 10)
        self.new_course = [beat, beat + reach]
        cuts = sorted([*self.turns, *self.new_course])
        self.leg = np.searchsorted(cuts, self.t, side="right")
        self.factor = (1 + rng.normal(0.0, self.craft.leg_sd, len(cuts) + 1))[self.leg]
        self.side0 = 1 if rng.random() < 0.5 else -1
        self.turn_s = self.craft.turn_s * rng.uniform(0.8, 1.5, len(self.turns))
        self.noise = rng.integers(2**31)

    def rudder_share(self):
        """Share of speed that the moving rudder takes, by the textbook times the truth."""
        aspect = 2 * 1.3**2 / 0.55
        slope = 1.8 * np.pi * aspect / (1.8 + np.sqrt(aspect**2 + 4))
        v = 6.0 * 0.5144
        lift = slope * np.radians(self.rudder)
        drag = 0.5 * 1025 * v**2 * 0.55 * lift**2 / (np.pi * 0.9 * aspect)
        from sailanalysis.helm.rudder import hull_resistance_n
        r, low, high = (float(hull_resistance_n(9.8, 6500.0, x)) for x in (6.0, 5.82, 6.18))
        power = np.log(high / low) / np.log(6.18 / 5.82)
        return self.craft.rudder_true * drag / r / power

    def sail(self, habits: Habits, named=None):
        """Speed, wind angle and way made, second by second."""
        craft, n = self.craft, self.n
        wanted = np.empty(n)
        for aim, bias in ((1, self.bias[0]), (-1, self.bias[1])):
            m = self.aim == aim
            wanted[m] = best_angle(craft, self.slow[m], aim) + (0.0 if habits.best_angle else bias)
        wanted[self.aim == 0] = self.reach[0]
        wanted = pd.Series(wanted).rolling(11, min_periods=1, center=True).mean().to_numpy()
        side = np.full(n, self.side0, dtype=float)
        for t in self.turns:
            side[t:] *= -1
        signed = side * wanted
        drive = np.ones(n)
        if habits.turns:
            for t, s in zip(self.turns, self.turn_s, strict=True):
                a, b = int(t - s / 2), int(t + s / 2)
                x = np.linspace(0, 1, b - a)
                x = x * x * (3 - 2 * x)
                one, two = signed[a - 1], signed[b]
                if self.aim[t] < 0:  # through the stern
                    one, two = one % 360, two % 360
                signed[a:b] = (one + (two - one) * x + 180) % 360 - 180
                after = np.arange(n - t)
                drive[t:] *= 1 - (0.9 if self.aim[t] > 0 else 0.4) * np.exp(-after / craft.crew_s)
        if habits.luffs:
            for t in self.luffs:
                x = np.interp(np.arange(t - 5, t + 25), [t - 5, t, t + 18, t + 25], [0, 1, 1, 0])
                signed[t - 5:t + 25] = np.sign(signed[t - 5:t + 25]) * (
                    np.abs(signed[t - 5:t + 25]) * (1 - x) + 14.0 * x)
        twa = signed + side * self.wander + (self.twd - self.felt)
        factor = self.factor if habits.trim else np.full(n, 1 + WELL * craft.leg_sd)
        lost = self.rudder_share() if habits.rudder else np.zeros(n)
        target = speed_kn(craft, self.tws, twa, self.sails)
        if habits.right_sail and named is not None:
            best = speed_kn(craft, self.tws, twa, named)
            target = np.where(named != "", best, target)
        target = target * factor * (1 - lost) * drive
        u = np.empty(n)
        u[0] = target[0]
        keep = np.exp(-1.0 / craft.tau_s)
        for i in range(1, n):
            u[i] = target[i] + (u[i - 1] - target[i]) * keep
        way = np.where(self.aim == 0, u, self.aim * u * np.cos(np.radians(twa)))
        return u, twa, way

    def truth(self, reference: Reference, cells, untold=()):
        """Minutes and miles of each item: run against run, in the order of the account.

        Stretches of which the ledger tells nothing are left out.
        """
        told = np.ones(self.n, dtype=bool)
        zero = START_S + 86400 * (self.seed % 97)
        for start, end in untold:
            told[(self.t >= start - zero) & (self.t < end - zero)] = False
        runs = [("did", Habits())]
        steps = (("turns", {"turns": False}), ("handling", {"luffs": False}), ("rudder", {"rudder": False}),
                 ("speed", {"trim": False}), ("sail", {"right_sail": True}), ("angle", {"best_angle": True}))
        for name, change in steps:
            runs.append((name, replace(runs[-1][1], **change)))
        named = np.full(self.n, "", dtype=object)
        for sails in SETS:
            rows = np.flatnonzero((cells.sails == sails) & np.isfinite(cells.tws_kn) & (cells.window < 0))
            names = reference.faster_set(cells.tws_kn[rows], cells.twa_deg[rows], sails)[1]
            for row, name in zip(rows, names, strict=True):
                first = cells.start_s[row] - zero
                named[(self.t >= first) & (self.t < first + cells.seconds[row])] = name
        ways = [self.sail(habits, named)[2] for _, habits in runs]
        best = np.maximum(pd.Series(ways[-1]).rolling(31, min_periods=1, center=True).mean().to_numpy(), 0.3)
        aimed = np.ones(self.n, dtype=bool)  # where a best angle is known
        for row in np.flatnonzero((cells.window < 0) & (cells.aim != 0)):
            if np.isnan(reference.best_angle(cells.tws_kn[row:row + 1], int(cells.aim[row]))[0]):
                first = cells.start_s[row] - zero
                aimed[(self.t >= first) & (self.t < first + cells.seconds[row])] = False
        out = {}
        for (name, _), before, after in zip(runs[1:], ways[:-1], ways[1:], strict=True):
            gain, use = after - before, told & aimed if name == "angle" else told
            out[name] = (float((gain / best)[use].sum() / 60.0), float(gain[use].sum() / 3600.0))
        did = told.sum() / 60.0, float(ways[0][told].sum() / 3600.0)
        lost = np.sum(list(out.values()), axis=0)
        out["could"] = float(did[0] - lost[0]), float(did[1] + lost[1])
        return out

    def samples(self, error=(0.0, 0.0, 0.0)):
        """As logged and corrected; ``error`` is what is left: share of speed, of wind, degrees of vane."""
        rng = np.random.default_rng([self.seed, 5])
        u, twa, _ = self.sail(Habits())
        n = self.n
        hdg = self.twd - twa + self.yaw
        stw = np.maximum(0.0, u * (1 + error[0]) + rng.normal(0, 0.06, n))
        angle = twa - self.yaw + error[2] + rng.normal(0, 2.0, n)
        tws = np.maximum(0.1, self.tws * (1 + error[1]) + rng.normal(0, 0.3, n)
                         + ou(rng, n, 0.02 * self.tws_kn, 20.0))
        angle = (angle + 180) % 360 - 180
        frame = pd.DataFrame({
            "stw_kn": stw, "sog_kn": stw, "hdg_deg": (hdg + rng.normal(0, 0.5, n)) % 360,
            "tws_kn": tws, "twa_deg": angle})
        frame["cog_deg"] = frame["hdg_deg"]
        frame["twd_deg"] = (frame["hdg_deg"] + angle) % 360
        ahead = tws * np.cos(np.radians(angle)) + stw
        abeam = tws * np.sin(np.radians(angle))
        frame["awa_deg"], frame["aws_kn"] = np.degrees(np.arctan2(abeam, ahead)), np.hypot(ahead, abeam)
        frame["vmg_kn"] = stw * np.cos(np.radians(angle))
        frame["rudder_deg"] = self.rudder + rng.normal(0, 0.2, n)
        frame["leeway_deg"], frame["heel_deg"] = 0.0, np.nan
        frame["state"], frame["doing"], frame["sailing_probability"] = "sailing", "sailing", 1.0
        frame["helm"], frame["sails"], frame["boards"] = "Marit", self.sails, ""
        frame["load_kg"] = np.nan
        frame.index = pd.DatetimeIndex(pd.to_datetime((START_S + 86400 * (self.seed % 97) + self.t) * 1e3,
                                                      unit="ms", utc=True), name="time")
        return frame


def drawn(seed: int, craft: Craft, training: bool = False) -> Day:
    rng = np.random.default_rng([seed, 3])
    reach = float(rng.uniform(60, 122)), SETS[int(rng.random() < 0.5)]
    bias = (rng.normal(0, 2.0), rng.normal(0, 3.0)) if training else (
        float(rng.choice([-1, 1]) * rng.uniform(1, 6)), float(rng.choice([-1, 1]) * rng.uniform(1, 8)))
    return Day(craft, seed, float(rng.uniform(10, 15)), bias, float(rng.uniform(1.0, 4.0)), reach)


def craft_of(seed: int) -> Craft:
    rng = np.random.default_rng([seed, 9])
    return Craft(rng.uniform(8, 11), rng.uniform(5, 14), 0.02, rng.uniform(7, 12), rng.uniform(3, 8),
                 float(np.exp(rng.normal(0, 0.3))))


def left(seed: int):
    """What a calibration leaves on one day: share of boat speed and wind speed, degrees of vane."""
    rng = np.random.default_rng([seed, 11])
    return rng.normal(0, 0.005), rng.normal(0, 0.01), rng.normal(0, 0.5)


def worked(day: Day, error):
    """Samples, maneuvers, legs, blocks of a day by the rooms themselves."""
    samples = day.samples(error)
    maneuvers = find_maneuvers(samples, BOAT)
    legs = find_legs(samples, maneuvers, BOAT)
    return samples, maneuvers, legs, steady_averages(samples, legs, maneuvers, day=str(day.seed))


def season_of(seed: int, days: int = 8):
    """A boat's polar from earlier days, as the memory lends it (no draws of its own)."""
    craft = craft_of(seed)
    blocks = [worked(drawn(seed * 1000 + k, craft, True), left(seed * 1000 + k))[3] for k in range(1, days + 1)]
    model = fit_polar(pd.concat(blocks, ignore_index=True), replicates=2)
    return craft, replace(model, surfaces={
        name: replace(one, replicates_kn=one.replicates_kn[:0]) for name, one in model.surfaces.items()})


def judged(day: Day, reference: Reference | None):
    """The day's ledger by the rooms, and the truth."""
    samples, maneuvers, legs, blocks = worked(day, left(day.seed))
    if reference is None:
        model = fit_polar(blocks)
        reference = Reference(model, targets_table(model), False)
    maneuvers, _ = rate_maneuvers(samples, maneuvers, legs, reference.model.speed_kn, BOAT)
    helm, _ = rate_helming(samples, legs, maneuvers, BOAT)
    ledger = make_ledger(samples, maneuvers, helm, [reference])
    cells = cut_cells(samples, maneuvers)
    truth = day.truth(reference, cells, ledger.untold)
    return ledger, truth
