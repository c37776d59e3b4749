"""A layout by hand: put, move, swap, clear, and at once what it does to every term and limit.

Each step makes a new numbered layout from the one that was seen, so nobody's
arranging is lost and every earlier one can be put back. A hand-made layout is
weighed by the same evaluator as a planned one.

Functions: ``read_board``, ``weigh``, ``apply_step``, ``keep_step``,
``why_here``, ``explain``, ``set_pin_of``, ``clear_pin_of``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from padbank.domain import ControlPlace, Finding, Layout, Pin, Place, Rig, Show
from padbank.errors import InputError
from padbank.files import showfile
from padbank.layout import hand
from padbank.layout.cost import Term, read_layout, serve
from padbank.layout.evaluate import Evaluation, LeftOut, evaluate_problem
from padbank.layout.explain import Why, why
from padbank.layout.facts import ClipFacts
from padbank.layout.problem import Problem, build_problem
from padbank.store.library import Library
from padbank.units import format_change
from padbank.workflow.facts import clip_facts
from padbank.workflow.pad_limits import Meter, bank_meters
from padbank.workflow.plan import (
    facts_for,
    hands_know,
    keep_layout,
    moved_places,
    wanted_clips,
    why_left_out,
)
from padbank.workflow.revisions import ChangedMeanwhile, change_text, text_revision
from padbank.workflow.shows import OpenShow, find_show_file, open_show
from padbank.workflow.stage import tag_signs


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """A layout with its terms, limits and findings."""

    objective: float
    terms: tuple[Term, ...]
    findings: tuple[Finding, ...]
    left_out: tuple[LeftOut, ...]
    meters: tuple[Meter, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """A show with its rig, its newest layout (or an empty one) and what the hands know."""

    opened: OpenShow
    layout: Layout
    result: Mapping[str, Any]
    facts: dict[str, ClipFacts]
    known: Layout | None
    revision: str
    """of the text of the show's file"""
    lost_pins: tuple[Finding, ...] = ()
    """pins of clips that are gone or on pads that are gone; the show here is without them"""

    @property
    def ground(self) -> str:
        """A short hash of what every layout of this show stands on: its file, its rig, the clips that it could use."""
        clips = [(n, c.recipe, c.tags, c.licence) for n, c in sorted(wanted_clips(self.opened).items())]
        return text_revision(repr((self.revision, self.rig, clips)))

    @property
    def show(self) -> Show:
        return self.opened.show

    @property
    def rig(self) -> Rig:
        return self.opened.rig

    @property
    def moved(self) -> frozenset[tuple[int, str]]:
        return moved_places(self.layout, self.known)


def read_board(library: Library, name: str, number: int | None = None) -> Board:
    """Read everything that arranging needs. Without a layout yet, an empty one (number 0)."""
    revision = text_revision(find_show_file(library, name).read_bytes().decode("utf-8", errors="replace"))
    opened, layout, result = _open_with_layout(library, name, number)
    opened, lost_pins = _without_lost_pins(opened)
    facts = facts_for(library, opened)
    placed = {p.clip for p in layout.places}
    extra = {n: c for n, c in opened.clips.items() if n in placed and n not in facts}
    if extra:
        facts = {**facts, **clip_facts(library, extra.values(), opened.rig)}
    known = hands_know(library, opened.show, layout)
    return Board(opened=opened, layout=layout, result=result, facts=facts, known=known, revision=revision, lost_pins=lost_pins)


def _open_with_layout(
    library: Library, name: str, number: int | None = None
) -> tuple[OpenShow, Layout, Mapping[str, Any]]:
    """A show with the clips that it could use or has placed, its layout (or an empty one) and what was proved."""
    opened = open_show(library, name, all_clips=False)
    show, rig = opened.show, opened.rig
    found = library.catalogue.layout(show.name, number)
    if found is None and number is not None:
        raise InputError(f"show {show.name} has no layout {number}: look at the page anew")
    layout, result = found or (empty_layout(opened), {})
    if layout.rig != rig.name:
        layout, result = empty_layout(opened, layout.number), {}
    placed = {p.clip for p in layout.places}
    names = {w.clip for s in show.segments for w in s.wants if w.clip} | {p.clip for p in show.pins} | placed
    tags = {w.tag for s in show.segments for w in s.wants if w.tag}
    clips = {c.name: c for c in library.catalogue.clips_wanted(names, tags)}
    return replace(opened, clips=clips), layout, result


