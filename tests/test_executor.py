"""Many days: one after another, in processes, on a cluster; the same to the last bit."""

import os
import signal
import socket
import subprocess
import sys
import time

import numpy as np
import pytest

from sailanalysis.errors import SailAnalysisError
from sailanalysis.executor import run_all


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


@pytest.mark.slow
def test_cluster_of_separate_workers_one_killed(tmp_path):
    """A real local scheduler and workers (dask.distributed); one worker kills itself."""
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([os.path.dirname(__file__), *sys.path])}
    scheduler = subprocess.Popen([sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1",
                                  "--port", "0", "--no-dashboard", "--scheduler-file", str(tmp_path / "s.json")], env=env, start_new_session=True)
    workers = [subprocess.Popen([sys.executable, "-m", "distributed.cli.dask_worker", "--scheduler-file",
                                 str(tmp_path / "s.json"), "--nworkers", "1", "--nthreads", "1", "--no-dashboard",
                                 "--local-directory", str(tmp_path)], env=env, start_new_session=True) for _ in range(2)]
    try:
        until = time.monotonic() + 60
        while not (tmp_path / "s.json").exists() and time.monotonic() < until:
            time.sleep(0.2)
        import json

        address = json.loads((tmp_path / "s.json").read_text())["address"]
        jobs = [(str(tmp_path / "flag"), i) for i in range(12)]
        got = list(run_all(slow_once, jobs, cluster=address, retries=3))
        assert got == [heavy(i) for i in range(12)]
        assert (tmp_path / "flag").exists()
    finally:
        for process in (*workers, scheduler):
            os.killpg(process.pid, signal.SIGKILL)
            process.wait(timeout=20)
