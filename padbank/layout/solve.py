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
from padbank.layout.cost import Term, read_layout, serve
from padbank.layout.evaluate import LeftOut
from padbank.layout.first import first_layout
from padbank.layout.held import arrange, extract, home_hits
from padbank.layout.improve import pack_pooled, settle, sweep_each, sweep_groups
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
"""beyond this many the bound leaves out the price of a clip's second pad"""
TINY_COLUMNS = 1_500
"""up to this many, straight away"""
EXACT_NODES = 20_000
"""branch-and-bound nodes of the exact finish when no time limit is set"""


def run_stages(best: Best, clock: Clock, progress: Progress = silent) -> None:
    """First layout, then bound and layout side by side, exact finish.

    A model of the whole show runs in a thread of its own (HiGHS works outside
    Python's lock) while banks are improved one by one and in groups.
    """
    problem = best.problem
    everything = tuple(range(problem.banks))
    progress(0, 5, "first layout")
    best.offer(first_layout(problem))
    if problem.known:
        best.offer(first_layout(problem, keep_known=True))
    best.first_s, best.first_cost = clock.spent_s, best.objective

    progress(1, 5, "who goes to which bank")
    pool = build_model(problem, Scope(banks=everything, risk=False, pool=True, new_pads=False))
    columns = pool.program.columns
    if columns > EXACT_COLUMNS:  # no exact finish will lift the bound later: all of it now
        plainer = Scope(banks=everything, risk=False, pool=True, new_pads=False, voices=False)
        _guided(best, build_model(problem, plainer), clock)
        _guided(best, pool, clock)
        if columns <= FULL_COLUMNS:
            pool = build_model(problem, Scope(banks=everything, risk=False, pool=True))
    small, tiny = columns <= EXACT_COLUMNS, columns <= TINY_COLUMNS
    share = 0.1 if tiny else 0.3 if small else 0.9
    _side_by_side(best, clock, pool, share, ((2, False), (3, False)), sweep=True)
    if small and not tiny and not _done(best, clock):
        progress(2, 5, "all banks at once, and in groups")
        plain = build_model(problem, Scope(banks=everything, risk=False))
        _side_by_side(best, clock, plain, 0.9, ((4, False), (3, True), (5, False)))
    if small and not _done(best, clock):
        progress(3, 5, "exact model")
        _exact_stage(best, clock)
    elif not _done(best, clock):
        progress(3, 5, "groups of banks")
        _groups_until(best, clock, 1.0, ((2, True), (3, False)), most=2)
    progress(5, 5, "done")


def _guided(best: Best, model: Model, clock: Clock) -> None:
    """A quick relaxation: a bound at once, and a layout that follows it."""
    problem = best.problem
    outcome = run_program(
        model.program,
        relaxed=True,
        seconds=clock.left_s(0.4),
        should_stop=clock.should_stop,
        now=clock.now,
    )
    best.lift(outcome.bound)
    if outcome.values is None:
        return
    parts: dict[tuple[int, int], float] = {}
    for (clip, bank, _), column in model.x.items():
        if outcome.values[column] > 1e-6:
            parts[(clip, bank)] = parts.get((clip, bank), 0.0) + float(outcome.values[column])
    most: dict[tuple[int, int], tuple[float, int]] = {}
    for (clip, device, k), column in model.version.items():
        most[(clip, device)] = max(
            most.get((clip, device), (0.0, 0)), (float(outcome.values[column]), -k)
        )
    versions = {
        (clip, device): problem.versions[clip][device][-k]
        for (clip, device), (part, k) in most.items()
        if part > 0
    }
    best.offer(first_layout(problem, guide=(parts, versions)))


def _done(best: Best, clock: Clock) -> bool:
    return clock.over() or best.proved


def _start(best: Best, model: Model) -> dict[int, float] | None:
    if not best.feasible or best.held is None:
        return None
    return model.start(best.held, serve(best.problem, best.held))


def _side_by_side(
    best: Best,
    clock: Clock,
    model: Model,
    part: float,
    plan: tuple[tuple[int, bool], ...],
    sweep: bool = False,
) -> None:
    """A whole model in a thread for its bound and solutions, groups of banks meanwhile."""
    side = SideRun(model, clock, start=_start(best, model), part=part)
    side.begin()
    limited = clock.seconds is not None
    try:
        if sweep:
            sweep_each(best, clock, part, risk=False)
        _groups_until(best, clock, part, plan, most=1000 if limited else len(plan), side=side)
    finally:
        side.end(wait=not limited or not (clock.over(part) or side.ready))
        best.lift(side.bound)
    _take(best, side, clock)


def _take(best: Best, side: SideRun, clock: Clock) -> None:
    """Turn the side run's latest solution into a layout and offer it."""
    values = side.take()
    if values is None or clock.should_stop():
        return
    held, pooled = extract(side.model, values)
    hits = home_hits(best.problem)
    for bank in range(best.problem.banks):
        arrange(best.problem, held, bank, hits)
    if not side.model.scope.pool:
        best.offer(held)
        return
    best.offer(pack_pooled(best.problem, held, pooled))
    settled = settle(best.problem, side.model, values, clock)
    if settled is not None:
        best.offer(settled)


def _groups_until(
    best: Best,
    clock: Clock,
    part: float,
    plan: tuple[tuple[int, bool], ...],
    most: int,
    side: SideRun | None = None,
) -> None:
    """Groups of banks by a plan of sizes, with risk or without, while they help."""
    plan = tuple((size, risk) for size, risk in plan if 2 * size <= best.problem.banks)
    turn, idle = 0, 0
    while idle < len(plan) and turn < most and not clock.over(part) and not best.proved:
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
            stop=lambda: side is not None and side.fresh(best.cost),
        )
        if side is not None and side.fresh(best.cost):
            before = best.cost
            _take(best, side, clock)
            best.lift(side.bound)
            better += best.cost < before - 1e-9
        idle = 0 if better else idle + 1
        turn += 1


def _exact_stage(best: Best, clock: Clock) -> None:
    """The whole model with risk, from the best layout so far, to its end."""
    problem = best.problem
    model = build_model(problem, Scope(banks=tuple(range(problem.banks))))
    outcome = run_program(
        model.program,
        seconds=clock.left_s(),
        start=_start(best, model),
        nodes=None if clock.seconds is not None else EXACT_NODES,
        should_stop=clock.should_stop,
        now=clock.now,
    )
    if outcome.infeasible:
        _raise_reason(problem)
    best.lift(outcome.bound)
    if outcome.values is not None:
        held, _ = extract(model, outcome.values)
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