def signs_of_show(library: Library, name: str) -> list[dict[str, str]]:
    """``stage.tag_signs`` of a show, also of one that has no layout yet."""
    opened, layout, _ = _open_with_layout(library, name)
    return tag_signs(opened, layout)


def _without_lost_pins(opened: OpenShow) -> tuple[OpenShow, tuple[Finding, ...]]:
    """Take out pins whose clip or pad was taken away beside the show, so that the rest can still be arranged."""
    rig, kept, lost = opened.rig, [], []
    pads = {p.pad_id for p in rig.pads}
    for pin in opened.show.pins:
        if pin.clip not in opened.clips:
            why = "it is not in the library: bring it back in Clips, or take the pin out of the show's file"
        elif pin.pad_id not in pads:
            why = f"rig {rig.name} has no such pad: name another in the show's file, or take the pin out"
        elif pin.bank is not None and pin.bank > rig.banks:
            why = f"rig {rig.name} has banks 1 to {rig.banks}: name another in the show's file, or take the pin out"
        else:
            kept.append(pin)
            continue
        where = f"{pin.pad_id} of bank {pin.bank}" if pin.bank else pin.pad_id
        text = f"{pin.clip} is pinned to {where}, and {why}"
        lost.append(Finding(code="pin-lost", severity="error", where=f"pin {pin.clip}", text=text))
    return replace(opened, show=replace(opened.show, pins=tuple(kept))), tuple(lost)


def empty_layout(opened: OpenShow, number: int = 0) -> Layout:
    """A layout with nothing on it but the control hits that have their own pads."""
    rig = opened.rig
    controls = tuple(
        ControlPlace(bank=bank, pad_id=pad_id, label=control.label)
        for bank in range(1, rig.banks + 1)
        for pad_id, control in sorted(rig.controls_in(bank).items())
    )
    return Layout(show=opened.show.name, rig=rig.name, places=(), controls=controls, number=number)


def earlier_layout(library: Library, board: Board, number: int) -> Layout:
    """An earlier layout of the board's show, to be put back; 0 is the empty one.

    Raises
    ------
    InputError
        when there is none of that number, or it was made for another rig
    """
    if number == 0:
        return empty_layout(board.opened)
    found = library.catalogue.layout(board.show.name, number)
    if found is None:
        raise InputError(f"show {board.show.name} has no layout {number}: look at the page anew")
    if found[0].rig != board.rig.name:
        raise InputError(
            f"layout {number} was made for rig {found[0].rig}, and the show now names {board.rig.name}: "
            "name that rig in the show's file first, or plan"
        )
    return found[0]


def weigh(board: Board, layout: Layout | None = None) -> Weighed:
    """Every term, meter and finding of a layout of this board."""
    layout = layout or board.layout
    problem = build_problem(board.rig, board.show, board.facts, board.known, layout=layout)
    evaluation: Evaluation = evaluate_problem(problem, layout)
    return Weighed(
        objective=evaluation.objective,
        terms=evaluation.terms,
        findings=(*board.lost_pins, *evaluation.findings),
        left_out=why_left_out(problem, layout, board.result.get("by"), evaluation.left_out),
        meters=bank_meters(problem, read_layout(problem, layout)),
    )


def left_to_place(board: Board) -> list[str]:
    """Clips that the show could use and that lie nowhere yet, by name."""
    placed = {p.clip for p in board.layout.places}
    return sorted(n for n in board.facts if n not in placed)


# ---------------------------------------------------------------- steps


