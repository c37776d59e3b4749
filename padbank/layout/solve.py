"""Find the best layout there is, and say how good it is proved to be.

Functions: ``solve``. Classes: ``PlanResult``.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from padbank.domain import Finding, Layout, Rig, Show
from padbank.errors import PlanError
from padbank.layout.cost import Held, Term, read_layout, serve
from padbank.layout.evaluate import Evaluation, LeftOut, evaluate_problem
from padbank.layout.first import first_layout
from padbank.layout.held import extract, tidy, to_layout
from padbank.layout.model import Scope, build_model
from padbank.layout.problem import ClipFacts, Problem, build_problem
from padbank.layout.program import run_program
from padbank.progress import Progress, silent

PROVED_S = 1e-4
"""a layout within this many seconds of cost of its bound counts as proved"""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanResult:
    """A layout with what is proved about it.

    status : ``proved`` (no layout is better) or ``within`` (of ``gap``)
    objective, bound : seconds of the player's time; no layout costs less than ``bound``
    gap : (objective - bound) / objective
    gap_without_wishes : the same after the value of wishes left out is taken
        from the objective: the stricter figure
    bound_holds_for : which numbering and sharing of banks the bound is about
    """

    layout: Layout
    status: Literal["proved", "within"]
    objective: float
    bound: float
    gap: float
    gap_without_wishes: float
    terms: tuple[Term, ...]
    left_out: tuple[LeftOut, ...]
    findings: tuple[Finding, ...]
    bound_holds_for: str = ""
    seconds: float = 0.0


def _never() -> bool:
    return False


class _Best:
    """The best layout so far and the best bound so far."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.held: Held | None = None
        self.layout: Layout | None = None
        self.evaluation: Evaluation | None = None
        self.bound = 0.0

    def offer(self, held: Held) -> bool:
        tidy(self.problem, held)
        layout = to_layout(self.problem, held)
        evaluation = evaluate_problem(self.problem, layout)
        if not evaluation.feasible:
            return False
        if self.evaluation is None or evaluation.objective < self.evaluation.objective - 1e-9:
            self.held = read_layout(self.problem, layout)
            self.layout, self.evaluation = layout, evaluation
            return True
        return False

    def lift(self, bound: float) -> None:
        if math.isfinite(bound):
            self.bound = max(self.bound, bound)

    @property
    def objective(self) -> float:
        return math.inf if self.evaluation is None else self.evaluation.objective

    @property
    def proved(self) -> bool:
        return self.objective - self.bound <= max(PROVED_S, 1e-6 * abs(self.bound))


def solve(
    rig: Rig,
    show: Show,
    clips: Mapping[str, ClipFacts] | Iterable[ClipFacts],
    known: Layout | None = None,
    *,
    seconds: float | None = None,
    progress: Progress = silent,
    should_stop: Callable[[], bool] = _never,
) -> PlanResult:
    """Lay out a show.

    Parameters
    ----------
    known : the layout that the hands know; moves from it cost
    seconds : time limit (None: as long as it takes). A limit that cuts in
        makes the result depend on the machine's speed
    should_stop : asked now and then; True ends with the best layout so far

    Raises
    ------
    PlanError : no layout keeps every must within the rig's limits; the text
        says what would have to give.
    """
    began = time.monotonic()
    problem = build_problem(rig, show, clips, known)
    _check_musts(problem)
    best = _Best(problem)
    progress(0, 3, "first layout")
    best.offer(first_layout(problem))

    def left() -> float | None:
        return None if seconds is None else max(0.05, seconds - (time.monotonic() - began))

    progress(1, 3, "exact model")
    model = build_model(problem, Scope(banks=tuple(range(problem.banks))))
    start = None
    if best.held is not None:
        start = model.start(best.held, serve(problem, best.held))
    outcome = run_program(model.program, seconds=left(), start=start, should_stop=should_stop)
    if outcome.infeasible:
        raise PlanError("the show cannot be laid out on this rig within its limits")
    best.lift(outcome.bound)
    if outcome.values is not None:
        held, _ = extract(model, outcome.values)
        best.offer(held)
    progress(3, 3, "done")
    return _result(best, time.monotonic() - began)


def _check_musts(problem: Problem) -> None:
    for demand in problem.demands:
        if demand.must and len(demand.clips) < demand.count:
            raise PlanError(
                f"segment {demand.segment} must have {demand.label}, but "
                f"{demand.absent or 'no clip can serve it'}: make it a wish, or add or clear clips"
            )


def _result(best: _Best, seconds: float) -> PlanResult:
    if best.evaluation is None or best.layout is None:
        raise PlanError(
            "no layout that keeps every limit was found in the time given: allow more seconds, "
            "or make some musts wishes"
        )
    evaluation = best.evaluation
    objective = evaluation.objective
    bound = min(best.bound, objective)
    rest = objective - evaluation.wish_cost
    difference = objective - bound
    if best.proved:
        bound, difference = objective, 0.0
    return PlanResult(
        layout=best.layout,
        status="proved" if best.proved else "within",
        objective=objective,
        bound=bound,
        gap=difference / objective if objective > 0 else 0.0,
        gap_without_wishes=difference / rest if rest > 1e-9 else (0.0 if difference <= 0 else 1.0),
        terms=evaluation.terms,
        left_out=evaluation.left_out,
        findings=evaluation.findings,
        bound_holds_for=_numbering(best.problem),
        seconds=seconds,
    )


def _numbering(problem: Problem) -> str:
    shared = any(len(s) > 1 for s in problem.bank_segments)
    text = "the bank numbers of this layout"
    if problem.known:
        text += " (other numbers could move fewer places)"
    if shared:
        text += " and its sharing of banks between segments"
    return text
