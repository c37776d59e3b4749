"""What a layout costs the player: one small named function per term.

Every term has an amount in its natural unit and a price in seconds of the
player's time; its cost is their product, and the objective is the sum.

========  ==================================================  ================
term      amount                                              unit
========  ==================================================  ================
wish      value of wants left out (of musts too)              value
away      expected hits away from the bank in hand            hits
reach     expected movement to the pads                       s
moved     places the hands do not know yet                    places
mishit    expected hits landing on a risky neighbour          hits
quality   loss by fewer channels or a lower rate              dB
========  ==================================================  ================

A hit away from the bank in hand costs two bank switches (there and back) and
the longest movement on the rig. A risky neighbour is a control hit, or, for a
quiet clip, a loud clip. A clip that the hands know counts 1 for each place
with a new pad and 0.5 where only the bank is new; one they do not know counts
1 for every pad beyond its first. Control hits that the planner may place
count one expected hit in each of their banks.

Functions: ``read_layout``, ``serve``, ``wish_lost``, ``away_hits``,
``reach_time``, ``places_moved``, ``risky_hits``, ``quality_lost``,
``price_terms``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from padbank.domain import Layout, Place
from padbank.layout.demands import Demand
from padbank.layout.problem import CONTROL_HITS, Problem

SIDE_BY_SIDE = 0.005
"""pads with at least this chance of a mis-hit are side by side (corner to corner is below it)"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One part of a layout's cost: ``cost = amount * price``, in seconds of the player's time."""

    name: str
    amount: float
    unit: str
    price: float
    cost: float
    text: str


@dataclass(slots=True, kw_only=True)
class Held:
    """A layout as numbers.

    ``at[bank][pad]`` is ``(clip, channels, rate)``; ``where[clip]`` its
    ``(bank, pad)`` places; ``control_pads[bank]`` the pads that hold control
    hits; ``free_pads`` the pad of each free control hit by its label and bank.
    """

    at: list[dict[int, tuple[int, int, int]]]
    where: dict[int, list[tuple[int, int]]] = field(default_factory=dict)
    control_pads: list[set[int]] = field(default_factory=list)
    free_pads: dict[tuple[str, int], int] = field(default_factory=dict)
    doubled: list[tuple[int, int]] = field(default_factory=list)
    strangers: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """One clip serving one demand: from which pads its hits are played.

    ``hits`` are ``(bank, pad, expected hits)`` in the bank in hand;
    ``away_hits`` are those that need a switch.
    """

    demand: int
    clip: int
    worth: float
    hits: tuple[tuple[int, int, float], ...]
    away_hits: float


def read_layout(problem: Problem, layout: Layout) -> Held:
    """The layout as numbers; places that cannot be read are kept for the findings."""
    held = Held(at=[{} for _ in range(problem.banks)])
    held.control_pads = [set(blocked) for blocked in problem.blocked]
    pad_index = {p.pad_id: i for i, p in enumerate(problem.pads)}
    free = {c.label for c, _ in problem.free_controls}
    for hit in layout.controls:
        if hit.label in free and hit.pad_id in pad_index and 1 <= hit.bank <= problem.banks:
            pad = pad_index[hit.pad_id]
            held.control_pads[hit.bank - 1].add(pad)
            held.free_pads[(hit.label, hit.bank - 1)] = pad
    for place in layout.places:
        clip = problem.index.get(place.clip)
        pad_no = pad_index.get(place.pad_id)
        if clip is None or pad_no is None or not 1 <= place.bank <= problem.banks:
            held.strangers.append(f"{place.clip} on {place.pad_id} of bank {place.bank}: {_lost(problem, place)}")
            continue
        bank = place.bank - 1
        if pad_no in held.at[bank]:
            held.doubled.append((bank, pad_no))
            continue
        held.at[bank][pad_no] = (clip, place.channels, place.sample_rate_hz)
        held.where.setdefault(clip, []).append((bank, pad_no))
    for spots in held.where.values():
        spots.sort()
    return held


