"""Section: at the wheel or tiller."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from sailanalysis.report.day.facts import Facts, numbers
from sailanalysis.report.day.sheet import narrow, score_words
from sailanalysis.report.page.auto import auto_table
from sailanalysis.report.page.sections import Block, Column, Figure, Headline, Section, Table, Text
from sailanalysis.report.page.words import clock, count, interval, known, listed, number

if TYPE_CHECKING:
    from sailanalysis.core.stats import Estimate
    from sailanalysis.helm.pictures import Trace
    from sailanalysis.helm.rate import HelmResult


@dataclass(frozen=True)
class _Score:
    """One helm's smoothness over the day, with its 95 % interval."""

    name: str
    minutes: float
    score: float
    low: float
    high: float

    @property
    def words(self) -> str:
        """The score with its interval, in words where that is too wide for a number."""
        return score_words({"smoothness": self.score, "smoothness_low": self.low,
                            "smoothness_high": self.high})


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
    helms = _from_study(facts)
    blocks: list[Block] = []
    headlines: list[Headline] = []
    known_helms = [h for h in helms if known(h.score)]
    if known_helms:
        told = [f"{h.name} {h.words}" for h in sorted(known_helms, key=lambda h: -h.minutes)]
        verdict = f"Smoothness for the conditions, where 50 is usual: {listed(told)}."
        if len(known_helms) > 1:
            verdict = f"{verdict} {_compared(facts)}".strip()
        headlines += _differing(facts)
    else:
        stretches = count(len(table), "stretch", "stretches")
        verdict = (f"{stretches} at the helm measured, each with its score in the table."
                   if np.isfinite(score).any() else
                   f"{stretches} at the helm measured; none long enough for a score.")
    from sailanalysis.figures.helm import scores_figure

    if np.isfinite(score).any():
        blocks.append(Figure(
            "helm-scores", "Smoothness of each stretch with its 95 % interval, by helm. The line "
            "at 50 is what such conditions ask for on average. Marks by point of sail: triangle up "
            "upwind, circle reaching, triangle down downwind.",
            "Smoothness score of each stretch by helm",
            scores_figure(table[[narrow(r) for r in table.to_dict("records")]], facts.t0)))
    rows = facts.rows(table, lambda i, row: f"{row.get('helm') or 'helm'} {row['point_of_sail']}")
    for row in rows:
        if not narrow(row):
            row["smoothness"] = float("nan")
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
        "A score whose range is wider than 25 points is not shown as a number. "
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


def _from_study(facts: Facts) -> list[_Score]:
    """The same lines from the helming study, which weighs the stretches itself."""
    study = facts.day.results.helm
    return [] if study is None else [
        _Score(str(r["helm"]) or "the helm", float(r["minutes"]), float(r["smoothness"]),
               float(r["smoothness_low"]), float(r["smoothness_high"]))
        for r in study.by_helm.to_dict("records")]


def _compared(facts: Facts) -> str:
    """The people's comparison on the same day and sea, from the helming study."""
    study = facts.day.results.helm
    if study is None:
        return ""
    people = [r for r in study.comparisons.to_dict("records")
              if "autopilot" not in (r["helm"], r["other"])]
    return facts.scrub(_pair_words(people[0])) if len(people) == 1 else ""


def _differing(facts: Facts) -> list[Headline]:
    """Two people whose steering differed on the same sea; nothing where no difference is shown."""
    study = facts.day.results.helm
    people = [] if study is None else [
        r for r in study.comparisons.to_dict("records")
        if "autopilot" not in (r["helm"], r["other"]) and not r["low"] <= 0 <= r["high"]]
    return [Headline(facts.scrub(_pair_words(r)), 58.0) for r in people[:1]]


def _rich(facts: Facts) -> list[Block]:
    """Each helm's page: the day in a sentence, calm and busy minutes, one thing to try."""
    study = facts.day.results.helm
    if study is None:
        return []
    blocks: list[Block] = []
    if study.basis == "inferred":
        blocks.append(Text(("There is no rudder sensor in this log: the rudder is inferred from "
                            "how the boat turned. Read these numbers as hints.",), "unknown"))
    differing = {str(name) for r in study.comparisons.to_dict("records")
                 if not r["low"] <= 0 <= r["high"] for name in (r["helm"], r["other"])}
    for row in study.by_helm.to_dict("records"):
        name = str(row["helm"])
        shown = {"": "Whoever steered", "autopilot": "The autopilot"}.get(name, facts.scrub(name))
        spoken = [facts.scrub(_score_sentence(shown, row, name in differing))]
        if study.advice.get(name):
            spoken.append(("Next time: " if name != "autopilot" else "")
                          + facts.scrub(study.advice[name]))
        blocks += [Text((shown,), "heading"), Text(tuple(w for w in spoken if w))]
        both = (("calm", study.calm), ("busy", study.busy))
        pair = [(title, traces[name]) for title, traces in both if name in traces]
        if pair:
            blocks.append(_side_by_side(shown, name, pair))
    if len(study.comparisons):
        blocks.append(Text(("Side by side",), "heading"))
        blocks.append(Text(tuple(facts.scrub(_pair_words(r))
                                 for r in study.comparisons.to_dict("records"))))
    if len(study.weather_helm):
        blocks.append(auto_table("weather-helm", "Mean rudder by heel: how much she wants to turn "
                                 "up", study.weather_helm, scrub=facts.scrub,
                                 labels={"weather_helm_deg": "weather helm (°)",
                                         "heel_from_deg": "heel from (°)",
                                         "heel_to_deg": "to (°)"}))
    blocks += _worked(facts, study)
    reasons = [facts.scrub(r) for r in study.reasons]
    if reasons:
        blocks.append(Text(tuple(reasons), "unknown"))
    return blocks


