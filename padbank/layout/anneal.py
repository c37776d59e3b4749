"""Which pad of its bank each clip sits on, for all banks together.

What is in which bank stays. A clip that sits in several banks should keep its
pad in all of them, so banks cannot be arranged one by one: moving such a clip
helps only when its copies move with it. Three moves are tried by simulated
annealing: two pads of one bank change places; they do so in all banks where
copies of what moved sit on them too, bank after bank; and a clip goes to one
pad in all its banks at once. The temperature falls to where only gains are taken; the
best arrangement seen is returned. Fixed seed, a fixed number of steps: the
same layout on every machine.

Functions: ``anneal_pads``.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from padbank.layout.cost import Held
from padbank.layout.held import set_bank
from padbank.layout.problem import Problem
from padbank.layout.seats import seat_prices

STEPS_A_CLIP = 120
"""tries for each clip of each bank"""
HOT_S = 0.25
COLD_S = 0.004
"""temperatures at the beginning and the end, in seconds of the player's time"""
MOST_BANKS = 12
"""banks in which one try may change two pads"""
ALONE_EVERY = 8
"""one try in so many changes two pads of one bank only"""
TOGETHER_EVERY = 6
"""one try in so many moves a clip in all its banks at once"""


class _Pads:
    """Pads of all banks with what sits there, and what a change of places costs."""

    def __init__(
        self, problem: Problem, held: Held, hits: dict[tuple[int, int], float]
    ) -> None:
        self.p = problem
        prices = problem.prices
        self.new_pad = prices.moved
        n = len(problem.pads)
        self.at = [[at[q][0] if q in at else -1 for q in range(n)] for at in held.at]
        self.open = [
            [q for q in range(n) if q not in held.control_pads[b]] for b in range(problem.banks)
        ]
        self.cost: list[dict[int, list[float]]] = []
        self.aimed: list[dict[int, float]] = []
        self.risky: list[bool] = []
        for b in range(problem.banks):
            self.cost.append({-1: [0.0] * n, **seat_prices(problem, held, b, hits)})
            clips = [c for c in self.at[b] if c >= 0]
            self.aimed.append(
                {
                    c: hits[(c, b)] * prices.mishit
                    for c in clips
                    if c in problem.quiet and hits.get((c, b), 0.0) > 0
                }
            )
            self.risky.append(bool(self.aimed[b]) and any(c in problem.loud for c in clips))
        self.hits_near = problem.miss
        self.aimed_near: list[list[tuple[int, float]]] = [[] for _ in range(n)]
        for q, others in enumerate(problem.miss):
            for other, chance in others:
                self.aimed_near[other].append((q, chance))
        self.spots: dict[int, dict[int, int]] = {}
        for b, seats in enumerate(self.at):
            for q, clip in enumerate(seats):
                if clip >= 0:
                    self.spots.setdefault(clip, {})[b] = q
        self.used: dict[int, dict[int, int]] = {}
        for clip, where in self.spots.items():
            if len(where) > 1 and clip not in problem.known and self.new_pad > 0:
                counts: dict[int, int] = {}
                for q in where.values():
                    counts[q] = counts.get(q, 0) + 1
                self.used[clip] = counts

    def _risk_of(self, bank: int, a: int, b: int) -> float:
        """Price of mis-hits between what sits on two pads and all the others of a bank."""
        at, aimed, loud = self.at[bank], self.aimed[bank], self.p.loud
        total = 0.0
        for pad, twin in ((a, -1), (b, a)):
            clip = at[pad]
            if clip < 0:
                continue
            if clip in aimed:
                near = 0.0
                for other, chance in self.hits_near[pad]:
                    if other != twin and at[other] in loud:
                        near += chance
                total += aimed[clip] * near
            if clip in loud:
                for other, chance in self.aimed_near[pad]:
                    if other != twin and at[other] in aimed:
                        total += chance * aimed[at[other]]
        return total

    def _recount(self, clip: int, old: int, new: int) -> float:
        """Keep count of a clip's pads; the change in what new pads cost."""
        counts = self.used.get(clip)
        if counts is None:
            return 0.0
        change = 0.0
        left = counts[old] - 1
        if left:
            counts[old] = left
        else:
            del counts[old]
            change -= self.new_pad
        if new in counts:
            counts[new] += 1
        else:
            counts[new] = 1
            change += self.new_pad
        return change

    def swap(self, bank: int, a: int, b: int) -> float:
        """Change the places of two pads and return what that costs; infinite: not done."""
        at, cost = self.at[bank], self.cost[bank]
        one, two = at[a], at[b]
        change = cost[one][b] + cost[two][a] - cost[one][a] - cost[two][b]
        if change == math.inf:
            return math.inf
        risky = self.risky[bank]
        if risky:
            change -= self._risk_of(bank, a, b)
        at[a], at[b] = two, one
        if one >= 0:
            change += self._recount(one, a, b)
            self.spots[one][bank] = b
        if two >= 0:
            change += self._recount(two, b, a)
            self.spots[two][bank] = a
        if risky:
            change += self._risk_of(bank, a, b)
        return change

    def gather(self, clip: int, pad: int) -> tuple[float, list[tuple[int, int]]]:
        """Put a clip on one pad in all its banks that allow it; the swaps that were done."""
        change, done = 0.0, []
        for bank, old in list(self.spots[clip].items()):
            if old != pad and pad in self.open[bank]:
                step = self.swap(bank, old, pad)
                if step != math.inf:
                    change += step
                    done.append((bank, old))
        return change, done

    def chain(self, bank: int, a: int, b: int, most: int) -> tuple[float, list[int]]:
        """Change two pads of a bank, and of the banks where copies of what moved sit there too.

        So a change breaks up no clip that was on one pad in all its banks. The
        swaps that were done are those of the banks returned; infinite: none was.
        """
        change, done, seen, todo = 0.0, [], {bank}, [bank]
        while todo:
            here = todo.pop()
            moving = ((self.at[here][a], a), (self.at[here][b], b))
            step = self.swap(here, a, b)
            if step == math.inf:
                if here == bank:
                    return math.inf, []
                continue
            change += step
            done.append(here)
            if len(done) == most:
                break
            for clip, old in moving:
                if clip in self.used:
                    for other, pad in self.spots[clip].items():
                        if pad == old and other not in seen:
                            seen.add(other)
                            todo.append(other)
        return change, done


