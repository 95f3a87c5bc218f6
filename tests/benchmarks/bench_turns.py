"""What turns cost, scored on boats whose speed builds in 3 to 30 s, with odd stretches on half the days.

``python tests/benchmarks/bench_turns.py [DAYS] [FIRST_SEED] [--mishaps] [--every SECONDS]`` prints a Markdown table: for tacks,
gybes, catamarans, waves, light air, rated and all given the share rated, the median error, the bias,
how many 95 % intervals hold the truth (also in a wind without shifts), and the interval score.
The truth is the same boat in the same wind without the turn; nothing of it sets a constant of the analysis.

References
----------
.. [1] Gneiting and Raftery, "Strictly proper scoring rules, prediction, and estimation", JASA 102(477),
   359-378, 2007, eq. 43 (interval score).
"""

from __future__ import annotations

import argparse
import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas.turning import START_S, drawn, sail

from sailanalysis.core.model import Boat
from sailanalysis.maneuvers import find_legs, find_maneuvers
from sailanalysis.maneuvers.rate import rate_maneuvers
from sailanalysis.maneuvers.reasons import What

TURNS = ("tack", "gybe")
NAMED = {"broach": ("gybe", What.BROACH), "chicken gybe": ("tack", What.INSTEAD_OF_A_GYBE),
         "luff": ("luff", What.PLAIN), "failed tack": ("luff", What.THROUGH_THE_WIND),
         "stalled tack": ("tack", What.PLAIN), "penalty": ("circle", What.ONCE_ROUND),
         "man overboard": ("circle", What.ROUND_WITH_A_STOP)}
"""What each true event should be called."""


def score(low, high, truth):
    """Interval score of 95 % intervals: their width, and 40 times what they miss by."""
    return (high - low) + 40.0 * np.maximum(low - truth, 0) + 40.0 * np.maximum(truth - high, 0)


def day_rows(day):
    """Every true turn of a day with what was said of it."""
    found = find_maneuvers(day.samples, Boat())
    table, _ = rate_maneuvers(day.samples, found, find_legs(day.samples, found, Boat()), day.polar, Boat())
    start = np.array([t.timestamp() - START_S for t in table["start"]]) if len(table) else np.empty(0)
    end = np.array([t.timestamp() - START_S for t in table["end"]]) if len(table) else np.empty(0)
    rows = []
    c = day.conditions
    for truth in day.truths:
        row = {"seed": c.seed, "hull": c.hull.name, "build_s": c.build_s, "tws_kn": c.tws_kn, "odd": c.odd,
               "wave_kn": c.wave_kn, "receiver": c.receiver, "lag_s": c.stw_lag_s, "by_compass": c.by_compass, "every_s": c.every_s, "what": truth.what, "true_m": truth.loss_m, "fair_m": truth.fair_m, "start_s": truth.start_s,
               "pace": truth.pace_ms, "found": False, "rated": False}
        near = np.flatnonzero((start < truth.end_s + 5) & (end > truth.start_s - 5))
        row["pieces"] = near.size
        if near.size:
            got = table.iloc[near[np.argmax(end[near] - start[near])]]
            row |= {"found": got["kind"] == truth.what or truth.what not in TURNS, "kind": got["kind"], "named": got.get("what", got.get("remark", "")), "loss_m": got["loss_m"],
                    "low_m": got["loss_m_low"], "high_m": got["loss_m_high"], "rated": bool(got["rated"]),
                    "why": got["why_not"], "least_m": got["at_least_m"], "from_s": float(start[near].min()) - truth.start_s, "to_s": float(end[near].max()) - truth.end_s}
        rows.append(row)
    return rows


def rows_of(seeds, **how):
    rows = []
    for first in range(0, len(seeds), 16):
        for day in sail([drawn(k, **how) for k in seeds[first:first + 16]]):
            rows += day_rows(day)
    return pd.DataFrame(rows)


