"""Coverage-guided fuzzing of the Signal K reader.

    python tests/fuzz/fuzz_signalk.py CORPUS_FOLDER -max_total_time=600
"""

import sys
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parent)]
with atheris.instrument_imports(include=["sailanalysis.read"]):
    from sailanalysis.read.signalk import read as read_signalk

import invariants  # noqa: E402

DELTA = (b'{"context":"vessels.self","updates":[{"timestamp":"2026-07-03T10:00:00Z","source":{"src":'
         b'"3","pgn":127250},"values":[{"path":"navigation.headingMagnetic","value":1.5},{"path":'
         b'"navigation.position","value":{"latitude":1,"longitude":2}}]}]}')
SEEDS = [
    DELTA, DELTA + b"\n" + DELTA.replace(b":00Z", b":01.5+02:00"),
    b"1783072800000;I;" + DELTA.replace(b'"timestamp":"2026-07-03T10:00:00Z",', b""),
    b'{"self":"vessels.a","version":"1"}\n' + DELTA.replace(b"1.5", b"NaN"),
    DELTA.replace(b"navigation.headingMagnetic", b"steering.autopilot.state").replace(
        b"1.5", b'"auto"'),
    DELTA.replace(b"navigation.headingMagnetic", b"tanks.fuel.0.currentLevel"),
    DELTA.replace(b"navigation.headingMagnetic", b"propulsion.port.revolutions"),
]
VALUE = b'{"updates":[{"timestamp":"2026-07-03T10:00:00Z","values":['

if __name__ == "__main__":
    invariants.run(read_signalk, SEEDS, lambda data: [VALUE + data + b"]}]}"])
