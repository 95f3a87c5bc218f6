"""What many days say together of each change: sails, reefs, boards, load and trim.

A day's tries of one change are pooled first (there and back share their minutes), then the days:
what a change is worth differs from day to day, and that is in the interval. Where it is worth
something else at other angles or in other winds, the tries are told in bands.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats
from sailanalysis.core.points import is_upwind
from sailanalysis.polar.model import Effect
from sailanalysis.trials.pool import BETWEEN_KN, POOL_FREEDOM, shared_sides

EXPERIMENT_COLUMNS: Final = (
    "subject", "change", "twa_low_deg", "twa_high_deg", "tws_low_kn", "tws_high_kn", "gain_kn",
    "gain_low_kn", "gain_high_kn", "days", "tries", "verdict", "item", "minutes")
SPLIT_P: Final = 0.01
"""Two bands are told apart where chance would differ as much once in a hundred (common
practice), times the cuts tried."""
LEAST_TRIES: Final = 2
WIDEST_DEG: Final = 30.0
WIDEST_KN: Final = 8.0
"""Further apart than this, tries are not of one wind and angle."""


def pool_experiments(rows: pd.DataFrame) -> pd.DataFrame:
    """Pool the trials of many days, by change and by the angles and winds it was tried in.

    Parameters
    ----------
    rows : DataFrame
        Rows of :func:`judge_trials` of any number of days, with ``date``.

    Returns
    -------
    DataFrame
        ``EXPERIMENT_COLUMNS``: ``change`` is the way round that was faster, ``gain_kn`` what it
        gave, with its 95 % interval; ``days`` and ``tries`` it rests on.

    Notes
    -----
    Random effects after DerSimonian and Laird [1]_ over days, the variance between days leaning on
    ``BETWEEN_KN`` while days are few; Student's quantile.

    References
    ----------
    .. [1] DerSimonian and Laird, Controlled Clinical Trials 7, 177-188, 1986.
    """
    wanted = ("subject", "gain_kn", "standard_error_kn", "twa_deg", "tws_kn", "direction", "date")
    if rows.empty or any(name not in rows for name in wanted):
        return no_experiments()
    numbers = rows[["gain_kn", "standard_error_kn", "twa_deg", "tws_kn"]].astype(float)
    judged = rows[np.isfinite(numbers).all(axis=1).to_numpy()]
    out = []
    for subject, group in judged.groupby("subject", sort=True):
        for band in _bands(group.reset_index(drop=True)):
            out.append(_row(str(subject), band))
    return pd.DataFrame(out, columns=list(EXPERIMENT_COLUMNS)) if out else no_experiments()


def effect_experiments(effects: tuple[Effect, ...], blocks: pd.DataFrame) -> pd.DataFrame:
    """Load and boards as the season's polar has them, in knots, upwind and further off.

    Parameters
    ----------
    effects : tuple of Effect
        Of the polar; those of load and boards are used.
    blocks : DataFrame
        The steady blocks that it was fitted to.

    Returns
    -------
    DataFrame
        ``EXPERIMENT_COLUMNS``; the gain of 1,000 kg more, or of the boards so set.
    """
    out: list[dict[str, Any]] = []
    if not len(blocks):
        return no_experiments()
    twa = np.abs(blocks["twa_deg"].to_numpy(dtype=float))
    upwind = is_upwind(twa)
    for effect in effects:
        item = effect.name.split()[0].rstrip(":")
        if item not in ("load", "boards"):
            continue
        for here in (upwind, ~upwind):
            if here.sum() < 2:
                continue
            out.append(_effect_row(effect, item, blocks[here]))
    return pd.DataFrame(out, columns=list(EXPERIMENT_COLUMNS)) if out else no_experiments()


def no_experiments() -> pd.DataFrame:
    """The table without a row."""
    table = pd.DataFrame({name: pd.Series(dtype=float) for name in EXPERIMENT_COLUMNS})
    for name in ("subject", "change", "verdict", "item"):
        table[name] = table[name].astype(object)
    return table


def _effect_row(effect: Effect, item: str, part: pd.DataFrame) -> dict[str, Any]:
    speed = float(np.average(part["stw_kn"], weights=part["seconds"]))
    twa, tws = np.abs(part["twa_deg"].to_numpy(dtype=float)), part["tws_kn"].to_numpy(dtype=float)
    gain, low, high = (speed * value / 100.0 for value in (effect.percent, effect.low, effect.high))
    change = "1,000 kg more" if item == "load" else effect.name.split(":", 1)[-1].strip()
    return {"subject": effect.name, "change": change, **_span(twa, tws), "gain_kn": gain,
            "gain_low_kn": low, "gain_high_kn": high, "days": int(part["day"].nunique()),
            "tries": int(part.groupby(["day", "leg"]).ngroups), "verdict": verdict(low, high),
            "item": item, "minutes": float(part["seconds"].sum()) / 60.0}


def verdict(low: float, high: float) -> str:
    """What an interval says of a gain."""
    return "faster" if low > 0 else "slower" if high < 0 else "no clear difference"


def _span(twa: Floats, tws: Floats) -> dict[str, float]:
    return {"twa_low_deg": float(np.min(twa)), "twa_high_deg": float(np.max(twa)),
            "tws_low_kn": float(np.min(tws)), "tws_high_kn": float(np.max(tws))}


def _row(subject: str, band: pd.DataFrame) -> dict[str, Any]:
    mean, half, days = pooled_gain(band)
    way = band["direction"].to_numpy(dtype=float)
    ways = set(np.sign(way).tolist())
    turned = 1.0 if (mean >= 0 and 1.0 in ways) or -1.0 not in ways else -1.0
    words = band["what"][np.sign(way) == turned].mode()
    mean = turned * mean
    return {"subject": subject, "change": str(words.iloc[0]),
            **_span(np.abs(band["twa_deg"].to_numpy(dtype=float)),
                    band["tws_kn"].to_numpy(dtype=float)),
            "gain_kn": mean, "gain_low_kn": mean - half, "gain_high_kn": mean + half, "days": days,
            "tries": len(band), "verdict": verdict(mean - half, mean + half),
            "item": str(band["item"].iloc[0]) if "item" in band else "",
            "minutes": _minutes(band)}


def _minutes(band: pd.DataFrame) -> float:
    names = [name for name in ("minutes_before", "minutes_after") if name in band]
    return float(band[names].to_numpy(dtype=float).sum()) if names else float("nan")


def pooled_gain(band: pd.DataFrame) -> tuple[float, float, int]:
    """Gain of the first way round, half its 95 % interval, and the days it rests on.

    Parameters
    ----------
    band : DataFrame
        Tries with ``gain_kn, standard_error_kn, direction, date`` and perhaps ``time``.
    """
    from scipy.special import stdtrit

    means, variances = [], []
    for _, day in band.groupby("date", sort=True):
        mean, variance = _of_day(day)
        means.append(mean)
        variances.append(variance)
    y, v = np.array(means), np.array(variances)
    weight = 1.0 / v
    fixed = float(np.sum(weight * y) / weight.sum())
    between = 0.0
    if y.size > 1:
        q = float(np.sum(weight * (y - fixed) ** 2))
        between = (q - (y.size - 1)) / float(weight.sum() - np.sum(weight**2) / weight.sum())
    between = max(0.0, (POOL_FREEDOM * BETWEEN_KN**2 + (y.size - 1) * between)
                  / (POOL_FREEDOM + y.size - 1))
    weight = 1.0 / (v + between)
    mean = float(np.sum(weight * y) / weight.sum())
    half = float(stdtrit(y.size - 1 + POOL_FREEDOM, 0.975) / np.sqrt(weight.sum()))
    return mean, half, int(y.size)


def _of_day(day: pd.DataFrame) -> tuple[float, float]:
    """One day's gain and its variance, neighbours there and back sharing their minutes."""
    way = day["direction"].to_numpy(dtype=float)
    y = day["gain_kn"].to_numpy(dtype=float) * way
    own = day["standard_error_kn"].to_numpy(dtype=float)
    cov = np.outer(own, own) * shared_sides(day, way)
    solved = np.linalg.solve(cov, np.column_stack([np.ones(y.size), y]))
    variance = 1.0 / float(solved[:, 0].sum())
    return variance * float(solved[:, 1].sum()), variance


