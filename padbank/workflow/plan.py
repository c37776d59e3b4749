"""``plan``: which clip sits under which pad of which bank, with its proof; numbered and kept.

The hands' known layout is that of the show named by ``like``, else the show's
own newest layout. The same library, show and rig give the same layout; one
that is the same as the newest is not numbered again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from padbank.domain import Finding, Layout, Place, Rig, Show
from padbank.errors import InputError
from padbank.layout.cost import Term
from padbank.layout.evaluate import Evaluation, LeftOut, evaluate_problem
from padbank.layout.facts import ClipFacts
from padbank.layout.problem import Problem, build_problem
from padbank.layout.rigcheck import check_rig
from padbank.layout.showcheck import check_show
from padbank.progress import Progress, silent
from padbank.store.library import Library
from padbank.workflow.facts import clip_facts
from padbank.workflow.shows import OpenShow, open_show

if TYPE_CHECKING:
    from padbank.layout.solve import PlanResult

__all__ = [
    "Judged", "LeftOut", "Planned", "Term", "by_bank", "facts_for", "judge", "keep_layout", "known_layout",
    "moved_places", "newest_layout", "plan", "wanted_clips", "why_left_out",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A plan as kept: the solver's result, the layout with its number, every finding."""

    opened: OpenShow
    result: PlanResult
    layout: Layout
    facts: dict[str, ClipFacts]
    moved: frozenset[tuple[int, str]]
    """(bank, pad) of clips that are not where the hands know them"""
    findings: tuple[Finding, ...]
    meanwhile: str = ""
    """what somebody else changed while the planner ran, and what became of it; empty when nothing"""


def wanted_clips(opened: OpenShow) -> dict[str, Any]:
    """The library's clips that the show could place: named, pinned or tagged."""
    names = {w.clip for s in opened.show.segments for w in s.wants if w.clip}
    names |= {p.clip for p in opened.show.pins}
    tags = {w.tag for s in opened.show.segments for w in s.wants if w.tag}
    return {n: c for n, c in opened.clips.items() if n in names or tags & set(c.tags)}


def facts_for(library: Library, opened: OpenShow, progress: Progress = silent) -> dict[str, ClipFacts]:
    return clip_facts(
        library, wanted_clips(opened).values(), opened.rig, uses=library.catalogue.uses(), progress=progress
    )


def known_layout(library: Library, show: Show) -> Layout | None:
    """The layout that the hands know: of the show named by ``like``, else the show's own newest."""
    for name in (show.like, show.name):
        if name and (found := library.catalogue.layout(name)):
            return found[0]
    return None


LOOK_BACK = 40
"""Layouts of a show that are looked through for the last one that was planned."""


def hands_know(library: Library, show: Show, layout: Layout) -> Layout | None:
    """The layout of the show named by ``like``, else the one that the last plan up to ``layout`` started from.

    Steps by hand since that plan do not change it, so that their costs compare.
    """
    if show.like:
        like = library.catalogue.layout(show.like)
        return like[0] if like else None
    if layout.number == 0:
        return known_layout(library, show)
    numbers = [n for n in library.catalogue.layout_numbers(show.name) if n <= layout.number]
    for index in range(len(numbers) - 1, max(-1, len(numbers) - 1 - LOOK_BACK), -1):
        found = library.catalogue.layout(show.name, numbers[index])
        if not found or found[1].get("by") != "plan":
            continue
        before = found[1].get("known", numbers[index - 1] if index else None)
        known = library.catalogue.layout(show.name, before) if before is not None else None
        return known[0] if known else None
    return None


def plan(
    library: Library,
    name: str,
    *,
    seconds: float | None = None,
    fresh: bool = False,
    go_on: bool = False,
    progress: Progress = silent,
    should_stop: Callable[[], bool] = lambda: False,
    watch: Callable[[float, float], None] | None = None,
) -> Planned:
    """Lay out a show and keep the layout.

    Parameters
    ----------
    seconds : stop after so long with the best layout so far; None: until proved
    fresh : pay no heed to what the hands know
    go_on : begin with the show's newest layout and what the hands knew before
        it, so that what comes out is never worse
    watch : told the best cost and bound so far while the planner works

    Raises
    ------
    InputError, ConfigError
        when the show or rig cannot be read or has an error that forbids planning
    PlanError
        when the musts cannot all be placed; the text gives the smallest reason
    """
    from padbank.layout.solve import solve  # only planning needs the solver, which is slow to load

    opened = open_show(library, name)
    text, numbers = opened.path.read_bytes(), library.catalogue.layout_numbers(opened.show.name)
    if not opened.show.pins and not any(s.wants for s in opened.show.segments):
        raise InputError(
            f"show {opened.show.name} wants nothing yet: write the clips or tags that you want into {opened.path}, then plan"
        )
    doubts = [*check_rig(opened.rig), *check_show(opened.show, opened.rig, opened.clips)]
    facts = facts_for(library, opened, progress)
    newest = library.catalogue.layout(opened.show.name) if go_on else None
    start = newest[0] if newest and newest[0].rig == opened.rig.name else None
    known = known_layout(library, opened.show) if start is None else hands_know(library, opened.show, start)
    if fresh:
        known = None
    result = solve(
        opened.rig, opened.show, facts, known, start=start, seconds=seconds, progress=progress,
        should_stop=should_stop, watch=watch,
    )  # fmt: skip
    layout, beside = _keep_plan(library, result, known, numbers)
    if opened.path.is_file() and opened.path.read_bytes() != text:
        beside.append(f"{opened.path.name} was changed while this was planned: it holds for the show as it was, so plan again.")
    return Planned(
        opened=opened,
        result=replace(result, layout=layout),
        layout=layout,
        facts=facts,
        moved=moved_places(layout, known),
        findings=tuple(dict.fromkeys([*doubts, *result.findings])),
        meanwhile=" ".join(beside),
    )


