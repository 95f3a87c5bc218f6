"""Section: at the wheel or tiller."""

from __future__ import annotations

import numpy as np

from sailanalysis.report.facts import Facts, get, numbers, texts
from sailanalysis.report.sections import Block, Column, Figure, Headline, Section, Table, Text
from sailanalysis.report.words import count, interval, known, listed, number


def helm_section(facts: Facts) -> Section:
    """How smoothly each helm steered, for the conditions."""
    table = facts.day.helm.reset_index(drop=True)
    if not len(table):
        why = "no rudder angle and no heading is in the log" if not facts.has("hdg_deg") and \
            not facts.has("rudder_deg") else "no steady leg is long enough to judge"
        return Section("helm", "At the helm", f"Steering could not be judged: {why}.",
                       (Text(("A score needs at least three minutes of one helm on a steady leg, "
                              "and a rudder sensor or a quick heading sensor.",), "unknown"),),
                       code='part["helm"]\nday.helm')
    score = numbers(table, "smoothness")
    helms = _by_helm(table)
    blocks: list[Block] = []
    headlines: list[Headline] = []
    known_helms = [h for h in helms if known(h["score"])]
    if known_helms:
        told = [f"{h['name']} {interval(h['score'], h['low'], h['high'], '', 0)}"
                for h in sorted(known_helms, key=lambda h: -h["minutes"])]
        verdict = ("Smoothness for the conditions, where 50 is usual and 10 points are one standard "
                   f"deviation: {listed(told)}.")
        if len(known_helms) > 1:
            verdict += " " + _compare(known_helms)
        headlines.append(Headline(verdict, 55))
    else:
        verdict = (f"{count(len(table), 'stretch', 'stretches')} at the helm measured; none long "
                   "enough for a score.")
    from sailanalysis.figures.helm import scores_figure

    if np.isfinite(score).any():
        blocks.append(Figure(
            "helm-scores", "Smoothness of each stretch with its 95 % interval, by helm. The line "
            "at 50 is what such conditions ask for on average. Marks by point of sail: triangle up "
            "upwind, circle reaching, triangle down downwind.",
            "Smoothness score of each stretch by helm", scores_figure(table, facts.t0)))
    rows = facts.rows(table, lambda i, row: f"{row.get('helm') or 'helm'} {row['point_of_sail']}")
    blocks.append(Table("helm", "Stretches at the helm", (
        Column("helm", "helm"), Column("point_of_sail", "point of sail"),
        Column("start", "from", show="clock"), Column("minutes", "minutes", 0),
        Column("tws_kn", "true wind", 0, "kn"),
        Column("smoothness", "smoothness", 0, "", "smoothness_low", "smoothness_high"),
        Column("rudder_rms_deg", "rudder rms", 1, "°"),
        Column("rudder_rate_rms_deg_s", "rudder rate rms", 1, "°/s"),
        Column("reversals_per_min", "reversals", 0, "/min"),
        Column("rudder_mean_deg", "mean rudder", 1, "°"),
        Column("course_sd_deg", "course sd", 1, "°"), Column("twa_sd_deg", "wind angle sd", 1, "°"),
        Column("steering_cost", "steering cost", 1),
        Column("rudder_drag_ratio", "rudder drag ratio", 3)), rows))
    blocks += _rich(facts)
    blocks.append(Text((
        "Two scores whose intervals overlap are not shown to differ. A score describes one day's "
        "rudder, not a person.",)))
    return Section(
        "helm", "At the helm", verdict, tuple(blocks),
        how=(
            "Only steady legs under sail count, one helm at a time. Rudder activity is measured "
            "about its own slow mean, so that weather helm is not called restlessness.",
            "Reversals count changes of the rudder's direction beyond a dead band after a stated "
            "low-pass filter, after the steering-reversal-rate definition of the driving-research "
            "standard.",
            "Smoothness compares the activity with what this point of sail, wind, gustiness, "
            "speed and wave motion ask for on average: from earlier days where there are some, "
            "else from a documented starting model. Below three minutes there is no score.",
        ),
        source=("SAE J2944, Operational definitions of driving performance measures and "
                "statistics, 2015 (steering reversals).",),
        code='part["helm"]\nday.helm.groupby(["helm", "point_of_sail"]).smoothness.describe()',
        headlines=tuple(headlines))


def _by_helm(table) -> list[dict]:
    """One line a helm: minutes-weighted score with its interval.

    The half-widths are combined as for independent stretches with equal shares of the minutes.
    """
    out = []
    names = texts(table, "helm")
    minutes, score = numbers(table, "minutes"), numbers(table, "smoothness")
    half = 0.5 * (numbers(table, "smoothness_high") - numbers(table, "smoothness_low"))
    for name in dict.fromkeys(names):
        mine = (names == name) & np.isfinite(score) & (minutes > 0)
        row = {"name": name or "the helm", "minutes": float(np.nansum(minutes[names == name])),
               "score": float("nan"), "low": float("nan"), "high": float("nan")}
        if mine.any():
            weight = minutes[mine] / minutes[mine].sum()
            row["score"] = float(weight @ score[mine])
            if np.isfinite(half[mine]).all():
                width = float(np.sqrt(np.sum((weight * half[mine]) ** 2)))
                row["low"], row["high"] = row["score"] - width, row["score"] + width
        out.append(row)
    return out


def _compare(helms: list[dict]) -> str:
    people = [h for h in helms if h["name"] != "autopilot" and known(h["low"])]
    if len(people) < 2:
        return ""
    people = sorted(people, key=lambda h: -h["score"])
    first, second = people[0], people[1]
    if first["low"] > second["high"]:
        return (f"{first['name']} steered more smoothly than {second['name']} today by "
                f"{number(first['score'] - second['score'], 0)} points.")
    return "The intervals overlap, so no difference between the helms is shown."


def _rich(facts: Facts) -> list[Block]:
    """Anticipation, calm and busy minutes, one thing to try: from the helm study."""
    study = facts.result("helm_result")
    if study is None:
        return []
    spoken = [facts.scrub(str(s)) for s in (get(study, "sentences") or ())]
    return [Text(tuple(spoken))] if spoken else []
