"""``padbank add``."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import click

from padbank.cli.common import (
    DONE,
    FEW,
    FINDINGS,
    TIME,
    json_option,
    open_library,
    print_json,
    progress_bar,
    say,
)
from padbank.workflow.add import AddReport
from padbank.workflow.add import add as add_files


@click.command("add")
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path, readable=False), metavar="PATH…")
@click.option("--from", "start_s", type=TIME, help="Cut a section: where it starts (12.5, 350ms, 1:02.25).")
@click.option("--to", "end_s", type=TIME, help="Cut a section: where it ends.")
@click.option("--tag", "tags", multiple=True, help="Give this tag to every clip; may be repeated.")
@click.option("--licence", "--license", help="SPDX identifier, such as CC0-1.0 or LicenseRef-my-permission.")
@click.option("--credit", help="Whom to credit, where the licence asks for it.")
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    paths: tuple[Path, ...],
    start_s: float | None,
    end_s: float | None,
    tags: tuple[str, ...],
    licence: str | None,
    credit: str | None,
    as_json: bool,
) -> int:
    """Take files and folders (with all that is in them) into the library.

    Each file is copied, decoded, measured and given a proposed trim; the
    original is never altered. Files that are unchanged since last time are
    skipped, and the same sound in another file is recognised; both take on
    the tags, and the licence where none was stated. A bad file never stops
    the rest: refused files are listed with their reason, exit 3.
    """
    library = open_library(ctx)
    with progress_bar("adding", quiet=as_json) as progress:
        report = add_files(
            library, paths, start_s=start_s, end_s=end_s, tags=tags, licence=licence, credit=credit, progress=progress
        )
    if as_json:
        print_json(report)
    else:
        print_report(report)
        if report.added and licence is None:
            say(
                "No licence was given, and a show that takes only cleared clips leaves these out: "
                "run the same again with --licence …, or padbank edit CLIP --licence …"
            )
    return FINDINGS if report.refused else DONE


def print_report(report: AddReport) -> None:
    """Results to stdout, one line a clip with news; refusals and warnings to stderr."""
    for entry in report.added:
        click.echo(f"{entry.clip}  ({entry.role}: {entry.reason})")
    for entry in report.already:
        if not entry.same_as and not entry.licence_noted:
            continue  # as it was: counted below
        same = f": {Path(entry.path).name} holds the same sound as {Path(entry.same_as).name}" if entry.same_as else ""
        click.echo(f"{entry.clip}  already{same}{', licence noted' if entry.licence_noted else ''}")
    for warning in report.warnings:
        say(f"warning: {_short(warning.path)}: {warning.reason}")
    for refusal in report.refused:
        say(f"refused: {_short(refusal.path)}: {refusal.reason}")
    if report.passed_over:
        say(f"{_passed_over(report.passed_over)}; to have one tried, name it itself.")
    if not (report.added or report.already or report.refused):
        say("There is no sound or video file there: check the folder.")
    say(f"{len(report.added)} added, {len(report.already)} already there, {len(report.refused)} refused.")


def _passed_over(names: Sequence[str]) -> str:
    shown = ", ".join(names[:FEW]) + (f" and {len(names) - FEW} more" if len(names) > FEW else "")
    return f"passed over, no sound or video by {'its name' if len(names) == 1 else 'their names'}: {shown}"


def _short(path: str) -> str:
    """A path as short as it can be said from where the person stands."""
    try:
        return min(path, os.path.relpath(path), key=len)
    except ValueError:  # another drive
        return path
