"""Layouts from the command line: why, place, swap, clear, compare, and what moved.

Each step by hand is judged by the planner's own evaluator and kept as a new
numbered layout; the bound of the last plan stands beside it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from padbank.domain import Layout, Place, Rig
from padbank.errors import InputError
from padbank.layout import hand
from padbank.layout.diff import Change, diff_layouts
from padbank.layout.evaluate import evaluate_problem
from padbank.layout.explain import Why
from padbank.layout.hand import HandChange
from padbank.layout.plain import PlainWay, compare_plain
from padbank.layout.problem import Problem, build_problem
from padbank.store.library import Library
from padbank.workflow.arrange import Board, explain, keep_step, read_board
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


def _problem(board: Board) -> Problem:
    return build_problem(board.rig, board.show, board.facts, board.known, layout=board.layout)


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
    problem = _problem(board)
    if clip is not None and clip not in problem.index and clip not in problem.why_not:
        wish = replace(board.layout, places=(*board.layout.places, _anywhere(board, clip)))
        problem = build_problem(board.rig, board.show, board.facts, board.known, layout=wish)
    change = step(problem, board.layout, board.rig)
    layout = keep_step(library, board, board.layout.number, change.layout)
    return Changed(layout=layout, rig=board.rig, change=change, bound=_last_bound(library, board.show.name))


def _anywhere(board: Board, clip: str) -> Place:
    """Some place for a clip, so that the problem takes it among its clips."""
    version = board.facts[clip].versions[0]
    return Place(
        bank=1, pad_id=board.rig.pads[0].pad_id, clip=clip, channels=version.channels, sample_rate_hz=version.sample_rate_hz
    )


def place(clip: str, bank: int, pad: str) -> Callable[[Problem, Layout, Rig], HandChange]:
    return lambda problem, layout, rig: hand.place(problem, layout, clip, bank, full_pad_id(rig, pad))


def swap(bank: int, pad: str, other_bank: int, other_pad: str) -> Callable[[Problem, Layout, Rig], HandChange]:
    def step(problem: Problem, layout: Layout, rig: Rig) -> HandChange:
        here, there = full_pad_id(rig, pad), full_pad_id(rig, other_pad)
        if (bank, here) == (other_bank, there):
            raise InputError(f"bank {bank}, pad {here} is named twice: name two pads to exchange")
        return hand.swap(problem, layout, bank, here, other_bank, there)

    return step


def clear(bank: int, pad: str) -> Callable[[Problem, Layout, Rig], HandChange]:
    return lambda problem, layout, rig: hand.clear(problem, layout, bank, full_pad_id(rig, pad))


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
    problem = _problem(board)
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
