"""Can the instruments be believed: dropouts, faults, noise, lag, and the two tacks compared."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, unwrap
from sailanalysis.core.channels import CHANNELS
from sailanalysis.core.model import Conditioned
from sailanalysis.core.series import (
    angle_rate_deg_s,
    epoch_s,
    running_mean,
    runs,
    step_s,
    true_stretches,
)
from sailanalysis.core.stats import MAD_TO_SD, MEDIAN_SE, Z95

CHECKED: Final = ("lat", "sog_kn", "cog_deg", "stw_kn", "hdg_deg", "hdg_mag_deg", "awa_deg",
                  "aws_kn", "rudder_deg", "heel_deg", "trim_deg", "rate_of_turn_deg_s", "depth_m")
NOISY: Final = {
    # Sample-to-sample noise above which averages of a minute begin to suffer (common practice).
    "sog_kn": 0.3, "stw_kn": 0.4, "hdg_deg": 3.0, "hdg_mag_deg": 3.0, "awa_deg": 8.0,
    "aws_kn": 1.5, "rudder_deg": 2.0, "heel_deg": 3.0, "cog_deg": 10.0,
}
MASTHEAD_KN: Final = 2.0
"""How fast a masthead swings in a seaway (15 m, 3 deg every 5 s: 1 m/s): in little wind the vane
shows that, and no fault."""
LEAST_RATE_HZ: Final = 0.5
"""Readings further apart differ because the boat did: that is no noise."""
CURE: Final = {
    "lat": "check the antenna's view of the sky and its plug",
    "sog_kn": "check the antenna's view of the sky and its plug",
    "cog_deg": "check the antenna's view of the sky and its plug",
    "stw_kn": "clean the paddle wheel and check its plug",
    "hdg_deg": "move the compass away from iron and loudspeakers, and check its plug",
    "hdg_mag_deg": "move the compass away from iron and loudspeakers, and check its plug",
    "awa_deg": "look at the vane and the masthead plug",
    "aws_kn": "look at the cups, their bearing and the masthead plug",
    "rudder_deg": "check the rudder sensor's linkage",
    "heel_deg": "check the motion sensor's mounting and plug",
    "trim_deg": "check the motion sensor's mounting and plug",
    "rate_of_turn_deg_s": "check the gyro's mounting and plug",
    "depth_m": "check the depth sounder",
}
MIN_TURNS: Final = 4
TURN_RATE_DEG_S: Final = 3.0
LAG_NOTED_S: Final = {"apparent wind angle": 2.0, "boat speed": 2.0, "course over ground": 5.0}
"""A later vane or log smears a tack's slowest moment; a later course only sways set and drift."""


@dataclass(frozen=True)
class HealthResult:
    """How the instruments did.

    Attributes
    ----------
    sensors : DataFrame
        One row a channel: ``channel, label, unit, source, rate_hz, present_share, dropouts,
        longest_gap_s, spikes, stuck_share, left_out_share, noise, repeats_share, verdict,
        advice``; ``verdict`` is ``good``, ``fair`` or ``poor``.
    lags : DataFrame
        ``sensor, against, lag_s, low_s, high_s, count, advice``; positive is late.
    asymmetry : DataFrame
        Upwind, by tack: ``quantity, unit, starboard, port, difference, low, high,
        legs_starboard, legs_port, advice``.
    sentences : tuple of str
        What to do, the most pressing first.
    """

    sensors: pd.DataFrame
    lags: pd.DataFrame
    asymmetry: pd.DataFrame
    sentences: tuple[str, ...]


def sensor_health(cond: Conditioned, samples: pd.DataFrame) -> HealthResult:
    """Judge every sensor of the day.

    Parameters
    ----------
    cond : Conditioned
    samples : DataFrame
        Corrected, on the same clock.
    """
    time = epoch_s(samples.index)
    sensors = _sensors(cond, samples, time)
    lags = _lags(cond, samples, time)
    asymmetry = _asymmetry(samples, time)
    order = {"poor": 0, "fair": 1, "good": 2}
    ranked = sensors.assign(rank=sensors["verdict"].map(order)).sort_values("rank", kind="stable")
    sentences = [
        f"{row['label'].capitalize()} {row['advice']}"
        for row in ranked[ranked["rank"] < 2].to_dict("records")
    ]
    sentences += [a for a in lags.get("advice", []) if a]
    sentences += [a for a in asymmetry.get("advice", []) if a]
    if not sentences:
        sentences = ["No fault was found in any sensor; nothing to do."]
    return HealthResult(sensors, lags, asymmetry, tuple(sentences))


