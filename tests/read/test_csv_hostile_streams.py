"""Endless lines, floods of tiny lines and bombs: what each gets, and the memory it may cost.

Each case runs in a process of its own on a stream of ``SIZE`` bytes made on the fly, so that the
peak is the reader's alone.
"""

import json
import subprocess
import sys

import pytest

SIZE = 16_000_000
CASES = {
    # name: (reader, head, repeated piece, expected reasons or findings, allowed MB)
    "csv: one line without end": ("csv", "time,BSP\n", "x", ["line too long"], 100),
    "csv: one line of commas": ("csv", "time,BSP\n", "1,", ["line too long"], 100),
    "csv: a quote never closed": ("csv", "time,BSP\n", '"', ["line too long"], 100),
    "csv: lines of one byte": ("csv", "time,BSP\n", "1\n", ["wrong number of columns"], 300),
    "csv: one byte lines, no header": ("csv", "", "1\n", ["no usable header"], 100),
    "csv: blank lines": ("csv", "time,BSP\n", "\n", [], 100),
    "csv: cells that are no numbers": ("csv", "time,BSP\n", "2026-07-03T10:00:00Z,abc\n",
                                       ["csv-unreadable-cell"], 150),
    "csv: NUL bytes": ("csv", "time,BSP\n", "\0", ["line too long"], 100),
    "bus: one line without end": ("nmea2000", "", "[", ["line too long"], 100),
    "bus: lines of one byte": ("nmea2000", "", "1\n", ["not a frame"], 100),
    "bus: first frames only": ("nmea2000", "", "(1783072800.500000) can0 09F80503#A02BFFFFFFFFFFFF\n",
                               ["incomplete fast packet"], 100),
    "deltas: one line without end": ("signalk", "", "{", ["line too long"], 100),
    "deltas: nested without end": ("signalk", '{"updates":', "[", ["line too long"], 100),
    "deltas: empty objects": ("signalk", "", "{}\n", ["not a delta"], 100),
    "gpx: nested without end": ("gpx", "<gpx>", "<a>", ["gpx-refused"], 50),
    "gpx: one text without end": ("gpx", "<gpx>", "x", ["gpx-no-track"], 50),
    "gpx: one attribute without end": ("gpx", '<gpx a="', "x", ["gpx-refused"], 50),
    "gpx: one comment without end": ("gpx", "<gpx><!--", "x", ["gpx-refused"], 50),
    "gpx: elements without end": ("gpx", "<gpx>", "<a/>", ["gpx-no-track"], 50),
    "gpx: points without time": ("gpx", "<gpx><trk><trkseg>", '<trkpt lat="1" lon="2"/>',
                                 ["no time"], 50),
}
PROGRAM = """
import io, json, resource, sys
from datetime import UTC
from importlib import import_module
from sailanalysis.core.model import Boat
from sailanalysis.read.reading import ReadContext

class Endless(io.RawIOBase):
    def __init__(self, head, piece, size):
        self.data, self.piece, self.left = head, piece, size
    def readable(self):
        return True
    def readinto(self, buffer):
        if not self.data and self.left > 0:
            count = min(self.left, 1 << 20)
            self.data = self.piece * (count // len(self.piece) + 1)
            self.left -= len(self.data)
        n = min(len(buffer), len(self.data))
        buffer[:n] = self.data[:n]
        self.data = self.data[n:]
        return n

def peak_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

kind, head, piece, size = json.loads(sys.argv[1])
read = import_module(f"sailanalysis.read.{kind}").read
context = ReadContext("x", 0.0, None, UTC, Boat())
for warm in (b"time,BSP\\n2026-07-03T10:00:00Z,x\\n", b"<gpx/>", b""):
    read(io.BytesIO(warm), context)
before = peak_mb()
reading = read(io.BufferedReader(Endless(head.encode(), piece.encode(), size), 1 << 20), context)
assert reading.lines == reading.used + sum(reading.rejected.values())
print(json.dumps([sorted(reading.rejected) + [f.code for f in reading.findings],
                  peak_mb() - before]))
"""


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_a_hostile_stream_costs_little_and_is_named(name):
    kind, head, piece, expected, allowed_mb = CASES[name]
    run = subprocess.run([sys.executable, "-c", PROGRAM, json.dumps([kind, head, piece, SIZE])],
                         capture_output=True, text=True, check=True, timeout=300)
    said, grown_mb = json.loads(run.stdout)
    assert set(expected) <= set(said), said
    assert grown_mb < allowed_mb, f"{grown_mb:.0f} MB"
    assert run.stderr == ""