def _score_sentence(name: str, row: Mapping[str, Any], differs: bool) -> str:
    """A helm's day: minutes and score, against their own usual or what such conditions ask for.

    Where another helm steered otherwise on the same sea, that sentence says how it was; "as
    usual" beside it would read as its contrary.
    """
    text = f"{name} steered {number(row['minutes'], 0)} minutes on steady legs"
    score = score_words(row)
    if not known(row["smoothness"]):
        return f"{text}: too little, or logged too slowly, for a score."
    text += f", smoothness {score}" if score[0].isdigit() else f"; the score is {score}"
    return f"{text}{_beside(row, differs)}."


def _beside(row: Mapping[str, Any], differs: bool) -> str:
    usual = row.get("today_less_usual")
    if known(usual):
        if row["today_less_usual_low"] > 0:
            return ", smoother than their usual"
        if row["today_less_usual_high"] < 0:
            return ", busier than their usual"
        return "" if differs else ", in line with their usual"
    if row["smoothness_low"] > 50:
        return ": quieter on the rudder than such conditions usually ask for"
    if row["smoothness_high"] < 50:
        return ": busier on the rudder than such conditions usually ask for"
    return "" if differs else ": about what such conditions ask for, as far as this day can tell"


def _pair_words(row: Mapping[str, Any]) -> str:
    low, high = sorted((abs(row["low"]), abs(row["high"])))
    spread = interval(abs(row["difference"]), low, high, "points", 0)
    first, second = row["helm"] or "Unnamed", row["other"] or "unnamed"
    if row["low"] <= 0 <= row["high"]:
        return (f"In like conditions no difference is shown between {first} and {second}: "
                f"{interval(row['difference'], row['low'], row['high'], 'points', 0, True)}.")
    if row["difference"] < 0:
        first, second = second, first
    return f"In like conditions {first} steered more smoothly than {second} by {spread}."


def _side_by_side(shown: str, name: str, pair: list[tuple[str, Trace]]) -> Figure:
    from sailanalysis.figures.helm import side_by_side_figure

    pieces = [(f"{title} minutes from {clock(t.start_s, False)}",
               t.second, t.rudder_deg, t.heading_deg) for title, t in pair]
    slug = "".join(c if c.isalnum() and c.isascii() else "-" for c in name.lower()) or "unnamed"
    numbers_said = "; ".join(
        f"{title}: rudder rms {number(t.rudder_rms_deg)}°, "
        f"{number(t.reversals_per_min, 0)} reversals a minute" for title, t in pair)
    return Figure(f"minutes-{slug}", f"{shown}: the quietest and the busiest minutes (at most "
                  "five) for their conditions, rudder above, course about its mean below. "
                  f"{numbers_said}.",
                  f"Rudder and course of {shown} in calm and busy minutes",
                  side_by_side_figure(pieces), wide=True)


def _ends(key: str, estimate: Estimate, scale: float = 1.0) -> dict[str, float]:
    return {key: scale * estimate.value, f"{key}_low": scale * estimate.low,
            f"{key}_high": scale * estimate.high}


def _worked(facts: Facts, study: HelmResult) -> list[Block]:
    """Anticipation and over-correction, one row a helm."""
    rows = []
    for name, response in study.response.items():
        spectrum = study.spectra.get(name)
        rows.append({
            "helm": facts.scrub(name) or "unnamed",
            **_ends("yaw_lag_s", response.yaw_lag_s), **_ends("gust_lag_s", response.gust_lag_s),
            **_ends("over_correction", response.over_correction, 100.0),
            "steadier": response.steadier or "–",
            "wave_share": 100 * spectrum.wave_share if spectrum is not None else float("nan")})
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
        Column("wave_share", "rudder spent on waves", 0, "%")), rows, folded=True)]
