"""The planner's optimum against a search through every layout of small random rigs."""

from __future__ import annotations

import pytest

from padbank.errors import PlanError
from padbank.layout.evaluate import evaluate
from padbank.layout.problem import build_problem
from padbank.layout.solve import solve


@pytest.mark.parametrize("block", range(10))
def test_no_layout_is_better(block, make_case, brute_force):
    for seed in range(block * 12, block * 12 + 12):
        case = make_case(seed)
        problem = build_problem(case.rig, case.show, case.clips, case.known)
        least = brute_force(problem)
        try:
            result = solve(case.rig, case.show, case.clips, case.known)
        except PlanError:
            assert least is None, seed
            continue
        assert least is not None, seed
        assert result.objective == pytest.approx(least, abs=1e-3), seed
        assert result.status == "proved", seed
        judged = evaluate(case.rig, case.show, case.clips, result.layout, case.known)
        assert judged.feasible, (seed, judged.findings)
        assert judged.objective == pytest.approx(result.objective, abs=1e-9), seed


@pytest.mark.parametrize("seconds", [None, 20.0])
def test_every_stage_keeps_to_the_truth(seconds, make_case, brute_force, monkeypatch):
    """The way of the larger shows (relaxation, rounding, groups) on the same tiny rigs,
    without a time limit and with one, where bounds come from a run that is under way."""
    monkeypatch.setattr("padbank.layout.solve.TINY_COLUMNS", 0)
    for seed in range(200, 225):
        case = make_case(seed)
        least = brute_force(build_problem(case.rig, case.show, case.clips, case.known))
        try:
            result = solve(case.rig, case.show, case.clips, case.known, seconds=seconds)
        except PlanError:
            assert least is None, seed
            continue
        assert least is not None, seed
        assert result.objective == pytest.approx(least, abs=1e-3), seed
        assert result.bound <= least + 1e-6, seed
        assert result.status == "proved", seed


@pytest.mark.parametrize("seconds", [None, 20.0])
def test_shows_too_large_for_the_exact_model_are_judged_truly(seconds, make_case, brute_force, monkeypatch):
    """Their way on tiny rigs: the layout costs what it is said to, and the bound stays below the least."""
    monkeypatch.setattr("padbank.layout.solve.TINY_COLUMNS", 0)
    monkeypatch.setattr("padbank.layout.solve.EXACT_COLUMNS", 0)
    best_found = 0
    for seed in range(250, 270):
        case = make_case(seed)
        least = brute_force(build_problem(case.rig, case.show, case.clips, case.known))
        if least is None:
            continue
        result = solve(case.rig, case.show, case.clips, case.known, seconds=seconds)
        judged = evaluate(case.rig, case.show, case.clips, result.layout, case.known)
        assert judged.feasible, (seed, judged.findings)
        assert judged.objective == pytest.approx(result.objective, abs=1e-9), seed
        assert result.bound <= least + 1e-6, seed
        assert result.objective >= least - 1e-6, seed
        best_found += result.objective <= least + 1e-3
    assert best_found >= 15


def test_a_bound_on_the_way_is_never_above_the_optimum(make_case, brute_force, monkeypatch):
    """Each bound that is told while a plan is made, not only the last one."""
    monkeypatch.setattr("padbank.layout.solve.TINY_COLUMNS", 0)
    for seed in range(230, 250):
        case = make_case(seed)
        least = brute_force(build_problem(case.rig, case.show, case.clips, case.known))
        if least is None:
            continue
        told: list[float] = []
        solve(
            case.rig,
            case.show,
            case.clips,
            case.known,
            seconds=20.0,
            watch=lambda _, bound, told=told: told.append(bound),
        )
        assert told, seed
        assert max(told) <= least + 1e-6, seed
