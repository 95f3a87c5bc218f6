"""The crew log: what the instruments cannot know, its times made absolute.

A time of day belongs to the log's own day in the given zone; where the sail went past midnight,
to the day on which it lies nearest to the logged hours. Among equals the order in the file
decides.
"""

from __future__ import annotations

import contextlib
import csv
import io
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from sailanalysis.core.errors import BoatFileError, Finding
from sailanalysis.core.model import CrewEntry, CrewLog, Floats, Names
from sailanalysis.read.written.plain import Row, is_plain, match_name, plain_rows
from sailanalysis.read.written.words import read_phrase

MAX_BYTES: Final = 20_000_000
ITEMS: Final = ("helm", "sails", "boards", "engine", "trim", "load", "sea", "fill", "reef", "photo",
                "aim", "note")
_ITEM_FORMS: Final = {"sail": "sails", "board": "boards", "notes": "note", "motor": "engine"}
_ON: Final = frozenset(("on", "yes", "1", "true", "started", "start", "running"))
_OFF: Final = frozenset(("off", "no", "0", "false", "stopped", "stop"))

USUAL_SAIL_S: Final = 12 * 3600.0
"""Length of the day assumed where its end is not known; common practice for a day's sail."""
FAR_S: Final = 36 * 3600.0
"""An entry further from the log than this is of another day."""

_CLOCK: Final = re.compile(
    r"(\d{1,2})[:.h](\d{2})(?:[:.](\d{2})(?:[.,](\d{1,6}))?)?\s*([ap]\.?m\.?)?", re.IGNORECASE)
_OFFSET: Final = re.compile(r"(?:Z|[+-]\d{2}:?\d{2})$", re.IGNORECASE)
_ORDINARY_DATE: Final = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})[ T,]+(.+)")


def read_crew_log(
    path: str | Path, *, day_start_s: float, timezone: str | tzinfo = "UTC",
    day_end_s: float | None = None, names: Names | None = None,
) -> tuple[CrewLog, list[Finding]]:
    """Read a crew log.

    Parameters
    ----------
    path : str or Path
        CSV with the header ``time,item,value`` and an optional ``note``; comma, semicolon or tab.
        Or plain lines: a time of day, then words.
    day_start_s, day_end_s : float
        First and last instant of the instrument logs, seconds since 1970 UTC: they say which day
        a bare ``HH:MM`` belongs to.
    timezone : str or tzinfo
        Zone of times that carry none.
    names : Names, optional
        What the crew calls helms and sails: what is written otherwise is matched to them.

    Returns
    -------
    CrewLog
        Entries in order of time.
    list of Finding
        Lines left out, with their numbers, and entries of another day.

    Raises
    ------
    BoatFileError
        The file cannot be read, has no such header, or the zone is unknown.
    """
    path = Path(path)
    clock = _DayClock(day_start_s, day_end_s, _zone(timezone))
    known = names or Names()
    return _placed(path.name, list(_rows(path.name, _text(path), known)), clock, known)


def read_crew_log_of_days(
    path: str | Path, hours: Sequence[tuple[float, float]], timezone: str | tzinfo = "UTC",
    names: Names | None = None,
) -> list[tuple[CrewLog, list[Finding]]]:
    """Read a crew log that is about several days, and divide it among them.

    Parameters
    ----------
    path : str or Path
    hours : sequence of (float, float)
        First and last instant of each day's logs, in order, seconds since 1970.
    timezone : str or tzinfo
        Zone of times that carry none.
    names : Names, optional
        What the crew calls helms and sails.

    Returns
    -------
    list of (CrewLog, list of Finding)
        One a day.

    Notes
    -----
    A time with a date goes to the day it lies in or nearest to. Times of day are taken in the
    order written, which never steps back a day: of all ways to deal them out to the days, the one
    by which they lie least outside the logged hours and run backwards least.

    Raises
    ------
    BoatFileError
        As :func:`read_crew_log`.
    """
    path, zone, known = Path(path), _zone(timezone), names or Names()
    rows = list(_rows(path.name, _text(path), known))
    clocks = [_DayClock(start, end, zone) for start, end in hours]
    times = [row[1][0] for row in rows]
    day_of, unclear = deal_out(times, clocks)
    out = []
    for k, clock in enumerate(clocks):
        mine = [row for row, day in zip(rows, day_of, strict=True) if day == k]
        crew, findings = (CrewLog(), []) if not mine else _placed(path.name, mine, clock, known)
        out.append((crew, findings))
    if unclear:
        out[0][1].append(Finding(
            "crew-log-day-unclear", f"{path.name}: {unclear} of its lines could belong to more "
            "than one day by their times; they were taken for the first that fits. Write the "
            "date before them to be sure."))
    return out