def apply_step(board: Board, step: Mapping[str, Any]) -> Layout:
    """The layout after one step: ``{"do": …}``.

    ``put`` (clip, bank, pad), ``move`` (bank, pad, to_bank, to_pad; what lies
    there comes back in exchange), ``clear`` (bank, pad), ``empty`` (bank).

    Raises
    ------
    InputError
        for a pad that holds a fixed control hit, a clip that no device takes,
        or a place that the rig does not have
    """
    do, layout = step.get("do"), board.layout
    if do == "put":
        clip = step.get("clip")
        if not isinstance(clip, str) or clip not in board.opened.clips:
            raise InputError(f"there is no clip named {clip!r}: look at the page anew")
        return hand.put(problem_of(board, clip), layout, clip, _spot(board, step, "bank", "pad"))
    if do == "move":
        here, there = _spot(board, step, "bank", "pad"), _spot(board, step, "to_bank", "to_pad")
        return layout if here == there else hand.move(problem_of(board), layout, here, there)
    if do == "clear":
        return hand.clear(problem_of(board), layout, _spot_to_clear(board, step))
    if do == "empty":
        return hand.empty(problem_of(board), layout, _bank(board, step, "bank"))
    raise InputError(f"a layout cannot be changed by {do!r}: reload the page")


def problem_of(board: Board, clip: str | None = None) -> Problem:
    """The planner's problem of a board; ``clip`` is to be among its clips, whether the show wants it or not."""
    problem = build_problem(board.rig, board.show, board.facts, board.known, layout=board.layout)
    if clip is None or clip in problem.index or clip in problem.why_not or clip not in board.facts:
        return problem
    wish = replace(board.layout, places=(*board.layout.places, _anywhere(board, clip)))
    return build_problem(board.rig, board.show, board.facts, board.known, layout=wish)


def _anywhere(board: Board, clip: str) -> Place:
    """Some place for a clip, so that the problem takes it among its clips."""
    version = board.facts[clip].versions[0]
    return Place(
        bank=1, pad_id=board.rig.pads[0].pad_id, clip=clip, channels=version.channels, sample_rate_hz=version.sample_rate_hz
    )


def _bank(board: Board, step: Mapping[str, Any], key: str) -> int:
    bank = step.get(key)
    if isinstance(bank, bool) or not isinstance(bank, int) or not 1 <= bank <= board.rig.banks:
        raise InputError(f"there is no bank {bank!r}: rig {board.rig.name} has banks 1 to {board.rig.banks}")
    return bank


def _spot(board: Board, step: Mapping[str, Any], bank_key: str, pad_key: str) -> hand.Spot:
    bank, pad_id = _bank(board, step, bank_key), step.get(pad_key)
    if not isinstance(pad_id, str):
        raise InputError("the step names no pad: reload the page")
    return bank, board.rig.pad(pad_id).pad_id


def _spot_to_clear(board: Board, step: Mapping[str, Any]) -> hand.Spot:
    """As ``_spot``, and a place that lies where the rig has no pad any more."""
    asked = (step.get("bank"), step.get("pad"))
    lost = next(((p.bank, p.pad_id) for p in board.layout.places if (p.bank, p.pad_id) == asked), None)
    return lost or _spot(board, step, "bank", "pad")


def keep_step(library: Library, board: Board, seen: int, layout: Layout) -> Layout:
    """Number and keep a layout made by hand.

    Raises
    ------
    ChangedMeanwhile
        when the show's newest layout is not number ``seen`` any more
    """
    with library.catalogue.atomic():
        newest = library.catalogue.layout(board.show.name)
        now = newest[0].number if newest else 0
        if now != seen:
            raise ChangedMeanwhile(
                f"{board.show.name} was laid out anew elsewhere (layout {now}, you saw {seen}): look at it as it is now, "
                "then repeat your step"
            )
        return keep_layout(library, layout, None)


# ---------------------------------------------------------------- pins


def set_pin_of(library: Library, name: str, clip: str, pad_id: str, bank: int | None, seen: str | None) -> None:
    """Hold a clip on a pad from now on: a line in the show's file."""
    opened = open_show(library, name)
    opened.rig.pad(pad_id)
    library.clip(clip)
    change_text(library, opened.path, seen, lambda text: showfile.set_pin(text, clip, pad_id, bank))


