"""Coverage-guided fuzzing of the CSV reader.

    python tests/fuzz/fuzz_csv.py CORPUS_FOLDER -max_total_time=600
"""

import sys
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parent)]
with atheris.instrument_imports(include=["sailanalysis.read"]):
    from sailanalysis.read.csv import read as read_csv

import invariants  # noqa: E402

SEEDS = [
    b"time,BSP,AWA,HDG (M)\n2026-07-03T10:00:00Z,6.1,-35,182\n2026-07-03T10:00:01Z,,NaN,x\n",
    b"Date;Time;Lat;Lon;SOG (m/s)\n03/07/2026;10:00:00,5;54\xb0 30.5'N;10,5;3,1\n;;;;\n",
    b"# remark\nelapsed (s),Boat Speed,helm\nUTC,kn,\n0,5,A\n0.1,5,\"B\"\n0.1,5,\"B\n",
    b"epoch,TWS,TWD,note\n1783072800,10,200,a\n1783072800250,1e999,-inf,b\n-1,2,3,4\n",
    "\ufefftime,AWA,Rudder\n3 Jul 2026 1:00 PM,35P,S 3\n".encode("utf-16"),
    b"UTC\tDate\tRPM 1\tRPM 2\tTank fuel (%)\n235959\t20260703\t900\t1000\t50\n",
]
HEADS = (b"time,BSP,AWA,lat,helm\n", b"Date;Time;STW;HDG\n", b"elapsed,SOG\n")

if __name__ == "__main__":
    invariants.run(read_csv, SEEDS, lambda data: [HEADS[len(data) % 3] + data])
