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
