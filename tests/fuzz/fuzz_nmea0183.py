"""Coverage-guided fuzzing of the NMEA 0183 reader, the fast way against the plain one.

    python tests/fuzz/fuzz_nmea0183.py CORPUS_FOLDER -max_total_time=600

The bytes are read as they stand, and again as the bodies of sentences that get a right checksum,
so that the fields behind it are reached.
"""

import io
import sys
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parent)]
with atheris.instrument_imports(include=["sailanalysis.read"]):
    from sailanalysis.read.nmea0183 import read as read_nmea0183
    from sailanalysis.read.nmea0183.gather import Gathered
    from sailanalysis.read.nmea0183.lines import checksum, read_line
    from sailanalysis.read.nmea0183.scan import gather

import invariants  # noqa: E402

SEEDS = [
    b"$GPRMC,120000.00,A,5918.0000,N,01806.0000,E,6.50,045.0,010624,007.5,E,A*0D\r\n$HCHDM,245.1,M*2B\r\n",
    b"2024-06-01T10:00:00.123Z $IIMWV,336,R,13.41,N,A*22\n1717236000123;$IIMWV,074,T,05.85,N,A*2E\n",
    b"\\s:compass,c:1438489697*13\\$IIDBT,035.53,f,010.83,M,005.85,F*23\n!AIVDM,1,1,,B,15,0*00\n",
    b"$IIXDR,A,2.5,D,PITCH,A,-18.0,D,ROLL*06$GPZDA,160012.71,11,03,2004,-1,00*7D\r$HCHDM,245.1,M\n",
    b"$GPGGA,001043.00,4404.14036,N,12118.85961,W,1,12,0.98,1113.0,M,-21.3,M*47\n\0\xff\n10:00:00 \n",
    b"$GPGLL,5958.613,N,02325.928,E,121022,V,D*57\n$IIRPM,E,1,2418.2,10.5,A*5F\n$IIRSA,10.5,A,,V*4D\n",
]


def with_checksums(data: bytes) -> bytes:
    """Every line made a sentence whose checksum is right."""
    out = []
    for line in data.split(b"\n")[:200]:
        body = line.strip(b"\r$!*\0")[:200]
        out.append(b"$%s*%02X" % (body, checksum(body)))
    return b"\n".join(out) + b"\n"


def plain(data: bytes) -> Gathered:
    out, position, records = Gathered(), 0, []
    for line in data.split(b"\n"):
        records += read_line(line, position, out.tally)
        position += len(line) + 1
    out.add_records(records)
    return out


def forms(data: bytes) -> list[bytes]:
    both = [data, with_checksums(data)]
    for text in both:
        if b"\n" in text:  # bare returns end lines only in a file without line feeds
            fast, slow = gather(io.BytesIO(text)), plain(text)
            assert fast.tally == slow.tally, (fast.tally, slow.tally)
            assert set(fast.groups) == set(slow.groups)
            for key in list(fast.groups):
                a, b = fast.columns(key), slow.columns(key)
                assert a.position.tolist() == b.position.tolist(), key
                assert repr(a.number) == repr(b.number) and repr(a.letter) == repr(b.letter), key
    return both


if __name__ == "__main__":
    invariants.run(read_nmea0183, SEEDS, forms)
