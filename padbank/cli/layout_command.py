"""``padbank layout``."""

from __future__ import annotations

import click

from padbank.cli.common import counted, json_option, open_library, print_findings, print_json, say
from padbank.cli.layout_print import print_layout, print_left_out, print_terms
from padbank.cli.tables import table
from padbank.workflow.by_hand import diff
from padbank.workflow.plan import judge


@click.command("layout")
@click.argument("show")
@click.option("--layout", "number", type=int, help="A layout's number; else the newest.")
@click.option("--diff", "old", metavar="OLD", help="What moved since this layout number, or since another show, and why.")
@json_option
@click.pass_context
def command(ctx: click.Context, show: str, number: int | None, old: str | None, as_json: bool) -> int:
    """The banks of a kept layout as a table, with its terms and findings; or what moved, and why."""
    library = open_library(ctx)
    if old is not None:
        before, new, changes = diff(library, show, old)
        if as_json:
            print_json({"old": before.number, "new": new.number, "changes": changes})
        else:
            if changes:
                click.echo(table([(c.clip, c.kind, c.before, c.after, c.why) for c in changes], ("clip", "what", "was", "is", "why"), flexible=(0, 4)))
            many = counted(len(changes), "difference") if changes else "No difference"
            say(f"{many} from layout {before.number} of {before.show} to layout {new.number} of {new.show}.")
        return 0
    judged = judge(library, show, number)
    if as_json:
        print_json({"layout": judged.layout, "objective": judged.evaluation.objective, "terms": judged.evaluation.terms,
                    "left_out": judged.evaluation.left_out, "findings": judged.evaluation.findings})  # fmt: skip
    else:
        print_layout(judged.layout, judged.opened.rig)
        print_terms(judged.evaluation.terms)
        print_left_out(judged.evaluation.left_out)
        print_findings(judged.evaluation.findings)
        say(f"Layout {judged.layout.number}: {judged.evaluation.objective:.2f} s.")
    return 0 if judged.evaluation.feasible else 3
