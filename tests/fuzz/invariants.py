"""What every reader keeps to, whatever the bytes: shared by the fuzzing harnesses."""

from __future__ import annotations

import io
import time
from datetime import UTC, date

import numpy as np

from sailanalysis.core.model import Boat, Tank
from sailanalysis.read.reading import ReadContext

BOAT = Boat(tanks={"fuel": Tank(100.0)}, columns={"Bt Spd": "stw_kn", "when": "time"})
CONTEXTS = (
    ReadContext("2026-07-03 10-00-00.log", 1.78e9, None, UTC, BOAT),
    ReadContext("log", 1.78e9, date(2026, 7, 3), UTC, Boat()),
)
SLOW_S = 5.0


def check(reader, data: bytes) -> None:
    """Read, and fail on anything but a sound reading in reasonable time."""
    start = time.perf_counter()
    reading = reader(io.BytesIO(data), CONTEXTS[len(data) % 2])
    took = time.perf_counter() - start
    assert took < SLOW_S, f"{took:.1f} s for {len(data)} bytes"
    assert reading.lines == reading.used + sum(reading.rejected.values()), "lines not accounted"
    assert 0 <= reading.ignored <= reading.used, "more ignored than used"
    assert min(reading.rejected.values(), default=1) > 0, "an empty reason"
    for stream in reading.streams:
        assert stream.time_s.shape == stream.value.shape and stream.time_s.size
        assert np.isfinite(stream.value).all() and np.isfinite(stream.time_s).all()
        assert (np.diff(stream.time_s) >= 0).all(), "time steps back"
        assert stream.time_s[0] >= 0 and stream.time_s[-1] < 7.3e9, "a year out of reach"
    assert all(np.isfinite(t) for t in reading.breaks_s)
    assert all(len(f.message) < 2000 and "\n" not in f.message for f in reading.findings)


def run(reader, seeds: list[bytes], wrap=None) -> None:
    """Hand a reader to the fuzzer with a corpus of seeds.

    Parameters
    ----------
    reader : callable
    seeds : list of bytes
        Written into the corpus folder if it is empty.
    wrap : callable, optional
        Makes more inputs of one, such as the same bytes behind a good header.
    """
    import sys
    from pathlib import Path

    import atheris

    folders = [Path(arg) for arg in sys.argv[1:] if not arg.startswith("-")]
    if folders:
        folders[0].mkdir(parents=True, exist_ok=True)
        for number, seed in enumerate(seeds):
            (folders[0] / f"seed{number}").write_bytes(seed)

    def one(data: bytes) -> None:
        check(reader, data)
        for more in wrap(data) if wrap else ():
            check(reader, more)

    atheris.Setup(sys.argv, one)
    atheris.Fuzz()
