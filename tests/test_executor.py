"""Many days: one after another, in processes, on a cluster; the same to the last bit."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import contextmanager

import numpy as np
import pytest
from seas import whole_days as sea

from sailanalysis.app.cli import main
from sailanalysis.app.executor import _in_order, run_all
from sailanalysis.core.errors import SailAnalysisError
from sailanalysis.season import Archive


def heavy(seed: int) -> bytes:
    rng = np.random.default_rng(seed)
    a = rng.normal(size=(60, 60))
    return np.linalg.solve(a @ a.T + np.eye(60), rng.normal(size=60)).tobytes()


def slow_once(job):
    """Kills its own worker the first time it runs."""
    flag, seed = job
    if seed == 3 and not os.path.exists(flag):
        with open(flag, "w"):
            pass
        os.kill(os.getpid(), signal.SIGKILL)
    return heavy(seed)


def always_dies(_):
    os.kill(os.getpid(), signal.SIGKILL)


def test_serial_keeps_order():
    assert list(run_all(heavy, [3, 1, 2])) == [heavy(3), heavy(1), heavy(2)]


def test_processes_give_the_same_bits():
    assert list(run_all(heavy, list(range(6)), workers=2)) == [heavy(i) for i in range(6)]


def test_a_lost_process_is_tried_again(tmp_path):
    jobs = [(str(tmp_path / "flag"), i) for i in range(5)]
    assert list(run_all(slow_once, jobs, workers=2)) == [heavy(i) for i in range(5)]
    assert (tmp_path / "flag").exists()


def test_a_job_that_always_kills_its_worker_ends_in_one_clear_error():
    with pytest.raises(SailAnalysisError, match="worker process was lost"):
        list(run_all(always_dies, [1, 2], workers=2, retries=1))


def test_no_cluster_is_one_clear_error():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = s.getsockname()[1]
    with pytest.raises(SailAnalysisError, match="no cluster answers"):
        list(run_all(heavy, [1], cluster=f"tcp://127.0.0.1:{port}", connect_s=0.5))


class Promise:
    """A future that counts how many of its kind are open."""

    open_now = most = 0

    def __init__(self, item):
        self.item = item
        Promise.open_now += 1
        Promise.most = max(Promise.most, Promise.open_now)

    def result(self):
        Promise.open_now -= 1
        return self.item


@pytest.mark.parametrize(("ahead", "most"), [(4, 4), (0, 1)])
def test_finished_days_do_not_pile_up(ahead, most):
    Promise.open_now = Promise.most = 0
    assert list(_in_order(Promise, list(range(20)), lambda: ahead)) == list(range(20))
    assert Promise.most == most


@contextmanager
def local_cluster(folder, workers=2):
    """A real scheduler and workers (dask.distributed), each a process of its own."""
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([os.path.dirname(__file__), *sys.path])}
    file = folder / "scheduler.json"
    dask = [sys.executable, "-m"]
    processes = [subprocess.Popen(
        [*dask, "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
         "--scheduler-file", str(file)], env=env, start_new_session=True)]
    processes += [subprocess.Popen(
        [*dask, "distributed.cli.dask_worker", "--scheduler-file", str(file), "--nworkers", "1", "--nthreads", "1",
         "--no-dashboard", "--local-directory", str(folder)], env=env, start_new_session=True) for _ in range(workers)]
    try:
        until = time.monotonic() + 60
        while not file.exists() and time.monotonic() < until:
            time.sleep(0.2)
        yield json.loads(file.read_text())["address"], processes[1:]
    finally:
        for process in reversed(processes):
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait(timeout=20)


@pytest.mark.slow
def test_cluster_of_separate_workers_one_killed(tmp_path):
    with local_cluster(tmp_path) as (address, _):
        jobs = [(str(tmp_path / "flag"), i) for i in range(12)]
        got = list(run_all(slow_once, jobs, cluster=address, retries=3, connect_s=30.0))
    assert got == [heavy(i) for i in range(12)]
    assert (tmp_path / "flag").exists()


@pytest.mark.slow
def test_an_item_that_kills_every_worker_ends_in_one_clear_error(tmp_path):
    with local_cluster(tmp_path, workers=1) as (address, _), \
            pytest.raises(SailAnalysisError, match="lost worker after worker"):
        list(run_all(always_dies, [1], cluster=address, connect_s=30.0))


@pytest.mark.slow
def test_cluster_without_workers_is_one_clear_error(tmp_path):
    with local_cluster(tmp_path, workers=0) as (address, _), \
            pytest.raises(SailAnalysisError, match="has no worker"):
        list(run_all(heavy, [1], cluster=address, connect_s=3.0))


def filed(folder):
    """All that an archive holds, day by day, fit to be compared."""
    held = {}
    archive = Archive(folder, create=False)
    for day in archive.days()["day"]:
        kept = archive.load(day)
        tables = {**kept.tables, "samples": kept.samples()}
        held[day] = ({name: table.to_csv() for name, table in tables.items()},
                     json.dumps(kept.record, sort_keys=True), kept.raw_files)
    return held


def kill_after_the_first_day(season, worker):
    while not (season / "days").exists() or not any((season / "days").iterdir()):
        time.sleep(0.02)
    os.killpg(worker.pid, signal.SIGKILL)


@pytest.mark.slow
def test_real_days_are_filed_alike_here_in_processes_and_on_a_cluster_that_loses_a_worker(tmp_path):
    days = [tmp_path / f"day{number}" for number in range(6)]
    for number, folder in enumerate(days):
        rng = np.random.default_rng(number)
        day = sea.simulate(rng, hours=0.8, motor_s=120.0, leg_s=(150, 260), start_s=sea.T0 + 7 * 86400 * number)
        folder.mkdir()
        lines = sea.nmea_lines(day, rng, rates={"hdg": 2, "rudder": 2, "heel": 1, "wind": 2, "stw": 1})
        (folder / "log.nmea").write_text("\r\n".join(lines) + "\r\n")

    def season(name, *words):
        return main(["season", str(tmp_path / name), "--add", *map(str, days), *words, "--quiet"])

    assert season("here") == 0
    assert season("processes", "--workers", "2") == 0
    with local_cluster(tmp_path) as (address, workers):
        killer = threading.Thread(target=kill_after_the_first_day, args=(tmp_path / "cluster", workers[0]))
        killer.start()
        assert season("cluster", "--cluster", address) == 0
        killer.join()
        assert workers[0].wait(timeout=20) == -signal.SIGKILL
    here = filed(tmp_path / "here")
    assert len(here) == 6
    assert filed(tmp_path / "processes") == here
    assert filed(tmp_path / "cluster") == here
