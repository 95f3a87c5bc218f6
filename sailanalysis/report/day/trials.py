"""Sections: trim and sail changes, and the weight on board."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from sailanalysis.core.points import point_of_sail
from sailanalysis.core.stats import Estimate
from sailanalysis.report.day.facts import Facts, numbers, texts
from sailanalysis.report.page.sections import Block, Column, Figure, Headline, Section, Table, Text
from sailanalysis.report.page.words import (
    amount,
    clock,
    count,
    interval,
    known,
    listed,
    number,
    zone,
)


def trials_section(facts: Facts) -> Section | None:
    """Before against after, for every change the crew log marks; None where it marks none."""
    table = facts.day.trials.reset_index(drop=True)
    marked = facts.day.crew.of("trim")
    chosen = _choice_words(facts)
    if not len(table) and not marked and not chosen:
        return None
    rows = facts.rows(table)
    for i, row in enumerate(rows):
        at = row["time"]
        if known(at):
            row["_focus"] = (at - facts.t0 - 300, at - facts.t0 + 300,
                             f"change at {clock(at, False)}: {row.get('what', '')}")
        row["i"] = i
    verdicts = texts(table, "verdict")
    clear = [r for r, v in zip(rows, verdicts, strict=True) if v in ("faster", "slower")]
    headlines: list[Headline] = []
    told = []
    for row in sorted(clear, key=lambda r: -abs(r["gain_kn"])):
        text = (f"After \u201c{row['what']}\u201d she sailed "
                f"{interval(abs(row['gain_kn']), *_ends(row), 'kn', 2)} {row['verdict']} in the "
                f"same wind{_where(row)}.")
        told.append(text)
        headlines.append(Headline(text, 56.0, _worth_minutes(facts, row)))
    unclear = int((verdicts == "no clear difference").sum())
    short = int((verdicts == "not enough data").sum())
    headlines += [Headline(text, 58.0) for text in chosen[:1]]
    if chosen and not told:
        verdict = chosen[0]
    elif told:
        verdict = " ".join(told[:2]) + (f" {len(rows)} changes are marked in all."
                                         if len(rows) > len(told[:2]) else "")
    else:
        verdict = f"{count(len(rows), 'change')} marked, and no clear difference shown by any."
    from sailanalysis.figures.trials import trials_figure

    blocks: list[Block] = [Text(chosen, "list")] if chosen else []
    if np.isfinite(numbers(table, "gain_kn")).any():
        blocks.append(Figure(
            "trials", "Change in boat speed after each marked change, the wind's own change taken "
            "out, with its 95 % interval. An interval across zero shows no clear difference.",
            "Gain of each trial in knots", trials_figure(table)))
    blocks.append(Table("trials", "Marked changes", (
        Column("time", f"time ({zone()})", show="clock"), Column("what", "what"),
        Column("verdict", "verdict"),
        Column("gain_kn", "gain", 2, "kn", "gain_low_kn", "gain_high_kn", sign=True),
        Column("stw_before_kn", "speed before", 2, "kn"),
        Column("stw_after_kn", "after", 2, "kn"),
        Column("minutes_before", "minutes before", 1), Column("minutes_after", "after", 1),
        Column("gap_s", "apart", 0, "s"), Column("moved_s", "mark moved by", 0, "s", sign=True),
        Column("why_not", "remark")), rows))
    blocks += _pooled(facts)
    if unclear or short:
        parts = listed([f"{count(unclear, 'trial')} unclear" if unclear else "",
                        f"{count(short, 'trial')} too short" if short else ""])
        blocks.append(Text((
            f"{parts}. {_shortest(rows)}"
            "A clearer answer: five steady minutes before and five after, then back to the first "
            "setting for five, and once more. Mark each change in the crew log; repeated trials of "
            "one thing are pooled over the season.",)))
    return Section(
        "trials", "Trim and sail changes", verdict, tuple(blocks),
        how=("Speed in steady minutes before and after each mark, corrected for the wind's change "
             "through the boat's polar. The interval allows for the speed's own slow wandering, "
             "which makes neighbouring seconds alike.",),
        code='part["trials"]\nday.trials[["what", "gain_kn", "gain_low_kn", "gain_high_kn", '
             '"verdict"]]',
        headlines=tuple(headlines))


def _where(row: Mapping[str, Any]) -> str:
    """Angle, wind and minutes of a comparison, in brackets."""
    if not known(row.get("twa_deg")) or not known(row.get("tws_kn")):
        return ""
    minutes = min(row["minutes_before"], row["minutes_after"])
    gap = float(row.get("gap_s", np.nan))
    apart = f", {gap / 60:.0f} min apart" if known(gap) and gap >= 120.0 else ""
    return (f" (at {amount(row['twa_deg'], '°', 0)} in {amount(row['tws_kn'], 'kn', 0)}; "
            f"{amount(minutes, 'min', 0)} a side{apart})")


def _worth_minutes(facts: Facts, row: Mapping[str, Any]) -> float:
    """Minutes the better setting would have saved over the legs on the trial's point of sail."""
    legs, speed = facts.day.legs, float(row.get("stw_before_kn", np.nan))
    twa = row.get("twa_before_deg", np.nan)
    if not len(legs) or not known(speed) or speed <= 0 or not known(twa):
        return float("nan")
    here = point_of_sail(float(twa))
    mine = np.array([point_of_sail(float(leg)) == here for leg in numbers(legs, "twa_deg")])
    minutes = float(numbers(legs, "duration_s")[mine].sum()) / 60.0
    return minutes * abs(float(row["gain_kn"])) / speed


