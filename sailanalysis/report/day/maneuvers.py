"""Section: what each tack and gybe cost, and why."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from sailanalysis.maneuvers.compare import Pattern, Telling, median_interval
from sailanalysis.report.day.facts import Facts, flags, numbers, seconds, texts
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

COLUMNS = (
    Column("name", "maneuver"), Column("side", "on to", show="side"),
    Column("loss_m", "loss, 95 % interval", 0, "m", "loss_m_low", "loss_m_high"),
    Column("loss_s", "loss", 1, "s"), Column("helm", "helm"), Column("sails", "sails"),
    Column("tws_kn", "true wind", 0, "kn"), Column("turn_deg", "turned", 0, "°"),
    Column("max_rate_of_turn_deg_s", "quickest turn", 1, "°/s"),
    Column("stw_before_kn", "speed before", 1, "kn"), Column("stw_min_kn", "slowest", 1, "kn"),
    Column("recovery_s", "until back", 0, "s"), Column("remark", "remark"),
)

PARTS = {
    "entry_m": "before the turn",
    "turn_in_m": "turning to the wind",
    "turn_out_m": "from the wind to the new course",
    "exit_angle_m": "angle after the turn",
    "build_m": "building speed",
}
"""Words for the parts of a loss."""

PART_WORDS = {
    "entry_m": "before the turn began", "turn_in_m": "while turning to the wind",
    "turn_out_m": "between the wind and the new course",
    "exit_angle_m": "by the angle after the turn", "build_m": "while building speed",
}

TRAITS = {
    "entry_share": ("entry speed", "a faster entry", "a slower entry"),
    "turn_s": ("the turn's duration", "a slower turn", "a quicker turn"),
    "unevenness": ("the turn's unevenness", "uneven turning", "even turning"),
    "over_rotation_deg": ("overshoot", "turning too far", "turning less far"),
    "rudder_rms_deg": ("rudder used", "more rudder", "less rudder"),
    "turn_deg": ("the angle turned", "a wider turn", "a narrower turn"),
    "tws_kn": ("wind speed", "more wind", "less wind"),
}
"""Words for what may go with a loss: the trait, more of it, less of it."""


def maneuvers_section(facts: Facts) -> Section:
    """Tacks and gybes with their cost; work apart."""
    table = facts.day.maneuvers.reset_index(drop=True)
    kinds = texts(table, "kind")
    turning = np.isin(kinds, ("tack", "gybe"))
    blocks: list[Block] = []
    headlines: list[Headline] = []
    if facts.day.wind_source == "none" and not turning.any():
        return Section("maneuvers", "Tacks and gybes",
                       "Without any wind, measured or deduced, a turn cannot be told from a tack.",
                       (Text(("Neither a wind sensor nor the shape of the track tells where the "
                              "wind was, so no maneuver is shown by the wind.",), "unknown"),))
    if not len(table):
        return Section("maneuvers", "Tacks and gybes", "No tack, no gybe, no luff today.",
                       code='part["maneuvers"]\nday.maneuvers')
    verdicts = []
    for kind in ("tack", "gybe"):
        mine = np.flatnonzero(kinds == kind)
        if not mine.size:
            continue
        text, headline = _kind_words(facts, table.iloc[mine], kind)
        verdicts.append(text + _dearest(facts, table.iloc[mine]))
        headlines += headline
        blocks += _kind_blocks(facts, mine, kind)
    blocks += _study_blocks(facts)
    words, more = _study_words(facts)
    headlines += more
    if turning.any():
        blocks = [*words, _table(facts, np.flatnonzero(turning)), *blocks]
    work = np.flatnonzero(~turning)
    if work.size:
        blocks += _work(facts, work)
    if not verdicts:
        verdicts = ["No tack and no gybe today; " + count(work.size, "other turn") + " below."]
    return Section(
        "maneuvers", "Tacks and gybes", " ".join(verdicts), tuple(blocks),
        how=(
            "A maneuver is found by heading against a wind direction that is estimated smoothly "
            "from the steady sailing around it, so that a shift is no tack and a wave is none. "
            "The crossing is the instant the heading passes that wind.",
            "The loss is what the boat would have made good had she not turned, less what she did, "
            "until her speed made good is back. The reference is the speed just before and just "
            "after, carried along with the wind's own changes by the boat's polar. The range is a "
            "95 % interval with the reference's and the wind direction's noise in it.",
            "A maneuver is rated only where that can be known; the remark says why not, and what "
            "it cost at least where that much is sure. Charts, medians, means and what goes with "
            "the cost rest on rated maneuvers alone.",
            "A luff is also a fall of speed after which she took up her course again, at any angle "
            "to the wind; a broach, a tack made instead of a gybe and a circle are one maneuver "
            "each.",
        ),
        source=("Mean directions on the circle: Mardia and Jupp, Directional Statistics, Wiley, "
                "2000.",),
        code='part["maneuvers"]\npart["maneuvers"].figure("overlay-tack").plotly()\n'
             'day.maneuvers[day.maneuvers.rated].groupby(["kind", "helm"]).loss_m.describe()',
        headlines=tuple(headlines))


def _kind_words(facts: Facts, mine: pd.DataFrame, kind: str) -> tuple[str, list[Headline]]:
    loss = np.where(flags(mine, "rated"), numbers(mine, "loss_m"), np.nan)
    good = loss[np.isfinite(loss)]
    total = count(len(mine), kind)
    if not good.size:
        reasons = [w for w in dict.fromkeys(texts(mine, "why_not")) if w]
        tail = f": {reasons[0].rstrip('.')}" if reasons else ""
        verb = "could not be costed"
        return f"{sentence(f'{total} {verb}{tail}')}", []
    middle, low, high = median_interval(good)
    seconds_lost = np.nanmedian(np.where(flags(mine, "rated"), numbers(mine, "loss_s"), np.nan)) \
        if np.isfinite(numbers(mine, "loss_s")[flags(mine, "rated")]).any() else float("nan")
    lengths = facts.day.boat.loa_m
    size = f", {middle / lengths:.1f} boat lengths" if lengths else ""
    best = max(0.0, float(good.min()))  # a gain is luck, no aim
    if good.size == 1:
        one = mine[flags(mine, "rated")].iloc[0]
        text = (f"The {kind if len(mine) == 1 else 'one rated ' + kind} cost "
                f"{interval(one['loss_m'], one.get('loss_m_low'), one.get('loss_m_high'), 'm', 0)}"
                f"{size}.")
        return text, [Headline(text, 60.0)]
    head = sentence(total)[:-1] + ("" if good.size == len(mine) else
                                   f", {good.size} of them costed")
    time_lost = f" and {amount(seconds_lost, 's', 0)}" if known(seconds_lost) else ""
    spread_words = interval(middle, low, high, "m", 0) if known(low) else \
        f"{amount(middle, 'm', 0)} (all between {number(best, 0)} and {number(good.max(), 0)})"
    text = (f"{head}: the median {kind} lost {spread_words}{time_lost}{size}"
            + (f", the best {amount(best, 'm', 0)}." if known(low) else "."))
    saved = float(np.maximum(good - middle, 0.0).sum())
    told = (f"A {kind} cost {spread_words}{time_lost}{size}, the best {amount(best, 'm', 0)}, the "
            f"dearest {amount(good.max(), 'm', 0)}.")
    if good.size >= 4 and saved > 20:
        told += f" None worse than the middle one would have saved {amount(saved, 'm', 0)}."
    return text, [Headline(told, 60.0, _worth_minutes(mine), min(1.0, good.size / 6.0))]


def _worth_minutes(mine: pd.DataFrame) -> float:
    """Minutes saved, had every turn dearer than the middle one been like it: half of them were."""
    lost = numbers(mine, "loss_s")[flags(mine, "rated")]
    lost = lost[np.isfinite(lost)]
    return float(np.maximum(lost - np.median(lost), 0.0).sum()) / 60.0 if lost.size else \
        float("nan")


def _table(facts: Facts, which: np.ndarray) -> Table:
    frame = facts.day.maneuvers.reset_index(drop=True)
    rows = facts.rows(frame, lambda i, row: facts.names[i])
    picked, rated = [], flags(frame, "rated")
    for i in which:
        row = dict(rows[i])
        row["name"] = facts.names[i]
        row["side"] = row.get("to_side", "")
        remark = [str(row.get("what") or "").strip()]
        if not rated[i]:
            if known(row.get("at_least_m")):
                remark.append(least_words(row))
            remark.append("not rated: " + (str(row.get("why_not") or "") or "reason not given"))
            for name in ("loss_m", "loss_s"):
                row[name] = float("nan")
        row["remark"] = "; ".join(r for r in remark if r and r != "nan")
        picked.append(row)
        for name in ("turn_deg", "max_rate_of_turn_deg_s"):
            row[name] = abs(float(row.get(name, np.nan)))
    # With the anatomy below, the turn itself is told there.
    told = ("turn_deg", "max_rate_of_turn_deg_s") if facts.day.results.maneuvers is not None else ()
    always = ("name", "side", "loss_m", "remark")
    columns = tuple(c for c in COLUMNS if c.name not in told and (c.name in always or any(
        r.get(c.name) not in (None, "") and (isinstance(r.get(c.name), str)
                                             or known(r.get(c.name))) for r in picked)))
    return Table("maneuvers", "Every tack and gybe", columns, picked)


STOPPED_SHARE = 0.2
"""Of the speed before: below it she hardly answers her rudder (common practice)."""


def least_words(row: Mapping[str, object]) -> str:
    """A one-sided statement of what a maneuver cost that could not be costed to use."""
    slowest, before = (float(str(row.get(name, "nan"))) for name in
                       ("stw_min_kn", "stw_before_kn"))
    stopped = ": she stopped" if slowest < STOPPED_SHARE * before else ""
    return f"at least {amount(float(str(row['at_least_m'])), 'm', 0)}{stopped}"


def _dearest(facts: Facts, mine: pd.DataFrame) -> str:
    """The dearest of a kind, where it could only be bounded and beats all that were rated."""
    rated = flags(mine, "rated")
    least = np.where(rated, np.nan, numbers(mine, "at_least_m"))
    if not np.isfinite(least).any():
        return ""
    k = int(np.nanargmax(least))
    if (least[k] <= numbers(mine, "loss_m")[rated]).any():
        return ""
    row = mine.iloc[k]
    return f" The dearest was {facts.names[int(mine.index[k])]}: {least_words(row.to_dict())}."


def _kind_blocks(facts: Facts, mine: np.ndarray, kind: str) -> list[Block]:
    from sailanalysis.figures.maneuvers import loss_figure, overlay_figure, wind_up_figure

    table = facts.day.maneuvers.reset_index(drop=True).iloc[mine]
    names = [facts.names[i] for i in mine]
    plural = kind + "s"
    study = facts.day.results.maneuvers
    traces = study.traces if study is not None and study.traces else None
    medium = "through the water" if traces else "over ground"
    blocks: list[Block] = []
    if np.isfinite(numbers(table, "loss_m")).sum() > 1:
        blocks.append(Figure(
            f"loss-{kind}", f"What each {kind} cost, with its 95 % interval. Left-pointing red: on "
            "to port tack; right-pointing green: on to starboard. Those not rated are left out.",
            f"Loss of each {kind} in metres, in the day's order", loss_figure(table, names)))
    if facts.has("stw_kn") or facts.has("twa_deg"):
        blocks.append(Figure(
            f"overlay-{kind}", f"All {plural} on top of each other, zero where the boat passed the "
            "wind. Thick blue: the cheapest; dashed orange: the median. Choose a line to see it on "
            "the track.", f"{count(len(mine), kind)} aligned at the crossing: boat speed, wind "
            "angle, rate of turn and VMG", overlay_figure(facts.day.samples, table, names, traces)))
    drawn = wind_up_figure(facts.day.samples, table.iloc[:24], names[:24], traces)
    if drawn is not None:
        more = "" if len(mine) <= 24 else f" The first 24 of {len(mine)}."
        blocks.append(Figure(
            f"windup-{kind}", f"Each {kind}'s track {medium}, where it is known, with the "
            "wind blowing down the page, all on one scale; the bold part is the maneuver "
            f"itself.{more}",
            f"Small drawings of {count(min(len(mine), 24), kind)} relative to the wind", drawn,
            wide=True))
    return blocks


def pattern_words(pattern: Pattern) -> str:
    """One trait that went with the loss, as a sentence."""
    kind, n = pattern.kind, pattern.count
    trait, more, less = TRAITS[pattern.trait]
    way = more if pattern.correlation > 0 else less
    return (f"The dearer {kind}s went with {way}: rank correlation of {trait} with the seconds "
            f"lost {pattern.correlation:+.2f} (95 % interval {pattern.low:+.2f} to "
            f"{pattern.high:+.2f}), {n} {kind}s.")


def telling_words(telling: Telling) -> str:
    """The part in which the dear turns lost their metres, as a sentence."""
    most = "nearly all" if telling.extra_m > 0.85 * telling.whole_m \
        else amount(telling.extra_m, "m", 0)
    return (f"The dearer half of the {telling.kind}s lost {amount(telling.whole_m, 'm', 0)} more "
            f"each, {most} of it {PART_WORDS[telling.part]} "
            f"({count(telling.count, telling.kind)}).")


def _study_words(facts: Facts) -> tuple[list[Block], list[Headline]]:
    """What sets the cheap maneuvers apart, or that nothing does."""
    study = facts.day.results.maneuvers
    if study is None or not study.looked_at:
        return [], []
    found = [telling_words(t) for t in study.telling]
    found += [pattern_words(p) for p in study.what_matters]
    told = {p.kind for p in study.what_matters} | {t.kind for t in study.telling}
    silent = [kind for kind in study.looked_at if kind not in told]
    spoken = found + [f"Nothing stands out yet: {count(study.looked_at[k], k)}." for k in silent]
    return [Text(tuple(spoken), "list")], [
        Headline(f"The dearer {p.kind}s went with "
                 f"{TRAITS[p.trait][1 if p.correlation > 0 else 2]}.", 59.0)
        for p in study.what_matters[:1]]


def _study_blocks(facts: Facts) -> list[Block]:
    """Where the metres went, helms and sails side by side, the anatomy of each."""
    from sailanalysis.figures.maneuvers import parts_figure

    study = facts.day.results.maneuvers
    if study is None:
        return []
    blocks: list[Block] = []
    table = study.table
    if len(table):
        for kind in ("tack", "gybe"):
            mine = table[texts(table, "kind") == kind]
            mine = mine[np.isfinite(numbers(mine, "loss_m"))]
            if len(mine) < 2:
                continue
            numbers_of = mine["number"].astype(int).tolist()
            blocks.append(Figure(
                f"parts-{kind}", f"Where each {kind}'s metres went; the parts add up to the loss. "
                "A bar to the left of zero was gained.", f"Parts of the loss of each {kind}",
                parts_figure([facts.names[i] for i in numbers_of],
                             {words: numbers(mine, part) for part, words in PARTS.items()})))
    blocks += _pooled(facts, study.pooled)
    if len(table):
        rows = facts.rows(table)
        starts, ends = (seconds(facts.day.maneuvers[c]) for c in ("start", "end"))
        for row in rows:
            i = int(row["number"])
            row["name"] = facts.names[i]
            row["entry"], row["slowest"] = (100 * float(row.get(k, np.nan)) for k in
                                            ("entry_share", "slowest_share"))
            row["_focus"] = (starts[i] - facts.t0, ends[i] - facts.t0, facts.names[i])
        rows = [r for r in rows if r.get("kind") in ("tack", "gybe")]
        blocks.append(Table("anatomy", "The anatomy of each", tuple(c for c in ANATOMY if any(
            known(r.get(c.name)) or isinstance(r.get(c.name), str) for r in rows)), rows,
            folded=True))
    return blocks


def _pooled(facts: Facts, pooled: pd.DataFrame) -> list[Block]:
    """Mean costs by helm and sails, side by side."""
    rows = [{k: facts.scrub(v) if isinstance(v, str) else v for k, v in row.items()}
            for row in pooled[numbers(pooled, "rated") > 0].to_dict("records")]
    if not rows:
        return []
    for row in rows:
        row["of"] = f"{row['rated']} of {row['count']}"
    return [
        Text(("What they cost on average",), "heading"),
        Text(("One turn's cost is uncertain by several metres; the mean of some is known better. "
              "Each group's mean is drawn to that of all, the more so the fewer its turns, and "
              "the wind's speed is allowed for. Where two ranges overlap, neither is the "
              "better.",)),
        Table("mean-costs", "Mean cost by helm and sails", (
            Column("kind", "kind"), Column("helm", "helm"), Column("sails", "sails"),
            Column("of", "rated"),
            Column("loss_m", "mean loss, 95 % interval", 0, "m", "loss_m_low", "loss_m_high"),
            Column("loss_s", "mean loss, 95 % interval", 1, "s", "loss_s_low", "loss_s_high")),
            rows, filterable=False)]


ANATOMY = (
    Column("name", "maneuver"), Column("entry", "entry speed, of steady", 0, "%"),
    Column("entry_settled", "settled", show="yes"), Column("turn_deg", "turned", 0, "°"),
    Column("turn_s", "in", 0, "s"), Column("rate_deg_s", "mean rate", 1, "°/s"),
    Column("unevenness", "unevenness", 2), Column("slowest", "slowest, of steady", 0, "%"),
    Column("exit_twa_deg", "angle out", 0, "°"),
    Column("settled_twa_deg", "then settled at", 0, "°"),
    Column("over_rotation_deg", "turned too far", 0, "°", sign=True),
    Column("build_90_s", "to 90 % speed", 0, "s"), Column("build_full_s", "to full speed", 0, "s"),
    Column("rudder_max_deg", "most rudder", 0, "°"),
    Column("heel_before_deg", "heel before", 0, "°"), Column("heel_after_deg", "after", 0, "°"))


def _work(facts: Facts, which: np.ndarray) -> list[Block]:
    frame = facts.day.maneuvers.reset_index(drop=True)
    rows = facts.rows(frame, lambda i, row: facts.names[i])
    picked, rated = [], flags(frame, "rated")
    for i in which:
        row = dict(rows[i])
        row["name"] = facts.names[i]
        row["lasted"] = row["end"] - row["start"]
        remark = [str(row.get("what") or "")]
        if not rated[i]:
            row["loss_m"] = float("nan")
            remark.append(least_words(row) if known(row.get("at_least_m")) else "")
        row["remark"] = "; ".join(word for word in remark if word and word != "nan")
        picked.append(row)
    total = float(np.nansum([r["lasted"] for r in picked]))
    kinds = texts(frame.iloc[which], "kind")
    listing = listed(count(int((kinds == k).sum()), w) for k, w in
                     (("luff", "luff"), ("bear_away", "bear-away"), ("head_up", "head-up"),
                      ("circle", "circle")) if (kinds == k).any())
    return [
        Text(("Other turns: work, not mistakes",), "heading"),
        Text((f"{sentence(listing)[:-1]}, {duration(total)} in all. A luff to tension a halyard or "
              "lower a board is work and is listed apart.",)),
        Table("work", "Luffs, bear-aways, head-ups and circles", (
            Column("name", "turn"), Column("lasted", "lasted", 0, "s"),
            Column("turn_deg", "turned", 0, "°"), Column("tws_kn", "true wind", 0, "kn"),
            Column("stw_before_kn", "speed before", 1, "kn"),
            Column("stw_min_kn", "slowest", 1, "kn"),
            Column("loss_m", "distance it cost", 0, "m", "loss_m_low", "loss_m_high"),
            Column("helm", "helm"), Column("remark", "remark")), picked)]
