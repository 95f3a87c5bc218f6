"""The second printed page of a day: targets, turns, helms and trials in short."""

from __future__ import annotations

from typing import Any

import numpy as np

from sailanalysis.report.day.facts import Facts, texts
from sailanalysis.report.page.sections import Column, Table
from sailanalysis.report.page.words import interval, known

WIDEST_POINTS = 25.0
"""A score whose interval is wider is not shown as a number."""
MOST_ROWS = 8


def day_sheet(facts: Facts) -> tuple[Table, ...]:
    """Tables of the printed sheet; those without a row are left out."""
    made = (targets_card(facts.day.targets), _turns(facts), _helms(facts), _trials(facts))
    return tuple(table for table in made if table.rows)


def targets_card(targets: Any) -> Table:
    """Best course made good, a row a wind speed, all sails together."""
    rows: dict[float, dict[str, Any]] = {}
    for row in targets.to_dict("records") if len(targets) else []:
        if row.get("sails") == "all":
            word = "up" if row["direction"] == "upwind" else "down"
            one = rows.setdefault(float(row["tws_kn"]), {"tws": row["tws_kn"]})
            one |= {f"{word}_{k}": abs(float(row[k])) for k in
                    ("twa_deg", "twa_low_deg", "twa_high_deg", "awa_deg", "stw_kn", "vmg_kn")}
    columns = [Column("tws", "true wind", 0, "kn")]
    for word, title in (("up", "upwind"), ("down", "downwind")):
        columns += [
            Column(f"{word}_twa_deg", f"{title} true angle", 0, "°", f"{word}_twa_low_deg",
                   f"{word}_twa_high_deg"),
            Column(f"{word}_awa_deg", "apparent", 0, "°"),
            Column(f"{word}_stw_kn", "speed", 1, "kn"),
            Column(f"{word}_vmg_kn", "VMG", 1, "kn")]
    return Table("sheet-targets", "Targets: what this boat did best, not what she must do",
                 tuple(columns), [rows[k] for k in sorted(rows)])


def _turns(facts: Facts) -> Table:
    table = facts.day.maneuvers
    study = facts.day.results.maneuvers
    pooled = [] if study is None else study.pooled.to_dict("records")
    rows = [{**r, "helm": facts.scrub(str(r["helm"])), "sails": facts.scrub(str(r["sails"]))}
            for r in pooled if known(r["loss_m"])]
    kinds = texts(table, "kind") if len(table) else np.array([])
    caption = "Tacks and gybes: what one cost" + (
        "" if rows or not len(kinds) else "; none could be costed")
    return Table("sheet-turns", caption, (
        Column("kind", "kind"), Column("helm", "helm"), Column("sails", "sails"),
        Column("rated", "costed", 0), Column("loss_m", "mean cost, 95 % interval", 0, "m",
                                             "loss_m_low", "loss_m_high"),
        Column("loss_s", "cost", 0, "s")), rows[:MOST_ROWS])


def _helms(facts: Facts) -> Table:
    study = facts.day.results.helm
    rows = [{
        "helm": facts.scrub(str(r["helm"])) or "unnamed", "minutes": r["minutes"],
        "score": score_words(r), "next": facts.scrub(study.advice.get(str(r["helm"]), ""))}
        for r in study.by_helm.to_dict("records")] if study is not None else []
    return Table("sheet-helms", "At the helm", (
        Column("helm", "helm"), Column("minutes", "minutes", 0),
        Column("score", "smoothness, 50 is usual"), Column("next", "next time")), rows[:MOST_ROWS])


def narrow(row: Any) -> bool:
    """Whether a score's interval is narrow enough for a number."""
    return bool(float(row["smoothness_high"]) - float(row["smoothness_low"]) <= WIDEST_POINTS)


def score_words(row: Any) -> str:
    """A score with its interval; words where the interval is too wide for a number."""
    low, high = float(row["smoothness_low"]), float(row["smoothness_high"])
    if not known(row["smoothness"]) or not narrow(row):
        return "too uncertain for a number"
    return interval(row["smoothness"], low, high, "", 0)


def _trials(facts: Facts) -> Table:
    table = facts.day.trials
    rows = facts.rows(table) if len(table) else []
    order = {"faster": 0, "slower": 0, "no clear difference": 1}
    rows = sorted(rows, key=lambda r: (order.get(str(r.get("verdict")), 2),
                                       -abs(numbers_of(r, "gain_kn"))))
    return Table("sheet-trials", "Trim and sail changes", (
        Column("time", "time", show="clock"), Column("what", "what"), Column("verdict", "verdict"),
        Column("gain_kn", "gain", 2, "kn", "gain_low_kn", "gain_high_kn", sign=True)),
        rows[:MOST_ROWS])


def numbers_of(row: dict[str, Any], name: str) -> float:
    """A number of a row, nought where it is not known."""
    return float(row[name]) if known(row.get(name)) else 0.0


__all__ = ["day_sheet", "narrow", "score_words", "targets_card"]
