"""Better layouts by exact models of a few banks at a time, the others kept as they are.

Every step takes the best layout, frees some banks, solves that part exactly
(or as far as its node limit goes) from where it stands, and offers the result.
No step can make the layout worse.

Functions: ``improve_banks``, ``sweep_each``, ``sweep_groups``, ``pack_pooled``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from padbank.layout.best import Best, Clock
from padbank.layout.cost import Held, serve
from padbank.layout.filler import Filler
from padbank.layout.held import copy_held, extract
from padbank.layout.model import build_model
from padbank.layout.problem import Problem
from padbank.layout.program import run_program
from padbank.layout.scope import Scope, Slot
from padbank.layout.seats import arrange, home_hits


def improve_banks(
    best: Best,
    banks: tuple[int, ...],
    clock: Clock,
    *,
    risk: bool,
    seconds: float,
    nodes: int = 200,
    strangers: bool = True,
) -> bool:
    """Solve some banks again with all others kept; True when the layout got better."""
    problem, held = best.problem, best.held
    if held is None:
        return False
    whole = len(banks) == problem.banks
    scope = Scope(
        banks=banks,
        held=held,
        risk=risk,
        strangers=strangers,
        elastic=not best.feasible and not whole,
    )
    model = build_model(problem, scope)
    limit = seconds if clock.left_s() is None else min(seconds, clock.left_s() or 0.05)
    outcome = run_program(
        model.program,
        seconds=None if clock.seconds is None else limit,
        start=model.start(held, serve(problem, held)),
        nodes=nodes,
        relative_gap=1e-4 if risk else 5e-4,
        should_stop=clock.should_stop,
        now=clock.now,
    )
    if outcome.values is None:
        return False
    found, _ = extract(model, outcome.values)
    if not risk:
        hits = home_hits(problem)
        for bank in banks:
            arrange(problem, found, bank, hits)
    return best.offer(found)


def sweep_each(best: Best, clock: Clock, part: float, *, risk: bool) -> int:
    """Each bank by itself, those that lose most first; how many got better."""
    better = 0
    for bank in _dearest(best) if best.held is not None else ():
        if clock.over(part):
            break
        better += improve_banks(
            best, (bank,), clock, risk=risk, seconds=1.0, nodes=5
        )
    return better


def _losses(best: Best) -> tuple[dict[int, float], dict[tuple[int, int], float]]:
    """Cost that a bank's segments bear by hits away and wants left out, and to which banks."""
    problem, held = best.problem, best.held
    assert held is not None
    loss: dict[int, float] = dict.fromkeys(range(problem.banks), 0.0)
    ties: dict[tuple[int, int], float] = {}
    got: dict[int, float] = {}
    for s in serve(problem, held):
        demand = problem.demands[s.demand]
        got[s.demand] = got.get(s.demand, 0.0) + 1
        if s.away_hits <= 0:
            continue
        here = {b for b, _, _ in s.hits}
        for bank, part in demand.share:
            if bank not in here:
                price = demand.hits * part * problem.prices.away_hit
                loss[bank] += price
                for other, _ in held.where[s.clip]:
                    ties[(bank, other)] = ties.get((bank, other), 0.0) + price
    for d, demand in enumerate(problem.demands):
        missing = demand.count - got.get(d, 0.0)
        if missing > 0:
            for bank, part in demand.share:
                price = missing * demand.value * problem.prices.wish * part
                loss[bank] += price * (100.0 if demand.must else 1.0)
    return loss, ties


def _dearest(best: Best) -> list[int]:
    loss, _ = _losses(best)
    return sorted(loss, key=lambda b: (-loss[b], b))


def _groups(best: Best, size: int, turn: int) -> Iterable[tuple[int, ...]]:
    """Groups of banks: each dear bank with those that hold its clips, then by turns."""
    problem = best.problem
    loss, ties = _losses(best)
    order = sorted(loss, key=lambda b: (-loss[b], b))
    seen: set[tuple[int, ...]] = set()
    for bank in order:
        others = sorted(
            (b for b in range(problem.banks) if b != bank),
            key=lambda b: (
                -ties.get((bank, b), 0.0) - ties.get((b, bank), 0.0),
                (b - bank - 1 - 7 * turn) % problem.banks,
            ),
        )
        group = tuple(sorted((bank, *others[: size - 1])))
        if group not in seen:
            seen.add(group)
            yield group


def sweep_groups(
    best: Best,
    clock: Clock,
    part: float,
    *,
    size: int,
    turn: int,
    seconds: float,
    risk: bool = True,
    nodes: int = 200,
    stop: Callable[[], bool] | None = None,
) -> int:
    """Groups of banks at a time, until ``stop``; how many got better."""
    better = 0
    for group in list(_groups(best, size, turn)) if best.held is not None else ():
        if clock.over(part) or best.proved or (stop is not None and stop()):
            break
        better += improve_banks(best, group, clock, risk=risk, seconds=seconds, nodes=nodes)
    return better


def pack_pooled(problem: Problem, held: Held, pooled: list[tuple[int, Slot]]) -> Held:
    """Give pooled clips a place in banks with room, and arrange every bank."""
    result = copy_held(held)
    filler = Filler(problem, result)
    room = sorted(range(problem.banks), key=lambda b: (len(result.at[b]), b))
    for clip, _ in sorted(pooled):
        if clip not in result.where:
            any(filler.place(clip, bank) for bank in room)
    for device in range(len(problem.devices)):
        filler.grow(device)
    hits = home_hits(problem)
    for bank in range(problem.banks):
        arrange(problem, result, bank, hits)
    return result