def clear_pin_of(library: Library, name: str, clip: str, seen: str | None) -> None:
    """Let a clip's pins go."""
    opened = open_show(library, name)
    change_text(library, opened.path, seen, lambda text: showfile.clear_pin(text, clip))


def pins_by_place(board: Board) -> dict[tuple[int, str], Pin]:
    """Which places are held by a pin, by (bank, pad)."""
    held = {}
    for place in board.layout.places:
        for pin in board.show.pins:
            if pin.clip == place.clip and pin.pad_id == place.pad_id and pin.bank in (None, place.bank):
                held[place.bank, place.pad_id] = pin
    return held


def served_hits(board: Board) -> dict[tuple[int, str], float]:
    """Expected hits on each place while its bank is in hand."""
    problem = problem_of(board)
    held = read_layout(problem, board.layout)
    hits: dict[tuple[int, str], float] = {}
    for served in serve(problem, held):
        for bank, pad, n in served.hits:
            key = (bank + 1, problem.pads[pad].pad_id)
            hits[key] = hits.get(key, 0.0) + n
    return hits


@dataclass(frozen=True, slots=True, kw_only=True)
class Elsewhere:
    """What another pad would cost: the change of the sum, in seconds, and what would break there."""

    bank: int
    pad_id: str
    instead_of: str | None
    change_s: float
    breaks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WhyHere:
    """Why a clip lies where it lies: its hits, its movement, its pin, and the next best pads."""

    clip: str
    bank: int
    pad_id: str
    hits: float
    reach_s: float
    pinned: bool
    moved: bool
    elsewhere: tuple[Elsewhere, ...]


def why_here(board: Board, bank: int, pad_id: str, *, most: int = 5) -> WhyHere:
    """Try the clip of a place on every other pad of its bank and say what each would cost.

    Raises
    ------
    InputError
        when the place is empty
    """
    here = next((p for p in board.layout.places if (p.bank, p.pad_id) == (bank, pad_id)), None)
    if here is None:
        raise InputError(f"pad {pad_id} of bank {bank} is empty: there is nothing to explain")
    problem = problem_of(board)
    now = evaluate_problem(problem, board.layout)
    broken = {f.text for f in now.findings if f.severity == "error"}
    tried = []
    for pad in board.rig.pads:
        if pad.pad_id == pad_id:
            continue
        try:
            layout = hand.move(problem, board.layout, (bank, pad_id), (bank, pad.pad_id))
        except InputError:
            continue  # a control hit, or a pad that cannot take one of the two: no alternative
        then = evaluate_problem(problem, layout)
        there = next((p.clip for p in board.layout.places if (p.bank, p.pad_id) == (bank, pad.pad_id)), None)
        breaks = tuple(f.text for f in then.findings if f.severity == "error" and f.text not in broken)
        tried.append(
            Elsewhere(bank=bank, pad_id=pad.pad_id, instead_of=there, change_s=then.objective - now.objective, breaks=breaks)
        )
    tried.sort(key=lambda e: (bool(e.breaks), e.change_s, e.pad_id))
    return WhyHere(
        clip=here.clip,
        bank=bank,
        pad_id=pad_id,
        hits=served_hits(board).get((bank, pad_id), 0.0),
        reach_s=problem.reach_s[problem.pad_index(pad_id)],
        pinned=(bank, pad_id) in pins_by_place(board),
        moved=(bank, pad_id) in board.moved,
        elsewhere=tuple(tried[:most]),
    )


def explain(board: Board, clip: str) -> Why:
    """Why a clip is where it is, or why it was left out, in plain words."""
    problem = problem_of(board)
    found = why(problem, board.layout, clip)
    if found.placed or board.result.get("by") == "plan" or clip not in problem.index:
        return found
    text = f"{clip} is under no pad: {'nothing is laid out yet' if not board.layout.places else 'this layout was made by hand'}."
    if found.others and not found.others[0].breaks:
        best = found.others[0]
        text += f" Its cheapest place would be {best.pad_id} of bank {best.bank} ({format_change(best.cost, 's', 2)})."
    return replace(found, text=text)
