"""``padbank bench plan``: seeded shows of four sizes through the planner.

For each size: when the first good layout was there, status, gap and gap
without lost wishes after the time allowed, the voice limits broken (always
0), the risky neighbours, and two plain ways on the same evaluator beside it.
Then one changed want on a medium show (how many other clips move), how cost
grows with clips, general solvers on the same exact model (``--peers``), an invented 12-hour request show, and, with ``--optima``,
the 60 published assignment instances.

Each run is a process of its own, so that its peak memory is its own. Times
are wall-clock with the processor time beside them: on a busy machine the
second is the one to compare.

Functions: ``run``, ``bench_plan``.
"""

from __future__ import annotations

import argparse
import csv
import json
import multiprocessing
import os
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

from padbank.bench.peer_solvers import peer_rows
from padbank.domain import Layout, Want
from padbank.layout.best import Best, Clock
from padbank.layout.cost import read_layout, risky_neighbours, serve
from padbank.layout.known_optima import gap_show, read_gap
from padbank.layout.packs import Pack, random_pack, request_pack, sized_pack
from padbank.layout.plain import compare_plain
from padbank.layout.problem import build_problem
from padbank.layout.solve import run_stages, solve

SECONDS = {"small": 10.0, "medium": 60.0, "large": 60.0, "extreme": 240.0, "request": 60.0}
VOICE_CODES = ("voices", "voices-tail")


def _peak_mb() -> float:
    """Peak resident memory of this process in MB, 0 where the platform does not tell."""
    try:
        import resource
    except ImportError:
        return 0.0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6


def _pack(size: str, seed: int) -> Pack:
    return request_pack(seed) if size == "request" else random_pack(size, seed)


def _never() -> bool:
    return False


def measure_size(size: str, seed: int, seconds: float, processor_clock: bool) -> dict[str, Any]:
    """One run of one size, with the plain ways on the same problem."""
    pack = _pack(size, seed)
    return measure_pack(pack, f"{size}", seed, seconds, processor_clock)


def _clock(processor_clock: bool) -> Callable[[], float]:
    """Wall clock, or processor time of both threads halved, for a machine that is shared."""
    return (lambda: time.process_time() / 2) if processor_clock else time.monotonic


def measure_pack(
    pack: Pack, name: str, seed: int, seconds: float, processor_clock: bool
) -> dict[str, Any]:
    """One run of one pack."""
    now = _clock(processor_clock)
    began, processor = now(), time.process_time()
    problem = build_problem(pack.rig, pack.show, pack.clips)
    best = Best(problem)
    clock = Clock(seconds, _never, now)
    run_stages(best, clock)
    spent, spent_processor = now() - began, time.process_time() - processor
    if best.layout is None or best.evaluation is None:
        return {"name": name, "seed": seed, "failed": True, "seconds": spent}
    evaluation = best.evaluation
    plain = compare_plain(problem)

    def broken(findings: Sequence[Any]) -> int:
        return sum(f.code in VOICE_CODES for f in findings)

    def risky(layout: Layout) -> int:
        held = read_layout(problem, layout)
        return risky_neighbours(problem, held, serve(problem, held))

    difference = max(0.0, evaluation.objective - best.bound)
    if best.proved:
        difference = 0.0
    without = evaluation.objective - evaluation.wish_cost
    return {
        "name": name,
        "seed": seed,
        "clips": len(problem.clips),
        "banks": f"{problem.banks}×{len(problem.pads)}",
        "first_s": best.first_s,
        "first_cost": best.first_cost,
        "status": "proved" if best.proved else "within",
        "objective": evaluation.objective,
        "bound": min(best.bound, evaluation.objective),
        "gap": difference / evaluation.objective if evaluation.objective else 0.0,
        "gap_without_wishes": difference / without if without > 1e-9 else 0.0,
        "seconds": spent,
        "processor_s": spent_processor,
        "peak_mb": _peak_mb(),
        "placed": len({p.clip for p in best.layout.places}),
        "left_out": len(evaluation.left_out),
        "voices_broken": broken(evaluation.findings),
        "risky": risky(best.layout),
        "plain": [
            {
                "name": way.name,
                "cost_ratio": way.evaluation.objective / evaluation.objective,
                "voices_broken": broken(way.evaluation.findings),
                "musts_missing": sum(f.code == "must-missing" for f in way.evaluation.findings),
                "risky": risky(way.layout),
            }
            for way in plain
        ],
    }