def dates_written(path: str | Path) -> frozenset[str]:
    """The dates that stand in a crew log; empty where its times are times of day.

    Parameters
    ----------
    path : str or Path

    Raises
    ------
    BoatFileError
        The file cannot be read, or is no crew log.
    """
    path = Path(path)
    found = set()
    for _, (when, *_) in _rows(path.name, _text(path), Names()):
        ordinary = _ORDINARY_DATE.fullmatch(when.strip())
        with contextlib.suppress(ValueError):
            found.add(date(int(ordinary[4]), int(ordinary[3]), int(ordinary[1])).isoformat()
                      if ordinary else datetime.fromisoformat(when.strip()).date().isoformat())
    return frozenset(found)


def _cost_of_days(clock_times: Sequence[time], clocks: Sequence[_DayClock]
                  ) -> tuple[Floats, Floats]:
    """Instants of times of day on every day, and how far each is from that day's log."""
    instants = np.array([[c.nearest(t) for c in clocks] for t in clock_times])
    away = np.array([[c.away_s(t) for c, t in zip(clocks, row, strict=True)] for row in instants])
    return instants, np.minimum(away, AWAY_MOST_S)


def deal_out(times: Sequence[str], clocks: Sequence[_DayClock]) -> tuple[list[int], int]:
    """The day of every line, and how many could as well belong to another."""
    clock_times = {k: clock for k, text in enumerate(times)
                   if (clock := _clock(text.strip())) is not None}
    day_of = [_nearest(text, clocks) for text in times]
    if not clock_times:
        return day_of, 0
    instants, cost = _cost_of_days(list(clock_times.values()), clocks)
    first, last = (_best_days(instants, cost, late=late) for late in (False, True))
    for k, day in zip(clock_times, first, strict=True):
        day_of[k] = day
    return day_of, sum(a != b for a, b in zip(first, last, strict=True))


AWAY_MOST_S: Final = 6 * 3600.0
BACKWARDS_S: Final = 4 * 3600.0
"""A line earlier than the one before it costs as much as lying so far outside the hours."""
SLACK_S: Final = 300.0


def _best_days(at: Floats, away: Floats, *, late: bool) -> list[int]:
    """Days of lines in order that never step back, by the least total cost.

    ``at`` and ``away``, shape (lines, days): each line's time on each day and how far that lies
    outside its hours. Of equal ways the one with the earliest, or latest, days.
    """
    lines, days = at.shape
    total = away[0].copy()
    came = np.zeros((lines, days), dtype=int)
    for k in range(1, lines):
        back = np.where(at[k] < at[k - 1] - SLACK_S, BACKWARDS_S, 0.0)
        new = np.empty(days)
        for day in range(days):
            ways = total[: day + 1].copy()
            ways[day] += back[day]
            best = np.flatnonzero(ways <= ways.min() + 1e-6)
            came[k, day] = best[-1] if late else best[0]
            new[day] = ways[came[k, day]] + away[k, day]
        total = new
    ends = np.flatnonzero(total <= total.min() + 1e-6)
    out = [int(ends[-1] if late else ends[0])]
    for k in range(lines - 1, 0, -1):
        out.append(int(came[k, out[-1]]))
    return out[::-1]


def _nearest(written: str, clocks: Sequence[_DayClock]) -> int:
    """The day that a dated time lies in or nearest to; the first for what is no time."""
    found = [clock.seconds(written) for clock in clocks]
    away = [math.inf if t is None else clock.away_s(t)
            for clock, t in zip(clocks, found, strict=True)]
    return away.index(min(away))


