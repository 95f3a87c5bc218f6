"""Section: where she went and what she did when."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd

from sailanalysis.core.series import true_stretches
from sailanalysis.report.day.facts import Facts, texts
from sailanalysis.report.page.sections import (
    Block,
    Column,
    Figure,
    Headline,
    Section,
    Table,
    Text,
    View,
)
from sailanalysis.report.page.words import amount, clock, count, duration, known, listed, zone

KIND_WORDS = {"tack": "tack", "gybe": "gybe", "luff": "luff", "bear_away": "bear-away",
              "head_up": "head-up", "circle": "circle"}


def day_section(facts: Facts) -> Section:
    """The track, the strips and the states, linked."""
    from sailanalysis.figures.strips import available, strip_detail, strips_figure
    from sailanalysis.figures.track import detail, track_figure

    day, s = facts.day, facts.day.summary
    blocks: list[Block] = []
    fine = detail(day.samples, facts.chart)
    fine["begin"] = _first_sailing(facts)
    fine["strips"] = strip_detail(day.samples)
    fine["names"] = {name: _spells(facts, name) for name in ("helm", "sails")}
    track: Figure | None = None
    offered: list[tuple[str, str]] = []
    if facts.chart is not None:
        spec, offered = track_figure(day.samples, day.maneuvers, facts.chart, facts.share,
                                     facts.coastline)
        where = ("distances from the start" if facts.private else "degrees and minutes")
        track = Figure(
            "track", _caption(facts, where),
            f"Track of the day, {_track_words(facts)}", spec, wide=True)
    strips = Figure(
        "strips", "Strip charts of the day, with states, helms, sails and crew-log marks as bands "
        "on top. Drag to move along the day; the buttons above look closer.",
        f"Strip charts from {clock(facts.t0, False)} to {clock(facts.time[-1], False)} {zone()}: "
        + listed(label for _, label, on in available(day.samples) if on),
        strips_figure(day.samples, day.crew, day.maneuvers, notes=not facts.private), wide=True)
    blocks.append(View("day", track, strips, fine, tuple(offered),
                       tuple(available(day.samples))))
    if track is None:
        blocks.append(Text(("The log holds no positions, so there is no track to draw.",),
                           "unknown"))
    blocks.append(_states_table(facts))
    return Section(
        "day", "The day", _verdict(facts), tuple(blocks),
        how=(
            "All channels stand on one clock in UTC; gaps in the log stay gaps. States come from "
            "the engine's revolutions or the crew log where there are any, else from all that "
            "speed, wind, heel, turns and place tell together, as a probability: "
            + _states_basis(facts) + " Only what was sailed with a probability of 90 % and more, "
            "and not slowed on purpose, enters polar, losses and helm scores.",
            "Distances are speed over ground (or through the water) added up over the time not "
            "stopped; no distance is counted across a gap.",
            "Traces are thinned for the screen by keeping the lowest and the highest value of each "
            "short bucket, so that no peak is lost; the tables hold every sample.",
        ),
        code='part["day"]\n' + ('part["day"].figure("track").plotly()\n' if track else "")
        + 'day.samples[["stw_kn", "tws_kn", "twa_deg"]].describe()',
        # A day with little sailing is told first by what it was.
        headlines=(Headline(_verdict(facts), 95),)
        if facts.engine_unknown or s["sailing_s"] < 300 else ())


def _caption(facts: Facts, where: str) -> str:
    if facts.turned_deg:
        words = f"The track from its start, turned by a chosen angle, axes in {where}."
    else:
        words = f"The track, north up, axes in {where}."
    if len(facts.day.maneuvers):
        words += (" Triangles are tacks (up) and gybes (down), hollow marks other turns; choose "
                  "one to look closer.")
    arrows = listed([w for w, c in (("wind", "twd_deg"), ("current", "drift_kn")) if facts.has(c)])
    if arrows:
        words += f" Arrows: mean {arrows} of the day."
    return words + " Not a chart: do not navigate by it."


def _first_sailing(facts: Facts) -> float:
    """Where the pointer stands at first: a little into the longest stretch under sail."""
    stretches = true_stretches(facts.state == "sailing")
    if not stretches:
        return 0.0
    longest = max(stretches, key=lambda run: run.stop - run.start)
    return float(facts.time[longest.start + (longest.stop - longest.start) // 10] - facts.t0)


def _states_basis(facts: Facts) -> str:
    if facts.has("engine_rpm"):
        return "today from the engine's revolutions."
    if facts.day.crew.of("engine"):
        return "today from the crew log."
    return "today inferred, since neither tells about the engine."


def _track_words(facts: Facts) -> str:
    s = facts.day.summary
    miles = s["distance_over_ground_nm"]
    return f"{amount(miles, 'NM')} over ground" if known(miles) else "distance unknown"


def _verdict(facts: Facts) -> str:
    s = facts.day.summary
    sailed, motored, stopped = s["sailing_s"], s["motoring_s"], s["stopped_s"]
    least = 30 if max(sailed, motored, stopped) >= 60 else 1
    parts = [f"{duration(value)} {word}" for value, word in
             ((sailed, "under way" if facts.engine_unknown else "under sail"),
              (motored, "under engine"), (stopped, "stopped")) if known(value) and value >= least]
    kinds = texts(facts.day.maneuvers, "kind")
    turns = [count(int((kinds == k).sum()), w) for k, w in KIND_WORDS.items()
             if (kinds == k).any()]
    if not parts:
        return "Nothing in the log says what the boat did."
    text = listed(parts)
    if facts.engine_unknown:
        return (f"{text}; whether under sail or engine cannot be told, since neither wind nor "
                "engine is logged.")
    if sailed < 30 and motored >= 30:
        return f"{text}: nothing was sailed, so nothing below judges sailing."
    if sailed < least:
        return f"{text}: the boat did not sail."
    return f"{text}, with {listed(turns)}." if turns else f"{text}, without a maneuver."


def _states_table(facts: Facts) -> Table:
    state = facts.state
    doing = texts(facts.day.samples, "doing") if "doing" in facts.day.samples else state
    word = np.where(doing == "", state, doing)
    changes = (state[1:] != state[:-1]) | (word[1:] != word[:-1])
    bounds = [0, *(np.flatnonzero(changes) + 1).tolist(), state.size]
    rows: list[dict[str, Any]] = []
    for a, b in itertools.pairwise(bounds):
        start, end = facts.time[a], facts.time[b - 1]
        if end - start < 10 and len(bounds) > 2:
            continue
        piece = facts.day.samples.iloc[a:b]
        rows.append({
            "state": _doing_words(state[a], word[a]), "start": start, "end": end,
            "duration_s": end - start, "sure": _sure(piece),
            "speed": _mean(piece, "sog_kn", "stw_kn"), "wind": _mean(piece, "tws_kn"),
            "_focus": (start - facts.t0, end - facts.t0,
                       f"{_doing_words(state[a], word[a])} from {clock(start, False)}")})
    rows += _written(facts)
    rows.sort(key=lambda row: float(row["start"]))
    return Table("states", "The story of the day: what she did, and what the crew wrote", (
        Column("state", "what"), Column("start", "from", show="clock"),
        Column("end", "to", show="clock"), Column("duration_s", "for", show="duration"),
        Column("speed", "mean speed", 1, "kn"), Column("wind", "mean true wind", 1, "kn"),
        Column("sure", "under sail, probability", 0, "%")), rows)


def _spells(facts: Facts, name: str) -> list[tuple[float, str]]:
    """From when on who steered, or what was set: seconds from the start, and the name."""
    if name not in facts.day.samples:
        return []
    text = texts(facts.day.samples, name)
    first = np.flatnonzero(np.append(True, text[1:] != text[:-1]))
    return [(round(float(facts.time[i] - facts.t0), 1), str(text[i])) for i in first] \
        if (text != "").any() else []


def _written(facts: Facts) -> list[dict[str, Any]]:
    """The crew's entries at their time: notes in their own words, the rest by its item."""
    rows = []
    for entry in facts.day.crew.entries:
        if facts.private and entry.item in ("note", "photo", "aim"):
            continue
        note = "" if facts.private or not entry.note else f" ({entry.note})"
        value = facts.scrub(entry.value)
        words = f"\u201c{value}\u201d{note}" if entry.item == "note" else \
            f"{entry.item}: {value}{note}"
        begin = entry.time_s - facts.t0
        rows.append({"state": words, "start": entry.time_s,
                     "_focus": (begin - 60.0, begin + 120.0, f"crew log, {entry.item}")})
    return rows


def _doing_words(state: str, doing: str) -> str:
    """The state with its finer word: ``stopped (adrift)``."""
    if not state:
        return "unknown"
    return state if doing in ("", state, "under engine") else f"{state} ({doing})"


def _sure(piece: pd.DataFrame) -> float:
    """Mean probability of sailing, in per cent."""
    if "sailing_probability" not in piece:
        return float("nan")
    return 100.0 * float(piece["sailing_probability"].mean())


def _mean(frame: pd.DataFrame, *names: str) -> float:
    for name in names:
        if name in frame and frame[name].notna().any():
            return float(frame[name].mean())
    return float("nan")
