"""Change a layout by hand, and learn what the change costs.

``put``, ``move``, ``exchange``, ``clear`` and ``empty`` return the layout after
one step; ``judge_change`` gives the change in every term and every finding that
the evaluator has. A step is refused when it cannot be written down (no such
pad, a control hit in the way) or when no file could be loaded there (the pad
takes no version of the clip). What the rest of the layout decides (memory,
voices, a must that is missing) is answered with findings.

Functions: ``put``, ``move``, ``exchange``, ``clear``, ``empty``, ``on_rig``, ``judge_change``.
Classes: ``HandChange``, ``TermChange``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from padbank.domain import ControlPlace, Finding, Layout, Place, Rig
from padbank.errors import InputError
from padbank.layout.cost import read_layout
from padbank.layout.evaluate import Evaluation, evaluate_problem
from padbank.layout.facts import Version
from padbank.layout.limits import memory_used
from padbank.layout.padfits import class_of, versions_for
from padbank.layout.problem import Problem

Spot = tuple[int, str]
"""(bank, pad): banks count from 1"""


@dataclass(frozen=True, slots=True, kw_only=True)
class TermChange:
    """How a term changes: amounts in its unit, cost in seconds of the player's time."""

    name: str
    unit: str
    before: float
    after: float
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HandChange:
    """The layout after a change by hand, judged.

    ``cost`` is the change of the objective (above 0: worse). ``new_findings``
    are those that the layout did not have before.
    """

    layout: Layout
    evaluation: Evaluation
    terms: tuple[TermChange, ...]
    cost: float
    new_findings: tuple[Finding, ...]
    text: str


def put(problem: Problem, layout: Layout, clip: str, spot: Spot) -> Layout:
    """A clip on a pad of a bank; what was there leaves it, and so does the clip's other pad in that bank.

    ``problem`` should be built with the clip among its clips (wanted by the
    show, or in the ``layout`` given to ``build_problem``).

    Raises
    ------
    InputError : no such clip, bank or pad, a control hit is there, or the pad takes no version of the clip
    """
    _check_spot(problem, spot)
    _no_control(problem, layout, spot)
    if clip not in problem.index:
        reason = problem.why_not.get(clip)
        raise InputError(
            f"{clip} cannot be placed: {reason}"
            if reason
            else f"{clip} is not wanted by this show: add a want for it, or check its name"
        )
    same = [p for p in layout.places if p.bank == spot[0] and p.clip == clip]
    bare = _without(layout, _at(layout, spot), *same)
    return _with(bare, _fitted(problem, layout, bare, clip, spot))


def move(problem: Problem, layout: Layout, spot: Spot, to: Spot) -> Layout:
    """What lies on a pad to another one; the clip that lies there comes back in exchange.

    Raises
    ------
    InputError : as ``put``, and where there is nothing to move
    """
    _check_spot(problem, spot)
    if _at(layout, spot) is not None:
        _check_spot(problem, to)
        _no_control(problem, layout, to)
    elif _control(problem, layout, spot) is None:
        raise InputError(f"pad {spot[1]} of bank {spot[0]} is empty: there is nothing to move")
    return exchange(problem, layout, spot, to)


def exchange(problem: Problem, layout: Layout, spot: Spot, other: Spot) -> Layout:
    """What two places hold changes over; one of them may be empty.

    Raises
    ------
    InputError : as ``put``; both are empty; or a control hit would leave its own pad or its bank
    """
    _check_spot(problem, spot)
    _check_spot(problem, other)
    if spot == other:
        return layout
    ends = ((spot, other), (other, spot))
    held = [_at(layout, s) for s, _ in ends]
    hits = [_control(problem, layout, s) for s, _ in ends]
    if not any(held) and not any(hits):
        raise InputError(
            f"both {spot[1]} of bank {spot[0]} and {other[1]} of bank {other[0]} are empty: there is nothing to exchange"
        )
    for hit in hits:
        if hit is not None:
            _may_move(problem, hit, same_bank=spot[0] == other[0])
    controls = [c for c in layout.controls if c not in hits]
    controls += [replace(h, pad_id=to[1]) for h, (_, to) in zip(hits, ends, strict=True) if h is not None]
    bare = replace(_without(layout, *held), controls=tuple(sorted(controls)), number=0)
    new = [_fitted(problem, layout, bare, p.clip, to) for p, (_, to) in zip(held, ends, strict=True) if p is not None]
    return _with(bare, *new)


def clear(problem: Problem, layout: Layout, spot: Spot) -> Layout:
    """Take the clip off a pad of a bank, be it one that the rig has no longer.

    Raises
    ------
    InputError : no such place, a control hit is there, or it is empty already
    """
    there = _at(layout, spot)
    if there is None or on_rig(problem.rig, spot):
        _check_spot(problem, spot)
        _no_control(problem, layout, spot)
    if there is None:
        raise InputError(f"pad {spot[1]} of bank {spot[0]} is empty already")
    return replace(_without(layout, there), number=0)