def _placed(name: str, rows: Sequence[Row], clock: _DayClock,
            names: Names) -> tuple[CrewLog, list[Finding]]:
    """Entries of one day, in order of time, and what was left out."""
    entries: list[CrewEntry] = []
    unknown: dict[str, list[int]] = {}
    bad: list[str] = []
    spelling: dict[tuple[str, str], str] = {}
    for number, (when, item, value, note) in rows:
        kind = item.strip().lower()
        kind = _ITEM_FORMS.get(kind, kind)
        if kind not in ITEMS:
            unknown.setdefault(item.strip()[:40] or "(empty)", []).append(number)
            continue
        time_s = clock.seconds(when)
        if time_s is None:
            bad.append(f"line {number}: time {when.strip()[:40]!r} not understood")
            continue
        cleaned, fault = _value(kind, value, note)
        if fault:
            bad.append(f"line {number}: {fault}")
            continue
        if kind in ("helm", "sails"):
            cleaned = _settled(kind, cleaned, names)
            # One name written two ways must not become two helms or two sail sets.
            cleaned = spelling.setdefault((kind, cleaned.casefold()), cleaned)
        entries.append(CrewEntry(time_s, kind, cleaned, " ".join(note.split()),
                                 f"{name} line {number}", not _OFFSET.search(when.strip())))
    entries.sort(key=lambda entry: entry.time_s)
    return CrewLog(tuple(entries)), _findings(name, entries, unknown, bad, clock)


def _settled(kind: str, value: str, names: Names) -> str:
    """A helm or sail set in the boat's own names, where it is near to them."""
    if kind == "helm":
        return match_name(value, names.helms) or value
    return "+".join(match_name(sail, names.sails) or sail for sail in value.split("+"))


def _findings(name: str, entries: list[CrewEntry], unknown: dict[str, list[int]],
              bad: list[str], clock: _DayClock) -> list[Finding]:
    findings = []
    if unknown:
        what = "; ".join(f"{item!r} (line {_numbers(lines)})" for item, lines in unknown.items())
        findings.append(Finding(
            "crew-log-unknown-item",
            f"{name}: unknown item {what}, left out. Known: {', '.join(ITEMS)}."))
    if bad:
        more = f" and {len(bad) - 8} more" if len(bad) > 8 else ""
        findings.append(Finding(
            "crew-log-bad-line",
            f"{name}: {len(bad)} line{'s' if len(bad) > 1 else ''} left out: "
            f"{'; '.join(bad[:8])}{more}."))
    far = [entry for entry in entries if clock.away_s(entry.time_s) > FAR_S]
    if far:
        day = datetime.fromtimestamp(far[0].time_s, UTC).date().isoformat()
        findings.append(Finding(
            "crew-log-other-day",
            f"{name}: {len(far)} of {len(entries)} entries lie more than 36 h from the logs "
            f"(first {day}); is it the crew log of another day?"))
    if not entries:
        findings.append(Finding("crew-log-empty", f"{name}: no entry could be used."))
    return findings


def _numbers(lines: list[int]) -> str:
    shown = ", ".join(str(line) for line in lines[:6])
    return shown + (f" and {len(lines) - 6} more" if len(lines) > 6 else "")


# ------------------------------------------------------------------------------- values
def _engine(text: str) -> tuple[str, str]:
    word = text.lower()
    if word in _ON or word in _OFF:
        return ("on" if word in _ON else "off"), ""
    return "", f"engine {text[:40]!r} is neither on nor off"


def _reef(text: str) -> tuple[str, str]:
    phrase = read_phrase(f"reef {text}") or read_phrase(f"{text} reef")
    if phrase is not None and phrase.item == "reef":
        return phrase.value, ""
    return "", f"reef {text[:40]!r} is no number of reefs"


def _load(text: str) -> tuple[str, str]:
    kilograms = _number(text, ("kg", "kilograms", "kilogram"))
    if kilograms is None or kilograms < 0:
        return "", f"load {text[:40]!r} is no weight in kilograms"
    return f"{kilograms:g}" if kilograms < 1e5 else f"{kilograms:.0f}", ""


def _fill(text: str) -> tuple[str, str]:
    tank, _, amount = text.removesuffix(" l").removesuffix(" L").rpartition(" ")
    litres = _number(amount, ("l", "litres", "liters"))
    if not tank or litres is None or litres <= 0:
        return "", f"fill {text[:40]!r} is not a tank and litres"
    return f"{tank} {litres:g}", ""


