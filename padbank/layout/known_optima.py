"""Published problems with known optima, stated as shows, to test the planner with.

Generalised assignment (each job to one agent, costs and resources by agent,
capacities): one agent is a device with a surface of its own, its capacity is
the device's memory, a job is a must clip with one version per device, whose
size is the resource and whose loss in dB is the cost. With only the price of
quality left, the planner's objective is the published one.

Quadratic assignment (facilities to places, flow times distance): only the
pair swaps of ``held`` apply; ``swap_descent`` runs them from many starts.

Functions: ``read_gap``, ``gap_show``, ``read_qap``, ``swap_descent``.
"""

from __future__ import annotations

import itertools

import numpy as np

from padbank.domain import Device, Pad, Rig, Segment, Show, Want, Weights
from padbank.errors import InputError
from padbank.layout.facts import ClipFacts, Version
from padbank.layout.packs import Pack
from padbank.layout.seats import best_swap


def read_gap(text: str) -> tuple[list[list[int]], list[list[int]], list[int]]:
    """Costs and resources by agent and job, and capacities, of an OR-Library text."""
    numbers = [int(n) for n in text.split()]
    agents, jobs = numbers[0], numbers[1]
    if len(numbers) != 2 + 2 * agents * jobs + agents:
        raise InputError("not a generalised assignment instance: its count of numbers is wrong")
    body = numbers[2:]
    costs = [body[i * jobs : (i + 1) * jobs] for i in range(agents)]
    body = body[agents * jobs :]
    sizes = [body[i * jobs : (i + 1) * jobs] for i in range(agents)]
    return costs, sizes, body[agents * jobs :]


def gap_show(costs: list[list[int]], sizes: list[list[int]], capacities: list[int]) -> Pack:
    """The instance as a rig of one bank with a device for each agent, and a show of musts."""
    agents, jobs = len(costs), len(costs[0])
    devices = tuple(
        Device(name=f"agent-{i + 1}", memory_bytes=capacities[i], voices=1000, sample_rates_hz=(8000 + i,))
        for i in range(agents)
    )
    # a pad for every job that could fit, far from its neighbours and all equally near
    pads = tuple(
        Pad(
            surface=f"s{i + 1}",
            number=n + 1,
            x_mm=0.0,
            y_mm=0.0,
            w_mm=50.0,
            h_mm=50.0,
            device=f"agent-{i + 1}",
        )
        for i in range(agents)
        for n in range(_most_jobs(sizes[i], capacities[i]))
    )
    rig = Rig(name="agents", title="Agents as devices", banks=1, pads=pads, devices=devices)
    clips = {
        f"job-{j + 1}": ClipFacts(
            name=f"job-{j + 1}",
            duration_s=0.05,
            versions=tuple(
                Version(
                    channels=1,
                    sample_rate_hz=8000 + i,
                    n_bytes=sizes[i][j],
                    loss_db=float(costs[i][j]),
                )
                for i in range(agents)
            ),
        )
        for j in range(jobs)
    }
    wants = tuple(Want(clip=name, hits=0.0, must=True, value=0.0) for name in clips)
    show = Show(
        name="jobs",
        rig="agents",
        segments=(Segment(name="all-jobs", wants=wants),),
        weights=Weights(wish=0.0, away=0.0, reach=0.0, moved=0.0, mishit=0.0, quality=1.0),
    )
    return Pack(rig=rig, show=show, clips=clips)


def _most_jobs(sizes: list[int], capacity: int) -> int:
    """How many jobs an agent can take at most: the smallest ones first."""
    total, count = 0, 0
    for size in sorted(sizes):
        if total + size > capacity:
            break
        total += size
        count += 1
    return count


def read_qap(text: str) -> tuple[int, int, np.ndarray, np.ndarray]:
    """Size, known optimum and the two matrices of a QAPLIB text with its optimum in line one."""
    numbers = [int(n) for n in text.split()]
    n, optimum = numbers[0], numbers[1]
    body = np.array(numbers[-2 * n * n :], dtype=float)
    return n, optimum, body[: n * n].reshape(n, n), body[n * n :].reshape(n, n)


def swap_descent(flow: np.ndarray, distance: np.ndarray, starts: int = 60) -> int:
    """The best cost that swapping pairs finds from a fixed series of starts."""
    n = len(flow)
    best = np.inf
    for start in itertools.islice(_starts(n), starts):
        item = np.array(start)
        price = np.zeros((n, n))
        while True:
            pair = best_swap(item, price, flow, distance)
            if pair is None:
                break
            a, b = pair
            item[a], item[b] = item[b], item[a]
        best = min(best, float((flow[np.ix_(item, item)] * distance).sum()))
    return round(best)


def _starts(n: int) -> itertools.chain[tuple[int, ...]]:
    """Rotations, and every third permutation of a fixed order."""
    order = tuple(range(n))
    turns = (order[i:] + order[:i] for i in range(n))
    return itertools.chain(turns, itertools.islice(itertools.permutations(order[::-1]), 0, None, 37))