def _bands(group: pd.DataFrame) -> list[pd.DataFrame]:
    """Tries of one wind and angle each: cut where the gain differs, or where the band is wide."""
    for name, widest in (("twa_deg", WIDEST_DEG), ("tws_kn", WIDEST_KN)):
        cut = _cut(group, np.abs(group[name].to_numpy(dtype=float)), widest)
        if cut is not None:
            return [*_bands(group[cut].reset_index(drop=True)),
                    *_bands(group[~cut].reset_index(drop=True))]
    return [group]


def _cut(group: pd.DataFrame, value: Floats, widest: float) -> np.ndarray | None:
    """Which tries are below a cut in angle or wind; None where they are of one kind."""
    order = np.sort(value)
    if len(group) < 2:
        return None
    gaps = np.diff(order)
    if order[-1] - order[0] > widest:
        k = int(np.argmax(gaps))
        return np.asarray(value <= order[k], dtype=bool)
    if len(group) < 2 * LEAST_TRIES:
        return None
    way = group["direction"].to_numpy(dtype=float)
    y = group["gain_kn"].to_numpy(dtype=float) * way
    v = group["standard_error_kn"].to_numpy(dtype=float) ** 2 + BETWEEN_KN**2
    from scipy.special import ndtr

    best: tuple[float, float] | None = None
    cuts = [k for k in range(LEAST_TRIES, len(group) - LEAST_TRIES + 1) if gaps[k - 1] > 0]
    for k in cuts:
        below = value <= order[k - 1]
        means = [float(np.average(y[m], weights=1 / v[m])) for m in (below, ~below)]
        error = float(np.sqrt(sum(1.0 / np.sum(1 / v[m]) for m in (below, ~below))))
        p = 2.0 * float(ndtr(-abs(means[1] - means[0]) / error)) * len(cuts)
        if p < SPLIT_P and (best is None or p < best[0]):
            best = (p, float(order[k - 1]))
    return None if best is None else np.asarray(value <= best[1], dtype=bool)