def _keep_plan(library: Library, result: PlanResult, known: Layout | None, before: Sequence[int]) -> tuple[Layout, list[str]]:
    """Keep a plan; and what to say of layouts that were made while it ran: they are kept too, before it."""
    with library.catalogue.atomic():
        made = [n for n in library.catalogue.layout_numbers(result.layout.show) if n not in before]
        layout = keep_layout(library, result.layout, result, known)
    others = [str(n) for n in made if n != layout.number]
    if not others:
        return layout, []
    each = f"layout {others[0]} was" if len(others) == 1 else f"layouts {', '.join(others)} were"
    kept = "it is" if len(others) == 1 else "they are"
    return layout, [f"{each} made elsewhere while this was planned: {kept} kept, and layout {layout.number} is the newest now."]


def keep_layout(
    library: Library, layout: Layout, result: PlanResult | None, known: Layout | None = None
) -> Layout:
    """Number and keep a layout, unless it is the same as the newest one and nothing more is known of it."""
    with library.catalogue.atomic():
        return _keep_layout(library, layout, result, known)


def _keep_layout(library: Library, layout: Layout, result: PlanResult | None, known: Layout | None) -> Layout:
    newest = library.catalogue.layout(layout.show)
    same = newest is not None and _in_order(newest[0]) == _in_order(layout)
    known_of_it = newest[1] if newest else {}
    more_is_known = result is not None and (
        known_of_it.get("by") != "plan" or (result.status == "proved" and known_of_it.get("status") == "within")
    )
    if newest and same and not more_is_known:
        return newest[0]
    note: dict[str, Any] = {"by": "hand"}
    if result is not None:
        note = {"by": "plan", "status": result.status, "objective": result.objective, "bound": result.bound, "gap": result.gap}
        note["known"] = known.number if known is not None and known.show == layout.show else None
    return library.catalogue.add_layout(layout, note)


def _in_order(layout: Layout) -> Layout:
    """The layout whatever its number, with its places in one order: planner and hands list them in different ones."""
    return replace(layout, number=0, places=tuple(sorted(layout.places)), controls=tuple(sorted(layout.controls)))


def moved_places(layout: Layout, known: Layout | None) -> frozenset[tuple[int, str]]:
    """Places whose clip the hands know on another pad or bank. Clips new to them have not moved."""
    if known is None:
        return frozenset()
    where: dict[str, set[tuple[int, str]]] = {}
    for place in known.places:
        where.setdefault(place.clip, set()).add((place.bank, place.pad_id))
    return frozenset(
        (p.bank, p.pad_id) for p in layout.places if p.clip in where and (p.bank, p.pad_id) not in where[p.clip]
    )


def newest_layout(library: Library, show: str, number: int | None = None) -> Layout:
    """The show's newest layout, or the one of that number.

    Raises
    ------
    InputError
        when there is none
    """
    found = library.catalogue.layout(show, number)
    if found is None:
        known = library.catalogue.layout_numbers(show)
        hint = f"its layouts are numbered {known[0]} to {known[-1]}" if known else f"run: padbank plan {show}"
        raise InputError(f"show {show} has no layout{'' if number is None else f' {number}'} yet: {hint}")
    return found[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A layout weighed by the evaluator: every term, the sum, every finding."""

    opened: OpenShow
    layout: Layout
    facts: dict[str, ClipFacts]
    evaluation: Evaluation


def judge(library: Library, name: str, number: int | None = None) -> Judged:
    """Weigh a kept layout with today's clips, rig and show."""
    opened = open_show(library, name)
    layout = newest_layout(library, opened.show.name, number)
    kept = library.catalogue.layout(opened.show.name, layout.number)
    facts = facts_for(library, opened)
    placed = {p.clip for p in layout.places}
    extra = {n: c for n, c in opened.clips.items() if n in placed and n not in facts}
    facts.update(clip_facts(library, extra.values(), opened.rig))
    known = hands_know(library, opened.show, layout)
    problem = build_problem(opened.rig, opened.show, facts, known, layout=layout)
    evaluation = evaluate_problem(problem, layout)
    left = why_left_out(problem, layout, (kept[1] if kept else {}).get("by"), evaluation.left_out)
    return Judged(opened=opened, layout=layout, facts=facts, evaluation=replace(evaluation, left_out=left))


NOT_PLANNED = "nothing is laid out yet: plan, or put it on a pad"
BY_HAND = "it is under no pad of this layout: put it on one, or plan"


def why_left_out(problem: Problem, layout: Layout, made_by: str | None, left: tuple[LeftOut, ...]) -> tuple[LeftOut, ...]:
    """Why wishes are left out. Only a planner weighs what a place would cost; of a layout that it did
    not make, only what cannot be had at all is a reason."""
    if made_by == "plan":
        return left
    absent = {(d.segment, d.label) for d in problem.demands if d.absent}
    text = BY_HAND if layout.places else NOT_PLANNED
    return tuple(x if (x.segment, x.want) in absent else replace(x, reason=text) for x in left)


def by_bank(layout: Layout, rig: Rig) -> list[list[tuple[str, Place | None, str | None]]]:
    """For each bank, each pad of the rig: (pad, place or None, control label or None)."""
    places = {(p.bank, p.pad_id): p for p in layout.places}
    controls = {(c.bank, c.pad_id): c.label for c in layout.controls}
    return [
        [(pad.pad_id, places.get((bank, pad.pad_id)), controls.get((bank, pad.pad_id))) for pad in rig.pads]
        for bank in range(1, rig.banks + 1)
    ]