def _helm(text: str) -> tuple[str, str]:
    pilot = re.fullmatch(r"auto[ -]?pilot", text, re.IGNORECASE)
    return "autopilot" if pilot else text, ""


def _sails(text: str) -> tuple[str, str]:
    return re.sub(r"\s*\+\s*", "+", text), ""


_VALUES: Final[Mapping[str, Callable[[str], tuple[str, str]]]] = {
    "engine": _engine, "reef": _reef, "load": _load, "fill": _fill, "helm": _helm, "sails": _sails,
}


def _value(item: str, value: str, note: str) -> tuple[str, str]:
    """The value as the program uses it, and what is wrong with it (or an empty string)."""
    text = " ".join(value.split())
    if item in ("note", "trim"):
        text = text or " ".join(note.split())
    if not text:
        return "", "empty note" if item == "note" else f"{item} without a value"
    return _VALUES[item](text) if item in _VALUES else (text, "")


def _number(text: str, units: tuple[str, ...]) -> float | None:
    text = text.strip().lower()
    for unit in units:
        if text.endswith(unit):
            text = text[: -len(unit)].strip()
            break
    text = text.replace(",", ".", 1) if "." not in text else text
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) and abs(value) < 1e9 else None


# ------------------------------------------------------------------------------- times
class _DayClock:
    """Turns what people write as a time into seconds since 1970 UTC."""

    def __init__(self, start_s: float, end_s: float | None, zone: tzinfo) -> None:
        if not math.isfinite(start_s) or abs(start_s) > 2e11:
            raise BoatFileError("the logs have no usable time, so the crew log cannot be placed")
        self.start_s = start_s
        usable = end_s is not None and math.isfinite(end_s) and end_s >= start_s
        self.end_s = float(end_s) if usable and end_s is not None else start_s + USUAL_SAIL_S
        self.zone = zone
        self._first: date = datetime.fromtimestamp(start_s, zone).date()
        self._last: date = datetime.fromtimestamp(min(self.end_s, start_s + 40 * 86400.0),
                                                  zone).date()
        self._previous_s = -math.inf

    def away_s(self, time_s: float) -> float:
        """Seconds outside the logged hours; 0 within."""
        return max(self.start_s - time_s, time_s - self.end_s, 0.0)

    def seconds(self, written: str) -> float | None:
        """Seconds since 1970 UTC, or None where the text is no time."""
        text = written.strip()
        clock = _clock(text)
        try:
            found = self._of_day(clock) if clock is not None else self._dated(text)
        except (ValueError, OverflowError, OSError):
            return None
        if found is not None:
            self._previous_s = found
        return found

    def nearest(self, clock: time) -> float:
        """The instant of a time of day that lies nearest to the logged hours."""
        return min(self._tries(clock), key=self.away_s)

    def _tries(self, clock: time) -> list[float]:
        days = (self._last - self._first).days
        return [self._at(self._first + timedelta(days=k), clock) for k in range(-1, days + 2)]

    def _of_day(self, clock: time) -> float:
        tries = self._tries(clock)
        nearest = min(self.away_s(t) for t in tries)
        equal = [t for t in tries if self.away_s(t) == nearest]
        # The crew writes downwards: of equally near days, the first not before the last line.
        return next((t for t in equal if t >= self._previous_s), equal[-1])

    def _at(self, day: date, clock: time) -> float:
        return datetime.combine(day, clock, tzinfo=self.zone).timestamp()

    def _dated(self, text: str) -> float | None:
        ordinary = _ORDINARY_DATE.fullmatch(text)
        if ordinary:
            clock = _clock(ordinary[5])
            if clock is None:
                return None
            first, second, year = int(ordinary[1]), int(ordinary[3]), int(ordinary[4])
            tries = []
            for day, month in ((first, second), (second, first)):
                if 1 <= month <= 12 and 1 <= day <= 31:
                    tries.append(self._at(date(year, month, day), clock))
            # 03/07 may be either; of the two readings the log's own day is meant.
            return min(tries, key=self.away_s) if tries else None
        moment = datetime.fromisoformat(text)
        if not re.search(r"\d[T ]+\d", text):
            return None  # a date alone is not a moment
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=self.zone)
        return moment.timestamp()


