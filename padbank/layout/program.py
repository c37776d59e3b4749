"""A mixed-integer linear program under construction, and HiGHS to solve it.

The only importer of ``highspy``. Fixed seed, one thread and fixed tolerances,
so that a run without a time limit gives the same answer on every machine
(one ``threads`` value per process: HiGHS returns no solution when it changes).

Classes: ``Program``, ``Outcome``. Functions: ``run_program``.
"""

from __future__ import annotations

import math
import threading
import time
from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import highspy
import numpy as np

INFINITY = highspy.kHighsInf
POLL_S = 0.02
"""how often a run is asked whether it should stop"""
DEAF_S = 3.0
"""how long a run that was told to stop is waited for"""


@dataclass(slots=True)
class Program:
    """Minimise ``cost . x + constant`` within rows and bounds."""

    cost: list[float] = field(default_factory=list)
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    row_low: list[float] = field(default_factory=list)
    row_high: list[float] = field(default_factory=list)
    starts: array[int] = field(default_factory=lambda: array("i", [0]))
    indices: array[int] = field(default_factory=lambda: array("i"))
    values: array[float] = field(default_factory=lambda: array("d"))
    constant: float = 0.0

    def column(
        self, cost: float = 0.0, low: float = 0.0, high: float = 1.0, whole: bool = True
    ) -> int:
        """Add a variable and return its number."""
        self.cost.append(cost)
        self.low.append(low)
        self.high.append(high)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(
        self,
        columns: Sequence[int],
        factors: Sequence[float] | float,
        low: float = -math.inf,
        high: float = math.inf,
    ) -> None:
        """Add ``low <= factors . x[columns] <= high``."""
        if isinstance(factors, (int, float)):
            self.values.extend([float(factors)] * len(columns))
        else:
            self.values.extend(float(f) for f in factors)
        self.indices.extend(columns)
        self.starts.append(len(self.indices))
        self.row_low.append(low)
        self.row_high.append(high)

    @property
    def columns(self) -> int:
        return len(self.cost)

    @property
    def rows(self) -> int:
        return len(self.row_low)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run gave. ``values`` None: no solution. ``bound`` holds for the program."""

    status: str
    values: np.ndarray | None
    objective: float
    bound: float
    seconds: float

    @property
    def infeasible(self) -> bool:
        return self.status == "infeasible"


class _QuietHighs(highspy.Highs):
    """HiGHS without the banner that it prints to stdout when callbacks are first set."""

    def enableCallbacks(self) -> None:
        self.silent()
        super().enableCallbacks()


def _highs_lp(program: Program, relaxed: bool) -> highspy.HighsLp:
    lp = highspy.HighsLp()
    lp.num_col_ = program.columns
    lp.num_row_ = program.rows
    lp.col_cost_ = np.array(program.cost, dtype=np.float64)
    lp.col_lower_ = np.array(program.low, dtype=np.float64)
    lp.col_upper_ = np.array(program.high, dtype=np.float64)
    lp.row_lower_ = np.array(program.row_low, dtype=np.float64)
    lp.row_upper_ = np.array(program.row_high, dtype=np.float64)
    lp.offset_ = program.constant
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.array(program.starts, dtype=np.int32)
    lp.a_matrix_.index_ = np.array(program.indices, dtype=np.int32)
    lp.a_matrix_.value_ = np.array(program.values, dtype=np.float64)
    if not relaxed:
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        lp.integrality_ = [kinds[w] for w in program.whole]
    return lp


def _run(
    highs: highspy.Highs, stopping: Callable[[], bool], ended: threading.Event, *, leave: bool
) -> bool:
    """Run HiGHS in a thread and look now and then whether to stop; False when it was left.

    HiGHS asks back into Python at every simplex step if it is let, and two
    runs side by side then wait for each other. So a linear program is never
    asked: it is left to end by itself (``leave``), and a whole one sees
    ``ended`` between its nodes. One that does not see it is left too.
    """
    errors: list[BaseException] = []

    def work() -> None:
        try:
            highs.run()
        except BaseException as error:  # raised below, in the caller's thread
            errors.append(error)

    worker = threading.Thread(target=work, daemon=True)
    worker.start()
    told = math.inf
    while worker.is_alive():
        worker.join(POLL_S)
        if not worker.is_alive():
            break
        if not ended.is_set() and stopping():
            ended.set()
            told = time.monotonic()
        if ended.is_set() and (leave or time.monotonic() - told > DEAF_S):
            return False
    if errors:
        raise errors[0]
    return True


def run_program(
    program: Program,
    *,
    seconds: float | None = None,
    relative_gap: float = 0.0,
    start: dict[int, float] | None = None,
    relaxed: bool = False,
    nodes: int | None = None,
    should_stop: Callable[[], bool] | None = None,
    on_better: Callable[[np.ndarray, float], None] | None = None,
    on_bound: Callable[[float], None] | None = None,
    now: Callable[[], float] = time.monotonic,
    effort: float | None = None,
    late_rows: int | None = None,
) -> Outcome:
    """Solve a program.

    Parameters
    ----------
    seconds : time limit by ``now`` (None: none; the only thing that can make
        two runs differ)
    relative_gap : stop when (objective - bound) is this part of the objective
    start : values of whole variables to begin from
    relaxed : solve the linear relaxation
    nodes : limit on branch-and-bound nodes
    should_stop : asked now and then; True ends the run with the best so far
    on_better : called with each better solution and the bound at that time
    on_bound : called with the bound, now and then
    effort : part of the work that goes into heuristics (None: HiGHS's own)
    late_rows : with ``relaxed``: rows from this one on join when the rest is
        solved, which is quicker where they are many and mostly do not bind
    now : the clock; ``time.process_time`` where the machine is shared
    """
    began = now()
    if not program.columns:
        return Outcome("optimal", np.zeros(0), program.constant, program.constant, 0.0)
    highs = _QuietHighs()
    highs.setOptionValue("threads", 1)
    highs.setOptionValue("random_seed", 0)
    # HiGHS 1.16 can loop for ever when it presolves again after a restart, deaf to any limit
    highs.setOptionValue("mip_allow_restart", False)
    highs.setOptionValue("mip_rel_gap", relative_gap)
    highs.setOptionValue("mip_abs_gap", 1e-6)
    highs.setOptionValue("mip_feasibility_tolerance", 1e-7)
    highs.setOptionValue("primal_feasibility_tolerance", 1e-7)
    if seconds is not None and now is time.monotonic:
        highs.setOptionValue("time_limit", max(0.05, seconds))
    if effort is not None:
        highs.setOptionValue("mip_heuristic_effort", effort)
    if nodes is not None:
        highs.setOptionValue("mip_max_nodes", nodes)
    lp = _highs_lp(program, relaxed)
    first = program.rows if late_rows is None or not relaxed else late_rows
    late = first < program.rows
    if late:
        low, high = np.array(program.row_low), np.array(program.row_high)
        lp.row_lower_ = np.concatenate([low[:first], np.full(program.rows - first, -INFINITY)])
        lp.row_upper_ = np.concatenate([high[:first], np.full(program.rows - first, INFINITY)])
    highs.passModel(lp)
    if start and not relaxed:
        keys = sorted(start)
        highs.setSolution(
            len(keys),
            np.array(keys, dtype=np.int32),
            np.array([start[k] for k in keys], dtype=np.float64),
        )
    def stopping() -> bool:
        spent = seconds is not None and now() - began > seconds
        return spent or (should_stop is not None and should_stop())

    ended = threading.Event()
    if not relaxed and (should_stop is not None or seconds is not None):

        def ask(event: highspy.HighsCallbackEvent) -> None:
            if on_bound is not None and event.data_out is not None:
                on_bound(event.data_out.mip_dual_bound)
            if ended.is_set() and event.data_in is not None:
                event.data_in.user_interrupt = True

        highs.cbMipInterrupt.subscribe(ask)
    if on_better is not None:

        def better(event: highspy.HighsCallbackEvent) -> None:
            on_better(np.array(event.data_out.mip_solution), event.data_out.mip_dual_bound)

        highs.cbMipImprovingSolution.subscribe(better)
    floor = -math.inf
    if not _run(highs, stopping, ended, leave=relaxed):
        return Outcome("stopped", None, math.inf, floor, now() - began)
    if late and highs.getModelStatus() == highspy.HighsModelStatus.kOptimal:
        floor = highs.getInfo().objective_function_value
        rows = np.arange(first, program.rows, dtype=np.int32)
        highs.changeRowsBounds(len(rows), rows, low[first:], high[first:])  # type: ignore[attr-defined]
        if seconds is not None and now is time.monotonic:
            highs.setOptionValue("time_limit", highs.getRunTime() + max(0.05, seconds - (now() - began)))
        if not _run(highs, stopping, ended, leave=True):
            return Outcome("stopped", None, math.inf, floor, now() - began)
    model_status = highs.getModelStatus()
    kinds = highspy.HighsModelStatus
    status = {
        kinds.kOptimal: "optimal",
        kinds.kInfeasible: "infeasible",
        kinds.kUnboundedOrInfeasible: "infeasible",
    }.get(model_status, "stopped")
    info = highs.getInfo()
    values: np.ndarray | None = None
    if status != "infeasible" and info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible:
        values = np.array(highs.getSolution().col_value)
    objective = info.objective_function_value if values is not None else math.inf
    if values is not None and start and not relaxed:
        true_objective = program.constant + float(np.dot(program.cost, values))
        if abs(true_objective - objective) > 1e-5 * max(1.0, abs(objective)):
            # HiGHS 1.16 can report the optimum and hand back the start when presolve
            # alone solves the program: then a run without a start is as quick.
            left = None if seconds is None else seconds - (now() - began)
            return run_program(
                program,
                seconds=left,
                relative_gap=relative_gap,
                nodes=nodes,
                should_stop=should_stop,
                on_better=on_better,
                on_bound=on_bound,
                now=now,
                effort=effort,
            )
    if relaxed or not any(program.whole):
        bound = objective if status == "optimal" else floor
    else:
        bound = info.mip_dual_bound
    if status == "infeasible":
        bound = math.inf
    return Outcome(status, values, objective, bound, now() - began)
