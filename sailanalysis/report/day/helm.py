"""Section: at the wheel or tiller."""

from __future__ import annotations

import numpy as np

from sailanalysis.report.day.facts import Facts, get, numbers, texts
from sailanalysis.report.page.auto import auto_table
from sailanalysis.report.page.sections import Block, Column, Figure, Headline, Section, Table, Text
from sailanalysis.report.page.words import clock, count, interval, known, listed, number


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
    helms = _from_study(facts) or _by_helm(table)
    blocks: list[Block] = []
    headlines: list[Headline] = []
    known_helms = [h for h in helms if known(h["score"])]
    if known_helms:
        told = [f"{h['name']} {interval(h['score'], h['low'], h['high'], '', 0)}"
                for h in sorted(known_helms, key=lambda h: -h["minutes"])]
        verdict = ("Smoothness for the conditions, where 50 is usual and 10 points are one "
                   f"standard deviation: {listed(told)}.")
        if len(known_helms) > 1:
            verdict = f"{verdict} {_compared(facts) or _compare(known_helms)}".strip()
        widest = max((h["high"] - h["low"] for h in known_helms if known(h["low"])), default=99.0)
        headlines.append(Headline(verdict, 55 if widest < 30 else 25))
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
        "A score's range also holds what is unknown about the conditions; two helms on the same "
        "sea share that, so their side-by-side difference is known better than either score. "
        "A score describes one day's rudder, not a person.",)))
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


def _from_study(facts: Facts) -> list[dict]:
    """The same lines from the helming study, which weighs the stretches itself."""
    table = get(facts.result("helm_result"), "by_helm")
    if table is None or not len(table):
        return []
    return [{"name": str(r["helm"]) or "the helm", "minutes": float(r["minutes"]),
             "score": float(r["smoothness"]), "low": float(r["smoothness_low"]),
             "high": float(r["smoothness_high"])} for r in table.to_dict("records")]


def _compared(facts: Facts) -> str:
    """The people's comparison on the same day and sea, from the helming study."""
    table = get(facts.result("helm_result"), "comparisons")
    if table is None or not len(table):
        return ""
    people = [r for r in table.to_dict("records") if "autopilot" not in (r["helm"], r["other"])]
    return facts.scrub(_pair_words(people[0])) if len(people) == 1 else ""


def _compare(helms: list[dict]) -> str:
    people = [h for h in helms if h["name"] != "autopilot" and known(h["low"])]
    if len(people) != 2:
        return ""
    people = sorted(people, key=lambda h: -h["score"])
    first, second = people[0], people[1]
    if first["low"] > second["high"]:
        return (f"{first['name']} steered more smoothly than {second['name']} today by "
                f"{number(first['score'] - second['score'], 0)} points.")
    return "The intervals overlap, so no difference between the helms is shown."


def _rich(facts: Facts) -> list[Block]:
    """Each helm's page: the day in a sentence, calm and busy minutes, one thing to try."""
    study = facts.result("helm_result")
    if study is None:
        return []
    blocks: list[Block] = []
    by_helm = get(study, "by_helm")
    advice = get(study, "advice", {})
    calm, busy = get(study, "calm", {}), get(study, "busy", {})
    basis = get(study, "basis", "")
    if basis == "inferred":
        blocks.append(Text(("There is no rudder sensor in this log: the rudder is inferred from "
                            "how the boat turned. Read these numbers as hints.",), "unknown"))
    for row in by_helm.to_dict("records") if by_helm is not None and len(by_helm) else []:
        name = str(row["helm"])
        shown = {"": "Whoever steered", "autopilot": "The autopilot"}.get(name, facts.scrub(name))
        spoken = [facts.scrub(str(row.get("sentence") or ""))]
        if advice.get(name):
            spoken.append(("Next time: " if name != "autopilot" else "")
                          + facts.scrub(str(advice[name])))
        blocks += [Text((shown,), "heading"), Text(tuple(w for w in spoken if w))]
        pair = [(title, traces[name]) for title, traces in (("calm", calm), ("busy", busy))
                if name in traces]
        if pair:
            blocks.append(_side_by_side(shown, name, pair))
    comparisons = get(study, "comparisons")
    if comparisons is not None and len(comparisons):
        blocks.append(Text(("Side by side",), "heading"))
        blocks.append(Text(tuple(facts.scrub(_pair_words(r))
                                 for r in comparisons.to_dict("records"))))
    weather = get(study, "weather_helm")
    if weather is not None and len(weather):
        blocks.append(auto_table("weather-helm", "Mean rudder by heel: how much she wants to turn "
                                 "up", weather, scrub=facts.scrub,
                                 labels={"weather_helm_deg": "weather helm (°)",
                                         "heel_from_deg": "heel from (°)",
                                         "heel_to_deg": "to (°)"}))
    blocks += _worked(facts, study)
    reasons = [facts.scrub(str(r)) for r in get(study, "reasons", ())]
    if reasons:
        blocks.append(Text(tuple(reasons), "unknown"))
    return blocks


