"""Sections: the crew's own notes, and an exact account of what went in."""

from __future__ import annotations

from sailanalysis.report.day.facts import Facts
from sailanalysis.report.page.sections import Block, Column, Section, Table, Text
from sailanalysis.report.page.words import count, listed, zone


def notes_section(facts: Facts) -> Section | None:
    """What the crew wrote down; None without a crew log."""
    entries = facts.day.crew.entries
    if not entries:
        return None
    hidden = 0
    rows = []
    for entry in entries:
        if facts.private and entry.item == "note":
            hidden += 1
            continue
        rows.append({"time": entry.time_s, "item": entry.item, "value": facts.scrub(entry.value),
                     "note": "" if facts.private else entry.note,
                     "_focus": (entry.time_s - 60 - facts.t0, entry.time_s + 120 - facts.t0,
                                f"crew log, {entry.item}")})
    blocks: list[Block] = [Table("crew", "The crew log", (
        Column("time", f"time ({zone()})", show="clock"), Column("item", "item"),
        Column("value", "value"), Column("note", "note")), rows)]
    if hidden:
        blocks.append(Text((f"{count(hidden, 'free note')} left out of this shared report.",)))
    return Section(
        "notes", "What the crew wrote down",
        f"{count(len(entries), 'entry', 'entries')} in the crew log tell what no instrument can: "
        + listed(dict.fromkeys(e.item for e in entries)) + ".",
        tuple(blocks), code='part["notes"]')


def inputs_section(facts: Facts) -> Section:
    """Every file, every line: used or left out, and why."""
    day = facts.day
    lines = sum(item.lines for item in day.inputs)
    used = sum(item.used for item in day.inputs)
    rejected = sum(sum(item.rejected.values()) for item in day.inputs)
    rows = [{
        "file": facts.scrub(item.file), "format": item.format, "lines": item.lines,
        "used": item.used, "ignored": item.ignored, "rejected": sum(item.rejected.values()),
        "why": listed(f"{n} {reason.replace('_', ' ').replace('-', ' ')}" for reason, n in
                      sorted(item.rejected.items(), key=lambda pair: -pair[1]) if n) or "–",
    } for item in day.inputs]
    blocks: list[Block] = [Table("files", "Files read: lines = used + rejected", (
        Column("file", "file"), Column("format", "format"), Column("lines", "lines", 0),
        Column("used", "used", 0), Column("ignored", "of these not needed", 0),
        Column("rejected", "rejected", 0), Column("why", "why")), rows)]
    if day.findings:
        found = [{"level": f.level, "code": f.code, "message": facts.scrub(f.message)}
                 for f in sorted(day.findings, key=lambda f: f.level != "warning")]
        blocks.append(Table("findings", "What the program noticed while reading", (
            Column("level", "weight"), Column("message", "what"), Column("code", "code")), found))
    share = rejected / lines if lines else 0.0
    verdict = (f"{count(len(day.inputs), 'file')}, {_thousands(lines)} lines: {_thousands(used)} "
               f"used and {_thousands(rejected)} rejected ({100 * share:.2g} %), each counted by "
               "its reason." if lines else "No file account came with this day.")
    return Section(
        "inputs", "What went in", verdict, tuple(blocks),
        how=("Every line read is either used or rejected with a reason; the two add up to the "
             "lines of the file. \u201cNot needed\u201d counts lines understood whose content no "
             "result asks for.",),
        code='part["inputs"]\nday.summary["inputs"]')


def _thousands(n: int) -> str:
    return f"{n:,}".replace(",", "\u202f")
