"""Printing a layout: the banks as a table, terms and what was left out."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import click

from padbank.cli.common import echo_prose
from padbank.cli.tables import screen_width, table
from padbank.domain import Layout, Rig
from padbank.workflow.plan import LeftOut, Term, by_bank


def print_layout(layout: Layout, rig: Rig, moved: Collection[tuple[int, str]] = ()) -> None:
    """Pads down, banks across, as many banks side by side as the terminal is wide.

    ``*`` marks what moved since the hands last knew it, ``[…]`` a control hit.
    """
    banks = by_bank(layout, rig)
    used = [
        (number, cells)
        for number, cells in enumerate(banks, 1)
        if any(place for _, place, _ in cells)
    ]
    columns: list[tuple[str, list[str]]] = []
    for number, cells in used:
        segments = layout.bank_segments[number - 1] if number <= len(layout.bank_segments) else ()
        texts = []
        for pad_id, place, label in cells:
            text = "" if place is None else place.clip + ("*" if (number, pad_id) in moved else "")
            texts.append(f"[{label}]" if label else text)
        columns.append((f"{number} {' + '.join(segments)}".strip(), texts))
    pads = [pad.pad_id for pad in rig.pads]
    room = screen_width() - max(len(p) for p in pads) - 2
    start = 0
    while start < len(columns):
        taken, end = 0, start
        while end < len(columns):
            width = max(len(t) for t in (f"bank {columns[end][0]}", *columns[end][1])) + 2
            if end > start and taken + width > room:
                break
            taken += width
            end += 1
        shown = columns[start:end]
        rows = [(pad, *(texts[i] for _, texts in shown)) for i, pad in enumerate(pads)]
        click.echo(table(rows, ("pad", *(f"bank {title}" for title, _ in shown)), "l" * (1 + len(shown))))
        click.echo()
        start = end
    if moved:
        click.echo("* moved since the hands last knew it\n")


def print_terms(terms: Sequence[Term]) -> None:
    """What the layout costs, term by term, in natural units and in seconds of the player's time."""
    rows = [(t.name, f"{t.amount:.2f} {t.unit}", f"{t.price:g}", f"{t.cost:.2f}", t.text) for t in terms]
    click.echo(table(rows, ("term", "amount", "× s", "= s", "what it counts"), "lrrrl"))


def print_left_out(left_out: Sequence[LeftOut]) -> None:
    for item in left_out:
        many = f"{item.missing} of " if item.missing > 1 else ""
        must = "MUST " if item.must else ""
        echo_prose(f"left out: {must}{many}{item.want} in {item.segment}: {item.reason}")