def _sensors(cond: Conditioned, samples: pd.DataFrame, time: Floats) -> pd.DataFrame:
    """One row for every checked channel that any source gave."""
    rows = []
    duration = max(time.size, 1)
    at_rest = (samples["state"].to_numpy(dtype=object) == "stopped" if "state" in samples
               else np.zeros(time.size, dtype=bool))
    aws = float(cond.samples["aws_kn"].median()) if "aws_kn" in cond.samples else float("nan")
    swing_deg = float(np.degrees(MASTHEAD_KN / max(aws, MASTHEAD_KN))) if aws > 0 else 0.0
    gone = cond.left_out
    given = set(cond.samples.columns) | set(gone["channel"])
    for name in (c for c in CHECKED if c in given):
        mine = gone[gone["channel"] == name]
        chosen = cond.sources[(cond.sources["channel"] == name) & cond.sources["chosen"]]
        source = str(chosen["source"].iloc[0]) if len(chosen) else (
            str(mine["source"].iloc[0]) if len(mine) else "")
        mine = mine[mine["source"] == source]
        value = (cond.samples[name].to_numpy(dtype=float) if name in cond.samples
                 else np.full(time.shape, np.nan))
        # Rows where the logger itself ran; a hole in all channels is not this sensor's. Before its
        # first word a sensor was not switched on; at rest the course over ground says nothing.
        silent = ~np.isfinite(value)
        expected = np.ones(time.size, dtype=bool)
        if not silent.all():
            expected[: int(np.argmin(silent))] = False
        if name in ("sog_kn", "cog_deg"):
            expected &= ~at_rest
        missing = true_stretches(silent & expected)
        step = step_s(time) if time.size > 1 else 1.0
        holes = [(s.stop - s.start) * step for s in missing]
        spikes = int(mine.loc[mine["reason"].isin(["spike", "position jump"]), "count"].sum())
        row: dict[str, Any] = {
            "channel": name, "label": "position" if name == "lat" else CHANNELS[name].label,
            "unit": CHANNELS[name].unit, "source": source,
            "rate_hz": float(cond.native_rate_hz.get(name, np.nan)),
            "present_share": float(np.isfinite(value).sum() / duration),
            "dropouts": len(holes), "longest_gap_s": float(max(holes, default=0.0)),
            "spikes": spikes,
            "stuck_share": float(mine.loc[mine["reason"] == "stuck", "share"].sum()),
            "left_out_share": float(mine["share"].sum()),
            "noise": float(chosen["noise"].iloc[0]) if len(chosen) else float("nan"),
            "repeats_share": _repeats(value, cond.native_rate_hz.get(name, 0.0), cond.rate_hz),
        }
        lacking = float((silent & expected).sum() / max(expected.sum(), 1))
        limit = NOISY.get(name, np.inf) if row["rate_hz"] >= LEAST_RATE_HZ else np.inf
        if name == "awa_deg":
            limit = float(np.hypot(limit, swing_deg))
        row["verdict"], row["advice"] = _verdict(CURE[name], row, lacking, limit)
        rows.append(row)
    columns = ["channel", "label", "unit", "source", "rate_hz", "present_share", "dropouts",
               "longest_gap_s", "spikes", "stuck_share", "left_out_share", "noise",
               "repeats_share", "verdict", "advice"]
    return pd.DataFrame(rows, columns=columns)


def _repeats(value: Floats, native_hz: float, rate_hz: float) -> float:
    """Share of readings equal to the one before: a display's value sent again and again."""
    if not native_hz or native_hz <= 0:
        return float("nan")
    every = max(1, round(rate_hz / native_hz))
    x = value[::every]
    x = x[np.isfinite(x)]
    return float(np.mean(np.diff(x) == 0.0)) if x.size > 1 else float("nan")


