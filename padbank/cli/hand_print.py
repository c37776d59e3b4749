"""Printing a step by hand: the change in every term, new findings, the bound."""

from __future__ import annotations

import click

from padbank.cli.common import FINDINGS, print_findings, print_json, say
from padbank.cli.tables import table
from padbank.workflow.by_hand import Changed


def report(changed: Changed, *, as_json: bool) -> int:
    """Print a step; exit 3 when it brings a finding that would spoil the show."""
    change = changed.change
    bad = any(f.severity == "error" for f in change.new_findings)
    if as_json:
        print_json(
            {
                "layout": changed.layout.number, "cost_change": change.cost, "objective": change.evaluation.objective,
                "bound": changed.bound, "terms": change.terms, "new_findings": change.new_findings, "text": change.text,
            }
        )  # fmt: skip
        return FINDINGS if bad else 0
    click.echo(change.text)
    rows = [
        (t.name, f"{t.before:.2f}", f"{t.after:.2f} {t.unit}", f"{t.cost:+.2f}".replace("-", "−"))
        for t in change.terms
        if t.before != t.after or t.cost
    ]
    if rows:
        click.echo(table(rows, ("term", "before", "after", "change s"), "lrrr"))
    print_findings(change.new_findings)
    bound = "" if changed.bound is None else f"; the last plan's bound is {changed.bound:.2f} s"
    worse = f"{abs(change.cost):.2f} s {'worse' if change.cost > 0 else 'better'}" if abs(change.cost) > 5e-3 else "as good as before"
    say(f"Layout {changed.layout.number}: {change.evaluation.objective:.2f} s, {worse}{bound}.")
    return FINDINGS if bad else 0
