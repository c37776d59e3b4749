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
from padbank.layout.held import arrange, extract, home_hits
from padbank.layout.improve import pack_pooled, sweep_each, sweep_groups
from padbank.layout.model import Model, Scope, build_model
from padbank.layout.problem import ClipFacts, Problem, build_problem
from padbank.layout.program import run_program
from padbank.layout.reason import smallest_reason
from padbank.layout.side import SideRun
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


EXACT_COLUMNS = 12_000
"""up to this many variables of the pooled model the whole model is solved to the end"""


def run_stages(best: Best, clock: Clock, progress: Progress = silent) -> None:
    """First layout, relaxation, then bound and layout side by side, exact finish.

    The pooled model runs in a thread of its own (HiGHS works outside Python's
    lock) while banks are improved one by one and in groups.
    """
    progress(0, 5, "first layout")
    best.offer(first_layout(best.problem))
    if best.problem.known:
        best.offer(first_layout(best.problem, keep_known=True))
    best.first_s, best.first_cost = clock.spent_s, best.objective

    progress(1, 5, "relaxation")
    pool = build_model(
        best.problem,
        Scope(banks=tuple(range(best.problem.banks)), risk=False, pool=True, new_pads=False),
    )
    small = pool.program.columns <= EXACT_COLUMNS
    side = SideRun(pool, clock, start=_start(best, pool), part=0.45 if small else 0.97)
    side.begin()
    try:
        progress(2, 5, "bank by bank")
        sweep_each(best, clock, 0.4, risk=False)
        if small:
            _grow_groups(best, clock, side, 0.3, most=4)
            progress(3, 5, "who goes to which bank")
            side.end(wait=clock.seconds is None or not clock.over(0.45))
            _take_pool(best, side)
        else:
            progress(3, 5, "groups of banks")
            _grow_groups(best, clock, side, 0.97)
    finally:
        side.end(wait=clock.seconds is None)
        best.lift(side.bound)
    if not small:
        _take_pool(best, side)
    if small and not clock.over() and not best.proved:
        progress(4, 5, "exact model")
        _exact_stage(best, clock)
    progress(5, 5, "done")


def _start(best: Best, model: Model) -> dict[int, float] | None:
    if not best.feasible or best.held is None:
        return None
    return model.start(best.held, serve(best.problem, best.held))


def _take_pool(best: Best, side: SideRun) -> None:
    """Give the pooled clips of the side run's latest solution banks, and offer that."""
    values = side.take()
    if values is not None:
        held, pooled = extract(side.model, values)
        best.offer(pack_pooled(best.problem, held, pooled))


def _grow_groups(
    best: Best, clock: Clock, side: SideRun, part: float, most: int = 1000
) -> None:
    """Ever larger groups of banks, first without risk, then with it."""
    banks = best.problem.banks
    plan = [(2, False), (3, False), (2, True), (4, False), (3, True)]
    plan = [(size, risk) for size, risk in plan if 2 * size <= banks]
    turn, idle = 0, 0
    while not clock.over(part) and idle < len(plan) and turn < most:
        size, risk = plan[turn % len(plan)]
        better = sweep_groups(
            best,
            clock,
            part,
            size=size,
            turn=turn // len(plan),
            seconds=1.0 + size,
            risk=risk,
            nodes=30,
        )
        if side.fresh:
            before = best.cost
            _take_pool(best, side)
            if best.cost < before - 1e-9:
                sweep_each(best, clock, part, risk=False)
                better += 1
        idle = 0 if better else idle + 1
        turn += 1
        if clock.seconds is None and turn >= 2 * len(plan):
            break


def _exact_stage(best: Best, clock: Clock) -> None:
    """The whole model with risk, from the best layout so far; beside it the one without."""
    problem = best.problem
    everything = tuple(range(problem.banks))
    plain = build_model(problem, Scope(banks=everything, risk=False))
    side = SideRun(plain, clock, start=_start(best, plain), part=1.0)
    model = build_model(problem, Scope(banks=everything))
    if clock.seconds is not None:
        side.begin()
    outcome = run_program(
        model.program,
        seconds=clock.left_s(),
        start=_start(best, model),
        should_stop=clock.should_stop,
        now=clock.now,
    )
    side.end(wait=False)
    best.lift(side.bound)
    best.lift(outcome.bound)
    if outcome.infeasible:
        _raise_reason(problem)
    if outcome.values is not None:
        held, _ = extract(model, outcome.values)
        best.offer(held)
    if best.proved:
        return
    values = side.take()
    if values is not None:
        held, _ = extract(plain, values)
        hits = home_hits(problem)
        for bank in everything:
            arrange(problem, held, bank, hits)
        best.offer(held)


def _check_musts(problem: Problem) -> None:
    if any(d.must and len(d.clips) < d.count for d in problem.demands):
        _raise_reason(problem)


def _raise_reason(problem: Problem) -> None:
    reason = smallest_reason(problem)
    raise PlanError(
        reason.text
        if reason is not None
        else "the show cannot be laid out on this rig within its limits"
    )


def _result(best: Best, seconds: float) -> PlanResult:
    if best.evaluation is None or best.layout is None:
        reason = smallest_reason(best.problem)
        raise PlanError(
            reason.text
            if reason is not None
            else "no layout that keeps every limit was found in the time given: allow more "
            "seconds, or make some musts wishes"
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