def measure_change(seed: int, seconds: float, processor_clock: bool) -> list[dict[str, Any]]:
    """One want dropped, added and tripled on a medium show whose layout the hands know."""
    pack = random_pack("medium", seed)
    now = _clock(processor_clock)
    problem = build_problem(pack.rig, pack.show, pack.clips)
    best = Best(problem)
    run_stages(best, Clock(20.0, _never, now))
    if best.layout is None:
        return []
    known = best.layout
    rows = []
    for what in ("dropped", "added", "tripled"):
        show, clip = _changed(pack, known, what)
        for weight in (pack.show.weights.moved, 0.0):
            changed = replace(show, weights=replace(show.weights, moved=weight))
            began, processor = now(), time.process_time()
            problem = build_problem(pack.rig, changed, pack.clips, known)
            best = Best(problem)
            run_stages(best, Clock(seconds, _never, now))
            if best.layout is None:
                continue
            rows.append(
                {
                    "what": what,
                    "staying": weight > 0,
                    "moved": _moved(known, best.layout, clip),
                    "placed": len({p.clip for p in best.layout.places}),
                    "gap": max(0.0, best.objective - best.bound) / best.objective,
                    "seconds": now() - began,
                    "processor_s": time.process_time() - processor,
                }
            )
    return rows


def _changed(pack: Pack, known: Layout, what: str) -> tuple[Any, str]:
    """The show with one want of its third segment changed, and the clip it is about."""
    segment = pack.show.segments[2]
    placed = {p.clip for p in known.places}
    wishes = [w for w in segment.wants if w.clip in placed and not w.must]
    if what == "added":
        here = {w.clip for w in segment.wants}
        clip = next(n for n in sorted(pack.clips) if n not in placed and n not in here)
        wants = (*segment.wants, Want(clip=clip, hits=6.0, value=2.0))
    else:
        target = wishes[0]
        clip = target.clip or ""
        wants = tuple(
            replace(w, hits=3 * w.hits) if w is target else w
            for w in segment.wants
            if what == "tripled" or w is not target
        )
    segments = tuple(
        replace(s, wants=wants) if s is segment else s for s in pack.show.segments
    )
    return replace(pack.show, segments=segments), clip


def _moved(old: Layout, new: Layout, but: str) -> int:
    """Clips of both layouts, the changed one aside, of which some place differs."""

    def spots(layout: Layout) -> dict[str, set[tuple[int, str]]]:
        found: dict[str, set[tuple[int, str]]] = {}
        for p in layout.places:
            found.setdefault(p.clip, set()).add((p.bank, p.pad_id))
        return found

    a, b = spots(old), spots(new)
    return sum(1 for clip in a if clip in b and clip != but and a[clip] != b[clip])


def measure_growth(seconds: float, processor_clock: bool) -> list[dict[str, Any]]:
    """The same kind of show, ever larger, in the same time."""
    rows = []
    for clips, banks in ((30, 3), (75, 6), (150, 12), (300, 24), (600, 48)):
        pack = sized_pack(clips, banks, 10, f"growth/{clips}")
        rows.append(measure_pack(pack, f"{clips} clips", 0, seconds, processor_clock))
    return rows


def measure_optima(folder: Path) -> list[dict[str, Any]]:
    """The published assignment instances through ``solve``."""
    rows = []
    with open(folder / "gap" / "optima.csv", newline="") as file:
        table = list(csv.DictReader(file))
    for row in table:
        name = row["Path"].split("/")[-1]
        pack = gap_show(*read_gap((folder / "gap" / name).read_text()))
        processor = time.process_time()
        result = solve(pack.rig, pack.show, pack.clips)
        rows.append(
            {
                "name": name,
                "optimum": int(row["Optimum"]),
                "found": round(result.objective, 6),
                "status": result.status,
                "processor_s": time.process_time() - processor,
            }
        )
    return rows


