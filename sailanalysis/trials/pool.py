"""The same trial more than once: what counts as the same, and what the repeats say together."""

from __future__ import annotations

import re
from typing import Final

import numpy as np
import pandas as pd

from sailanalysis.core.series import epoch_s

BETWEEN_KN: Final = 0.05
"""How much the same change is taken to differ from one trial to the next, before they say so."""
POOL_FREEDOM: Final = 4.0


_OPPOSITE: Final = {
    "out": "in", "down": "up", "off": "on", "eased": "trimmed",
    "lowered": "raised", "aft": "forward", "less": "more", "open": "closed", "flatter": "fuller",
    "leeward": "windward", "removed": "set", "slower": "faster", "shorter": "longer"}
_SAME: Final = {
    "ease": "eased", "easing": "eased", "released": "eased", "sheeted": "trimmed",
    "loosened": "eased", "slacked": "eased", "tightened": "trimmed", "tight": "trimmed",
    "loose": "eased",
    "trim": "trimmed", "hardened": "trimmed", "tighter": "trimmed", "looser": "eased",
    "tensioned": "trimmed", "raise": "raised", "hoisted": "raised", "lower": "lowered",
    "dropped": "lowered", "fwd": "forward", "back": "aft", "opened": "open", "flattened": "flatter",
    "tighten": "trimmed", "loosen": "eased", "harden": "trimmed", "hardening": "trimmed",
    "freed": "eased", "eases": "eased"}
_MINUS: Final = re.compile(r"(?<![\w-])[-\u2212]\s*\d")
_NOISE: Final = re.compile(
    r"[-+]?\d+([.,]\d+)?\s*(cm|mm|m|deg|°|turns?|holes?|marks?|%|kg)?\b|[^\w\s]")


def same_thing(what: str) -> tuple[str, int]:
    """Subject of a trim and which way it went, so that a change and its undoing pool.

    Amounts are left out; ``mainsheet eased 20 cm`` and ``mainsheet trimmed 10 cm`` are one subject,
    opposite ways; so are ``halyard +5 cm`` and ``halyard -3 cm``.

    Parameters
    ----------
    what : str
        As the crew log has it.

    Returns
    -------
    subject : str
    direction : {1, -1}
    """
    words = _NOISE.sub(" ", what.lower()).split()
    direction = -1 if _MINUS.search(what) else 1
    kept = []
    for word in words:
        word = _SAME.get(word, word)
        if word in _OPPOSITE:
            word, direction = _OPPOSITE[word], -direction
        kept.append(word)
    return " ".join(kept), direction


def pool_trials(rows: pd.DataFrame) -> pd.DataFrame:
    """Pool repeated trials of the same thing, of a day or a season; an undoing counts turned round.

    Parameters
    ----------
    rows : DataFrame
        Rows of :func:`judge_trials`, of any number of days.

    Returns
    -------
    DataFrame
        ``subject, what`` (as the log first put that way round), ``trials, gain_kn, gain_low_kn,
        gain_high_kn, verdict, there_and_back``;
        only subjects judged at least twice.

    Notes
    -----
    Neighbours there and back share the minutes between them, which is allowed for. Random effects:
    DerSimonian and Laird's between-trial variance, leaning on ``BETWEEN_KN`` while
    trials are few; Student's quantile.

    References
    ----------
    .. [1] DerSimonian and Laird, Controlled Clinical Trials 7, 177-188, 1986.
    """
    if rows.empty or "standard_error_kn" not in rows:
        return empty_pool()
    from scipy.special import stdtrit

    judged = rows[rows["gain_kn"].notna() & rows["standard_error_kn"].notna()]
    out = []
    for subject, group in judged.groupby("subject", sort=False):
        if len(group) < 2:
            continue
        way = group["direction"].to_numpy(dtype=float)
        forward = group[way > 0]
        y = group["gain_kn"].to_numpy(dtype=float) * way
        own = group["standard_error_kn"].to_numpy(dtype=float)
        weight = 1.0 / own**2
        fixed = float(np.sum(weight * y) / weight.sum())
        q = float(np.sum(weight * (y - fixed) ** 2))
        between = (q - (y.size - 1)) / float(weight.sum() - np.sum(weight**2) / weight.sum())
        between = max(0.0, (POOL_FREEDOM * BETWEEN_KN**2 + (y.size - 1) * between)
                      / (POOL_FREEDOM + y.size - 1))
        cov = np.outer(own, own) * shared_sides(group, way) + between * np.eye(y.size)
        solved = np.linalg.solve(cov, np.column_stack([np.ones(y.size), y]))
        variance = 1.0 / float(solved[:, 0].sum())
        mean = variance * float(solved[:, 1].sum())
        # The trials' own errors are known, each from its minutes: they count as further degrees
        # of freedom beside the spread between trials.
        half = float(stdtrit(y.size - 1 + POOL_FREEDOM, 0.975)) * float(np.sqrt(variance))
        out.append({"subject": subject,
                    "what": forward["what"].iloc[0] if len(forward) else str(subject),
                    "trials": y.size, "gain_kn": mean, "gain_low_kn": mean - half,
                    "gain_high_kn": mean + half,
                    "verdict": "faster" if mean > half else "slower" if -mean > half
                    else "no clear difference",
                    "there_and_back": bool(np.ptp(way) > 0)})
    return pd.DataFrame(out) if out else empty_pool()


def shared_sides(group: pd.DataFrame, way: np.ndarray) -> np.ndarray:
    """Correlation of trials' errors: after one change is before the next.

    A shared side is half of either trial's error. There and back it counts the same way in both,
    twice the same way round it counts against itself. From ten minutes apart the sides (eight
    minutes at most) part, at seventeen nothing is shared.
    """
    n = len(group)
    out = np.eye(n)
    if "time" not in group:
        return out
    time_s = epoch_s(group["time"])
    for i in range(n):
        for j in range(i):
            apart = abs(time_s[i] - time_s[j]) / 60.0
            first, last = sorted((time_s[i], time_s[j]))
            between = np.sum((time_s > first) & (time_s < last))
            if between == 0:
                shared = float(np.clip((17.0 - apart) / 7.0, 0.0, 1.0))
                out[i, j] = out[j, i] = -0.5 * float(way[i] * way[j]) * shared
    return out


def empty_pool() -> pd.DataFrame:
    """Pool of no repeated trial."""
    return pd.DataFrame(columns=["subject", "what", "trials", "gain_kn", "gain_low_kn",
                                 "gain_high_kn", "verdict", "there_and_back"])
