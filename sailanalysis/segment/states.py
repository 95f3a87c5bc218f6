"""Sailing, motoring or stopped: one belief over the whole day from all the evidence.

A hidden Markov chain of four states (sailing, slowed under sail on purpose, under engine, lying or
adrift; :mod:`~sailanalysis.segment.chain`) is run forward and backward over blocks of ten seconds.
Each block brings log-likelihoods of its own (:mod:`~sailanalysis.segment.evidence`), all of them
short of certainty; a channel that is missing brings none. The day is gone through twice: the second
time with what its surest parts have shown of the boat (:mod:`~sailanalysis.segment.own_boat`).
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
from sailanalysis.segment.chain import ENGINE, LYING, SAILING, SLOWED, posterior
from sailanalysis.segment.doing import name_doing
from sailanalysis.segment.edges import trim_stops
from sailanalysis.segment.evidence import all_evidence, general_boat
from sailanalysis.segment.own_boat import learn_boat
from sailanalysis.segment.question import state_findings
from sailanalysis.segment.said import SAID, doubtful, engine_by_crew, engine_by_rpm

Bools = NDArray[np.bool_]
PUBLISHED: Final = np.array(["sailing", "sailing", "motoring", "stopped"], dtype=object)


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
    passing = np.column_stack([np.interp(time, blocks.time_s, probability[:, k]) for k in range(4)])
    passing[:, SAILING] += passing[:, SLOWED]
    believed = np.where(doubt[near], np.nan, _said_at(samples, crew, time))
    passing = _decided(passing, believed)
    state = PUBLISHED[[SAILING, ENGINE, LYING]][np.argmax(
        passing[:, [SAILING, ENGINE, LYING]], axis=1)]
    state = trim_stops(time, state, samples)
    word = name_doing(blocks, likely, crew)
    fits = PUBLISHED[likely][near] == state
    doing = np.where(fits, word[near], _PLAIN[np.searchsorted(_ORDER, state.astype(str))])
    findings = state_findings(blocks, probability, said, doubt)
    return States(state, np.clip(passing[:, SAILING], 0.0, 1.0), doing, tuple(findings))


_ORDER: Final = np.array(["motoring", "sailing", "stopped"])
_PLAIN: Final = np.array(["under engine", "sailing", "lying"], dtype=object)


def _likely(probability: Floats) -> NDArray[np.intp]:
    """The likeliest state, both kinds of sailing taken as one first."""
    sail = probability[:, SAILING] + probability[:, SLOWED]
    three = np.column_stack([sail, probability[:, ENGINE], probability[:, LYING]])
    kind = np.array([SAILING, ENGINE, LYING])[np.argmax(three, axis=1)]
    slowed = (kind == SAILING) & (probability[:, SLOWED] > probability[:, SAILING])
    return np.where(slowed, SLOWED, kind)


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
    out[on, ENGINE] += 0.99 * out[on, SAILING]
    out[on, SAILING] *= 0.01
    out[off, SAILING] += 0.99 * out[off, ENGINE]
    out[off, ENGINE] *= 0.01
    return out


def _block_mean(value: Floats, near: NDArray[np.intp], count: int) -> Floats:
    good = np.isfinite(value)
    total = np.bincount(near[good], value[good], count)
    seen = np.bincount(near[good], minlength=count)
    return np.asarray(np.divide(total, seen, out=np.full(count, np.nan), where=seen > 0),
                      dtype=float)


def _belief(blocks: Blocks, said: Floats, rpm: Floats, boat: Boat) -> tuple[Floats, Bools]:
    """Probability of the four states a block, and where what is said was not believed."""
    gaps = np.diff(blocks.time_s)
    own = general_boat(boat.lwl_m, boat.loa_m)
    spoken = _spoken(said, blocks.block_s)
    first = posterior(all_evidence(blocks, own) + spoken, gaps)
    own = learn_boat(blocks, first, own)
    evidence = all_evidence(blocks, own)
    if not np.isfinite(said).any():
        return posterior(evidence, gaps), np.zeros(len(blocks), dtype=bool)
    alone = posterior(evidence, gaps)
    gap_before = np.concatenate([[False], gaps > 60.0 + 2.0 * blocks.block_s[1:]])
    doubt = doubtful(np.round(said), rpm, alone[:, ENGINE], alone[:, SAILING], blocks.block_s,
                     gap_before)
    return posterior(evidence + np.where(doubt[:, None], 0.0, spoken), gaps), doubt


def _spoken(said: Floats, block_s: Floats) -> Floats:
    """Log-likelihood of what is said: with it on she may still lie, with it off drift or sail."""
    weight = SAID * np.minimum(np.maximum(block_s, 10.0) / 60.0, 1.0)
    out = np.zeros((said.size, 4))
    on, off = said > 0.5, said <= 0.5
    out[on, SAILING] = out[on, SLOWED] = -weight[on]
    out[on, LYING] = -0.15 * weight[on]
    out[off, ENGINE] = -weight[off]
    return out
