"""``padbank ready``."""

from __future__ import annotations

from pathlib import Path

import click

from padbank.cli.common import (
    DONE,
    FINDINGS,
    json_option,
    open_library,
    print_findings,
    print_json,
    progress_bar,
    say,
)
from padbank.cli.export_command import as_mapping as export_mapping
from padbank.cli.layout_print import print_layout, print_left_out
from padbank.cli.plan_command import as_mapping as plan_mapping
from padbank.cli.plan_command import stop_on_interrupt
from padbank.workflow.ready import Ready, make_ready


@click.command("ready")
@click.argument("show")
@click.option("--to", "folder", required=True, type=click.Path(path_type=Path, file_okay=False), help="The export folder or the card.")
@click.option("--plan-anew", is_flag=True, help="Plan even where the newest layout was arranged by hand.")
@click.option("--seconds", type=click.FloatRange(min=0.1), default=60.0, show_default=True, help="Most time to spend on planning.")
@click.option("--accept", multiple=True, metavar="CODE", help="Take on a finding by its code; may be repeated.")
@json_option
@click.pass_context
def command(ctx: click.Context, show: str, folder: Path, plan_anew: bool, seconds: float, accept: tuple[str, ...], as_json: bool) -> int:
    """Plan, export, verify and a short checklist in one go: for the last hour before the show.

    A layout that you arranged by hand since the last plan is used as it is; --plan-anew plans instead.
    """
    library = open_library(ctx)
    with stop_on_interrupt() as should_stop, progress_bar("getting ready", quiet=as_json) as progress:
        done = make_ready(
            library, show, folder, plan_anew=plan_anew, seconds=seconds, accept=accept, progress=progress,
            should_stop=should_stop,
        )  # fmt: skip
    laid_out = done.laid_out
    if as_json:
        print_json(
            {
                "ok": done.ok, "layout": laid_out.layout.number, "by_hand": laid_out.planned is None, "checks": done.checks,
                "to_do": done.to_do, "plan": plan_mapping(laid_out.planned) if laid_out.planned else None,
                "export": export_mapping(done.exported), "verify": done.verified.as_json(),
            }
        )  # fmt: skip
    else:
        print_ready(done)
    return DONE if done.ok else FINDINGS


def print_ready(done: Ready) -> None:
    laid_out, name = done.laid_out, done.laid_out.opened.show.name
    print_layout(laid_out.layout, laid_out.opened.rig, laid_out.moved)
    print_left_out(laid_out.left_out)
    serious = [f for f in done.verified.findings if f.severity != "note"]  # its notes repeat the export's
    print_findings([*laid_out.findings, *done.exported.findings, *serious])
    click.echo(f"\nSet: {done.exported.folder}")
    print_checklist(done)
    if laid_out.planned is None:
        say(f"Layout {laid_out.layout.number} was arranged by hand and is used as it is; to plan instead: padbank ready {name} --plan-anew")


def print_checklist(done: Ready) -> None:
    for check in done.checks:
        click.echo(f"  {'ok ' if check.ok else 'NO '} {check.text} ({check.figures})")
    click.echo("\nBy hand, before the show:")
    for line in done.to_do:
        click.echo(f"  [ ] {line}")
    if not done.ok:
        say("Not ready yet: see the lines marked NO.")
