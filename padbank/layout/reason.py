"""Why a show cannot be laid out: the smallest set of musts that clash, over which limit.

First the musts that nothing can serve. Then, with wishes put aside: which
one kind of limit must give for all musts to fit (memory, voices, rules, or
the number of pads), a set of musts from which none can be taken without the
clash going away, by how much the limit is passed, and the musts of least
value that would have to become wishes.

Functions: ``smallest_reason``. Class: ``Reason``.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from padbank.layout.model import build_model
from padbank.layout.problem import UNCLEARED, Demand, Problem
from padbank.layout.program import Outcome, run_program
from padbank.layout.scope import Model, Scope
from padbank.units import format_bytes

_PLENTY = 10**15


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why not.

    limit : ``missing``, ``pads``, ``memory``, ``voices``, ``pins``,
        ``apart``, ``together`` or ``several``
    musts : ``segment: want`` of the musts that cannot fit together
    need, have, unit : by how much (need is the least that these musts take)
    give_up : the cheapest musts to make wishes so that the rest fits
    text : for the user; when musts clash, one short line each for the limit, the amounts, the musts and the way out
    """

    limit: str
    musts: tuple[str, ...]
    need: float | None
    have: float | None
    unit: str
    give_up: tuple[str, ...]
    text: str


def _name(demand: Demand) -> str:
    return f"{demand.segment}: {demand.label}"


def _scope(problem: Problem, elastic: bool = False) -> Scope:
    return Scope(
        banks=tuple(range(problem.banks)), risk=False, new_pads=False, elastic=elastic
    )


def _cure(problem: Problem, demand: Demand) -> str:
    """What to do for a must that nothing can serve."""
    reason = problem.why_not.get(demand.label) if demand.by_clip else None
    if reason == UNCLEARED:
        return f'padbank edit {demand.label} --licence … states it, or write rights = "any" in the show, or make it a wish'
    return "mend that, or make it a wish, which then stays out" if reason else "make it a wish, or add or clear clips"


class _Tester:
    """Feasibility of sets of musts, within a time."""

    def __init__(self, problem: Problem, seconds: float) -> None:
        self.problem = problem
        self.until = time.monotonic() + seconds

    @property
    def late(self) -> bool:
        return time.monotonic() > self.until

    def run(self, problem: Problem, elastic: bool = False) -> tuple[Model, Outcome]:
        model = build_model(problem, _scope(problem, elastic))
        left = max(1.0, self.until - time.monotonic())
        gap = 1e-6 if elastic else 1e9
        return model, run_program(model.program, seconds=left, relative_gap=gap)

    def fits(self, musts: list[Demand], change: Callable[[Problem], Problem] | None = None) -> bool:
        problem = replace(self.problem, demands=tuple(musts))
        if change is not None:
            problem = change(problem)
        return not self.run(problem)[1].infeasible


def _more_memory(problem: Problem) -> Problem:
    devices = tuple(replace(d, memory_bytes=_PLENTY) for d in problem.devices)
    return replace(problem, rig=replace(problem.rig, devices=devices))


def _more_voices(problem: Problem) -> Problem:
    devices = tuple(replace(d, voices=10**6) for d in problem.devices)
    return replace(problem, rig=replace(problem.rig, devices=devices))


_KINDS: tuple[tuple[str, Callable[[Problem], Problem]], ...] = (
    ("memory", _more_memory),
    ("voices", _more_voices),
    ("pins", lambda p: replace(p, pins=())),
    ("apart", lambda p: replace(p, apart=())),
    ("together", lambda p: replace(p, together=())),
)


