"""Section: can the instruments be believed?"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sailanalysis.calibrate.estimate import Correction
from sailanalysis.core.channels import CHANNELS
from sailanalysis.report.day.corrections import corrections_line
from sailanalysis.report.day.facts import Facts
from sailanalysis.report.page.sections import Block, Column, Figure, Headline, Section, Table, Text
from sailanalysis.report.page.words import amount, bearing, count, interval, known, listed, sentence

CORRECTIONS: dict[str, tuple[str, str, int, str]] = {
    "stw_factor": ("boat speed, times", "", 3, "boat-speed sensor"),
    "awa_offset_deg": ("wind vane, plus", "°", 1, "wind vane"),
    "aws_factor": ("wind speed, times", "", 3, "anemometer"),
    "heading_offset_deg": ("compass, plus", "°", 1, "compass"),
    "leeway_deg": ("leeway close-hauled", "°", 1, "leeway"),
    "leeway_k": ("leeway coefficient k: leeway = k × heel ÷ speed²", "", 1, ""),
}


def instruments_section(facts: Facts) -> Section:
    """Calibration, current, health, sources and what was left out."""
    blocks: list[Block] = []
    headlines: list[Headline] = []
    verdict = _calibration(facts, blocks)
    blocks += _track_wind(facts, headlines)
    blocks += _current(facts)
    blocks += _health(facts, headlines)
    blocks += _sources(facts)
    return Section(
        "instruments", "Can the instruments be believed?", verdict, tuple(blocks),
        how=(
            "Speed, vane, compass and leeway are estimated together from the day's own sailing, "
            "with current and wind as unknowns that change slowly: the track against heading and "
            "speed, and a true wind that must not jump from tack to tack. What the day's courses "
            "cannot separate is declared undetermined.",
            "Corrections are what to add or multiply beyond what the boat file already holds. In "
            "order, the boat file's, the season's and today's determined ones are applied to "
            "every number; the option --as-logged leaves them out.",
            "Marks, not deletions: a spike, a jump or a stuck value is left out of the results "
            "and listed here.",
        ),
        source=("Smith, Bourassa and Sharp, \u201cEstablishing more truth in true winds\u201d, "
                "J. Atmos. Oceanic Technol. 16(7), 939-952, 1999.",),
        code='part["instruments"]\npd.DataFrame(day.calibration).T',
        headlines=tuple(headlines))


def _row(facts: Facts, name: str, estimate: Correction) -> dict[str, Any]:
    """A row of the table of corrections."""
    label, unit, digits, _ = CORRECTIONS[name]
    value, low, high = (float("nan") if x is None else x for x in
                        (estimate["value"], estimate["low"], estimate["high"]))
    determined = estimate["determined"]
    return {"what": label + (f" ({unit})" if unit else ""), "determined": determined,
            "value": value if determined else float("nan"), "low": low, "high": high,
            "digits": digits, "why": facts.scrub(estimate["why_not"] or "")}


def _is_off(name: str, row: dict[str, Any]) -> bool:
    """Whether a sensor's interval leaves out that it needs no correction."""
    neutral = 1.0 if name.endswith("_factor") else 0.0
    low, high = row["low"], row["high"]
    return (row["determined"] and known(low) and known(high) and not low <= neutral <= high
            and not name.startswith("leeway"))


def _sensors_of(rows: dict[str, dict[str, Any]], determined: bool) -> list[str]:
    """Sensors whose error the day determined, or did not."""
    return [CORRECTIONS[name][3] for name, row in rows.items()
            if row["determined"] == determined and CORRECTIONS[name][3]]


def _calibration_words(rows: dict[str, dict[str, Any]]) -> str:
    """The verdict on the sensors; of those that are off the worst first."""
    sure, unknown = _sensors_of(rows, True), _sensors_of(rows, False)
    off = sorted((name for name, row in rows.items() if _is_off(name, row)),
                 key=lambda name: -_size(name, rows[name]["value"]))
    wrong = {CORRECTIONS[name][3] for name in off} | {"leeway"}
    right = listed("the " + sensor for sensor in sure if sensor not in wrong)
    if off:
        verdict = " ".join(_error_words(name, *(rows[name][k] for k in ("value", "low", "high")))
                           for name in off) + f" No error shown by {right}." * bool(right)
    elif sure:
        verdict = (f"No error is shown by {right}." if right else
                   "Only the leeway could be determined.")
    else:
        verdict = "Today's sailing cannot tell the sensors' errors from wind and current."
    if unknown and sure:
        verdict += f" Not determined: {listed(unknown)}."
    return verdict


