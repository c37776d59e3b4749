"""Why a clip sits where it sits, what other places would cost, or why it was left out.

All answers come from the evaluator: each other place is tried (with what is
there changing places, or giving way) and judged like a layout made by hand.

Functions: ``why``. Classes: ``Why``, ``PlaceShare``, ``OtherPlace``.
"""

from __future__ import annotations

from dataclasses import dataclass

from padbank.domain import Layout
from padbank.errors import InputError
from padbank.layout import hand
from padbank.layout.cost import exposure, read_layout, serve
from padbank.layout.evaluate import evaluate_problem
from padbank.layout.problem import Problem
from padbank.units import format_change


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceShare:
    """One place of a clip and what it gives: hits played there and their terms."""

    bank: int
    pad_id: str
    segments: tuple[str, ...]
    hits: float
    reach_s: float
    mishit_hits: float
    moved: float
    rank_of_pad: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherPlace:
    """A place that the clip could have, and the price of it.

    ``cost`` is the change of the objective; ``breaks`` the first limit that it
    would break, empty when none; ``gives_way`` the clip that would change
    places or leave.
    """

    bank: int
    pad_id: str
    cost: float
    gives_way: str
    breaks: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Why:
    """The answer: ``text`` in plain words, the figures beside it."""

    clip: str
    placed: tuple[PlaceShare, ...]
    away_hits: float
    serves: tuple[str, ...]
    not_served: tuple[str, ...]
    others: tuple[OtherPlace, ...]
    text: str


def _others(
    problem: Problem, layout: Layout, clip: int, most: int
) -> tuple[OtherPlace, ...]:
    name = problem.clips[clip].name
    held, now = read_layout(problem, layout), evaluate_problem(problem, layout)
    spots = held.where.get(clip, [])
    homes = sorted({b for d in problem.demands if clip in d.clips for b, _ in d.share})
    banks = sorted({b for b, _ in spots} | set(homes))[:6]
    tried: list[OtherPlace] = []
    for bank in banks:
        mine = [q for b, q in spots if b == bank]
        for pad in range(len(problem.pads)):
            pad_id = problem.pads[pad].pad_id
            if pad in mine or pad in held.control_pads[bank] or not problem.pad_ok[clip][pad]:
                continue
            there = held.at[bank].get(pad)
            spot = (bank + 1, pad_id)
            try:
                if mine:
                    after = hand.move(problem, layout, (bank + 1, problem.pads[mine[0]].pad_id), spot)
                else:
                    after = hand.put(problem, layout, name, spot)
            except InputError:
                continue
            then = evaluate_problem(problem, after)
            errors = [f.text for f in then.findings if f.severity == "error" and f not in now.findings]
            tried.append(
                OtherPlace(
                    bank=bank + 1,
                    pad_id=pad_id,
                    cost=then.objective - now.objective,
                    gives_way="" if there is None else problem.clips[there[0]].name,
                    breaks=errors[0] if errors else "",
                )
            )
    tried.sort(key=lambda o: (bool(o.breaks), o.cost, o.bank, o.pad_id))
    return tuple(tried[:most])


def _no_place(problem: Problem, clip: str) -> Why:
    reason = problem.why_not.get(clip)
    if reason is None:
        raise InputError(f"{clip}: this show does not want it and no layout holds it; check the name")
    return Why(
        clip=clip,
        placed=(),
        away_hits=0.0,
        serves=(),
        not_served=(),
        others=(),
        text=f"{clip} is left out: {reason}.",
    )


