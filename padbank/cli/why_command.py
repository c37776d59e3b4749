"""``padbank why``."""

from __future__ import annotations

import click

from padbank.cli.common import echo_prose, json_option, open_library, print_json
from padbank.cli.tables import table
from padbank.workflow.by_hand import why_clip


@click.command("why")
@click.argument("show")
@click.argument("clip")
@json_option
@click.pass_context
def command(ctx: click.Context, show: str, clip: str, as_json: bool) -> int:
    """Why a clip sits where it sits, what the next-best places would cost, or why it was left out."""
    found = why_clip(open_library(ctx), show, clip)
    if as_json:
        print_json(found)
        return 0
    echo_prose(found.text)
    if found.others:
        rows = [
            (o.bank, o.pad_id, f"{o.cost:+.2f}".replace("-", "−"), o.gives_way or "nothing", "yes" if o.breaks else "")
            for o in found.others
        ]
        click.echo()
        click.echo(table(rows, ("bank", "pad", "costs s", "gives way", "breaks a limit"), "rlrll", flexible=(3,)))
        for other in found.others:
            if other.breaks:
                click.echo(f"{other.pad_id} of bank {other.bank} would break: {other.breaks}")
    return 0