def _verdict(cure: str, row: dict[str, Any], lacking: float, noisy: float) -> tuple[str, str]:
    """Verdict and one sentence, the gravest reason first."""
    if row["stuck_share"] > 0.5:
        return "poor", f"gave the very same reading nearly all day and was left out; {cure}."
    if row["stuck_share"] > 0.01:
        return "poor", (f"stood still for {100 * row['stuck_share']:.0f} % of the time while the "
                        f"boat sailed; {cure}.")
    if lacking > 0.2:
        return "poor", (f"is missing {100 * lacking:.0f} % of the time (longest "
                        f"gap {row['longest_gap_s'] / 60:.0f} min); {cure}.")
    if row["left_out_share"] > 0.01:
        return "poor", (f"{100 * row['left_out_share']:.1f} % of its readings were impossible and "
                        f"left out; {cure}.")
    if row["noise"] > noisy:
        return "fair", (f"is noisy ({row['noise']:.1f} {row['unit']} from reading to reading); "
                        f"{cure}.")
    if lacking > 0.02 or row["longest_gap_s"] > 60.0:
        gaps = ("once, for" if row["dropouts"] == 1 else f"{row['dropouts']} times, at most for")
        return "fair", f"drops out ({gaps} {row['longest_gap_s']:.0f} s); {cure}."
    if row["spikes"] > 0:
        return "good", f"{row['spikes']} stray readings left out; nothing to do."
    return "good", "no fault found; nothing to do."


# ------------------------------------------------------------------------------------- lags
def _lags(cond: Conditioned, samples: pd.DataFrame, time: Floats) -> pd.DataFrame:
    """Each sensor's delay against another that feels the same turn or the same loss of speed."""
    columns = ["sensor", "against", "lag_s", "low_s", "high_s", "count", "advice"]
    rows: list[dict[str, Any]] = []
    hdg = unwrap(samples["hdg_deg"].to_numpy(dtype=float))
    if np.isfinite(hdg).any() and time.size > 60:
        dt = max(step_s(time), 0.1)
        turns = turn_instants(time, hdg)
        rates = cond.native_rate_hz
        pairs = (("apparent wind angle", "heading", "awa_deg", samples["awa_deg"], -1.0, 40.0),
                 ("course over ground", "heading", "cog_deg", samples["cog_deg"], 1.0, 40.0))
        for sensor, against, channel, column, sign, reach in pairs:
            value = column.to_numpy(dtype=float)
            if rates.get(channel, 0.0) >= 0.4 and np.isfinite(value).any():
                late = sign * unwrap(value)
                lags = [_lag_of(time, late, hdg, t, reach, dt) for t in turns]
                rows += _lag_row(sensor, against, lags)
        stw = samples["stw_kn"].to_numpy(dtype=float)
        sog = samples["sog_kn"].to_numpy(dtype=float)
        if min(rates.get("stw_kn", 0.0), rates.get("sog_kn", 0.0)) >= 0.4:
            lags = [_lag_of(time, stw, sog, t, 90.0, dt) for t in turns]
            rows += _lag_row("boat speed", "speed over ground", lags)
    return pd.DataFrame(rows, columns=columns)


def turn_instants(time: Floats, hdg: Floats) -> list[float]:
    """Middle of every turn of more than 40 deg at ``TURN_RATE_DEG_S`` or more."""
    rate = angle_rate_deg_s(time, hdg, max(6.0, 4.0 * step_s(time)))
    fast = np.abs(np.nan_to_num(rate)) > TURN_RATE_DEG_S
    out: list[float] = []
    for s in true_stretches(fast):
        turned = hdg[s]
        turned = turned[np.isfinite(turned)]
        if turned.size > 1 and abs(turned[-1] - turned[0]) > 40.0 - TURN_RATE_DEG_S * 6.0:
            t = float(0.5 * (time[s.start] + time[s.stop - 1]))
            if not out or t - out[-1] > 45.0:
                out.append(t)
    return out


