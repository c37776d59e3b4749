"""Worker processes end with the program that began them, however that ends, and keep silent at a Ctrl-C."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from padbank.workflow.pool import worker_settings

ROOT = Path(__file__).resolve().parents[2]

HOLDER = """
import os, sys, time
from padbank.workflow.pool import worker_pool
if __name__ == "__main__":
    with worker_pool(2) as pool:
        print(pool.submit(os.getpid).result(), flush=True)
        pool.submit(time.sleep, 60)
        time.sleep(60)
"""


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except OSError:
        return False
    return True


@pytest.mark.skipif(os.name == "nt", reason="asks POSIX whether a process is there")
def test_workers_of_a_killed_program_end_too(tmp_path: Path) -> None:
    script = tmp_path / "holder.py"
    script.write_text(HOLDER, encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    program = subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, text=True, env=environment)
    assert program.stdout
    worker = int(program.stdout.readline())
    assert alive(worker)
    program.kill()
    program.wait()
    program.stdout.close()
    end = time.monotonic() + 20
    while alive(worker) and time.monotonic() < end:
        time.sleep(0.05)
    assert not alive(worker)


@pytest.mark.skipif(os.name == "nt", reason="sends Ctrl-C to a process group")
def test_a_ctrl_c_while_workers_begin_reaches_the_program_alone(tmp_path: Path) -> None:
    script = tmp_path / "holder.py"
    script.write_text(HOLDER.replace("print(", "print(os.getpid(), flush=True); print("), encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    for wait_s in (0.02, 0.08, 0.2):
        program = subprocess.Popen(
            [sys.executable, str(script)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
            start_new_session=True,
        )  # fmt: skip
        assert program.stdout
        program.stdout.readline()
        time.sleep(wait_s)
        os.killpg(program.pid, signal.SIGINT)
        _, said = program.communicate(timeout=30)
        assert said.count("Traceback") == 1 and said.rstrip().endswith("KeyboardInterrupt"), said  # the program's own


def test_settings_of_pools_beside_each_other_last_until_the_last_ends(monkeypatch) -> None:
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    monkeypatch.delenv("MKL_NUM_THREADS", raising=False)
    first, second = worker_settings(), worker_settings()
    first.__enter__()
    second.__enter__()
    first.__exit__(None, None, None)
    assert os.environ["OMP_NUM_THREADS"] == os.environ["MKL_NUM_THREADS"] == "1"
    second.__exit__(None, None, None)
    assert os.environ["OMP_NUM_THREADS"] == "7" and "MKL_NUM_THREADS" not in os.environ
