"""Outputs appear whole or not at all."""

import os
import signal
import subprocess
import sys
import time

import pytest

from sailanalysis.core.errors import SailAnalysisError
from sailanalysis.core.staging import staged


def test_files_move_into_place(tmp_path):
    with staged(tmp_path / "out") as folder:
        (folder / "a.csv").write_text("1")
        assert not (tmp_path / "out" / "a.csv").exists()
    assert sorted(os.listdir(tmp_path / "out")) == ["a.csv"]


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
    code = f"""
import time
from sailanalysis.core.staging import staged
with staged({str(tmp_path / "out")!r}) as folder:
    (folder / "a").write_text("half"); print("go", flush=True); time.sleep(30)
"""
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    assert child.stdout.readline() == b"go\n"
    time.sleep(0.05)
    child.send_signal(signal.SIGINT)
    child.wait(timeout=10)
    assert not (tmp_path / "out").exists()
