"""Running HiGHS: limits are kept, and bounds told on the way hold."""

from __future__ import annotations

import random
import threading
import time

import pytest

from padbank.layout import program
from padbank.layout.program import Program, run_program


def knapsacks(seed: int, items: int = 60, rows: int = 12) -> Program:
    """Several knapsacks at once: with many items and rows too hard to finish in a minute."""
    rng = random.Random(seed)
    made = Program()
    columns = [made.column(-rng.randint(50, 150)) for _ in range(items)]
    for _ in range(rows):
        sizes = [float(rng.randint(20, 100)) for _ in columns]
        made.row(columns, sizes, high=sum(sizes) / 3)
    return made


def test_a_time_limit_is_kept_and_the_bound_told_holds():
    told: list[float] = []
    began = time.monotonic()
    short = run_program(knapsacks(1), seconds=1.0, on_bound=told.append)
    assert time.monotonic() - began < 1.0 + program.DEAF_S
    long = run_program(knapsacks(1), seconds=6.0)
    assert told and max(told) <= long.objective + 1e-6
    assert short.bound <= long.objective + 1e-6


def test_a_stop_is_heard():
    stop = threading.Event()
    threading.Timer(0.5, stop.set).start()
    began = time.monotonic()
    outcome = run_program(knapsacks(2, 150, 20), should_stop=stop.is_set)
    assert time.monotonic() - began < 0.5 + program.DEAF_S
    assert outcome.status == "stopped"
    assert outcome.values is not None


def test_a_run_that_is_deaf_is_left(monkeypatch):
    """A solver that heeds no limit must not keep the player waiting."""
    monkeypatch.setattr(program, "DEAF_S", 0.2)
    release = threading.Event()
    monkeypatch.setattr(program._QuietHighs, "run", lambda self: release.wait(20.0), raising=False)
    began = time.monotonic()
    outcome = run_program(knapsacks(3), seconds=0.3)
    release.set()
    assert time.monotonic() - began < 5.0
    assert (outcome.status, outcome.values) == ("stopped", None)


@pytest.mark.parametrize("late", [3, 9])
def test_rows_that_join_late_change_nothing(late):
    made = knapsacks(4)
    whole = run_program(made, relaxed=True)
    joined = run_program(made, relaxed=True, late_rows=late)
    assert joined.objective == pytest.approx(whole.objective, abs=1e-6)