def _calibration(facts: Facts, blocks: list[Block]) -> str:
    estimates = {name: facts.day.calibration.get(name) for name in CORRECTIONS}
    rows = {name: _row(facts, name, estimate) for name, estimate in estimates.items()
            if estimate is not None}
    if not rows:
        return "The sensors were not checked today."
    shown = [dict(r, text=_range(r)) for r in rows.values()]
    why = (Column("why", "why not, what to sail"),) * any(r["why"] for r in shown)
    blocks.append(Text(("Corrections",), "heading"))
    blocks.append(Table("calibration", "Corrections beyond the boat file, with 95 % intervals", (
        Column("what", "correction"), Column("text", "estimate"),
        Column("determined", "determined", show="yes"), *why), shown, filterable=False))
    used = facts.day.results.corrections
    blocks.append(Text((corrections_line(used) + (
        " The logged values are kept beside the corrected ones in samples.parquet; the option "
        "--as-logged leaves corrections out. To put today's in the boat file: sailanalysis "
        "calibrate --write." if used is not None else ""),)))
    blocks += _before_after(facts)
    if _sensors_of(rows, False):
        blocks.append(Text(("Calibration runs belong in open water, clear of traffic, with a "
                            "lookout who is not reading instruments.",), "caution"))
    return _calibration_words(rows)


def _error_words(name: str, value: float, low: float, high: float) -> str:
    if name == "stw_factor":
        ends = _magnitude((100 * (1 / low - 1), 100 * (1 / high - 1)))
        error = 100 * (1 / value - 1)
        return (f"The boat-speed sensor reads {interval(abs(error), *ends, '%', 1)} "
                f"{'high' if error > 0 else 'low'}.")
    if name == "aws_factor":
        ends = _magnitude((100 * (1 / low - 1), 100 * (1 / high - 1)))
        error = 100 * (1 / value - 1)
        return (f"The anemometer reads {interval(abs(error), *ends, '%', 1)} "
                f"{'high' if error > 0 else 'low'}.")
    ends = _magnitude((low, high))
    if name == "awa_offset_deg":
        return (f"The wind vane reads {interval(abs(value), *ends, '°', 1)} too far to "
                f"{'starboard' if value < 0 else 'port'}.")
    return (f"The compass reads {interval(abs(value), *ends, '°', 1)} too "
            f"{'high' if value < 0 else 'low'}.")


def _magnitude(ends: Any) -> tuple[float, float]:
    a, b = sorted(abs(float(e)) for e in ends)
    return a, b


def _size(name: str, value: float) -> float:
    return 100 * abs(value - 1) if name.endswith("_factor") else 2 * abs(value)


def _range(row: dict[str, Any]) -> str:
    if not row["determined"]:
        return "not determined"
    return interval(row["value"], row["low"], row["high"], "", row["digits"])


def _before_after(facts: Facts) -> list[Block]:
    """What the corrections change, and the compass by heading."""
    from sailanalysis.figures.instruments import before_after_figure, deviation_figure

    result = facts.day.results.calibration
    if result is None:
        return []
    blocks: list[Block] = []
    table, curve = result.before_after, result.deviation
    if len(table):
        blocks.append(Figure(
            "before-after", "Port against starboard, upwind against downwind: what should be alike "
            "and is not. Open orange: with the boat file's corrections; filled blue: with today's. "
            "Zero is right.", "Differences before and after today's corrections",
            before_after_figure(table)))
        rows = [{**r, "what": facts.scrub(str(r["what"])) + f" ({_sign(str(r['unit']))})"}
                for r in table.to_dict("records")]
        blocks.append(Table("before-after", "What today's corrections change", (
            Column("what", "what"),
            Column("before", "with the boat file's", 2, "", "before_low", "before_high", True),
            Column("after", "with today's", 2, "", "after_low", "after_high", True)), rows,
            filterable=False))
    if len(curve) and not facts.turned_deg:
        blocks.append(Figure(
            "deviation", "Compass correction by heading (what to add), with its 95 % interval: a "
            "constant with one and two cycles round the compass.",
            "Compass correction against heading", deviation_figure(curve)))
    elif result.deviation_why_not:
        blocks.append(Text((sentence("No curve by heading for the compass: "
                                     + facts.scrub(result.deviation_why_not)),)))
    spoken = [facts.scrub(note) for note in result.notes]
    if spoken:
        blocks.append(Text(tuple(spoken), "list"))
    return blocks


