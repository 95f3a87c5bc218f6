"""What drifts over a season: the sensors' corrections, and the boat herself."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.series import day_number
from sailanalysis.core.stats import Z95, Estimate

DRIFT_COLUMNS: Final = ("date", "day", "key", "value", "low", "high", "determined", "boat_file",
                        "total", "used")
TREND_COLUMNS: Final = ("key", "days", "trend_per_30_days", "low", "high", "verdict")
_OFFSETS: Final = ("awa_offset_deg", "heading_offset_deg")
_LEAST_DAYS: Final = 4


def calibration_rows(records: list[tuple[str, str, dict[str, Any]]]) -> pd.DataFrame:
    """Each day's sensor corrections, with what the boat file held that day.

    Parameters
    ----------
    records : list of (day, date, record)
        A day's ``record`` as the archive keeps it.

    Returns
    -------
    DataFrame
        ``DRIFT_COLUMNS``. ``value`` is beyond the boat file, ``total`` with it, so that days stay
        comparable when the boat file was mended in between. ``used`` is the whole correction that
        the day was worked with, of factors; NaN where nobody knows it.
    """
    rows = []
    for day, date, record in records:
        sensors = (record.get("boat") or {}).get("sensors") or {}
        used = used_factors(record)
        for key, estimate in (record.get("calibration") or {}).items():
            if not isinstance(estimate, dict) or "determined" not in estimate:
                continue
            value, low, high = (_number(estimate.get(k)) for k in ("value", "low", "high"))
            held = _number(sensors.get(key))
            if key.endswith("_factor"):
                held = 1.0 if not np.isfinite(held) else held
                total = value * held
            elif key in _OFFSETS:
                held = 0.0 if not np.isfinite(held) else held
                total = value + held
            else:
                total = value
            rows.append((date, day, key, value, low, high, bool(estimate["determined"]), held,
                         total, used.get(key, np.nan)))
    return pd.DataFrame(rows, columns=list(DRIFT_COLUMNS))


def used_factors(record: dict[str, Any]) -> dict[str, float]:
    """Whole corrections that a filed day was worked with; none known of an earlier version's."""
    summary = record.get("summary") or {}
    if "corrections" not in summary:
        return {}
    sensors = (record.get("boat") or {}).get("sensors") or {}
    out = {key: float(sensors.get(key) or 1.0) for key in ("stw_factor", "aws_factor")}
    for item in summary["corrections"] or []:
        if item.get("sensor") in out and item.get("value"):
            out[item["sensor"]] = float(item["value"])
    return out


def drift_trends(rows: pd.DataFrame) -> pd.DataFrame:
    """Trend of each correction over the days, from the days that determined it.

    Returns
    -------
    DataFrame
        ``key, days, trend_per_30_days, low, high, verdict``. The verdict is ``drifting`` where the
        95 % interval leaves zero out, else ``steady so far`` or ``too few days``.
    """
    out = []
    for key, part in rows.groupby("key", sort=True):
        part = part[part["determined"] & np.isfinite(part["total"])]
        when = day_number(part["date"])
        sd = (part["high"] - part["low"]).to_numpy(float) / (2 * Z95)
        slope = trend(when, part["total"].to_numpy(float), sd)
        if not slope.known:
            verdict = "too few days"
        else:
            verdict = "drifting" if slope.low > 0 or slope.high < 0 else "steady so far"
        out.append((key, len(part), 30 * slope.value, 30 * slope.low, 30 * slope.high, verdict))
    return pd.DataFrame(out, columns=list(TREND_COLUMNS))


def trend(when: Floats, value: Floats, sd: Floats) -> Estimate:
    """Slope of estimates over time; days differ by their own error and by a scatter of their own.

    Weighted least squares with a between-day variance by the method of moments, Student's
    interval.

    References
    ----------
    .. [1] DerSimonian and Laird, "Meta-analysis in clinical trials", Controlled Clinical Trials
       7(3), 177-188, 1986 (the moment estimate of the variance between).
    """
    from scipy.special import stdtrit

    n = value.size
    if n < _LEAST_DAYS or np.ptp(when) <= 0:
        return Estimate(float("nan"), float("nan"), float("nan"), n)
    sd = np.where(np.isfinite(sd) & (sd > 0), sd, np.nanmedian(sd[sd > 0]) if (sd > 0).any() else 1)
    between = 0.0
    for _ in range(2):
        w = 1.0 / (sd**2 + between)
        slope, centre, level = _line(when, value, w)
        q = float(np.sum(w * (value - level - slope * (when - centre)) ** 2))
        scale = float(np.sum(w) - np.sum(w**2) / np.sum(w))
        between = max(between + (q - (n - 2)) / scale, 0.0)
    w = 1.0 / (sd**2 + between)
    slope, centre, level = _line(when, value, w)
    error = 1.0 / np.sqrt(float(np.sum(w * (when - centre) ** 2)))
    half = float(stdtrit(n - 2, 0.975)) * error
    return Estimate(slope, slope - half, slope + half, n)


def _line(x: Floats, y: Floats, w: Floats) -> tuple[float, float, float]:
    centre = float(np.average(x, weights=w))
    level = float(np.average(y, weights=w))
    power = float(np.sum(w * (x - centre) ** 2))
    return float(np.sum(w * (x - centre) * (y - level)) / power), centre, level


def step_change(when: Floats, value: Floats, sd: Floats, shuffles: int = 499,
                seed: int = 0) -> dict[str, float]:
    """Most likely single step in a series of days (a clean hull, a new sail), and its chance.

    Returns
    -------
    dict
        ``index`` of the first day after the step, ``step`` (after less before), ``low, high``
        (95 %, the position taken as known) and ``p_value`` by shuffling the days. Empty with
        fewer than six days.
    """
    n = value.size
    if n < 6:
        return {}
    w = 1.0 / np.maximum(sd, 1e-6) ** 2
    order = np.argsort(when, kind="stable")

    def best(x: Floats, v: Floats) -> tuple[float, int]:
        left_w, left = np.cumsum(v)[:-1], np.cumsum(v * x)[:-1]
        right_w, right = v.sum() - left_w, (v * x).sum() - left
        gain = (left / left_w - right / right_w) ** 2 * left_w * right_w / v.sum()
        gain[:1] = gain[-1:] = 0.0  # one day alone is weather, not a step
        at = int(np.argmax(gain))
        return float(gain[at]), at + 1

    x, v = value[order], w[order]
    found, at = best(x, v)
    rng = np.random.default_rng(seed)
    more = 0
    for _ in range(shuffles):
        pick = rng.permutation(n)
        more += best(x[pick], v[pick])[0] >= found
    before, after = (float(np.average(x[s], weights=v[s])) for s in (slice(0, at), slice(at, n)))
    residual = np.concatenate([x[:at] - before, x[at:] - after])
    spread = float(np.sqrt(np.sum(residual**2) / max(n - 2, 1)))
    error = spread * float(np.sqrt(1 / at + 1 / (n - at)))
    return {"index": float(order[at]), "step": after - before, "low": after - before - Z95 * error,
            "high": after - before + Z95 * error, "p_value": (more + 1) / (shuffles + 1)}


def _number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError):
        return float("nan")
