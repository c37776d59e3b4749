"""``padbank rehearse``."""

from __future__ import annotations

from pathlib import Path

import click

from padbank.cli.common import exit_code, json_option, open_library, print_json
from padbank.workflow.log import rehearse_show


@click.command("rehearse")
@click.argument("show")
@click.option("--take", type=click.Path(path_type=Path, dir_okay=False), help="A Standard MIDI File; else the hits that the show expects.")
@click.option("--layout", "number", type=int, help="The number of the layout that is played; else the newest.")
@click.option("--first-bank", type=int, default=1, show_default=True, help="The bank in use when the take begins.")
@json_option
@click.pass_context
def command(ctx: click.Context, show: str, take: Path | None, number: int | None, first_bank: int, as_json: bool) -> int:
    """Play the show on paper: voices, cut-offs, late bank switches, hits on empty pads."""
    played = rehearse_show(open_library(ctx), show, take, number=number, first_bank=first_bank)
    if as_json:
        print_json({"layout": played.layout, "findings": played.findings,
                    "soundings": len(played.rehearsal.soundings), "duration_s": played.rehearsal.duration_s})  # fmt: skip
    else:
        for line in played.lines:
            click.echo(line)
    return exit_code(played.findings)
