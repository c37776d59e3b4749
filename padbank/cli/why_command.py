"""``padbank why``."""

from __future__ import annotations

import click

from padbank.cli.common import json_option, open_library, print_json, table
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
    click.echo(found.text)
    if found.others:
        rows = [(o.bank, o.pad_id, f"{o.cost:+.2f}".replace("-", "−"), o.gives_way or "nothing", o.breaks) for o in found.others]
        click.echo()
        click.echo(table(rows, ("bank", "pad", "costs s", "gives way", "would break"), "rlrll"))
    return 0
