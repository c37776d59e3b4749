"""``padbank rig check`` and ``padbank rig list``."""

from __future__ import annotations

from pathlib import Path

import click

from padbank.cli.common import (
    counted,
    exit_code,
    json_option,
    open_library,
    print_findings,
    print_json,
    say,
)
from padbank.cli.tables import table
from padbank.units import format_bytes
from padbank.workflow.shows import check_rig_file, list_rigs


@click.group("rig")
def command() -> None:
    """The hardware as data: surfaces, pads, banks, memory, voices, file names."""


@command.command("check")
@click.argument("rig", metavar="RIG")
@click.option("--sheet", type=click.Path(path_type=Path, dir_okay=False), help="Draw it as .pdf or .png, to hold against the real thing.")
@json_option
@click.pass_context
def check(ctx: click.Context, rig: str, sheet: Path | None, as_json: bool) -> int:
    """Check a rig file (a name, or the path of a .toml): pads that overlap, notes that clash, limits."""
    library = open_library(ctx)
    loaded, findings = check_rig_file(library, rig)
    if sheet is not None:
        from padbank.workflow.sheet import draw_rig  # takes longer to load than the check itself

        for note in draw_rig(library, rig, sheet):
            say(f"note: {note}")
        say(f"Drawn: {sheet}")
    if as_json:
        print_json({"rig": loaded, "findings": findings})
    else:
        hands = sum(p.limb == "hand" for p in loaded.pads)
        click.echo(f"{loaded.name}: {loaded.title}")
        click.echo(
            f"  {counted(loaded.banks, 'bank')} of {counted(len(loaded.pads), 'pad')} ({hands} for hands, {len(loaded.pads) - hands} for feet), "
            f"{counted(len(loaded.controls), 'control hit')}"
        )
        for device in loaded.devices:
            click.echo(
                f"  {device.name}: {format_bytes(device.memory_bytes)} of samples, {device.voices} voices, "
                f"{device.bits}-bit WAV at {', '.join(map(str, device.sample_rates_hz))} Hz"
            )
        print_findings(findings)
        say("No faults found." if not findings else f"{len(findings)} to look at.")
    return exit_code(findings)


@command.command("list")
@json_option
@click.pass_context
def list_(ctx: click.Context, as_json: bool) -> int:
    """List the rigs in the library and those that ship with padbank."""
    library = open_library(ctx)
    rows = list_rigs(library)
    if as_json:
        print_json(rows)
    else:
        lines = [(r.name, r.title, r.banks, r.pads, "library" if r.own else "padbank") for r in rows if r.fault is None]
        click.echo(table(lines, ("rig", "what it is", "banks", "pads", "from"), "llrrl", flexible=(0, 1)))
        for row in rows:
            if row.fault is not None:
                say(f"{row.name} cannot be read: {row.fault}")
        if shipped := next((r for r in rows if not r.own), None):
            say(f"To make one yours, copy it from {Path(shipped.file).parent} into {library.rigs} under another name.")
    return 3 if any(r.fault for r in rows) else 0
