"""Find the best layout there is, and say how good it is proved to be.

Functions: ``solve``. Classes: ``PlanResult``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from padbank.domain import Finding, Layout, Rig, Show
from padbank.errors import PlanError
from padbank.layout.anneal import anneal_pads
from padbank.layout.best import Best, Clock
from padbank.layout.cost import Term, read_layout, serve
from padbank.layout.evaluate import LeftOut
from padbank.layout.facts import ClipFacts
from padbank.layout.first import first_layout
from padbank.layout.follow import agreed, rounded
from padbank.layout.held import copy_held, extract
from padbank.layout.improve import pack_pooled, sweep_each, sweep_groups
from padbank.layout.model import build_model
from padbank.layout.problem import Problem, build_problem
from padbank.layout.program import run_program
from padbank.layout.reason import smallest_reason
from padbank.layout.scope import Model, Scope
from padbank.layout.seats import home_hits
from padbank.layout.side import SIDE_NODES, SideRun
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
    start: Layout | None = None,
    seconds: float | None = None,
    progress: Progress = silent,
    should_stop: Callable[[], bool] = _never,
    watch: Callable[[float, float], None] | None = None,
) -> PlanResult:
    """Lay out a show.

    Parameters
    ----------
    known : the layout that the hands know; moves from it cost
    start : a layout to begin with: what comes out is never worse (one that
        breaks a limit of today is passed over)
    seconds : time limit (None: as long as it takes). A limit that cuts in
        makes the result depend on the machine's speed
    should_stop : asked now and then; True ends with the best layout so far
    watch : told the best objective and bound so far whenever one gets better

    Raises
    ------
    PlanError : no layout keeps every must within the rig's limits; the text
        says what would have to give.
    """
    clock = Clock(seconds, should_stop)
    problem = build_problem(rig, show, clips, known)
    _check_musts(problem)
    best = Best(problem, watch)
    if start is not None:
        best.offer(read_layout(problem, start))
    run_stages(best, clock, progress)
    return _result(best, clock.spent_s)


EXACT_COLUMNS = 12_000
"""up to this many variables of the pooled model the whole model is solved to the end"""
FULL_COLUMNS = 60_000
"""beyond this many the bound leaves out voices and the price of a clip's second pad"""
TINY_COLUMNS = 1_500
"""up to this many, straight away"""
EXACT_NODES = 20_000
"""branch-and-bound nodes of the exact finish when no time limit is set"""
CLOSE = 0.01
"""so near the bound (part of the cost) groups of banks find little, and slow the exact run beside them"""
ALONE = 0.35
"""part of the time limit that the exact run then has to itself"""
WARM_S = 0.05
"""temperature that an arrangement already good begins from again"""
AGAIN_S = 0.15
"""the same, when clips have come to other banks"""
LONG_STEPS_A_CLIP = 400
"""tries for each clip when who sits in which bank is settled and no exact finish follows"""


def run_stages(best: Best, clock: Clock, progress: Progress = silent) -> None:
    """First layout, one from a relaxation, then bound and layout side by side.

    A relaxation says who goes to which bank; what it leaves open is rounded by
    a small exact model, and the pads of all banks are arranged together. Then
    a model of the whole show runs in a thread of its own (HiGHS works outside
    Python's lock): of a small show the exact one, which proves the best layout,
    of a larger one for the bound alone. Banks are improved one by one and in
    groups meanwhile.
    """
    problem = best.problem
    everything = tuple(range(problem.banks))
    progress(0, 5, "first layout")
    best.offer(first_layout(problem))
    if problem.known:
        best.offer(first_layout(problem, keep_known=True))
    best.first_s, best.first_cost = clock.spent_s, best.objective

    progress(1, 5, "who goes to which bank")
    scope = Scope(banks=everything, risk=False, pool=True, new_pads=False, voices=False)
    pool = build_model(problem, scope)
    if pool.program.columns <= FULL_COLUMNS:
        pool = build_model(problem, replace(scope, voices=True))
    columns = pool.program.columns
    small, tiny = columns <= EXACT_COLUMNS, columns <= TINY_COLUMNS
    few = ((2, False), (3, False))
    if columns > FULL_COLUMNS:  # a run of the whole beside it would take twice the memory
        _follow(best, pool, clock, 1.0)
        _groups_until(best, clock, 0.9, few, most=1000)
    elif small:
        _follow(best, pool, clock, 0.5)
    else:
        whole = build_model(problem, replace(scope, voices=True, new_pads=True))
        _side_by_side(best, clock, whole, 0.9, few, guide=pool)
    if small and not _done(best, clock):
        progress(2, 5, "exact model, and groups of banks")
        exact = build_model(problem, Scope(banks=everything))
        plan = () if tiny else (*few, (3, True), (4, False), (5, False))
        _side_by_side(best, clock, exact, 1.0, plan, exact=True)
    elif not _done(best, clock):
        progress(3, 5, "groups of banks")
        _polish(best, clock, anew=True)
        _groups_until(best, clock, 1.0, ((2, True), (3, False)), most=2)
    progress(5, 5, "done")


def _polish(best: Best, clock: Clock, *, anew: bool = False) -> bool:
    """Arrange the pads of all banks together, from warm or, longer, from hot; whether it helped."""
    if best.held is None or clock.over():
        return False
    held = copy_held(best.held)
    hits = home_hits(best.problem)
    if anew:
        anneal_pads(best.problem, held, hits, steps_a_clip=LONG_STEPS_A_CLIP, over=clock.over)
    else:
        anneal_pads(best.problem, held, hits, hot_s=WARM_S, over=clock.over)
    return best.offer(held)


