"""Change a layout by hand, and learn what the change costs.

``place``, ``swap`` and ``clear`` return the new layout with the change in
every term and every finding that the evaluator has. They refuse only what
cannot be written down (no such pad, a control hit in the way); what would
spoil the show is answered with findings.

Functions: ``place``, ``swap``, ``clear``. Class: ``HandChange``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from padbank.domain import Finding, Layout, Place
from padbank.errors import InputError
from padbank.layout.evaluate import Evaluation, evaluate_problem
from padbank.layout.facts import Version
from padbank.layout.problem import Problem


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


def _check_spot(problem: Problem, bank: int, pad_id: str) -> None:
    if not 1 <= bank <= problem.banks:
        raise InputError(f"there is no bank {bank}: rig {problem.rig.name} has 1 to {problem.banks}")
    pad = problem.pad_index(pad_id)
    if pad in problem.blocked[bank - 1]:
        label = problem.blocked[bank - 1][pad].label
        raise InputError(
            f"pad {pad_id} of bank {bank} holds the control hit {label!r}: choose another pad"
        )


def _at(layout: Layout, bank: int, pad_id: str) -> Place | None:
    return next((p for p in layout.places if p.bank == bank and p.pad_id == pad_id), None)


def _without(layout: Layout, *gone: Place | None) -> Layout:
    return replace(layout, places=tuple(p for p in layout.places if p not in gone))


def _with(layout: Layout, *new: Place) -> Layout:
    return replace(layout, places=tuple(sorted((*layout.places, *new))), number=0)


def _version(problem: Problem, layout: Layout, clip: int, pad: int) -> Version:
    """The version stored already on that device, else the best that fits the memory left."""
    device = problem.device_of[pad]
    name = problem.clips[clip].name
    pads = {p.pad_id: i for i, p in enumerate(problem.pads)}
    options = problem.versions[clip][device]
    if not options:
        reason = problem.why_not.get(name, f"device {problem.devices[device].name} takes no version of it")
        raise InputError(f"{name} cannot go there: {reason}")
    stored: dict[tuple[str, int, int], int] = {}
    for p in layout.places:
        if p.pad_id in pads and problem.device_of[pads[p.pad_id]] == device and p.clip in problem.index:
            v = problem.stored(problem.index[p.clip], device, p.channels, p.sample_rate_hz)
            if v is not None:
                stored[(p.clip, p.channels, p.sample_rate_hz)] = v.n_bytes
    for v in options:
        if (name, v.channels, v.sample_rate_hz) in stored:
            return v
    left = problem.devices[device].memory_bytes - sum(stored.values())
    limit = problem.byte_limit(pad)
    fit = [v for v in options if v.n_bytes <= left and (limit is None or v.n_bytes <= limit)]
    return fit[0] if fit else min(options, key=lambda v: v.n_bytes)


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


def place(problem: Problem, layout: Layout, clip: str, bank: int, pad_id: str) -> HandChange:
    """Put a clip on a pad of a bank; what was there leaves it.

    ``problem`` should be built with the clip among its clips (``layout=`` of
    the result, or wanted by the show).

    Raises
    ------
    InputError : no such clip, bank or pad, or a control hit is there.
    """
    _check_spot(problem, bank, pad_id)
    if clip not in problem.index:
        reason = problem.why_not.get(clip)
        raise InputError(
            f"{clip} cannot be placed: {reason}"
            if reason
            else f"{clip} is not wanted by this show: add a want for it, or check its name"
        )
    there = _at(layout, bank, pad_id)
    same = [p for p in layout.places if p.bank == bank and p.clip == clip]
    bare = _without(layout, there, *same)
    version = _version(problem, bare, problem.index[clip], problem.pad_index(pad_id))
    new = Place(
        bank=bank,
        pad_id=pad_id,
        clip=clip,
        channels=version.channels,
        sample_rate_hz=version.sample_rate_hz,
    )
    text = f"{clip} on {pad_id} of bank {bank}"
    if there is not None and there.clip != clip:
        text += f" in place of {there.clip}"
    return judge_change(problem, layout, _with(bare, new), text)


def swap(
    problem: Problem, layout: Layout, bank: int, pad_id: str, other_bank: int, other_pad_id: str
) -> HandChange:
    """Exchange what two places hold; one of them may be empty."""
    _check_spot(problem, bank, pad_id)
    _check_spot(problem, other_bank, other_pad_id)
    a, b = _at(layout, bank, pad_id), _at(layout, other_bank, other_pad_id)
    if a is None and b is None:
        raise InputError(
            f"both {pad_id} of bank {bank} and {other_pad_id} of bank {other_bank} are empty: "
            "there is nothing to swap"
        )
    bare = _without(layout, a, b)
    new: list[Place] = []
    for held, to_bank, to_pad in ((a, other_bank, other_pad_id), (b, bank, pad_id)):
        if held is None:
            continue
        moved = replace(held, bank=to_bank, pad_id=to_pad)
        clip = problem.index.get(held.clip)
        old_pad, new_pad = problem.pad_index(held.pad_id), problem.pad_index(to_pad)
        if clip is not None and problem.device_of[old_pad] != problem.device_of[new_pad]:
            version = _version(problem, bare, clip, new_pad)
            moved = replace(
                moved, channels=version.channels, sample_rate_hz=version.sample_rate_hz
            )
        new.append(moved)
    names = " and ".join(p.clip for p in (a, b) if p is not None)
    return judge_change(problem, layout, _with(bare, *new), f"{names} change places")


def clear(problem: Problem, layout: Layout, bank: int, pad_id: str) -> HandChange:
    """Take the clip off a pad of a bank."""
    _check_spot(problem, bank, pad_id)
    there = _at(layout, bank, pad_id)
    if there is None:
        raise InputError(f"pad {pad_id} of bank {bank} is empty already")
    return judge_change(
        problem, layout, replace(_without(layout, there), number=0), f"{there.clip} leaves {pad_id} of bank {bank}"
    )