def _lag_of(time: Floats, late: Floats, early: Floats, t: float, reach: float,
            dt: float) -> float:
    """Delay of one series against another about one instant, by their cross-correlation.

    Rates of change over two seconds are compared, so that neither level nor slow drift counts;
    delays from -10 to 15 s; the peak is found between samples by a parabola. NaN where the two
    do not look alike (correlation below 0.6) or the window has holes.
    """
    grid = np.arange(t - reach / 2 - 15.0, t + reach / 2 + 15.0, dt)
    lo, hi = np.searchsorted(time, [grid[0] - 2 * dt, grid[-1] + 2 * dt])
    if hi - lo < 0.9 * grid.size or len(runs(time[lo:hi])) != 1:
        return float("nan")
    span = max(2.0, 2 * dt)

    def rate(x: Floats) -> Floats | None:
        part, at = x[lo:hi], time[lo:hi]
        good = np.isfinite(part)
        if good.mean() < 0.95:
            return None
        y = running_mean(at, np.interp(at, at[good], part[good]), span)
        return np.asarray(np.gradient(np.interp(grid, at, y), dt), dtype=float)

    a, b = rate(late), rate(early)
    if a is None or b is None:
        return float("nan")
    inside = np.abs(grid - t) <= reach / 2
    steps = np.arange(round(-10.0 / dt), round(15.0 / dt) + 1)
    first, last = np.flatnonzero(inside)[[0, -1]]
    base = b[first: last + 1] - np.mean(b[first: last + 1])
    score = np.full(steps.size, np.nan)
    held = (first + steps >= 0) & (last + steps < a.size)
    if held.any():
        reached = a[first + steps[held][0]: last + steps[held][-1] + 1]
        reached = reached - np.mean(reached)  # keeps the running sums accurate
        ones = np.ones(base.size)
        spread = (np.correlate(reached**2, ones) - np.correlate(reached, ones)**2 / base.size)
        norm = np.sqrt(np.maximum(spread, 0.0) * np.sum(base**2))
        score[held] = np.divide(np.correlate(reached, base), norm,
                                out=np.full(norm.shape, np.nan), where=norm > 0)
    if not np.isfinite(score).any() or np.nanmax(score) < 0.6:
        return float("nan")
    k = int(np.nanargmax(score))
    lag = float(steps[k] * dt)
    if 0 < k < steps.size - 1 and np.isfinite(score[[k - 1, k + 1]]).all():
        bend = score[k - 1] - 2 * score[k] + score[k + 1]
        if bend < 0:
            lag += float(0.5 * (score[k - 1] - score[k + 1]) / bend * dt)
    return lag


def _lag_row(sensor: str, against: str, lags: list[float]) -> list[dict[str, Any]]:
    """Median over the turns with its interval; nothing from fewer than ``MIN_TURNS``."""
    x = np.array([lag for lag in lags if np.isfinite(lag)])
    if x.size < MIN_TURNS:
        return []
    middle = float(np.median(x))
    # Standard error of a median, from the robust spread; never below a tenth of a second.
    half = max(Z95 * MEDIAN_SE * MAD_TO_SD * float(np.median(np.abs(x - middle)))
               / np.sqrt(x.size), 0.1)
    advice = ""
    if middle - half > 0 and middle > LAG_NOTED_S[sensor]:
        advice = (f"{sensor.capitalize()} comes {middle:.1f} s ({middle - half:.1f} to "
                  f"{middle + half:.1f}) after {against}: set its damping lower.")
    elif middle + half < 0 and middle < -LAG_NOTED_S[sensor]:
        advice = (f"{against.capitalize()} comes {-middle:.1f} s ({-middle - half:.1f} to "
                  f"{-middle + half:.1f}) after {sensor}: set its damping lower.")
    return [{"sensor": sensor, "against": against, "lag_s": middle, "low_s": middle - half,
             "high_s": middle + half, "count": int(x.size), "advice": advice}]


# -------------------------------------------------------------------------------- asymmetry
LIKE_WIND_KN: Final = 2.0
LIKE_ANGLE_DEG: Final = 5.0
LIKE_TIME_S: Final = 3600.0
"""Legs are compared in like wind and at a like angle within the hour: sea and tide change."""
LEAST_PAIRS: Final = 3
_SIDES: Final = (
    ("awa_deg", "apparent wind angle", "deg", True,
     "the vane points off, or the sails are set differently"),
    ("stw_kn", "boat speed", "kn", False,
     "the speed sensor sits off the centreline, or load and sails differ"),
    ("heel_deg", "heel", "deg", True, "the motion sensor is off zero, or load differs"),
    ("rudder_deg", "rudder towards the wind", "deg", True, "the rudder sensor is off zero"),
)


@dataclass(frozen=True)
class _Leg:
    """A stretch close-hauled: its side (1 starboard), middle, wind, angle, and who and what."""

    side: int
    time_s: float
    tws_kn: float
    angle_deg: float
    crew: tuple[str, str]
    span: slice


