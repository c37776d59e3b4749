"""``padbank swap``."""

from __future__ import annotations

import click

from padbank.cli.common import json_option, open_library
from padbank.cli.hand_print import report
from padbank.workflow.by_hand import change_by_hand, swap


@click.command("swap")
@click.argument("show")
@click.option("--bank", type=int, required=True, help="The bank's number, from 1.")
@click.option("--pad", required=True, help="As printed: surface/number, or the number alone.")
@click.option("--other-bank", type=int, help="The same bank, when left out.")
@click.option("--other-pad", required=True, help="The pad that it changes places with.")
@json_option
@click.pass_context
def command(
    ctx: click.Context, show: str, bank: int, pad: str, other_bank: int | None, other_pad: str, as_json: bool
) -> int:
    """Exchange what two pads hold; answers with the change in every term and any finding."""
    step = swap(bank, pad, bank if other_bank is None else other_bank, other_pad)
    return report(change_by_hand(open_library(ctx), show, step), as_json=as_json)