def line(name, rows, given=False):
    use = rows[np.isfinite(rows["loss_m"])] if given else rows[rows["rated"]]
    error = use["loss_m"] - use["true_m"]
    inside = (use["low_m"] <= use["true_m"]) & (use["true_m"] <= use["high_m"])
    fair = (use["low_m"] <= use["fair_m"]) & (use["fair_m"] <= use["high_m"])
    points = score(use["low_m"], use["high_m"], use["true_m"])
    return (f"| {name} | {len(rows)} | {rows['rated'].mean():.0%} | {len(use)} "
            f"| {(error.abs() / use['true_m'].abs()).median():.1%} | {error.sum() / use['true_m'].sum():+.1%} "
            f"| {inside.mean():.1%} | {fair.mean():.1%} | {points.mean():.1f} m |")


def bounded_right(row):
    """Whether an event was found in one piece, by its name, from its start to its end."""
    return row.pieces == 1 and (row.kind, row.named) == NAMED[row.what] \
        and abs(row.from_s) < 12 and abs(row.to_s) < 30


def event_table(rows):
    """Work on board and mishaps: found, bounded and named right, costed; bounds of what is not rated."""
    rows = rows[rows["what"].isin(NAMED)]
    out = ["| event | n | found | one piece, bounds and name right | rated | median error | covered |",
           "|---|---|---|---|---|---|---|"]
    for what, mine in rows.groupby("what"):
        rated = mine[mine["rated"]]
        error = ((rated["loss_m"] - rated["true_m"]).abs() / rated["true_m"].abs()).median()
        inside = ((rated["low_m"] <= rated["true_m"]) & (rated["true_m"] <= rated["high_m"])).mean()
        found = np.mean([row.pieces > 0 and row.kind == NAMED[row.what][0] for row in mine.itertuples()])
        right = np.mean([bounded_right(row) for row in mine.itertuples()])
        out.append(f"| {what} | {len(mine)} | {found:.0%} | {right:.0%} | {mine['rated'].mean():.0%} "
                   f"| {error:.0%} | {inside:.0%} |")
    return "\n".join(out)


def bound_line(rows):
    """How many of the one-sided bounds of what is not rated hold."""
    given = rows[~rows["rated"] & rows["least_m"].notna()]
    return f"At-least bounds: {(given['least_m'] <= given['true_m']).sum()} of {len(given)} hold."


HEAD = """| | turns | rated | scored | median error | bias | covered | without shifts | interval score |
|---|---|---|---|---|---|---|---|---|"""


def table(rows):
    """The whole table as Markdown."""
    turns = rows[rows["what"].isin(TURNS)]
    out = [HEAD]
    groups = {"tacks": turns["what"] == "tack", "gybes": turns["what"] == "gybe",
              "catamaran": turns["hull"] == "catamaran", "waves": turns["wave_kn"] > 0.12,
              "light air": turns["tws_kn"] < 9, "odd days": turns["odd"]}
    out += [line(name, turns[mask]) for name, mask in groups.items()]
    out += [line("rated", turns), line("all given", turns, given=True)]
    out += [line(f"{name}, all given", turns[mask], given=True) for name, mask in groups.items()]
    return "\n".join(out)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    ask = argparse.ArgumentParser()
    ask.add_argument("days", nargs="?", type=int, default=32)
    ask.add_argument("first", nargs="?", type=int, default=1000)
    ask.add_argument("--mishaps", action="store_true")
    ask.add_argument("--every", type=float)
    ask.add_argument("--keep")
    asked = ask.parse_args()
    rows = rows_of(list(range(asked.first, asked.first + asked.days)), mishaps=asked.mishaps, every_s=asked.every)
    if asked.keep:
        rows.to_pickle(asked.keep)
    print(table(rows))
    if asked.mishaps:
        print(f"\n{event_table(rows)}\n\n{bound_line(rows)}")
