"""Sections: straight-line sailing, and what the boat can do."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from sailanalysis.core.points import POINTS, point_of_sail
from sailanalysis.report.day.facts import Facts, numbers, texts
from sailanalysis.report.page.sections import Block, Column, Figure, Headline, Section, Table, Text
from sailanalysis.report.page.words import amount, count, duration, interval, known, listed, number

LEAST_MINUTES = 4.0
"""Steady sailing below which there is no polar (``polar.data.LEAST_BLOCKS``)."""
TARGET_CAUTION = Text((
    "Targets describe good days past. Lookout, the rules of the road, reefing in time and the "
    "skipper's word come before any of them.",), "caution")


def legs_section(facts: Facts) -> Section:
    """Steady legs against the boat's own polar."""
    legs = facts.day.legs.reset_index(drop=True)
    if not len(legs):
        return Section("legs", "Straight-line sailing",
                       "No steady leg was sailed, so there is nothing to compare.",
                       code='part["legs"]\nday.legs')
    ratio, seconds = 100 * numbers(legs, "polar_ratio"), numbers(legs, "duration_s")
    rows = facts.rows(legs, lambda i, row: f"leg {i + 1}, {row.get('side', '')} tack")
    for i, row in enumerate(rows):
        row |= {"name": f"leg {i + 1}", "share": ratio[i],
                "point": point_of_sail(numbers(legs, "twa_deg")[i])}
    good = np.isfinite(ratio) & np.isfinite(seconds)
    total = float(np.nansum(seconds))
    verdict = f"{count(len(legs), 'steady leg')}, {duration(total)} in all"
    headlines: list[Headline] = []
    season = bool(facts.day.results.usual)
    if good.any() and season:
        mean = float(np.average(ratio[good], weights=seconds[good]))
        low, high = _weighted_interval(ratio[good], seconds[good])
        verdict += (f", sailed on average at {interval(mean, low, high, '%', 0)} of what she "
                    "usually does in such wind.")
        by = []
        for point in POINTS:
            mine = good & np.array([row["point"] == point for row in rows])
            if seconds[mine].sum() >= 600:
                by.append((float(np.average(ratio[mine], weights=seconds[mine])), point))
        if len(by) > 1:
            by.sort()
            verdict += f" Lowest {_on(by[0][1])} ({by[0][0]:.0f}%), highest {_on(by[-1][1])} " \
                       f"({by[-1][0]:.0f}%)."
        headlines += _against_season(mean, low, high, total)
    elif good.any():
        verdict += ". What she usually does is known once other days are on file."
    else:
        verdict += ". No polar covers them, so none is compared."
    blocks: list[Block] = [Table("legs", "Steady legs", (
        Column("name", "leg"), Column("start", "from", show="clock"),
        Column("duration_s", "for", show="duration"), Column("side", "tack", show="side"),
        Column("point", "point of sail"), Column("tws_kn", "true wind", 1, "kn"),
        Column("twa_deg", "true wind angle", 0, "°", sign=True),
        Column("stw_kn", "boat speed", 2, "kn"), Column("vmg_kn", "VMG", 2, "kn"),
        Column("share", "of her usual speed" if season else "of today's other legs", 0, "%"),
        Column("heel_deg", "heel", 0, "°"),
        Column("leeway_deg", "leeway", 1, "°"), Column("rudder_mean_deg", "mean rudder", 1, "°"),
        Column("helm", "helm"), Column("sails", "sails")), rows)]
    return Section(
        "legs", "Straight-line sailing", verdict, tuple(blocks),
        how=(
            "A leg is a stretch of steady course by the wind without a maneuver, under sail; the "
            "seconds around maneuvers are left out.",
            "With a season on file a leg's mean speed is compared with the polar of the other days "
            "in the same wind. Without one it is compared with what the day's other legs say of "
            "that wind; their average is 100 % by construction, so it is not told.",
        ),
        code='part["legs"]\n'
             'day.legs.groupby(["side", "sails"])[["stw_kn", "polar_ratio"]].median()',
        headlines=tuple(headlines))


def _against_season(mean: float, low: float, high: float, total_s: float) -> list[Headline]:
    """Speed against the polar of the season's other days, where it surely differs."""
    if not known(low) or low <= 100.0 <= high:
        return []
    way, size = ("slower", 100.0 - mean) if mean < 100.0 else ("faster", mean - 100.0)
    ends = sorted((abs(100.0 - low), abs(100.0 - high)))
    text = (f"On straight courses she was {interval(size, ends[0], ends[1], '%', 0)} {way} than "
            "usual in such wind.")
    return [Headline(text, 40.0, total_s / 60.0 * size / 100.0 if way == "slower"
                     else float("nan"))]


def _on(point: str) -> str:
    return {"reach": "reaching"}.get(point, point)