def anneal_pads(
    problem: Problem,
    held: Held,
    hits: dict[tuple[int, int], float],
    *,
    steps_a_clip: int = STEPS_A_CLIP,
    hot_s: float = HOT_S,
    over: Callable[[], bool] = lambda: False,
) -> float:
    """Arrange the clips of all banks on their pads, in place; the seconds that it saves.

    Parameters
    ----------
    held : the layout; every limit that it keeps it keeps afterwards
    hits : expected hits by clip and bank (``seats.home_hits``)
    steps_a_clip : tries for each clip of each bank
    hot_s : temperature at the beginning, in seconds of the player's time
    over : asked now and then; True ends with the best so far
    """
    pads = _Pads(problem, held, hits)
    banks = [b for b in range(problem.banks) if len(pads.open[b]) > 1 and held.at[b]]
    if not banks:
        return 0.0
    roll = random.Random(20).random
    several = sorted(pads.used)
    steps = steps_a_clip * sum(len(held.at[b]) for b in banks)
    best_change, change = 0.0, 0.0
    best = [list(row) for row in pads.at]
    falling = math.log(COLD_S / hot_s)
    heat = hot_s
    for step in range(steps):
        if step % 256 == 0:
            heat = hot_s * math.exp(falling * step / steps)
            if over():
                break
        if several and step % TOGETHER_EVERY == 0:
            clip = several[int(roll() * len(several))]
            bank = list(pads.spots[clip])[int(roll() * len(pads.spots[clip]))]
            goals = pads.open[bank]
            pad = pads.spots[clip][bank] if roll() < 0.5 else goals[int(roll() * len(goals))]
            gain, done = pads.gather(clip, pad)
            if done and gain > 0 and roll() >= math.exp(-gain / heat):
                for at_bank, old in reversed(done):
                    pads.swap(at_bank, old, pad)
                continue
        else:
            bank = banks[int(roll() * len(banks))]
            goals = pads.open[bank]
            a, b = goals[int(roll() * len(goals))], goals[int(roll() * len(goals))]
            if a == b or pads.at[bank][a] == pads.at[bank][b]:
                continue
            alone = step % ALONE_EVERY == 1
            gain, swapped = pads.chain(bank, a, b, 1 if alone else MOST_BANKS)
            if gain == math.inf:
                continue
            if gain > 0 and roll() >= math.exp(-gain / heat):
                for here in reversed(swapped):
                    pads.swap(here, a, b)
                continue
        change += gain
        if change < best_change - 1e-9:
            best_change = change
            best = [list(row) for row in pads.at]
    spots = [{at[q][0]: at[q] for q in at} for at in held.at]
    for bank in range(problem.banks):
        set_bank(held, bank, {q: spots[bank][c] for q, c in enumerate(best[bank]) if c >= 0})
    return -best_change
