"""Sailing, motoring or stopped: one belief over the whole day from all the evidence.

A hidden Markov chain of six states (sailing, slowed under sail on purpose, under engine, under
engine and sails, lying, adrift; :mod:`~sailanalysis.segment.chain`) is run forward and backward
over blocks of ten seconds.
Each block brings log-likelihoods of its own (:mod:`~sailanalysis.segment.evidence`), all of them
short of certainty; a channel that is missing brings none. How fast she is under sail and
under engine is unknown but the same all day: it is integrated out
(:mod:`~sailanalysis.segment.own_boat`). The day is gone through twice, the second time with how
she heels.
Revolutions and the crew log decide where they speak, unless all else contradicts them for minutes
(:mod:`~sailanalysis.segment.said`). A boat in tow is driven by an engine, if not her own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import Floats
from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Boat, CrewLog
from sailanalysis.core.series import epoch_s
from sailanalysis.segment.blocks import Blocks, make_blocks
from sailanalysis.segment.chain import (
    ADRIFT,
    BOTH,
    ENGINE,
    LYING,
    SAILING,
    SLOWED,
    STATES,
    believe,
    three,
)
from sailanalysis.segment.doing import name_doing
from sailanalysis.segment.edges import trim_stops
from sailanalysis.segment.evidence import OwnBoat, all_evidence, general_boat
from sailanalysis.segment.own_boat import learn_heel, suppositions
from sailanalysis.segment.question import state_findings
from sailanalysis.segment.said import (
    IDLE_RPM,
    SAID,
    doubtful,
    engine_by_crew,
    engine_by_rpm,
    half_trusted,
)

Bools = NDArray[np.bool_]
PUBLISHED: Final = np.array(["sailing", "motoring", "stopped"], dtype=object)


@dataclass(frozen=True)
class States:
    """What she did at every sample, and how sure that is.

    Attributes
    ----------
    state : ndarray of str, shape (n,)
        The likeliest of ``sailing``, ``motoring``, ``stopped``.
    sailing_probability : ndarray, shape (n,)
        Of being under sail alone, slowed on purpose or not.
    doing : ndarray of str, shape (n,)
        The finer word, one of ``segment.doing.WORDS``.
    findings : tuple of Finding
    """

    state: NDArray[np.object_]
    sailing_probability: Floats
    doing: NDArray[np.object_]
    findings: tuple[Finding, ...] = ()


def find_states(samples: pd.DataFrame, crew: CrewLog, boat: Boat | None = None) -> States:
    """State of the boat at every sample.

    Parameters
    ----------
    samples : DataFrame, n rows
        With true wind where it is known.
    crew : CrewLog
        Its ``engine`` entries hold until the next; before the first one the opposite is taken.
    boat : Boat, optional
        Length, where the boat file has it.
    """
    time = epoch_s(samples.index)
    if time.size == 0:
        return States(np.empty(0, dtype=object), np.empty(0), np.empty(0, dtype=object))
    blocks = make_blocks(samples)
    near = _nearest(blocks.time_s, time)
    said, rpm = _said(samples, crew, time, near, len(blocks))
    probability, doubt = _belief(blocks, said, rpm, boat or Boat())
    likely = _likely(probability)
    # Between the middles of two blocks the belief passes over from one to the other.
    passing = np.column_stack([np.interp(time, blocks.time_s, p) for p in three(probability).T])
    decides = _decides(samples, doubt, near)
    believed = np.where(decides, _said_at(samples, crew, time), np.nan)
    passing = _decided(passing, believed)
    state = PUBLISHED[np.argmax(passing, axis=1)]
    state = trim_stops(time, state, samples)
    word = name_doing(blocks, likely, crew)
    fits = PUBLISHED[likely // 2][near] == state
    doing = np.where(fits, word[near], _PLAIN[np.searchsorted(_ORDER, state.astype(str))])
    findings = state_findings(blocks, probability, said, doubt)
    return States(state, np.clip(passing[:, 0], 0.0, 1.0), doing, tuple(findings))


_ORDER: Final = np.array(["motoring", "sailing", "stopped"])
_PLAIN: Final = np.array(["under engine", "sailing", "lying"], dtype=object)


def _likely(probability: Floats) -> NDArray[np.intp]:
    """The likeliest state, what is published as one state taken as one first."""
    first = 2 * np.argmax(three(probability), axis=1)
    rows = np.arange(first.size)
    second = probability[rows, first + 1] > probability[rows, first]
    return np.asarray(first + second, dtype=np.intp)


def _nearest(middle: Floats, time: Floats) -> NDArray[np.intp]:
    if middle.size == 1:
        return np.zeros(time.size, dtype=np.intp)
    return np.searchsorted(0.5 * (middle[1:] + middle[:-1]), time)


def _said_at(samples: pd.DataFrame, crew: CrewLog, time: Floats) -> Floats:
    """1 where revolutions, else the crew log, say that the engine runs, 0 not, NaN unknown."""
    by_rpm, _ = engine_by_rpm(samples)
    return np.where(np.isfinite(by_rpm), by_rpm, engine_by_crew(time, crew))


def _said(samples: pd.DataFrame, crew: CrewLog, time: Floats, near: NDArray[np.intp],
          count: int) -> tuple[Floats, Floats]:
    """What is said of the engine, and its revolutions, a value a block."""
    _, rpm = engine_by_rpm(samples)
    said = _said_at(samples, crew, time)
    return _block_mean(said, near, count), _block_mean(rpm, near, count)


def _decided(probability: Floats, said: Floats) -> Floats:
    """To the second where it is said and believed: with the engine on she does not sail."""
    out = probability.copy()
    on, off = said > 0.5, said <= 0.5
    out[on, 1] += 0.99 * out[on, 0]
    out[on, 0] *= 0.01
    out[off, 0] += 0.99 * out[off, 1]
    out[off, 1] *= 0.01
    return out


def _block_mean(value: Floats, near: NDArray[np.intp], count: int) -> Floats:
    good = np.isfinite(value)
    total = np.bincount(near[good], value[good], count)
    seen = np.bincount(near[good], minlength=count)
    return np.asarray(np.divide(total, seen, out=np.full(count, np.nan), where=seen > 0),
                      dtype=float)


def _belief(blocks: Blocks, said: Floats, rpm: Floats, boat: Boat) -> tuple[Floats, Bools]:
    """Probability of the six states a block, and where what is said was not believed."""
    gaps = np.diff(blocks.time_s)
    general = general_boat(boat.lwl_m, boat.loa_m, boat.hull)
    spoken = _spoken(said, blocks.block_s)
    own = learn_heel(blocks, _chain(blocks, general, spoken, gaps), general)
    if not np.isfinite(said).any():
        return _chain(blocks, own, spoken, gaps), np.zeros(len(blocks), dtype=bool)
    alone = _chain(blocks, own, np.zeros_like(spoken), gaps)
    gap_before = np.concatenate([[False], gaps > 60.0 + 2.0 * blocks.block_s[1:]])
    sailed, driven, _ = three(alone).T
    doubt = doubtful(np.round(said), rpm, driven, sailed, blocks.block_s, gap_before)
    if doubt.any():
        spoken = np.where(doubt[:, None], 0.0, half_trusted(spoken, said, rpm))
    return _chain(blocks, own, spoken, gaps), doubt


def _decides(samples: pd.DataFrame, doubt: Bools, near: NDArray[np.intp]) -> Bools:
    """Where what is said counts to the second: everywhere, unless it was found wrong somewhere;
    then only where the engine turns faster than idling.
    """
    if not doubt.any():
        return np.ones(near.size, dtype=bool)
    _, rpm = engine_by_rpm(samples)
    return np.asarray((rpm > IDLE_RPM) & ~doubt[near], dtype=bool)


def _chain(blocks: Blocks, boat: OwnBoat, spoken: Floats, gaps: Floats) -> Floats:
    boats, weight = suppositions(boat)
    return believe(all_evidence(blocks, boats) + spoken[:, None, :], gaps, weight).probability


def _spoken(said: Floats, block_s: Floats) -> Floats:
    """Log-likelihood of what is said: with it on she may still lie, with it off drift or sail."""
    weight = SAID * np.minimum(np.maximum(block_s, 10.0) / 60.0, 1.0)
    out = np.zeros((said.size, len(STATES)))
    on, off = np.where(said > 0.5, weight, 0.0), np.where(said <= 0.5, weight, 0.0)
    for state, value in ((SAILING, on), (SLOWED, on), (LYING, 0.15 * on), (ADRIFT, 0.15 * on),
                         (ENGINE, off), (BOTH, off)):
        out[:, state] = -value
    return out