def _clock(text: str) -> time | None:
    match = _CLOCK.fullmatch(text.strip())
    if not match:
        return None
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    micro = int((match[4] or "0").ljust(6, "0"))
    if match[5]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if match[5].lower().startswith("p") else 0)
    if hour > 23 or minute > 59 or second > 59:
        return None
    return time(hour, minute, second, micro)


def _zone(timezone: str | tzinfo) -> tzinfo:
    if isinstance(timezone, tzinfo):
        return timezone
    try:
        return UTC if timezone.upper() in ("UTC", "Z") else ZoneInfo(timezone)
    except (ValueError, OSError, KeyError) as error:
        raise BoatFileError(
            f"time zone {timezone!r} is not known; write it like Europe/Lisbon or UTC") from error


# ------------------------------------------------------------------------------- the file
def _text(path: Path) -> str:
    try:
        with path.open("rb") as handle:
            raw = handle.read(MAX_BYTES + 1)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise BoatFileError(f"{path.name}: cannot be read: {reason}") from error
    if len(raw) > MAX_BYTES:
        raise BoatFileError(f"{path.name}: larger than 20 MB, which is no crew log")
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = raw.decode("utf-16", errors="replace")
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("cp1252", errors="replace")
    return text.replace("\r\n", "\n").replace("\r", "\n").replace("\0", "")


def _head_of(name: str, first: str, delimiter: str) -> list[str]:
    """Names of the columns; an error says which are missing."""
    head = [cell.strip().strip('"').strip().lower() for cell in first.split(delimiter)]
    missing = [column for column in ("time", "item", "value") if column not in head]
    if missing:
        raise BoatFileError(
            f"{name}: the first line must name the columns time,item,value (and note, if used), or "
            "the lines begin with a time of day; "
            f"not found: {', '.join(missing)}")
    return head


def _is_row(cells: list[str], head: list[str]) -> bool:
    """Not blank, and not the header, also where two logs were pasted together."""
    texts = [cell.strip().lower() for cell in cells]
    return any(texts) and texts != head


def _rows(name: str, text: str, names: Names) -> Iterator[Row]:
    """Line number and (time, item, value, note) of every line that is not blank."""
    lines = text.split("\n")
    if is_plain(lines):
        yield from plain_rows(lines, names)
        return
    first = next(filter(str.strip, lines), None)
    if first is None:
        return
    delimiter = max(",;\t", key=first.count)
    head = _head_of(name, first, delimiter)
    # A column that is not there is the empty one after the last.
    places = [[*head, column].index(column) for column in ("time", "item", "value", "note")]
    last = head[-2:] if head[-1] == "note" else head[-1:]
    for number, cells in _records(lines, delimiter):
        if not _is_row(cells, head):
            continue
        if len(cells) > len(head) and last[0] == "value":
            # A separator inside an unquoted text: what follows belongs to the last column.
            cells = [*cells[: len(head) - 1], delimiter.join(cells[len(head) - 1:])]
        cells = cells + [""] * (len(head) + 1 - len(cells))
        when, item, value, note = (cells[place] for place in places)
        yield number, (when, item, value, note)


def _records(lines: list[str], delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Cells of each record and the line it starts on; a quote never closed ends with its line."""
    opening = re.compile(rf'(?:^|{delimiter})[ ]*"')
    at = 0
    while at < len(lines):
        take, cells = 1, lines[at].split(delimiter)
        if opening.search(lines[at]):
            # A quoted note may run over a few lines; one that runs on is a forgotten quote. A
            # quote inside a text (an inch mark) opens nothing.
            closed = [n for n in range(1, 6) if "\n".join(lines[at:at + n]).count('"') % 2 == 0]
            if closed and at + closed[0] <= len(lines):
                take = closed[0]
                piece = io.StringIO("\n".join(lines[at:at + take]), newline="")
                # A cell beyond the csv module's size limit is kept as it stands.
                with contextlib.suppress(csv.Error):
                    cells = next(csv.reader(piece, delimiter=delimiter, skipinitialspace=True))
            else:
                cells = lines[at].replace('"', "").split(delimiter)
        yield at + 1, cells
        at += take
