"""Studies on the invented sea: order of helms, sameness in smooth and rough water, coverage.

Shared by the slow tests and by ``tests/benchmarks/bench_helm.py``, which prints the tables.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
from seas.helming import CRAFTS, PILOT, helm_of_skill, sail

from sailanalysis.core.model import Boat
from sailanalysis.helm.progress import helm_progress
from sailanalysis.helm.rate import rate_helming
from sailanalysis.helm.usual import SPREAD, fit_usual, rescore

LOGS = {
    "10 Hz": lambda s: s, "2 Hz": lambda s: s.iloc[::5], "1 Hz": lambda s: s.iloc[::10],
    "heel only": lambda s: s.drop(columns="trim_deg"),
    "no roll, no pitch": lambda s: s.drop(columns=["heel_deg", "trim_deg"]),
    "rudder to 1 deg": lambda s: s.assign(rudder_deg=s["rudder_deg"].round()),
    "no rudder": lambda s: s.drop(columns="rudder_deg"),
}


def two_helms_and_a_pilot(pairs, days=4, hours=2.5, seed=0, logs=("10 Hz",)):
    """Pairs of helms of random skill and an autopilot take turns in changing sea and wind.

    Returns
    -------
    scores : DataFrame
        A row a day and log: true log ratio of rudder rms, scores, difference with its interval, true
        difference in points (log activity of the whole day on the same sea).
    seas : DataFrame
        A row a helm and day: mean score of the smooth and of the rough half of their minutes.
    """
    rng = np.random.default_rng(seed)
    scores, seas = [], []
    for k in range(pairs):
        craft = list(CRAFTS)[k % len(CRAFTS)]
        helms = [helm_of_skill(rng, "Ada"), helm_of_skill(rng, "Bo"), PILOT]
        for day in sail(helms, days=days, hours=hours, craft=craft, turn_min=15.0,
                        seed=int(rng.integers(1e9))):
            truth = day["truth"]
            for log in logs:
                samples = LOGS[log](day["samples"])
                _, result = rate_helming(samples, day["legs"], day["maneuvers"], Boat())
                score = result.by_helm.set_index("helm").smoothness
                pair = result.comparisons.set_index(["helm", "other"]).loc[("Ada", "Bo")]
                scores.append({
                    "craft": craft, "log": log,
                    "true_log": np.log(truth["Ada"]["rms"] / truth["Bo"]["rms"]),
                    "ada": score["Ada"], "bo": score["Bo"], "difference": pair.difference,
                    "low": pair.low, "high": pair.high,
                    "true_points": -10 / SPREAD * (truth["Ada"]["log"] - truth["Bo"]["log"])})
                seas += _smooth_and_rough(day, result.windows, craft, log)
    table = pd.DataFrame(scores)
    differ = table.true_log.abs() > np.log(1.25)
    table["right"] = np.where(
        differ, (np.sign(table.bo - table.ada) == np.sign(table.true_log)).astype(float), np.nan)
    table["covered"] = (table.low <= table.true_points) & (table.true_points <= table.high)
    return table, pd.DataFrame(seas)


def _smooth_and_rough(day, windows, craft, log):
    start = day["samples"].index[0].timestamp()
    middle = ((windows.start_s + windows.end_s) / 2 - start) * 10
    at = np.clip(middle.to_numpy().astype(int), 0, len(day["rough"]) - 1)
    windows = windows.assign(rough=day["rough"][at])
    out = []
    for helm, mine in windows.groupby("helm"):
        rough, smooth = mine[mine.rough].residual, mine[~mine.rough].residual
        if min(rough.count(), smooth.count()) >= 4:
            out.append({"craft": craft, "log": log, "helm": helm,
                        "gap": 10 / SPREAD * (smooth.mean() - rough.mean())})
    return out


def same_helm_under_two_names(pairs, days=3, seed=11):
    """One way of steering under two names, each in one sea only: smooth for one, rough for the other.

    Returns
    -------
    DataFrame
        A row a day: log ratio of the two seas, and the difference found with its interval; the truth
        is none.
    """
    rng = np.random.default_rng(seed)
    out = []
    for k in range(pairs):
        ada = helm_of_skill(rng, "Ada")
        for day in sail([ada, replace(ada, name="Bo")], days=days, hours=1.33, turn_min=40.0,
                        craft=list(CRAFTS)[k % len(CRAFTS)], seed=int(rng.integers(1e9))):
            _, result = rate_helming(day["samples"].iloc[::5], day["legs"], day["maneuvers"], Boat())
            pair = result.comparisons.iloc[0]
            seas = [np.log(day["level"][day["take"] == j].mean()) for j in (0, 1)]
            out.append({"seas": seas[0] - seas[1], "difference": pair.difference, "low": pair.low,
                        "high": pair.high})
    return pd.DataFrame(out)


def season_without_change(seasons, days=6, seed=0):
    """Whole seasons through the program: rate each day, fit the usual, follow the helms.

    Returns
    -------
    DataFrame
        Trend rows of Ada and Bo, who never change, over ``seasons`` seasons.
    """
    rng = np.random.default_rng(seed)
    out = []
    for k in range(seasons):
        helms = [helm_of_skill(rng, "Ada"), helm_of_skill(rng, "Bo")]
        rows = []
        sailed = sail(helms, days=days, hours=1.0, turn_min=15.0, craft=list(CRAFTS)[k % 4],
                      seed=int(rng.integers(1e9)))
        for number, day in enumerate(sailed):
            table, _ = rate_helming(day["samples"].iloc[::5], day["legs"], day["maneuvers"], Boat())
            rows.append(table.assign(day=f"2031-06-{number + 1:02d}"))
        rows = pd.concat(rows, ignore_index=True)
        out.append(helm_progress(rescore(rows, fit_usual(rows)))[1].assign(season=k))
    return pd.concat(out, ignore_index=True)
