"""All sections of a season, in the same style as a day's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from sailanalysis.report.day.facts import numbers, texts
from sailanalysis.report.day.head import Head
from sailanalysis.report.day.instruments import CORRECTIONS
from sailanalysis.report.day.order import filled, ranked
from sailanalysis.report.day.polar import TARGET_CAUTION, near_best
from sailanalysis.report.day.sheet import targets_card
from sailanalysis.report.page.auto import auto_table
from sailanalysis.report.page.sections import Block, Column, Figure, Headline, Section, Table, Text
from sailanalysis.report.page.words import (
    amount,
    count,
    duration,
    interval,
    known,
    listed,
    number,
    sentence,
)
from sailanalysis.report.season.experiments import experiments_section
from sailanalysis.report.season.sail_words import crossover_sentences, not_worth

if TYPE_CHECKING:
    from sailanalysis.season import Season


SHEET_ROWS: Final = 12
"""Rows of a table on the printed sheet, so that it stays one page."""


def season_sections(season: Season) -> list[Section]:
    """Finished sections of a season's report.

    Parameters
    ----------
    season : Season
        As fitted from the archive.

    Returns
    -------
    list of Section
    """
    from sailanalysis.report.season.advice import advice_section

    makers = (_days, _polar, _crossovers, experiments_section, _coverage, _helm, _maneuvers,
              advice_section, _change, _instruments)
    return [section for section in (make(season) for make in makers) if section is not None]


def season_head(season: Season, sections: list[Section]) -> Head:
    """First screen of a season."""
    days = season.days
    title = "The season" + (f" of {season.boat_name}" if season.boat_name else "")
    facts = [("Days", str(len(days)), _weeks(season)),
             ("Sailed", duration(_total(days, "sailing_s")), ""),
             ("Distance", amount(_total(days, "distance_over_ground_nm"), "NM", 0), "over ground"),
             ("Steady sailing", duration(60 * _total(days, "steady_minutes")),
              "what the polar rests on"),
             ("Turns", listed([count(int(_total(days, "tacks")), "tack"),
                               count(int(_total(days, "gybes")), "gybe")]), "")]
    findings = filled(ranked(sections), sections, [section.key for section in sections])
    return Head(title, f"{season.start} to {season.end}", tuple(facts), tuple(findings),
                sheet=_sheet(season))


def _sheet(season: Season) -> tuple[Table, ...]:
    """The printed sheet: targets, which sails where, who improved, what to sail next."""
    sure = season.crossovers
    sure = sure[numbers(sure, "confidence") >= 0.95] if len(sure) else sure
    trend = [r for r in season.helm_trend.to_dict("records") if known(r.get("trend"))]
    made = (
        targets_card(season.targets),
        Table("sheet-crossovers", "Which sails where: surely faster", (
            Column("tws_kn", "true wind", 0, "kn"), Column("twa_deg", "angle", 0, "°"),
            Column("best_sails", "best"), Column("next_best_sails", "over"),
            Column("gain_kn", "gain", 2, "kn", "gain_low_kn", "gain_high_kn")),
            sure.to_dict("records")[:SHEET_ROWS]),
        Table("sheet-helms", "At the helm: points per ten days", (
            Column("helm", "helm"), Column("days", "days", 0),
            Column("trend", "trend, 98 % interval", 1, "", "trend_low", "trend_high", True),
            Column("verdict", "verdict")), trend[:SHEET_ROWS]),
        Table("sheet-next", "What to sail next", (Column("wish", "to fill the polar"),),
              [{"wish": sentence(w)} for w in season.sail_next[:3]]))
    return tuple(table for table in made if table.rows)


def _total(days: pd.DataFrame, name: str) -> float:
    return float(np.nansum(numbers(days, name)))


def _weeks(season: Season) -> str:
    try:
        span = (pd.Timestamp(season.end) - pd.Timestamp(season.start)).days + 1
    except (ValueError, TypeError):
        return ""
    return f"within {count(span, 'day')}" if span > 1 else ""


def _days(season: Season) -> Section:
    days = season.days
    blocks: list[Block] = []
    rows = []
    for row in days.to_dict("records"):
        rows.append({**row, "share": 100 * float(row.get("polar_ratio", np.nan))})
    wanted = (
        Column("day", "day"), Column("sailing_s", "sailed", show="duration"),
        Column("distance_over_ground_nm", "over ground", 1, "NM"),
        Column("tws_median_kn", "median wind", 0, "kn"), Column("tacks", "tacks", 0),
        Column("gybes", "gybes", 0), Column("steady_minutes", "steady", 0, "min"),
        Column("share", "of polar speed", 0, "%"),
        Column("tack_loss_m_median", "median tack", 0, "m"),
        Column("gybe_loss_m_median", "median gybe", 0, "m"),
        Column("smoothness", "smoothness", 0))
    columns = tuple(c for c in wanted if any(
        known(r.get(c.name)) or isinstance(r.get(c.name), str) for r in rows))
    blocks.append(Table("days", "Days on file", columns, rows))
    found = [f.message for f in season.findings]
    if found:
        blocks.append(Text(tuple(found), "list"))
    return Section("days", "The days", f"{count(len(days), 'day')} on file, "
                   f"{duration(_total(days, 'sailing_s'))} under sail.", tuple(blocks),
                   how=("Each day is filed once; filing it again replaces it.",),
                   code='season.days[["day", "sailing_s", "polar_ratio", "smoothness"]]')


def _polar(season: Season) -> Section:
    from sailanalysis.figures.polar import curves_figure, polar_figure

    polar, targets = season.polar, season.targets
    if not len(polar):
        return Section("polar", "The boat's polar", "Too little steady sailing is on file for a "
                       "polar.", (Text(("A polar takes a few minutes at one angle and wind, with "
                                        "wind and boat speed logged.",), "unknown"),),
                       code="season.polar")
    whole = polar[texts(polar, "sails") == "all"]
    half = 50 * (numbers(whole, "stw_kn_high") - numbers(whole, "stw_kn_low")) \
        / numbers(whole, "stw_kn")
    minutes = _total(season.days, "steady_minutes")
    verdict = (f"{duration(60 * minutes)} of steady sailing give the boat's speed to within "
               f"{np.nanmedian(half):.1f} % in the middle of her polar (95 % interval), from "
               f"{np.nanmin(whole['tws_kn']):.0f} to {np.nanmax(whole['tws_kn']):.0f} kn.")
    blocks: list[Block] = [
        Figure("polar", "The boat's speed by true wind angle, one curve a wind speed, 95 % "
               "interval shaded, drawn only where she was sailed. Filled dots: measured there.",
               "Polar of the season", polar_figure(whole, "all", targets), half=True),
        Figure("curves", "The same as curves; dotted, the speed of the best tenth of the time.",
               "Boat speed against true wind angle", curves_figure(whole, "all"), half=True)]
    sets = [s for s in dict.fromkeys(texts(polar, "sails")) if s != "all"]
    for number_, name in enumerate(sets[:6], start=1):
        mine = polar[texts(polar, "sails") == name]
        if np.isfinite(numbers(mine, "stw_kn")).any():
            blocks.append(Figure(f"curves-set-{number_}", f"Boat speed under {name}.",
                                 f"Boat speed under {name}", curves_figure(mine, name), half=True))
    headlines = [Headline(verdict, 60)]
    if len(targets):
        blocks += [Table("targets", "Best course made good, by wind speed and sail set", (
            Column("sails", "sails"), Column("tws_kn", "true wind", 0, "kn"),
            Column("direction", "direction"),
            Column("twa_deg", "true wind angle", 0, "°", "twa_low_deg", "twa_high_deg"),
            Column("stw_kn", "boat speed", 2, "kn"),
            Column("vmg_kn", "VMG", 2, "kn", "vmg_low_kn", "vmg_high_kn"),
            Column("near_best", "within 1 % of the best"),
            Column("awa_deg", "apparent angle", 0, "°"),
            Column("aws_kn", "apparent wind", 1, "kn")), [
                dict(row, near_best=near_best(row)) for row in targets.to_dict("records")]),
            Text(("A card of these numbers for the helm station, one page, is beside this report: "
                  "card.html.",)), TARGET_CAUTION]
    rows = [{"what": e.name, "percent": e.percent, "low": e.low, "high": e.high,
             "minutes": e.minutes, "verdict": "shown" if not e.low <= 0 <= e.high else
             "no difference shown"} for e in season.effects]
    if rows:
        blocks.append(Table("effects", "What else makes her faster or slower", (
            Column("what", "what"), Column("percent", "speed", 1, "%", "low", "high", True),
            Column("minutes", "minutes with less of it", 0), Column("verdict", "in words")), rows,
            filterable=False))
    return Section(
        "polar", "The boat's polar", verdict, tuple(blocks),
        how=("One smooth surface over wind speed and angle, with a factor for each sail set that "
             "leans on the whole where its own data are few, fitted to half-minute averages of "
             "steady sailing, robust to odd blocks.",
             "Intervals resample whole days and legs and include the smoothing's own error. "
             "Nothing is given where nothing was sailed."),
        source=("Eilers and Marx, \u201cFlexible smoothing with B-splines and penalties\u201d, "
                "Statistical Science 11(2), 89-121, 1996.",),
        code='season.polar.pivot_table(index="twa_deg", columns="tws_kn", values="stw_kn")',
        headlines=tuple(headlines))


def _crossovers(season: Season) -> Section | None:
    from sailanalysis.figures.season import crossovers_figure

    table = season.crossovers
    if not len(table):
        return None
    told = crossover_sentences(season.faster)
    verdict = told[0] if told else "No sail set is surely faster than another where both were " \
        "sailed."
    headlines = [Headline(verdict, 66)] if told else []
    blocks: list[Block] = [Figure(
        "crossovers", "Which sail set is faster where: colour and shape name the set, size grows "
        "with how sure it is.", "Fastest sail set by wind angle and wind speed",
        crossovers_figure(table), wide=True)]
    if len(told) > 1:
        blocks.append(Text(tuple(told[1:]), "list"))
    even = not_worth([*table["best_sails"], *table["next_best_sails"]], season.faster)
    if even:
        blocks.append(Text((f"No difference shown between {listed(even[:3])}.",)))
    blocks.append(Text((
        "Angles are to the true wind, apparent angles in brackets. Reefing early, the crew's "
        "hands and the sea come before a tenth of a knot.",), "caution"))
    lines = season.crossover_lines
    if len(lines):
        blocks.append(auto_table("crossover-lines", "Angles where the best set changes", lines,
                                 labels={"tws_kn": "true wind (kn)", "twa_deg": "angle (°)",
                                         "below": "closer to the wind", "above": "further off"},
                                 digits={"tws_kn": 0}))
    shown = table.assign(sure=100 * numbers(table, "confidence"))
    blocks.append(Table("crossovers", "Sail sets compared, cell by cell", (
        Column("tws_kn", "true wind", 0, "kn"), Column("twa_deg", "angle", 0, "°"),
        Column("awa_deg", "apparent angle", 0, "°"), Column("aws_kn", "apparent wind", 1, "kn"),
        Column("best_sails", "best"),
        Column("gain_kn", "gain", 2, "kn", "gain_low_kn", "gain_high_kn"),
        Column("next_best_sails", "over"), Column("sure", "alone", 0, "%")),
        shown.to_dict("records")))
    pairs = season.pairs
    if len(pairs):
        blocks.append(Text(("A change of sails at one angle, minutes apart, is the best evidence "
                            "of all.",)))
        blocks.append(auto_table("pairs", "Sail changes at one angle", pairs.assign(
            time=[str(t)[11:16] for t in pairs["time"]]) if "time" in pairs else pairs))
    return Section("crossovers", "Which sails where", verdict, tuple(blocks),
                   how=("The sail sets' fitted speeds are compared draw by draw, so that what they "
                        "share cancels. Faster means that a 95 % interval which holds in all cells "
                        "and for all pairs at once leaves zero out; after one day none is ranked. "
                        "The last column is the chance looked at alone.",),
                   code="season.crossovers.query('faster')",
                   headlines=tuple(headlines))


def _coverage(season: Season) -> Section | None:
    from sailanalysis.figures.polar import coverage_figure

    table, polar = season.coverage, season.polar
    wishes = list(season.sail_next)
    if not len(table) and not len(polar):
        return None
    verdict = f"To fill the polar, sail {wishes[0].rstrip('.')}." if wishes else \
        "The polar is well covered in the winds she meets."
    blocks: list[Block] = []
    if len(wishes) > 1:
        blocks.append(Text(tuple(sentence(w) for w in wishes[1:]), "list"))
    if len(polar):
        blocks.append(Figure("coverage", "Minutes of steady sailing behind each cell of the polar; "
                             "empty cells were not sailed.",
                             "Minutes sailed by wind speed and wind angle",
                             coverage_figure(polar, "all"), wide=True))
    if len(table):
        blocks.append(auto_table("coverage", "What is known, by point of sail and wind",
                                 table.assign(**{n: 100 * numbers(table, n) for n in
                                                 ("known_share", "wind_share") if n in table}),
                                 skip=("priority", "twa_low_deg", "twa_high_deg"),
                                 digits={"minutes": 0, "known_share": 0, "wind_share": 0,
                                         "tws_low_kn": 0, "tws_high_kn": 0, "more_minutes": 0},
                                 labels={"known_share": "known (%)",
                                         "tws_low_kn": "wind from (kn)", "tws_high_kn": "to (kn)",
                                         "half_width_percent": "interval ± (%)",
                                         "wind_share": "of the time such wind (%)",
                                         "more_minutes": "minutes wanted"}))
    return Section("coverage", "What to sail next", verdict, tuple(blocks),
                   code="season.coverage",
                   headlines=(Headline(verdict, 35),) if wishes else ())


def _helm(season: Season) -> Section | None:
    from sailanalysis.figures.season import progress_figure

    table, trend = season.helm_progress, season.helm_trend
    if not len(table):
        return None
    words = [f"{helm or 'Whoever steered'}: {said[0].lower() + said[1:]}" for helm, said in
             zip(texts(trend, "helm"), texts(trend, "words"), strict=True) if said] \
        if "words" in trend else []
    if not words:
        words = [f"{r['helm'] or 'Unnamed'}: {r['verdict']}, "
                 f"{interval(r['trend'], r['trend_low'], r['trend_high'], 'points', 1, True)} per "
                 f"ten days over {count(int(r['days']), 'day')}."
                 for r in trend.to_dict("records")]
    blocks: list[Block] = [Figure(
        "helm-progress", "Smoothness for the conditions by day, with 95 % intervals; 50 is what "
        "such conditions ask for on average.", "Smoothness of each helm over the days",
        progress_figure(table, "smoothness", "smoothness_low", "smoothness_high",
                        "smoothness (50 is usual)", usual=50.0), wide=True)]
    if len(words) > 1:
        blocks.append(Text(tuple(sentence(w) for w in words[1:]), "list"))
    if len(trend):
        blocks.append(Table("helm-trend", "Trend per ten days", (
            Column("helm", "helm"), Column("days", "days", 0), Column("hours", "hours", 1),
            Column("trend", "points per ten days, 98 % interval", 1, "", "trend_low",
                   "trend_high", True),
            Column("verdict", "verdict"), Column("days_needed", "more days needed", 0)),
            trend.to_dict("records"), filterable=False))
    blocks.append(Text(("No verdict comes from noise: a trend is called only where its interval "
                        "leaves zero out. A score describes days, not a person.",)))
    return Section("helm", "At the helm", sentence(words[0]) if words else
                   "No trend can be told yet.", tuple(blocks),
                   how=("Each day's score is for its conditions; the trend is a straight line over "
                        "the days, its interval from the scatter of days.",),
                   code='season.helm_trend',
                   headlines=_changed(trend, words))


def _changed(trend: pd.DataFrame, words: list[str]) -> tuple[Headline, ...]:
    """Helms that changed; that nothing is shown yet stands in their own part."""
    if not len(trend) or len(words) != len(trend):
        return ()
    told = zip(words, texts(trend, "verdict"), strict=True)
    moved = [w for w, verdict in told if verdict in ("improving", "worsening")]
    return tuple(Headline(sentence(w), 62.0 - i) for i, w in enumerate(moved[:2]))


def _maneuvers(season: Season) -> Section | None:
    from sailanalysis.figures.season import progress_figure

    table = season.maneuver_progress
    if not len(table):
        return None
    blocks: list[Block] = []
    told = []
    for kind in ("tack", "gybe"):
        mine = table[texts(table, "kind") == kind]
        if not len(mine):
            continue
        counts, middle = numbers(mine, "count"), numbers(mine, "loss_m_median")
        usual = float(np.average(middle, weights=counts))
        told.append(f"{count(int(counts.sum()), kind)} costed on "
                    f"{count(mine['day'].nunique(), 'day')}, {amount(usual, 'm', 0)} each by the "
                    "days' medians")
        blocks.append(Figure(
            f"progress-{kind}", f"Median loss of each day's {kind}s by helm; bars hold the middle "
            "half of the day.", f"Median {kind} loss over the days",
            progress_figure(mine, "loss_m_median", "loss_m_low", "loss_m_high",
                            f"median loss per {kind} (m)")))
    blocks.append(Table("maneuver-progress", "By helm, kind and day", (
        Column("day", "day"), Column("helm", "helm"), Column("kind", "kind"),
        Column("count", "count", 0),
        Column("loss_m_median", "median loss (middle half)", 0, "m", "loss_m_low", "loss_m_high")),
        table.to_dict("records")))
    return Section("maneuvers", "Tacks and gybes", sentence("; ".join(told)), tuple(blocks),
                   code="season.maneuver_progress",
                   headlines=(Headline(sentence("; ".join(told)), 40),))


def _change(season: Season) -> Section | None:
    from sailanalysis.figures.season import change_figure

    table = season.polar_change
    if len(table) < 2:
        return None
    trend, step = season.polar_trend, season.polar_step
    verdict = "No change of the boat's speed over the season is shown."
    headlines = []
    if trend is not None and known(trend.percent):
        spread = interval(trend.percent, trend.low, trend.high, "%", 1, True)
        if trend.low <= 0 <= trend.high:
            verdict = f"No change of the boat's speed is shown: {spread} per 30 days."
        else:
            verdict = (f"The boat became {'faster' if trend.percent > 0 else 'slower'}: {spread} "
                       "per 30 days.")
            headlines = [Headline(verdict, 64)]
    if step.get("date") and known(step.get("p_value")) and step["p_value"] < 0.05:
        size = step.get("step", step.get("percent", float("nan")))
        verdict += (f" The likeliest single step came around {step['date']}"
                    + (f" ({number(100 * float(size), 1, True)} %)" if known(size) else "")
                    + f", p = {step['p_value']:.3f}.")
    return Section("change", "Is she getting faster or slower?", verdict, (
        Figure("change", "Each day's speed against the polar of the whole season, wind and sails "
               "taken out. A fouled hull, a fouled speed sensor and new sails all show here.",
               "Speed of each day against the season's polar", change_figure(table), wide=True),),
        how=("A factor for each day, fitted together with the polar, with its 95 % interval.",),
        code="season.polar_change", headlines=tuple(headlines))


def _instruments(season: Season) -> Section | None:
    from sailanalysis.figures.season import drift_figure

    table, trends = season.calibration, season.calibration_trend
    if not len(table):
        return None
    keys = {k: v[0] + (f" ({v[1]})" if v[1] else "") for k, v in CORRECTIONS.items()
            if ((texts(table, "key") == k) & table["determined"].astype(bool).to_numpy()).any()}
    drifting = []
    for row in trends.to_dict("records") if len(trends) else []:
        low, high = row.get("low"), row.get("high")
        if known(low) and known(high) and not low <= 0 <= high:
            _, unit, digits, sensor = CORRECTIONS.get(row["key"], (row["key"], "", 3, ""))
            drifting.append(f"The {sensor}'s correction drifts by "
                            f"{interval(row['trend_per_30_days'], low, high, unit, digits, True)} "
                            "per 30 days.")
    verdict = " ".join(drifting) or ("No sensor is seen to drift." if keys else
                                     "No day has determined a sensor's error yet.")
    blocks: list[Block] = []
    if keys:
        blocks.append(Figure("drift", "Corrections as each day determined them, with 95 % "
                             "intervals. A speed sensor that fouls drifts upwards here.",
                             "Sensor corrections over the days", drift_figure(table, keys),
                             wide=True))
    if len(season.sensors):
        last = season.sensors.drop_duplicates("key", keep="last")
        rows = [{**r, "key": CORRECTIONS[r["key"]][0],
                 "steps": int(season.sensors.loc[season.sensors["key"] == r["key"],
                                                 "stepped"].sum())}
                for r in last.to_dict("records")]
        blocks.append(Table("sensors", "Corrections on the last day, as all days have them "
                            "together (every polar here rests on them)", (
            Column("key", "correction"), Column("date", "day"),
            Column("value", "whole correction, 95 % interval", 3, "", "low", "high", True),
            Column("steps", "steps this season", 0)), rows, filterable=False))
    if len(trends):
        rows = [{**r, "key": CORRECTIONS.get(r["key"], (r["key"],))[0]}
                for r in trends.to_dict("records")]
        blocks.append(Table("drift", "Drift of the corrections", (
            Column("key", "correction"), Column("days", "days", 0),
            Column("trend_per_30_days", "per 30 days, 95 % interval", 3, "", "low", "high", True),
            Column("verdict", "verdict")), rows, filterable=False))
    return Section("instruments", "Do the instruments hold?", verdict, tuple(blocks),
                   code="season.calibration_trend",
                   headlines=tuple(Headline(w, 50) for w in drifting[:1]))
