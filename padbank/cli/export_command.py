"""``padbank export``."""

from __future__ import annotations

from pathlib import Path

import click

from padbank.cli.common import (
    DONE,
    FINDINGS,
    json_option,
    open_library,
    print_findings,
    print_json,
    progress_bar,
    say,
)
from padbank.units import format_bytes
from padbank.workflow.export import Exported, check_target, export, prepare_export

EAR_CAUTION = (
    "Before the show: play the loudest pad quietly first, then raise the monitors. Loud cues and long sessions can "
    "harm hearing; keep to your local rules and ask a hearing professional."
)


@click.command("export")
@click.argument("show")
@click.option("--to", "folder", required=True, type=click.Path(path_type=Path, file_okay=False), help="The export folder or the card.")
@click.option("--layout", "number", type=int, help="A layout's number; else the newest.")
@click.option("--accept", multiple=True, metavar="CODE", help="Take on a finding by its code; may be repeated.")
@click.option("--dry-run", is_flag=True, help="Show what would be written, and every finding; write nothing.")
@json_option
@click.pass_context
def command(
    ctx: click.Context, show: str, folder: Path, number: int | None, accept: tuple[str, ...], dry_run: bool, as_json: bool
) -> int:
    """Write a show's set: numbered WAVs, set.json and the pad sheet, swapped in whole.

    The set is written beside the old one and takes its place only when all of
    it is there. Files that are unchanged are not written again. What cannot
    be right (no room, a name the card cannot hold, a broken limit) is refused
    before the first byte.
    """
    library = open_library(ctx)
    if dry_run:
        check_target(library, folder)
        prepared = prepare_export(library, show, number=number)
        if as_json:
            print_json({"folder": folder / prepared.plan.folder, "files": prepared.plan.files, "findings": prepared.findings})
        else:
            for file in prepared.plan.files:
                click.echo(f"{prepared.plan.folder}/{file.path}  {format_bytes(file.est_bytes)}")
            print_findings(prepared.findings)
            say(f"{len(prepared.plan.files)} files; nothing was written.")
        return FINDINGS if any(f.severity == "error" for f in prepared.findings) else DONE
    with progress_bar("rendering", quiet=as_json) as progress:
        done = export(library, show, folder, number=number, accept=accept, progress=progress)
    if as_json:
        print_json(as_mapping(done))
    else:
        print_export(done)
        say(EAR_CAUTION)
    return FINDINGS if any(f.severity == "error" for f in done.findings) else DONE


def as_mapping(done: Exported) -> dict[str, object]:
    return {
        "folder": done.folder, "layout": done.layout, "files": done.written.card.files,
        "written": done.written.written, "kept": done.written.kept, "moved": done.written.moved,
        "removed": done.written.removed, "bytes_written": done.written.bytes_written,
        "findings": done.findings,
    }  # fmt: skip


def print_export(done: Exported) -> None:
    result = done.written
    click.echo(str(done.folder))
    if result.recovered:
        say(result.recovered)
    print_findings(done.findings)
    new, were_there, removed = done.sounds
    say(f"Layout {done.layout}: {len(result.card.files)} sounds in the set: {new} written, {were_there} unchanged, {removed} removed.")
    say(f"The pad sheet is {'new' if done.sheet_is_new else 'as before'}; {format_bytes(result.bytes_written)} written in all.")
