"""Contradictions put into sound days: what is told, and the culprit named.

    python tests/benchmarks/bench_doubts.py [DAYS [FIRST_SEED [FAULT ...]]]

Days of `tests/seas/calibration_rough.py`, :func:`draw_hull` (both hull kinds, a third with shear), each
wrong from the first sample to the last. Told is a contradiction or a step of any kind; named is one whose
culprit is the sensor that was spoiled.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas.calibration_rough import draw_hull, sail

from sailanalysis.app.pipeline import _checked, _segment
from sailanalysis.app.studies import Attempts
from sailanalysis.condition import condition
from sailanalysis.core.model import Boat, CrewLog, RawLog
from sailanalysis.day import Memory

FAULTS: dict[str, tuple[str, Callable[[np.ndarray], np.ndarray]]] = {
    "none": ("", lambda x: x),
    "log reads 60 % high": ("stw_kn", lambda x: 1.6 * x),
    "anemometer reads half": ("aws_kn", lambda x: 0.5 * x),
    "vane 40 deg off": ("awa_deg", lambda x: (x + 220.0) % 360.0 - 180.0),
    "vane mirrored": ("awa_deg", lambda x: -x),
    "compass 25 deg off": ("hdg_deg", lambda x: (x + 25.0) % 360.0),
    "heel mirrored": ("heel_deg", lambda x: -x),
    "second log 30 % apart": ("stw_kn", lambda x: 1.3 * x),
}


def spoil(raw: RawLog, fault: str) -> RawLog | None:
    """The log with the fault; None where it has no such sensor."""
    channel, change = FAULTS[fault]
    names = {channel, "hdg_mag_deg"} if channel == "hdg_deg" else {channel}
    if channel and not any(s.channel in names for s in raw.streams):
        return None
    spoiled = tuple(replace(s, value=change(s.value)) if s.channel in names else s for s in raw.streams)
    if fault.startswith("second"):
        more = [replace(s, source="other") for s in spoiled if s.channel == channel]
        spoiled = (*raw.streams, *more)
    return replace(raw, streams=spoiled)


def told(raw: RawLog) -> list[tuple[str, str]]:
    """Kind and culprit of everything that is said of the day's sensors."""
    boat, crew = Boat(), CrewLog()
    cond = condition(raw, boat)
    sailed = _segment(cond, boat, crew, boat.sensors, None, Attempts())
    checked = _checked(sailed, raw, cond, boat, crew, None, Memory(), False, Attempts())
    return [*((d.kind.value, d.culprit) for d in checked.doubts),
            *(("step", s.channel) for s in checked.steps)]


def main(days: int, first: int, *faults: str) -> None:
    """Print the table."""
    tried: Counter[str] = Counter()
    said: Counter[str] = Counter()
    named: Counter[str] = Counter()
    for seed in range(first, first + days):
        clean = sail(seed, replace(draw_hull(seed), plan=["mixed", "sausage"][seed % 3 > 0])).raw
        for fault in faults or tuple(FAULTS):
            raw = spoil(clean, fault)
            if raw is None:
                continue
            found = told(raw)
            channel = FAULTS[fault][0]
            tried[fault] += 1
            said[fault] += bool(found)
            named[fault] += any(c == channel or {c, channel} == {"hdg_deg", "hdg_mag_deg"} for _, c in found)
            if bool(found) == (fault == "none"):
                print(seed, fault, found, file=sys.stderr)
    print("| fault | days | told | culprit named |\n| --- | --- | --- | --- |")
    for fault, n in tried.items():
        print(f"| {fault} | {n} | {said[fault]} | {named[fault] if fault != 'none' else ''} |")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20, int(sys.argv[2]) if len(sys.argv) > 2 else 9000,
         *sys.argv[3:])
