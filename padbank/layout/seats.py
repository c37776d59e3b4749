"""Which pad of its bank each clip sits on, one bank at a time.

Functions: ``home_hits``, ``seat_prices``, ``arrange``, ``best_swap``.
"""

from __future__ import annotations

import math

import numpy as np

from padbank.layout.cost import Held
from padbank.layout.held import Spot, set_bank
from padbank.layout.problem import Problem


def home_hits(problem: Problem) -> dict[tuple[int, int], float]:
    """Expected hits of each clip in each bank where some segment may ask for it."""
    hits: dict[tuple[int, int], float] = {}
    for demand in problem.demands:
        for clip in demand.clips:
            for bank, part in demand.share:
                key = (clip, bank)
                hits[key] = hits.get(key, 0.0) + demand.hits * part
    return hits


def seat_prices(
    problem: Problem, held: Held, bank: int, hits: dict[tuple[int, int], float]
) -> dict[int, list[float]]:
    """What each clip of a bank costs on each pad, in seconds, all other clips aside.

    Movement, the risk of striking a control hit, and pads that the hands do
    not know; infinite where a clip may not sit. A clip stays on its device.
    """
    prices = problem.prices
    pads = range(len(problem.pads))
    struck = [
        prices.mishit * sum(x for other, x in problem.miss[q] if other in held.control_pads[bank])
        for q in pads
    ]
    pins: dict[int, list[int]] = {}
    for clip, pad, b in problem.pins:
        if b is None or b == bank:
            pins.setdefault(clip, []).append(pad)
    result: dict[int, list[float]] = {}
    for at, (clip, channels, rate) in held.at[bank].items():
        device = problem.device_of[at]
        version = problem.stored(clip, device, channels, rate)
        wanted = hits.get((clip, bank), 0.0)
        row = []
        for pad in pads:
            limit = problem.byte_limit(pad)
            closed = (
                not problem.pad_ok[clip][pad]
                or problem.device_of[pad] != device
                or (limit is not None and version is not None and version.n_bytes > limit)
                or (clip in pins and pad not in pins[clip])
            )
            row.append(
                math.inf
                if closed
                else wanted * (prices.reach * problem.reach_s[pad] + struck[pad])
                + prices.moved * problem.move_price(clip, bank, pad)
            )
        result[clip] = row
    return result


def arrange(problem: Problem, held: Held, bank: int, hits: dict[tuple[int, int], float]) -> None:
    """Spread a bank's clips over its pads: an assignment without risk between clips,
    then swaps and moves while they lower the cost with it. Limits of pads are kept."""
    at = held.at[bank]
    if not at:
        return
    clips = [at[q] for q in sorted(at)]
    pads = [q for q in range(len(problem.pads)) if q not in held.control_pads[bank]]
    huge = 1e6
    cost = np.full((len(clips), len(pads)), huge)
    prices_here = seat_prices(problem, held, bank, hits)
    for i, (clip, _, _) in enumerate(clips):
        elsewhere = {q for b, q in held.where[clip] if b != bank}
        stays = clip in problem.known or not elsewhere
        for j, pad in enumerate(pads):
            price = prices_here[clip][pad]
            if price < math.inf:
                cost[i, j] = price + (0.0 if stays or pad in elsewhere else problem.prices.moved)
    from scipy.optimize import linear_sum_assignment  # slow to load, and not every command needs it

    rows, cols = linear_sum_assignment(cost)
    if cost[rows, cols].max() >= huge:
        return
    seat = {int(j): int(i) for i, j in zip(rows, cols, strict=True)}
    seat = _lower_risk(problem, bank, clips, pads, cost, seat, hits)
    set_bank(held, bank, {pads[j]: clips[i] for j, i in seat.items()})


def _lower_risk(
    problem: Problem,
    bank: int,
    clips: list[Spot],
    pads: list[int],
    cost: np.ndarray,
    seat: dict[int, int],
    hits: dict[tuple[int, int], float],
) -> dict[int, int]:
    """Swap two places (or move to an empty one) while that lowers cost and risk together."""
    loud = [clip in problem.loud for clip, _, _ in clips]
    quiet = [
        hits.get((clip, bank), 0.0) * problem.prices.mishit if clip in problem.quiet else 0.0
        for clip, _, _ in clips
    ]
    if not any(loud) or not any(quiet):
        return seat
    column = {pad: j for j, pad in enumerate(pads)}
    n = len(pads)
    miss = np.zeros((n, n))
    for j, pad in enumerate(pads):
        for other, chance in problem.miss[pad]:
            if other in column:
                miss[j, column[other]] = chance
    # one item more for "nothing here"
    price = np.vstack([cost, np.zeros((1, n))])
    flow = np.outer([*quiet, 0.0], [*(1.0 if x else 0.0 for x in loud), 0.0])
    item = np.array([seat.get(j, len(clips)) for j in range(n)])
    for _ in range(4 * n):
        pair = best_swap(item, price, flow, miss)
        if pair is None:
            break
        a, b = pair
        item[a], item[b] = item[b], item[a]
    return {j: int(i) for j, i in enumerate(item) if i < len(clips)}


def best_swap(
    item: np.ndarray, price: np.ndarray, flow: np.ndarray, distance: np.ndarray
) -> tuple[int, int] | None:
    """The pair of places whose exchange lowers the cost most, or None.

    The cost is ``sum(price[item[p], p]) + sum(flow[item[p], item[q]] *
    distance[p, q])``: a quadratic assignment. All pairs at once.

    Parameters
    ----------
    item : (places,) what sits where
    price : (items, places); flow : (items, items); distance : (places, places)
    """
    n = len(item)
    here = price[item, np.arange(n)]
    there = price[item]
    change = there + there.T - here[:, None] - here[None, :]
    g, d = flow[np.ix_(item, item)], distance
    for a, b in ((g, d), (g.T, d.T)):  # what leaves a place, and what comes to it
        product = a @ b.T
        own = np.diag(product)
        change += product + product.T - own[:, None] - own[None, :]
        # the two places themselves are counted apart, below
        ga, da = np.diag(a), np.diag(b)
        change -= (a.T - ga[:, None]) * (da[:, None] - b.T)
        change -= (ga[None, :] - a) * (b - da[None, :])
    gd, dd = np.diag(g), np.diag(d)
    change += (gd[None, :] - gd[:, None]) * (dd[:, None] - dd[None, :])
    change += (g.T - g) * (d - d.T)
    best = int(np.argmin(change))
    first, second = divmod(best, n)
    return None if change[first, second] > -1e-9 else (first, second)
