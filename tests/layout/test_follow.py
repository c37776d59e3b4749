"""Layouts that follow a relaxation: every limit holds, and where the two differ something is won."""

from __future__ import annotations

import pytest

from padbank.layout.best import Best, Clock
from padbank.layout.evaluate import evaluate_problem
from padbank.layout.first import first_layout
from padbank.layout.follow import agreed, rounded
from padbank.layout.held import to_layout
from padbank.layout.model import build_model
from padbank.layout.packs import random_pack
from padbank.layout.problem import build_problem
from padbank.layout.program import run_program
from padbank.layout.scope import Scope


def _never() -> bool:
    return False


def _errors(problem, held):
    found = evaluate_problem(problem, to_layout(problem, held)).findings
    return [f.code for f in found if f.severity == "error"]


@pytest.mark.parametrize(("size", "seed"), [("small", 1), ("medium", 2)])
def test_what_is_not_agreed_on_is_where_a_better_layout_hides(size, seed):
    pack = random_pack(size, seed)
    problem = build_problem(pack.rig, pack.show, pack.clips)
    scope = Scope(banks=tuple(range(problem.banks)), risk=False, pool=True)
    whole = build_model(problem, scope)
    relaxed = run_program(whole.program, relaxed=True)
    assert relaxed.values is not None
    clock = Clock(None, _never)

    from_nothing = rounded(problem, whole, relaxed.values, clock)
    assert from_nothing is not None
    assert set(_errors(problem, from_nothing)) <= {"must-missing"}

    best = Best(problem)
    best.offer(first_layout(problem))
    before = best.cost
    held = agreed(best, whole, relaxed.values, clock)
    assert held is not None
    assert _errors(problem, held) == []
    assert best.offer(held)
    assert relaxed.bound <= best.cost < before - 0.25 * (before - relaxed.bound)


def test_no_layout_to_compare_with_gives_none():
    pack = random_pack("small", 1)
    problem = build_problem(pack.rig, pack.show, pack.clips)
    scope = Scope(banks=tuple(range(problem.banks)), risk=False, pool=True)
    whole = build_model(problem, scope)
    relaxed = run_program(whole.program, relaxed=True)
    assert relaxed.values is not None
    assert agreed(Best(problem), whole, relaxed.values, Clock(None, _never)) is None
