"""``padbank place``."""

from __future__ import annotations

import click

from padbank.cli.common import json_option, open_library
from padbank.cli.hand_print import report
from padbank.workflow.by_hand import change_by_hand, place


@click.command("place")
@click.argument("show")
@click.argument("clip")
@click.option("--bank", type=int, required=True, help="The bank's number, from 1.")
@click.option("--pad", required=True, help="As printed: surface/number, or the number alone.")
@json_option
@click.pass_context
def command(ctx: click.Context, show: str, clip: str, bank: int, pad: str, as_json: bool) -> int:
    """Put a clip on a pad by hand; answers with the change in every term and any finding."""
    library = open_library(ctx)
    name = library.clip(clip).name
    return report(change_by_hand(library, show, place(name, bank, pad), name), as_json=as_json)