def _sign(unit: str) -> str:
    return unit.replace("deg", "°")


def _track_wind(facts: Facts, headlines: list[Headline]) -> list[Block]:
    """What the track alone says about the wind, where no sensor does."""
    result, source = facts.day.results.track_wind, facts.day.wind_source
    if source == "instruments":
        return []
    if source == "track":
        text = "There is no wind sensor; the wind's direction is deduced from the track alone"
        if result is not None and known(result.twd_deg) and not facts.turned_deg:
            value, low, high = result.twd_deg, result.twd_low_deg, result.twd_high_deg
            spread = (f" ({bearing(low)} to {bearing(high)})" if known(low) and known(high) else "")
            text += f", {bearing(value)}{spread} in the middle of the day"
            headlines.append(Headline(sentence(text), 57))
        return [Text((sentence(text) + " Its speed is not known, so there is no polar.",))]
    why = facts.scrub(result.why_not) if result is not None else ""
    return [Text((why or "No wind: neither a sensor nor the shape of the track tells where it "
                  "was.",), "unknown")]


def _current(facts: Facts) -> list[Block]:
    from sailanalysis.calibrate.current import mean_current
    from sailanalysis.figures.instruments import current_figure

    blocks: list[Block] = [Text(("Current",), "heading")]
    if not facts.has("set_deg", "drift_kn"):
        return [*blocks, Text(("The current is not known: that needs heading, boat speed and "
                               "position together.",), "unknown")]
    used = facts.day.results.corrections
    mean = mean_current(facts.day.samples, used.error if used is not None else None)
    values = facts.day.samples["drift_kn"].to_numpy(dtype=float)
    values = values[np.isfinite(values)]
    study = facts.day.results.calibration
    fit = study.current if study is not None and len(study.current) else None
    where = f" towards {bearing(mean.set_deg)}" if not facts.turned_deg else ""
    text = (f"By the corrections used {interval(mean.drift_kn, mean.low_kn, mean.high_kn, 'kn')}"
            f"{where} on average, between {np.percentile(values, 5):.1f} and "
            f"{np.percentile(values, 95):.1f} kn through the day. ")
    text += ("The range is what errors of boat speed, compass and leeway leave open."
             if mean.shown else "That is no more than errors of boat speed, compass and leeway "
             "may make: no current is shown." if known(mean.low_kn) else
             "An error of the speed sensor or the compass shows there as current.")
    if fit is not None:
        drifts, lows, highs = (fit[c].to_numpy(dtype=float) for c in
                               ("drift_kn", "drift_low_kn", "drift_high_kn"))
        top = int(np.nanargmax(drifts)) if np.isfinite(drifts).any() else 0
        text += (" Estimated together with the sensors' errors, as a current that turns slowly, "
                 f"it was {amount(np.nanmedian(drifts), 'kn')} at its median and "
                 f"{interval(drifts[top], lows[top], highs[top], 'kn')} at its strongest.")
    blocks.append(Text((text,)))
    blocks.append(Figure(
        "current", "Drift (how fast) and set (where to) through the day. Thin: sample by sample "
        "with the corrections used, half-minute means."
        + (" Bold, with its shaded 95 % interval: estimated together with the sensors' errors."
           if fit is not None else ""),
        "Set and drift through the day",
        current_figure(facts.day.samples, fit, show_set=not facts.turned_deg)))
    return blocks


