"""Which bank serves which segment, and from which banks a segment's hits come.

With enough banks every segment has its own; with too few, segments that want
the same clips share one. Numbers: a segment's own ``bank`` first, then the
show's always-there bank for its any-time segments, then where the
hands know the segment or its clips, and pins (``linear_sum_assignment`` on how
many of a segment's clips are known or pinned in that bank), then the order of the set list.

Functions: ``assign_homes``, ``shares``.
"""

from __future__ import annotations

import numpy as np

from padbank.domain import Layout, Rig, Segment, Show
from padbank.errors import PlanError

SAME_BANK = 4
"""known clips that a segment in the bank where the hands know it counts for"""


def shares(
    show: Show, bank_segments: tuple[tuple[str, ...], ...]
) -> dict[str, tuple[tuple[int, float], ...]]:
    """From which banks (from 0) the hits of each segment come, and which part of them."""
    home = {s: b for b, segments in enumerate(bank_segments) for s in segments}
    moments: dict[int, int] = {}
    for segment in show.segments:
        bank = home.get(segment.name)
        if bank is not None:
            moments[bank] = moments.get(bank, 0) + 1
    everywhere = tuple(
        (b, n / max(1, sum(moments.values()))) for b, n in sorted(moments.items())
    )
    result: dict[str, tuple[tuple[int, float], ...]] = {}
    for segment in show.segments:
        bank = home.get(segment.name)
        if bank is None:
            result[segment.name] = ()
        elif segment.any_time:
            result[segment.name] = everywhere
        else:
            result[segment.name] = ((bank, 1.0),)
    return result


def _clips_of(segment: Segment) -> dict[str, float]:
    """Hits by clip or tag, for likeness and size."""
    found: dict[str, float] = {}
    for want in segment.wants:
        names = [want.clip] if want.clip is not None else [f"#{want.tag}/{i}" for i in range(want.count)]
        for name in names:
            found[name or ""] = found.get(name or "", 0.0) + want.hits
    return found


def _overflow(clips: dict[str, float], pads: int) -> float:
    """Hits that would leave a bank of so many pads, and a little for every clip it holds."""
    ordered = sorted(clips.values(), reverse=True)
    return sum(ordered[pads:]) + 1e-3 * len(ordered)


def _merge(groups: list[list[Segment]], banks: int, pads: int) -> list[list[Segment]]:
    """Join the pair of groups that loses the fewest hits until they fit the banks."""
    wants = []
    for group in groups:
        clips: dict[str, float] = {}
        for segment in group:
            for name, hits in _clips_of(segment).items():
                clips[name] = clips.get(name, 0.0) + hits
        wants.append(clips)

    def joined(i: int, j: int) -> float:
        both = dict(wants[i])
        for name, hits in wants[j].items():
            both[name] = both.get(name, 0.0) + hits
        return _overflow(both, pads) - _overflow(wants[i], pads) - _overflow(wants[j], pads)

    while len(groups) > banks:
        best: tuple[float, int, int] | None = None
        for i in range(len(groups)):
            for j in range(i + 1, len(groups)):
                numbers = {s.bank for s in groups[i] + groups[j] if s.bank is not None}
                if len(numbers) > 1:
                    continue
                cost = (round(joined(i, j), 9), i, j)
                if best is None or cost < best:
                    best = cost
        if best is None:
            raise PlanError(
                "the segments' fixed banks leave no bank for the others: free one of them"
            )
        _, i, j = best
        for name, hits in wants[j].items():
            wants[i][name] = wants[i].get(name, 0.0) + hits
        groups[i] = groups[i] + groups[j]
        del groups[j], wants[j]
    return groups


def assign_homes(rig: Rig, show: Show, known: Layout | None = None) -> tuple[tuple[str, ...], ...]:
    """The segments that each bank serves: one tuple of names a bank.

    Raises
    ------
    PlanError : a segment or the show names a bank that the rig does not have.
    """
    fixed: dict[int, list[Segment]] = {}
    free: list[list[Segment]] = []
    always: list[Segment] = []
    for segment in show.segments:
        if segment.bank is not None:
            if not 1 <= segment.bank <= rig.banks:
                raise PlanError(
                    f"segment {segment.name} asks for bank {segment.bank}: rig {rig.name} has "
                    f"banks 1 to {rig.banks}"
                )
            fixed.setdefault(segment.bank - 1, []).append(segment)
        elif segment.any_time and show.always_bank is not None:
            always.append(segment)
        else:
            free.append([segment])
    if show.always_bank is not None:
        if not 1 <= show.always_bank <= rig.banks:
            raise PlanError(
                f"the show's always-there bank is {show.always_bank}: rig {rig.name} has banks "
                f"1 to {rig.banks}"
            )
        if always:
            fixed.setdefault(show.always_bank - 1, []).extend(always)
    groups = [fixed[b] for b in sorted(fixed)] + free
    fixed_of = {id(fixed[b][0]): b for b in sorted(fixed)}
    if len(groups) > rig.banks:
        groups = _merge(groups, rig.banks, len(rig.pads))
    numbers: dict[int, list[Segment]] = {}
    unnumbered: list[list[Segment]] = []
    for group in groups:
        where = {fixed_of[id(s)] for s in group if id(s) in fixed_of}
        if where:
            numbers[min(where)] = group
        else:
            unnumbered.append(group)
    spare = [b for b in range(rig.banks) if b not in numbers]
    order = {s.name: i for i, s in enumerate(show.segments)}
    unnumbered.sort(key=lambda g: min(order[s.name] for s in g))
    score = np.zeros((len(unnumbered), len(spare)))
    for i, group in enumerate(unnumbered):
        clips = {name for s in group for name in _clips_of(s)}
        for j, bank in enumerate(spare):
            held = sum(
                1 for p in (known.places if known else ()) if p.bank - 1 == bank and p.clip in clips
            )
            pinned = sum(1 for p in show.pins if p.bank == bank + 1 and p.clip in clips)
            if known is not None and bank < len(known.bank_segments):
                held += SAME_BANK * sum(s.name in known.bank_segments[bank] for s in group)
            score[i, j] = -(held + 10 * pinned) + 1e-4 * (i - j) ** 2 / max(1, len(spare)) ** 2
    from scipy.optimize import linear_sum_assignment  # slow to load, and seldom needed

    rows, cols = linear_sum_assignment(score)
    for i, j in zip(rows, cols, strict=True):
        numbers[spare[j]] = unnumbered[i]
    return tuple(
        tuple(s.name for s in sorted(numbers.get(b, []), key=lambda s: order[s.name]))
        for b in range(rig.banks)
    )