def _lost(problem: Problem, place: Place) -> str:
    if place.clip not in problem.index:
        return "there is no such clip any more; clear the pad, or plan"
    if place.bank > problem.banks:
        return f"rig {problem.rig.name} has banks 1 to {problem.banks}; clear the place, or plan"
    return f"rig {problem.rig.name} has no such pad any more; clear the place, or plan"


def exposure(problem: Problem, held: Held, clip: int, bank: int, pad: int) -> float:
    """Chance that a hit for this clip on this pad lands on a risky neighbour."""
    quiet = clip in problem.quiet
    total = 0.0
    for other, chance in problem.miss[pad]:
        if other in held.control_pads[bank]:
            total += chance
        elif quiet:
            neighbour = held.at[bank].get(other)
            if neighbour is not None and neighbour[0] in problem.loud:
                total += chance
    return total


def _service(
    problem: Problem, held: Held, demand: Demand, clip: int
) -> tuple[float, tuple[tuple[int, int, float], ...], float]:
    """Cost of this clip serving this demand, the pads used, and the hits away."""
    prices = problem.prices
    cost, away = 0.0, 0.0
    used: list[tuple[int, int, float]] = []
    for bank, part in demand.share:
        hits = demand.hits * part
        best: tuple[float, int] | None = None
        for at_bank, pad in held.where.get(clip, ()):
            if at_bank == bank:
                price = prices.reach * problem.reach_s[pad] + prices.mishit * exposure(
                    problem, held, clip, bank, pad
                )
                if best is None or (price, pad) < best:
                    best = (price, pad)
        if best is None:
            away += hits
            cost += hits * prices.away_hit
        else:
            used.append((bank, best[1], hits))
            cost += hits * best[0]
    return cost, tuple(used), away


def serve(problem: Problem, held: Held) -> list[Served]:
    """Which placed clip serves which want: the cheapest choice, one want a clip and segment.

    A wish is served when that costs less than leaving it out; a must whenever
    a clip of it is placed.
    """
    by_segment: dict[str, list[int]] = {}
    for d, demand in enumerate(problem.demands):
        by_segment.setdefault(demand.segment, []).append(d)
    result: list[Served] = []
    for members in by_segment.values():
        rows: list[tuple[int, int, float, float]] = []  # demand, clip, gain, worth
        for d in members:
            demand = problem.demands[d]
            for clip, worth in zip(demand.clips, demand.worth, strict=True):
                if clip in held.where:
                    cost = _service(problem, held, demand, clip)[0]
                    gain = problem.prices.wish * demand.value * worth - cost
                    if demand.must:
                        gain += 1e7
                    if gain > 0:
                        rows.append((d, clip, gain, worth))
        for d, clip, _, worth in _assign(problem, rows):
            _, used, away = _service(problem, held, problem.demands[d], clip)
            result.append(Served(demand=d, clip=clip, worth=worth, hits=used, away_hits=away))
    return result


def _assign(
    problem: Problem, rows: list[tuple[int, int, float, float]]
) -> list[tuple[int, int, float, float]]:
    """The best choice of rows with at most ``count`` clips a demand and one demand a clip."""
    clips = sorted({c for _, c, _, _ in rows})
    units = [d for d in sorted({d for d, _, _, _ in rows}) for _ in range(problem.demands[d].count)]
    seen = [c for _, c, _, _ in rows]
    if len(seen) == len(set(seen)):  # no clip is asked for twice: each demand takes its best
        chosen = []
        for d in sorted({d for d, _, _, _ in rows}):
            mine = sorted((r for r in rows if r[0] == d), key=lambda r: (-r[2], r[1]))
            chosen += mine[: problem.demands[d].count]
        return chosen
    gain = np.zeros((len(units), len(clips)))
    found = {(d, c): (d, c, g, w) for d, c, g, w in rows}
    column = {c: j for j, c in enumerate(clips)}
    for i, d in enumerate(units):
        for (dd, c), row in found.items():
            if dd == d:
                gain[i, column[c]] = row[2]
    from scipy.optimize import linear_sum_assignment  # slow to load, and seldom needed

    picked = linear_sum_assignment(-gain)
    pairs = [(units[i], clips[j]) for i, j in zip(*picked, strict=True) if gain[i, j] > 0]
    return [found[pair] for pair in sorted(pairs)]


