"""``padbank remove``."""

from __future__ import annotations

import click

from padbank.cli.common import open_library, say
from padbank.workflow.clips import bring_back, remove
from padbank.workflow.naming import shows_naming


@click.command("remove")
@click.argument("clips", nargs=-1, required=True, metavar="CLIP…")
@click.option("--undo", "undo_it", is_flag=True, help="Bring removed clips back.")
@click.pass_context
def command(ctx: click.Context, clips: tuple[str, ...], undo_it: bool) -> int:
    """Take clips out of sight. Nothing is deleted: --undo, or adding the file again, brings them back."""
    library = open_library(ctx)
    for name in bring_back(library, clips) if undo_it else remove(library, clips):
        click.echo(f"{name}: {'back' if undo_it else 'removed'}")
    if not undo_it:
        for name in clips:
            if shows := shows_naming(library, name):
                say(f"{name} is named by {', '.join(shows)}: it is missing there until you bring it back, or take its name out of the show's file.")
        say(f"To bring back: padbank remove --undo {' '.join(clips)}")
    return 0
