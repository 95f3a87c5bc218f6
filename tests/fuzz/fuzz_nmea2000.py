"""Coverage-guided fuzzing of the NMEA 2000 reader.

    python tests/fuzz/fuzz_nmea2000.py CORPUS_FOLDER -max_total_time=600

The bytes are read as they stand and, cut into frames, written in every text form: all forms must
then give the same values.
"""

import io
import sys
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parent)]
with atheris.instrument_imports(include=["sailanalysis.read"]):
    from sailanalysis.read.nmea2000 import read as read_nmea2000
    from sailanalysis.read.nmea2000.fields import WANTED

import invariants  # noqa: E402

SEEDS = [
    b"(1783072800.500000) can0 09F11204#00102700007F7FFD\n",
    b" (1783072800.5)  can0  09F80115   [8]  01 02 03 04 05 06 07 08\n",
    b"<0x09f80100> [8] 04 7e 54 19 24 33 55 d5 \n# remark\n",
    b"2026-07-03T10:00:00.042Z,2,128259,115,255,8,00,4e,01,ff,ff,00,ff,ff\n",
    b"10:00:00.617 R 09F50303 00 4E 01 FF FF 00 FF FF\n23:59:59.999 T 09F50303 00\n",
    b"2026-07-03T10:00:00Z,3,129029,3,255,43," + b",".join([b"01"] * 43) + b"\n",
]
NUMBERS = sorted(WANTED)


def written(data: bytes) -> list[bytes]:
    """The bytes as frames, eleven each: message, source, length, payload; in three forms."""
    log, spaced, comma = [], [], []
    for at in range(0, min(len(data) - 11, 11 * 40), 11):
        pgn = NUMBERS[data[at] % len(NUMBERS)]
        source, length = data[at + 1], 1 + data[at + 2] % 8
        payload = data[at + 3:at + 3 + length]
        identifier = f"{2 << 26 | pgn << 8 | source:08X}"
        stamp = 1783072800 + at / 11
        log.append(f"({stamp:.6f}) can0 {identifier}#{payload.hex()}")
        spaced.append(f" ({stamp:.6f})  can0  {identifier}   [{length}]  {payload.hex(' ')}")
        minute, second = divmod(int(at / 11), 60)
        comma.append(f"2026-07-03T10:{minute:02d}:{second:02d}.000Z,2,{pgn},{source},255,"
                     f"{length},{payload.hex(',')}")
    return ["\n".join(lines).encode() for lines in (log, spaced, comma)]


def values(data: bytes) -> list:
    reading = read_nmea2000(io.BytesIO(data), invariants.CONTEXTS[0])
    return sorted((s.channel, s.source, s.value.tolist()) for s in reading.streams)


def every_form(data: bytes) -> list[bytes]:
    forms = written(data)
    first = values(forms[0])
    assert all(values(form) == first for form in forms[1:]), "two forms disagree"
    return forms


if __name__ == "__main__":
    invariants.run(read_nmea2000, SEEDS, every_form)
