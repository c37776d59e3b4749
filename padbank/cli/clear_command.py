"""``padbank clear``."""

from __future__ import annotations

import click

from padbank.cli.common import json_option, open_library
from padbank.cli.hand_print import report
from padbank.workflow.by_hand import change_by_hand, clear


@click.command("clear")
@click.argument("show")
@click.option("--bank", type=int, required=True, help="The bank's number, from 1.")
@click.option("--pad", required=True, help="As printed: surface/number, or the number alone.")
@json_option
@click.pass_context
def command(ctx: click.Context, show: str, bank: int, pad: str, as_json: bool) -> int:
    """Take the clip off a pad; answers with the change in every term and any finding."""
    return report(change_by_hand(open_library(ctx), show, clear(bank, pad)), as_json=as_json)