def _health(facts: Facts, headlines: list[Headline]) -> list[Block]:
    health = facts.day.results.health
    if health is None:
        return []
    spoken = [facts.scrub(s) for s in health.sentences]
    blocks: list[Block] = []
    if spoken:
        blocks += [Text(("Sensor health",), "heading"), Text(tuple(spoken), "list")]
        if not spoken[0].startswith("No fault"):
            headlines.append(Headline(spoken[0], 30.0))
    table, lags, sides = health.sensors, health.lags, health.asymmetry
    if len(table):
        rows = [{**r, "source": facts.scrub(str(r["source"])),
                 **{k: 100 * float(r[k]) for k in
                    ("present_share", "stuck_share", "repeats_share")}}
                for r in table.to_dict("records")]
        blocks.append(Table("health", "Each sensor", (
            Column("label", "quantity"), Column("verdict", "verdict"),
            Column("rate_hz", "rate", 1, "Hz"), Column("present_share", "present", 0, "%"),
            Column("dropouts", "dropouts", 0), Column("longest_gap_s", "longest", 0, "s"),
            Column("spikes", "spikes", 0), Column("stuck_share", "stuck", 1, "%"),
            Column("noise", "noise", 2), Column("repeats_share", "repeated values", 0, "%"),
            Column("advice", "what to do")), rows))
    if len(lags):
        blocks.append(Table("lags", "How late the sensors are", (
            Column("sensor", "sensor"), Column("against", "against"),
            Column("lag_s", "late by, 95 % interval", 1, "s", "low_s", "high_s", True),
            Column("count", "pieces", 0), Column("advice", "what to do")),
            lags.to_dict("records"), filterable=False, folded=True))
    if len(sides):
        rows = [{**r, "quantity": f"{r['quantity']} ({_sign(str(r['unit']))})"}
                for r in sides.to_dict("records")]
        blocks.append(Table("asymmetry", "Upwind, starboard tack against port", (
            Column("quantity", "quantity"), Column("starboard", "starboard", 2),
            Column("port", "port", 2),
            Column("difference", "difference, 95 % interval", 2, "", "low", "high", True),
            Column("legs_starboard", "legs starboard", 0), Column("legs_port", "port", 0),
            Column("advice", "what to do")), rows, filterable=False, folded=True))
    return blocks


def _sources(facts: Facts) -> list[Block]:
    conditioned = facts.day.results.conditioned
    if conditioned is None:
        return []
    blocks: list[Block] = []
    sources, left = conditioned.sources, conditioned.left_out
    if len(sources):
        rows = []
        for row in sources.to_dict("records"):
            rows.append({**row, "channel": _label(row["channel"]),
                         "source": facts.scrub(str(row["source"])),
                         "share": 100 * float(row["share"] or 0),
                         "why": facts.scrub(str(row["why"] or ""))})
        chosen = sum(bool(r["chosen"]) for r in rows)
        blocks += [Text(("Sources",), "heading"), Table(
            "sources", f"{count(chosen, 'source')} used of {len(rows)} logged; the better of two "
            "is chosen", (
                Column("channel", "quantity"), Column("source", "source"),
                Column("chosen", "used", show="yes"), Column("rate_hz", "rate", 1, "Hz"),
                Column("share", "of the time", 0, "%"), Column("noise", "noise", 2),
                Column("why", "why")), rows, folded=True)]
    if len(left):
        frame = left.reset_index(drop=True)
        rows = facts.rows(frame, lambda i, row: f"{row['channel']}: {row['reason']}")
        for row in rows:
            row["channel"] = _label(row["channel"])
            row["share"] = 100 * float(row["share"] or 0)
            row["reason"] = str(row["reason"]).replace("-", " ").replace("_", " ")
        total = int(np.nansum(pd.to_numeric(frame["count"], errors="coerce")))
        blocks += [Text(("Left out",), "heading"), Table(
            "left-out", f"Values marked and left out: {total} in all", (
                Column("channel", "quantity"), Column("source", "source"),
                Column("reason", "reason"), Column("start", "from", show="clock"),
                Column("end", "to", show="clock"), Column("count", "values", 0),
                Column("share", "share", 2, "%")), rows, folded=True)]
    return blocks


def _label(channel: object) -> str:
    known_channel = CHANNELS.get(str(channel))
    return known_channel.label if known_channel else str(channel)
