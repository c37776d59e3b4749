"""``padbank log``."""

from __future__ import annotations

from pathlib import Path

import click

from padbank.cli.common import (
    counted,
    json_option,
    open_library,
    print_findings,
    print_json,
    say,
)
from padbank.cli.tables import table
from padbank.workflow.log import log_take


@click.command("log")
@click.argument("show")
@click.argument("take", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--layout", "number", type=int, help="The number of the layout that is played; else the newest.")
@click.option("--first-bank", type=int, default=1, show_default=True, help="The bank in use when the take begins.")
@json_option
@click.pass_context
def command(ctx: click.Context, show: str, take: Path, number: int | None, first_bank: int, as_json: bool) -> int:
    """Learn from what was played: keep the hits of a take (a Standard MIDI File) for the next plan.

    Wants with learn = true take their expected hits from logged takes, and
    wants by tag prefer the clips that were used most.
    """
    played = log_take(open_library(ctx), show, take, number=number, first_bank=first_bank)
    rows = [(segment, clip, round(count, 2)) for (segment, clip), count in sorted(played.hits.items())]
    if as_json:
        print_json({"layout": played.layout, "hits": [dict(zip(("segment", "clip", "hits"), r, strict=True)) for r in rows],
                    "findings": played.findings})  # fmt: skip
    else:
        click.echo(table([(s, c, f"{n:g}") for s, c, n in rows], ("segment", "clip", "hits"), "llr", flexible=(1,)))
        print_findings(played.findings)
        say(f"Kept for the next plan: {counted(round(sum(r[2] for r in rows)), 'hit')} on layout {played.layout}.")
        if not played.learns:
            say(f"No want of {show} has learn = true, so only wants by tag heed it: write it beside those that should take their hits from takes.")
    return 0
