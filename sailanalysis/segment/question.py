"""What the states leave open, and the one question to the crew that would settle most of it."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.errors import Finding
from sailanalysis.core.series import true_stretches, utc_index
from sailanalysis.segment.blocks import Blocks
from sailanalysis.segment.chain import three
from sailanalysis.segment.use import SURE

Bools = NDArray[np.bool_]
ASK_S: Final = 120.0
"""Less time in the balance is not worth a question."""
JOIN_S: Final = 300.0


def state_findings(b: Blocks, probability: Floats, said: Floats, doubt: Bools) -> list[Finding]:
    """Findings on what was inferred, what is open, and what is said but cannot be.

    Parameters
    ----------
    b : Blocks, n rows
    probability : ndarray, shape (n, 6)
    said : ndarray, shape (n,)
        1 engine on, 0 off, NaN unknown.
    doubt : ndarray of bool, shape (n,)
        Where what is said was not believed.
    """
    found = []
    sail, engine, rest = three(probability).T
    told = np.isfinite(said) & ~doubt
    total = float(b.block_s.sum())
    driven = (engine > np.maximum(sail, rest)) & ~told
    if doubt.any():
        found.append(_contradiction(b, said, doubt, total))
    no_wind = b.block_s[np.isfinite(b.off_deg)].sum() < 60.0
    under_way = (rest < 0.5) & ~told
    open_ = (sail > 1.0 - SURE) & (sail < SURE)
    if no_wind and (open_ & under_way).any():
        found.append(Finding(
            "engine-unknown",
            "Neither true wind nor engine is known from this log, so sail and engine cannot be "
            "told apart for certain: the time under way is counted as what is likelier. `engine "
            "on` and `engine off` in the crew log would settle it.", "warning", "engine_rpm",
            share=float(b.block_s[under_way].sum() / total)))
        return found
    if driven.any():
        where = np.flatnonzero(driven)
        share = float(b.block_s[driven].sum() / total)
        found.append(Finding(
            "engine-inferred",
            f"Motoring was inferred for {share:.0%} of the log, from speed and angles that sails "
            "do not give in that wind; engine revolutions or `engine` lines in the crew log would "
            "make it sure.", "warning", "engine_rpm", float(b.time_s[where[0]]),
            float(b.time_s[where[-1]]), share))
    open_s = float(b.block_s[open_].sum())
    if open_s >= ASK_S:
        found.append(_question(b, probability, open_, open_s, total))
    return found


def _contradiction(b: Blocks, said: Floats, doubt: Bools, total: float) -> Finding:
    where = np.flatnonzero(doubt)
    minutes = b.block_s[doubt].sum() / 60.0
    on = float(np.average(said[doubt], weights=b.block_s[doubt])) > 0.5
    word = ("the engine is said to run while everything else shows sailing" if on else
            "the engine is said to be off while she goes as no sail could drive her")
    return Finding(
        "engine-contradicted",
        f"For {minutes:.0f} minutes from {_clock(b.time_s[where[0]])} UTC {word}; there it was not "
        "believed. Check the crew log's times and what the engine's channel holds.", "warning",
        "engine_rpm", float(b.time_s[where[0]]), float(b.time_s[where[-1]]),
        float(b.block_s[doubt].sum() / total))


def _question(b: Blocks, probability: Floats, open_: Bools, open_s: float,
              total: float) -> Finding:
    """Ask about the stretch that holds most of the time in the balance."""
    best, most = slice(0, 0), 0.0
    for part in _joined(open_, b):
        seconds = float(b.block_s[part][open_[part]].sum())
        if seconds > most:
            best, most = part, seconds
    _, engine, rest = three(probability[best]).mean(axis=0)
    asked = ("did she drift or lie, sails down" if rest > engine else "was the engine running")
    start, end = b.time_s[best.start], b.time_s[best.stop - 1]
    return Finding(
        "state-open",
        f"{open_s / 60.0:.0f} minutes hang in the balance between sail, engine and lying still; "
        "they are left out of polar, losses and helm scores. The answer that would settle most of "
        f"them: {_clock(start)} to {_clock(end)} UTC, {asked}? Write `engine` lines into the crew "
        "log.", "warning", "engine_rpm", float(start), float(end), open_s / total)


def _joined(mask: Bools, b: Blocks) -> list[slice]:
    parts: list[slice] = []
    for part in true_stretches(mask):
        if parts and b.time_s[part.start] - b.time_s[parts[-1].stop - 1] < JOIN_S:
            parts[-1] = slice(parts[-1].start, part.stop)
        else:
            parts.append(part)
    return parts


def _clock(time_s: float) -> str:
    return f"{utc_index([time_s])[0]:%H:%M}"
