"""Days whose changes are trials: courses, tacks, helms, handling, rounded marks, and a truth.

A change of sails or trim takes minutes of luffed, slowed sailing; the course, the wind and the
helm go their own way in between; the crew log is late and rounded. Nothing is shared with the
package but its records.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sailanalysis.core.model import CrewEntry, CrewLog
from seas.trials import noise

T0 = pd.Timestamp("2031-06-01 09:00:07", tz="UTC")


def base_speed(tws, twa, cat):
    """Speed under the first sail set; a catamaran follows the wind further and likes it abeam."""
    top, scale = (16.0, 15.0) if cat else (8.2, 9.0)
    shape = np.sin(np.radians(np.clip((twa - 22.0) * 0.95, 8, 150))) ** (0.7 if cat else 0.45)
    return top * shape * (1 - np.exp(-tws / scale))


@dataclass
class Sailed:
    samples: pd.DataFrame
    maneuvers: pd.DataFrame
    crew: CrewLog
    speed_model: object
    truth: pd.DataFrame


def sailed_day(seed, cat=False, hours=5.0, gains=None, shift_s=0.0, late_s=150.0, round_s=300,
               trims=True, course_with_it=0.25, heel=True):
    """A day of reaching with sail changes behind handling.

    ``truth`` has a row a change: ``time_s`` (handling begins), ``end_s``, ``item``, ``gain_kn``,
    ``comparable`` (like angles on one tack within the half hour on either side).
    """
    rng = np.random.default_rng(seed)
    n = int(hours * 3600)
    t = np.arange(n)
    tws0 = rng.uniform(8, 16)
    slow = tws0 * (1 + 0.08 * noise(rng, n, 1, 1500.0) + rng.normal(0, 0.04) * t / 3600)
    gust = slow * (1 + 0.09 * noise(rng, n, 1, 25.0))
    # Courses: a new angle every 20-45 min, now and then a tack or gybe.
    want, side = np.empty(n), np.empty(n)
    turns, i, s, angle = [], 0, 1.0, rng.uniform(60, 120)
    cat_angle = 8.0 if cat else 0.0
    legs = []
    while i < n:
        length = int(rng.uniform(1200, 2700))
        want[i:i + length], side[i:i + length] = angle, s
        legs.append((i, min(n, i + length), angle, s))
        i += length
        was, was_s = angle, s
        if rng.random() < 0.6:
            angle = float(np.clip(angle + rng.normal(0, 12), 50 + cat_angle, 135))
        else:
            angle = rng.uniform(50 + cat_angle, 135)
        if rng.random() < 0.3:
            s = -s
        if i < n and (s != was_s or abs(angle - was) > 15):
            kind = ("tack" if angle + was < 180 else "gybe") if s != was_s else (
                "bear_away" if angle > was else "head_up")
            turns.append((kind, i, i + 15))
    twa = want + 3.0 * noise(rng, n, 1, 40.0) + 3.0 * noise(rng, n, 1, 400.0)
    # Changes every 25-45 min, some together with a new course.
    changes, k = [], int(rng.uniform(1200, 1800))
    starts = [a for a, *_ in legs[1:]]
    while k < n - 1500:
        at = k
        if rng.random() < course_with_it and starts:
            near = [a for a in starts if abs(a - k) < 900]
            at = near[0] + 20 if near else k
        if not changes or at - changes[-1] > 900:
            changes.append(at)
        k += int(rng.uniform(1500, 2700))
    extra, pace, luff = np.zeros(n), np.ones(n), np.zeros(n)
    entries, truth = [], []
    first, second = "main+jib", "main+reacher"
    entries.append(CrewEntry(T0.timestamp() + 5, "sails", first))
    now = first
    gain_of_day = rng.choice([0.0, rng.uniform(0.25, 0.5), rng.uniform(0.5, 1.2)]) * rng.choice(
        [1, -1]) if gains is None else gains
    heel_step = rng.uniform(1.0, 3.0)
    lean = np.zeros(n)
    for at in changes:
        handle = int(rng.uniform(120, 240))
        pace[at:at + handle] *= rng.uniform(0.55, 0.8)
        luff[at:at + handle] = rng.uniform(8, 25) * rng.choice([1, -1])
        now, sign = (second, 1) if now == first else (first, -1)
        extra[at + handle:] += sign * gain_of_day
        lean[at + handle:] += sign * heel_step
        entries.append(("sails", at, now))
        truth.append({"time_s": T0.timestamp() + at, "end_s": T0.timestamp() + at + handle,
                      "item": "sails", "gain_kn": sign * gain_of_day})
    if trims:
        for at in rng.uniform(900, n - 900, 3):
            at = int(at)
            if min([abs(at - c) for c in changes] or [1e9]) < 400:
                continue
            effect = rng.choice([0.0, 0.3]) * rng.choice([1, -1])
            extra[at:] += effect
            entries.append(("trim", at, "mainsheet eased 20 cm"))
            truth.append({"time_s": T0.timestamp() + at, "end_s": T0.timestamp() + at,
                          "item": "trim", "gain_kn": effect})
    helm, names = np.empty(n, dtype=object), ("Marit", "Jonas")
    skill = dict(zip(names, (0.0, rng.normal(0, 0.015)), strict=True))
    i, who = 0, 0
    while i < n:
        length = int(rng.uniform(1800, 4500))
        helm[i:i + length] = names[who]
        i, who = i + length, 1 - who
    twa = twa - luff
    felt = gust + 0.04 * slow * noise(rng, n, 1, 8.0)
    level = base_speed(felt, twa, cat)
    goal = (level * (1 + np.array([skill[h] for h in helm])) * (1 + 0.008 * noise(rng, n, 1, 700.0))
            + extra) * pace
    for kind, a, b in turns:
        if kind in ("tack", "gybe"):
            goal[a:b] *= 0.5
    lag = rng.uniform(8, 18)
    v = np.empty(n)
    x = goal[0]
    for i in range(n):
        x += (goal[i] - x) / lag
        v[i] = x
    v = v + 0.1 * noise(rng, n, 1, 2.0)
    index = pd.DatetimeIndex(T0 + pd.to_timedelta(t, unit="s"), name="time").as_unit("us")
    samples = pd.DataFrame({
        "stw_kn": np.round(v, 2), "tws_kn": gust + 0.03 * slow * rng.standard_normal(n),
        "twa_deg": (twa + 2.0 * rng.standard_normal(n)) * side, "helm": helm,
        "state": np.full(n, "sailing", dtype=object)}, index=index)
    if heel:
        samples["heel_deg"] = -side * (
            (0.03 if cat else 0.09) * felt**2 * np.sin(np.radians(twa)) + (0.4 if cat else 1.0) * lean
            + 1.0 * noise(rng, n, 1, 3.0))
    maneuvers = pd.DataFrame([{"kind": k, "start": index[a], "end": index[min(b, n - 1)]}
                              for k, a, b in turns], columns=["kind", "start", "end"])
    if not len(maneuvers):
        maneuvers = pd.DataFrame({"kind": [], "start": pd.to_datetime([], utc=True),
                                  "end": pd.to_datetime([], utc=True)})
    out = [entries[0]]
    for item, at, value in entries[1:]:
        when = T0.timestamp() + at + rng.uniform(-late_s, late_s)
        when = round(when / round_s) * round_s if round_s else when
        out.append(CrewEntry(when + shift_s, item, value))
    out[0] = CrewEntry(out[0].time_s + shift_s, out[0].item, out[0].value)
    slope = rng.normal(0, 0.2)

    def speed_model(wind, off):
        middle = base_speed(np.full_like(wind, tws0), np.full_like(wind, 90.0), cat)
        return 0.97 * middle + (1 + slope) * (base_speed(wind, np.abs(off), cat) - middle)

    table = pd.DataFrame(truth)
    table["comparable"] = [_comparable(r.time_s - T0.timestamp(), r.end_s - T0.timestamp(), want,
                                       side, changes) for r in table.itertuples()]
    crew = CrewLog(tuple(sorted(out, key=lambda e: e.time_s)))
    return Sailed(samples, maneuvers, crew, speed_model, table)


def _comparable(a, b, want, side, changes):
    """Three minutes of one tack within 6 deg on either side, within half an hour and no other
    sail change."""
    a, b = int(a), int(b)
    low = max([c + 240 for c in changes if c < a - 1] + [a - 1800, 0])
    high = min([c for c in changes if c > a + 1] + [b + 1800, len(want)])
    before = (want * side)[low:a:10]
    after = (want * side)[b + 60:high:10]
    if before.size < 18 or after.size < 18:
        return False
    near = np.abs(before[:, None] - after[None, :]) < 6
    return bool((near.any(axis=1).sum() >= 24) and (near.any(axis=0).sum() >= 24))
