"""Find the best layout there is, and say how good it is proved to be.

Functions: ``solve``. Classes: ``PlanResult``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from padbank.domain import Finding, Layout, Rig, Show
from padbank.errors import PlanError
from padbank.layout.best import Best, Clock
from padbank.layout.cost import Term, serve
from padbank.layout.evaluate import LeftOut
from padbank.layout.first import first_layout
from padbank.layout.held import extract
from padbank.layout.improve import pack_pooled, sweep_each, sweep_groups
from padbank.layout.model import Model, Scope, build_model
from padbank.layout.problem import ClipFacts, Problem, build_problem
from padbank.layout.program import run_program
from padbank.progress import Progress, silent


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
    clock = Clock(seconds, should_stop)
    problem = build_problem(rig, show, clips, known)
    _check_musts(problem)
    best = Best(problem)
    run_stages(best, clock, progress)
    return _result(best, clock.spent_s)


def run_stages(best: Best, clock: Clock, progress: Progress = silent) -> None:
    """First layout, relaxation, banks one by one, groups of banks, exact finish."""
    problem = best.problem
    everything = tuple(range(problem.banks))
    progress(0, 5, "first layout")
    best.offer(first_layout(problem))
    best.first_s = clock.spent_s

    progress(1, 5, "relaxation")
    model = build_model(problem, Scope(banks=everything, risk=False, pool=True, new_pads=False))
    outcome = run_program(
        model.program, relaxed=True, seconds=clock.left_s(0.5), should_stop=clock.should_stop, now=clock.now
    )
    best.lift(outcome.bound)

    progress(2, 5, "bank by bank")
    sweep_each(best, clock, 0.4, risk=False)
    small = model.program.columns <= EXACT_COLUMNS

    progress(3, 5, "who goes to which bank")
    if not clock.over(0.6):
        _pool_stage(best, model, clock, 0.25 if small else 0.6)
        progress(3, 5, "who goes to which bank, packed")
        sweep_each(best, clock, 0.8, risk=False)

    progress(4, 5, "exact model" if small else "groups of banks")
    turn = 0
    while not clock.over(0.3 if small else 1.0) and not best.proved:
        size = 2 if turn % 2 == 0 else 3
        if not sweep_groups(best, clock, 0.3 if small else 1.0, size=size, turn=turn, seconds=4.0):
            turn += 1
            if turn >= (2 if small or clock.seconds is None else 8):
                break
    if small and not clock.over():
        _exact_stage(best, clock)
    progress(5, 5, "done")


EXACT_COLUMNS = 12_000
"""up to this many variables of the pooled model the whole model is solved to the end"""


def _pool_stage(best: Best, model: Model, clock: Clock, part: float) -> None:
    """The pooled model in whole numbers: lifts the bound and says who goes where."""
    outcome = run_program(
        model.program,
        seconds=clock.left_s(part),
        relative_gap=5e-4,
        nodes=None if clock.seconds is not None else 50,
        should_stop=clock.should_stop,
        now=clock.now,
    )
    best.lift(outcome.bound)
    if outcome.values is not None:
        held, pooled = extract(model, outcome.values)
        packed = pack_pooled(best.problem, held, pooled)
        best.offer(packed)


def _exact_stage(best: Best, clock: Clock) -> None:
    """The whole model, risk and all, from the best layout so far."""
    problem = best.problem
    model = build_model(problem, Scope(banks=tuple(range(problem.banks))))
    start = None
    if best.feasible and best.held is not None:
        start = model.start(best.held, serve(problem, best.held))
    outcome = run_program(
        model.program, seconds=clock.left_s(), start=start, should_stop=clock.should_stop, now=clock.now
    )
    if outcome.infeasible:
        raise PlanError("the show cannot be laid out on this rig within its limits")
    best.lift(outcome.bound)
    if outcome.values is not None:
        held, _ = extract(model, outcome.values)
        best.offer(held)


def _check_musts(problem: Problem) -> None:
    for demand in problem.demands:
        if demand.must and len(demand.clips) < demand.count:
            raise PlanError(
                f"segment {demand.segment} must have {demand.label}, but "
                f"{demand.absent or 'no clip can serve it'}: make it a wish, or add or clear clips"
            )


def _result(best: Best, seconds: float) -> PlanResult:
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
