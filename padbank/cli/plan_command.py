"""``padbank plan``."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

import click

from padbank.cli.common import (
    exit_code,
    json_option,
    open_library,
    print_findings,
    print_json,
    progress_bar,
    say,
)
from padbank.cli.layout_print import print_layout, print_left_out, print_terms
from padbank.cli.tables import table
from padbank.workflow.by_hand import PlainWay, compare
from padbank.workflow.plan import Planned, plan


@contextmanager
def stop_on_interrupt() -> Iterator[Callable[[], bool]]:
    """Ctrl-C asks the planner for its best so far; a second one stops at once."""
    asked = threading.Event()

    def ask(number: int, frame: object) -> None:
        if asked.is_set():
            raise KeyboardInterrupt
        asked.set()
        say("\nstopping with the best layout so far …")

    if threading.current_thread() is not threading.main_thread():
        yield asked.is_set
        return
    before = signal.signal(signal.SIGINT, ask)
    try:
        yield asked.is_set
    finally:
        signal.signal(signal.SIGINT, before)


@click.command("plan")
@click.argument("show")
@click.option(
    "--seconds", type=click.FloatRange(min=0), default=60.0, show_default=True,
    help="Stop after so long with the best layout so far and its gap; 0: go on until it is proved.",
)  # fmt: skip
@click.option("--fresh", is_flag=True, help="Pay no heed to where the hands know the clips.")
@click.option("--compare", "compare_it", is_flag=True, help="Beside it two plain ways: list order, and by frequency.")
@json_option
@click.pass_context
def command(
    ctx: click.Context, show: str, seconds: float, fresh: bool, compare_it: bool, as_json: bool
) -> int:
    """Decide which clip sits under which pad of which bank, with a proof.

    Every hard limit holds (memory, per-pad limits, worst-case voices, control
    hits, rights, pins); then as many wishes as fit, close to the hands, where
    they know it. Ctrl-C gives the best layout so far and its gap.
    """
    library = open_library(ctx)
    with stop_on_interrupt() as should_stop, progress_bar("planning", quiet=True) as progress:
        planned = plan(library, show, seconds=seconds or None, fresh=fresh, progress=progress, should_stop=should_stop)
    ways = compare(library, show).ways if compare_it else ()
    if as_json:
        plain_ways = [{"name": w.name, "objective": w.evaluation.objective, "terms": w.evaluation.terms,
                       "findings": w.evaluation.findings} for w in ways]  # fmt: skip
        print_json(as_mapping(planned) | ({"plain_ways": plain_ways} if compare_it else {}))
    else:
        print_plan(planned)
        if compare_it:
            print_ways(planned, ways)
    return exit_code(planned.findings)


def print_ways(planned: Planned, ways: Sequence[PlainWay]) -> None:
    """The plan beside two plain ways, on the same evaluator."""
    result = planned.result
    rows = [("this plan", result.objective, result.terms, result.findings)]
    rows += [(w.name, w.evaluation.objective, w.evaluation.terms, w.evaluation.findings) for w in ways]
    lines = [
        (name, f"{cost:.2f}", f"{cost / result.objective:.2f}" if result.objective else "",
         sum(f.severity == "error" for f in findings), *(f"{t.cost:.2f}" for t in terms))
        for name, cost, terms, findings in rows
    ]  # fmt: skip
    headers = ("way", "cost s", "×", "broken", *(t.name for t in result.terms))
    click.echo(table(lines, headers, "lrrr" + "r" * len(result.terms)))
    say("In seconds of your time; × is how many times the plan's cost, broken how many hard limits a way breaks.")


def as_mapping(planned: Planned) -> dict[str, object]:
    result = planned.result
    return {
        "layout": planned.layout.number,
        "status": result.status,
        "objective": result.objective,
        "bound": result.bound,
        "gap": result.gap,
        "gap_without_wishes": result.gap_without_wishes,
        "terms": result.terms,
        "places": planned.layout.places,
        "controls": planned.layout.controls,
        "bank_segments": planned.layout.bank_segments,
        "left_out": result.left_out,
        "findings": planned.findings,
    }


def print_plan(planned: Planned) -> None:
    result, rig = planned.result, planned.opened.rig
    print_layout(planned.layout, rig, planned.moved)
    print_terms(result.terms)
    click.echo()
    print_left_out(result.left_out)
    print_findings(planned.findings)
    if result.status == "proved":
        proof = "proved: no layout of these banks costs less"
    else:
        proof = (
            f"within {100 * result.gap:.2f} % of the best possible, {100 * result.gap_without_wishes:.2f} % without the "
            "value of wishes left out; stopped before the proof, so another computer may find another layout"
        )
    placed = len({p.clip for p in planned.layout.places})
    say(
        f"Layout {planned.layout.number}: {placed} clips on {len(planned.layout.places)} pads, "
        f"cost {result.objective:.2f} s ({proof})."
    )
    if planned.meanwhile:
        say(planned.meanwhile[0].upper() + planned.meanwhile[1:])
    say(f"Next: padbank level {planned.opened.show.name}, or padbank ready {planned.opened.show.name} --to FOLDER")
