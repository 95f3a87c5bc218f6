"""Run as a program: file days in a child that is killed, look at the archive, again and again.

usage: kill_archive.py FOLDER KILLS SEED
"""

import os
import random
import signal
import sys
import time

sys.path.insert(0, os.path.dirname(__file__))

from days import small_day

from sailanalysis.season import Archive


def in_child(work):
    """Fork, so that imports are paid for once; the parent never opens the archive itself."""
    read, write = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(read)
        code = 1
        try:
            work(write)
            code = 0
        finally:
            os._exit(code)
    os.close(write)
    return pid, read


def file_for_ever(folder, seed):
    def work(pipe):
        rng = random.Random(seed)
        while True:
            archive = Archive(folder, create=True)
            for _ in range(3):
                date = f"2026-05-{rng.randint(1, 6):02d} 10:00"
                mark = rng.randint(1, 10**6)
                archive.file_day(small_day(date, minutes=3, speed=mark / 1e5))
                os.write(pipe, f"{date[:10]} {mark}\n".encode())

    return work


def look(folder, expected):
    def work(pipe):
        archive = Archive(folder, create=True)
        days = archive.days()
        assert days["date"].is_unique, "a day is doubled"
        held = {}
        for day_id in days["day"]:
            day = archive.load(day_id)
            assert len(day.samples()) == 180 and len(day.tables["legs"]) == 1
            held[day.date] = round(float(day.tables["legs"]["stw_kn"].iloc[0]) * 1e5)
        for date, marks in expected.items():
            assert held.get(date) in marks or (None in marks and date not in held), (
                date, held.get(date), marks)
        assert set(days["folder"]) <= {p.name for p in (archive.path / "days").iterdir()}
        wrong = [f for f in archive.check() if f.code not in ("day-superseded", "unfinished")]
        assert not wrong, wrong
        for date, mark in held.items():
            os.write(pipe, f"{date} {mark}\n".encode())

    return work


def time_of_one(folder):
    """Seconds that filing one day takes on this machine, now: kills must fall within it."""
    pid, read = in_child(file_for_ever(folder, 0))
    began = time.monotonic()
    with os.fdopen(read) as pipe:
        pipe.readline()
        took = time.monotonic() - began
        os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    return took


def main():
    folder, kills, seed = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    rng = random.Random(seed)
    known = {}  # date -> mark that was last reported as filed
    reports = 0
    one_s = time_of_one(folder + "-trial")
    for number in range(kills):
        replay = random.Random(seed * 10007 + number)
        planned = []
        for _ in range(10000 // 50):
            planned.append((f"2026-05-{replay.randint(1, 6):02d}", replay.randint(1, 10**6)))
        pid, read = in_child(file_for_ever(folder, seed * 10007 + number))
        time.sleep(rng.uniform(0.0, 4.0 * one_s))
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        with os.fdopen(read) as pipe:
            lines = [line.split() for line in pipe.read().splitlines()]
        reports += len(lines)
        for date, mark in lines:
            known[date] = int(mark)
        # the one under way when the kill came may be there too, though it was not reported
        expected = {date: {mark} for date, mark in known.items()}
        date, mark = planned[len(lines)]
        expected.setdefault(date, {None}).add(mark)
        pid, read = in_child(look(folder, expected))
        with os.fdopen(read) as pipe:
            seen = dict(line.split() for line in pipe.read().splitlines())
        _, status = os.waitpid(pid, 0)
        if status != 0:
            print(f"kill {number}: archive is wrong")
            sys.exit(1)
        known = {date: int(mark) for date, mark in seen.items()}
    print(f"{kills} kills, {reports} days reported as filed")


if __name__ == "__main__":
    main()