def _asymmetry(samples: pd.DataFrame, time: Floats) -> pd.DataFrame:
    """Legs close-hauled on either tack, compared in pairs of like wind, angle, sails and helm."""
    columns = ["quantity", "unit", "starboard", "port", "difference", "low", "high",
               "legs_starboard", "legs_port", "advice"]
    legs = _close_hauled(samples, time)
    rows = []
    for channel, quantity, unit, mirrored, blame in _SIDES:
        value = samples[channel].to_numpy(dtype=float)
        pairs = [(a, b) for a, b in _pairs(legs, like_angle=channel != "awa_deg")
                 if np.isfinite(value[a.span]).any() and np.isfinite(value[b.span]).any()]
        if len(pairs) < LEAST_PAIRS:
            continue
        # Heel and rudder change sign with the tack: heeled away from the wind.
        starboard, port = (np.array([np.nanmean(value[pair[k].span]) * (
            pair[k].side if mirrored else 1) for pair in pairs]) for k in (0, 1))
        rows.append(_compare(quantity, unit, starboard, port, blame))
    return pd.DataFrame(rows, columns=columns)


def _close_hauled(samples: pd.DataFrame, time: Floats) -> list[_Leg]:
    """Stretches of a minute and a half and more, close-hauled under sail."""
    awa = samples["awa_deg"].to_numpy(dtype=float)
    if not np.isfinite(awa).any() or time.size < 120:
        return []
    slow = running_mean(time, awa, 60.0)
    state = samples["state"].to_numpy() if "state" in samples else np.full(time.size, "")
    upwind = (np.abs(slow) > 15.0) & (np.abs(slow) < 50.0) & (state != "motoring") & (
        state != "stopped")
    tws = samples["tws_kn"].to_numpy(dtype=float) if "tws_kn" in samples else np.full(
        time.size, np.nan)
    legs = []
    for side in (1, -1):
        for s in true_stretches(upwind & (np.sign(slow) == side)):
            if time[s.stop - 1] - time[s.start] < 90.0:
                continue
            middle = (s.start + s.stop) // 2
            crew = tuple(str(samples[name].iloc[middle]) if name in samples else ""
                         for name in ("sails", "helm"))
            wind = float(np.nanmean(tws[s])) if np.isfinite(tws[s]).any() else float("nan")
            legs.append(_Leg(side, float(time[middle]), wind, float(np.mean(np.abs(slow[s]))),
                             (crew[0], crew[1]), s))
    return legs


def _pairs(legs: list[_Leg], *, like_angle: bool) -> list[tuple[_Leg, _Leg]]:
    """Each leg on starboard tack with its nearest like leg on port; none is used twice."""
    def like(a: _Leg, b: _Leg) -> bool:
        return (a.crew == b.crew and not abs(a.tws_kn - b.tws_kn) > LIKE_WIND_KN
                and (not like_angle or abs(a.angle_deg - b.angle_deg) <= LIKE_ANGLE_DEG))

    near = sorted(((abs(a.time_s - b.time_s), k, m) for k, a in enumerate(legs) if a.side > 0
                   for m, b in enumerate(legs) if b.side < 0 and like(a, b)))
    taken: set[int] = set()
    out = []
    for apart_s, k, m in near:
        if apart_s <= LIKE_TIME_S and not taken & {k, m}:
            taken |= {k, m}
            out.append((legs[k], legs[m]))
    return out


def _compare(quantity: str, unit: str, starboard: Floats, port: Floats,
             blame: str) -> dict[str, Any]:
    """One row: mean difference of the pairs with its interval (Student's t)."""
    from scipy.special import stdtrit

    gap = starboard - port
    difference = float(gap.mean())
    half = float(stdtrit(gap.size - 1, 0.975) * gap.std(ddof=1) / np.sqrt(gap.size))
    advice = ""
    if abs(difference) > half:
        advice = (f"Close-hauled, {quantity} was {abs(difference):.1f} {unit} "
                  f"{'more' if difference > 0 else 'less'} on starboard tack than on port "
                  f"({difference - half:+.1f} to {difference + half:+.1f}): {blame}.")
    return {"quantity": quantity, "unit": unit, "starboard": float(starboard.mean()),
            "port": float(port.mean()), "difference": difference, "low": difference - half,
            "high": difference + half, "legs_starboard": starboard.size, "legs_port": port.size,
            "advice": advice}