def _pair_words(row: dict) -> str:
    spread = interval(abs(row["difference"]), *sorted((abs(row["low"]), abs(row["high"]))),
                      "points", 0)
    first, second = row["helm"] or "Unnamed", row["other"] or "unnamed"
    if row["low"] <= 0 <= row["high"]:
        return (f"In like conditions no difference is shown between {first} and {second}: "
                f"{interval(row['difference'], row['low'], row['high'], 'points', 0, True)}.")
    if row["difference"] < 0:
        first, second = second, first
    return f"In like conditions {first} steered more smoothly than {second} by {spread}."


def _side_by_side(shown: str, name: str, pair: list) -> Figure:
    from sailanalysis.figures.helm import side_by_side_figure

    pieces = [(f"{title} minutes from {clock(get(t, 'start_s'), False)}", get(t, "second"),
               get(t, "rudder_deg"), get(t, "heading_deg")) for title, t in pair]
    slug = "".join(c if c.isalnum() and c.isascii() else "-" for c in name.lower()) or "unnamed"
    numbers_said = "; ".join(
        f"{title}: rudder rms {number(get(t, 'rudder_rms_deg'))}°, "
        f"{number(get(t, 'reversals_per_min'), 0)} reversals a minute" for title, t in pair)
    return Figure(f"minutes-{slug}", f"{shown}: the quietest and the busiest minutes (at most "
                  "five) for their conditions, rudder above, course about its mean below. "
                  f"{numbers_said}.",
                  f"Rudder and course of {shown} in calm and busy minutes",
                  side_by_side_figure(pieces), wide=True)


def _worked(facts: Facts, study: object) -> list[Block]:
    """Anticipation and over-correction, one row a helm."""
    rows = []
    for name, response in (get(study, "response", {}) or {}).items():
        spectrum = (get(study, "spectra", {}) or {}).get(name)
        row = {"helm": facts.scrub(str(name)) or "unnamed"}
        for key in ("yaw_lag_s", "gust_lag_s", "over_correction", "wind_over_compass"):
            estimate = get(response, key)
            scale = 100 if key == "over_correction" else 1
            for end, column in (("value", key), ("low", f"{key}_low"), ("high", f"{key}_high")):
                row[column] = scale * float(get(estimate, end, float("nan")))
        row["steadier"] = str(get(response, "steadier", "") or "–")
        row["wave_share"] = 100 * float(get(spectrum, "wave_share", float("nan")))
        rows.append(row)
    if not rows:
        return []
    return [Table("anticipation", "How the corrections were made, with 95 % intervals", (
        Column("helm", "helm"),
        Column("yaw_lag_s", "rudder after the boat's turning", 1, "s", "yaw_lag_s_low",
               "yaw_lag_s_high", True),
        Column("gust_lag_s", "after a gust", 1, "s", "gust_lag_s_low", "gust_lag_s_high", True),
        Column("over_correction", "corrections that needed another", 0, "%",
               "over_correction_low", "over_correction_high"),
        Column("steadier", "kept steadier"),
        Column("wave_share", "rudder spent on waves", 0, "%")), rows)]
