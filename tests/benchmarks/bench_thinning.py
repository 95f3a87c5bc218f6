"""One recorded turn, the log thinned: does its loss stay within its interval?

``python tests/benchmarks/bench_thinning.py [DAYS] [FIRST_SEED]`` thins days of 1 Hz to 2, 5, 10, 30 and 60 s and
prints, for each, how many tacks and gybes were rated, how many intervals hold the loss by 1 Hz and how many the
truth. Thinned rows are costed as such and drawn straight onto the old clock, with what is a reading marked.
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas.turning import START_S, drawn, sail

from sailanalysis.core.model import Boat
from sailanalysis.maneuvers import find_maneuvers
from sailanalysis.maneuvers.rate import rate_maneuvers

EVERY_S = (1, 2, 5, 10, 30, 60)
ANGLES = ("hdg_deg", "cog_deg", "twa_deg", "twd_deg", "awa_deg")


def thinned(samples, every):
    """Each ``every``-th row of a log of 1 Hz."""
    return samples.iloc[::every]


def drawn_between(samples, every):
    """The same on the old clock, straight between the rows kept, and which rows are readings."""
    index = np.arange(len(samples))
    kept = index[::every]
    out = samples.copy()
    for name in samples.select_dtypes("number").columns:
        value = samples[name].to_numpy()[kept]
        if name in ANGLES:
            value = np.degrees(np.unwrap(np.radians(value)))
        out[name] = np.interp(index, kept, value)
        if name in ANGLES:
            out[name] %= 360.0
    for name in ("twa_deg", "awa_deg"):
        out[name] = (out[name] + 180.0) % 360.0 - 180.0
    read = pd.DataFrame(np.repeat((index % every == 0)[:, None], out.shape[1], axis=1),
                        index=out.index, columns=out.columns)
    return out, read


def costed(day, every, between=False):
    """The table of maneuvers of a thinned day."""
    samples, read = drawn_between(day.samples, every) if between else (thinned(day.samples, every), None)
    found = find_maneuvers(samples, Boat())
    return rate_maneuvers(samples, found, None, day.polar, Boat(), read)[0]


def rows_of(seeds, every=EVERY_S, minutes=75.0):
    """Every true turn by every thinning, beside what 1 Hz said of it."""
    rows = []
    for day in sail([drawn(k, every_s=1.0, minutes=minutes) for k in seeds]):
        full = costed(day, 1)
        for step in every:
            for between in (False, True) if step > 1 else (False,):
                table = costed(day, step, between)
                for truth in day.truths:
                    a, b = (near(t, truth) for t in (full, table))
                    if truth.what in ("tack", "gybe") and a is not None and a["rated"]:
                        rows.append({"every_s": step, "between": between, "true_m": truth.loss_m,
                                     "full_m": a["loss_m"], "found": b is not None, "pace": truth.pace_ms,
                                     **({} if b is None else b[["loss_m", "loss_m_low", "loss_m_high", "rated",
                                                                "why_not"]].to_dict())})
    return pd.DataFrame(rows)


def near(table, truth):
    """The turn of the same kind at the time of a true one."""
    at = np.array([t.timestamp() for t in table["start"]]) - START_S
    hit = np.flatnonzero((table["kind"].to_numpy() == truth.what) & (at < truth.end_s)
                         & (at > truth.start_s - 60.0))
    return table.iloc[hit[0]] if hit.size else None


def summary(rows):
    """A Markdown line a thinning."""
    out = ["| every | drawn between | turns | rated | by 1 Hz within | truth within | median error | bias |",
           "| --- | --- | --- | --- | --- | --- | --- | --- |"]
    for (every, between), part in rows.groupby(["every_s", "between"]):
        good = part[part["rated"].eq(True)]
        def inside(name, good=good):
            return ((good["loss_m_low"] <= good[name]) & (good[name] <= good["loss_m_high"])).mean()
        error = (good["loss_m"] - good["true_m"])
        out.append(f"| {every} s | {'yes' if between else 'no'} | {len(part)} | {len(good)} | {inside('full_m'):.0%} "
                   f"| {inside('true_m'):.0%} | {(error.abs() / good['true_m']).median():.0%} "
                   f"| {error.sum() / good['true_m'].sum():+.0%} |")
    return "\n".join(out)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    days, first = (int(sys.argv[k]) if len(sys.argv) > k else d for k, d in ((1, 6), (2, 6100)))
    made = rows_of(range(first, first + days))
    print(summary(made))
    print(made[~made["rated"].eq(True)].groupby("every_s")["why_not"].value_counts().to_string())