def empty(problem: Problem, layout: Layout, bank: int) -> Layout:
    """Take every clip off a bank; its control hits stay."""
    _check_bank(problem, bank)
    return replace(layout, places=tuple(p for p in layout.places if p.bank != bank), number=0)


def on_rig(rig: Rig, spot: Spot) -> bool:
    """Whether the rig has this bank and pad; a layout from before a change of the rig may name others."""
    return 1 <= spot[0] <= rig.banks and any(p.pad_id == spot[1] for p in rig.pads)


def _check_bank(problem: Problem, bank: int) -> None:
    if not 1 <= bank <= problem.banks:
        raise InputError(f"there is no bank {bank}: rig {problem.rig.name} has banks 1 to {problem.banks}")


def _check_spot(problem: Problem, spot: Spot) -> None:
    _check_bank(problem, spot[0])
    problem.pad_index(spot[1])


def _at(layout: Layout, spot: Spot) -> Place | None:
    return next((p for p in layout.places if (p.bank, p.pad_id) == spot), None)


def _control(problem: Problem, layout: Layout, spot: Spot) -> ControlPlace | None:
    """The control hit on a pad, with a pad of its own in the rig or put there by the planner."""
    own = problem.blocked[spot[0] - 1].get(problem.pad_index(spot[1]))
    if own is not None:
        return ControlPlace(bank=spot[0], pad_id=spot[1], label=own.label)
    return next((c for c in layout.controls if (c.bank, c.pad_id) == spot), None)


def _no_control(problem: Problem, layout: Layout, spot: Spot) -> None:
    hit = _control(problem, layout, spot)
    if hit is not None:
        raise InputError(f"pad {spot[1]} of bank {spot[0]} holds the control hit {hit.label}: choose another pad")


def _may_move(problem: Problem, hit: ControlPlace, *, same_bank: bool) -> None:
    where = f"the control hit {hit.label} on pad {hit.pad_id} of bank {hit.bank}"
    if problem.pad_index(hit.pad_id) in problem.blocked[hit.bank - 1]:
        raise InputError(f"{where} has that pad of its own: choose another pad, or change it in the rig's file")
    if not same_bank:
        raise InputError(f"{where} belongs to that bank: choose another pad of bank {hit.bank}")


def _without(layout: Layout, *gone: Place | None) -> Layout:
    return replace(layout, places=tuple(p for p in layout.places if p not in gone))


def _with(layout: Layout, *new: Place) -> Layout:
    return replace(layout, places=tuple(sorted((*layout.places, *new))), number=0)


def _fitted(problem: Problem, before: Layout, bare: Layout, clip: str, spot: Spot) -> Place:
    """A clip on a pad, in the version that the pad's device holds already, else the best that the memory left takes.

    ``before`` is the layout that the step began from, ``bare`` the one without what the step moves.
    """
    pad = problem.pads[problem.pad_index(spot[1])]
    if clip not in problem.index:
        raise InputError(f"{clip} is not in the library any more: clear its pad")
    facts = problem.clips[problem.index[clip]]
    fits, _, refused = versions_for(problem.rig, facts, class_of(problem.rig, pad))
    if refused is not None:
        raise InputError(f"{clip} cannot go on pad {pad.pad_id}: {refused}; trim it, or choose another pad")
    device = problem.device_of[problem.pad_index(pad.pad_id)]
    held = {(p.channels, p.sample_rate_hz) for p in _on_device(problem, before, device) if p.clip == clip}
    version = next((v for v in fits if (v.channels, v.sample_rate_hz) in held), None) or _best(problem, bare, device, fits)
    return Place(
        bank=spot[0], pad_id=pad.pad_id, clip=clip, channels=version.channels, sample_rate_hz=version.sample_rate_hz
    )


def _on_device(problem: Problem, layout: Layout, device: int) -> list[Place]:
    pads = {p.pad_id for p, d in zip(problem.pads, problem.device_of, strict=True) if d == device}
    return [p for p in layout.places if p.pad_id in pads]


def _best(problem: Problem, bare: Layout, device: int, fits: list[Version]) -> Version:
    """The version of least loss that the memory left takes; the smallest where none fits."""
    left = problem.devices[device].memory_bytes - memory_used(problem, read_layout(problem, bare), device)
    return next((v for v in fits if v.n_bytes <= left), min(fits, key=lambda v: v.n_bytes))


def judge_change(problem: Problem, before: Layout, after: Layout, text: str) -> HandChange:
    """What a change does to every term, and the findings that it brings."""
    old, new = evaluate_problem(problem, before), evaluate_problem(problem, after)
    terms = tuple(
        TermChange(name=a.name, unit=a.unit, before=a.amount, after=b.amount, cost=b.cost - a.cost)
        for a, b in zip(old.terms, new.terms, strict=True)
    )
    known = set(old.findings)
    return HandChange(
        layout=after,
        evaluation=new,
        terms=terms,
        cost=new.objective - old.objective,
        new_findings=tuple(f for f in new.findings if f not in known),
        text=text,
    )
