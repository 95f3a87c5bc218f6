"""Coverage-guided fuzzing of the GPX reader.

    python tests/fuzz/fuzz_gpx.py CORPUS_FOLDER -max_total_time=600
"""

import sys
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parent)]
with atheris.instrument_imports(include=["sailanalysis.read"]):
    from sailanalysis.read.gpx import read as read_gpx

import invariants  # noqa: E402

HEAD = (b'<?xml version="1.0"?><gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1" '
        b'xmlns:x="u"><trk><trkseg>')
POINT = (b'<trkpt lat="50" lon="-3"><ele>1</ele><time>2026-07-03T10:00:00Z</time><extensions>'
         b"<x:TrackPointExtension><x:speed>3</x:speed><x:course>90</x:course></x:TrackPointExtension>"
         b"</extensions></trkpt>")
SEEDS = [
    HEAD + POINT + POINT.replace(b":00Z", b":10+02:00") + b"</trkseg></trk></gpx>",
    HEAD + POINT + b"</trkseg><trkseg>" + POINT.replace(b"50", b"89.99") + b"</trkseg></trk></gpx>",
    b'<!DOCTYPE g [<!ENTITY a "b">]><gpx>&a;</gpx>',
    HEAD + b'<trkpt lat="nan" lon="181"/><wpt lat="1" lon="2"/>' + POINT[:60],
]

if __name__ == "__main__":
    invariants.run(read_gpx, SEEDS, lambda data: [HEAD + data, HEAD + POINT + data + POINT])
