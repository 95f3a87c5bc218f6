"""Section: where the day went, from what she could have done to what she did."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from sailanalysis.ledger import LOSSES, Ledger
from sailanalysis.report.day.facts import Facts
from sailanalysis.report.page.sections import Block, Column, Figure, Headline, Section, Table, Text
from sailanalysis.report.page.words import count, duration, interval, known, listed, sentence

TITLE: Final = "Where the day went"
LEAST_MIN: Final = 20.0
LEAST_SHARE: Final = 0.6
"""Told only from twenty measured minutes on, and where they are two fifths of the day."""
NAMES: Final[dict[str, str]] = {
    "could": "could have done", "turns": "tacks and gybes",
    "handling": "luffs and handling", "angle": "the angle sailed",
    "speed": "speed at the angle", "sail": "another sail", "rudder": "a busy rudder",
    "waiting": "waiting or motoring", "unknown": "nobody can tell", "did": "did"}
"""Words for the ledger's items."""
MEANS: Final[dict[str, str]] = {
    "could": "time the well-sailed boat takes for the way made",
    "turns": "from just before each turn until her speed was back",
    "handling": "luffs, circles, new courses, reefing, lying hove-to",
    "angle": "against the best angle, on beats and runs only",
    "speed": "trim, sea and load together: the log cannot part them",
    "sail": "where another set is surely faster at that wind",
    "rudder": "drag of the moving rudder; no boat is steered without any",
    "waiting": "stopped or under engine, between the first and the last sail",
    "unknown": "no measure for that wind, not surely sailed, or a turn without a sure cost",
    "did": "from the first to the last sure sailing"}


def ledger_section(facts: Facts) -> Section:
    """The day's ledger, or why there is none."""
    ledger = facts.day.results.ledger
    if ledger is None:
        return Section("ledger", TITLE, "No account of the day was made.")
    if not len(ledger.table):
        return Section("ledger", TITLE, "Nothing was surely sailed, so there is no account.")
    if ledger.why_not:
        return Section(
            "ledger", TITLE, f"Where the day went cannot be told: {ledger.why_not}.",
            (Text(("The account needs wind, boat speed and a polar for that wind. A few hours of "
                   "steady sailing with both sensors make one.",), "unknown"),))
    little = _little(ledger)
    verdict = little or _verdict(ledger)
    table = ledger.table
    shown = table[table["item"].isin(LOSSES) & table["minutes"].map(known)]
    shown = shown.sort_values("minutes", ascending=False, kind="stable")
    names = [NAMES[item] for item in shown["item"]]
    from sailanalysis.figures.ledger import ledger_figure

    blocks: list[Block] = [
        Figure("ledger", "Minutes behind the well-sailed boat, each with its 95 % interval. What "
               "lies left of zero was gained on her.", f"Minutes lost by item: {verdict}",
               ledger_figure(shown, names)),
        Table("ledger", "Minutes and miles, item by item: the first row and the losses make the "
              "last", (
                  Column("name", "where"),
                  Column("minutes", "minutes, 95 % interval", 1, "", "minutes_low",
                         "minutes_high"),
                  Column("nm", "miles, 95 % interval", 2, "", "nm_low", "nm_high"),
                  Column("of_hours", "met in", 1, "h"), Column("remark", "what it holds")),
              [_row(facts, ledger, row) for row in table.to_dict("records")], filterable=False)]
    return Section("ledger", TITLE, verdict, tuple(blocks), how=_how(ledger),
                   code='part["ledger"]\nday.results.ledger.table',
                   headlines=() if little else _headlines(ledger),
                   glance=() if little else (verdict,))


def _little(ledger: Ledger) -> str:
    """Why the account is too thin to be told on the first screen; empty where it is not."""
    did, unknown = (float(ledger.row(name)["minutes"]) for name in ("did", "unknown"))
    if did - unknown >= LEAST_MIN and unknown <= LEAST_SHARE * did:
        return ""
    return (f"Of {duration(60.0 * did)} only {duration(60.0 * (did - unknown))} can be measured: "
            "too little to say where the day went.")