def _weighted_interval(value: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    """95 % interval of a weighted mean by resampling whole legs; NaN below five legs."""
    if value.size < 5:
        return float("nan"), float("nan")
    rng = np.random.default_rng(0)
    pick = rng.integers(0, value.size, (400, value.size))
    draws = (value[pick] * weight[pick]).sum(axis=1) / weight[pick].sum(axis=1)
    low, high = np.percentile(draws, [2.5, 97.5])
    return float(low), float(high)


def _why_none(facts: Facts) -> str:
    """Name what a day without a polar lacks, the first thing first."""
    notes = {} if facts.day.results.polar is None else facts.day.results.polar.notes
    blocks = facts.day.results.blocks
    averaged = 0.0 if blocks is None else float(np.nansum(numbers(blocks, "seconds"))) / 60.0
    steady = float(np.nansum(numbers(facts.day.legs, "duration_s"))) / 60.0
    if not facts.has("stw_kn"):
        return "boat speed through the water is not known"
    if not facts.has("tws_kn", "twa_deg"):
        return "the true wind is not known"
    if notes.get("refused_regions", 0.0) > 0:
        return "no smooth surface passes through what was logged, so none is shown"
    if steady < LEAST_MINUTES:
        return f"{amount(steady, 'minutes', 0)} of steady sailing are too few"
    if averaged < LEAST_MINUTES:
        return (f"of {amount(steady, 'minutes', 0)} of steady legs, "
                f"{amount(averaged, 'minutes', 0)} had wind and boat speed together, away from "
                "maneuvers and long enough to average")
    return "at no angle and wind was she sailed long enough to tell her speed within 30 %"


def _reference_blocks(polar: pd.DataFrame) -> list[Block]:
    """Her share of the reference polar of the boat file, by point of sail."""
    from sailanalysis.polar.reference import reference_shares

    shares = reference_shares(polar)
    if not len(shares):
        return []
    rows = [{**row, **{name: 100 * row[name] for name in ("share", "low", "high")}}
            for row in shares.to_dict("records")]
    return [Table("reference", "Against the reference polar", (
        Column("point_of_sail", "point of sail"),
        Column("share", "share of its speed, 95 % interval", 0, "%", "low", "high"),
        Column("cells", "cells", 0), Column("minutes", "minutes", 0)), rows),
        Text(("The reference is what somebody worked out for a clean boat, a flat sea and a full "
              "crew; it is dashed among the curves.",))]


def polar_section(facts: Facts) -> Section:
    """The polar and the targets of the day."""
    from sailanalysis.figures.polar import coverage_figure, curves_figure, polar_figure

    polar, targets = facts.day.polar, facts.day.targets
    if not len(polar) or not np.isfinite(numbers(polar, "stw_kn")).any():
        return Section(
            "polar", "What she can do",
            f"No polar today: {_why_none(facts)}.",
            (Text(("A polar needs true wind (an apparent-wind sensor and boat speed) and some "
                   "minutes of steady sailing at each angle. What was sailed is under "
                   "Straight-line sailing.",), "unknown"),),
            code='part["polar"]\nday.polar')
    blocks: list[Block] = []
    whole = polar[texts(polar, "sails") == "all"]
    minutes = float(np.nansum(numbers(whole, "minutes")))
    angles, winds = numbers(whole, "twa_deg"), numbers(whole, "tws_kn")
    verdict = (f"{number(minutes, 0)} minutes of steady sailing carry a polar "
               f"{_span(winds, ' kn')} of wind, {_span(angles, '°')}.")
    headlines: list[Headline] = []
    best = _best_targets(targets)
    for direction, row in best.items():
        angle = interval(abs(row["twa_deg"]), row.get("twa_low_deg"), row.get("twa_high_deg"),
                         "°", 0)
        text = (f"In {row['tws_kn']:.0f} kn of wind she does best {direction} at {angle} to the "
                f"true wind, at {amount(row['stw_kn'], 'kn')} through the water.")
        headlines.append(Headline(text, 50 if direction == "upwind" else 45))
    if best:
        verdict += " " + headlines[0].text
    blocks.append(Figure(
        "polar", "Boat speed by true wind angle; one curve a wind speed, rings every 2 kn. Shaded: "
        "95 % interval. Filled dots were measured there, hollow ones lie between measurements. "
        "Nothing is drawn where nothing was sailed.",
        f"Polar of the day for {listed(f'{w:g} kn' for w in sorted(set(winds.tolist())))} of wind",
        polar_figure(whole, "all", targets), half=True))
    blocks.append(Figure(
        "curves", "The same as curves: boat speed against wind angle; dotted, the speed reached in "
        "the best tenth of the time.", "Boat speed against true wind angle by wind speed",
        curves_figure(whole, "all"), half=True))
    if len(targets):
        blocks += [_targets_table(targets), TARGET_CAUTION]
    blocks.append(Figure(
        "coverage", "Minutes of steady sailing behind each cell; empty cells were not sailed.",
        "Minutes sailed by wind speed and wind angle", coverage_figure(whole, "all")))
    sets = [s for s in dict.fromkeys(texts(polar, "sails")) if s != "all"]
    if len(sets) > 1:
        blocks.append(_sets_table(facts, polar, sets))
    blocks += _reference_blocks(polar)
    blocks.append(Table("polar-cells", "The polar in numbers", (
        Column("sails", "sails"), Column("tws_kn", "true wind", 0, "kn"),
        Column("twa_deg", "angle", 0, "°"),
        Column("stw_kn", "boat speed, 95 % interval", 2, "kn", "stw_kn_low", "stw_kn_high"),
        Column("stw_best_kn", "best tenth", 2, "kn"), Column("minutes", "minutes", 0),
        Column("basis", "basis")), [
            dict(r, sails=facts.scrub(str(r["sails"]))) for r in polar.to_dict("records")],
        folded=True))
    return Section(
        "polar", "What she can do", verdict, tuple(blocks),
        how=(
            "Steady sailing is averaged in short blocks; a smooth surface over wind speed and wind "
            "angle is fitted robustly to the blocks, for the typical speed (median) and for the "
            "speed of the best tenth (90th percentile).",
            "The interval resamples whole legs, since neighbouring seconds are not independent. "
            "Cells without data stay empty: no extrapolated promise.",
            "A target is the angle of the best VMG, a smooth curve over the wind speed. The top is "
            "flat: at any angle within 1 % of the best next to nothing is lost.",
            "The intervals hold for the wind as her instruments measure it. A single day cannot "
            "tell its own speed from the boat's: 1.5 % (one standard deviation, common practice) "
            "is counted for that.",
        ),
        source=("Eilers and Marx, \u201cFlexible smoothing with B-splines and penalties\u201d, "
                "Statistical Science 11(2), 89-121, 1996.",
                "Davison and Hinkley, Bootstrap Methods and their Application, Cambridge, 1997."),
        code='part["polar"]\npart["polar"].figure("polar").plotly()\n'
             'day.polar.pivot_table(index="twa_deg", columns="tws_kn", values="stw_kn")',
        headlines=tuple(headlines))


def _span(value: np.ndarray, unit: str) -> str:
    low, high = float(np.nanmin(value)), float(np.nanmax(value))
    return f"at {low:.0f}{unit}" if low == high else f"from {low:.0f} to {high:.0f}{unit}"


def _best_targets(targets: pd.DataFrame) -> dict[str, dict[str, Any]]:
    """The target in the wind speed with the narrowest interval, for each direction."""
    out: dict[str, dict[str, Any]] = {}
    if not len(targets):
        return out
    for direction in ("upwind", "downwind"):
        mine = targets[(texts(targets, "direction") == direction)
                       & (texts(targets, "sails") == "all")]
        mine = mine[np.isfinite(numbers(mine, "vmg_kn"))]
        if len(mine):
            width = numbers(mine, "vmg_high_kn") - numbers(mine, "vmg_low_kn")
            pick = int(np.nanargmin(width)) if np.isfinite(width).any() else len(mine) // 2
            out[direction] = mine.iloc[pick].to_dict()
    return out


def _targets_table(targets: pd.DataFrame) -> Table:
    rows = []
    for row in targets.to_dict("records"):
        rows.append(dict(row, near_best=near_best(row)))
    return Table("targets", "Best course made good, by wind speed", (
        Column("sails", "sails"), Column("tws_kn", "true wind", 0, "kn"),
        Column("direction", "direction"),
        Column("twa_deg", "true wind angle", 0, "°", "twa_low_deg", "twa_high_deg"),
        Column("stw_kn", "boat speed", 2, "kn"),
        Column("vmg_kn", "VMG", 2, "kn", "vmg_low_kn", "vmg_high_kn"),
        Column("near_best", "within 1 % of the best"),
        Column("awa_deg", "apparent angle", 0, "°"), Column("aws_kn", "apparent wind", 1, "kn")),
        rows)


def near_best(row: Mapping[str, Any]) -> str:
    """The range of angles that cost less than a hundredth, in words."""
    low, high = row.get("near_best_from_deg"), row.get("near_best_to_deg")
    if not (known(low) and known(high)):
        return ""
    return f"{low:.0f}° to {high:.0f}°"


def _sets_table(facts: Facts, polar: pd.DataFrame, sets: list[str]) -> Table:
    rows = []
    for name in sets:
        mine = polar[texts(polar, "sails") == name]
        rows.append({"sails": facts.scrub(name),
                     "minutes": float(np.nansum(numbers(mine, "minutes"))),
                     "winds": f"{np.nanmin(numbers(mine, 'tws_kn')):.0f}–"
                              f"{np.nanmax(numbers(mine, 'tws_kn')):.0f} kn",
                     "angles": f"{np.nanmin(numbers(mine, 'twa_deg')):.0f}°–"
                               f"{np.nanmax(numbers(mine, 'twa_deg')):.0f}°"})
    return Table("sets", "Sail sets and how much of the polar each carries", (
        Column("sails", "sails"), Column("minutes", "minutes", 0), Column("winds", "true wind"),
        Column("angles", "angles")), rows)
