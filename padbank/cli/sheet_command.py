"""``padbank sheet``."""

from __future__ import annotations

from pathlib import Path

import click

from padbank.cli.common import open_library, say
from padbank.workflow.sheet import Paper, draw


@click.command("sheet")
@click.argument("show")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path, dir_okay=False), help="pads.pdf or pads.png")
@click.option("--bank", type=int, help="This bank alone.")
@click.option("--layout", "number", type=int, help="A layout's number; else the newest.")
@click.option("--paper", type=click.Choice(["a4", "a3", "letter"]), default="a4", show_default=True, help="The size of the paper.")
@click.option("--by-surface", is_flag=True, help="A page for each surface of a bank, with larger names.")
@click.option("--night", is_flag=True, help="Tape on black, for a dark stage.")
@click.pass_context
def command(
    ctx: click.Context, show: str, output: Path, bank: int | None, number: int | None, paper: Paper, by_surface: bool,
    night: bool,
) -> int:
    """Draw the printable map of every bank, to scale, to be read from the stool."""
    notes = draw(
        open_library(ctx), show, output, number=number, bank=bank, paper=paper, by_surface=by_surface or None, night=night
    )
    for note in notes:
        say(f"note: {note}")
    click.echo(str(output))
    return 0
