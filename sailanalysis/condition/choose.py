"""Which of several sources speaks for a channel, and why."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from sailanalysis.condition.clock import Pace, covered_stretches
from sailanalysis.core.angles import Floats, unwrap, wrap180
from sailanalysis.core.channels import is_circular
from sailanalysis.core.stats import MAD_TO_SD

TOGETHER: Final = (
    ("lat", "lon"), ("sog_kn", "cog_deg"), ("awa_deg", "aws_kn"),
    ("twa_logged_deg", "tws_logged_kn"), ("set_logged_deg", "drift_logged_kn"),
)
"""Pairs that one instrument measures at one instant: taken from one source where one has both."""
FILL_S: Final = 60.0
"""A second source is only used inside the first one's gaps where it adds this much."""


@dataclass
class Candidate:
    """One source of one channel, cleaned, with what is needed to judge it."""

    channel: str
    source: str
    time_s: Floats
    value: Floats
    pace: Pace
    noise: float
    logged: int
    """Samples before anything was left out."""
    breaks_s: Floats = field(default_factory=lambda: np.zeros(0))

    @property
    def share_good(self) -> float:
        """Share of its samples that were not left out."""
        return self.time_s.size / self.logged if self.logged else 0.0


def noise_level(channel: str, value: Floats) -> float:
    """Sample-to-sample noise: robust standard deviation from second differences.

    A straight trend cancels; independent noise of standard deviation s gives second differences
    of s * sqrt(6). Smoothed or held readings show less than the sensor's error.

    Parameters
    ----------
    channel : str
        A name of ``channels.CHANNELS``.
    value : ndarray, shape (n,)
        Its readings, in the channel's unit.

    Returns
    -------
    float
        In the channel's unit; NaN with fewer than five readings.
    """
    if value.size < 5:
        return float("nan")
    x = unwrap(value) if is_circular(channel) else value
    second = x[2:] - 2 * x[1:-1] + x[:-2]
    second = wrap180(second) if is_circular(channel) else second
    return float(MAD_TO_SD * np.median(np.abs(second)) / np.sqrt(6.0))


def order_candidates(candidates: list[Candidate], partners: dict[str, float]) -> list[Candidate]:
    """Best source first: completeness, then whether it has the partner channel, rate, noise.

    Sources within 10 % of the most complete one are alike in that respect, rates within a factor
    1.5 are alike, then the less noisy wins, and the name decides what is left, so that the order
    of files never does.

    Parameters
    ----------
    candidates : list of Candidate
        Of one channel.
    partners : dict of str to float
        Covered seconds of the partner channel by source.

    Returns
    -------
    list of Candidate
        The best first.
    """
    longest = max((c.pace.covered_s for c in candidates), default=0.0)
    fastest = max((c.pace.rate_hz for c in candidates if c.pace.covered_s >= 0.9 * longest),
                  default=0.0)

    def rank(c: Candidate) -> tuple[float, float, float, float, str]:
        whole = c.pace.covered_s >= 0.9 * longest
        paired = partners.get(c.source, 0.0) >= 0.5 * c.pace.covered_s if partners else True
        fast = c.pace.rate_hz >= fastest / 1.5
        noise = c.noise if np.isfinite(c.noise) else np.inf
        return (0.0 if whole else -c.pace.covered_s / max(longest, 1e-9) + 1.0,
                0.0 if paired else 1.0, 0.0 if fast else 1.0 / max(c.pace.rate_hz, 1e-9),
                noise, c.source)

    return sorted(candidates, key=rank)


def _span(seconds: float) -> str:
    """Duration in words."""
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def _is_noisier(one: Candidate, other: Candidate) -> bool:
    """Whether both noises are known and the first is the greater."""
    return bool(np.isfinite(one.noise) and np.isfinite(other.noise) and one.noise > other.noise)


def _why_worse(candidate: Candidate, best: Candidate, unit: str) -> str:
    """In what a candidate falls behind the best."""
    mine, hers = candidate.pace, best.pace
    if mine.covered_s < 0.9 * hers.covered_s:
        return f"covers {_span(mine.covered_s)}, {best.source} {_span(hers.covered_s)}"
    if mine.rate_hz < hers.rate_hz / 1.5:
        return f"{mine.rate_hz:.2g} a second, {best.source} {hers.rate_hz:.2g}"
    if _is_noisier(candidate, best):
        return f"noise {candidate.noise:.2g} {unit}, {best.source} {best.noise:.2g}"
    return f"no better than {best.source}"


def _why_best(best: Candidate, second: Candidate) -> str:
    """In what the best is ahead of the next."""
    if second.pace.covered_s < 0.9 * best.pace.covered_s:
        return "the most complete"
    if second.pace.rate_hz < best.pace.rate_hz / 1.5:
        return "as complete and faster"
    if _is_noisier(second, best):
        return "as complete, as fast and less noisy"
    return "as good as the others; first by name"


def why_chosen(ordered: list[Candidate], unit: str) -> list[str]:
    """A reason for each of the ordered candidates of one channel.

    Parameters
    ----------
    ordered : list of Candidate
        Of one channel, the best first.
    unit : str
        For the noise.

    Returns
    -------
    list of str
        In the same order.
    """
    best, *others = ordered
    if not others:
        return ["the only source"]
    return [_why_best(best, others[0]), *(_why_worse(c, best, unit) for c in others)]


def fill_gaps(best: Candidate, others: list[Candidate]) -> list[tuple[Candidate, float, float]]:
    """Stretches in which another source speaks because the best one is silent.

    Parameters
    ----------
    best : Candidate
    others : list of Candidate
        In the order of their rank.

    Returns
    -------
    list of (candidate, start_s, end_s)
        Non-overlapping, in the order of the candidates' rank.
    """
    taken = covered_stretches(best.time_s, best.pace.gap_s)
    fills: list[tuple[Candidate, float, float]] = []
    for other in others:
        added: list[tuple[float, float]] = []
        for start, end in covered_stretches(other.time_s, other.pace.gap_s):
            for a, b in _without(start, end, taken):
                if b - a >= FILL_S:
                    fills.append((other, a, b))
                    added.append((a, b))
        taken = sorted(taken + added)
    return fills


def _without(
    start: float, end: float, taken: list[tuple[float, float]]
) -> list[tuple[float, float]]:
    """What is left of a stretch outside the taken ones."""
    free, at = [], start
    for a, b in taken:
        if b <= at:
            continue
        if a >= end:
            break
        if a > at:
            free.append((at, a))
        at = max(at, b)
    if at < end:
        free.append((at, end))
    return free