def _shortest(rows: Sequence[Mapping[str, Any]]) -> str:
    """The shortest schedule for the answer that is nearest; empty where none is near."""
    near = [r for r in rows if known(r.get("runs_needed"))]
    if not near:
        return ""
    row = min(near, key=lambda r: float(r["runs_needed"]))
    n = int(row["runs_needed"])
    minutes = max(5, round(min(row["minutes_before"], row["minutes_after"])))
    return (f"\u201c{row['what']}\u201d is nearest to an answer: change there and back {n} times, "
            f"{minutes} steady minutes on each, {minutes * (n + 1) + n} min in all; with today's "
            "scatter a difference of this size would show in four of five such trials. ")


def _choice_words(facts: Facts) -> tuple[str, ...]:
    """Where the season knows a faster sail set, and what that cost; the costliest three."""
    choice = facts.day.results.sail_choice
    if choice is None:
        return ()
    return tuple(
        f"{facts.scrub(item.better)} instead of {facts.scrub(item.sails)} at "
        f"{item.twa_low_deg:.0f} to {item.twa_high_deg:.0f}\u00b0 in {item.tws_low_kn:.0f} to "
        f"{item.tws_high_kn:.0f} kn: she sailed {item.minutes:.0f} min so, and the season knows "
        f"{interval(*_triple(item.gain_kn), 'kn', 2)} more there: "
        f"{interval(*_triple(item.lost_min), 'min', 1)}, or "
        f"{interval(*_triple(item.lost_nm), 'NM', 2)}." for item in choice.items[:3])


def _triple(estimate: Estimate) -> tuple[float, float, float]:
    return estimate.value, estimate.low, estimate.high


def _pooled(facts: Facts) -> list[Block]:
    """The same change tried more than once."""
    study = facts.day.results.trials
    if study is None or not len(study.pooled):
        return []
    return [Table("pooled", "The same change, tried more than once", (
        Column("subject", "what"), Column("direction", "change"), Column("trials", "trials", 0),
        Column("gain_kn", "gain", 2, "kn", "gain_low_kn", "gain_high_kn", True),
        Column("verdict", "verdict")), [
            {k: facts.scrub(v) if isinstance(v, str) else v for k, v in r.items()}
            for r in study.pooled.to_dict("records")], filterable=False)]


def _ends(row: Mapping[str, Any]) -> tuple[float, float]:
    low, high = float(row.get("gain_low_kn", np.nan)), float(row.get("gain_high_kn", np.nan))
    return (low, high) if row["gain_kn"] >= 0 else (-high, -low)


def load_section(facts: Facts) -> Section | None:
    """Kilograms above light ship through the day; None where nothing tells."""
    gauges = facts.day.results.gauges
    shown = facts.has("load_kg")
    if not shown and not gauges:
        return None
    blocks: list[Block] = []
    if shown:
        load = facts.day.samples["load_kg"].to_numpy(dtype=float)
        first, last = load[np.isfinite(load)][[0, -1]]
        verdict = (f"{amount(first, 'kg', 0)} above light ship at the start, "
                   f"{amount(last, 'kg', 0)} at the end.")
        from sailanalysis.figures.trials import load_figure

        blocks.append(Figure("load", "Weight above light ship through the day: tank levels and the "
                             "crew log's entries.", f"Load through the day, {verdict}",
                             load_figure(facts.day.samples)))
    else:
        verdict = "The weight on board is not known; a tank gauge was checked."
    rows = [{"tank": facts.scrub(check.tank), "said": check.sentence, "error": check.error_l,
             "low": check.error_low_l, "high": check.error_high_l, "fills": check.fills}
            for check in gauges]
    rows = [r for r in rows if r["said"] or known(r["error"])]
    if rows:
        blocks.append(Table("gauges", "Tank gauges against what was filled", (
            Column("tank", "tank"), Column("error", "gauge error", 0, "l", "low", "high", True),
            Column("fills", "fills", 0), Column("said", "in words")), rows))
        blocks.append(Text(("A gauge is not to be trusted near empty: what it calls the rest may "
                            "not be usable. Keep a reserve.",), "caution"))
    return Section("load", "Weight on board", verdict, tuple(blocks),
                   how=("Tanks: level times capacity times density from the boat file, plus the "
                        "crew log's load entries.",),
                   code='part["load"]\nday.samples["load_kg"].describe()')


__all__ = ["load_section", "number", "trials_section"]
