"""Is it getting better? Each helm's smoothness over the days, and its trend."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.series import day_number

MIN_DAYS: Final = 4
LEVEL: Final = 0.98
"""Level of the trend's interval. The question is asked anew after every day sailed, so the usual
95 % would sooner or later say something out of nothing."""
VERDICTS: Final = ("improving", "worsening", "no change shown yet", "too few days")
PROGRESS_COLUMNS: Final = ("helm", "day", "smoothness", "smoothness_low", "smoothness_high",
                           "minutes", "hours_so_far")
TREND_COLUMNS: Final = (
    "helm", "days", "trend", "trend_low", "trend_high", "verdict", "hours", "trend_per_10_hours",
    "day_sd", "points_seen", "days_needed", "words")
WORTH_SEEING: Final = 5.0
"""Points over ten days that a helm would like to see: half a standard deviation."""


def helm_progress(rows: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Each helm's score by day, and the trend over them.

    Parameters
    ----------
    rows : DataFrame
        Helm rows of many days, with ``day`` (a date or its ISO text) beside the published columns;
        best scored against one usual (:func:`sailanalysis.helm.usual.rescore`).

    Returns
    -------
    progress : DataFrame
        ``PROGRESS_COLUMNS``: one row a helm and day.
    trend : DataFrame
        ``TREND_COLUMNS``: one row a helm. ``trend`` is points per ten calendar days, with its 98 %
        interval; ``day_sd`` the scatter of days about it; ``points_seen`` the change per ten
        days that so many days would show four times in five; ``days_needed`` how many more days
        like these to see ``WORTH_SEEING`` points.
    """
    if rows.empty:
        return (pd.DataFrame(columns=list(PROGRESS_COLUMNS)),
                pd.DataFrame(columns=list(TREND_COLUMNS)))
    table = rows.copy()
    if "day" not in table:
        table["day"] = pd.to_datetime(table["start"], utc=True).dt.strftime("%Y-%m-%d")
    table["day"] = pd.to_datetime(table["day"]).dt.strftime("%Y-%m-%d")
    table["helm"] = table["helm"].fillna("")
    scored = table[table["smoothness"].notna()]
    days = []
    for (helm, day), group in scored.groupby(["helm", "day"], sort=True):
        minutes = group["minutes"].to_numpy(dtype=float)
        weight = minutes / minutes.sum()
        value = float(np.sum(weight * group["smoothness"]))
        half = 0.5 * (group["smoothness_high"] - group["smoothness_low"]).to_numpy(dtype=float)
        # A day's stretches share the usual they are measured against: half of the error averages
        # out, half does not.
        error = float(np.sqrt(0.5 * np.sum(weight**2 * half**2) + 0.5 * np.sum(weight * half) ** 2))
        days.append((helm, day, value, value - error, value + error, float(minutes.sum())))
    progress = pd.DataFrame(days, columns=list(PROGRESS_COLUMNS[:-1]))
    progress["hours_so_far"] = progress.groupby("helm")["minutes"].cumsum() / 60.0
    trend = [trend_of(str(helm), group) for helm, group in progress.groupby("helm", sort=True)]
    return progress, pd.DataFrame(trend, columns=list(TREND_COLUMNS))


def trend_of(helm: str, days: pd.DataFrame) -> dict[str, object]:
    """Trend of one helm's day scores by least squares, with Student's interval.

    Days count alike: a day's own error is small beside how much days differ, which the scatter
    about the line holds in full. Where neighbouring days are alike (lag-one autocorrelation of the
    residuals, from eight days on) the interval widens accordingly.
    """
    from scipy.special import stdtrit

    n = len(days)
    when = day_number(days["day"])
    score = days["smoothness"].to_numpy(dtype=float)
    hours = days["hours_so_far"].to_numpy(dtype=float)
    row: dict[str, object] = dict.fromkeys(TREND_COLUMNS, np.nan) | {
        "helm": helm, "days": n, "verdict": "too few days", "hours": float(hours[-1])}
    if n < MIN_DAYS or np.ptp(when) <= 0:
        row["words"] = f"{n} day{'s' if n != 1 else ''}; a trend needs {MIN_DAYS}."
        return row
    slope, error, sd = _line(np.asarray(when, dtype=float), score)
    slope_h, _, _ = _line(hours, score)
    half = float(stdtrit(n - 2, 0.5 + LEVEL / 2)) * error
    ten = 10.0
    verdict = ("improving" if slope > half else "worsening" if -slope > half
               else "no change shown yet")
    spacing = float(np.ptp(when)) / (n - 1)
    row |= {"trend": ten * slope, "trend_low": ten * (slope - half),
            "trend_high": ten * (slope + half), "verdict": verdict, "day_sd": sd,
            "trend_per_10_hours": 10.0 * slope_h,
            "points_seen": change_seen(n, sd, spacing),
            "days_needed": max(0, days_needed(WORTH_SEEING, sd, spacing) - n)}
    row["words"] = _words(row)
    return row


