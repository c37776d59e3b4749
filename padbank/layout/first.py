"""A first good layout, fast, without a solver: musts first, then the dearest wishes.

Clips go to the bank that asks for them, overflow to banks with room, copies
of any-time clips where they save switches; smaller versions when the memory
is short, then wishes are dropped by value per byte; last, each bank's clips
are spread over its pads (``seats.arrange``).

Functions: ``first_layout``.
"""

from __future__ import annotations

from padbank.layout.cost import Held, serve
from padbank.layout.filler import Filler
from padbank.layout.held import empty_held
from padbank.layout.problem import CONTROL_HITS, Problem
from padbank.layout.seats import arrange, home_hits

VOICE_PRICE = 0.05
"""seconds that a voice is taken to be worth when versions are chosen beforehand"""


def _place_controls(problem: Problem, held: Held) -> None:
    """Free control hits on the nearest pad that is open in all their banks."""
    pinned = {pad for _, pad, _ in problem.pins}
    for control, banks in problem.free_controls:
        pads = [
            q for q in range(len(problem.pads)) if all(q not in held.control_pads[b] for b in banks)
        ]
        pads.sort(key=lambda q: (q in pinned, -CONTROL_HITS * problem.reach_s[q], q))
        if pads:  # the far pads: near ones are for clips that are hit more often
            for bank in banks:
                held.control_pads[bank].add(pads[0])
                held.free_pads[(control.label, bank)] = pads[0]


def _group_of(problem: Problem, clip: int) -> tuple[int, ...]:
    for group in problem.together:
        if clip in group:
            return (clip, *(c for c in group if c != clip))
    return (clip,)


def _place(filler: Filler, problem: Problem, clip: int, bank: int) -> bool:
    """Place a clip with those that must be beside it, or nothing."""
    done: list[int] = []
    for c in _group_of(problem, clip):
        if any(b == bank for b, _ in filler.held.where.get(c, ())):
            continue
        if not filler.place(c, bank):
            for other in done:
                pad = next(q for b, q in filler.held.where[other] if b == bank)
                filler.remove(bank, pad)
            return False
        done.append(c)
    return True


def _voice_part(problem: Problem, filler: Filler, clip: int) -> float:
    """Voices of a clip in shares of what a pad may use on average."""
    part = 0.0
    for d, device in enumerate(problem.devices):
        if problem.versions[clip][d]:
            part = max(part, filler.times[(clip, d)][0] * len(problem.pads) / device.voices)
    return part