def _core(tester: _Tester, musts: list[Demand]) -> list[Demand]:
    """A clashing set from which no must can be taken: halves first, then one by one."""
    core = list(musts)
    step = max(1, len(core) // 2)
    while step >= 1:
        i = 0
        while i < len(core) and not tester.late:
            trial = core[:i] + core[i + step :]
            if trial and not tester.fits(trial):
                core = trial
            else:
                i += step
        if step == 1:
            break
        step = max(1, step // 2)
    return core


def _least_bytes(problem: Problem, musts: list[Demand], device: int) -> float | None:
    """The least memory that the musts take on a device, all else kept."""
    p = _more_memory(replace(problem, demands=tuple(musts)))
    model = build_model(p, _scope(p))
    program = model.program
    program.cost = [0.0] * program.columns
    program.constant = 0.0
    for (clip, d, k), column in model.version.items():
        if d == device:
            program.cost[column] = p.versions[clip][d][k].n_bytes / 1e3
    outcome = run_program(program, seconds=5.0, relative_gap=1e-6)
    return None if outcome.values is None else outcome.objective * 1e3


def _least_voices(tester: _Tester, musts: list[Demand], device: int) -> float | None:
    """The fewest voices of a device with which the musts fit, by halving."""
    low, high = tester.problem.devices[device].voices, 4096

    def with_voices(n: int) -> Callable[[Problem], Problem]:
        def change(p: Problem) -> Problem:
            devices = tuple(
                replace(d, voices=n) if i == device else d for i, d in enumerate(p.devices)
            )
            return replace(p, rig=replace(p.rig, devices=devices))

        return change

    if not tester.fits(musts, with_voices(high)):
        return None
    while high - low > 1 and not tester.late:
        middle = (low + high) // 2
        if tester.fits(musts, with_voices(middle)):
            high = middle
        else:
            low = middle
    return float(high)


def _give_up(tester: _Tester) -> tuple[str, ...]:
    """The musts of least value that have to become wishes for the others to fit."""
    problem = tester.problem
    musts = [d for d in problem.demands if d.must]
    p = replace(problem, demands=tuple(musts))
    model, outcome = tester.run(p, elastic=True)
    if outcome.values is None:
        return ()
    lost = []
    for d, demand in enumerate(musts):
        got = sum(
            1 for c in demand.clips if (d, c) in model.serves and outcome.values[model.serves[(d, c)]] > 0.5
        )
        if got < demand.count:
            lost.append(_name(demand))
    return tuple(lost)


def smallest_reason(problem: Problem, seconds: float = 20.0) -> Reason | None:
    """The smallest readable reason why no layout keeps every must, or None when one does.

    Parameters
    ----------
    seconds : how long to look for the smallest set; what is found by then is
        still a set that clashes
    """
    missing = [d for d in problem.demands if d.must and len(d.clips) < d.count]
    if missing:
        first = missing[0]
        names = tuple(_name(d) for d in missing)
        more = f" ({len(missing) - 1} more like it)" if len(missing) > 1 else ""
        return Reason(
            limit="missing",
            musts=names,
            need=None,
            have=None,
            unit="",
            give_up=names,
            text=(
                f"segment {first.segment} must have {first.label}, but "
                f"{first.absent or 'no clip can serve it'}{more}: {_cure(problem, first)}"
            ),
        )
    tester = _Tester(problem, seconds)
    musts = [d for d in problem.demands if d.must]
    if tester.fits(musts):
        return None
    kinds = [name for name, change in _KINDS if tester.fits(musts, change)]
    core = _core(tester, musts)
    clips = {c for d in core for c in d.clips[: d.count]}
    need: float | None = None
    have: float | None = None
    unit, limit, amounts = "", kinds[0] if kinds else "pads", ""
    open_pads = sum(len(problem.pads) - len(b) for b in problem.blocked)
    open_pads -= sum(len(banks) for _, banks in problem.free_controls)
    if limit == "memory":
        for d, device in enumerate(problem.devices):
            least = _least_bytes(problem, core, d)
            if least is not None and least > device.memory_bytes:
                need, have, unit = least, float(device.memory_bytes), "bytes"
                what = f"the memory of device {device.name}"
                amounts = (
                    f"at least {format_bytes(least)}; it has {format_bytes(device.memory_bytes)} "
                    f"({format_bytes(least - device.memory_bytes)} too little)"
                )
                break
        else:
            what = "the memory of the devices"
    elif limit == "voices":
        what = "voices, sounds at once"
        for d, device in enumerate(problem.devices):
            fewest = _least_voices(tester, core, d)
            if fewest is not None:
                need, have, unit = fewest, float(device.voices), "voices"
                what = f"the voices of device {device.name}, sounds at once"
                amounts = f"at least {fewest:g}; it has {device.voices}"
                break
    elif limit == "pads" and len(clips) > open_pads:
        need, have, unit = float(len(clips)), float(open_pads), "pads"
        what = "pads"
        amounts = f"{len(clips)}; all banks together have {open_pads} open"
    elif limit == "pads":
        limit = "several"
        what = "several at once: no pads are left that pads and devices allow them"
    else:
        what = {
            "pins": "pins that stand in each other's way",
            "apart": "clips that the show keeps apart",
            "together": "clips that the show keeps together",
        }[limit]
    give_up = _give_up(tester)
    names = tuple(_name(d) for d in core)
    return Reason(
        limit=limit, musts=names, need=need, have=have, unit=unit, give_up=give_up,
        text=_clash_text(what, amounts, names, give_up, len(musts)),
    )  # fmt: skip


LISTED = 8
"""Musts that are named in a text before the rest is only counted."""


def _clash_text(what: str, amounts: str, musts: Sequence[str], give_up: Sequence[str], n_musts: int) -> str:
    lines = ["these musts cannot fit together:", f"  limit:    {what}"]
    if amounts:
        lines.append(f"  needed:   {amounts}")
    lines += _listed("  musts:    ", musts)
    if len(give_up) > 1 and n_musts > len(musts):
        lines.append(f"            (these alone are too many; the show has {n_musts} musts)")
    if give_up:
        lines += _listed("  way out:  ", give_up)
        lines.append("            (the cheapest: without its must = true it is a wish)")
    return "\n".join(lines)


def _listed(head: str, names: Sequence[str]) -> list[str]:
    """A line for each ``segment: want``, the first one behind ``head``."""
    said = [f"{want} in {segment}" for segment, _, want in (n.partition(": ") for n in names[:LISTED])]
    if len(names) > LISTED:
        said.append(f"and {len(names) - LISTED} more")
    return [(" " * len(head) if i else head) + text for i, text in enumerate(said)]

