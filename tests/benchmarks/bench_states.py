"""The boat's state on hard days whose truth is known: accuracy, calibration, turns lost and invented.

    python tests/benchmarks/bench_states.py [FIRST_SEED] [DAYS_PER_KIND] [--strangers] [--kinds=a,b] [--worst]

Every day of every kind of `seas.state_days` (or, from forces and a rudder, of `seas.stranger_days`) is logged with a set of channels and a step between rows
drawn from its seed; the truth is a value a second (a minute about each change of state is left out, since
where a stop begins is a matter of words). "Right" and "sure" speak of the probability of sailing:
sure is over 0.9 or under 0.1. Turns lost are those that the same detector finds with the true states.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import itertools

from seas import state_days, stranger_days
from seas.states import SLOWED

from sailanalysis.core.model import Boat, Conditioned, CrewLog
from sailanalysis.core.series import epoch_s
from sailanalysis.maneuvers import find_legs, find_maneuvers
from sailanalysis.segment import find_states
from sailanalysis.segment.use import is_sailed
from sailanalysis.wind import wind_and_water, wind_from_track

SETS = state_days.SETS
STEPS_S = (1, 1, 1, 5, 10, 30, 60)
BINS = (0.0, 0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.98, 1.0)


@dataclass
class Score:
    """What became of one day."""

    kind: str
    missing: str
    step_s: int
    seed: int
    probability: np.ndarray
    sailing: np.ndarray
    seconds: float
    state_right: float
    turns: int
    lost: list[str] = field(default_factory=list)
    invented: list[str] = field(default_factory=list)
    at_change: int = 0
    poison_s: float = 0.0
    sailed_share: float = 0.0
    rows: list[str] = field(default_factory=list)


def prepared(table: pd.DataFrame, step_s: float) -> pd.DataFrame:
    """Samples with true wind, as the pipeline makes them."""
    empty = pd.DataFrame()
    rates = dict.fromkeys(table, 1.0 / step_s)
    conditioned = Conditioned(table, 1.0 / step_s, empty, empty, rates, is_reading=table.notna())
    samples, _, source = wind_and_water(conditioned, Boat(), CrewLog())
    if source == "none":
        samples, *_ = wind_from_track(samples)
    for name in ("helm", "sails"):
        samples[name] = ""
    return samples


def edge(state: np.ndarray, seconds: int = 60) -> np.ndarray:
    """Near a change of state."""
    out = np.zeros(state.size, dtype=bool)
    for k in np.flatnonzero(state[1:] != state[:-1]):
        out[max(0, k + 1 - seconds):k + 1 + seconds] = True
    return out


def turns_of(samples: pd.DataFrame) -> list[tuple[str, float]]:
    """Tacks and gybes that the detector finds."""
    table = find_maneuvers(samples, Boat())
    table = table[table["kind"].isin(["tack", "gybe"])]
    return list(zip(table["kind"], epoch_s(table["crossing"]), strict=True))


def unmatched(wanted: list[tuple[str, float]], found: list[tuple[str, float]], within_s: float) -> list[tuple[str, float]]:
    """Those wanted that were not found."""
    left, out = list(found), []
    for kind, when in wanted:
        near = [x for x in left if x[0] == kind and abs(x[1] - when) <= within_s]
        if near:
            left.remove(min(near, key=lambda x: abs(x[1] - when)))
        else:
            out.append((kind, when))
    return out


def score(kind: str, seed: int, missing: str | None = None, step_s: int | None = None,
          rpm: bool | None = None, seas=state_days) -> Score:
    """One day, logged as its seed says where nothing else is given."""
    rng = np.random.default_rng([seed, list(seas.KINDS).index(kind), 17])
    drawn = list(SETS)[rng.integers(len(SETS))] if rng.random() < 0.6 else "wind and speed only"
    every, with_rpm = int(rng.choice(STEPS_S)), bool(rng.random() < 0.15)
    missing, step_s = missing or drawn, step_s or every
    rpm = with_rpm if rpm is None else rpm
    truth = seas.make_day(kind, seed)
    samples = prepared(seas.logged(truth, seed, missing, step_s, rpm), step_s)
    true_state, doing = truth.state[::step_s], truth.doing[::step_s]
    # Half the boats have a boat file that says what hull she is.
    boat = Boat(hull=getattr(truth.hull, "hull", ""), lwl_m=truth.hull.lwl_m) if seed % 2 else Boat()
    found = find_states(samples, CrewLog(), boat)
    p = np.asarray(found.sailing_probability, dtype=float)
    clear = ~edge(truth.state)[::step_s] & (true_state != "either")
    oracle = samples.assign(state=true_state, sailing_probability=(true_state == "sailing").astype(float), doing="sailing")
    samples = samples.assign(state=found.state, sailing_probability=p, doing=found.doing)
    start = epoch_s(samples.index)[0]
    real = [(k, start + t) for t, k in truth.turns]
    within = 15.0 + 2.0 * step_s
    by_truth, by_us = turns_of(oracle), turns_of(samples)
    able = [x for x in by_truth if x not in unmatched(by_truth, real, within)]
    time = epoch_s(samples.index)
    under_sail = [x for x in by_us if true_state[min(np.searchsorted(time, x[1]), time.size - 1)] == "sailing"]
    lost = unmatched(able, by_us, within)
    false = [x for x in by_us if x not in under_sail]
    # In the minute in which sails come down or the tow is cast off it is a matter of words whose turn it was.
    steady = [x for x in false if ~edge(truth.state)[::step_s][min(np.searchsorted(time, x[1]), time.size - 1)]]
    at_change, false = len(false) - len(steady), steady
    bad = (true_state != "sailing") | np.isin(doing, SLOWED)
    legs = find_legs(samples, find_maneuvers(samples, Boat()), Boat())
    in_leg = np.zeros(time.size, dtype=bool)
    for a, b in zip(epoch_s(legs["start"]), epoch_s(legs["end"]), strict=True):
        in_leg[np.searchsorted(time, a):np.searchsorted(time, b)] = True
    used = is_sailed(samples) & in_leg
    rows = []
    for part in _pieces(doing):
        rows.append(f"    {doing[part.start]:9s} {(part.stop - part.start) * step_s / 60:5.1f} min  p {p[part].mean():.2f}"
                    f"  said {pd.Series(found.state[part]).value_counts(normalize=True).round(2).to_dict()}"
                    f" {pd.Series(found.doing[part]).value_counts(normalize=True).round(2).head(2).to_dict()}")
    day = Score(kind, missing, step_s, seed, p[clear], (true_state == "sailing")[clear], step_s,
                float(np.mean(found.state[clear] == true_state[clear])), len(able),
                [f"{k} {(t - start) / 60:.1f}" for k, t in lost], [f"{k} {(t - start) / 60:.1f}" for k, t in false], at_change,
                float((used & bad & clear).sum() * step_s), float(np.mean(used[(true_state == "sailing") & ~bad])) if (~bad).any() else 1.0,
                rows)
    return day


def _pieces(doing: np.ndarray) -> list[slice]:
    coarse = np.where(np.isin(doing, ("tack", "gybe")), "sail", doing)
    edges = [0, *(np.flatnonzero(coarse[1:] != coarse[:-1]) + 1), doing.size]
    return [slice(a, b) for a, b in itertools.pairwise(edges)]


def figures(days: list[Score]) -> str:
    """Sure, right where sure, right of all, turns lost, invented, minutes that poison."""
    p = np.concatenate([d.probability for d in days])
    truth = np.concatenate([d.sailing for d in days])
    weight = np.concatenate([np.full(d.probability.size, float(d.step_s)) for d in days])
    sure = (p > 0.9) | (p < 0.1)
    right = ((p > 0.5) == truth)
    share = np.average(sure, weights=weight)
    good = np.average(right[sure], weights=weight[sure]) if sure.any() else np.nan
    lost, turns = sum(len(d.lost) for d in days), sum(d.turns for d in days)
    return (f"{len(days)} | {share:.1%} | {good:.1%} | {np.average([d.state_right for d in days]):.1%} | {lost} of {turns} | "
            f"{sum(len(d.invented) for d in days)} + {sum(d.at_change for d in days)} | {sum(d.poison_s for d in days) / 60:.1f} | "
            f"{np.mean([d.sailed_share for d in days]):.0%}")


def reliability(days: list[Score]) -> None:
    """Share really sailing by what was given."""
    p = np.concatenate([d.probability for d in days])
    truth = np.concatenate([d.sailing for d in days])
    weight = np.concatenate([np.full(d.probability.size, float(d.step_s)) for d in days])
    print("\n| given | hours | mean given | sailing in truth |\n| --- | --- | --- | --- |")
    for low, high in itertools.pairwise(BINS):
        inside = (p >= low) & ((p < high) | (high == 1.0))
        if inside.any():
            print(f"| {low:.2f}-{high:.2f} | {weight[inside].sum() / 3600:.1f} | {np.average(p[inside], weights=weight[inside]):.3f} "
                  f"| {np.average(truth[inside], weights=weight[inside]):.3f} |")


def main() -> None:
    """Command line."""
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    seas = stranger_days if "--strangers" in sys.argv else state_days
    first, count = (numbers + [1000, 6][len(numbers):])[:2]
    kinds = next((a.split("=")[1].split(",") for a in sys.argv if a.startswith("--kinds=")), list(seas.KINDS))
    days: list[Score] = []
    head = "days | sure | right where sure | state right | turns lost | invented + at a change | poison min | steady sailing used |"
    print(f"| kind | {head}\n|" + " --- |" * 9)
    for kind in kinds:
        some = [score(kind, first + k, seas=seas) for k in range(count)]
        days += some
        print(f"| {kind} | {figures(some)} |", flush=True)
        if "--worst" in sys.argv:
            for d in some:
                wrong = np.mean((d.probability > 0.5) != d.sailing)
                if wrong > 0.03 or d.lost or d.invented or d.poison_s > 30 or np.mean((d.probability > .1) & (d.probability < .9)) > .15:
                    print(f"  seed {d.seed} {d.missing}, {d.step_s} s: wrong {wrong:.1%} lost {d.lost} invented {d.invented} poison {d.poison_s:.0f} s")
                    print("\n".join(d.rows))
    print(f"| **all** | {figures(days)} |")
    for name in SETS:
        some = [d for d in days if d.missing == name]
        if some:
            print(f"| {name} | {figures(some)} |")
    for step in sorted({d.step_s for d in days}):
        print(f"| a row every {step} s | {figures([d for d in days if d.step_s == step])} |")
    both = [d for d in days if d.missing not in ("no wind", "no boat speed", "gps only")]
    if both:
        print(f"| wind and speed logged | {figures(both)} |")
    reliability(days)


if __name__ == "__main__":
    main()