def first_layout(problem: Problem, *, keep_known: bool = False) -> Held:
    """A layout that keeps the rig's limits; it may miss musts where the limits are tight.

    ``keep_known``: clips begin where the hands know them, and nothing is
    arranged anew.
    """
    held = empty_held(problem)
    _place_controls(problem, held)
    filler = Filler(problem, held)
    wanted = {c for d in problem.demands for c in d.clips[: d.count]}
    filler.choose_versions(sorted(wanted), VOICE_PRICE)
    for clip, pad, bank in problem.pins:
        if bank is not None and pad in filler.allowed(clip, bank):
            filler.place(clip, bank, [pad])
    if keep_known:
        asked = {(c, b) for d in problem.demands for c in d.clips for b, _ in d.share}
        wanted_at_all = {c for c, _ in asked}
        for clip, spots in problem.known.items():
            for bank, pad in sorted(spots):
                if clip in wanted_at_all and pad in filler.allowed(clip, bank):
                    filler.place(clip, bank, [pad])

    orders: list[tuple[bool, float, int, int, int]] = []
    for d, demand in enumerate(problem.demands):
        ranked = sorted(
            zip(demand.clips, demand.worth, strict=True), key=lambda cw: (-cw[1], cw[0])
        )
        for rank, (clip, worth) in enumerate(ranked):
            value = demand.value * worth * (1.0 if rank < demand.count else 0.01)
            value /= 1.0 + _voice_part(problem, filler, clip)
            orders.append((not (demand.must and rank < demand.count), -value, d, rank, clip))
    orders.sort()
    got: dict[int, int] = {}
    given: set[tuple[str, int]] = set()
    waiting: list[tuple[int, int]] = []
    for _, _, d, _, clip in orders:
        demand = problem.demands[d]
        if got.get(d, 0) >= demand.count or (demand.segment, clip) in given:
            continue
        shares = sorted(demand.share, key=lambda s: (-s[1], s[0]))
        here = {b for b, _ in held.where.get(clip, ())}
        at_home = next((b for b, _ in shares if b in here), None)
        placed = at_home is not None or any(
            _place(filler, problem, clip, b) for b, _ in shares[:4]
        )
        if placed or here:
            got[d] = got.get(d, 0) + 1
            given.add((demand.segment, clip))
        else:
            waiting.append((d, clip))
    room = _banks_with_room(problem, held)
    for d, clip in waiting:
        demand = problem.demands[d]
        if got.get(d, 0) >= demand.count or (demand.segment, clip) in given:
            continue
        if clip in held.where or any(_place(filler, problem, clip, b) for b in room):
            got[d] = got.get(d, 0) + 1
            given.add((demand.segment, clip))
            if clip in held.where and len(held.where[clip]) == 1:
                bank = held.where[clip][0][0]
                if not filler_has_room(problem, held, bank) and bank in room:
                    room.remove(bank)
    _copies(problem, filler)
    for device in range(len(problem.devices)):
        filler.shrink(device)
        _drop(problem, filler, device)
        filler.grow(device)
    hits = home_hits(problem)
    for bank in range(problem.banks) if not keep_known else ():
        arrange(problem, held, bank, hits)
    return held


def filler_has_room(problem: Problem, held: Held, bank: int) -> bool:
    return len(held.at[bank]) + len(held.control_pads[bank]) < len(problem.pads)


def _banks_with_room(problem: Problem, held: Held) -> list[int]:
    banks = [b for b in range(problem.banks) if filler_has_room(problem, held, b)]
    return sorted(banks, key=lambda b: (len(held.at[b]), b))


def _copies(problem: Problem, filler: Filler) -> None:
    """Copies of placed clips in other banks that ask for them, dearest switch first."""
    wants: list[tuple[float, int, int]] = []
    for demand in problem.demands:
        for clip in demand.clips:
            if clip in filler.held.where:
                for bank, part in demand.share:
                    wants.append((-demand.hits * part, clip, bank))
    for weight, clip, bank in sorted(set(wants)):
        if weight < 0 and not any(b == bank for b, _ in filler.held.where.get(clip, ())):
            known = [q for _, q in filler.held.where[clip]]
            open_pads = filler.allowed(clip, bank)
            same = [q for q in open_pads if q in known]
            if len(_group_of(problem, clip)) == 1:
                filler.place(clip, bank, same + [q for q in open_pads if q not in known])


def _drop(problem: Problem, filler: Filler, device: int) -> None:
    """Leave out wishes, least value per byte first, until the memory holds."""
    if filler.memory_over(device) <= 0:
        return
    held = filler.held
    value: dict[int, float] = {}
    needed: set[int] = {c for c, _, _ in problem.pins} | {c for g in problem.together for c in g}
    for s in serve(problem, held):
        demand = problem.demands[s.demand]
        value[s.clip] = value.get(s.clip, 0.0) + demand.value * s.worth
        if demand.must:
            needed.add(s.clip)
    order = sorted(
        (value.get(clip, 0.0) / max(1, v.n_bytes), clip)
        for (clip, d), v in filler.version.items()
        if d == device and clip not in needed
    )
    for _, clip in order:
        if filler.memory_over(device) <= 0:
            return
        for bank, pad in list(held.where.get(clip, ())):
            if problem.device_of[pad] == device:
                filler.remove(bank, pad)
