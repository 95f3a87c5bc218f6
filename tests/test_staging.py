"""Outputs appear whole or not at all."""

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from sailanalysis.app.shipped import example_folder
from sailanalysis.core import staging
from sailanalysis.core.errors import SailAnalysisError
from sailanalysis.core.staging import MARK, is_own_folder, place_for, staged


def test_files_move_into_place(tmp_path):
    with staged(tmp_path / "out") as folder:
        (folder / "a.csv").write_text("1")
        assert not (tmp_path / "out" / "a.csv").exists()
    assert sorted(os.listdir(tmp_path / "out")) == [MARK, "a.csv"]


def test_failure_leaves_the_old_output(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "a.csv").write_text("old")
    with pytest.raises(ValueError), staged(out) as folder:
        (folder / "a.csv").write_text("new")
        raise ValueError
    assert (out / "a.csv").read_text() == "old" and os.listdir(out) == ["a.csv"]


def test_failure_takes_a_new_folder_away(tmp_path):
    with pytest.raises(KeyboardInterrupt), staged(tmp_path / "x" / "out") as folder:
        (folder / "a.csv").write_text("new")
        raise KeyboardInterrupt
    assert not (tmp_path / "x").exists()


def test_output_that_cannot_be_written_is_one_clear_error(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(SailAnalysisError, match="cannot write to"), staged(tmp_path / "file"):
        pass


def test_full_disk_is_one_clear_error(tmp_path):
    code = f"""
import resource, signal, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from sailanalysis.core.errors import SailAnalysisError
from sailanalysis.core.staging import staged
try:
    with staged({str(tmp_path / "out")!r}) as folder:
        (folder / "big").write_bytes(b"x" * 100000)
except SailAnalysisError as error:
    print(error); sys.exit(1)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 1 and "cannot write to" in done.stdout
    assert not (tmp_path / "out").exists()


def test_interrupt_leaves_nothing_half_written(tmp_path):
    # Started in the background of a shell, a program would have the interrupt ignored.
    code = f"""
import signal, time
from sailanalysis.core.staging import staged
signal.signal(signal.SIGINT, signal.default_int_handler)
with staged({str(tmp_path / "out")!r}) as folder:
    (folder / "a").write_text("half"); print("go", flush=True); time.sleep(30)
"""
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    assert child.stdout.readline() == b"go\n"
    time.sleep(0.05)
    child.send_signal(signal.SIGINT)
    child.wait(timeout=10)
    assert not (tmp_path / "out").exists()


def fill(folder, text, names=("legs.csv", "report.html")):
    for name in names:
        (folder / name).write_text(text)


def tree(folder):
    return {str(p.relative_to(folder)): p.read_text() for p in sorted(folder.rglob("*"))
            if p.is_file() and p.name != MARK}


def test_new_results_take_the_place_of_old_ones_and_nothing_else_is_left(tmp_path):
    out = tmp_path / "out"
    with staged(out) as folder:
        fill(folder, "old", ("legs.csv", "report.html", "track.gpx"))
    with staged(out) as folder:
        fill(folder, "new")
    assert tree(out) == {"legs.csv": "new", "report.html": "new"}
    assert os.listdir(tmp_path) == ["out"]


def test_what_somebody_put_there_stays(tmp_path):
    out = tmp_path / "out"
    with staged(out) as folder:
        fill(folder, "old")
    (out / "notes").mkdir()
    (out / "notes" / "mine.txt").write_text("mine")
    (out / "track.gpx").write_text("a log of mine")
    (out / "legs.csv").write_text("old, with a remark of mine")
    with staged(out) as folder:
        fill(folder, "new", ("legs.csv", "report.html", "track.gpx"))
    assert tree(out) == {"legs.csv": "new", "report.html": "new", "track.gpx": "new",
                         "notes/mine.txt": "mine", "track.kept-1.gpx": "a log of mine",
                         "legs.kept-1.csv": "old, with a remark of mine"}


def test_results_of_another_kind_stay(tmp_path):
    out = tmp_path / "out"
    with staged(out, "season") as folder:
        fill(folder, "season", ("season.html", "polar.csv"))
    for text in ("day", "day again"):
        with staged(out, "day") as folder:
            fill(folder, text, ("report.html", "polar.csv"))
    assert tree(out) == {"season.html": "season", "polar.csv": "day again", "report.html": "day again"}


@pytest.mark.parametrize("names", [("track.nmea",), ("legs.csv",), ("report.html", "legs.csv")])
def test_a_folder_of_somebody_elses_is_left_alone(tmp_path, names):
    out = tmp_path / "out"
    out.mkdir()
    fill(out, "mine", names)
    assert place_for(out) == out / "sailing-report"
    with staged(place_for(out)) as folder:
        fill(folder, "new")
    assert {k: v for k, v in tree(out).items() if "/" not in k} == dict.fromkeys(names, "mine")
    assert place_for(out) == out / "sailing-report"


def test_a_folder_of_days_may_take_one_more(tmp_path):
    for day in ("2026-05-01", "2026-05-02"):
        with staged(tmp_path / "out" / day) as folder:
            fill(folder, day)
    assert place_for(tmp_path / "out") == tmp_path / "out"
    with staged(tmp_path / "out") as folder:
        fill(folder, "new")
    assert tree(tmp_path / "out")["2026-05-01/legs.csv"] == "2026-05-01"
    assert is_own_folder(tmp_path / "out" / "2026-05-02") and tree(tmp_path / "out")["legs.csv"] == "new"


def test_a_link_to_a_folder_stays_a_link(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "real")
    for text in ("old", "new"):
        with staged(tmp_path / "out") as folder:
            fill(folder, text)
    assert (tmp_path / "out").is_symlink() and tree(tmp_path / "real")["legs.csv"] == "new"


def test_who_stands_in_the_folder_finds_the_results_there(tmp_path, monkeypatch):
    out = tmp_path / "out"
    with staged(out) as folder:
        fill(folder, "old", ("legs.csv", "report.html", "track.gpx"))
    monkeypatch.chdir(out)
    (out / "mine.txt").write_text("mine")
    (out / "legs.csv").write_text("changed")
    with staged(".") as folder:
        fill(folder, "new")
    assert tree(Path(".")) == {
        "legs.csv": "new", "report.html": "new", "mine.txt": "mine", "legs.kept-1.csv": "changed"}


def test_without_a_call_to_exchange_folders_two_renames_do(tmp_path, monkeypatch):
    monkeypatch.setattr(staging, "_exchange", lambda one, other: False)
    test_what_somebody_put_there_stays(tmp_path)
    assert os.listdir(tmp_path) == ["out"]


def test_a_run_killed_between_two_renames_is_mended(tmp_path):
    out = tmp_path / "out"
    with staged(out) as folder:
        fill(folder, "old")
    (out / "mine.txt").write_text("mine")
    os.rename(out, tmp_path / ".unfinished-out-0123abcd.before")
    (tmp_path / ".unfinished-out-0123abcd").mkdir()
    (tmp_path / ".unfinished-out-0123abcd.pid").write_text("999999999")
    with pytest.raises(ValueError), staged(out):
        raise ValueError
    assert tree(out) == {"legs.csv": "old", "report.html": "old", "mine.txt": "mine"}
    assert os.listdir(tmp_path) == ["out"]


def test_unfinished_work_of_a_living_run_is_left_alone(tmp_path):
    (tmp_path / ".unfinished-out-0123abcd").mkdir()
    (tmp_path / ".unfinished-out-0123abcd.pid").write_text(str(os.getppid()))
    with staged(tmp_path / "out") as folder:
        fill(folder, "new")
    assert (tmp_path / ".unfinished-out-0123abcd").is_dir()


WRITER = """
import itertools, sys
from pathlib import Path
from sailanalysis.core import staging
out, two = Path(sys.argv[1]), sys.argv[2] == "two renames"
if two:
    staging._exchange = lambda one, other: False
for n in itertools.count():
    with staging.staged(out) as folder:
        for i in range(12):
            (folder / f"{i}.csv").write_text(f"{sys.argv[3]}-{n}")
    print(n, flush=True)
"""


def kills(tmp_path, times, how):
    """Kill a writer again and again; returns how many distinct results were met."""
    out, met = tmp_path / "out", set()
    rng = random.Random(times)
    for k in range(times):
        child = subprocess.Popen([sys.executable, "-c", WRITER, str(out), how, str(k)], stdout=subprocess.PIPE)
        child.stdout.readline()
        if k == 0:
            (out / "mine.txt").write_text("mine")
        time.sleep(rng.uniform(0, 0.03))
        child.kill()
        child.wait()
        if how == "two renames":
            with suppress(ValueError), staged(out):  # the next run mends it
                raise ValueError
        found = tree(out)
        assert found.pop("mine.txt") == "mine"
        assert len(found) == 12 and len(set(found.values())) == 1, found
        met |= set(found.values())
    with staged(out) as folder:
        fill(folder, "last")
    assert sorted(os.listdir(tmp_path)) == ["out"]
    return len(met)


@pytest.mark.parametrize("how", ["one step", "two renames"])
def test_killed_at_any_instant_it_is_old_or_new(tmp_path, how):
    assert kills(tmp_path, 12, how) > 6


@pytest.mark.slow
@pytest.mark.parametrize("how", ["one step", "two renames"])
def test_killed_two_hundred_times_it_is_old_or_new(tmp_path, how):
    assert kills(tmp_path, 200, how) > 100


@pytest.mark.parametrize("where", ["logs", "logs/out", ".", "new"])
def test_no_input_of_a_run_is_written_over(tmp_path, where):
    logs = tmp_path / "logs"
    logs.mkdir()
    (tmp_path / "notes.txt").write_text("mine")
    for path in (example_folder() / "logs").iterdir():
        os.link(path, logs / path.name) if path.stat().st_dev == logs.stat().st_dev else shutil.copy(path, logs)
    before = {p.name: p.read_bytes() for p in logs.iterdir()}
    words = []
    for _ in range(2):  # the second run must not read the first one's tables either
        done = subprocess.run([sys.executable, "-m", "sailanalysis", "day", str(logs), "--out", str(tmp_path / where),
                               "--quiet"], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        words.append(done.stdout)
    assert words[0] == words[1]
    page = Path(words[0].splitlines()[1])
    assert page.is_file() and is_own_folder(page.parent)
    assert page.parent == {"logs": logs / "sailing-report", ".": tmp_path / "sailing-report"}.get(where, tmp_path / where)
    assert {p.name: p.read_bytes() for p in logs.iterdir() if p.is_file()} == before
    assert (tmp_path / "notes.txt").read_text() == "mine"