def _row(facts: Facts, ledger: Ledger, row: Mapping[Any, Any]) -> dict[str, Any]:
    item = str(row["item"])
    remark = MEANS[item]
    if item == "turns" and ledger.turns > ledger.turns_costed:
        remark = f"{ledger.turns_costed} of {ledger.turns} with a sure cost"
    if row["why_not"]:
        remark = f"not known: {facts.scrub(str(row['why_not']))}"
    out = {**{str(k): v for k, v in row.items()}, "name": NAMES[item], "remark": remark}
    place = ledger.place(item)
    if place is not None:
        out["_focus"] = (place.start_s - facts.t0, place.end_s - facts.t0,
                         f"most of it: {NAMES[item]}")
    return out


def _verdict(ledger: Ledger) -> str:
    """One sentence: what she could have done, and what took most."""
    could, did, unknown = (ledger.row(name) for name in ("could", "did", "unknown"))
    whom = (f"the boat of {count(ledger.days, 'earlier day')} at her best" if ledger.season
            else "a boat as fast as on her own best legs of today")
    told = 60.0 * (float(did["minutes"]) - float(unknown["minutes"]))
    text = (f"What took {duration(told)} would have taken {whom} "
            f"{duration(60.0 * float(could['minutes']))}")
    most = _most(ledger)
    if most:
        text += f"; {listed(most)}"
    return text + "."


def _most(ledger: Ledger) -> list[str]:
    """The two losses that took most, of those that are surely losses."""
    table = ledger.table
    sure = table[table["item"].isin(LOSSES) & ~table["item"].isin(("unknown",))
                 & (table["minutes_low"] > 0.0) & (table["minutes"] >= 0.5)]
    rows = sure.sort_values("minutes", ascending=False, kind="stable").head(2).to_dict("records")
    return [f"{NAMES[str(r['item'])]} took "
            + interval(r["minutes"], r["minutes_low"], r["minutes_high"], "min", 1)
            if r["item"] != "waiting" else f"{NAMES['waiting']} took {duration(60 * r['minutes'])}"
            for r in rows]


def _headlines(ledger: Ledger) -> tuple[Headline, ...]:
    """What can be won back tomorrow stands on the first screen."""
    table = ledger.table
    mine = table[table["item"].isin(("turns", "handling", "angle", "speed", "sail"))
                 & (table["minutes_low"] > 0.0) & (table["minutes"] >= 1.0)]
    if not len(mine):
        return ()
    top = mine.sort_values("minutes", ascending=False, kind="stable").iloc[0]
    words = interval(top["minutes"], top["minutes_low"], top["minutes_high"], "min", 0)
    text = sentence(f"most time went to {NAMES[str(top['item'])]}: {words} behind "
                    + ("the season's well-sailed boat" if ledger.season
                       else "her own best legs of today"))
    return (Headline(text, 60.0 + min(float(top["minutes"]), 30.0)),)


def _how(ledger: Ledger) -> tuple[str, ...]:
    measure = (
        "The measure is the season's polar: what she usually does in that wind, and 1.28 standard "
        "deviations more of what her legs differ by, so that one leg in ten was sailed as well."
        if ledger.season else
        "No season knows these winds yet, so the measure is today's own polar: what she did "
        "usually, and 1.28 standard deviations more of what her legs differ by, so that one leg "
        "in ten was sailed as well.")
    return (
        measure + " The noise of half minutes, which nobody can hold, is not in it.",
        "On a beat the way made good to windward counts, on a run that to leeward, else the way "
        "along the course. A beat is known by its tacks and a run by its gybes; a course without "
        "them is taken as the course she wanted, and has no better angle.",
        "Each half minute, and each turn with its recovery, is counted once. In a turn the "
        "sailing around it is taken off first. Minutes are the way lost over the well-sailed "
        "boat's way. Only what was surely sailed is rated; the rest stands under nobody can tell.")