def why(problem: Problem, layout: Layout, clip: str, most: int = 3) -> Why:
    """Explain a clip's places in a layout.

    Parameters
    ----------
    problem : built with ``layout=layout``, so that hand-placed clips count
    most : how many other places to name

    Raises
    ------
    InputError : neither the show nor the layout knows the clip.
    """
    if clip not in problem.index:
        return _no_place(problem, clip)
    number = problem.index[clip]
    held = read_layout(problem, layout)
    served = [s for s in serve(problem, held) if s.clip == number]
    done = {s.demand for s in served}
    asked = [d for d, demand in enumerate(problem.demands) if number in demand.clips]
    placed = []
    for bank, pad in held.where.get(number, ()):
        hits = sum(h for s in served for b, q, h in s.hits if (b, q) == (bank, pad))
        ranks = sorted(
            (q for q in range(len(problem.pads)) if q not in held.control_pads[bank]),
            key=lambda q: (problem.reach_s[q], q),
        )
        placed.append(
            PlaceShare(
                bank=bank + 1,
                pad_id=problem.pads[pad].pad_id,
                segments=problem.bank_segments[bank],
                hits=hits,
                reach_s=hits * problem.reach_s[pad],
                mishit_hits=hits * exposure(problem, held, number, bank, pad),
                moved=problem.move_price(number, bank, pad),
                rank_of_pad=ranks.index(pad) + 1 if pad in ranks else 0,
            )
        )
    others = _others(problem, layout, number, most)
    away = sum(s.away_hits for s in served)
    not_served = tuple(
        f"{problem.demands[d].segment}: {problem.demands[d].label}"
        for d in asked
        if d not in done and problem.demands[d].by_clip
    )
    result = Why(
        clip=clip,
        placed=tuple(placed),
        away_hits=away,
        serves=tuple(f"{problem.demands[s.demand].segment}: {problem.demands[s.demand].label}" for s in served),
        not_served=not_served,
        others=others,
        text="",
    )
    return Why(
        clip=clip,
        placed=result.placed,
        away_hits=away,
        serves=result.serves,
        not_served=not_served,
        others=others,
        text=_text(problem, layout, result),
    )


def _text(problem: Problem, layout: Layout, found: Why) -> str:
    parts = []
    for p in found.placed:
        played = (
            f"{round(p.hits, 1):g} {'hit' if p.hits == 1 else 'hits'} expected, {p.reach_s:.2f} s of movement"
            if p.hits
            else "none of its hits come while that bank is in hand"
        )
        line = (
            f"{found.clip} sits on {p.pad_id} of bank {p.bank}: {played}, "
            f"the number {p.rank_of_pad} pad by nearness"
        )
        pinned = any(
            pin.clip == found.clip
            and pin.pad_id == p.pad_id
            and (pin.bank is None or pin.bank == p.bank)
            for pin in problem.show.pins
        )
        if pinned:
            line += "; it is pinned there"
        elif found.clip in {problem.clips[c].name for c in problem.known} and p.moved == 0:
            line += "; the hands know it there"
        parts.append(line + ".")
    if found.away_hits > 0:
        hits = "hit needs" if found.away_hits == 1 else "hits need"
        parts.append(f"{found.away_hits:g} expected {hits} a bank switch.")
    if not found.placed:
        parts.append(f"{found.clip} is left out.")
    if found.others:
        o = found.others[0]
        gives = f", {o.gives_way} giving way" if o.gives_way else ""
        if o.breaks:
            parts.append(f"No other place keeps every limit; {o.pad_id} of bank {o.bank}: {o.breaks}.")
        elif found.placed:
            parts.append(
                f"The next best place, {o.pad_id} of bank {o.bank}{gives}, costs {format_change(o.cost, 's', 2)}."
            )
        else:
            parts.append(
                f"To have it, {o.pad_id} of bank {o.bank} is the cheapest place{gives}: "
                f"{format_change(o.cost, 's', 2)}; a higher value, or must, would bring it in."
            )
    elif not found.placed:
        parts.append("No pad of its banks takes it.")
    evaluation = evaluate_problem(problem, layout)
    memory = [f for f in evaluation.findings if f.code == "memory"]
    if memory:
        parts.append(memory[0].text + ".")
    return "\n".join(parts)