def _line(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Slope, its standard error, and the residuals' sd; neighbours' likeness widens the error."""
    n = x.size
    u = x - x.mean()
    power = float(u @ u)
    if power <= 0:
        return float("nan"), float("nan"), float("nan")
    slope = float(u @ y) / power
    residual = y - y.mean() - slope * u
    sd = float(np.sqrt(residual @ residual / (n - 2)))
    widen = 1.0
    if n >= 8 and sd > 0:
        rho = float(residual[1:] @ residual[:-1] / (residual @ residual))
        # Residuals of a line are less alike than the days were, by about this.
        rho = float(np.clip(rho + (2.0 + 4.0 * max(rho, 0.0)) / n, 0.0, 0.7))
        widen = float(np.sqrt((1 + rho) / (1 - rho)))
    return slope, sd / np.sqrt(power) * widen, sd


def _power_factor(n: int) -> float:
    """How many standard errors a true slope must have to be seen four times in five."""
    from scipy.special import stdtrit

    return float(stdtrit(n - 2, 0.5 + LEVEL / 2) + stdtrit(n - 2, 0.8))


def change_seen(days: int, day_sd: float, spacing_days: float = 1.0) -> float:
    """Smallest true change, points per ten calendar days, that so many days show 4 times in 5.

    Parameters
    ----------
    days : int
        Days sailed, evenly spaced.
    day_sd : float
        Scatter of day scores about the line, points.
    spacing_days : float
        Calendar days from one to the next.
    """
    if days < 3 or not np.isfinite(day_sd):
        return float("nan")
    power = spacing_days**2 * days * (days**2 - 1) / 12.0
    return 10.0 * _power_factor(days) * day_sd / float(np.sqrt(power))


def days_needed(change_points: float, day_sd: float, spacing_days: float = 1.0,
                most: int = 400) -> int:
    """Days in all until a true change of so many points per ten days is seen 4 times in 5.

    Parameters
    ----------
    change_points : float
        True change of smoothness in ten days.
    day_sd : float
        Scatter of a day's score, points.
    spacing_days : float
        Days from one sail to the next.
    most : int
        Given where it takes so many or more.
    """
    if not np.isfinite(day_sd):
        return most
    low, high = MIN_DAYS - 1, most
    while high - low > 1:  # the change seen shrinks with every day
        middle = (low + high) // 2
        if change_seen(middle, day_sd, spacing_days) <= change_points:
            high = middle
        else:
            low = middle
    return high


def _words(row: dict[str, object]) -> str:
    trend, low, high = (float(row[k]) for k in ("trend", "trend_low", "trend_high"))  # type: ignore[arg-type]
    span = f"{trend:+.1f} points per ten days ({low:+.1f} to {high:+.1f})"
    if row["verdict"] == "improving":
        return f"Steering has become smoother: {span}."
    if row["verdict"] == "worsening":
        return f"Steering has become busier: {span}."
    more = int(row["days_needed"])  # type: ignore[call-overload]
    if more == 0:
        return (f"No change shown: {span}; a change of {WORTH_SEEING:.0f} points per ten days "
                "would probably have shown by now.")
    return (f"No change shown yet: {span}. About {more} more days like these would be needed to "
            f"see one of {WORTH_SEEING:.0f} points per ten days.")
