"""A layout as numbers in the making: put and take clips, read a solution, write a layout.

Functions: ``empty_held``, ``copy_held``, ``put``, ``take``, ``set_bank``,
``to_layout``, ``extract``, ``tidy``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from padbank.domain import ControlPlace, Layout, Place
from padbank.layout.cost import Held, serve
from padbank.layout.facts import Version
from padbank.layout.problem import Problem

if TYPE_CHECKING:  # its solver is slow to load, and layouts by hand need none
    from padbank.layout.scope import Model, Slot

Spot = tuple[int, int, int]


def empty_held(problem: Problem) -> Held:
    """No clips; the rig's fixed control hits in their places."""
    return Held(
        at=[{} for _ in range(problem.banks)],
        control_pads=[set(b) for b in problem.blocked],
    )


def copy_held(held: Held) -> Held:
    return Held(
        at=[dict(at) for at in held.at],
        where={c: list(s) for c, s in held.where.items()},
        control_pads=[set(c) for c in held.control_pads],
        free_pads=dict(held.free_pads),
    )


def put(held: Held, bank: int, pad: int, spot: Spot) -> None:
    held.at[bank][pad] = spot
    held.where.setdefault(spot[0], []).append((bank, pad))
    held.where[spot[0]].sort()


def take(held: Held, bank: int, pad: int) -> Spot:
    spot = held.at[bank].pop(pad)
    held.where[spot[0]].remove((bank, pad))
    if not held.where[spot[0]]:
        del held.where[spot[0]]
    return spot


def set_bank(held: Held, bank: int, content: dict[int, Spot]) -> None:
    """Replace what a bank holds."""
    for pad in list(held.at[bank]):
        take(held, bank, pad)
    for pad, spot in sorted(content.items()):
        put(held, bank, pad, spot)


def to_layout(problem: Problem, held: Held) -> Layout:
    """The layout as a value, its places in order of bank and pad."""
    pads, clips = problem.pads, problem.clips
    places = tuple(
        Place(
            bank=b + 1,
            pad_id=pads[pad].pad_id,
            clip=clips[clip].name,
            channels=channels,
            sample_rate_hz=rate,
        )
        for b, at in enumerate(held.at)
        for pad, (clip, channels, rate) in sorted(at.items())
    )
    controls = [
        ControlPlace(bank=b + 1, pad_id=pads[pad].pad_id, label=c.label)
        for b, blocked in enumerate(problem.blocked)
        for pad, c in blocked.items()
    ]
    controls += [
        ControlPlace(bank=b + 1, pad_id=pads[pad].pad_id, label=label)
        for (label, b), pad in held.free_pads.items()
    ]
    return Layout(
        show=problem.show.name,
        rig=problem.rig.name,
        places=places,
        controls=tuple(sorted(controls)),
        bank_segments=problem.bank_segments,
    )


def extract(model: Model, values: np.ndarray) -> tuple[Held, list[tuple[int, Slot]]]:
    """Read a solution: the layout, and the pooled clips that still need a bank."""
    problem, scope = model.problem, model.scope
    base = scope.held
    held = empty_held(problem) if base is None else copy_held(base)
    for bank in scope.banks:
        set_bank(held, bank, {})
    for (label, pad), column in model.control.items():
        if values[column] > 0.5:
            for control, banks in problem.free_controls:
                if control.label == label:
                    for bank in banks:
                        old = held.free_pads.pop((label, bank), None)
                        if old is not None:
                            held.control_pads[bank].discard(old)
                        held.control_pads[bank].add(pad)
                        held.free_pads[(label, bank)] = pad
    chosen: dict[tuple[int, int], Version] = {}
    for (clip, device, k), column in model.version.items():
        if values[column] > 0.5:
            chosen[(clip, device)] = problem.versions[clip][device][k]

    def spot(clip: int, pad: int) -> Spot:
        device = problem.device_of[pad]
        if base is not None:
            for b, q in base.where.get(clip, ()):
                if b not in scope.banks and problem.device_of[q] == device:
                    return base.at[b][q]
        version = chosen.get((clip, device)) or problem.versions[clip][device][0]
        return (clip, version.channels, version.sample_rate_hz)

    placed: dict[int, list[tuple[int, Slot, int]]] = {b: [] for b in scope.banks}
    for (clip, bank, slot), column in model.x.items():
        if values[column] > 0.5:
            rank = 0 if len(slot) == 1 else 1 if slot in model.slots[bank] else 2
            placed[bank].append((rank, slot, clip))
    for bank, entries in placed.items():
        for _, slot, clip in sorted(entries):
            free = [q for q in slot if q not in held.at[bank] and q not in held.control_pads[bank]]
            if free:
                put(held, bank, free[0], spot(clip, free[0]))
    pooled = [
        (clip, room) for (clip, room), column in model.pooled.items() if values[column] > 0.5
    ]
    return held, pooled


def tidy(problem: Problem, held: Held) -> None:
    """Take away places that serve nothing: no want, no pin, no clip that must have them near."""
    served = serve(problem, held)
    used = {(s.clip, bank, pad) for s in served for bank, pad, _ in s.hits}
    used |= {(c, b, q) for c, q, b in problem.pins if b is not None}
    away = {s.clip for s in served if s.away_hits > 0}
    tied = {c for group in problem.together for c in group}
    for clip, spots in list(held.where.items()):
        if clip in tied:
            continue
        keep = [(b, q) for b, q in spots if (clip, b, q) in used]
        if not keep and (clip in away or any(s.clip == clip for s in served)):
            keep = [min(spots, key=lambda s: (problem.move_price(clip, *s), s))]
        for bank, pad in list(spots):
            if (bank, pad) not in keep:
                take(held, bank, pad)
