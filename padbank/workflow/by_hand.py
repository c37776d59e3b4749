"""Layouts from the command line: why, place, swap, clear, compare, and what moved.

Each step by hand is judged by the planner's own evaluator and kept as a new
numbered layout; the bound of the last plan stands beside it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from padbank.domain import Layout, Rig
from padbank.errors import InputError
from padbank.layout import hand
from padbank.layout.diff import Change, diff_layouts
from padbank.layout.evaluate import evaluate_problem
from padbank.layout.explain import Why
from padbank.layout.hand import HandChange
from padbank.layout.plain import PlainWay, compare_plain
from padbank.layout.problem import Problem, build_problem
from padbank.store.library import Library
from padbank.workflow.arrange import explain, keep_step, problem_of, read_board
from padbank.workflow.facts import clip_facts
from padbank.workflow.plan import newest_layout

__all__ = [
    "Change", "Changed", "Compared", "HandChange", "PlainWay", "Why", "change_by_hand", "clear", "compare", "diff",
    "full_pad_id", "place", "swap", "why_clip",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Changed:
    """A step by hand: the kept layout, what the step does, and the bound of the last plan (None: never planned)."""

    layout: Layout
    rig: Rig
    change: HandChange
    bound: float | None


def full_pad_id(rig: Rig, given: str) -> str:
    """``surface/number`` for what a person typed; the number alone will do when only one pad has it.

    Raises
    ------
    InputError
        naming the pads that it could be
    """
    if "/" in given:
        return rig.pad(given).pad_id
    fits = [p.pad_id for p in rig.pads if str(p.number) == given]
    if len(fits) == 1:
        return fits[0]
    choice = ", ".join(fits or [p.pad_id for p in rig.pads])
    raise InputError(f"pad {given!r}: {'which of' if fits else 'there is no such pad; use one of'} {choice}")


def change_by_hand(library: Library, name: str, step: Callable[[Problem, Layout, Rig], HandChange], clip: str | None = None) -> Changed:
    """Judge and keep one step by hand.

    Parameters
    ----------
    step : makes the change from the problem, the newest layout and the rig
    clip : a clip that the step brings in, wanted by the show or not

    Raises
    ------
    InputError
        when the step cannot be written down (no such pad, a control hit there)
    """
    board = read_board(library, name)
    if clip is not None and clip not in board.facts:
        found = library.clip(clip)
        board = replace(board, facts={**board.facts, **clip_facts(library, [found], board.rig)})
    if board.layout.number == 0:
        newest_layout(library, board.show.name)  # says what to do when there is none
    change = step(problem_of(board, clip), board.layout, board.rig)
    layout = keep_step(library, board, board.layout.number, change.layout)
    return Changed(layout=layout, rig=board.rig, change=change, bound=_last_bound(library, board.show.name))


def place(clip: str, bank: int, pad: str) -> Callable[[Problem, Layout, Rig], HandChange]:
    def step(problem: Problem, layout: Layout, rig: Rig) -> HandChange:
        spot = (bank, full_pad_id(rig, pad))
        after = hand.put(problem, layout, clip, spot)
        return hand.judge_change(problem, layout, after, f"{clip} on {spot[1]} of bank {bank}{_instead(layout, spot, clip)}")

    return step


def _instead(layout: Layout, spot: hand.Spot, clip: str) -> str:
    there = _clip_at(layout, spot)
    return f" in place of {there}" if there not in (None, clip) else ""


def _clip_at(layout: Layout, spot: hand.Spot) -> str | None:
    return next((p.clip for p in layout.places if (p.bank, p.pad_id) == spot), None)


def _held_at(layout: Layout, spot: hand.Spot) -> str | None:
    """The clip or control hit on a pad."""
    control = next((c.label for c in layout.controls if (c.bank, c.pad_id) == spot), None)
    return _clip_at(layout, spot) or control


def swap(bank: int, pad: str, other_bank: int, other_pad: str) -> Callable[[Problem, Layout, Rig], HandChange]:
    def step(problem: Problem, layout: Layout, rig: Rig) -> HandChange:
        here, there = (bank, full_pad_id(rig, pad)), (other_bank, full_pad_id(rig, other_pad))
        if here == there:
            raise InputError(f"bank {bank}, pad {here[1]} is named twice: name two pads to exchange")
        after = hand.exchange(problem, layout, here, there)
        both = [name for spot in (here, there) if (name := _held_at(layout, spot))]
        alone = here if _held_at(layout, there) else there
        text = f"{both[0]} and {both[1]} change places" if len(both) == 2 else f"{both[0]} goes to {alone[1]} of bank {alone[0]}"
        return hand.judge_change(problem, layout, after, text)

    return step


def clear(bank: int, pad: str) -> Callable[[Problem, Layout, Rig], HandChange]:
    def step(problem: Problem, layout: Layout, rig: Rig) -> HandChange:
        spot = (bank, _lost_pad(layout, rig, bank, pad) or full_pad_id(rig, pad))
        after = hand.clear(problem, layout, spot)
        return hand.judge_change(problem, layout, after, f"{_clip_at(layout, spot)} leaves {spot[1]} of bank {bank}")

    return step


def _lost_pad(layout: Layout, rig: Rig, bank: int, given: str) -> str | None:
    """The pad that was meant, where a clip lies on one that the rig has no longer."""
    lost = [p.pad_id for p in layout.places if p.bank == bank and not hand.on_rig(rig, (p.bank, p.pad_id))]
    return next((p for p in lost if given in (p, p.rpartition("/")[2])), None)


def _last_bound(library: Library, show: str) -> float | None:
    for number in reversed(library.catalogue.layout_numbers(show)):
        found = library.catalogue.layout(show, number)
        if found and found[1].get("by") == "plan":
            return float(found[1]["bound"])
    return None


def why_clip(library: Library, name: str, clip: str) -> Why:
    """Why a clip sits where it sits, or why it was left out."""
    board = read_board(library, name)
    newest_layout(library, board.show.name)
    return explain(board, library.clip(clip).name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """The newest layout beside two plain ways, on the same evaluator."""

    layout: int
    objective: float
    errors: int
    ways: tuple[PlainWay, ...]


def compare(library: Library, name: str) -> Compared:
    """Judge the newest layout and the two plain ways."""
    board = read_board(library, name)
    newest_layout(library, board.show.name)
    problem = problem_of(board)
    ours = evaluate_problem(problem, board.layout)
    fresh = build_problem(board.rig, board.show, board.facts, board.known)
    return Compared(
        layout=board.layout.number,
        objective=ours.objective,
        errors=sum(f.severity == "error" for f in ours.findings),
        ways=compare_plain(fresh),
    )


def diff(library: Library, name: str, old: str) -> tuple[Layout, Layout, tuple[Change, ...]]:
    """What moved from an older layout (a number, or another show's name) to the newest, and why."""
    board = read_board(library, name)
    new = newest_layout(library, board.show.name)
    before = newest_layout(library, board.show.name, int(old)) if old.isdigit() else newest_layout(library, old)
    return before, new, diff_layouts(before, new, board.show)
