"""Two plain ways to fill pads, as a person or a simple program would, to compare with.

Both go segment by segment and fill the segment's own bank until it is full or
the memory is. ``list_order`` takes the wants as they stand in the file and the
pads by number; ``by_frequency`` takes the most hit first and the pad nearest
to the hand first. Neither thinks of voices, mis-hits, musts elsewhere, or
smaller versions. Their layouts are judged by the same evaluator as the plan.

Functions: ``list_order``, ``by_frequency``, ``compare_plain``.
"""

from __future__ import annotations

from dataclasses import dataclass

from padbank.domain import Layout
from padbank.layout.cost import Held
from padbank.layout.demands import Demand
from padbank.layout.evaluate import Evaluation, evaluate_problem
from padbank.layout.held import empty_held, put, to_layout
from padbank.layout.problem import Problem


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainWay:
    """A plain way's name, layout and judgement."""

    name: str
    layout: Layout
    evaluation: Evaluation


def _controls(problem: Problem, held: Held) -> None:
    """Free control hits on the last pads that are open in their banks."""
    for control, banks in problem.free_controls:
        for pad in reversed(range(len(problem.pads))):
            if all(pad not in held.control_pads[b] for b in banks):
                for bank in banks:
                    held.control_pads[bank].add(pad)
                    held.free_pads[(control.label, bank)] = pad
                break


def _fill(problem: Problem, by_hits: bool) -> Layout:
    held = empty_held(problem)
    _controls(problem, held)
    used = [0] * len(problem.devices)
    stored: dict[tuple[int, int], tuple[int, int]] = {}
    order = list(range(len(problem.pads)))
    if by_hits:
        order.sort(key=lambda q: (problem.reach_s[q], q))
    home = {name: b for b, names in enumerate(problem.bank_segments) for name in names}
    by_segment: dict[str, list[Demand]] = {}
    for demand in problem.demands:
        by_segment.setdefault(demand.segment, []).append(demand)
    for segment in problem.show.segments:
        bank = home.get(segment.name)
        demands = by_segment.get(segment.name, [])
        if bank is None:
            continue
        if by_hits:
            demands = sorted(demands, key=lambda d: -d.hits)
        for demand in demands:
            for clip in demand.clips[: demand.count]:
                if any(b == bank for b, _ in held.where.get(clip, ())):
                    continue
                for pad in order:
                    if pad in held.at[bank] or pad in held.control_pads[bank]:
                        continue
                    if not problem.pad_ok[clip][pad]:
                        continue
                    device = problem.device_of[pad]
                    version = problem.versions[clip][device][0]
                    new = (clip, device) not in stored
                    limit = problem.byte_limit(pad)
                    if limit is not None and version.n_bytes > limit:
                        continue
                    if new and used[device] + version.n_bytes > problem.devices[device].memory_bytes:
                        continue
                    if new:
                        used[device] += version.n_bytes
                        stored[(clip, device)] = (version.channels, version.sample_rate_hz)
                    put(held, bank, pad, (clip, *stored[(clip, device)]))
                    break
    return to_layout(problem, held)


def list_order(problem: Problem) -> Layout:
    """Wants as they stand in the file, pads by number."""
    return _fill(problem, by_hits=False)


def by_frequency(problem: Problem) -> Layout:
    """The most hit clip of each segment on the nearest pad."""
    return _fill(problem, by_hits=True)


def compare_plain(problem: Problem) -> tuple[PlainWay, ...]:
    """Both plain ways, judged by the planner's evaluator."""
    ways = (("list order", list_order(problem)), ("by frequency", by_frequency(problem)))
    return tuple(
        PlainWay(name=name, layout=layout, evaluation=evaluate_problem(problem, layout))
        for name, layout in ways
    )
