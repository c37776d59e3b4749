"""Layouts from a relaxation of the whole show: what it settles is kept, the rest is solved exactly.

A linear relaxation places most clips whole and leaves few torn between banks
or pads. ``rounded`` keeps what it places whole and solves what it leaves open.
``agreed`` keeps what the relaxation and the best layout so far say alike, and
solves again where they differ: that is where a better layout hides (a
relaxation-induced neighbourhood; Danna, Rothberg and Le Pape 2005, title and
year from memory).

Both give clips places by kinds of pads; the pads themselves are arranged
afterwards (``anneal_pads``).

Functions: ``rounded``, ``agreed``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from padbank.layout.best import Best, Clock
from padbank.layout.cost import Held, serve
from padbank.layout.held import extract
from padbank.layout.model import build_model
from padbank.layout.problem import Problem
from padbank.layout.program import run_program
from padbank.layout.scope import Model, Scope
from padbank.layout.seats import arrange, home_hits

ROUNDING_NODES = 40
ROUNDING_GAP = 2e-3
"""branch-and-bound nodes and relative gap that end a relaxation's rounding"""
AGREED_NODES = 20
AGREED_GAP = 5e-4
AGREED_S = 16.0
"""nodes, relative gap and, with a time limit, seconds that end a run of what is not agreed on"""
SOME = 1e-6
"""parts of a relaxation below this are none, above one less this are all"""


def _asked(problem: Problem) -> set[tuple[int, int]]:
    """Clips and banks whose segments ask for them."""
    return {(c, b) for d in problem.demands for c in d.clips for b, _ in d.share}


def _meet(problem: Problem, pool: Model, values: np.ndarray) -> set[tuple[int, int]]:
    """Clips and banks that a relaxation brings together, and any bank for a clip it leaves homeless."""
    asked = _asked(problem)
    everything = range(problem.banks)
    meet = set()
    at_home: dict[int, float] = {}
    for (clip, bank, _), column in pool.x.items():
        if values[column] > SOME:
            meet.add((clip, bank))
            if (clip, bank) in asked:
                at_home[clip] = at_home.get(clip, 0.0) + float(values[column])
    anywhere = {clip for (clip, _), column in pool.pooled.items() if values[column] > SOME}
    anywhere |= {c for d in problem.demands if d.must for c in d.clips}
    for clip in anywhere:
        if at_home.get(clip, 0.0) < 1.0 - SOME:
            meet |= {(clip, bank) for bank in everything if (clip, bank) not in asked}
    meet |= {(clip, bank) for clip, spots in problem.known.items() for bank, _ in spots}
    return meet


def rounded(problem: Problem, pool: Model, values: np.ndarray, clock: Clock) -> Held | None:
    """A layout from a pooled relaxation's values; musts may be missed.

    A clip that the relaxation places whole in a bank of its own stays there,
    one that it keeps out of a bank stays out; the rest, and a bank for every
    clip that has none, is a small program with all hard limits.
    """
    asked = _asked(problem)
    scope = Scope(
        banks=tuple(range(problem.banks)),
        risk=False,
        new_pads=False,
        elastic=True,
        only=frozenset(_meet(problem, pool, values)),
    )
    model = build_model(problem, scope)
    low, high = model.program.low, model.program.high
    for (clip, bank, slot), column in model.x.items():
        if (clip, bank) in asked:
            there = pool.x.get((clip, bank, slot))
            x = 0.0 if there is None else float(values[there])
            if x > 1.0 - SOME:
                low[column] = 1.0
            elif x < SOME and low[column] < 1.0:
                high[column] = 0.0
    outcome = run_program(
        model.program,
        relative_gap=ROUNDING_GAP,
        nodes=ROUNDING_NODES,
        seconds=clock.left_s(0.5),
        should_stop=clock.should_stop,
        now=clock.now,
    )
    return None if outcome.values is None else _arranged(model, outcome.values)


def agreed(best: Best, relaxation: Model, values: np.ndarray, clock: Clock) -> Held | None:
    """The best layout solved again where a relaxation's values differ from it."""
    problem, held = best.problem, best.held
    if held is None or not best.feasible:
        return None
    asked = _asked(problem)
    meet = asked | {(clip, bank) for clip, spots in held.where.items() for bank, _ in spots}
    homeless = {
        clip
        for clip in range(len(problem.clips))
        if all((clip, bank) not in asked for bank, _ in held.where.get(clip, ()))
    }
    homeless &= {clip for (clip, _), column in relaxation.pooled.items() if values[column] > SOME}
    meet |= {(clip, bank) for clip in homeless for bank in range(problem.banks)}
    scope = replace(relaxation.scope, pool=False, only=frozenset(meet))
    model = build_model(problem, scope)
    start = model.start(held, serve(problem, held))
    low, high = model.program.low, model.program.high
    theirs = _names(relaxation)
    for name, column in _names(model).items():
        other = theirs.get(name)
        if other is not None and abs(float(values[other]) - start[column]) < SOME:
            low[column] = high[column] = start[column]
    left = clock.left_s()
    outcome = run_program(
        model.program,
        start=start,
        relative_gap=AGREED_GAP,
        nodes=AGREED_NODES,
        seconds=None if left is None else min(AGREED_S, 0.33 * left),
        should_stop=clock.should_stop,
        now=clock.now,
    )
    return None if outcome.values is None else _arranged(model, outcome.values)


def _names(model: Model) -> dict[object, int]:
    """The whole variables that two models of one problem share, by what they mean."""
    named: dict[object, int] = {}
    named.update((("in", key), column) for key, column in model.x.items())
    named.update((("version", key), column) for key, column in model.version.items())
    named.update((("serves", key), column) for key, column in model.serves.items())
    named.update((("control", key), column) for key, column in model.control.items())
    return named


def _arranged(model: Model, values: np.ndarray) -> Held:
    problem = model.problem
    held, _ = extract(model, values)
    hits = home_hits(problem)
    for bank in range(problem.banks):
        arrange(problem, held, bank, hits)
    return held
