"""Published problems with known optima, through the planner's own code path.

Sources: the 60 generalised assignment instances of the OR-Library
(Cattrysse, Salomon and Van Wassenhove 1994), as stored with their optima in
fontanf/generalizedassignmentsolver (MIT licence), commit 1d25a76; and QAPLIB
nug5 to nug8 (Nugent, Vollmann and Ruml 1968 and reductions), as stored in
didoudiaz/QAP-instances, commit 3cfd4f2. They are read from a folder outside
the project and never copied into it.
"""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from padbank.layout.known_optima import gap_show, read_gap, read_qap, swap_descent
from padbank.layout.seats import best_swap
from padbank.layout.solve import solve

SMALL = ("gap1-3", "gap1-4", "gap2-4", "gap3-4")


def folder():
    named = os.environ.get("PADBANK_BENCHMARKS")
    place = Path(named) if named else Path(__file__).parents[3] / "shared" / "benchmarks"
    if not (place / "gap" / "optima.csv").is_file():
        pytest.skip(f"no published instances in {place.name}: set PADBANK_BENCHMARKS to their folder")
    return place


def optima(place):
    with open(place / "gap" / "optima.csv", newline="") as file:
        return {row["Path"].split("/")[-1]: int(row["Optimum"]) for row in csv.DictReader(file)}


@pytest.mark.parametrize("name", SMALL)
def test_generalised_assignment(name):
    place = folder()
    pack = gap_show(*read_gap((place / "gap" / name).read_text()))
    result = solve(pack.rig, pack.show, pack.clips)
    assert result.status == "proved"
    assert result.objective == pytest.approx(optima(place)[name], abs=1e-6)


@pytest.mark.slow
def test_all_generalised_assignments():
    if not os.environ.get("PADBANK_BENCHMARKS"):
        pytest.skip("all 60 take minutes: set PADBANK_BENCHMARKS to run them")
    place = folder()
    for name, optimum in optima(place).items():
        pack = gap_show(*read_gap((place / "gap" / name).read_text()))
        result = solve(pack.rig, pack.show, pack.clips)
        assert (result.status, round(result.objective, 6)) == ("proved", optimum), name


@pytest.mark.parametrize("name", ["nug5", "nug6", "nug7", "nug8"])
def test_swaps_find_the_optimum(name):
    _, optimum, flow, distance = read_qap((folder() / "qap" / f"{name}.qap").read_text())
    assert swap_descent(flow, distance) == optimum


def test_best_swap_against_every_pair():
    rng = np.random.default_rng(5)
    for _ in range(100):
        n = int(rng.integers(2, 7))
        item, price = rng.permutation(n), rng.random((n, n))
        flow, distance = rng.random((n, n)), rng.random((n, n))

        def cost(order, price=price, flow=flow, distance=distance):
            linear = price[order, np.arange(len(order))].sum()
            return linear + (flow[np.ix_(order, order)] * distance).sum()

        least, pair = -1e-9, None
        for a in range(n):
            for b in range(a + 1, n):
                other = item.copy()
                other[[a, b]] = other[[b, a]]
                change = cost(other) - cost(item)
                if change < least:
                    least, pair = change, (a, b)
        found = best_swap(item, price, flow, distance)
        assert (None if found is None else tuple(sorted(found))) == pair