def _apart(function: Callable[..., Any], *arguments: Any) -> Any:
    """Call a function in a process of its own; what it raises, or its death, is raised here."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as process:
        return process.submit(function, *arguments).result()


def _print_sizes(rows: list[dict[str, Any]]) -> None:
    print(
        f"{'size':10} {'clips':>5} {'banks':>7} {'first':>12} {'status':>7} {'cost':>9} {'gap':>7} "
        f"{'no wish':>8} {'time':>7} {'cpu':>7} {'peak':>7} {'voices':>6} {'risky':>5}   plain ways: cost ratio, voices broken, musts missed, risky"
    )
    for r in rows:
        if r.get("failed"):
            print(f"{r['name']:10} no layout in {r['seconds']:.1f} s")
            continue
        plain = "; ".join(
            f"{w['name']} ×{w['cost_ratio']:.2f} {w['voices_broken']} {w['musts_missing']} {w['risky']}"
            for w in r["plain"]
        )
        first = f"{r['first_s']:.2f} s ×{r['first_cost'] / r['objective']:.2f}"
        print(
            f"{r['name']:10} {r['clips']:5d} {r['banks']:>7} {first:>12} {r['status']:>7} "
            f"{r['objective']:9.2f} {100 * r['gap']:6.2f}% {100 * r['gap_without_wishes']:7.2f}% "
            f"{r['seconds']:5.1f} s {r['processor_s']:5.1f} s {r['peak_mb']:4.0f} MB "
            f"{r['voices_broken']:6d} {r['risky']:5d}   {plain}"
        )


def _print_peer(r: dict[str, Any]) -> None:
    if r["status"] == "not installed":
        words = "not installed (pip install ortools)"
    elif r["gap"] is None:
        words = f"no layout ({r['status']}), {r['seconds']:.1f} s"
    else:
        words = f"cost {r['objective']:.2f}, gap {100 * r['gap']:.2f}%, {r['seconds']:.1f} s ({r['status']})"
    print(f"  {r['size']:10} {r['solver']:12} {words}", flush=True)


def bench_plan(
    sizes: Sequence[str],
    seconds: float | None = None,
    out: Path | None = None,
    *,
    seeds: Sequence[int] = (1,),
    processor_clock: bool = False,
    change: bool = True,
    growth: bool = False,
    optima: Path | None = None,
    peers: bool = False,
) -> dict[str, Any]:
    """Run the benchmark and print its tables.

    Parameters
    ----------
    sizes : of ``small``, ``medium``, ``large``, ``extreme``, ``request``; all but the last
        with ``-tight`` behind them for a third fewer voices
    seconds : for every size instead of its own time
    out : write the figures as JSON too
    processor_clock : count processor time, halved over two threads, instead of wall clock
    """
    found: dict[str, Any] = {"sizes": [], "change": [], "growth": [], "optima": [], "peers": []}
    unit = "processor seconds of two threads, halved" if processor_clock else "wall clock"
    print(f"planner, {os.cpu_count()} cores, time by {unit}\n")
    for size in sizes:
        for seed in seeds:
            limit = SECONDS[size.removesuffix("-tight")] if seconds is None else seconds
            found["sizes"].append(_apart(measure_size, size, seed, limit, processor_clock))
    _print_sizes(found["sizes"])
    if change:
        found["change"] = _apart(measure_change, seeds[0], 4.7, processor_clock)
        print("\none changed want on a medium show whose layout the hands know:")
        for r in found["change"]:
            kind = "with the price of moving" if r["staying"] else "without it"
            print(
                f"  {r['what']:8} {kind:25} {r['moved']:3d} of {r['placed']} other clips moved, "
                f"gap {100 * r['gap']:.2f}%, {r['seconds']:.1f} s (cpu {r['processor_s']:.1f} s)"
            )
    if growth:
        found["growth"] = _apart(measure_growth, 10.0, processor_clock)
        print("\nthe same kind of show, ever larger, 10 s each:")
        _print_sizes(found["growth"])
    if peers:
        print("\ngeneral solvers given the whole exact model, same seconds:")
        for size in sizes:
            if size == "request":
                continue
            limit = SECONDS[size.removesuffix("-tight")] if seconds is None else seconds
            for r in _apart(peer_rows, size, seeds[0], limit):
                found["peers"].append(r)
                _print_peer(r)
    if optima is not None:
        found["optima"] = _apart(measure_optima, optima)
        right = sum(r["found"] == r["optimum"] and r["status"] == "proved" for r in found["optima"])
        processor_s = sum(r["processor_s"] for r in found["optima"])
        print(
            f"\npublished assignment instances: {right} of {len(found['optima'])} proved at their "
            f"known optimum (cpu {processor_s:.0f} s)"
        )
    if out is not None:
        out.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    return found


def run(words: Sequence[str]) -> int:
    """The command line of the benchmark; 0 unless a voice limit was broken or no layout found."""
    parser = argparse.ArgumentParser(prog="padbank bench plan")
    parser.add_argument("--sizes", default="small,medium,large,extreme,request")
    parser.add_argument("--seconds", type=float)
    parser.add_argument("--seeds", default="1")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--growth", action="store_true", help="ever larger shows too")
    parser.add_argument("--peers", action="store_true", help="general solvers on the same model")
    parser.add_argument("--no-change", action="store_true", help="leave the changed want out")
    parser.add_argument("--cpu", action="store_true", help="count processor time: the machine is shared")
    parser.add_argument("--optima", type=Path, help="folder with the published instances")
    given = parser.parse_args(list(words))
    if given.optima is not None and not (given.optima / "gap" / "optima.csv").is_file():
        parser.error(f"--optima {given.optima}: there is no gap/optima.csv in it; name the folder above gap")
    found = bench_plan(
        given.sizes.split(","),
        given.seconds,
        given.out,
        seeds=[int(s) for s in given.seeds.split(",")],
        processor_clock=given.cpu,
        change=not given.no_change,
        growth=given.growth,
        optima=given.optima,
        peers=given.peers,
    )
    return int(any(r.get("failed") or r["voices_broken"] for r in found["sizes"]))
