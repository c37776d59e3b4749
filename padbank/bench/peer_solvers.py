"""The planner's exact model of a whole show given to general solvers, as it is.

What a solver does with the model by itself, in the same seconds, is the
measure of what the planner's own stages add. HiGHS is always there; CP-SAT
and SCIP take part where OR-Tools is installed (the extra ``peers``). CP-SAT
gets two threads, the others work in one.

Functions: ``peer_rows``.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from padbank.layout.model import build_model
from padbank.layout.packs import random_pack
from padbank.layout.problem import build_problem
from padbank.layout.program import Program, run_program
from padbank.layout.scope import Scope

Found = tuple[float, float, str]
"""cost (infinite: none found), bound (minus infinite: none), and how the run ended"""


def _highs(program: Program, seconds: float) -> Found:
    outcome = run_program(program, seconds=seconds)
    return outcome.objective, outcome.bound, outcome.status


def _or_tools(name: str, settings: str) -> Callable[[Program, float], Found] | None:
    try:
        from ortools.linear_solver.python import model_builder
    except ImportError:
        return None
    from scipy.sparse import csr_matrix

    if not model_builder.Solver(name).solver_is_supported():
        return None

    def run(program: Program, seconds: float) -> Found:
        model = model_builder.Model()
        rows = csr_matrix(
            (np.array(program.values), np.array(program.indices), np.array(program.starts)),
            shape=(program.rows, program.columns),
        )
        model.helper.fill_model_from_sparse_data(
            np.array(program.low),
            np.array(program.high),
            np.array(program.cost),
            np.array(program.row_low),
            np.array(program.row_high),
            rows,
        )
        model.helper.set_objective_offset(program.constant)
        for column, whole in enumerate(program.whole):
            model.helper.set_var_integrality(column, whole)
        solver = model_builder.Solver(name)
        solver.set_time_limit_in_seconds(seconds)
        solver.set_solver_specific_parameters(settings)
        status = str(solver.solve(model)).rsplit(".", 1)[-1].lower()
        if status not in ("optimal", "feasible"):
            return math.inf, -math.inf, status
        return solver.objective_value, solver.best_objective_bound, status

    return run


def peer_rows(size: str, seed: int, seconds: float) -> list[dict[str, Any]]:
    """What each general solver makes of a seeded show's exact model in some seconds.

    Returns
    -------
    list of dict
        ``solver``, ``objective``, ``bound``, ``gap`` (None: no layout found,
        or not installed), ``status``, ``seconds``.
    """
    pack = random_pack(size, seed)
    problem = build_problem(pack.rig, pack.show, pack.clips)
    program = build_model(problem, Scope(banks=tuple(range(problem.banks)))).program
    rows: list[dict[str, Any]] = []
    for name, run in (
        ("HiGHS alone", _highs),
        ("CP-SAT", _or_tools("sat", "num_workers:2,random_seed:0")),
        ("SCIP", _or_tools("scip", "")),
    ):
        row: dict[str, Any] = {"solver": name, "size": size, "seed": seed, "gap": None}
        rows.append(row)
        if run is None:
            row["status"] = "not installed"
            continue
        began = time.monotonic()
        objective, bound, status = run(program, seconds)
        row |= {
            "status": status,
            "seconds": time.monotonic() - began,
            "objective": objective,
            "bound": bound,
            "gap": (objective - bound) / objective if math.isfinite(objective) else None,
        }
    return rows