def wish_lost(problem: Problem, served: list[Served]) -> float:
    """Value of the wants left out, and of tags served by less used clips."""
    total = sum(d.value * d.count for d in problem.demands)
    return total - sum(problem.demands[s.demand].value * s.worth for s in served)


def away_hits(served: list[Served]) -> float:
    """Expected hits that need a bank switch."""
    return sum(s.away_hits for s in served)


def reach_time(problem: Problem, held: Held, served: list[Served]) -> float:
    """Expected seconds of movement to the pads, in the bank in hand and away from it."""
    total = sum(s.away_hits for s in served) * problem.away_reach_s
    total += sum(problem.reach_s[pad] * hits for s in served for _, pad, hits in s.hits)
    total += sum(CONTROL_HITS * problem.reach_s[pad] for pad in held.free_pads.values())
    return total


def places_moved(problem: Problem, held: Held) -> float:
    """Places that the hands have to learn."""
    total = 0.0
    for clip, spots in held.where.items():
        if clip in problem.known:
            total += sum(problem.move_price(clip, b, p) for b, p in spots)
        else:
            total += len({p for _, p in spots}) - 1
    return total


def risky_hits(problem: Problem, held: Held, served: list[Served]) -> float:
    """Expected hits that land on a risky neighbour instead of their pad."""
    return sum(
        hits * exposure(problem, held, s.clip, bank, pad)
        for s in served
        for bank, pad, hits in s.hits
    )


def risky_neighbours(problem: Problem, held: Held, served: list[Served]) -> int:
    """How many pairs of a loud clip and a quiet one that is played side by side with it.

    Pads beside a control hit are not counted: where all pads are used they
    cannot be avoided.
    """
    played = {(s.clip, bank, pad) for s in served for bank, pad, hits in s.hits if hits > 0}
    return sum(
        1
        for clip, bank, pad in sorted(played)
        if clip in problem.quiet
        for other, chance in problem.miss[pad]
        if chance >= SIDE_BY_SIDE and other in held.at[bank]
        if held.at[bank][other][0] in problem.loud
    )


def quality_lost(problem: Problem, held: Held) -> float:
    """dB lost, each stored version of a clip once per device."""
    stored = {
        (clip, problem.device_of[pad], channels, rate)
        for at in held.at
        for pad, (clip, channels, rate) in at.items()
    }
    versions = (problem.stored(*spot) for spot in sorted(stored))
    return sum(v.loss_db for v in versions if v is not None)


def price_terms(problem: Problem, held: Held, served: list[Served]) -> tuple[Term, ...]:
    """All terms of a layout, in the order of the table above."""
    weights, prices = problem.show.weights, problem.prices

    def term(name: str, amount: float, unit: str, price: float, text: str) -> Term:
        return Term(
            name=name, amount=amount, unit=unit, price=price, cost=amount * price, text=text
        )

    return (
        term("wish", wish_lost(problem, served), "value", prices.wish, "value of wants left out"),
        term(
            "away",
            away_hits(served),
            "hits",
            weights.away * prices.switch_s,
            "hits away from the bank in hand",
        ),
        term("reach", reach_time(problem, held, served), "s", prices.reach, "movement to the pads"),
        term("moved", places_moved(problem, held), "places", prices.moved, "places to learn anew"),
        term(
            "mishit",
            risky_hits(problem, held, served),
            "hits",
            prices.mishit,
            "hits landing on a risky neighbour",
        ),
        term(
            "quality",
            quality_lost(problem, held),
            "dB",
            prices.quality,
            "loss by mono or a lower rate",
        ),
    )
