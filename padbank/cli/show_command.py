"""``padbank show check``, ``padbank show list`` and ``padbank show new``."""

from __future__ import annotations

import click

from padbank.cli.common import (
    DONE,
    FINDINGS,
    counted,
    exit_code,
    json_option,
    open_library,
    print_findings,
    print_json,
    say,
)
from padbank.cli.tables import table
from padbank.workflow.show_edits import list_shows
from padbank.workflow.shows import check_show_file, new_show


@click.group("show")
def command() -> None:
    """What a show wants: segments, clips and tags, target level, rights."""


@command.command("check")
@click.argument("show")
@json_option
@click.pass_context
def check(ctx: click.Context, show: str, as_json: bool) -> int:
    """Check a show (a name, or the path of a .toml) against its rig and the library."""
    opened, findings = check_show_file(open_library(ctx), show)
    if as_json:
        print_json({"show": opened.show, "findings": findings})
    else:
        wants = [w for s in opened.show.segments for w in s.wants]
        click.echo(
            f"{opened.show.name}: {counted(len(opened.show.segments), 'segment')}, {counted(len(wants), 'want')} "
            f"({counted(sum(w.must for w in wants), 'must')}) on {opened.rig.title or opened.rig.name}, "
            f"target {opened.show.target_lufs:g} LUFS, ceiling {opened.show.ceiling_dbtp:g} dBTP"
        )
        print_findings(findings)
        say("No faults found." if not findings else f"{len(findings)} to look at.")
    return exit_code(findings)


@command.command("list")
@json_option
@click.pass_context
def list_(ctx: click.Context, as_json: bool) -> int:
    """List the shows in the library, and which was laid out last."""
    rows = list_shows(open_library(ctx))
    if as_json:
        print_json(rows)
    else:
        lines = [
            (r.name + ("*" if r.last else ""), r.title, r.date or "", r.rig) for r in rows if r.fault is None
        ]
        if lines:
            click.echo(table(lines, ("show", "title", "date", "rig"), flexible=(0, 1, 3)))
        for row in rows:
            if row.fault is not None:
                say(f"{row.name} cannot be read: {row.fault}")
        say("* laid out last" if any(r.last for r in rows) else "padbank show new NAME begins one." if not rows else "")
    return FINDINGS if any(r.fault for r in rows) else DONE


@command.command("new")
@click.argument("name")
@click.option("--like", metavar="OLD", help="Start from this show's segments and wants, and keep its clips where the hands know them.")
@click.option("--rig", help="Which rig it is for.")
@click.pass_context
def new(ctx: click.Context, name: str, like: str | None, rig: str | None) -> int:
    """Write a new show file to fill in with any text editor; NAME may be a title, such as "Friday night"."""
    path = new_show(open_library(ctx), name, like=like, rig=rig)
    click.echo(str(path))
    say(f"Open it in a text editor, then: padbank show check {path.stem}")
    return 0