def _guided(best: Best, pool: Model, clock: Clock) -> None:
    """A relaxation's bound, and a layout from it with the pads of all banks arranged together."""
    problem = best.problem
    relaxed = run_program(
        pool.program,
        relaxed=True,
        seconds=clock.left_s(0.4),
        should_stop=clock.should_stop,
        now=clock.now,
    )
    best.lift(relaxed.bound)
    if relaxed.values is None or clock.over():
        return
    held = rounded(problem, pool, relaxed.values, clock)
    if held is not None:
        anneal_pads(problem, held, home_hits(problem), over=clock.over)
        best.offer(held)


def _agree(best: Best, side: SideRun, clock: Clock) -> bool:
    """Solve again where the best layout and the side run's relaxation differ; whether it helped."""
    values = side.relaxed(wait=clock.seconds is None)
    if values is None or clock.over() or best.proved:
        return False
    held = agreed(best, side.model, values, clock)
    if held is None:
        return False
    anneal_pads(best.problem, held, home_hits(best.problem), hot_s=AGAIN_S, over=clock.over)
    return best.offer(held)


def _done(best: Best, clock: Clock) -> bool:
    return clock.over() or best.proved


def _start(best: Best, model: Model) -> dict[int, float] | None:
    if not best.feasible or best.held is None:
        return None
    return model.start(best.held, serve(best.problem, best.held))


def _follow(best: Best, guide: Model, clock: Clock, part: float, side: SideRun | None = None) -> None:
    """A layout from a relaxation, solved again where another differs, or bank by bank."""
    if guide.program.columns > TINY_COLUMNS:
        _guided(best, guide, clock)
    if side is None or not _agree(best, side, clock):
        sweep_each(best, clock, part, risk=False)
        _polish(best, clock)


def _side_by_side(
    best: Best,
    clock: Clock,
    model: Model,
    part: float,
    plan: tuple[tuple[int, bool], ...],
    guide: Model | None = None,
    exact: bool = False,
) -> None:
    """A whole model in a thread for its bound and solutions, groups of banks meanwhile.

    ``guide``: the relaxation to follow first. ``exact``: to the end; when the
    thread has come to it under a time limit, so have the groups.
    """
    limited = clock.seconds is not None
    side = SideRun(
        model,
        clock,
        # a start costs the exact run more than it spares: 1.3 to 2.3 times on six medium shows
        start=None if exact else _start(best, model),
        part=part,
        relative_gap=0.0 if exact else 2e-4,
        nodes=None if limited else EXACT_NODES if exact else SIDE_NODES,
        worth=0.0003 if exact else 0.003,
    )
    side.begin()
    try:
        if guide is not None:
            _follow(best, guide, clock, part, side)
        most = 1000 if limited else len(plan)
        if exact and _is_close(best):
            most = _groups_later(best, side, clock)
        _groups_until(best, clock, part, plan, most, side, while_it_runs=exact and limited)
    finally:
        side.end(wait=not limited or not (clock.over(part) or side.ready))
        best.lift(side.bound)
    if exact and side.infeasible:
        _raise_reason(best.problem)
    _take(best, side, clock)


def _is_close(best: Best) -> bool:
    return best.feasible and best.objective - best.bound <= CLOSE * abs(best.objective)


def _groups_later(best: Best, side: SideRun, clock: Clock) -> int:
    """How many groups of banks to try beside an exact run that may well be the quicker: none at first.

    Nor is anything taken from it before its end: what comes out must not depend on the moment.
    """
    if clock.seconds is None:
        return 0
    while not (side.ready or clock.over(ALONE)):
        side.wait()
        best.lift(side.bound)
    return 0 if side.ready else 1000


def _take(best: Best, side: SideRun, clock: Clock) -> None:
    """Turn the side run's latest solution into a layout and offer it."""
    values = side.take()
    if values is None or clock.should_stop():
        return
    held, pooled = extract(side.model, values)
    if side.model.scope.pool:
        taken = Best(best.problem)
        taken.offer(pack_pooled(best.problem, held, pooled))
        if not taken.feasible and taken.held is not None:
            sweep_each(taken, clock, 1.0, risk=False)
    else:
        taken = Best(best.problem)
        taken.offer(held)
    _polish(taken, clock)
    if taken.held is not None:
        best.offer(taken.held)


def _groups_until(
    best: Best,
    clock: Clock,
    part: float,
    plan: tuple[tuple[int, bool], ...],
    most: int,
    side: SideRun | None = None,
    while_it_runs: bool = False,
) -> None:
    """Groups of banks by a plan of sizes, with risk or without, while they help.

    ``while_it_runs``: only until the side run has come to its end.
    """

    def stop() -> bool:
        return side is not None and (side.fresh(best.cost) or (while_it_runs and side.ready))

    plan = tuple((size, risk) for size, risk in plan if 2 * size <= best.problem.banks)
    turn, idle, differ = 0, 0, False
    while idle < len(plan) and turn < most and not clock.over(part) and not best.proved:
        size, risk = plan[turn % len(plan)]
        if side is not None and differ:
            _agree(best, side, clock)
        better = sweep_groups(
            best,
            clock,
            part,
            size=size,
            turn=turn // len(plan),
            seconds=1.0 + size,
            risk=risk,
            nodes=30,
            stop=stop,
        )
        if side is not None and side.fresh(best.cost):
            before = best.cost
            _take(best, side, clock)
            best.lift(side.bound)
            better += best.cost < before - 1e-9
        better += _polish(best, clock)
        if while_it_runs and side is not None and side.ready:
            break
        idle, differ = (0, True) if better else (idle + 1, False)
        turn += 1


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
